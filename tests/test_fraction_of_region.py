"""Precision over the region, against distributions known in closed form and statsmodels."""

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm

from doe import charts
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import (
    central_composite,
    fraction_of_region,
    full_factorial,
    half_width,
    plackett_burman,
    prediction_variance,
    split_plot,
)
from doe.terms import model_matrix

SQUARE = Region([Factor("a", 0, 10), Factor("b", 100, 300)])


def square_plan():
    return full_factorial(SQUARE, seed=1)


def test_curve_of_a_square_factorial_is_the_area_of_discs():
    # 2² factorial, first-order model: variance (1 + x² + y²) / 4 in coded units, so the share of
    # the square with at most v is that of a disc of radius² 4v − 1 (derived): π (4v − 1) / 4.
    curve = fraction_of_region(square_plan(), terms="a + b", count=16384)
    table = curve.table[curve.table["share"] <= np.pi / 4]
    disc = (1 + 4 * table["share"] / np.pi) / 4
    np.testing.assert_allclose(table["variance"], disc, atol=1e-3)
    for v in (0.3, 0.4, 0.5):
        assert curve.share_within(np.sqrt(v)) == pytest.approx(np.pi * (4 * v - 1) / 4, abs=2e-3)
    assert curve.mean == pytest.approx(5 / 12, abs=1e-4)       # (1 + 1/3 + 1/3) / 4
    assert curve.greatest == pytest.approx(3 / 4, abs=1e-12)   # at the corners
    assert curve.table["variance"].iloc[-1] == curve.greatest
    np.testing.assert_allclose(curve.table["scaled_variance"], 4 * curve.table["variance"])


def test_constraints_leave_only_what_may_be_run():
    # Over the triangle x + y <= 0 (coded) the mean of x² + y² is 2/3 by symmetry through the
    # origin, and that of x + y is −2/3 (derived); the corners of the square stay its corners.
    half = Region(SQUARE.factors, ("20 a + b <= 300",))
    plan = full_factorial(Region(SQUARE.factors), seed=1)
    plan = type(plan)(half, plan.runs, plan.terms, plan.family, plan.seed)
    curve = fraction_of_region(plan, terms="a + b", count=16384)
    assert curve.mean == pytest.approx(5 / 12, abs=2e-3)
    shifted = type(plan)(half, plan.runs[~((plan.runs["a"] == 10) & (plan.runs["b"] == 300))],
                         plan.terms, plan.family, plan.seed)
    inverse = np.linalg.inv(np.array([[3, -1, -1], [-1, 3, -1], [-1, -1, 3.0]]))
    grid = np.linspace(-1, 1, 801)
    x, y = (v.ravel() for v in np.meshgrid(grid, grid))
    f = np.column_stack([np.ones_like(x), x, y])[x + y <= 1e-9]
    by_hand = np.sort(np.einsum("ij,jk,ik->i", f, inverse, f))
    told = fraction_of_region(shifted, terms="a + b", count=16384)
    for q in (0.1, 0.5, 0.9):
        assert np.quantile(told.variances, q) == pytest.approx(np.quantile(by_hand, q), rel=0.01)
    assert told.greatest == pytest.approx(by_hand[-1], rel=1e-6)


def test_rotatable_composite_predicts_alike_at_equal_distance():
    # Box & Hunter (1957). With axial distance √2 and five centre points: variance 1/5 at the
    # centre; the other eight points share the remaining trace of the hat matrix, 5/8 each.
    plan = central_composite(Region([Factor("a", -1, 1), Factor("b", -1, 1)]), seed=1,
                             centre_points=5)
    angle = np.linspace(0, 2 * np.pi, 17)
    for radius, variance in ((0.0, 0.2), (0.4, None), (1.0, 0.625)):
        ring = pd.DataFrame({"a": radius * np.cos(angle), "b": radius * np.sin(angle)})
        width = half_width(plan, ring, sd_known=True) / 1.959963984540054
        assert np.ptp(width) < 1e-9
        if variance:
            assert width[0]**2 == pytest.approx(variance)


def test_the_end_of_the_curve_is_no_less_than_any_point():
    plan = central_composite(Region([Factor(n, -1, 1) for n in "abcd"]), axial="face-centred",
                             seed=1)
    curve = fraction_of_region(plan)
    anywhere = plan.region.grid(5)
    assert curve.greatest >= prediction_variance(plan, anywhere).max() - 1e-12
    # The variance is of the fourth degree in each factor, so that Gauss–Legendre with three
    # points a factor integrates it exactly.
    place, weight = np.polynomial.legendre.leggauss(3)
    nodes = pd.DataFrame(np.stack(np.meshgrid(*[place] * 4), -1).reshape(-1, 4), columns=[*"abcd"])
    share = np.prod(np.meshgrid(*[weight / 2] * 4), axis=0).ravel()
    assert curve.mean == pytest.approx(share @ prediction_variance(plan, nodes), rel=0.005)


@pytest.mark.parametrize("blocks", [1, 2])
def test_half_widths_are_those_of_statsmodels(blocks):
    plan = central_composite(Region([Factor("a", 0, 10), Factor("b", 0, 5)]), blocks=blocks, seed=3)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    where = pd.DataFrame({"a": [0.0, 5.0, 8.5], "b": [0.0, 2.5, 1.0]})
    new = model_matrix(plan.region, where, plan.terms).to_numpy()
    if blocks == 2:  # sum-to-zero column; the average block is 0
        X = np.column_stack([X, np.where(plan.runs["block"] == 2, 1.0, -1.0)])
        new = np.column_stack([new, np.zeros(3)])
    y = np.random.default_rng(1).normal(size=len(X))
    fit = sm.OLS(y, X).fit()
    for new_run, obs in ((False, False), (True, True)):
        interval = fit.get_prediction(new).conf_int(obs=obs, alpha=0.10)
        expected = np.ptp(interval, axis=1) / 2
        told = half_width(plan, where, sd=np.sqrt(fit.scale), level=0.90, new_run=new_run)
        np.testing.assert_allclose(told, expected, rtol=1e-9)


def test_half_widths_count_groups_as_statsmodels_gls_does():
    region = Region([Factor("a", -1, 1, hard_to_change=True), Factor("b", -1, 1)])
    plan = split_plot(region, whole_plots=6, runs=18, model="interactions", ratio=1.5, seed=1)
    group = plan.runs["whole_plot"].to_numpy()
    V = np.eye(18) + 1.5 * (group[:, None] == group)
    X = model_matrix(region, plan.settings, plan.terms).to_numpy()
    fit = sm.GLS(np.random.default_rng(2).normal(size=18), X, sigma=V).fit()
    mean_se = fit.get_prediction(X).se_mean / np.sqrt(fit.scale)
    told = half_width(plan, plan.settings, sd_known=True, ratios={"whole_plot": 1.5})
    np.testing.assert_allclose(told / 1.959963984540054, mean_se, rtol=1e-9)
    new = half_width(plan, plan.settings, sd_known=True, new_run=True)
    np.testing.assert_allclose((new / 1.959963984540054)**2, 1 + 1.5 + mean_se**2, rtol=1e-9)


def test_what_cannot_be_predicted_is_refused():
    region = Region([Factor(n, 0, 1) for n in "abcdefgh"])
    plan = plackett_burman(region, seed=1)
    with pytest.raises(InputError, match="cannot separate"):
        fraction_of_region(plan, terms="(a + b + c + d + e + f + g + h)**2")
    with pytest.raises(InputError, match="count"):
        fraction_of_region(plan, count=5)
    with pytest.raises(InputError, match="level"):
        half_width(plan, plan.settings, level=95)
    assert np.isnan(half_width(square_plan(), {"a": 1, "b": 150}, terms="a * b")).all()


def test_chart_draws_the_curve_and_says_its_height():
    curve = fraction_of_region(square_plan(), terms="a + b")
    figure = charts.region_fractions(curve)
    line = figure.data[0]
    np.testing.assert_allclose(line.y, curve.table["standard_error"])
    np.testing.assert_allclose(line.x, 100 * curve.table["share"])
    at = float(np.sqrt(np.quantile(curve.variances, 0.9)))
    assert f"at most {at:.2f}" in figure.layout.title.text.replace("<br>", " ")
    assert f"over 90 % of it at most {at:.2f};" in curve.sentence

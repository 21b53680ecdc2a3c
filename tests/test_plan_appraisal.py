"""What a plan can tell, against statsmodels, textbook optima and exact moments."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from scipy import integrate, stats
from statsmodels.stats.outliers_influence import OLSInfluence, variance_inflation_factor
from statsmodels.stats.power import TTestPower

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    Plan,
    appraise,
    box_behnken,
    central_composite,
    efficiencies,
    fractional_factorial,
    full_factorial,
    pasted,
    prediction_variance,
    split_plot,
)
from doe.planning.power import least_noncentrality, power_of
from doe.planning.settle import block_columns
from doe.responses import Response
from doe.terms import INTERCEPT, Term, model_matrix, standard_terms
from doe.wording import digits

MIXER = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))


def plain_region(k):
    return Region([Factor(c, -1, 1) for c in "ABCDEFGH"[:k]])


def crooked_plan():
    """Snapped, constrained, blocked, with categories of three levels and repeats."""
    region = default_region(MIXER)
    region = Region((*region.factors[:3], Factor.categorical("cup", ["P", "Q", "R"])),
                    ("revolution * rotation_ratio <= 600",))
    return full_factorial(region, replicates=2, blocks=2, centre_points=3, mixer=MIXER, seed=1)


@pytest.mark.parametrize("df", [1, 2, 5, 12, 60])
@pytest.mark.parametrize("nc", [0.5, 2.0, 4.0])
def test_power_agrees_with_statsmodels_and_noncentral_t(df, nc):
    for alpha in (0.05, 0.1):
        peer = TTestPower().power(nc, 1, alpha, df=df, alternative="two-sided")
        assert power_of(nc, df, alpha) == pytest.approx(peer, abs=1e-6)
        limit = stats.t.isf(alpha / 2, df)
        direct = stats.nct.sf(limit, df, nc) + stats.nct.cdf(-limit, df, nc)
        assert power_of(nc, df, alpha) == pytest.approx(direct, abs=1e-6)


@pytest.mark.parametrize("df", [1, 2, 4, 20, np.inf])
def test_least_noncentrality_has_the_power_asked_for(df):
    for power in (0.5, 0.8, 0.95):
        assert power_of(least_noncentrality(df, power), df) == pytest.approx(power, abs=1e-7)


def test_known_power_values():
    # z-test: 1.960 + 0.842 (Cohen 1988, any table of the normal distribution).
    assert least_noncentrality(np.inf) == pytest.approx(2.8016, abs=1e-4)
    assert power_of(0, 7) == 0.05
    assert power_of(1e-7, 7) == pytest.approx(0.05)
    # Power 0.95 with one degree of freedom needs a noncentrality of about 25, where the
    # integral over the error variance still gives a number.
    limit = stats.t.isf(0.025, 1)
    share, _ = integrate.quad(lambda s: (stats.norm.sf(limit * s - 25)) * 2 * s
                              * stats.chi2.pdf(s * s, 1), 0, np.inf, limit=200)
    assert power_of(25, 1) == pytest.approx(share, abs=1e-7)
    assert np.isnan(power_of(3.0, 0))
    assert np.isnan(least_noncentrality(0))


@pytest.mark.parametrize("df", [1, 2, 8, np.inf])
def test_no_effect_is_too_large_to_be_found(df):
    """Python's own numbers overflow in the square of the noncentrality."""
    assert power_of(1e200, df) == 1.0


def test_power_by_simulation():
    plan = fractional_factorial(plain_region(5), runs=8, replicates=2, seed=1)
    a = appraise(plan, sd=1.7, effect=2.5)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    rng = np.random.default_rng(1)
    y = 10 + 2.5 / 2 * X[:, 1] + rng.normal(0, 1.7, (4000, 16))
    b = y @ X @ np.linalg.inv(X.T @ X)
    s2 = ((y - b @ X.T)**2).sum(axis=1) / a.error_df
    t = b[:, 1] / np.sqrt(s2 / 16)
    share = (np.abs(t) > stats.t.isf(0.025, a.error_df)).mean()
    assert a.table.set_index("term").loc["A", "power"] == pytest.approx(share, abs=0.025)


def test_standard_errors_vif_leverages_and_df_agree_with_statsmodels():
    plan = crooked_plan()
    a = appraise(plan)
    X = np.hstack([model_matrix(plan.region, plan.settings, plan.terms).to_numpy(),
                   block_columns(plan.runs["block"])])
    y = np.random.default_rng(1).normal(size=len(plan))
    fit = sm.OLS(y, X).fit()
    p = len(a.table)
    np.testing.assert_allclose(a.table["standard_error"], fit.bse[:p] / np.sqrt(fit.mse_resid))
    np.testing.assert_allclose(a.table["vif"].iloc[1:],
                               [variance_inflation_factor(X, j) for j in range(1, p)])
    np.testing.assert_allclose(a.leverages["leverage"], OLSInfluence(fit).hat_matrix_diag)
    assert a.error_df == fit.df_resid
    # Pure error: what is left after every different setting has a mean of its own.
    cells = pd.get_dummies(plan.settings.astype(str).agg("|".join, axis=1)).to_numpy(float)
    saturated = sm.OLS(y, np.hstack([cells, X[:, p:]])).fit()
    assert a.pure_error_df == saturated.df_resid
    assert a.lack_of_fit_df == a.error_df - a.pure_error_df
    assert a.table["estimable"].all()


def test_prediction_variance_agrees_with_statsmodels():
    plan = crooked_plan()
    X = np.hstack([model_matrix(plan.region, plan.settings, plan.terms).to_numpy(),
                   block_columns(plan.runs["block"])])
    fit = sm.OLS(np.random.default_rng(2).normal(size=len(plan)), X).fit()
    points = plan.region.grid(3)
    f = model_matrix(plan.region, points, plan.terms).to_numpy()
    f = np.hstack([f, np.zeros((len(f), X.shape[1] - f.shape[1]))])
    se = fit.get_prediction(f).se_mean / np.sqrt(fit.mse_resid)
    np.testing.assert_allclose(prediction_variance(plan, points), se**2)


def test_effects_scale_with_the_standard_deviation():
    plan = central_composite(plain_region(3), seed=1)
    one, three = appraise(plan), appraise(plan, sd=3.0)
    assert appraise(plan, terms="A + B").table["term"].tolist() == ["1", "A", "B"]
    np.testing.assert_allclose(3 * one.table["detectable_effect"],
                               three.table["detectable_effect"])
    np.testing.assert_allclose(one.table["power"], three.table["power"])  # of two sd
    row = one.table.set_index("term").loc["A"]
    # Change from low to high is twice the coefficient.
    assert row["detectable_effect"] == pytest.approx(
        2 * row["standard_error"] * least_noncentrality(one.error_df))
    square = one.table.set_index("term").loc["I(A ** 2)"]
    assert square["detectable_effect"] == pytest.approx(
        square["standard_error"] * least_noncentrality(one.error_df))


# ---- efficiencies ----------------------------------------------------------------------

def test_effects_are_told_in_the_unit_or_as_ratios():
    plan = fractional_factorial(plain_region(4), runs=8, centre_points=3, seed=1)
    lump = Response("lump", unit="µm", assumed_sd=4.0)
    found = appraise(plan, response=lump)
    least = found.table["detectable_effect"].iloc[1]
    assert least == pytest.approx(appraise(plan, sd=4.0).table["detectable_effect"].iloc[1])
    assert f"A main effect of {least:.2g} µm from low to high" in found.sentence
    assert "at the assumed standard deviation of 4.00 µm" in found.sentence
    voids = Response("voids", unit="%", scale="log", assumed_sd=0.05)
    found = appraise(plan, response=voids)
    least = np.exp(found.table["detectable_effect"].iloc[1])
    assert f"A main effect of × {least:.3g} from low to high" in found.sentence
    assert "at the assumed standard deviation of 5.0 %" in found.sentence


@pytest.mark.parametrize(("k", "runs"), [(3, 8), (5, 16), (7, 8)])
def test_orthogonal_two_level_plans_are_fully_efficient(k, runs):
    plan = fractional_factorial(plain_region(k), runs=runs, seed=1)
    e = efficiencies(plan)
    assert [e[c] for c in "DAG"] == pytest.approx([100, 100, 100])


@pytest.mark.parametrize("k", [2, 4, 6])
def test_average_prediction_variance_of_a_linear_model(k):
    # E x² = 1/3 for x uniform on (−1, 1), so the average is (1 + k/3) / n.
    plan = full_factorial(plain_region(k), seed=1)
    e = efficiencies(plan, standard_terms(plan.region, "linear"))
    assert e["I"] == pytest.approx((1 + k / 3) / 2**k, rel=2e-3)


def one_factor_plan(coded):
    region = plain_region(1)
    n = len(coded)
    runs = pd.DataFrame({"run": range(1, n + 1), "standard": range(1, n + 1), "block": 1,
                         "point": "factorial", "A": coded})
    return Plan(region, runs, standard_terms(region, "quadratic"), "given", 1)


def test_three_points_are_g_optimal_for_a_parabola():
    # Kiefer & Wolfowitz (1960): equal weight at −1, 0, 1 is D-optimal for the quadratic in one
    # factor, hence G-optimal: the greatest prediction variance is p/n. |X'X| = 4.
    e = efficiencies(one_factor_plan([-1, 0, 1]))
    assert e["G"] == pytest.approx(100)
    assert e["D"] == pytest.approx(100 * 4**(1 / 3) / 3)
    # (X'X)⁻¹ has diagonal 1, 1/2, 3/2.
    assert e["A"] == pytest.approx(100 * 3 / (3 * 3))
    # Mean of f'(X'X)⁻¹f with E x² = 1/3, E x⁴ = 1/5: 1 + (1/2 − 2)/3 + (3/2)/5.
    assert e["I"] == pytest.approx(1 - 0.5 + 0.3, rel=2e-3)


def test_fewer_points_inside_cost_efficiency():
    best = efficiencies(one_factor_plan([-1, 0, 1]))
    worse = efficiencies(one_factor_plan([-0.5, 0, 0.5]))
    # |X'X| falls by 0.5² for the slope and by 0.5⁴ for the square.
    assert worse["D"] == pytest.approx(best["D"] * (0.5**6)**(1 / 3))
    assert worse["G"] < best["G"] / 4
    assert worse["I"] > best["I"]


def test_blocks_orthogonal_to_the_model_cost_no_efficiency():
    region = plain_region(4)
    alone = efficiencies(box_behnken(region, centre_points=3, seed=1))
    blocked = efficiencies(box_behnken(region, centre_points=3, blocks=3, seed=1))
    assert blocked == pytest.approx(alone)
    crooked = efficiencies(box_behnken(region, centre_points=5, blocks=3, seed=1))
    assert crooked["D"] < efficiencies(box_behnken(region, centre_points=5, seed=1))["D"]


# ---- what cannot be told ---------------------------------------------------------------

def test_terms_that_cannot_be_separated_are_named():
    plan = fractional_factorial(plain_region(3), runs=4, seed=1)
    a = appraise(plan, terms=(INTERCEPT, Term("A"), Term("B"), Term("C"), Term("A", "B")))
    table = a.table.set_index("term")
    assert table["estimable"].to_dict() == {"1": True, "A": True, "B": True, "C": False,
                                            "A:B": False}
    assert np.isnan(table.loc["C", "standard_error"])
    assert np.isinf(table.loc["C", "vif"])
    assert np.isnan(table.loc["C", "detectable_effect"])
    assert "cannot separate C and A × B." in a.sentence
    assert a.efficiencies["D"] == 0
    assert np.isnan(a.efficiencies["I"])
    # The mean at the centre hangs on neither; away from it C and A × B both matter.
    points = pd.DataFrame({"A": [0.0, 1.0], "B": [0.0, 0.0], "C": [0.0, 1.0]})
    variance = prediction_variance(plan, points, terms=(INTERCEPT, Term("A"), Term("C"),
                                                        Term("A", "B")))
    assert variance[0] == pytest.approx(0.25)
    assert np.isnan(variance[1])


def test_effects_confounded_with_blocks_are_not_estimable():
    plan = full_factorial(plain_region(3), blocks=2, seed=1)
    a = appraise(plan, terms=standard_terms(plan.region, "interactions", order=3))
    table = a.table.set_index("term")
    assert not table.loc["A:B:C", "estimable"]
    assert table["estimable"].sum() == 7
    assert "A × B × C and the blocks" in a.sentence


def test_squares_without_enough_levels_go_together():
    plan = full_factorial(plain_region(2), centre_points=2, seed=1)
    a = appraise(plan, terms=standard_terms(plan.region, "quadratic"))
    table = a.table.set_index("term")
    assert not table.loc[["I(A ** 2)", "I(B ** 2)"], "estimable"].any()
    assert table.loc[["1", "A", "B", "A:B"], "estimable"].all()
    assert "cannot separate A² and B²." in a.sentence


def test_saturated_plans_promise_nothing():
    plan = fractional_factorial(plain_region(7), runs=8, seed=1)
    a = appraise(plan, sd=2.0)
    assert a.error_df == 0
    assert a.table["detectable_effect"].isna().all()
    assert a.table["power"].isna().all()
    known = a.table.set_index("term").loc["A", "detectable_if_sd_known"]
    assert known == pytest.approx(2 * 2.0 / np.sqrt(8) * 2.8016, rel=1e-4)
    assert "no size of effect can be promised" in a.sentence
    assert "Lenth" in a.sentence


def test_error_from_left_out_effects_is_said_to_be_that():
    alone = appraise(fractional_factorial(plain_region(4), runs=8, seed=1))
    assert alone.pure_error_df == 0
    assert "no setting is repeated" in alone.sentence
    repeated = appraise(fractional_factorial(plain_region(4), runs=8, centre_points=3, seed=1))
    assert (repeated.pure_error_df, repeated.lack_of_fit_df) == (2, 4)
    assert "no setting is repeated" not in repeated.sentence


def test_pure_error_of_blocks_that_share_settings_or_do_not():
    # 2^3 in two halves: no setting occurs twice. With two centre points in each half there are
    # 12 runs, 9 settings, and one link between the blocks: 12 − 9 − 1 = 2.
    assert appraise(full_factorial(plain_region(3), blocks=2, seed=1)).pure_error_df == 0
    linked = appraise(full_factorial(plain_region(3), blocks=2, centre_points=4, seed=1))
    assert linked.pure_error_df == 2


def test_groups_have_their_own_error():
    region = default_region(MIXER)
    plan = full_factorial(region, replicates=2, blocks=2, seed=1, group_hard_to_change=True)
    a = appraise(plan)
    table = a.table.set_index("term")
    # 4 groups: mean, block and pressure leave 1 df; 32 runs: 4 groups and 9 terms leave 19.
    assert table.loc["pressure", "error_df"] == 1
    assert table.loc["time", "error_df"] == 19
    assert table.loc["pressure", "detectable_effect"] > 5 * table.loc["time", "detectable_effect"]
    assert "with 1 degree of freedom" in a.sentence
    single = appraise(full_factorial(region, seed=1, group_hard_to_change=True))
    assert np.isnan(single.table.set_index("term").loc["pressure", "detectable_effect"])
    assert "there is no test of absolute pressure" in single.sentence


def test_collinear_terms_are_warned_of():
    region = Region((Factor("a", 0, 10), Factor("b", 0, 10)), ("a - b <= 1", "b - a <= 1"))
    a = appraise(full_factorial(region, replicates=2, levels=3, seed=1),
                 terms=standard_terms(region, "linear"))
    assert a.table["vif"].max() > 5
    assert "hard to tell from others" in a.sentence


@pytest.mark.parametrize("options", [{"sd": 0}, {"power": 1.0}, {"alpha": 0}, {"effect": "big"}])
def test_numbers_out_of_range(options):
    with pytest.raises(InputError):
        appraise(full_factorial(plain_region(2), seed=1), **options)


def test_planning_is_light_to_import():
    import subprocess
    import sys

    heavy = "plotly", "ipywidgets", "statsmodels"
    code = f"import sys, doe.planning; print([m for m in {heavy!r} if m in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True,
                           check=True)
    assert found.stdout.strip() == "[]"


def test_effects_of_several_levels_are_told_where_there_are_no_others():
    cups = Region([Factor.categorical("cup", ["P", "Q", "R"])])
    plan = full_factorial(cups, replicates=4, seed=1)
    # One of three means of four runs against their mean: variance (1/4)(2/3), t with 9 df.
    step = np.sqrt(2 / 3 / 4)
    assert appraise(plan).table["standard_error"][1] == pytest.approx(step)
    size = digits(step * least_noncentrality(9, 0.8, 0.05), 2)
    assert f"main effect of {size} standard deviations (level against" in appraise(plan).sentence
    assert "categories of three levels or more never come near" in appraise(plan).sentence
    hard = Region([replace(cups["cup"], hard_to_change=True), Factor("a", 0, 1)])
    said = appraise(split_plot(hard, seed=1, starts=3)).sentence
    assert "not known" not in said
    assert "cup [Q] and cup [R] can only be compared between groups" in said


def test_the_greatest_variance_is_found_on_the_limits_too():
    # Against the variance on a fine grid, which a curved limit cuts between its points.
    region = Region([Factor("a", 0, 1), Factor("b", 0, 1)], ["a * b <= 0.4", "a + b >= 0.5"])
    table = pd.DataFrame({"a": [0, 0.5, 1, 0.4, 0.6, 0, 1, 0.45],
                          "b": [1, 0, 0, 1, 0.6, 0.5, 0.4, 0.5]})
    plan = pasted(table, region, terms="quadratic", outside=True)
    a, b = (v.ravel() for v in np.meshgrid(*[np.linspace(0, 1, 401)] * 2))
    on = np.linspace(0.4, 1, 4001)
    grid = pd.DataFrame({"a": np.append(a, on), "b": np.append(b, 0.4 / on)})
    X, F = (model_matrix(region, s, plan.terms).to_numpy()
            for s in (plan.settings, grid[region.contains(grid)]))
    variance = (F @ np.linalg.inv(X.T @ X) * F).sum(axis=1)
    assert efficiencies(plan)["G"] == pytest.approx(100 * 6 / (8 * variance.max()), rel=1e-4)

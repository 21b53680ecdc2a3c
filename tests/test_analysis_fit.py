"""What a fit makes of runs as they come: aliases, blocks, gaps, bad input, predictions."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import backward, fit

VOIDS = Response("voids", unit="%")


def region_of(k: int, **changes) -> Region:
    return Region([Factor(n, -1, 1, **changes) for n in "ABCDEFG"[:k]])


def two_level(k: int) -> pd.DataFrame:
    return pd.DataFrame([row[::-1] for row in product((-1.0, 1.0), repeat=k)],
                        columns=list("ABCDEFG"[:k]))


def with_noise(data: pd.DataFrame, mean, sd: float = 1.0, seed: int = 1) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    return data.assign(voids=50 + mean + rng.normal(0, sd, len(data)))


def names(model) -> set[str]:
    return {str(t) for t in model.terms}


# -- which terms ---------------------------------------------------------------------


def test_default_of_a_quarter_fraction_takes_the_first_of_each_alias():
    data = two_level(3)
    data["D"], data["E"] = data["A"] * data["B"], data["A"] * data["C"]
    model = fit(with_noise(data, 3 * data["A"]), VOIDS, region_of(5))
    assert names(model) == {"1", *"ABCDE", "B:C", "B:E"}
    aliased = model.aliased.set_index("term")["aliased_with"]
    assert aliased["A:B"] == "D"
    assert aliased["A:C"] == "E"
    assert aliased["D:E"] == "B × C"
    assert aliased["C:D"] == "B × E"
    assert len(aliased) == 8
    assert model.df_error == 0


def test_sign_of_an_alias():
    data = two_level(2)
    data["C"] = -data["A"] * data["B"]
    data = pd.concat([data, data])
    model = fit(with_noise(data, 0), VOIDS, region_of(3), "A + B + C")
    unasked = model.aliased[~model.aliased["asked"]].set_index("term")["aliased_with"]
    assert unasked["A:B"] == "−C"
    assert any(s.startswith("Not in the model, but aliased with what is: A × B with −C")
               for s in model.sentences)


def test_achieved_settings_that_scatter_do_not_free_an_alias_by_default():
    """With settings a little off, C × D is no exact copy of A × B; it is still no evidence."""
    data = two_level(3)
    data["D"] = data["A"] * data["B"] * data["C"]
    rng = np.random.default_rng(4)
    achieved = data + rng.normal(0, 0.02, data.shape)
    model = fit(with_noise(achieved, 4 * data["B"]), VOIDS, region_of(4))
    assert names(model) == {"1", *"ABCD", "A:B", "A:C", "A:D"}
    assert model.aliased.set_index("term").loc["C:D", "aliased_with"] == "nearly A × B"
    asked = fit(with_noise(achieved, 4 * data["B"]), VOIDS, region_of(4), "A + C + D + A:B + C:D")
    assert "C:D" in names(asked), "what is asked for is fitted where it can be at all"
    assert any("hardly tell some terms from the others: A × B and C × D" in s
               for s in asked.sentences)


def test_plackett_burman_interactions_are_left_out_together():
    """Plackett & Burman (1946), twelve runs: each interaction is spread over the other main
    effects by a third, so that picking some would be arbitrary."""
    first = [1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1]
    rows = [np.roll(first, i) for i in range(11)] + [[-1] * 11]
    data = pd.DataFrame(rows, columns=[f"x{i}" for i in range(1, 12)]).iloc[:, :6].astype(float)
    region = Region([Factor(n, -1, 1) for n in data])
    model = fit(with_noise(data, 2 * data["x1"]), VOIDS, region)
    assert names(model) == {"1", *data.columns}
    assert any("15 two-factor interactions cannot all be told apart" in s for s in model.sentences)


def test_a_lost_run_costs_one_interaction_not_all():
    data = two_level(4)
    data["E"] = data["A"] * data["B"] * data["C"] * data["D"]
    whole, lost = (fit(with_noise(d, 3 * d["A"]), VOIDS, region_of(5)) for d in (data, data[1:]))
    assert names(whole) - names(lost) == {"D:E"}
    assert len(lost.terms) == 15
    assert any("hardly tell them from the rest: D × E." in s for s in lost.sentences)


def test_two_levels_that_scatter_have_no_squares():
    data = pd.concat([two_level(2)] * 5, ignore_index=True)
    data += np.random.default_rng(9).normal(0, 0.02, data.shape)
    model = fit(with_noise(data, 0), VOIDS, region_of(2))
    assert names(model) == {"1", "A", "B", "A:B"}
    assert not any("squares" in s for s in model.sentences)


def test_constant_factor_is_named_and_dropped_with_its_interactions():
    data = pd.concat([two_level(2)] * 2).assign(C=1.0)
    model = fit(with_noise(data, data["A"]), VOIDS, region_of(3))
    assert names(model) == {"1", "A", "B", "A:B"}
    assert model.aliased.set_index("term").loc["C", "aliased_with"] == "mean"


def test_asked_terms_that_are_aliased_do_not_crash():
    data = two_level(4).query("A * B * C * D == 1")
    model = fit(with_noise(data, 0), VOIDS, region_of(4), "A*B*C*D")
    assert len(model.terms) == 8
    aliased = model.aliased.set_index("term")["aliased_with"]
    assert aliased["A:B:C"] == "D"
    assert aliased["A:B:C:D"] == "mean"
    assert model.aliased["asked"].all()


def test_effects_mixed_with_blocks_are_named():
    data = two_level(3)
    data["block"] = np.where(data["A"] * data["B"] * data["C"] > 0, 2, 1)
    data = pd.concat([data, data])
    model = fit(with_noise(data, 5 * data["block"]), VOIDS, region_of(3), "A*B*C")
    assert model.aliased.set_index("term").loc["A:B:C", "aliased_with"] == "blocks"
    assert list(model.columns.matrix.columns[:2]) == ["1", "block[2]"]
    assert "block[2]" not in set(model.table["term"])
    unblocked = fit(with_noise(data, 5 * data["block"]), VOIDS, region_of(3), "A*B*C", blocks=None)
    assert "A:B:C" in names(unblocked)
    assert unblocked.sigma == pytest.approx(model.sigma), "blocks and A × B × C are one contrast"


def test_three_categories_and_a_missing_mix():
    region = Region([Factor.categorical("cup", ["a", "b", "c"]),
                     Factor.categorical("lid", ["x", "y"])])
    mixes = [m for m in product("abc", "xy") if m != ("c", "y")]
    data = pd.DataFrame(mixes * 2, columns=["cup", "lid"])
    model = fit(with_noise(data, 0), VOIDS, region, "cup*lid")
    assert names(model) == {"1", "cup", "lid"}
    assert model.aliased["term"].tolist() == ["cup:lid"]
    at = model.predict(pd.DataFrame({"cup": ["c"], "lid": ["y"]}))
    assert np.isfinite(at.loc[0, "mean"])


def test_given_terms_formulas_and_model_names_agree():
    data = pd.concat([two_level(2)] * 2)
    data = with_noise(data, data["A"])
    by = [fit(data, VOIDS, region_of(2), terms) for terms in (
        "A + B + A:B", [Term("A"), Term("B"), Term("B", "A")], "interactions", None)]
    for other in by[1:]:
        assert other.terms == by[0].terms
        np.testing.assert_array_equal(other.coefficients, by[0].coefficients)


# -- what is measured ----------------------------------------------------------------


def test_unmeasured_runs_are_left_out_and_counted():
    data = with_noise(pd.concat([two_level(2)] * 3, ignore_index=True), 0)
    holes = data.astype({"voids": object})
    holes.loc[[1, 5], "voids"] = [None, np.nan]
    model = fit(holes, VOIDS, region_of(2))
    assert len(model.data) == 10
    assert "2 of 12 runs have no measurement of voids and are left out." in model.sentences
    same = fit(data.drop(index=[1, 5]), VOIDS, region_of(2))
    np.testing.assert_allclose(model.coefficients, same.coefficients)


@pytest.mark.parametrize(("change", "message"), [
    ({"voids": ["a bit", 2, 3, 4]}, r"'a bit': this is not a number"),
    ({"voids": [np.inf, 2, 3, 4]}, "not finite"),
    ({"voids": [1, np.nan, np.nan, np.nan]}, "fewer than two runs"),
    ({"A": [-1, np.nan, 1, 1]}, "the setting is missing"),
    ({"block": [1, 1, np.nan, 2]}, "a run has no block"),
])
def test_unusable_data_are_refused_with_a_remedy(change, message):
    data = two_level(2).assign(voids=[1.0, 2, 3, 4]).astype(object).assign(**change)
    with pytest.raises(InputError, match=message):
        fit(data, VOIDS, region_of(2))


def test_missing_column_and_impossible_logarithm():
    data = two_level(2).assign(voids=[0.0, 2, 3, 4])
    with pytest.raises(InputError, match="'B'"):
        fit(data.drop(columns="B"), VOIDS, region_of(2))
    with pytest.raises(InputError, match="no logarithm"):
        fit(data, Response("voids", scale="log"), region_of(2))


def test_values_at_the_detection_limit_and_counts_are_mentioned():
    data = pd.concat([two_level(2)] * 2).assign(voids=[0.1, 2, 3, 0.1, 0.1, 2, 3, 4])
    said = fit(data, Response("voids", unit="%", kind="count", detection_limit=0.1),
               region_of(2)).sentences
    assert any(s.startswith("3 of 8 measurements of voids are at or below the detection limit")
               for s in said)
    assert any("Voids is a count" in s for s in said)


def test_every_run_alike():
    data = pd.concat([two_level(2)] * 2).assign(voids=3.0)
    model = fit(data, VOIDS, region_of(2))
    assert np.isnan(model.r2)
    assert model.table["effect"].abs()[1:].max() < 1e-12
    assert any("nothing to explain" in s for s in model.sentences)
    assert model.active == ()


# -- saturated and nearly ------------------------------------------------------------


def test_saturated_model_claims_no_intervals():
    data = with_noise(two_level(3), 0)
    model = fit(data, VOIDS, region_of(3), "A*B*C")
    assert model.df_error == 0
    assert np.isnan(model.sigma)
    assert model.table[["standard_error", "t", "p", "low", "high"]].isna().all(axis=None)
    at = model.predict(data.head(2))
    np.testing.assert_allclose(at["mean"], data["voids"].head(2))
    assert at[["mean_low", "mean_high", "low", "high"]].isna().all(axis=None)
    assert np.isnan(model.r2_predicted)
    assert np.isnan(model.r2_adjusted)
    assert model.diagnostics["studentised"].isna().all()
    assert "saturated" in model.sentence


def test_few_degrees_of_freedom_bring_lenth_in_beside_the_tests():
    data = with_noise(two_level(3), 20 * two_level(3)["A"])
    one = fit(data, VOIDS, region_of(3))
    assert one.df_error == 1
    assert len(one.lenth.table) == 6
    assert any("Only 1 degree of freedom for error" in s for s in one.sentences)
    many = fit(pd.concat([data, data.assign(voids=data["voids"] + 1)]), VOIDS, region_of(3))
    assert many.lenth is None


def test_lenth_of_unequal_columns_uses_their_precision():
    """Dropping a run makes effects correlated: margins differ, and this is said."""
    data = with_noise(two_level(3), 0).iloc[:7]
    lenth = fit(data, VOIDS, region_of(3)).lenth
    assert not lenth.equal_precision
    assert "rough" in lenth.sentence


def test_backward_from_a_saturated_model_keeps_parents():
    data = two_level(4)
    data = with_noise(data, 10 * data["A"] + 8 * data["B"] * data["C"], sd=0.5)
    model = backward(fit(data, VOIDS, region_of(4), "A*B*C*D"))
    assert names(model) == {"1", "A", "B", "C", "B:C"}
    assert "Lenth" in model.selection


def test_backward_says_what_it_left_out():
    data = with_noise(pd.concat([two_level(3)] * 2), 0).assign(seen=1)
    data["voids"] += 5 * data["A"]
    model = backward(fit(data, VOIDS, region_of(3)))
    assert names(model) == {"1", "A"}
    assert "p > 0.05, from 6 terms" in model.sentence
    assert "after selection" in model.sentence
    assert any(s.startswith("Left out, in this order: ") for s in model.sentences)
    assert fit(data, VOIDS, region_of(3)).selection == ""


# -- replicates ----------------------------------------------------------------------


def test_lack_of_fit_is_found_where_the_model_is_wrong():
    data = pd.concat([two_level(2)] * 3, ignore_index=True)
    data = with_noise(data, 6 * data["A"] * data["B"])
    wrong, right = (fit(data, VOIDS, region_of(2), t) for t in ("A + B", "A*B"))
    assert wrong.anova.lack_of_fit.p < 0.001
    assert any("does not fit well enough" in s for s in wrong.sentences)
    assert right.anova.lack_of_fit is None, "no degree of freedom is left for it"
    assert wrong.anova.lack_of_fit.df == 1
    assert wrong.anova.lack_of_fit.df_pure == 8
    cells = data.groupby(["A", "B"])["voids"]
    assert wrong.anova.lack_of_fit.pure_sd == pytest.approx(np.sqrt(cells.var().mean()))


def test_nearly_repeated_settings_count_as_repeats():
    """A steep factor set to within 0.5 % of its range must not pass for noise."""
    rng = np.random.default_rng(8)
    data = pd.concat([two_level(2)] * 4, ignore_index=True)
    data["A"] += rng.uniform(-0.01, 0.01, len(data))
    y = 500 * data["A"] + rng.normal(0, 1, len(data))
    model = fit(data.assign(voids=y), VOIDS, region_of(2), "A + B")
    assert model.anova.lack_of_fit.df_pure == 12
    assert 0.5 < model.anova.lack_of_fit.pure_sd < 1.6


def test_repeats_in_other_blocks_are_no_pure_error():
    data = with_noise(pd.concat([two_level(2)] * 2, ignore_index=True), 0)
    assert fit(data, VOIDS, region_of(2), "A + B").anova.lack_of_fit.df_pure == 4
    blocked = fit(data.assign(block=[1] * 4 + [2] * 4), VOIDS, region_of(2), "A + B")
    assert blocked.anova.lack_of_fit is None
    assert "pure error" not in set(blocked.anova.table["source"])


def test_curvature_without_repeated_centre_points_is_judged_by_the_residual():
    data = pd.concat([two_level(3), pd.DataFrame([[0.0] * 3], columns=list("ABC"))])
    bent = with_noise(data, 10 * (data["A"] == 0), sd=0.5)
    model = fit(bent, VOIDS, region_of(3), "A + B + C")
    assert model.anova.curvature.against == "residual"
    # The same as a t-test of a column that is 1 at the centre point.
    import statsmodels.formula.api as smf

    extra = smf.ols("voids ~ A + B + C + z", bent.assign(z=(bent["A"] == 0) * 1.0)).fit()
    assert model.anova.curvature.size == pytest.approx(extra.params["z"])
    assert model.anova.curvature.p == pytest.approx(extra.pvalues["z"])
    assert [model.anova.curvature.low, model.anova.curvature.high] == pytest.approx(
        extra.conf_int().loc["z"].tolist())
    assert any(s.startswith("The response is curved: the centre points are") for s in
               model.sentences)


def test_repeated_index_labels_are_no_obstacle():
    data = pd.concat([with_noise(two_level(2), 0)] * 2)
    assert data.index.has_duplicates
    assert fit(data, VOIDS, region_of(2)).df_error == 4


# -- predictions ---------------------------------------------------------------------


def test_prediction_says_where_it_leaves_the_data():
    region = Region([Factor("A", 0, 10), Factor("B", 0, 10)], ["A + B <= 18"])
    data = pd.DataFrame({"A": [1.0, 9, 1, 9, 5, 5], "B": [1.0, 1, 9, 9, 5, 5]})
    model = fit(with_noise(data, data["A"]), VOIDS, region, "A + B")
    at = pd.DataFrame({"A": [5.0, 9, 9.5, 9.2, 0, 11], "B": [5.0, 9, 5, 9, 9, 5]})
    found = model.predict(at)
    # centre; corner run; beyond the data; beyond the constraint; beyond the data; outside
    assert found["extrapolated"].tolist() == [False, False, True, True, True, True]
    assert not found["remote"].iloc[:2].any()
    assert found["remote"].iloc[5]
    assert (found["low"] < found["mean_low"]).all()
    assert (found["high"] > found["mean_high"]).all()
    assert found.attrs["units"]["mean"] == "%"


def test_remote_corner_inside_the_box_of_the_data():
    """Runs along the diagonal span the box but not its other corners."""
    along = np.linspace(-1, 1, 9)
    data = pd.DataFrame({"A": along, "B": along + 0.1 * np.resize([1, -1], 9)})
    model = fit(with_noise(data, 0), VOIDS, region_of(2), "A + B")
    found = model.predict(pd.DataFrame({"A": [0.9, 0.0], "B": [-0.9, 0.0]}))
    assert found["extrapolated"].tolist() == [False, False]
    assert found["remote"].tolist() == [True, False]


def test_unseen_level_is_extrapolation():
    region = Region([Factor("A", -1, 1), Factor.categorical("cup", ["steel", "glass", "tin"])])
    data = pd.DataFrame({"A": [-1, 1, -1, 1, -1, 1.0], "cup": ["steel", "steel", "glass"] * 2})
    model = fit(with_noise(data, 0), VOIDS, region, "A")
    found = model.predict(pd.DataFrame({"A": [0.0, 0], "cup": ["steel", "tin"]}))
    assert found["extrapolated"].tolist() == [False, True]
    with pytest.raises(InputError, match="no such level"):
        model.predict(pd.DataFrame({"A": [0.0], "cup": ["wood"]}))


def test_interval_for_one_run_covers_as_often_as_it_says():
    rng = np.random.default_rng(12)
    region, plan = region_of(2), pd.concat([two_level(2)] * 2, ignore_index=True)
    at, inside, around = pd.DataFrame({"A": [0.3], "B": [-0.5]}), 0, 0
    for _ in range(400):
        y = 5 + 2 * plan["A"] + rng.normal(0, 1, len(plan))
        row = fit(plan.assign(voids=y), VOIDS, region, "A + B").predict(at, level=0.8).iloc[0]
        around += row["mean_low"] <= 5.6 <= row["mean_high"]
        inside += row["low"] <= 5.6 + rng.normal() <= row["high"]
    assert 0.74 < around / 400 < 0.86
    assert 0.74 < inside / 400 < 0.86


def test_comparison_of_two_settings_uses_their_common_error():
    data = with_noise(pd.concat([two_level(2)] * 2, ignore_index=True), 0)
    model = fit(data, VOIDS, region_of(2), "A + B")
    row = model.compare(pd.DataFrame({"A": [-1.0], "B": [1.0]}),
                        pd.DataFrame({"A": [1.0], "B": [1.0]})).iloc[0]
    effect = model.table.set_index("term").loc["A", ["effect", "effect_low", "effect_high"]]
    assert row.tolist() == pytest.approx(effect.tolist())


def test_bad_level_is_refused():
    model = fit(with_noise(two_level(2), 0), VOIDS, region_of(2), "A")
    with pytest.raises(InputError, match="level"):
        model.predict(two_level(2), level=95)


# -- order in time -------------------------------------------------------------------


def test_serial_correlation_against_simulation():
    """Moments and tail of Durbin and Watson's statistic for these columns.

    R: m <- lm(rate ~ A + C + D, b); X <- model.matrix(m)
       M <- diag(20) - X %*% solve(crossprod(X)) %*% t(X)
       s <- replicate(4e5, {e <- M %*% rnorm(20); sum(diff(e)^2) / sum(e^2)})
       mean(s); var(s); 2 * mean(s > d)   # 2.0665, 0.1726, 0.0025 with d = 3.21024
    """
    from pathlib import Path

    data = pd.read_csv(Path(__file__).parent / "references" / "filtration.csv", comment="#")
    model = fit(data.assign(run=range(1, 21)), Response("rate"), region_of(4), "A + C + D")
    serial = model.serial_correlation
    assert serial.statistic == pytest.approx(3.21024086425, rel=1e-10)
    assert serial.p == pytest.approx(0.0025, rel=0.25)
    assert serial.correlation < -0.5
    assert any("alternating" in s for s in model.sentences)
    assert fit(data, Response("rate"), region_of(4), "A").serial_correlation is None


def test_drift_is_noticed_in_run_order_not_in_row_order():
    data = with_noise(pd.concat([two_level(3)] * 3, ignore_index=True), 0, sd=0.2)
    order = np.random.default_rng(5).permutation(24) + 1
    drifting = data.assign(run=order, voids=data["voids"] + 0.2 * order)
    assert any("Residuals next to each other in time are alike" in s
               for s in fit(drifting, VOIDS, region_of(3), "A + B + C").sentences)
    steady = fit(data.assign(run=order), VOIDS, region_of(3), "A + B + C")
    assert not any("Durbin" in s for s in steady.sentences)


def test_factors_that_were_not_reset_are_noticed():
    data = with_noise(pd.concat([two_level(2)] * 4, ignore_index=True), 0)
    held = data.sort_values("B", ignore_index=True).assign(run=range(1, 17))
    mixed = data.assign(run=range(1, 17))
    region = Region([Factor("A", -1, 1), Factor("B", -1, 1, hard_to_change=True)])
    said = fit(held, VOIDS, region, "A + B").sentences
    assert any(s.startswith("B was reset only 1 time in 16 runs") for s in said)
    assert not any("was reset" in s for s in fit(mixed, VOIDS, region, "A + B").sentences)


def test_a_run_that_steers_the_fit_and_one_that_cannot_be_checked():
    data = pd.concat([two_level(2)] * 3, ignore_index=True)
    data = with_noise(data, 0, sd=0.3).assign(run=range(101, 113))
    wild = data.copy()
    wild.loc[4, "voids"] += 30
    assert any(s.startswith("Run 105 lies further from the fit than noise explains")
               for s in fit(wild, VOIDS, region_of(2), "A + B").sentences)
    lone = pd.concat([data, pd.DataFrame([[1.0, 1.0, 60.0, 113]],
                                         columns=["A", "B", "voids", "run"])], ignore_index=True)
    lone = lone.assign(C=[-1.0] * 12 + [1.0])
    pinned = fit(lone, VOIDS, region_of(3), "A + B + C")
    assert any(s.startswith("The fit passes through run 113 whatever") for s in pinned.sentences)
    assert np.isnan(pinned.r2_predicted)
    assert pinned.diagnostics["studentised"].isna().tolist() == [False] * 12 + [True]
    far = lone.assign(C=lone["C"] * 0.2).drop(index=[2, 6])
    far.loc[12, ["A", "B", "C", "voids"]] = [3.0, 3.0, 0.0, 20.0]
    heavy = fit(far, VOIDS, Region([Factor("A", -1, 3), Factor("B", -1, 3), Factor("C", -1, 1)]),
                "A + B")
    assert heavy.diagnostics.set_index("run")["cooks_distance"][113] > 1
    assert any(s.startswith("The fit leans on run 113") for s in heavy.sentences)


@pytest.mark.parametrize("size", [1e300, 1e-300, -1e155])
def test_readings_beyond_reckoning_are_refused_and_the_others_fitted(size):
    region = Region((Factor("a", 0, 1), Factor("b", 0, 1)))
    data = pd.DataFrame({"a": [0, 1, 0, 1, 0.5, 0.5], "b": [0, 0, 1, 1, 0.5, 0.5]})
    values = np.array([1.0, 2.0, 4.0, 3.0, 2.0, 2.5]) * size
    with pytest.raises(InputError, match="beyond what can be reckoned with"):
        fit(data.assign(y=values), Response("y"), region)
    if size > 0:
        logged = fit(data.assign(y=values), Response("y", scale="log"), region)
        assert np.isfinite(logged.table["coefficient"]).all()

"""Charts of plans and of measurements coming in."""

import chart_cases as cases
import numpy as np
import pandas as pd
import pytest
from statsmodels.stats.power import TTestIndPower

from doe import Factor, Region, Response, charts
from doe.errors import InputError
from doe.planning import (
    appraise,
    full_factorial,
    optimal_plan,
    prediction_variance,
    reorder,
    set_ups,
)
from doe.terms import Term


def test_plan_map_shows_every_run_in_every_pair():
    plan = cases.plans()["fraction"]
    figure = charts.plan_map(plan)
    shown = [t for t in figure.data if t.text is not None and t.xaxis is not None]
    panels = {(t.xaxis, t.yaxis) for t in shown}
    assert len(panels) == 6  # pairs of four factors
    for pair in panels:
        here = [t for t in shown if (t.xaxis, t.yaxis) == pair]
        runs = [int(n) for t in here for said in t.text
                for n in said.split("</b>")[0].removeprefix("<b>run ").split(", ")]
        assert sorted(runs) == list(range(1, 12))


def test_plan_map_counts_settings_and_centre_points():
    title = cases.plain_title(charts.plan_map(cases.plans()["fraction"]))
    assert title == "11 runs at 9 different settings, 3 of them at the centre"


def test_plan_map_tells_kinds_of_points_apart_without_colour():
    figure = charts.plan_map(cases.plans()["composite"])
    legend = {t.name: t.marker.symbol for t in figure.data if t.showlegend is None and t.name}
    assert set(legend) == {"corners", "centre", "axial"}
    assert len(set(legend.values())) == 3


def test_plan_map_takes_one_factor_and_categories():
    one = full_factorial(Region((Factor("time", 0, 10, unit="s"),)), replicates=2, seed=1)
    figure = charts.plan_map(one)
    assert sorted(figure.data[0].x) == [0, 0, 10, 10]
    assert figure.layout.xaxis.title.text == "time (s)"
    mixed = full_factorial(Region((Factor("time", 0, 10), Factor.categorical(
        "cup", ["tall <1>", "wide"]))), seed=1)
    assert set(charts.plan_map(mixed).data[0].y) == {"tall &lt;1&gt;", "wide"}


def test_aliased_columns_have_correlation_one_and_the_title_says_which():
    # A half fraction of four factors with D = ABC: AB = CD, AC = BD, AD = BC
    # (NIST/SEMATECH e-Handbook 5.3.3.4.4).
    plan = cases.plans()["fraction"]
    figure = charts.column_correlation(plan)
    size = np.asarray(figure.data[0].z, float)
    assert (size[np.isfinite(size)] > 0.995).sum() == 3
    assert np.nanmax(size[size < 0.995]) < 1e-9
    title = cases.plain_title(figure)
    assert "cannot be told from" in title
    assert "2 more pairs likewise" in title


def test_correlations_are_those_of_the_model_columns():
    plan = cases.plans()["composite"]
    terms = [Term("time"), Term("time", "time"), Term("revolution", "revolution")]
    size = np.asarray(charts.column_correlation(plan, terms).data[0].z, float)
    coded = {n: plan.region[n].code(plan.runs[n]) for n in ("time", "revolution")}
    exact = np.corrcoef([coded["time"], coded["time"]**2, coded["revolution"]**2])
    assert size[1, 0] == pytest.approx(abs(exact[1, 0]), abs=1e-12)
    assert size[2, 1] == pytest.approx(abs(exact[2, 1]), abs=1e-12)
    assert np.isnan(size[0]).all()


def test_columns_that_do_not_vary_are_said_not_drawn():
    plan = full_factorial(Region((Factor("a", 0, 1), Factor("b", 0, 1))), seed=1)
    figure = charts.column_correlation(plan, [Term("a"), Term("b"), Term("a", "a")])
    assert "Not drawn, as the runs do not vary it: a²" in figure.layout.title.text.replace(
        "<br>", " ")
    assert cases.plain_title(figure).startswith("No two terms go together")
    with pytest.raises(InputError, match="fewer than two columns"):
        charts.column_correlation(plan, [Term("a"), Term("a", "a")])


def test_a_rotatable_composite_is_equally_precise_all_round():
    # Box & Hunter (1957): the variance depends on the distance from the centre alone.
    plan = cases.plans()["composite"]
    figure = charts.precision_map(plan, "revolution", "rotation_ratio", count=11)
    z = np.asarray(figure.data[0].z, float)
    ring = [(5 + i, 5 + j) for i, j in ((5, 0), (0, 5), (-5, 0), (3, 4), (4, 3), (-3, 4))]
    values = [z[i, j] for i, j in ring]
    assert max(values) == pytest.approx(min(values), rel=0.02)  # settings are snapped
    assert z[0, 0] > 1.3 * values[0]
    exact = prediction_variance(plan, plan.region.centre()) ** 0.5
    assert z[5, 5] == pytest.approx(exact[0])
    assert "(standard deviations of a run)" in figure.data[0].colorbar.title.text.replace(
        "<br>", " ")


def test_power_curve_is_the_two_sample_t_test():
    # One factor at two levels, eight runs each, is the two-sample comparison.
    plan = full_factorial(Region((Factor("a", 0, 1),)), replicates=8, seed=1)
    figure = charts.detectable_effects(appraise(plan))
    curve = next(t for t in figure.data if t.mode == "lines")
    sizes, power = np.asarray(curve.x, float), np.asarray(curve.y, float)
    reference = TTestIndPower()
    for i in (5, 20, 40):
        assert power[i] / 100 == pytest.approx(
            reference.power(sizes[i], nobs1=8, alpha=0.05), abs=1e-6)
    least = reference.solve_power(nobs1=8, alpha=0.05, power=0.8)
    mark = next(t for t in figure.data if t.mode == "markers")
    assert mark.x[0] == pytest.approx(least, rel=1e-6)
    assert f"{least:.2f} standard deviations" in cases.plain_title(figure)


def test_power_curve_is_in_the_response_unit_or_a_ratio():
    plan = cases.plans()["fraction"]
    appraisal = appraise(plan, sd=2.0)
    assert "(µm)" in charts.detectable_effects(appraisal, cases.SIZE).layout.xaxis.title.text
    ratio = charts.detectable_effects(appraise(plan, sd=0.1), cases.VOIDS)
    assert ratio.layout.xaxis.type == "log"
    assert "a factor of" in cases.plain_title(ratio)
    least = appraise(plan, sd=0.1).table.query("term == 'time'")["detectable_effect"].iloc[0]
    assert min(t.x[0] for t in ratio.data if t.mode == "markers") == pytest.approx(np.exp(least))


def test_power_without_error_is_promised_only_for_a_known_sd():
    plan = full_factorial(Region((Factor("a", 0, 1), Factor("b", 0, 1))), seed=1)
    title = cases.plain_title(charts.detectable_effects(appraise(plan)))
    assert title.startswith("Nothing is left to estimate noise from")


# ---- runs coming in ----------------------------------------------------------------------

RUNS = pd.DataFrame({"run": [4, 1, 3, 3, 6], "attempt": [1, 1, 1, 2, 1],
                     "order": [2, 1, 3, 4, 5], "block": [1, 1, 2, 2, 2],
                     "point": ["centre", "factorial", "factorial", "factorial", "centre"],
                     "agglomerate": [31.0, 12.0, np.nan, 25.0, 28.0]})


def test_measurements_stand_in_the_order_done_and_outside_limits_apart():
    figure = charts.run_progress(RUNS, cases.SIZE, total=8)
    drawn = {t.name: (list(t.x), list(t.y)) for t in figure.data if t.mode == "markers"}
    assert drawn == {"within limits": ([1, 4], [12, 25]),
                     "centre, within limits": ([5], [28]),
                     "centre, outside limits": ([2], [31])}
    assert cases.plain_title(figure) == ("Largest agglomerate: 4 of 8 runs measured, 3 within "
                                         "limits")
    assert [s.y0 for s in figure.layout.shapes if s.y0 == s.y1] == [30]
    assert figure.layout.xaxis.range[1] > 8
    assert figure.layout.yaxis.title.text == "largest agglomerate (µm)"


def test_blocks_are_parted():
    figure = charts.run_progress(RUNS, cases.SIZE)
    assert [a.text for a in figure.layout.annotations] == ["block 1", "block 2"]
    assert [s.x0 for s in figure.layout.shapes if s.x0 == s.x1] == [3.0]


def test_nothing_measured_is_a_chart_all_the_same():
    figure = charts.run_progress(RUNS.iloc[:0], cases.SIZE, total=8)
    assert cases.plain_title(figure) == "Largest agglomerate: nothing measured yet"


def test_the_goal_decides_what_is_best_so_far():
    for goal, said in (("maximise", "highest"), ("minimise", "lowest")):
        response = Response("agglomerate", unit="µm", goal=goal)
        best = 31 if goal == "maximise" else 12
        assert cases.plain_title(charts.run_progress(RUNS, response)).endswith(
            f"{said} {best}.0 µm")


# ---- set-ups

def strip_plan():
    """Pressure is set once a block, time and lot in between."""
    region = Region([Factor("time", 60, 300, unit="s"),
                     Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     Factor.categorical("lot", ["A", "B"])])
    return reorder(full_factorial(region, replicates=2, seed=1), "fewest changes", seed=1)


def test_strip_is_broken_where_a_factor_is_set_anew():
    plan = strip_plan()
    times = {"pressure": 15.0, "lot": 2.0}
    figure = charts.set_up_strip(plan, times)
    # Most minutes on top: bands in the order pressure, lot, time.
    assert [t.replace("<br>", " ") for t in figure.layout.yaxis.ticktext] == [
        "pressure (kPa)", "lot", "time (s)"]
    told = set_ups(plan, times)
    for place, label in enumerate(("pressure", "lot", "time")):
        starts = told.loc[told["set"].str.contains(label), "run"] - 0.5
        strokes = [s.x0 for s in figure.layout.shapes if (s.y0 + s.y1) / 2 == place]
        assert strokes == starts.tolist()
    shade = dict(zip(("pressure", "lot", "time"), figure.data[0].z, strict=True))
    np.testing.assert_allclose(shade["pressure"], (plan.runs["pressure"] - 2) / 48)
    np.testing.assert_array_equal(shade["lot"], plan.runs["lot"] == "B")
    aside = [n.text for n in figure.layout.annotations if n.xref == "paper"]
    lots = int(told["set"].str.contains("lot").sum())
    assert aside[:2] == ["2 × 15 min", f"{lots} × 2 min"]
    minutes = told["minutes"].sum()
    assert minutes == 30 + 2 * lots
    assert cases.plain_title(figure) == (
        f"Set-ups take {minutes:g} min over 16 runs, 30 of them for pressure")
    assert "Time is taken to need no time." in figure.layout.title.text.replace("<br>", " ")


def test_strip_without_times_counts():
    figure = charts.set_up_strip(strip_plan())
    assert "pressure least often, 2 times" in cases.plain_title(figure)
    assert "No time was given" in figure.layout.title.text.replace("<br>", " ")


def test_with_many_precisions_the_worst_of_each_kind_is_drawn():
    region = Region([Factor("a", 0, 1), Factor("b", 0, 1), Factor("c", 0, 1)],
                    ["2*a + b <= 2.4", "b + 3*c <= 3.2"])
    appraisal = appraise(optimal_plan(region, runs=14, seed=1), sd=2.0)
    figure = charts.detectable_effects(appraisal)
    names = [t.name for t in figure.data if t.mode == "lines"]
    found = {name: t.x[0] for name, t in zip(names, figure.data[1::2], strict=True)}
    table = appraisal.table[appraisal.table["effect_is"] != "overall mean"]
    kind = np.where(table["term"].str.contains("**", regex=False), "squares",
                    np.where(table["term"].str.contains(":"), "interactions", "main effects"))
    worst = table.groupby(kind)["detectable_effect"].max()
    assert len(set(table["detectable_effect"].round(3))) > 4
    assert found == pytest.approx({f"{k}, the worst": v for k, v in worst.items()})

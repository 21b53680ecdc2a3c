"""Charts of plans side by side draw the numbers of the comparison."""

import chart_cases as cases
import numpy as np
import pytest
from scipy import stats

from doe import Response, charts
from doe.charts.theme import SERIES
from doe.errors import InputError
from doe.planning import compare, fraction_of_region, full_factorial


def subtitle(figure) -> str:
    text = figure.layout.title.text.split("</b>", 1)[1]
    for tag in ("<br>", "\u00a0"):
        text = text.replace(tag, " ")
    return text


def lines(figure):
    return {t.name: t for t in figure.data if t.mode == "lines"}


def test_power_lines_are_the_table():
    told = cases.compared()
    drawn = lines(charts.compared_power(told, cases.SIZE))
    assert list(drawn) == list(told.table.index)
    for name, part in told.power.groupby("plan"):
        np.testing.assert_array_equal(drawn[name].x, part["effect"])
        np.testing.assert_allclose(drawn[name].y, 100 * part["power"])


def test_marks_stand_where_each_plan_reaches_the_power_wanted():
    told = cases.compared()
    for wanted, alpha in ((0.8, 0.05), (0.5, 0.05)):
        figure = charts.compared_power(told, cases.SIZE, wanted=wanted)
        marks = [t for t in figure.data if t.mode == "markers"]
        assert len(marks) == 4
        for mark, (_, row) in zip(marks, told.table.iterrows(), strict=True):
            # Noncentral t at the mark, from the effect that has 80 % power.
            limit = stats.t.isf(alpha / 2, row["error_df"])
            nc = np.linspace(0, 10, 4001)
            power = stats.nct.sf(limit, row["error_df"], nc) + stats.nct.cdf(
                -limit, row["error_df"], nc)
            scale = row["detectable_main_effect"] / np.interp(0.8, power, nc)
            assert mark.x[0] == pytest.approx(scale * np.interp(wanted, power, nc), rel=5e-3)
            assert mark.y[0] == 100 * wanted


def test_power_title_ranks_the_plans():
    title = cases.plain_title(charts.compared_power(cases.compared(), cases.SIZE))
    assert title == ("Two-level factorial finds main effects from 3.08 µm with 80 % power; "
                     "face-centred composite from 4.14 µm, Box–Behnken from 4.97 µm and central "
                     "composite from 5.75 µm")
    said = subtitle(charts.compared_power(cases.compared(), cases.SIZE))
    assert "Two-level factorial cannot estimate 3 other coefficients of the model." in said
    assert "Standard deviation of a run assumed: 2.00 µm." in said


def test_axis_says_what_an_effect_is_measured_in():
    told = cases.compared()
    with_unit = charts.compared_power(told, cases.SIZE).layout.xaxis.title.text
    assert "largest agglomerate (µm)" in with_unit
    assert "unit of the response" in charts.compared_power(told).layout.xaxis.title.text
    region = cases.mixing_region(False)
    plans = {"once": full_factorial(region, seed=1, centre_points=3),
             "twice": full_factorial(region, seed=1, replicates=2)}
    bare = compare(plans, model="linear", against=())
    assert "standard deviations of a run" in charts.compared_power(bare).layout.xaxis.title.text


def test_effects_on_a_log_scale_are_ratios():
    region = cases.mixing_region(False)
    plans = {"once": full_factorial(region, seed=1, centre_points=3),
             "twice": full_factorial(region, seed=1, replicates=2)}
    told = compare(plans, model="linear", sd=0.2, against=())
    voids = Response("voids", unit="mL/mL", upper=1e-3, scale="log", label="bubble fraction")
    figure = charts.compared_power(told, voids)
    drawn = lines(figure)["once"]
    part = told.power[told.power["plan"] == "once"]
    np.testing.assert_allclose(drawn.x, np.exp(part["effect"]))
    assert drawn.x[0] == 1
    assert "(ratio)" in figure.layout.xaxis.title.text
    least = np.exp(told.table.loc["twice", "detectable_main_effect"])
    assert f"a factor of {least:.2f}" in cases.plain_title(figure)


def test_a_plan_that_cannot_test_is_named_and_keeps_the_others_colours():
    region = cases.screening_region(2)
    bare = full_factorial(region, seed=1)
    told = compare({"bare": bare, "twice": full_factorial(region, replicates=2, seed=1),
                    "centre": full_factorial(region, centre_points=4, seed=1)},
                   model="interactions", against=())
    figure = charts.compared_power(told)
    assert list(lines(figure)) == ["twice", "centre"]
    assert lines(figure)["twice"].line.color == SERIES[1].colour
    assert "Not drawn, as nothing is left to test with: bare." in subtitle(figure)
    both = compare({"bare": bare, "again": bare}, model="interactions", against=())
    with pytest.raises(InputError, match="none can test its main effects"):
        charts.compared_power(both)


def test_a_plan_too_weak_for_the_sizes_shown_is_said_to_be():
    figure = cases.nasty_charts()["compared_power"]
    assert cases.plain_title(figure).endswith("3 only larger ones than shown")
    weakest = lines(figure)[next(n for n in lines(figure) if n.endswith("3"))]
    assert max(weakest.y) < 80


def test_region_lines_are_the_curves():
    told = cases.compared()
    figure = charts.region_fractions(told)
    drawn = lines(figure)
    assert list(drawn) == ["central composite", "face-centred composite", "Box–Behnken"]
    for name, curve in told.curves.items():
        np.testing.assert_allclose(drawn[name].x, 100 * curve.table["share"])
        np.testing.assert_allclose(drawn[name].y**2, curve.table["variance"])
    ends = [t for t in figure.data if t.mode == "markers"]
    np.testing.assert_allclose([t.y[0]**2 for t in ends], told.table["greatest_variance"][:3])
    assert "it cannot estimate the model: two-level factorial" in subtitle(figure)


def test_region_title_is_read_off_at_nine_tenths():
    told = cases.compared()
    at = {n: np.sqrt(np.quantile(c.variances, 0.9)) for n, c in told.curves.items()}
    title = cases.plain_title(charts.region_fractions(told))
    assert min(at, key=at.get) == "face-centred composite"
    assert title.startswith("Face-centred composite predicts best over 90 % of the region")
    assert f"at most {min(at.values()):.2f} standard deviations" in title
    curve = told.curves["Box–Behnken"]
    same = charts.region_fractions({"one": curve, "other": curve})
    assert "One and other predict equally well" in cases.plain_title(same)


def test_one_plan_needs_no_legend():
    plan = full_factorial(cases.mixing_region(False), seed=1)
    figure = charts.region_fractions(fraction_of_region(plan, terms=plan.terms))
    assert [t.showlegend for t in figure.data] == [False, False]
    assert "8 runs" in subtitle(figure)


def test_curves_that_are_not_there_or_too_many_are_refused():
    curve = cases.compared().curves["Box–Behnken"]
    with pytest.raises(InputError, match="can be told apart"):
        charts.region_fractions({f"plan {i}": curve for i in range(len(SERIES) + 1)})
    region = cases.mixing_region(False)
    told = compare({"one": full_factorial(region, seed=1),
                    "two": full_factorial(region, seed=2)}, model="quadratic", against=())
    with pytest.raises(InputError, match="none of them can estimate the model"):
        charts.region_fractions(told)

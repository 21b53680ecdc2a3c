"""Main effects and interactions: lines are the model, marks the runs."""

import chart_cases as cases
import numpy as np
import pandas as pd
import pytest

from doe import charts
from doe.errors import InputError


def lines_of(figure, name="model"):
    return [t for t in figure.data if t.name == name]


def test_main_effect_lines_are_the_model_at_mid_range():
    fit = cases.surface_fit()
    figure = charts.main_effects(fit)
    centre = fit.region.centre().iloc[0].to_dict()
    for factor, line in zip(fit.region.factors, lines_of(figure), strict=True):
        table = pd.DataFrame([centre] * len(line.x)).assign(**{factor.name: line.x})
        expected = fit.predict(table)["mean"].to_numpy()
        drawn = np.asarray(line.y, float)
        here = np.isfinite(drawn)
        np.testing.assert_allclose(drawn[here], expected[here])
        np.testing.assert_array_equal(here, fit.region.contains(table))


def test_main_effect_band_is_the_confidence_interval():
    fit = cases.surface_fit()
    figure = charts.main_effects(fit)
    band = next(t for t in figure.data if t.fill == "toself" and t.xaxis in (None, "x"))
    half = len(band.x) // 2
    centre = fit.region.centre().iloc[0].to_dict()
    table = pd.DataFrame([centre] * half).assign(revolution=np.asarray(band.x[:half], float))
    expected = fit.predict(table)
    np.testing.assert_allclose(np.asarray(band.y[:half], float), expected["mean_low"])
    np.testing.assert_allclose(np.asarray(band.y[half:], float)[::-1], expected["mean_high"])


def test_run_means_of_an_orthogonal_plan_are_the_plain_means():
    # With only main effects in a balanced two-level plan, moving the other factors to
    # mid-range changes no mean.
    fit = cases.screening_fit(centre=0, terms="linear")
    figure = charts.main_effects(fit)
    for factor, marks in zip(fit.region.factors, lines_of(figure, "runs"), strict=True):
        expected = fit.data.groupby(factor.name)["agglomerate"].mean()
        np.testing.assert_allclose(np.sort(marks.x), expected.index)
        order = np.argsort(marks.x)
        np.testing.assert_allclose(np.asarray(marks.y)[order], expected.to_numpy())


@pytest.mark.parametrize("response", [cases.SIZE, cases.VOIDS])
def test_run_means_stand_off_the_line_by_what_the_model_leaves(response):
    fit = cases.surface_fit(response)
    marks, line = (lines_of(charts.main_effects(fit), n)[2] for n in ("runs", "model"))
    change = np.log if response.scale == "log" else np.asarray
    left = change(fit.data[response.name]) - change(fit.predict(fit.data)["mean"])
    for at, mean in zip(marks.x, marks.y, strict=True):
        here = (fit.data["time"] == at).to_numpy()
        on_line = change(np.interp(at, line.x, np.asarray(line.y, float)))
        assert here.any()
        assert change(mean) - on_line == pytest.approx(left[here].mean(), rel=1e-3, abs=1e-6)


def test_title_names_the_factor_that_moves_most():
    fit = cases.surface_fit()
    reach = {f.label: np.nanmax(line.y) - np.nanmin(line.y) for f, line in zip(
        fit.region.factors, lines_of(charts.main_effects(fit)), strict=True)}
    title = cases.plain_title(charts.main_effects(fit))
    assert title.startswith(max(reach, key=reach.get).capitalize() + " moves largest agglomerate")
    assert "revolution × rotation ratio" in charts.main_effects(fit).layout.title.text.replace(
        "<br>", " ")


def test_interaction_lines_are_the_model_at_both_ends():
    fit = cases.screening_fit()
    figure = charts.interactions(fit, [("revolution", "rotation_ratio")])
    low, high = lines_of(figure)
    centre = fit.region.centre().iloc[0].to_dict()
    for line, level in ((low, 0.2), (high, 0.8)):
        table = pd.DataFrame([centre | {"rotation_ratio": level}] * len(line.x))
        table["revolution"] = np.asarray(line.x, float)
        np.testing.assert_allclose(np.asarray(line.y, float), fit.predict(table)["mean"])
    assert low.line.color != high.line.color
    assert low.line.dash != high.line.dash


def test_interaction_title_gives_the_effect_at_both_ends():
    fit = cases.screening_fit()
    title = cases.plain_title(charts.interactions(fit))
    centre = fit.region.centre().iloc[0].to_dict()
    for level in (0.2, 0.8):
        ends = [pd.DataFrame([centre | {"rotation_ratio": level, "revolution": v}])
                for v in (600, 1600)]
        change = fit.compare(*ends)["change"].iloc[0]
        sign = "−" if change < 0 else "+"
        assert f"{sign}{abs(change):.1f} µm at {level}" in title
    assert title.startswith("The effect of revolution on largest agglomerate depends on rotation "
                            "ratio")


def test_interactions_come_largest_first_and_those_left_out_are_counted():
    fit = cases.surface_fit()
    figure = charts.interactions(fit, most=2)
    heads = [a.text for a in figure.layout.annotations]
    assert len(heads) == 2
    assert heads[0].startswith("rotation ratio")
    assert "1 smaller interaction not drawn" in figure.layout.title.text.replace("<br>", " ")


def test_lines_stop_where_runs_cannot_be():
    figure = charts.interactions(cases.surface_fit(), [("revolution", "rotation_ratio")])
    high = lines_of(figure)[1]
    x, y = np.asarray(high.x, float), np.asarray(high.y, float)
    np.testing.assert_array_equal(np.isfinite(y), x * 0.8 <= 900 * (1 + 1e-9))


def test_interactions_need_an_interaction():
    with pytest.raises(InputError, match="no two-factor interaction"):
        charts.interactions(cases.screening_fit(terms="linear"))


def test_small_multiples_share_the_response_axis_and_carry_units():
    figure = charts.main_effects(cases.surface_fit())
    assert figure.layout.yaxis.title.text == "largest agglomerate (µm)"
    assert figure.layout.yaxis2.matches == "y"
    assert [figure.layout[a].title.text for a in ("xaxis", "xaxis2", "xaxis3")] == [
        "revolution (rpm)", "rotation ratio", "time (s)"]

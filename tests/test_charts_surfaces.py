"""Contours, surfaces and the operating window show the predictions, and only where runs can be."""

import chart_cases as cases
import numpy as np
import pandas as pd
import plotly.graph_objects as go
import pytest

from doe import Factor, Region, charts
from doe.analysis import fit as fit_model
from doe.charts.plane import Plane, held_settings
from doe.decision import operating_window
from doe.errors import InputError


def grid_settings(figure: go.Figure, fixed: dict):
    """Settings of a contour's grid, from its own x and y."""
    x, y = np.asarray(figure.data[0].x, float), np.asarray(figure.data[0].y, float)
    gx, gy = np.meshgrid(x, y)
    return pd.DataFrame({"revolution": gx.ravel(), "rotation_ratio": gy.ravel(), **fixed})


def test_contour_heights_are_the_predictions():
    fit = cases.surface_fit()
    figure = charts.contour(fit, "revolution", "rotation_ratio", {"time": 250})
    settings = grid_settings(figure, {"time": 250.0})
    z = np.asarray(figure.data[0].z, float).ravel()
    drawn = np.isfinite(z)
    np.testing.assert_allclose(z[drawn], fit.predict(settings)["mean"].to_numpy()[drawn])
    assert drawn[fit.region.contains(settings)].all()


def test_contour_on_a_log_scale_keeps_the_predictions_beside_the_levels():
    fit = cases.surface_fit(cases.VOIDS)
    figure = charts.contour(fit, "revolution", "rotation_ratio")
    first = figure.data[0]
    settings = grid_settings(figure, {"time": 180.0})
    value = np.asarray(first.customdata, float).ravel()
    drawn = np.isfinite(value)
    np.testing.assert_allclose(value[drawn], fit.predict(settings)["mean"].to_numpy()[drawn])
    # The fill runs over the places of round levels; undoing that gives the value back.
    ticks = [float(t.replace("\u00a0", "").replace("×10", "e").translate(
        str.maketrans("⁻⁰¹²³⁴⁵⁶⁷⁸⁹", "-0123456789"))) for t in first.colorbar.ticktext]
    back = np.exp(np.interp(np.asarray(first.z, float).ravel()[drawn], first.colorbar.tickvals,
                            np.log(ticks)))
    np.testing.assert_allclose(back, value[drawn], rtol=1e-9)


def test_the_part_that_cannot_be_run_is_empty():
    fit = cases.surface_fit()
    figure = charts.contour(fit, "revolution", "rotation_ratio")
    settings = grid_settings(figure, {"time": 180.0})
    x, y = np.asarray(figure.data[0].x, float), np.asarray(figure.data[0].y, float)
    z = np.asarray(figure.data[0].z, float)
    outside = ~fit.region.contains(settings).reshape(z.shape)
    # A height beyond the edge is at most one cell from a setting that can be run ...
    for i, j in zip(*np.nonzero(outside & np.isfinite(z)), strict=True):
        assert not outside[max(i - 1, 0):i + 2, max(j - 1, 0):j + 2].all()
    assert np.isnan(z[outside]).mean() > 0.5
    # ... and white hatching lies over it, from the hyperbola 900 / revolution up.
    area = cases.trace(figure, "cannot be run")
    assert area.fillcolor == "white"
    assert area.fillpattern.shape == "/"
    names = [t.name for t in figure.data]
    assert names.index("cannot be run") > max(i for i, t in enumerate(figure.data)
                                              if t.type == "contour")
    edge = np.asarray(area.x, float)
    low = np.asarray(area.y, float)
    half = len(edge) // 2
    inner = edge[:half] > 900 / 0.8
    np.testing.assert_allclose(low[:half][inner], 900 / edge[:half][inner], rtol=1e-9)
    assert (low[half:] == 0.8).all()
    assert (x.min(), x.max(), y.min(), y.max()) == (600, 1600, 0.2, 0.8)


def test_the_edge_of_the_region_is_exact_for_any_sum_of_products():
    region = Region((Factor("a", 0, 10), Factor("b", 0, 10), Factor("c", 0, 4)),
                    ("a + 2 b + b * c <= 18", "b - a >= -6"))
    plane = Plane.through(region, "a", "b", {"c": 1.0}, count=33)
    low, high = plane.allowed_band()
    some = (18 - plane.xs) / 3 >= plane.xs - 6  # beyond a = 9 the two leave nothing
    np.testing.assert_array_equal(np.isfinite(high), some)
    np.testing.assert_allclose(high[some], np.minimum(10, (18 - plane.xs) / 3)[some], rtol=1e-12)
    np.testing.assert_allclose(low[some], np.maximum(0, plane.xs - 6)[some], atol=1e-12)


def test_where_nothing_can_be_run_there_is_no_band():
    region = Region((Factor("a", 0, 10), Factor("b", 1, 2)), ("a * b <= 5",))
    low, high = Plane.through(region, "a", "b", count=11).allowed_band()
    assert np.isnan(low[6:]).all()  # even b = 1 allows no more than a = 5
    assert np.isnan(high[6:]).all()
    assert np.isfinite(low[:6]).all()


def test_surface_ends_where_the_region_ends():
    fit = cases.surface_fit()
    figure = charts.surface(fit, "revolution", "rotation_ratio")
    sheet = figure.data[0]
    x, y, z = (np.asarray(getattr(sheet, k), float) for k in "xyz")
    assert (x * y <= 900 * (1 + 1e-9))[np.isfinite(z)].all()
    # The sheet reaches the constraint itself, not the last grid point before it.
    assert np.nanmax(x * y) == pytest.approx(900, rel=1e-9)
    i, j = 30, 40
    point = held_settings(fit.region) | {"revolution": x[i, j], "rotation_ratio": y[i, j]}
    assert z[i, j] == pytest.approx(fit.predict(pd.DataFrame([point]))["mean"].iloc[0])


def test_surface_starts_where_a_lower_bound_starts():
    fit = cases.surface_fit()
    region = Region(fit.region.factors, ("revolution * rotation_ratio >= 240",))
    part = fit_model(fit.data[region.contains(fit.data)], cases.SIZE, region, "linear")
    x, y, z = (np.asarray(getattr(charts.surface(part, "revolution", "rotation_ratio").data[0],
                                  k), float) for k in "xyz")
    assert np.isfinite(z).all()
    np.testing.assert_allclose(y[0], np.maximum(0.2, 240 / x[0]))


def test_every_run_is_a_point_and_tells_its_measurement():
    fit = cases.surface_fit()
    figure = charts.contour(fit, "revolution", "rotation_ratio")
    here, elsewhere = (cases.trace(figure, n) for n in ("run on this plane", "run elsewhere"))
    assert len(here.x) + len(elsewhere.x) == len(fit.data)
    assert len(here.x) == (fit.data["time"] == 180).sum()
    assert here.marker.symbol != elsewhere.marker.symbol
    first = fit.data[fit.data["time"] == 180].iloc[0]
    assert f"Run {first['run']:g}" in here.text[0]
    assert f"{first['agglomerate']:.1f}" in here.text[0]


def test_limit_line_stands_at_the_limit_and_is_in_the_legend():
    figure = charts.contour(cases.surface_fit(), "revolution", "rotation_ratio")
    mark = cases.trace(figure, "upper limit 30\u00a0µm".replace("\u00a0", " "))
    red = [t for t in figure.data if t.type == "contour" and t.line.color == mark.line.color]
    assert [t.contours.start for t in red] == [30]
    assert red[0].line.dash == mark.line.dash == "dash"


def test_title_gives_the_best_setting_that_can_be_run():
    fit = cases.surface_fit()
    figure = charts.contour(fit, "revolution", "rotation_ratio", {"time": 300})
    settings = grid_settings(figure, {"time": 300.0})
    mean = np.where(fit.region.contains(settings), fit.predict(settings)["mean"], np.inf)
    title = cases.plain_title(figure)
    assert title.startswith("Largest agglomerate is lowest, ")
    said = float(title.split("lowest, ")[1].split(" µm")[0])
    assert said == pytest.approx(mean.min(), abs=0.06)
    share = (mean[np.isfinite(mean)] <= 30).mean()
    assert f"{100 * share:.0f}\u00a0% of this plane" in figure.layout.title.text.replace("<br>",
                                                                                         " ")
    assert "Held: time 300" in figure.layout.title.text


def test_axis_titles_have_units():
    figure = charts.contour(cases.surface_fit(), "revolution", "time")
    assert figure.layout.xaxis.title.text == "revolution (rpm)"
    assert figure.layout.yaxis.title.text == "time (s)"
    assert "(µm)" in figure.data[0].colorbar.title.text
    scene = charts.surface(cases.surface_fit(), "revolution", "time").layout.scene
    assert scene.xaxis.title.text == "revolution (rpm)"
    assert "(µm)" in scene.zaxis.title.text.replace("<br>", " ")


def test_predictions_beyond_the_runs_are_marked():
    fit = cases.surface_fit()
    figure = charts.contour(fit, "revolution", "rotation_ratio", {"time": 300})
    settings = grid_settings(figure, {"time": 300.0})
    table = fit.predict(settings)
    beyond = (table["extrapolated"] | table["remote"]) & fit.region.contains(settings)
    marked = [t for t in figure.data if t.name == "beyond the runs"]
    assert 0 < beyond.mean() < 0.9
    assert len(marked) == 1
    flagged = set(settings.loc[beyond, ["revolution", "rotation_ratio"]].itertuples(
        index=False, name=None))
    assert set(zip(marked[0].x, marked[0].y, strict=True)) <= flagged


def test_a_plane_beyond_all_runs_says_so():
    fit = cases.surface_fit()
    inner = fit.data[(fit.data["time"] <= 180)]
    part = fit_model(inner, cases.SIZE, fit.region, "linear")
    figure = charts.contour(part, "revolution", "rotation_ratio", {"time": 300})
    assert "lies beyond the runs" in figure.layout.title.text.replace("<br>", " ")


def test_recipe_settings_can_be_held_as_they_come():
    fit = cases.surface_fit()
    settings = {"revolution": 1200.0, "rotation_ratio": 0.5, "time": 200.0, "rotation": 600.0}
    figure = charts.contour(fit, "revolution", "rotation_ratio", settings)
    assert "Held: time 200" in figure.layout.title.text


@pytest.mark.parametrize("revolution", [650.0, 1550.0])
def test_the_chosen_setting_is_ringed_and_named(revolution):
    fit, place = cases.surface_fit(), {"revolution": revolution, "rotation_ratio": 0.5}
    figure = charts.contour(fit, "revolution", "rotation_ratio", {"time": 200}, setting=place)
    ring, words = cases.trace(figure, "chosen setting"), figure.layout.annotations[-1]
    assert (ring.x[0], ring.y[0]) == (revolution, 0.5) == (words.x, words.y)
    assert words.text == "chosen setting"
    assert words.xanchor == ("left" if revolution < 1100 else "right")  # inside the plot
    assert charts.contour(fit, "revolution", "rotation_ratio").layout.annotations == ()

    figure = charts.surface(fit, "revolution", "rotation_ratio", {"time": 200}, setting=place)
    ring, words = figure.layout.scene.annotations
    assert ring.text == "<b>◯</b>"
    assert ring.z == words.z == fit.predict(pd.DataFrame([place | {"time": 200}]))["mean"][0]
    assert (words.x, words.y, words.text) == (revolution, 0.5, "chosen setting")


@pytest.mark.parametrize(("x", "y", "fixed"), [
    ("revolution", "revolution", {}), ("cup", "revolution", {}), ("revolution", "none", {}),
    ("revolution", "time", {"rotation_ratio": 0.9}), ("revolution", "time", {"nothing": 1}),
    ("revolution", "time", {"rotation_ratio": "high"})])
def test_a_plane_that_makes_no_sense_is_refused(x, y, fixed):
    with pytest.raises(InputError):
        charts.contour(cases.surface_fit(), x, y, fixed)


# ---- the operating window ----------------------------------------------------------------


@pytest.fixture(scope="module")
def window():
    return operating_window(cases.all_fits(), x="revolution", y="rotation_ratio",
                            fixed={"time": 200})


def test_window_shades_exactly_where_every_mean_meets(window):
    figure = charts.operating_window(window, cases.all_fits())
    shade = next(t for t in figure.data if t.type == "contour" and t.contours.type == "constraint")
    table = window.table
    meets = table["meets_all"].to_numpy().reshape(window.shape).T
    inside = table["inside"].to_numpy().reshape(window.shape).T
    spare = np.asarray(shade.z, float)
    assert shade.contours.operation == "<"  # plotly fills where the condition does not hold
    np.testing.assert_array_equal((spare >= 0)[inside], meets[inside])


def test_window_lines_stand_at_the_limits_and_tell_responses_apart(window):
    figure = charts.operating_window(window, cases.all_fits())
    lines = [t for t in figure.data if t.type == "contour" and t.contours.type != "constraint"]
    assert {t.contours.start for t in lines} <= {30, 1e-3, 38}
    assert len(lines) >= 2
    assert len({(t.line.color, t.line.dash) for t in lines}) == len(lines)
    assert len({t.line.dash for t in lines}) == len(lines)


def test_window_title_gives_its_shares(window):
    title = cases.plain_title(charts.operating_window(window, cases.all_fits()))
    assert title.startswith("All 3 specifications are met on "
                            f"{100 * window.share:.0f} % of this plane")
    assert f"{100 * window.share_intervals:.0f} % with" in title


def test_window_marks_a_setting_and_says_when_it_is_elsewhere(window):
    setting = {"revolution": 1200, "rotation_ratio": 0.6, "time": 290}
    figure = charts.operating_window(window, cases.all_fits(), setting=setting)
    star = cases.trace(figure, "chosen setting")
    assert (star.x[0], star.y[0]) == (1200, 0.6)
    assert "not on this plane" in figure.layout.title.text.replace("<br>", " ")


def test_window_needs_its_own_fits(window):
    with pytest.raises(InputError, match="does not hold it"):
        charts.operating_window(window, [cases.screening_fit(cases.Response("other"))])

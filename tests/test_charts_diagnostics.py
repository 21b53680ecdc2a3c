"""The residual panel: what is drawn, the simulated envelope, and what is said."""

import chart_cases as cases
import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Factor, Region, Response, charts
from doe.analysis import fit as fit_model
from doe.analysis import fit_mixed
from doe.analysis.kinds import fit_kind
from doe.charts import diagnostics
from doe.charts.diagnostics import envelope


def panel(figure, axis: str) -> tuple[np.ndarray, np.ndarray]:
    """All points of one panel, by their x axis."""
    marked = [t for t in figure.data if "markers" in (t.mode or "") and (t.xaxis or "x") == axis]
    return (np.concatenate([np.asarray(t.x, float) for t in marked]),
            np.concatenate([np.asarray(t.y, float) for t in marked]))


def flat_fit(n: int, change=None):
    """A straight line through n runs with normal noise."""
    region = Region((Factor("time", 0, 10, unit="s"),))
    rng = np.random.default_rng(5)
    table = pd.DataFrame({"run": range(1, n + 1), "time": np.linspace(0, 10, n)})
    table["y"] = 20 + 2 * table["time"] + rng.normal(0, 1, n)
    if change:
        change(table)
    return fit_model(table, Response("y", unit="mm", label="film thickness"), region, "linear")


def test_each_panel_draws_the_diagnostics():
    fit = cases.surface_fit()
    figure = charts.residual_panel(fit)
    table = fit.diagnostics.round({"leverage": 9})
    for axis, column, value in (("x2", "fitted", "studentised"), ("x3", "order", "studentised"),
                                ("x4", "leverage", "cooks_distance"),
                                ("x", "normal_score", "studentised")):
        x, y = panel(figure, axis)
        expected = table.sort_values([column, value])
        order = np.lexsort((y, x))
        np.testing.assert_allclose(x[order], expected[column])
        np.testing.assert_allclose(y[order], expected[value])


def test_fitted_values_are_in_the_response_unit_on_a_log_scale():
    fit = cases.surface_fit(cases.VOIDS)
    figure = charts.residual_panel(fit)
    x, _ = panel(figure, "x2")
    np.testing.assert_allclose(np.sort(x), np.sort(np.exp(fit.diagnostics["fitted"])))
    assert figure.layout.xaxis2.type == "log"
    assert "mL/mL" in figure.layout.xaxis2.title.text


def test_ends_of_the_envelope_are_grubbs_critical_values():
    # For a sample about its own mean the largest studentised residual has the distribution of
    # Grubbs' statistic: its upper 2.5 % point is Student's t at 0.025/n on n − 2 degrees of
    # freedom (NIST/SEMATECH e-Handbook 1.3.5.17), all but exactly.
    for n in (8, 20):
        fit = fit_model(flat_fit(n).data, Response("y"), flat_fit(n).region, "mean")
        low, high = envelope(fit, draws=20_000)
        critical = stats.t.ppf(1 - 0.025 / n, n - 2)
        assert high[-1] == pytest.approx(critical, rel=0.03)
        assert low[0] == pytest.approx(-critical, rel=0.03)


def test_envelope_covers_ninety_five_percent_of_studies_point_by_point():
    fit = cases.surface_fit()
    low, high = envelope(fit)
    x = fit.columns.matrix.to_numpy()
    hat = x @ np.linalg.pinv(x)
    rng = np.random.default_rng(123456)
    inside = []
    for _ in range(400):
        e = (np.eye(len(x)) - hat) @ rng.standard_normal(len(x))
        inner = e / np.sqrt((e @ e) / fit.df_error * (1 - np.diag(hat)))
        outer = np.sort(inner * np.sqrt((fit.df_error - 1) / (fit.df_error - inner**2)))
        inside.append((outer >= low) & (outer <= high))
    assert 0.93 < np.mean(inside) < 0.97


def test_envelope_is_the_same_every_time_and_its_seed_is_kept():
    fit = cases.surface_fit()
    first, second = envelope(fit), envelope(fit)
    np.testing.assert_array_equal(first, second)
    assert not np.array_equal(first, envelope(fit, seed=2))
    assert charts.residual_panel(fit, seed=9).layout.meta["envelope"]["seed"] == 9


def test_clean_residuals_are_called_clean():
    assert cases.plain_title(charts.residual_panel(flat_fit(24))).startswith(
        "Nothing in the residuals of film thickness")


def test_a_wrong_reading_is_named_and_drawn_apart():
    def spoil(table):
        table.loc[7, "y"] += 12

    figure = charts.residual_panel(flat_fit(24, spoil))
    assert "run 8 lies further from the model than noise explains" in cases.plain_title(figure)
    apart = [t for t in figure.data if t.mode == "markers+text"]
    assert {x for t in apart for x in t.text} == {"run 8"}
    assert {t.marker.symbol for t in apart} == {"square"}


def test_growing_spread_is_said():
    def spoil(table):
        rng = np.random.default_rng(1)
        table["y"] = 20 + 2 * table["time"] + rng.normal(0, 0.05 + table["time"] ** 1.5 / 8)

    assert "spread grows with the fitted value" in cases.plain_title(
        charts.residual_panel(flat_fit(60, spoil)))


def test_drift_in_time_is_said():
    def spoil(table):
        table["y"] += 6 * np.sin(np.linspace(0, 12, len(table)))

    assert "next to each other in time are alike" in cases.plain_title(
        charts.residual_panel(flat_fit(40, spoil)))


def test_curvature_is_the_models_fault_not_the_runs():
    fit = cases.screening_fit(noise=0.05)
    bent = fit.data.copy()
    bent.loc[bent["time"] == 180, "agglomerate"] += 8
    figure = charts.residual_panel(fit_model(bent, cases.SIZE, fit.region))
    assert "the centre points lie off the model (curvature)" in cases.plain_title(figure)
    assert not [t for t in figure.data if t.mode == "markers+text"]


def test_a_saturated_model_has_nothing_to_judge():
    figure = charts.residual_panel(cases.screening_fit(centre=0))
    assert cases.plain_title(figure) == "The residuals of largest agglomerate cannot be judged"
    assert not figure.data


@pytest.mark.parametrize("axis", ["yaxis", "yaxis2", "yaxis3"])
def test_panels_share_the_scale_of_residuals(axis):
    layout = charts.residual_panel(cases.surface_fit()).layout
    assert layout[axis].range == layout.yaxis.range


# -- fits of other kinds ---------------------------------------------------------------------


def counted_fit(change=None):
    """Specks in 24 runs at three levels of time, in two blocks."""
    region = Region((Factor("time", 0, 10, unit="s"),))
    rng = np.random.default_rng(8)
    table = pd.DataFrame({"run": range(1, 25), "time": np.repeat([0.0, 5.0, 10.0], 8),
                          "block": np.tile([1, 2], 12)})
    table["specks"] = rng.poisson(np.exp(1 + 0.2 * table["time"])).astype(float)
    if change:
        change(table)
    return fit_kind(table, Response("specks", kind="count"), region, "linear", method="Poisson")


def split_fit(wrong: float = 0.0):
    """Eight whole plots of three runs; one reading can be wrong."""
    rng = np.random.default_rng(5)
    table = pd.DataFrame({"whole_plot": np.repeat(range(1, 9), 3), "time": np.tile([30, 60, 90], 8),
                          "pressure": np.repeat([2, 20] * 4, 3), "run": range(1, 25)})
    table["voids"] = (5 + 0.1 * table["pressure"] + np.repeat(rng.normal(0, 1, 8), 3)
                      + rng.normal(0, 0.3, 24))
    table.loc[7, "voids"] += wrong
    region = Region((Factor("pressure", 2, 20, unit="kPa", hard_to_change=True),
                     Factor("time", 30, 90, unit="s")))
    return fit_mixed(table, Response("voids", unit="%", label="bubble content"), region,
                     "pressure + time")


def test_counts_are_drawn_by_their_quantile_residuals():
    fit = counted_fit()
    figure, table = charts.residual_panel(fit), fit.diagnostics
    x, y = panel(figure, "x2")
    np.testing.assert_allclose(np.sort(x), np.sort(table["fitted"]))
    np.testing.assert_allclose(np.sort(y), np.sort(table["studentised"]))
    assert figure.layout.yaxis2.title.text == "quantile residual"
    assert "drawn at random (seed 1996)" in figure.layout.title.text.replace("<br>", " ")
    assert cases.plain_title(figure).startswith("Nothing in the residuals of specks")


def test_a_count_far_off_is_named():
    def spoil(table):
        table.loc[2, "specks"] += 25

    assert "run 3 lies further from the model" in cases.plain_title(
        charts.residual_panel(counted_fit(spoil)))


def test_envelope_of_counts_holds_their_residuals():
    # Of all ordered residuals in studies of the fitted model, 95 % should be inside; about ten
    # specks a run, so that the law is near enough to normal.
    fit, rng = counted_fit(), np.random.default_rng(2)
    low, high = envelope(fit)
    mean, inside = fit.diagnostics["fitted"].to_numpy(), []
    for _ in range(60):
        again = counted_fit(lambda t: t.update({"specks": rng.poisson(mean).astype(float)}))
        ordered = np.sort(again.diagnostics["studentised"])
        inside.append((ordered >= low) & (ordered <= high))
    assert 0.92 < np.mean(inside) < 0.98


def test_a_wrong_reading_in_a_split_plot_is_named_and_others_lie_in_the_band():
    fit = split_fit(wrong=3.0)
    assert "run 8 lies further from the model" in cases.plain_title(charts.residual_panel(fit))
    clean = split_fit()
    low, high = envelope(clean)
    ordered = np.sort(clean.diagnostics["studentised"])
    assert ((ordered >= low) & (ordered <= high)).mean() > 0.85
    assert cases.plain_title(charts.residual_panel(clean)).startswith("Nothing in the residuals")


def test_envelope_of_a_split_plot_without_whole_plot_variance_is_that_of_least_squares():
    fit = split_fit()
    noise = np.random.default_rng(1).normal(size=(8, 3))
    noise -= noise.mean(axis=1, keepdims=True)
    flat = fit_mixed(fit.data.assign(voids=noise.ravel()), fit.response, fit.region,
                     "pressure + time")
    assert flat.reml.variances[0] == 0
    for ours, theirs in zip(envelope(flat, draws=20_000), envelope(flat.randomised, draws=20_000),
                            strict=True):
        np.testing.assert_allclose(ours, theirs, atol=0.06)


# -- along factors and blocks ------------------------------------------------------------------


def test_residuals_are_drawn_along_every_factor_and_the_blocks():
    fit = counted_fit()
    figure, table = charts.residuals_by_factor(fit), fit.diagnostics
    x, y = panel(figure, "x")
    order, expected = np.lexsort((y, x)), pd.DataFrame({"x": fit.data["time"].to_numpy(),
                                                        "y": table["studentised"]})
    expected = expected.sort_values(["x", "y"])
    np.testing.assert_allclose(x[order], expected["x"])
    np.testing.assert_allclose(y[order], expected["y"])
    x, _ = panel(figure, "x2")
    np.testing.assert_array_equal(np.bincount(x.astype(int))[1:], [12, 12])
    assert figure.layout.xaxis2.title.text == "block"
    assert cases.plain_title(figure) == "The model of specks leaves nothing along any factor"


def test_a_bend_and_an_uneven_spread_are_found():
    def bend(table):
        table.loc[table["time"] == 5, "specks"] += 14

    def scatter(table):
        table.loc[table["time"] == 10, "specks"] *= np.tile([0.1, 0.1, 1.9, 1.9], 2)
        table["specks"] = table["specks"].round()

    bent, uneven = (cases.plain_title(charts.residuals_by_factor(counted_fit(c)))
                    for c in (bend, scatter))
    assert "level of the residuals changes along time" in bent
    assert "spread of the residuals changes along time" in uneven


def test_chance_alone_is_seldom_called_a_change():
    rng, alarms = np.random.default_rng(4), 0
    fit = flat_fit(24)
    for _ in range(40):
        table = fit.data.assign(time=np.repeat([0, 5, 10], 8), y=rng.normal(size=24))
        title = cases.plain_title(charts.residuals_by_factor(
            fit_model(table, fit.response, fit.region, "linear")))
        alarms += "changes along" in title
    assert alarms <= 5  # 5 % of 40, and two standard errors


def test_names_of_runs_close_together_do_not_cover_each_other():
    x, y = pd.Series([0.70, 0.71, 0.10, 0.70]), pd.Series([1.10, 1.05, 1.08, 0.20])
    texts = diagnostics._names(pd.Series([4, 1, 7, 9]), x, y, (0.8, 1.2))
    assert texts == ["runs 4 and 1", "", "run 7", "run 9"]

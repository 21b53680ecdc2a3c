"""Effects drawn are the effects found, and the title names the largest."""

import chart_cases as cases
import numpy as np
import pandas as pd
import pytest
from scipy import stats
from test_mixed_fit import MODEL, REGION, VOIDS, split_plot

from doe import Factor, Region, Response, analysis, charts
from doe.charts.effects import Effects
from doe.errors import InputError
from doe.wording import short

RATIO = Response("agglomerate", unit="µm", scale="log", label="largest agglomerate")


def points(figure) -> tuple[np.ndarray, np.ndarray]:
    """All marked points of an effect chart, by x."""
    marked = [t for t in figure.data if t.name in ("stands out", "within noise")]
    x = np.concatenate([np.asarray(t.x, float) for t in marked])
    y = np.concatenate([np.asarray(t.y, float) for t in marked])
    order = np.argsort(x)
    return x[order], y[order]


def test_half_normal_points_are_sizes_against_halfnormal_quantiles():
    fit = cases.screening_fit()
    x, y = points(charts.half_normal(fit))
    sizes = np.sort(fit.table.loc[fit.table["term"] != "1", "effect"].abs())
    n = len(sizes)
    np.testing.assert_allclose(x, stats.halfnorm.ppf((np.arange(1, n + 1) - 0.5) / n))
    np.testing.assert_allclose(y, sizes)


def test_half_normal_line_and_margins_are_lenths_where_the_model_is_saturated():
    fit = cases.screening_fit(centre=0)
    assert fit.df_error == 0
    figure = charts.half_normal(fit)
    noise = cases.trace(figure, "noise")
    assert noise.y[1] / noise.x[1] == pytest.approx(fit.lenth.pse)
    one = cases.trace(figure, "margin for one effect")
    assert one.y[0] == pytest.approx(fit.lenth.table["margin"].iloc[0])
    drawn = {round(float(v), 9) for t in figure.data if t.name == "stands out" for v in t.y}
    assert drawn == {round(abs(v), 9) for v in
                     fit.lenth.table.loc[fit.lenth.table["active"], "effect"]}


def test_half_normal_line_is_the_standard_error_where_error_can_be_estimated():
    fit = cases.screening_fit(terms="linear")
    noise = cases.trace(charts.half_normal(fit), "noise")
    error = 2 * fit.table.set_index("term").loc["revolution", "standard_error"]
    assert noise.y[1] / noise.x[1] == pytest.approx(error)


def test_only_what_stands_out_is_named():
    fit = cases.screening_fit()
    figure = charts.half_normal(fit)
    names = {a.text.replace("<br>", " ") for a in figure.layout.annotations}
    assert names == set(Effects.of(fit).table.query("active")["label"])
    assert "rotation ratio" in names
    assert "pressure" not in names


def test_names_do_not_cover_points_or_each_other():
    fit = cases.screening_fit(noise=0.2)
    figure = charts.half_normal(fit)
    tall = 330 / figure.layout.yaxis.range[1]
    at = sorted(a.y * tall for a in figure.layout.annotations)
    assert np.diff(at).min() > 12 or len(at) < 2


def test_title_names_the_largest_effect_and_counts_those_that_stand_out():
    fit = cases.screening_fit()
    effects = fit.table[fit.table["term"] != "1"].set_index("label")["effect"]
    largest = effects.abs().idxmax()
    active = int((fit.table["p"] < 0.05)[fit.table["term"] != "1"].sum())
    for figure in (charts.half_normal(fit), charts.ordered_effects(fit)):
        title = cases.plain_title(figure)
        assert title.startswith(largest.capitalize())
        assert "largest agglomerate" in title
        assert f"{active} of {len(effects)} effects stand out" in title
        assert f"−{abs(effects[largest]):.1f} µm" in title


def test_title_does_not_claim_an_effect_within_noise():
    fit = cases.screening_fit(scale=1e-9, noise=1e9)
    assert cases.plain_title(charts.ordered_effects(fit)).startswith(
        "No effect on largest agglomerate stands out")


def test_title_says_so_when_nothing_is_left_to_judge_noise():
    fit = cases.screening_fit(centre=0, terms="revolution + rotation_ratio")
    figure = charts.ordered_effects(fit)
    assert fit.df_error > 2
    assert "of freedom for error" in figure.layout.title.text


def test_ordered_effects_run_from_largest_to_smallest_with_their_intervals():
    fit = cases.screening_fit()
    figure = charts.ordered_effects(fit)
    rows = {}
    for t in figure.data:
        if t.name in ("stands out", "within noise"):
            for x, y, up, down in zip(t.x, t.y, t.error_x.array, t.error_x.arrayminus,
                                      strict=True):
                rows[y] = (x, x - down, x + up)
    drawn = np.array([rows[y] for y in sorted(rows)])
    table = fit.table[fit.table["term"] != "1"].copy()
    table = table.reindex(table["effect"].abs().sort_values(ascending=False).index)
    np.testing.assert_allclose(drawn, table[["effect", "effect_low", "effect_high"]])
    top, bottom = figure.layout.yaxis.range[1], figure.layout.yaxis.range[0]
    assert top < bottom  # so that the largest is on top
    assert next(iter(figure.layout.yaxis.ticktext)) == table["label"].iloc[0]


def test_effects_are_ratios_on_a_log_scale():
    fit = cases.screening_fit(RATIO)
    figure = charts.ordered_effects(fit)
    x = np.concatenate([t.x for t in figure.data if t.name in ("stands out", "within noise")])
    effects = fit.table.loc[fit.table["term"] != "1", "effect"]
    np.testing.assert_allclose(np.sort(x.astype(float)), np.sort(effects))
    assert figure.layout.xaxis.type == "log"
    assert "ratio" in figure.layout.xaxis.title.text
    _, sizes = points(charts.half_normal(fit))
    np.testing.assert_allclose(sizes, np.exp(np.sort(np.abs(np.log(effects)))))


def test_axis_titles_have_the_unit():
    fit = cases.screening_fit()
    assert "(µm)" in charts.ordered_effects(fit).layout.xaxis.title.text
    assert "(µm)" in charts.half_normal(fit).layout.yaxis.title.text


def test_squares_and_categories_say_how_they_are_read():
    assert "from the centre to either end" in charts.ordered_effects(
        cases.surface_fit()).layout.title.text


def test_a_model_without_effects_is_refused():
    with pytest.raises(InputError, match="no effects"):
        charts.half_normal(cases.screening_fit(terms="mean"))


def test_a_factor_of_several_categories_stands_out_as_a_whole():
    """As in the tables: one contrast of a factor within noise is no finding."""
    rng = np.random.default_rng(7)
    region = Region([Factor.categorical("grade", ("a", "b", "c", "d")), Factor("time", 60, 240)])
    data = region.grid(3)
    data = pd.concat([data, data], ignore_index=True)
    for scale in np.linspace(0.2, 2.0, 10):
        shift = data["grade"].map({"a": scale, "b": 0.0, "c": 0.0, "d": 0.0})
        fit = analysis.fit(data.assign(y=shift + rng.normal(0, 1, len(data))), Response("y"),
                           region, "linear")
        table = Effects.of(fit).table.merge(fit.table[["term", "source"]], on="term")
        assert table.groupby("source")["active"].nunique().max() == 1
        named = set(table.loc[table["active"], "source"])
        assert named == {str(t) for t in fit.active}


def test_effects_of_a_mixed_model_are_judged_with_their_own_degrees_of_freedom():
    fit = analysis.fit_mixed(split_plot(), VOIDS, REGION, MODEL)
    figure = charts.ordered_effects(fit)
    df = fit.table.loc[fit.table["term"] != "1", "df"]
    assert (f"{short(df.min(), 2)} to {short(df.max(), 2)} effective degrees of freedom"
            in figure.layout.title.text.replace("<br>", " ").replace("\u00a0", " "))
    # An effect is twice its coefficient, and so is its standard error.
    half = fit.table.loc[fit.table["term"] != "1", "standard_error"] * 2
    assert Effects.of(fit).unit_effect == pytest.approx(half.median())

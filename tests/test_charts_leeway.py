"""Leeway, curve and conformance: what is drawn is what the fits predict, and reads clearly."""

import re
from itertools import combinations

import chart_cases as cases
import numpy as np
import pandas as pd
import pytest

from doe import Factor, InputError, Region, Response, charts, decision
from doe.analysis import fit
from doe.charts.text import text_width
from doe.charts.theme import SMALL
from doe.decision import best_setting

HERE = {"revolution": 1300.0, "rotation_ratio": 0.6, "time": 240.0}


def plain(figure) -> list[str]:
    return [a.text.replace("\u00a0", " ") for a in figure.layout.annotations]


def strokes(figure, i: int) -> list:
    n = "" if i == 0 else str(i + 1)
    return [t for t in figure.data if t.xaxis == f"x{n}" and (t.name or "").startswith("towards")]


def test_the_dot_and_its_intervals_are_the_fits_own():
    fits = list(cases.all_fits())
    figure = charts.leeway(fits, HERE)
    for i, f in enumerate(fits):
        own = f.predict(pd.DataFrame([HERE])).iloc[0]
        drawn = {t.name: t.x for t in figure.data if t.xaxis == f"x{'' if i == 0 else i + 1}"}
        np.testing.assert_allclose(drawn["prediction"], [own["mean"]])
        np.testing.assert_allclose(drawn["mean"], own[["mean_low", "mean_high"]].astype(float))
        np.testing.assert_allclose(drawn["one new run"], own[["low", "high"]].astype(float))


def test_bars_carry_every_mark_and_reach_the_ends_that_may_be_run():
    fits = list(cases.all_fits())
    figure = charts.leeway(fits, HERE)
    table = decision.leeway(fits, HERE)
    for i, f in enumerate(fits):
        own = table[table["response"] == f.response.name]
        ticks = [t for t in figure.data if t.xaxis == f"x{'' if i == 0 else i + 1}"
                 and t.name == "settings"]
        drawn = np.sort(np.concatenate([t.x for t in ticks]))
        np.testing.assert_allclose(drawn, np.sort(own["predicted"]), rtol=1e-9)
        assert len(strokes(figure, i)) == 6
        for name in f.region.names:
            values = own.loc[own["factor"] == name, "predicted"]
            spans = [(min(t.x), max(t.x)) for t in strokes(figure, i)]
            assert any(np.isclose(a, values.min(), rtol=1e-6) for a, _ in spans)
            assert any(np.isclose(b, values.max(), rtol=1e-6) for _, b in spans)


def test_ends_crossings_and_turns_carry_their_settings():
    said = plain(charts.leeway([cases.surface_fit()], HERE))
    for text in ("600 rpm", "1500 rpm", "0.2", "0.6923", "60 s", "300 s"):  # 900 / 0.6, 900 / 1300
        assert text in said
    f = cases.surface_fit()
    table = decision.leeway([f], HERE)
    for row in table[table["mark"] == "crossing"].itertuples():
        at = f.predict(pd.DataFrame([HERE | {row.factor: row.setting}]))["mean"].iloc[0]
        assert at == pytest.approx(30)
        assert any(t.startswith(f"{row.setting:.4g}") for t in said)


def test_the_longest_bar_comes_first_and_what_moves_nothing_is_said():
    f = cases.screening_fit(terms="revolution + time")
    figure = charts.leeway([f])
    said = plain(figure)
    assert "No effect in this model: rotation ratio and pressure" in said
    rows = [t for t in said if t.startswith(("revolution,", "time,"))]
    lengths = [np.ptp([v for t in pair for v in t.x]) for pair in
               (strokes(figure, 0)[:2], strokes(figure, 0)[2:])]
    assert lengths[0] > lengths[1]
    assert rows[0].startswith("time")


def test_what_is_outside_the_limits_is_shaded():
    fits = list(cases.all_fits())
    shapes = charts.leeway(fits, HERE).layout.shapes
    shaded = {s.xref: (s.x0, s.x1) for s in shapes if s.type == "rect"}
    assert [shaded[x][0] for x in ("x", "x2", "x3")] == [30, 1e-3, 38]
    assert all(far > limit for limit, far in shaded.values())


@pytest.mark.parametrize(("setting", "said"), [
    (HERE, "All 3 predictions meet their limits here"),
    ({"revolution": 600, "rotation_ratio": 0.2}, "Largest agglomerate and bubble fraction miss"),
    ({"revolution": 1600, "rotation_ratio": 0.8}, "This setting cannot be run")])
def test_the_title_is_the_verdict(setting, said):
    figure = charts.leeway(list(cases.all_fits()), setting)
    assert cases.plain_title(figure).startswith(said)


def test_both_are_said_of_two():
    figure = charts.leeway(list(cases.all_fits())[:2], HERE)
    assert cases.plain_title(figure) == "Both predictions meet their limits here"


def test_fits_must_go_together():
    with pytest.raises(InputError, match="another region"):
        charts.leeway([cases.surface_fit(), cases.screening_fit(cases.HEAT)])
    with pytest.raises(InputError, match="there are none"):
        charts.leeway([])


def many(responses: int, factors: int) -> list:
    """Quadratic fits whose bars turn, cross limits and run either way."""
    rng = np.random.default_rng(responses * 10 + factors)
    region = Region(tuple(Factor(f"x{i}", 10 * i, 10 * i + 25.5, unit="kPa",
                                 label=("degassing pressure", "speed", "rest")[i % 3] + f" {i}")
                          for i in range(factors)))
    coded = rng.uniform(-1, 1, (30 + 3 * factors, factors))
    data = region.decode(coded)
    out = []
    for r in range(responses):
        c, q = rng.normal(0, 3, factors), rng.normal(0, 2, factors)
        data[f"y{r}"] = 50 + coded @ c + coded**2 @ q + rng.normal(0, 0.3, len(data))
        out.append(fit(data, Response(f"y{r}", unit="µm", lower=44, upper=55,
                                      label=f"largest agglomerate after {r} days of storage"),
                       region, " + ".join(f"x{i} + I(x{i} ** 2)" for i in range(factors))))
    return out


@pytest.mark.parametrize("width", [640, 1100])
@pytest.mark.parametrize(("responses", "factors"), [(1, 1), (2, 8), (8, 3), (8, 8)])
def test_no_text_covers_another_or_leaves_the_figure(responses, factors, width):
    figure = charts.leeway(many(responses, factors), width=width)
    assert figure.layout.width == width
    room = width - figure.layout.margin.l - figure.layout.margin.r
    by_strip: dict[str, list] = {}
    for a in figure.layout.annotations:
        if a.xref == "paper" or "domain" in a.xref:
            continue
        low, high = figure.layout[a.xref.replace("x", "xaxis")].range
        at = (a.x - low) / (high - low) * room
        wide = text_width(a.text, SMALL)
        left = at - {"left": 0, "center": wide / 2, "right": wide}[a.xanchor]
        assert left >= -12
        assert left + wide <= room + 14, a.text
        by_strip.setdefault(a.xref, []).append((left, left + wide, a.y, a.text))
    # Beside a bar, texts stand off its ends; lines of text are 13 px apart, and letters 8 high.
    for texts in by_strip.values():
        for a, b in combinations(texts, 2):
            assert a[1] < b[0] + 1 or b[1] < a[0] + 1 or abs(a[2] - b[2]) >= 8, (a[3], b[3])


def test_levels_of_a_category_are_marked_by_name():
    f = cases.nasty_fit()
    figure = charts.leeway([f])
    assert any(t == "plain" for t in plain(figure))
    drawn = next(t for t in figure.data if t.name == "settings" and "diamond" in t.marker.symbol)
    table = pd.DataFrame([{"a": 0.5, "b": 0.5, "cup": v} for v in f.region["cup"].levels])
    np.testing.assert_allclose(drawn.x, f.predict(table)["mean"], rtol=1e-6)


# ---- one curve ------------------------------------------------------------------------------


def test_a_curve_is_the_prediction_with_both_intervals():
    f = cases.surface_fit()
    figure = charts.curve(f, "rotation_ratio", HERE)
    line = cases.trace(figure, "prediction")
    x, y = np.asarray(line.x, float), np.asarray(line.y, float)
    inside = x <= 900 / 1300 + 1e-9
    np.testing.assert_array_equal(np.isfinite(y), inside)
    own = f.predict(pd.DataFrame([HERE] * inside.sum()).assign(rotation_ratio=x[inside]))
    np.testing.assert_allclose(y[inside], own["mean"])
    for name, low, high in (("95\u00a0% interval, mean", "mean_low", "mean_high"),
                            ("95\u00a0% interval, one new run", "low", "high")):
        np.testing.assert_allclose(cases.trace(figure, name).y, [*own[low], *own[high][::-1]])
    at = cases.trace(figure, "present setting")
    np.testing.assert_allclose([at.x[0], at.y[0]],
                               [0.6, f.predict(pd.DataFrame([HERE]))["mean"].iloc[0]])
    assert cases.plain_title(figure) == (
        "Largest agglomerate crosses its limit at rotation ratio 0.3926")


def test_a_curve_over_a_category_has_a_mark_a_level():
    f = cases.nasty_fit()
    figure = charts.curve(f, "cup")
    assert len(cases.trace(figure, "prediction").y) == 2
    with pytest.raises(InputError, match="curve, factor"):
        charts.curve(f, "speed")


def test_what_cannot_be_run_is_said():
    line = cases.trace(charts.curve(cases.surface_fit(), "rotation_ratio", HERE), "prediction")
    last = np.asarray(line.x)[np.isfinite(np.asarray(line.y, float))][-1]
    assert last == pytest.approx(900 / 1300)  # up to the constraint itself
    figure = charts.curve(cases.surface_fit(), "revolution",
                          {"revolution": 1600, "rotation_ratio": 0.8})
    assert "Left out, as it cannot be run: revolution × rotation ratio ≤ 900" in (
        re.sub("<br>", " ", figure.layout.title.text))


# ---- conformance ----------------------------------------------------------------------------


def test_conformance_draws_the_recipes_own_numbers():
    fits = list(cases.all_fits())
    recipe = best_setting(fits)
    figure = charts.conformance(recipe, fits)
    drawn = [tuple(t.x) for t in figure.data]
    for i, row in enumerate(recipe.table.itertuples()):
        assert drawn[3 * i] == (row.low, row.high)
        assert drawn[3 * i + 1] == (row.mean_low, row.mean_high)
        assert drawn[3 * i + 2] == (row.predicted,)
    assert sorted(s.x0 for s in figure.layout.shapes if s.type == "line") == [1e-3, 30, 38]
    shaded = [s for s in figure.layout.shapes if s.type == "rect"]
    assert len(shaded) == 3
    assert all(s.x1 > s.x0 for s in shaded)  # upper limits: beyond is to the right

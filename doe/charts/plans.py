"""What a plan covers and what it can tell, before any run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from doe import wording
from doe.charts.contours import SIDE, draw_levels, near, plane_axes
from doe.charts.marks import excluded_area, legend_height, legend_mark, run_marks
from doe.charts.plane import Plane
from doe.charts.scales import number, say_setting
from doe.charts.text import BREAK, bold, escape, wrap
from doe.charts.theme import COLOUR_SCALE, INK, SERIES, SMALL, WIDE, WIDTH, dress
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning.aliases import column_labels
from doe.planning.appraisal import prediction_variance
from doe.terms import Term, model_matrix

__all__ = ["column_correlation", "plan_map", "precision_map"]

_KINDS = dict(zip(("factorial", "centre", "axial", "edge", "added", "shell"), SERIES,
                  strict=True))
_SAME = 0.02  # half-ranges within which two runs count as one setting
_FULL, _NOTED = 0.995, 0.1  # correlations told apart from a full alias, and from none


def plan_map(plan) -> go.Figure:
    """The runs of a plan for every pair of factors; larger marks are several runs.

    Parameters
    ----------
    plan : doe.planning.plan.Plan
    """
    factors = plan.region.factors
    if len(factors) == 1:
        return _one_factor(plan)
    side = len(factors) - 1
    width = WIDTH if side <= 4 else WIDE
    figure = make_subplots(side, side, shared_xaxes=True, shared_yaxes=True,
                           horizontal_spacing=0.12 / side, vertical_spacing=0.12 / side,
                           specs=[[{} if c <= r else None for c in range(side)]
                                  for r in range(side)])
    shown: set[str] = set()
    room = (width - 110) / side - 8
    for r in range(side):
        for c in range(r + 1):
            x, y = factors[c], factors[r + 1]
            _excluded(figure, plan.region, x, y, r + 1, c + 1)
            _cloud(figure, plan, x, y, r + 1, c + 1, shown, room)
    figure.update_xaxes(ticks="")
    figure.update_yaxes(ticks="")
    for i in range(side):
        _edge_axis(figure.update_xaxes, factors[i], room, row=side, col=i + 1)
        _edge_axis(figure.update_yaxes, factors[i + 1], room, row=i + 1, col=1)
        figure.update_xaxes(range=_span(factors[i]), col=i + 1, showgrid=False)
        figure.update_yaxes(range=_span(factors[i + 1]), row=i + 1, showgrid=False)
    title, subtitle = _map_finding(plan)
    height = round(90 + (width - 110) / side * side * (0.82 if side < 4 else 0.9))
    return dress(figure, title, subtitle, width=width, height=height,
                 above=legend_height(figure, width - 120))


def _one_factor(plan) -> go.Figure:
    factor = plan.region.factors[0]
    values = plan.runs[factor.name]
    figure = go.Figure(go.Scatter(
        x=values if factor.is_numeric else [escape(v) for v in values], y=plan.runs["run"],
        mode="markers", marker={"size": 9, "color": SERIES[0].colour}, cliponaxis=False,
        hovertemplate="run %{y}: %{x} " + escape(factor.unit) + "<extra></extra>"))
    figure.update_xaxes(title_text=wrap(factor.title, WIDTH - 100))
    figure.update_yaxes(title_text="place in run order")
    title, subtitle = _map_finding(plan)
    return dress(figure, title, subtitle, height=340)


def _cloud(figure: go.Figure, plan, x: Factor, y: Factor, row: int, col: int, shown: set[str],
           room: float) -> None:
    table = plan.runs[["run", "point", x.name, y.name]].copy()
    for f in (x, y):
        table[f"{f.name} key"] = (np.round(f.code(table[f.name]) / _SAME) if f.is_numeric
                                  else table[f.name])
    groups = table.groupby(["point", f"{x.name} key", f"{y.name} key"], sort=False)
    for point in dict.fromkeys(table["point"]):
        style, rows = _KINDS[point], []
        for (kind, _, _), part in groups:
            if kind == point:
                first = part.iloc[0]
                rows.append((first[x.name], first[y.name], len(part), BREAK.join([
                    bold("run " + ", ".join(map(str, sorted(part["run"])))),
                    *(escape(say_setting(f, first[f.name])) for f in (x, y))])))
        across, up, count, text = zip(*rows, strict=True)
        base = min(9.0, max(5.0, room / 16))
        figure.add_trace(go.Scatter(
            x=across if x.is_numeric else [escape(v) for v in across],
            y=up if y.is_numeric else [escape(v) for v in up], mode="markers", text=text,
            hovertemplate="%{text}<extra></extra>", cliponaxis=False, showlegend=False,
            marker={"symbol": style.symbol, "color": style.colour, "opacity": 1,
                    "size": base * np.sqrt(1 + 0.6 * (np.array(count) - 1)),
                    "line": {"color": "white", "width": 1}}), row, col)
        if point not in shown:
            shown.add(point)
            legend_mark(figure, _POINT_NAMES[point], mode="markers", marker={
                "symbol": style.symbol, "color": style.colour, "size": 9})


_POINT_NAMES = {"factorial": "corners", "centre": "centre", "axial": "axial", "edge": "mid-edges",
                "added": "added", "shell": "on the shell"}


def _excluded(figure: go.Figure, region: Region, x: Factor, y: Factor, row: int, col: int) -> None:
    """Hatch what constraints between these two factors alone exclude."""
    own = tuple(c for c in region.constraints if set(c.names) <= {x.name, y.name})
    if own and x.is_numeric and y.is_numeric:
        pair = Region((x, y), own)
        excluded_area(figure, Plane.through(pair, x.name, y.name, count=31), row=row, col=col,
                      legend=not any(t.name == "cannot be run" for t in figure.data))


def _span(factor: Factor) -> list[float]:
    if not factor.is_numeric:
        return [-0.5, len(factor.levels) - 0.5]
    edge = 0.14 * (factor.high - factor.low)
    return [factor.low - edge, factor.high + edge]


def _edge_axis(update, factor: Factor, room: float, **place) -> None:
    """Title and end ticks on the outer axis of a row or column."""
    axis = {"title_text": wrap(factor.title, room, SMALL, most=3), "title_font_size": SMALL,
            "tickfont_size": SMALL, "ticks": "outside"}
    if factor.is_numeric:
        ticks = list(factor.levels) if 0 < len(factor.levels) <= 3 else [factor.low, factor.high]
        axis |= {"tickvals": ticks, "ticktext": [number(v) for v in ticks]}
    else:
        axis |= {"type": "category", "tickvals": [escape(v) for v in factor.levels],
                 "ticktext": [wrap(v, room / len(factor.levels), SMALL, most=2)
                              for v in factor.levels]}
    update(**axis, **place)


def _map_finding(plan) -> tuple[str, str]:
    keys = pd.DataFrame({f.name: np.round(f.code(plan.runs[f.name]) / _SAME) if f.is_numeric
                         else plan.runs[f.name] for f in plan.region.factors})
    sizes = keys.groupby(list(keys.columns), sort=False).size()
    centre = int((plan.runs["point"] == "centre").sum())
    title = (f"{wording.count(len(plan.runs), 'run')} at "
             f"{wording.count(len(sizes), 'different setting')}")
    if centre > 1:
        title += f", {centre} of them at the centre"
    elif sizes.max() > 1:
        title += f", {int((sizes > 1).sum())} of them repeated"
    order = "as given" if plan.family == "given" else f"drawn with seed {plan.seed}"
    said = [f"{wording.capitalise(plan.family)} in {wording.count(len(plan.region), 'factor')}; "
            f"run order {order}. Larger marks: several runs."]
    return title, " ".join(said)


def column_correlation(plan, terms: Sequence[Term] | None = None) -> go.Figure:
    """How far the columns of a model go together over the runs; 1 cannot be told apart.

    Parameters
    ----------
    plan : doe.planning.plan.Plan
    terms : sequence of Term, optional
        By default those of the plan and all two-factor interactions, so that aliases of
        the model with what it leaves out can be seen.

    Raises
    ------
    InputError
        If fewer than two columns vary over the runs.
    """
    region = plan.region
    if terms is None:
        pairs = [Term(a, b) for a, b in combinations(region.names, 2)]
        terms = list(dict.fromkeys([*plan.terms, *pairs]))
    terms = sorted((t for t in terms if t.powers), key=lambda t: t.order)
    columns = model_matrix(region, plan.settings, terms)
    spread = columns.std(ddof=0)
    still = [c for c in columns if spread[c] < 1e-9]
    columns = columns.drop(columns=still)
    if columns.shape[1] < 2:
        raise InputError("plan, terms", [str(t) for t in terms], "fewer than two columns vary over "
                         "the runs", "Give more terms")
    r = np.corrcoef(columns.to_numpy(), rowvar=False)
    n = len(r)
    names = [column_labels(region, terms)[c] for c in columns]
    below = np.tril(np.ones((n, n), bool), -1)
    size = np.where(below, np.abs(r), np.nan)
    cell = min(34.0, 430.0 / n)
    numbered = [f"{i + 1}  {name}" for i, name in enumerate(names)]
    column = 250
    figure = go.Figure(go.Heatmap(
        x=np.arange(n), y=np.arange(n), z=size, zmin=0, zmax=1, colorscale=COLOUR_SCALE,
        xgap=1, ygap=1, hoverongaps=False, customdata=_pair_texts(names, r),
        hovertemplate="%{customdata}<extra></extra>",
        text=np.where(below & (np.abs(r) >= _NOTED), np.vectorize(_short)(r), ""),
        texttemplate="%{text}" if cell >= 22 else None, textfont={"size": SMALL, "color": INK},
        colorbar={"title": {"text": "size of correlation", "side": "right",
                            "font": {"size": SMALL + 1}}, "thickness": 12, "outlinewidth": 0,
                  "tickvals": [0, 0.5, 1], "len": 0.8}))
    figure.update_xaxes(tickvals=np.arange(n - 1), ticktext=[str(i + 1) for i in range(n - 1)],
                        showgrid=False, range=[-0.5, n - 1.5], tickfont_size=SMALL, ticks="",
                        showline=False, tickangle=0)
    figure.update_yaxes(tickvals=np.arange(n), range=[n - 0.5, -0.5], ticks="", showgrid=False,
                        ticktext=[wrap(t, column, SMALL, most=1) for t in numbered],
                        tickfont_size=SMALL, showline=False)
    title, subtitle = _correlation_finding(names, r, still, column_labels(region, terms))
    tall = max(17.0, cell)
    return dress(figure, title, subtitle, height=round(60 + tall * n),
                 width=WIDTH if n <= 16 else WIDE)


def _short(value: float) -> str:
    text = wording.fixed(value, 1 if abs(value) < _FULL else 0)
    return text.replace("0.", ".")


def _pair_texts(names: list[str], r: np.ndarray) -> np.ndarray:
    return np.array([[f"{escape(a)}{BREAK}{escape(b)}{BREAK}correlation {wording.fixed(v, 2)}"
                      for b, v in zip(names, row, strict=True)]
                     for a, row in zip(names, r, strict=True)], object)


def _correlation_finding(names: list[str], r: np.ndarray, still: list[str],
                         labels: Mapping[str, str]) -> tuple[str, str]:
    i, j = np.tril_indices(len(r), -1)
    size = np.abs(r[i, j])
    full = int((size >= _FULL).sum())
    k = int(size.argmax())
    pair = f"{names[j[k]]} and {names[i[k]]}"
    if full:
        title = (f"{wording.capitalise(names[j[k]])} cannot be told from {names[i[k]]}"
                 + (f"; {full - 1} more {'pair' if full == 2 else 'pairs'} likewise"
                    if full > 1 else ""))
    elif size[k] < 0.005:
        title = "No two terms go together: each effect is estimated free of the others"
    else:
        title = (f"No two terms are aliased; {pair} go together most, with a correlation of "
                 f"{wording.fixed(r[i[k], j[k]], 2)}")
    said = [f"Correlation of model columns over the runs, sizes from {_NOTED:g} written in."]
    if still:
        said.append(f"Not drawn, as the runs do not vary it: "
                    f"{wording.join(labels[c] for c in still)}.")
    return title, " ".join(said)


def precision_map(plan, x: str, y: str, fixed: Mapping | None = None, *,
                        terms: Sequence[Term] | None = None, count: int = 61) -> go.Figure:
    """Standard error of a predicted mean over two factors, in standard deviations of a run.

    Parameters
    ----------
    plan : doe.planning.plan.Plan
    x, y : str
        Names of two numeric factors.
    fixed : mapping, optional
        Settings of the others; mid-range where not given.
    terms : sequence of Term, optional
        The model; the plan's own if not given.
    count : int
        Grid points along each axis.

    Raises
    ------
    InputError
        If a factor or setting cannot be used, or the runs determine no prediction here.
    """
    plane = Plane.through(plan.region, x, y, fixed, count)
    variance = plane.shape(prediction_variance(plan, plane.settings(), terms))
    error = np.where(near(plane.allowed()), np.sqrt(variance), np.nan)
    inside = np.where(plane.allowed(), error, np.nan)
    if np.isnan(inside).all():
        raise InputError("plan, terms", [str(t) for t in terms or plan.terms],
                         "the runs do not determine predictions on this plane",
                         "Leave out terms that cannot be estimated")
    figure = go.Figure()
    draw_levels(figure, plane, error, label="standard error of the predicted mean",
                unit="standard deviations of a run")
    excluded_area(figure, plane)
    texts = [bold(f"Run {run}") for run in plan.runs["run"]]
    run_marks(figure, plane, plan.runs, texts)
    plane_axes(figure, plane)
    low, high = float(np.nanmin(inside)), float(np.nanmax(inside))
    row, column = np.unravel_index(np.nanargmax(inside), inside.shape)
    where = wording.join([say_setting(plane.x, plane.xs[column]),
                          say_setting(plane.y, plane.ys[row])])
    if high < 1.005 * low:
        title = f"A predicted mean has {wording.digits(low, 2)} standard deviations of a run " \
                "as its standard error all over this plane"
    else:
        title = (f"Predictions are {wording.digits(high / low, 2)} times less certain at {where} "
                 "than where they are best")
    held = f"{plane.held_text}. " if plane.held_text else ""
    return dress(figure, title, f"{held}{wording.capitalise(plan.family)}, "
                 f"{wording.count(len(plan.runs), 'run')}.", height=SIDE + 60,
                 above=legend_height(figure, WIDTH - 190))

"""Marks that several charts share: runs, limits, excluded areas, legend entries."""

from __future__ import annotations

from html import unescape
from typing import NamedTuple

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe.charts.plane import Plane
from doe.charts.scales import number, quantity
from doe.charts.text import BREAK, bold, escape, lines, text_width
from doe.charts.theme import GREY, INK, PALE, SHADE, SMALL, WIDTH
from doe.responses import Response
from doe.wording import capitalise

__all__ = ["HIGH", "LOW", "STRIP_MARKS", "Limit", "excluded_area", "interval_marks",
           "legend_height", "legend_mark", "limit_lines", "outside", "run_marks",
           "run_texts", "strip_heading"]

_ROW = 21  # px a legend row takes at its font size

# Towards a factor's low, and its high: apart by width and by lightness.
LOW = {"color": PALE, "width": 3}
HIGH = {"color": INK, "width": 7}

_PLAIN = {"width": 0, "color": INK}
STRIP_MARKS = {
    "end": {"symbol": "circle", "size": 4, "color": INK, "line": _PLAIN},
    "cut": {"symbol": "line-ns", "size": 8, "color": INK, "line": {"width": 3, "color": INK}},
    "crossing": {"symbol": "circle", "size": 8, "color": "white",
                 "line": {"width": 1.5, "color": INK}},
    "turn": {"symbol": "line-ns", "size": 6, "color": INK, "line": {"width": 1.5, "color": INK}},
    "level": {"symbol": "diamond", "size": 8, "color": INK, "line": _PLAIN},
}


class Limit(NamedTuple):
    """A specification limit as it is drawn."""

    value: float
    text: str
    dash: str


def limit_lines(response: Response) -> list[Limit]:
    """The specification limits, lower first: value, words, dash."""
    out = []
    for side, value, dash in (("lower", response.lower, "dot"), ("upper", response.upper, "dash")):
        if value is not None:
            out.append(Limit(value, f"{side} limit {number(value)} {response.unit}".strip(), dash))
    return out


def outside(response: Response, axis: dict, **place) -> list[dict]:
    """Shapes that shade, along an axis from `value_axis`, what is outside the limits, and draw
    the limits that are in sight.

    Parameters
    ----------
    place
        ``xref`` and ``yref`` of the shapes, the second a panel's domain.
    """
    edges = [10.0**v for v in axis["range"]] if axis["type"] == "log" else axis["range"]
    out: list[dict] = []
    for limit, far in ((response.lower, edges[0]), (response.upper, edges[1])):
        if limit is None:
            continue
        near = min(max(limit, edges[0]), edges[1])
        across = {"y0": 0, "y1": 1, "layer": "below", **place}
        if near != far:
            out.append({"type": "rect", "x0": near, "x1": far, "fillcolor": SHADE,
                        "line": {"width": 0}, **across})
        if near == limit:
            out.append({"type": "line", "x0": limit, "x1": limit,
                        "line": {"color": GREY, "width": 1.5}, **across})
    return out


def interval_marks(at: pd.Series, y: float, hover: str) -> list[go.Scatter]:
    """A prediction as a dot on the interval of its mean, thick, and that of one new run, thin.

    Parameters
    ----------
    at : Series
        ``mean, mean_low, mean_high, low, high``; an interval that is not known is not drawn.
    """
    out = []
    for name, low, high, width in (("one new run", at["low"], at["high"], 1.5),
                                   ("mean", at["mean_low"], at["mean_high"], 6)):
        if np.isfinite([low, high]).all():
            out.append(go.Scatter(x=[low, high], y=[y, y], mode="lines", hoverinfo="skip",
                                  line={"color": INK, "width": width}, name=name))
    out.append(go.Scatter(x=[at["mean"]], y=[y], mode="markers", name="prediction",
                          marker={"symbol": "circle", "size": 12, "color": INK,
                                  "line": {"color": "white", "width": 1.5}},
                          text=[hover], hovertemplate="%{text}<extra></extra>"))
    return out


def strip_heading(response: Response, room: float) -> str:
    """The response in bold and what is wanted of it, on one line of `room` px."""
    size = SMALL + 1
    wanted = "" if response.specification == "no limits" else response.specification
    rest = text_width(wanted, size) + 24 if wanted else 0
    name = lines(capitalise(response.title), max(room - rest, 0.6 * room) / 1.08, size, most=1)[0]
    return f"<b>{name}</b>" + (f"\u2002·\u2002{escape(wanted)}" if wanted else "")


def legend_mark(figure: go.Figure, name: str, **style) -> None:
    """An entry in the legend for a mark that plotly has no entry of its own for."""
    figure.add_trace(go.Scatter(x=[None], y=[None], name=name, hoverinfo="skip", **style))


def legend_height(figure: go.Figure, room: float = WIDTH - 100) -> int:
    """Height in px that the legend above the plot takes, `room` px wide."""
    names = [t.name or "" for t in figure.data if t.showlegend is not False]
    if not names:
        return 12
    entries = [44 + text_width(unescape(n), SMALL + 1) for n in names]
    rows = 1 if sum(entries) <= room else -(-len(names) // max(1, int(room // max(entries))))
    return 12 + _ROW * rows


def run_texts(fit, data: pd.DataFrame | None = None) -> list[str]:
    """What hovering over each run says: number, settings, measurement; escaped."""
    data = fit.data if data is None else data
    names = data["run"] if "run" in data else range(1, len(data) + 1)
    out = []
    for run, row in zip(names, data.to_dict("records"), strict=True):
        rows = [bold(f"Run {run}")]
        for f in fit.region.factors:
            value = row[f.name]
            shown = number(value) if f.is_numeric else value
            rows.append(escape(f"{f.label}: {shown} {f.unit}".strip()))
        measured = quantity(row[fit.response.name], fit.response.unit)
        out.append(BREAK.join([*rows, escape(f"{fit.response.label}: {measured}, measured")]))
    return out


def run_marks(figure: go.Figure, plane: Plane, data: pd.DataFrame, texts: list[str]) -> None:
    """The runs on a plane: filled where made at the held settings, open where made at others."""
    here = plane.at_held(data)
    for keep, name, symbol in ((here, "run on this plane", "circle"),
                               (~here, "run elsewhere", "circle-open")):
        name = "run" if not plane.others else name
        if not keep.any():
            continue
        figure.add_trace(go.Scatter(
            x=data[plane.x.name][keep], y=data[plane.y.name][keep], mode="markers", name=name,
            text=[t for t, k in zip(texts, keep, strict=True) if k],
            hovertemplate="%{text}<extra></extra>", cliponaxis=False,
            marker={"symbol": symbol, "size": 9, "color": INK,
                    "line": {"color": "white" if symbol == "circle" else INK, "width": 1.5}}))


def excluded_area(figure: go.Figure, plane: Plane, *, row: int | None = None,
                  col: int | None = None, legend: bool = True) -> None:
    """Hatch what the constraints exclude, with their reasons on hovering."""
    if not plane.region.constraints:
        return
    x = np.linspace(plane.x.low, plane.x.high, 4 * len(plane.xs) + 1)
    low, high = plane.allowed_band(x)
    why = escape("cannot be run: " + "; ".join(plane.reasons()))
    # Where a column has nothing that may be run, the upper area takes all of it.
    for edge, end, other in ((high, plane.y.high, plane.y.low), (low, plane.y.low, plane.y.low)):
        edge = np.where(np.isnan(edge), other, edge)
        out = np.flatnonzero(np.abs(edge - end) > 1e-9 * plane.y.half_range)
        for part in np.split(out, np.flatnonzero(np.diff(out) > 1) + 1):
            if not len(part):
                continue
            i, j = max(part[0] - 1, 0), min(part[-1] + 2, len(x))
            figure.add_trace(go.Scatter(
                x=[*x[i:j], *x[i:j][::-1]], y=[*edge[i:j], *np.full(j - i, end)],
                fill="toself", mode="lines", line={"color": GREY, "width": 1.5},
                name="cannot be run", text=why, hoveron="fills", hoverinfo="text",
                showlegend=legend, fillcolor="white",
                fillpattern={"shape": "/", "fgcolor": GREY, "bgcolor": "white", "size": 7,
                             "solidity": 0.12}), row, col)
            legend = False

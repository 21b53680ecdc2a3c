"""Marks that several charts share: runs, limits, excluded areas, legend entries."""

from __future__ import annotations

from html import unescape
from typing import NamedTuple

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe.charts.plane import Plane
from doe.charts.scales import number, quantity
from doe.charts.text import BREAK, bold, escape, text_width
from doe.charts.theme import GREY, INK, SMALL, WIDTH
from doe.responses import Response

__all__ = ["Limit", "excluded_area", "legend_height", "legend_mark",
           "limit_lines", "run_marks", "run_texts"]

_ROW = 21  # px a legend row takes at its font size


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

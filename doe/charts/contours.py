"""Filled levels over a plane with inline labels: the body of every contour chart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go

from doe.charts.marks import Limit, legend_mark
from doe.charts.plane import Plane
from doe.charts.scales import factor_axis, hover_format, levels, log_levels, number
from doe.charts.text import BREAK, escape, wrap
from doe.charts.theme import COLOUR_SCALE, GREY, INK, RED, SMALL

__all__ = ["CHOSEN", "SIDE", "draw_levels", "mark_chosen", "near", "plane_axes", "plane_hover"]

CHOSEN = "chosen setting"

SIDE = 440  # px of the plot's shorter side, about
_WIDE_RATIO = 8.0


def near(allowed: np.ndarray) -> np.ndarray:
    """What may be run and one cell around it, so that lines reach the edge of the region;
    the hatched area covers that cell."""
    grown, out = np.pad(allowed, 1), np.zeros_like(allowed)
    for i in range(3):
        for j in range(3):
            out |= grown[i:i + allowed.shape[0], j:j + allowed.shape[1]]
    return out


def plane_axes(figure: go.Figure, plane: Plane) -> None:
    """Both factors' axes with titles, a little wider than the ranges so that no mark is cut."""
    for axes, factor, room in ((figure.update_xaxes, plane.x, SIDE),
                               (figure.update_yaxes, plane.y, SIDE - 60)):
        edge = 0.03 * (factor.high - factor.low)
        axes(title_text=wrap(factor.title, room), range=[factor.low - edge, factor.high + edge],
             showgrid=False, **factor_axis(factor))


def plane_hover(plane: Plane, label: str, unit: str, value: str) -> str:
    """Hover template: both settings and a value, given as a plotly mark such as ``%{z}``."""
    rows = [(plane.x.label, "%{x:.4~r}", plane.x.unit), (plane.y.label, "%{y:.4~r}", plane.y.unit),
            (label, value, unit)]
    return BREAK.join(f"{escape(name)}: {mark} {escape(u)}".strip() for name, mark, u in rows) \
        + "<extra></extra>"


def draw_levels(figure: go.Figure, plane: Plane, values: np.ndarray, *, label: str,
                unit: str = "", log: bool = False, limits: Sequence[Limit] = ()) -> None:
    """Fill between round levels, draw their lines with inline labels, then the limits' lines.

    Parameters
    ----------
    values : ndarray, shape (m, n)
        On the plane's grid; missing where nothing is to be drawn, but not everywhere.
    label, unit : str
        Of the values; plain text.
    log : bool
        Levels on a log scale, if the values span enough for it.
    limits : sequence of Limit
        Those inside the range of the values get a line, a label and a legend entry.
    """
    low, high = float(np.nanmin(values)), float(np.nanmax(values))
    wide = log and low > 0 and high / low > _WIDE_RATIO
    at = log_levels(low, high) if wide else levels(low, high)
    step = at[1] - at[0] if len(at) > 1 else 1.0
    shown = hover_format(values)
    title = f"{label} ({unit})" if unit else label
    bar = {"title": {"text": wrap(title, 320), "side": "right", "font": {"size": SMALL + 2}},
           "thickness": 12, "outlinewidth": 0, "len": 1, "ticks": ""}
    common = {"x": plane.xs, "y": plane.ys, "showlegend": False, "name": escape(label)}
    if wide:
        place = np.interp(np.log(values), np.log(at), np.arange(len(at)))
        figure.add_trace(go.Contour(
            **common, z=place, customdata=values, colorscale=COLOUR_SCALE,
            colorbar=bar | {"tickvals": list(range(len(at))), "ticktext": [number(v) for v in at]},
            contours={"start": 0, "end": len(at) - 1, "size": 1, "showlines": False},
            hovertemplate=plane_hover(plane, label, unit, "%{customdata:" + shown + "}")))
    else:
        figure.add_trace(go.Contour(
            **common, z=values, colorscale=COLOUR_SCALE, colorbar=bar,
            contours={"start": at[0], "end": at[-1], "size": step, "showlines": False},
            hovertemplate=plane_hover(plane, label, unit, "%{z:" + shown + "}")))
    limits = [n for n in limits if low <= n.value <= high]
    text = _label_format([*at, *(n.value for n in limits)])
    # Single precision is ample for lines, and halves what a report has to carry.
    common |= {"z": values.astype(np.float32), "showscale": False, "hoverinfo": "skip"}

    def line(start: float, end: float, style: dict, labels: bool = True) -> None:
        figure.add_trace(go.Contour(
            **common, line=style,
            contours={"coloring": "none", "start": start, "end": end, "size": step,
                      "showlabels": labels, "labelformat": text,
                      "labelfont": {"size": SMALL, "color": INK}}))

    for part in _parts(at, [n.value for n in limits], even=not wide):
        line(part[0], part[-1], {"color": GREY, "width": 1})
    for limit in limits:
        style = {"color": RED, "width": 3, "dash": limit.dash}
        # The white edge keeps the line apart from the fill, which in grey is as dark.
        line(limit.value, limit.value, {"color": "white", "width": 6}, labels=False)
        line(limit.value, limit.value, style)
        legend_mark(figure, escape(limit.text), mode="lines", line=style)


def mark_chosen(figure: go.Figure, plane: Plane, setting: Mapping) -> None:
    """A dark ring with its words at a setting; the white edge keeps it apart from the fill."""
    x, y = (float(setting[f.name]) for f in (plane.x, plane.y))
    for colour, width in (("white", 7), (INK, 3)):
        figure.add_trace(go.Scatter(
            x=[x], y=[y], mode="markers", name=CHOSEN, showlegend=False, hoverinfo="skip",
            cliponaxis=False, marker={"symbol": "circle-open", "size": 20, "color": colour,
                                      "line": {"width": width}}))
    left = x <= plane.x.centre
    figure.add_annotation(x=x, y=y, text=CHOSEN, showarrow=False, xshift=16 if left else -16,
                          xanchor="left" if left else "right", bgcolor="rgba(255,255,255,0.9)",
                          borderpad=2, font={"size": SMALL + 1, "color": INK})


def _parts(at: list[float], limits: list[float], even: bool) -> list[list[float]]:
    """Levels split where a limit's own line takes a level's place; one by one unless `even`."""
    parts: list[list[float]] = [[]]
    gap = min(np.diff(at), default=1.0)
    for level in at:
        if any(abs(level - n) < 0.2 * gap for n in limits):
            parts.append([])
        elif even:
            parts[-1].append(level)
        else:
            parts.append([level])
    return [part for part in parts if part]


def _label_format(at: list[float]) -> str:
    """A d3 format that tells these levels apart without surplus digits."""
    sizes = [abs(v) for v in at if v]
    if not sizes or max(sizes) >= 1e5 or max(sizes) < 1e-3:
        return ".3~e"
    decimals = next((d for d in range(5) if all(abs(v - round(v, d)) <= 1e-3 * abs(v)
                                                for v in at)), 4)
    return f".{decimals}~f"

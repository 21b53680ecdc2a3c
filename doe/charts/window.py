"""The operating window: where several responses meet their specifications together."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import plotly.graph_objects as go

from doe import wording
from doe.charts.contours import SIDE, mark_chosen, near, plane_axes
from doe.charts.marks import Limit, excluded_area, legend_height, legend_mark, limit_lines
from doe.charts.plane import Plane
from doe.charts.scales import hover_format
from doe.charts.text import BREAK, bold, escape
from doe.charts.theme import BLUE, GREY, SERIES, dress, tint
from doe.errors import InputError

__all__ = ["operating_window"]

_MEAN, _RUN, _BOTH = tint(BLUE, 0.20), tint(BLUE, 0.30), tint(BLUE, 0.44)  # laid over each other
_LINES = (SERIES[1], SERIES[3], SERIES[2], *SERIES[4:])  # blue is the window's own


def operating_window(window, fits: Sequence, *, setting: Mapping | None = None) -> go.Figure:
    """Limits of every response over two factors; where all are met is shaded.

    Light: every predicted mean is within its limits. Dark: so is the interval for one run.

    Parameters
    ----------
    window : doe.decision.window.OperatingWindow
    fits : sequence of Fit
        Those it was computed from.
    setting : mapping, optional
        A setting to mark, e.g. ``recipe.settings``.

    Raises
    ------
    InputError
        If a response of the fits is not in the window.
    """
    responses = [f.response for f in fits]
    for response in responses:
        if response.name not in window.table:
            raise InputError("fits, response", response.name, "the window does not hold it",
                             "Give the fits that the window was computed from")
    # A nuisance factor that the window is averaged over has no setting in it.
    shown = (window.x, window.y, *window.fixed)
    plane = _plane(window, fits[0].region.replace(
        [f for f in fits[0].region.factors if f.name in shown]))
    allowed = plane.allowed()
    grid = {name: np.where(near(allowed), window.table[name].to_numpy(float)
                           .reshape(window.shape).T, np.nan)
            for r in responses for name in (r.name, f"{r.name}_low", f"{r.name}_high")}
    figure = go.Figure()
    limited = [r for r in responses if limit_lines(r)]
    _shade(figure, plane, _spare(limited, grid, "", ""), _MEAN, _MEAN, "every mean within limits")
    runs = _spare(limited, grid, "_low", "_high")
    if np.isfinite(runs).any():
        _shade(figure, plane, runs, _RUN, _BOTH, f"every {100 * window.level:g}\u00a0% interval "
                                                 "for one run within limits")
    drawn = [(r, n) for r in limited for n in limit_lines(r)
             if np.nanmin(grid[r.name]) <= n.value <= np.nanmax(grid[r.name])]
    for i, (response, limit) in enumerate(drawn):
        _boundary(figure, plane, response, limit, grid[response.name], _LINES[i % len(_LINES)])
    figure.add_trace(_hover(plane, responses, grid, allowed))
    excluded_area(figure, plane)
    if setting is not None:
        mark_chosen(figure, plane, setting)
    plane_axes(figure, plane)
    title, subtitle = _finding(window, limited, plane, setting)
    return dress(figure, title, subtitle, height=SIDE + 60, above=legend_height(figure))


def _plane(window, region) -> Plane:
    plane = Plane.through(region, window.x, window.y, window.fixed)
    first, second = (np.unique(window.table[n].to_numpy(float)) for n in (window.x, window.y))
    return Plane(region, plane.x, plane.y, plane.held | window.fixed, first, second)


def _spare(responses: Sequence, grid: Mapping, low: str, high: str) -> np.ndarray:
    """Least distance to a limit among all responses, each in its own scale; below 0 outside."""
    out = np.full_like(next(iter(grid.values())), np.inf)
    for r in responses:
        scale = np.log if r.scale == "log" else np.asarray
        unit = np.nanstd(scale(grid[r.name])) or 1.0
        for limit, end, side in ((r.lower, low, 1), (r.upper, high, -1)):
            if limit is None:
                continue
            bound = float(scale(limit)) if r.scale != "log" or limit > 0 else -np.inf
            out = np.minimum(out, side * (scale(grid[r.name + end]) - bound) / unit)
    return out


def _shade(figure: go.Figure, plane: Plane, spare: np.ndarray, colour: str, seen: str,
           name: str) -> None:
    """Shade where there is room to spare; `seen` is the colour it comes to over what is below."""
    if not (spare >= 0).any():
        return
    figure.add_trace(go.Contour(
        x=plane.xs, y=plane.ys, z=np.minimum(spare, 1e3), showscale=False, hoverinfo="skip",
        showlegend=False, name=name, fillcolor=colour, line={"width": 0},
        contours={"type": "constraint", "operation": "<", "value": 0}))
    legend_mark(figure, name, mode="markers", marker={"symbol": "square", "size": 13,
                                                      "color": seen,
                                                      "line": {"color": GREY, "width": 1}})


def _boundary(figure: go.Figure, plane: Plane, response, limit: Limit, mean: np.ndarray,
              style) -> None:
    line = {"color": style.colour, "width": 2.5, "dash": style.dash}
    figure.add_trace(go.Contour(
        x=plane.xs, y=plane.ys, z=mean, showscale=False, showlegend=False, hoverinfo="skip",
        name=escape(response.label), line=line,
        contours={"coloring": "none", "start": limit.value, "end": limit.value, "size": 1}))
    legend_mark(figure, escape(f"{response.label}, {limit.text}"), mode="lines", line=line)


def _hover(plane: Plane, responses: Sequence, grid: Mapping, allowed: np.ndarray) -> go.Heatmap:
    """An invisible sheet that tells every prediction under the pointer, and what is wanted."""
    rows = [f"{escape(f.label)}: %{{{axis}:.4~r}} {escape(f.unit)}".strip()
            for f, axis in ((plane.x, "x"), (plane.y, "y"))]
    for k, r in enumerate(responses):
        wanted = f" ({escape(r.specification)})" if limit_lines(r) else ""
        rows.append(f"{bold(r.label)}: %{{customdata[{k}]:{hover_format(grid[r.name])}}} "
                    f"{escape(r.unit)}{wanted}")
    # Five digits are ample to read, and a report carries the numbers as text.
    values = [[[float(f"{grid[r.name][i, j]:.5g}") for r in responses] if allowed[i, j] else None
               for j in range(len(plane.xs))] for i in range(len(plane.ys))]
    return go.Heatmap(x=plane.xs, y=plane.ys, z=np.where(allowed, 0.0, np.nan), customdata=values,
                      colorscale=[[0, "rgba(0,0,0,0)"], [1, "rgba(0,0,0,0)"]], showscale=False,
                      hovertemplate=BREAK.join(rows) + "<extra></extra>", name="predictions",
                      hoverongaps=False, showlegend=False)


def _finding(window, limited: Sequence, plane: Plane, setting: Mapping | None) -> tuple[str, str]:
    n = len(limited)
    every = "The specification is" if n == 1 else f"All {n} specifications are"
    if not n:
        title = "No response has specification limits, so the whole plane is open"
    elif window.share == 0:
        none = [r.label for r in limited if window.shares[r.name] == 0]
        title = ("Nowhere on this plane is the specification of "
                 f"{wording.join(none)} met" if none else
                 f"Nowhere on this plane are all {n} specifications met together")
    else:
        title = f"{every} met on {_percent(window.share)} of this plane"
        if np.isfinite(window.share_intervals):
            title += (f", on {_percent(window.share_intervals)} with the "
                      f"{100 * window.level:g}\u00a0% interval for one run as well")
    said = [f"{plane.held_text}."] if plane.held_text else []
    if n > 1 and 0 < window.share < 1:
        least = min(limited, key=lambda r: window.shares[r.name])
        said.append(f"{wording.capitalise(least.label)} limits it most: alone it is met on "
                    f"{_percent(window.shares[least.name])}.")
    if setting is not None:
        off = [f for f in plane.others if not _same(f, plane.held[f.name], setting.get(f.name))]
        if off:
            said.append("The chosen setting has other settings of "
                        f"{wording.join(f.label for f in off)}: it is not on this plane.")
    return title, " ".join(said)


def _same(factor, a: object, b: object) -> bool:
    if b is None or not factor.is_numeric:
        return b is None or a == b
    return abs(float(a) - float(b)) <= 0.02 * factor.half_range


def _percent(share: float) -> str:
    if 0 < share < 0.01:
        return "less than 1\u00a0%"
    return f"{100 * share:.0f}\u00a0%" if share in (0, 1) or share < 0.995 else "99\u00a0%"

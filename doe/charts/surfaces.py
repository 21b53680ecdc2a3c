"""Contour and surface of one fitted response over two factors."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go

from doe import wording
from doe.charts.contours import (
    CHOSEN,
    SIDE,
    draw_levels,
    mark_chosen,
    near,
    plane_axes,
    plane_hover,
)
from doe.charts.marks import (
    excluded_area,
    legend_height,
    limit_lines,
    run_marks,
    run_texts,
)
from doe.charts.plane import Plane
from doe.charts.scales import (
    factor_axis,
    hover_format,
    number,
    quantity,
    say_setting,
)
from doe.charts.text import escape, wrap_in_scene
from doe.charts.theme import COLOUR_SCALE, GREY, INK, RED, SMALL, WIDTH, dress

__all__ = ["contour", "surface"]


def contour(fit, x: str, y: str, fixed: Mapping | None = None, *, setting: Mapping | None = None,
            count: int = 61) -> go.Figure:
    """Lines of equal predicted response over factors `x` and `y`.

    The part that constraints exclude is left empty and hatched; dots mark where the model
    extrapolates; specification limits are drawn; each run of the fit is a point.

    Parameters
    ----------
    fit : doe.analysis.fit.Fit
    x, y : str
        Names of two numeric factors.
    fixed : mapping, optional
        Settings of the other factors; mid-range where not given.
    setting : mapping, optional
        Settings of `x` and `y` to mark with a ring.
    count : int
        Grid points along each axis.

    Raises
    ------
    InputError
        If a factor or setting cannot be used.
    """
    plane = Plane.through(fit.region, x, y, fixed, count)
    table = fit.predict(plane.settings())
    mean = np.where(near(plane.allowed()), plane.shape(table["mean"]), np.nan)
    figure = go.Figure()
    title, subtitle = _finding(fit, plane, mean)
    if not np.isnan(mean).all():
        draw_levels(figure, plane, mean, label=fit.response.label, unit=fit.response.unit,
                    log=fit.response.scale == "log", limits=limit_lines(fit.response))
        subtitle = f"{subtitle} {_beyond_the_runs(figure, plane, table)}".strip()
    excluded_area(figure, plane)
    run_marks(figure, plane, fit.data, run_texts(fit))
    if setting is not None:
        mark_chosen(figure, plane, setting)
    plane_axes(figure, plane)
    return dress(figure, title, subtitle, height=SIDE + 60,
                 above=legend_height(figure, WIDTH - 190))


def surface(fit, x: str, y: str, fixed: Mapping | None = None, *, setting: Mapping | None = None,
            count: int = 61) -> go.Figure:
    """The predicted response as a surface over factors `x` and `y`, with the runs.

    Parameters and errors as in `contour`. The surface ends where constraints end the
    region. A run made at the held settings is drawn as measured, on a stem to the surface;
    specification limits are level planes.
    """
    plane = Plane.through(fit.region, x, y, fixed, count)
    low, high = plane.allowed_band()
    ys = low + np.linspace(0, 1, count)[:, None] * (high - low)
    xs = np.broadcast_to(plane.xs, ys.shape)
    table = plane.settings()
    table[y] = np.where(np.isnan(ys), plane.y.centre, ys).ravel()
    mean = np.where(np.isnan(ys), np.nan, plane.shape(fit.predict(table)["mean"]))
    title, subtitle = _finding(
        fit, plane, np.where(plane.allowed(), plane.shape(fit.predict(plane.settings())["mean"]),
                             np.nan))
    figure = go.Figure(go.Surface(
        x=xs, y=ys, z=mean, colorscale=COLOUR_SCALE, name="model", showscale=False,
        lighting={"ambient": 0.85, "diffuse": 0.3, "specular": 0.02},
        contours={"x": _mesh(plane.x), "y": _mesh(plane.y), "z": {"highlight": False}},
        hovertemplate=plane_hover(plane, fit.response.label, fit.response.unit,
                                  "%{z:" + hover_format(mean) + "}")))
    for limit in limit_lines(fit.response):
        if np.nanmin(mean) <= limit.value <= np.nanmax(mean):
            figure.add_trace(go.Surface(
                x=[plane.x.low, plane.x.high], y=[plane.y.low, plane.y.high],
                z=np.full((2, 2), limit.value), opacity=0.25, name=escape(limit.text),
                colorscale=[[0, RED], [1, RED]], showscale=False, showlegend=True,
                hoverinfo="name", contours={"x": {"highlight": False}, "y": {"highlight": False},
                                            "z": {"highlight": False}}))
    left_out = _stems(figure, fit, plane)
    words = [] if setting is None else _mark_on_surface(fit, plane, setting)
    if left_out:
        subtitle = f"{subtitle} {wording.count(left_out, 'run')} at other settings not drawn."
    figure.update_layout(scene={
        "aspectmode": "manual", "annotations": words, "aspectratio": {"x": 1, "y": 1, "z": 0.75},
        "camera": {"eye": {"x": 1.2, "y": -1.4, "z": 0.7}, "center": {"x": 0, "y": 0, "z": -0.2}},
        "xaxis": _scene_axis(plane.x.title) | factor_axis(plane.x),
        "yaxis": _scene_axis(plane.y.title) | factor_axis(plane.y),
        "zaxis": _scene_axis(fit.response.title)})
    dress(figure, title, subtitle.strip(), height=480, above=legend_height(figure))
    return figure.update_layout(margin={"l": 10, "r": 10, "b": 10})


def _mesh(factor) -> dict:
    return {"show": True, "color": GREY, "width": 1, "start": factor.low, "end": factor.high,
            "size": (factor.high - factor.low) / 8, "highlight": False}


def _scene_axis(title: str) -> dict:
    return {"title": {"text": wrap_in_scene(title, 170, SMALL + 1), "font": {"size": SMALL + 1}}}


def _stems(figure: go.Figure, fit, plane: Plane) -> int:
    """Draw the runs at the held settings; returns how many were made elsewhere."""
    data = fit.data[plane.at_held(fit.data)]
    if data.empty:
        return len(fit.data)
    x, y = data[plane.x.name].to_numpy(float), data[plane.y.name].to_numpy(float)
    measured, model = data[fit.response.name].to_numpy(float), fit.predict(data)["mean"].to_numpy()
    gap = np.full(len(x), np.nan)
    figure.add_trace(go.Scatter3d(
        x=np.column_stack([x, x, gap]).ravel(), y=np.column_stack([y, y, gap]).ravel(),
        z=np.column_stack([measured, model, gap]).ravel(), mode="lines",
        line={"color": INK, "width": 3}, hoverinfo="skip", showlegend=False))
    figure.add_trace(go.Scatter3d(
        x=x, y=y, z=measured, mode="markers", name="run as measured",
        marker={"size": 5, "color": INK}, text=run_texts(fit, data),
        hovertemplate="%{text}<extra></extra>"))
    return len(fit.data) - len(data)


def _mark_on_surface(fit, plane: Plane, setting: Mapping) -> list[dict]:
    """A ring round the prediction at a setting and the words beside it, for the scene."""
    x, y = (float(setting[f.name]) for f in (plane.x, plane.y))
    z = float(fit.predict(plane.settings(np.array([x]), np.array([y])))["mean"].iloc[0])
    # Both are words of the scene, as a mark in it would vanish behind the surface.
    common = {"x": x, "y": y, "z": z, "showarrow": False}
    return [common | {"text": "<b>◯</b>", "font": {"size": 18, "color": INK}},
            common | {"text": CHOSEN, "xshift": 16, "xanchor": "left", "borderpad": 2,
                      "bgcolor": "rgba(255,255,255,0.9)",
                      "font": {"size": SMALL + 1, "color": INK}}]


def _beyond_the_runs(figure: go.Figure, plane: Plane, table) -> str:
    """Dot where the model reaches beyond the runs; a sentence instead if it does all over."""
    allowed = plane.allowed()
    beyond = plane.shape(table["extrapolated"] | table["remote"]).astype(bool) & allowed
    if beyond.sum() >= 0.9 * allowed.sum():
        return "This plane lies beyond the runs: every prediction on it leans on the model."
    every = max(1, len(plane.xs) // 18)
    row, column = np.nonzero(beyond[::every, ::every])
    if len(row):
        figure.add_trace(go.Scatter(
            x=plane.xs[::every][column], y=plane.ys[::every][row], mode="markers",
            marker={"size": 2, "color": INK}, name="beyond the runs", hoverinfo="skip"))
    return ""


def _finding(fit, plane: Plane, mean: np.ndarray) -> tuple[str, str]:
    """Title and subtitle: where the response is best, what share of the plane meets limits."""
    response, allowed = fit.response, plane.allowed()
    value = np.where(allowed, mean, np.nan)
    label = wording.capitalise(response.label)
    said = []
    if np.isnan(value).all():
        return "Nothing on this plane can be run", _sentences([*plane.reasons(), plane.held_text])
    if response.lower is not None or response.upper is not None:
        meets = [response.meets(v) for v in value[allowed]]
        said.append(f"The limit, {response.specification}, is met {_share(float(np.mean(meets)))}")
    if response.scale == "log":
        said.append("Predicted medians")
    said.append(plane.held_text)
    if np.nanmax(value) - np.nanmin(value) <= 1e-6 * np.nanmax(np.abs(value)):
        return (f"{label} is {quantity(float(np.nanmean(value)), response.unit)} "
                "everywhere on this plane"), _sentences(said)
    distance = {"minimise": value, "maximise": -value,
                "target": np.abs(value - (response.target or 0))}[response.goal]
    row, column = np.unravel_index(np.nanargmin(distance), value.shape)
    verb = {"minimise": "is lowest", "maximise": "is highest",
            "target": f"comes nearest to its target {number(response.target or 0)}"}
    place = plane.settings(plane.xs[[column]], plane.ys[[row]])
    if plane.region.contains(snapped := plane.region.snap(place))[0]:
        place = snapped
    best = quantity(float(fit.predict(place)["mean"].iloc[0]), response.unit)
    where = wording.join(say_setting(f, place[f.name].iloc[0]) for f in (plane.x, plane.y))
    return f"{label} {verb[response.goal]}, {best}, at {where}", _sentences(said)


def _sentences(parts: list[str]) -> str:
    return " ".join(f"{part}." for part in parts if part)


def _share(share: float) -> str:
    if share in (0, 1):
        return "everywhere here" if share else "nowhere here"
    if share < 0.01:
        return "on less than 1\u00a0% of this plane"
    return f"on {min(99, round(share * 100))}\u00a0% of this plane"

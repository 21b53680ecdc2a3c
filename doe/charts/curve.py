"""One response along one factor, large, with both intervals and the limits."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe import decision, wording
from doe.charts.bars import setting_text
from doe.charts.leeway import standing
from doe.charts.marks import legend_height, legend_mark, outside
from doe.charts.scales import factor_axis, hover_format, quantity, say_setting, value_axis
from doe.charts.text import BREAK, escape, wrap
from doe.charts.theme import GREY, INK, SHADE, WIDTH, dress, tint
from doe.decision.leeway import predictions
from doe.errors import as_choice
from doe.factors import Factor, Region

__all__ = ["curve"]

_POINTS = 121
_MEAN, _RUN = 0.34, 0.14  # opacity of the bands
_BAND = "#004488"


def curve(fit, factor: str, settings: Mapping | None = None, *, level: float = 0.95) -> go.Figure:
    """The predicted response along one factor, the others kept at a setting.

    The interval of the mean is the darker band, that of one new run the paler; what is outside
    the limits is shaded, and the present setting is a dot. Settings that cannot be run are left
    out. A categorical factor has a mark a level.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
    factor : str
        Its name.
    settings : mapping, optional
        Mid-range where not given; nuisance factors that are not given are averaged over.
    level : float
        Coverage of the intervals.

    Raises
    ------
    InputError
        If a factor or setting cannot be used.
    """
    here, region = standing([fit], settings)
    along = region[as_choice("curve, factor", factor, tuple(region.names))]
    table = decision.leeway([fit], here)
    marks = table[table["factor"] == factor]
    line = _along(fit, along, here, region, marks, level)
    response = fit.response
    log = response.scale == "log"
    figure = go.Figure()
    known = bool(line["low"].notna().any())
    run = np.isfinite(line["mean"])
    axis = value_axis([*line[["mean", "low", "high"]].to_numpy().ravel(),
                       *_close(line, response, log)], log=log)
    if along.is_numeric:
        _draw_line(figure, along, line, response, level)
        present = float(here[factor])
    else:
        _draw_levels(figure, along, line, response, level)
        present = escape(here[factor])
    at = line[line["at"] == here[factor]].iloc[0]
    if np.isfinite(at["mean"]):
        figure.add_trace(go.Scatter(
            x=[present], y=[at["mean"]], mode="markers", name="present setting",
            hoverinfo="skip", marker={"symbol": "circle", "size": 12, "color": INK,
                                      "line": {"color": "white", "width": 1.5}}))
    figure.update_layout(shapes=[
        {**s, "x0": 0, "x1": 1, "y0": s["x0"], "y1": s["x1"]}
        for s in outside(response, axis, xref="x domain", yref="y")])
    if figure.layout.shapes:
        legend_mark(figure, "outside the limits", mode="markers",
                    marker={"symbol": "square", "size": 11, "color": SHADE,
                            "line": {"color": GREY, "width": 1}})
    if along.is_numeric:
        edge = 0.02 * (along.high - along.low)
        figure.update_xaxes(range=[along.low - edge, along.high + edge], **factor_axis(along))
    else:
        figure.update_xaxes(type="category", tickvals=[escape(v) for v in along.levels],
                            ticktext=[wrap(v, (WIDTH - 110) / len(along.levels) - 8, 12, most=3)
                                      for v in along.levels], tickangle=0)
    figure.update_xaxes(title_text=wrap(along.title, WIDTH - 120), showgrid=False)
    figure.update_yaxes(title_text=wrap(response.title, 320), showgrid=False, **axis)
    title, subtitle = _finding(fit, along, region, here, line[run], marks, known)
    return dress(figure, title, subtitle, height=430, above=legend_height(figure))


def _along(fit, along: Factor, here: dict, region: Region, marks: pd.DataFrame,
           level: float) -> pd.DataFrame:
    ends = [] if not along.is_numeric else marks["setting"].dropna().astype(float)
    values = (np.unique([*np.linspace(along.low, along.high, _POINTS), here[along.name], *ends])
              if along.is_numeric else np.array(along.levels, object))
    table = pd.DataFrame([here] * len(values))
    table[along.name] = values
    out = predictions([fit], table, level)[0].drop(columns="beyond")
    out[~region.contains(table)] = np.nan
    out.insert(0, "at", values)
    return out


def _close(line: pd.DataFrame, response, log: bool) -> list[float]:
    """Limits near enough not to flatten the line."""
    change = np.log if log else np.asarray
    values = change(line["mean"].dropna().to_numpy(float))
    if not values.size:
        return []
    reach = np.ptp(values) or abs(values[0]) or 1.0
    return [n for n in (response.lower, response.upper) if n is not None and (n > 0 or not log)
            and values.min() - 1.5 * reach <= change(n) <= values.max() + 1.5 * reach]


def _hover(along: Factor, line: pd.DataFrame, response) -> str:
    return (f"{escape(along.label)}: %{{x}} {escape(along.unit)}{BREAK}{escape(response.label)}: "
            f"%{{y:{hover_format(line['mean'])}}} {escape(response.unit)}<extra></extra>")


def _names(level: float) -> tuple[str, str]:
    share = f"{100 * level:g}\u00a0%"
    return f"{share} interval, one new run", f"{share} interval, mean"


def _draw_line(figure: go.Figure, along: Factor, line: pd.DataFrame, response,
               level: float) -> None:
    for name, low, high, opacity in zip(_names(level), ("low", "mean_low"), ("high", "mean_high"),
                                        (_RUN, _MEAN), strict=True):
        inside = line[np.isfinite(line[low]) & np.isfinite(line[high])]
        if len(inside):
            figure.add_trace(go.Scatter(
                x=[*inside["at"], *inside["at"][::-1]], y=[*inside[low], *inside[high][::-1]],
                mode="lines", line={"width": 0.8, "color": _BAND}, fill="toself",
                fillcolor=tint(_BAND, opacity), hoverinfo="skip", name=name))
    figure.add_trace(go.Scatter(
        x=line["at"], y=line["mean"], mode="lines", line={"color": INK, "width": 2.5},
        name="prediction", hovertemplate=_hover(along, line, response)))


def _draw_levels(figure: go.Figure, along: Factor, line: pd.DataFrame, response,
                 level: float) -> None:
    at = [escape(v) for v in line["at"]]
    for name, low, high, width in zip(_names(level), ("low", "mean_low"), ("high", "mean_high"),
                                      (1.5, 6), strict=True):
        if line[low].notna().any():
            figure.add_trace(go.Scatter(
                x=[v for x in at for v in (x, x, None)],
                y=[v for a, b in zip(line[low], line[high], strict=True) for v in (a, b, None)],
                mode="lines", line={"color": INK, "width": width}, hoverinfo="skip", name=name))
    figure.add_trace(go.Scatter(
        x=at, y=line["mean"], mode="markers", name="prediction",
        marker={"symbol": "diamond", "size": 9, "color": "white",
                "line": {"color": INK, "width": 1.5}},
        hovertemplate=_hover(along, line, response)))


def _finding(fit, along: Factor, region: Region, here: dict, line: pd.DataFrame,
             marks: pd.DataFrame, known: bool) -> tuple[str, str]:
    response = fit.response
    label, others = wording.capitalise(response.label), [f for f in region.factors
                                                          if f.name != along.name]
    said = ["At " + wording.join(say_setting(f, here[f.name]) for f in others) + "."
            ] if others else []
    if line.empty:
        return f"Nothing along {along.label} can be run here", " ".join(
            [*said, *region.violations(pd.DataFrame([here]))])
    why = [w for w in marks.loc[marks["mark"].isin(("low", "high")), "why"] if w]
    if why:
        said.append(f"Left out, as it cannot be run: {wording.join(dict.fromkeys(why))}.")
    if not known:
        said.append("The model leaves no degrees of freedom for error, so there are no intervals.")
    if response.scale == "log":
        said.append("Medians, as the model is on a log scale.")
    crossings = marks[marks["mark"] == "crossing"]
    if len(crossings):
        places = wording.join(f"{setting_text(along, c.setting)}" for c in crossings.itertuples())
        many = "s" if crossings["why"].nunique() > 1 else ""
        title = f"{label} crosses its limit{many} at {along.label} {places}"
    else:
        best = line.loc[line["mean"].idxmin()], line.loc[line["mean"].idxmax()]
        low, high = (f"{quantity(b['mean'], response.unit)} at {setting_text(along, b['at'])}"
                     for b in best)
        title = f"{label} along {along.label}: from {low} to {high}"
    return title, " ".join(said)

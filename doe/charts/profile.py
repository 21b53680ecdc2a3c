"""Sections through a setting: each response along each factor, and how it stands there."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go
from plotly.subplots import make_subplots

from doe import wording
from doe.charts.marks import limit_lines
from doe.charts.plane import held_settings
from doe.charts.scales import held_unit, hover_format, number, quantity, span, value_axis
from doe.charts.text import BREAK, bold, escape, lines, wrap
from doe.charts.theme import BLUE, INK, RED, SMALL, WIDE, WIDTH, dress, panel_note, ruler, tint
from doe.errors import InputError
from doe.factors import Factor, Region

__all__ = ["conformance", "predictions_by_factor"]

_POINTS = 41
_SIDE = 150  # px, the column of predictions on the right
_PANEL = 120
_ROW, _ROW_GAP = 36, 54  # px, of the rows of `conformance`


def predictions_by_factor(fits: Sequence, settings: Mapping | None = None, *,
                          level: float = 0.95) -> go.Figure:
    """Predicted responses along each factor, the others kept at a setting.

    One row a response, one column a factor: the model with the confidence interval of its
    mean, limits dashed, the setting as a vertical line; on the right the prediction at the
    setting with the interval for one run. Settings that cannot be run are left out.

    Parameters
    ----------
    fits : sequence of Fit
        Over one region.
    settings : mapping, optional
        Mid-range where not given.
    level : float
        Coverage of the intervals.

    Raises
    ------
    InputError
        If there is no fit, the regions differ, or a setting cannot be used.
    """
    fits, region = _together(fits)
    here = held_settings(region, settings)
    factors = region.factors
    width = WIDTH if len(factors) <= 4 else WIDE
    figure = make_subplots(len(fits), len(factors), shared_yaxes=True, shared_xaxes=True,
                           horizontal_spacing=0.18 / len(factors),
                           vertical_spacing=0.16 / max(1, len(fits)))
    room = (width - 70 - _SIDE) / len(factors) - 8
    point = pd.DataFrame([here])
    at = [fit.predict(point, level=level).iloc[0] for fit in fits]
    rulers = []
    for i, fit in enumerate(fits, 1):
        drawn: list[float] = []
        limits = limit_lines(fit.response)
        for j, factor in enumerate(factors, 1):
            line = _section(fit, factor, here, level)
            drawn += _draw_section(figure, fit, factor, line, i, j)
            _mark_setting(figure, factor, here[factor.name], at[i - 1]["mean"], i, j)
            if factor.is_numeric:
                rulers.append(ruler(figure, x=here[factor.name], row=i, col=j,
                                    line={"color": INK, "width": 1}))
            rulers += [ruler(figure, y=n.value, row=i, col=j, line={
                "color": RED, "width": 1.5, "dash": n.dash}) for n in limits]
        axis = value_axis(_with_close_limits(drawn, [n.value for n in limits]),
                          log=fit.response.scale == "log")
        figure.update_yaxes(row=i, **axis)
        figure.update_yaxes(title_text=wrap(fit.response.title, _PANEL, SMALL, most=3),
                            title_font_size=SMALL, row=i, col=1)
        panel_note(figure, _verdict(fit, at[i - 1]), row=i, col=len(factors), x=1, y=0.98,
                   inside=True, size=SMALL)
        figure.layout.annotations[-1].update(xshift=10)
    head = []
    for j, factor in enumerate(factors, 1):
        value = here[factor.name]
        shown = (f"{number(value)}{held_unit(factor.unit)}" if factor.is_numeric else str(value))
        head.append(lines(factor.label, room, SMALL, most=3))
        panel_note(figure, BREAK.join([*head[-1], bold(shown)]), row=1, col=j, x=0.5,
                   anchor="center", size=SMALL)
        _factor_axis(figure, factor, room, len(fits), j)
    title, subtitle = _finding(fits, region, point, at, level)
    above = 20 + round(1.3 * SMALL * (1 + max(len(h) for h in head)))
    figure.update_layout(showlegend=False, shapes=rulers)
    dress(figure, title, subtitle, width=width, above=above,
          height=above + 40 + len(fits) * _PANEL + (len(fits) - 1) * 20)
    return figure.update_layout(margin={"r": _SIDE, "b": 40})


def _together(fits: Sequence) -> tuple[list, Region]:
    fits = list(fits)
    if not fits:
        raise InputError("fits", fits, "there are none", "Give at least one fit")
    for fit in fits[1:]:
        if fit.region != fits[0].region:
            raise InputError("fits", fit.response.name, "its region differs from that of "
                             f"{fits[0].response.name}", "Fit all responses over one region")
    return fits, fits[0].region


def _section(fit, factor: Factor, here: dict, level: float) -> pd.DataFrame:
    values = (np.unique(np.append(np.linspace(factor.low, factor.high, _POINTS),
                                  here[factor.name])) if factor.is_numeric
              else np.array(factor.levels, object))
    table = pd.DataFrame({n: [v] * len(values) for n, v in here.items()})
    table[factor.name] = values
    out = fit.predict(table, level=level)[["mean", "mean_low", "mean_high"]]
    out[~fit.region.contains(table)] = np.nan
    out.insert(0, "at", values)
    return out


def _draw_section(figure: go.Figure, fit, factor: Factor, line: pd.DataFrame, row: int,
                  col: int) -> list[float]:
    known = bool(line["mean_low"].notna().any())
    at = line["at"] if factor.is_numeric else [escape(v) for v in line["at"]]
    shown = hover_format(line["mean"])
    hover = (f"{escape(factor.label)}: %{{x}} {escape(factor.unit)}{BREAK}"
             f"{escape(fit.response.label)}: %{{y:{shown}}} {escape(fit.response.unit)}"
             "<extra></extra>")
    if factor.is_numeric:
        inside = line[line["mean_low"].notna()]
        if known:
            figure.add_scatter(
                x=[*inside["at"], *inside["at"][::-1]], mode="lines", line={"width": 0},
                y=[*inside["mean_low"], *inside["mean_high"][::-1]], fill="toself",
                fillcolor=tint(BLUE, 0.18), hoverinfo="skip", row=row, col=col)
        figure.add_scatter(x=at, y=line["mean"], mode="lines", hovertemplate=hover,
                           line={"color": BLUE, "width": 2}, row=row, col=col)
    else:
        figure.add_scatter(
            x=at, y=line["mean"], mode="markers", hovertemplate=hover, row=row, col=col,
            marker={"color": BLUE, "size": 7, "symbol": "circle"},
            error_y={"type": "data", "array": line["mean_high"] - line["mean"],
                     "arrayminus": line["mean"] - line["mean_low"], "symmetric": False,
                     "color": BLUE, "thickness": 1.5, "width": 4, "visible": known})
    return [*line["mean"], *line["mean_low"], *line["mean_high"]]


def _mark_setting(figure: go.Figure, factor: Factor, value: object, mean: float, row: int,
                  col: int) -> None:
    figure.add_scatter(x=[value if factor.is_numeric else escape(value)], y=[mean],
                       mode="markers", hoverinfo="skip", row=row, col=col,
                       marker={"symbol": "diamond", "size": 9, "color": INK,
                               "line": {"color": "white", "width": 1}})


def _factor_axis(figure: go.Figure, factor: Factor, room: float, rows: int, col: int) -> None:
    if factor.is_numeric:
        edge = 0.12 * factor.half_range
        ticks = [factor.low, factor.high]
        axis = {"tickvals": ticks, "ticktext": [number(v) for v in ticks],
                "range": [factor.low - edge, factor.high + edge]}
    else:
        axis = {"type": "category", "tickvals": [escape(v) for v in factor.levels],
                "ticktext": [wrap(v, room / len(factor.levels), SMALL - 1, most=2)
                             for v in factor.levels], "tickangle": 0}
    figure.update_xaxes(col=col, showgrid=False, tickfont_size=SMALL, **axis)
    figure.update_yaxes(col=col, tickfont_size=SMALL, nticks=5)


def _with_close_limits(drawn: list[float], limits: list[float]) -> list[float]:
    """The values, and those limits that lie near enough not to flatten the lines."""
    known = np.array([v for v in drawn if np.isfinite(v)])
    low, high = known.min(), known.max()
    span = (high - low) or abs(high) or 1.0
    return [*known, *(n for n in limits if low - 1.2 * span <= n <= high + 1.2 * span)]


def _verdict(fit, at: pd.Series) -> str:
    response = fit.response
    rows = [bold(quantity(at["mean"], response.unit))]
    if np.isfinite(at["low"]):
        rows.append(wrap(f"one run: {span(at['low'], at['high'])}", _SIDE - 24, SMALL))
    if (response.lower, response.upper) != (None, None):
        if not response.meets(at["mean"]):
            word = "missed"
        elif not np.isfinite(at["low"]):
            word = "met; no interval known"
        elif response.meets(at["low"]) and response.meets(at["high"]):
            word = "met"
        else:
            word = "met on average"
        rows.append(wrap(f"{response.specification}: {word}", _SIDE - 24, SMALL, most=3))
    if at["extrapolated"] or at.get("remote", False):
        rows.append("beyond the runs")
    return BREAK.join(rows)


def _finding(fits: Sequence, region: Region, point: pd.DataFrame, at: list,
             level: float) -> tuple[str, str]:
    limited = [(f, p) for f, p in zip(fits, at, strict=True)
               if (f.response.lower, f.response.upper) != (None, None)]
    met = [f.response.label for f, p in limited if f.response.meets(p["mean"])]
    missed = [f.response.label for f, p in limited if not f.response.meets(p["mean"])]
    if not region.contains(point)[0]:
        title = "This setting cannot be run"
    elif not limited:
        name, shown = fits[0].response.label, quantity(at[0]["mean"], fits[0].response.unit)
        title = f"{wording.capitalise(name)}: {shown} predicted here"
    elif not missed:
        every = {1: "The prediction meets its", 2: "Both predictions meet their"}.get(
            len(met), f"All {len(met)} predictions meet their")
        title = f"{every} limits here"
    else:
        title = (f"{wording.capitalise(wording.join(missed))} "
                 f"{'misses its' if len(missed) == 1 else 'miss their'} limits here")
        if met:
            title += f"; {wording.join(met)} {'meets' if len(met) == 1 else 'meet'} them"
    said = ["Each panel: the model along one factor, the others at the settings named above"
            + (f"; band: {100 * level:g}\u00a0% confidence interval of the mean."
               if any(np.isfinite(p["low"]) for p in at) else ".")]
    if any(f.response.scale == "log" for f in fits):
        said.append("Medians where the model is on a log scale.")
    if not region.contains(point)[0]:
        said.append(wording.join(region.violations(point)).replace("row 1: ", "") + ".")
    return title, " ".join(said)


def conformance(recipe, fits: Sequence) -> go.Figure:
    """A recipe's predictions against the specifications, one row a response.

    Thick: confidence interval of the mean. Thin: interval for one run.

    Parameters
    ----------
    recipe : doe.decision.recipe.Recipe
    fits : sequence of Fit
        Those the recipe was chosen with.
    """
    fits, _ = _together(fits)
    table = recipe.table.set_index("response").loc[[f.response.name for f in fits]]
    n = len(fits)
    figure = make_subplots(n, 1, vertical_spacing=_ROW_GAP / (n * _ROW + (n - 1) * _ROW_GAP)
                           if n > 1 else 0)
    for i, (fit, row) in enumerate(zip(fits, table.itertuples(), strict=True), 1):
        response = fit.response
        limits = limit_lines(response)
        known = np.isfinite(row.low)
        drawn = [row.predicted, *([row.low, row.high] if known else []),
                 *(n.value for n in limits)]
        axis = value_axis(drawn, log=response.scale == "log" and min(drawn) > 0, pad=0.12)
        figure.update_xaxes(row=i, col=1, showgrid=True, tickfont_size=SMALL, **axis)
        for values, width in (((row.low, row.high), 2), ((row.mean_low, row.mean_high), 8)):
            figure.add_scatter(x=values if known else [], y=[0, 0] if known else [], mode="lines",
                               line={"color": BLUE, "width": width}, hoverinfo="skip", row=i,
                               col=1)
        figure.add_scatter(x=[row.predicted], y=[0], mode="markers", row=i, col=1,
                           marker={"symbol": "diamond", "size": 12, "color": INK,
                                   "line": {"color": "white", "width": 1}},
                           text=[escape(row.meets)], hovertemplate="%{text}<extra></extra>")
        edges = 10.0 ** np.array(axis["range"]) if axis["type"] == "log" else axis["range"]
        for limit, end in zip(limits, _outer_ends(response, edges), strict=True):
            figure.add_vrect(x0=limit.value, x1=end, row=i, col=1, fillcolor=tint(RED, 0.12),
                             line_width=0, layer="below")
            figure.add_vline(x=limit.value, row=i, col=1,
                             line={"color": RED, "width": 2, "dash": limit.dash})
        figure.update_yaxes(row=i, col=1, range=[-1, 1], showticklabels=False, ticks="",
                            showgrid=False, showline=False)
        wanted = [] if response.specification == "no limits" else [escape(response.specification)]
        heading = "\u2002·\u2002".join([bold(wording.capitalise(response.title)), *wanted])
        panel_note(figure, heading, row=i, col=1)
        panel_note(figure, escape(quantity(row.predicted, response.unit)), row=i, col=1, x=1,
                   anchor="right")
    figure.update_layout(showlegend=False)
    said = ("Diamond: predicted mean; thick: its "
            f"{100 * recipe.level:g}\u00a0% confidence interval; thin: interval for one run; "
            "shaded: out of specification.")
    return dress(figure, _conformance_finding(table, recipe.level), said, above=34,
                 height=70 + n * _ROW + (n - 1) * _ROW_GAP)


def _conformance_finding(table: pd.DataFrame, level: float) -> str:
    inside = table[table["specification"] != "no limits"]
    n, on_mean = len(inside), int(inside["mean_inside"].sum())
    one_run = sum(known is True for known in inside["interval_inside"])
    if not n:
        return "No response has specification limits"
    if on_mean < n:
        short = inside.loc[~inside["mean_inside"].astype(bool), "label"]
        return f"The recipe misses the specification of {wording.join(short)}"
    interval = f"the {100 * level:g}\u00a0% interval for one run"
    if one_run == n:
        return f"Every response meets its specification, {interval} included"
    if not inside["interval_inside"].notna().any():
        return "Every predicted mean meets its specification; no interval for one run is known"
    return (f"Every predicted mean meets its specification; {interval} lies within it for "
            + (f"{one_run} of {n} responses" if one_run else "none"))


def _outer_ends(response, edges: Sequence[float]) -> list[float]:
    return [edges[side] for side, value in ((0, response.lower), (1, response.upper))
            if value is not None]



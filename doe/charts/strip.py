"""The settings of a plan's runs in their order: what is set anew before each, and its minutes."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import plotly.graph_objects as go

from doe.charts.scales import number, say_setting
from doe.charts.text import BREAK, bold, escape, text_width, wrap
from doe.charts.theme import COLOUR_SCALE, INK, SMALL, WIDTH, dress
from doe.factors import Factor
from doe.planning.changes import changed, minutes_of, set_ups
from doe.planning.plan import Plan
from doe.wording import capitalise, count, join

__all__ = ["set_up_strip"]

_LEFT, _RIGHT, _ROW = 150, 120, 34


def set_up_strip(plan: Plan, change_minutes: Mapping[str, float] | None = None) -> go.Figure:
    """A band a factor over the runs in their order, broken where the factor is set anew.

    Parameters
    ----------
    plan : Plan
        The bands are in the order of time spent; darker is a higher setting.
    change_minutes : mapping, optional
        Time to change the setting of a factor, min; those left out take none.
    """
    minutes = minutes_of(plan, change_minutes or {})
    new = changed(plan, np.arange(len(plan)))
    rows = sorted(range(len(plan.region)), key=lambda j: (-minutes[j] * new[:, j].sum(), j))
    factors = [plan.region.factors[j] for j in rows]
    room = (WIDTH - _LEFT - _RIGHT) / len(plan)
    runs = plan.runs["run"].to_numpy()
    figure = go.Figure(go.Heatmap(
        x=runs, y=list(range(len(rows))), z=[_shade(f, plan.runs[f.name]) for f in factors],
        zmin=0, zmax=1, colorscale=COLOUR_SCALE, showscale=False, ygap=8,
        text=[[_hover(f, run, value, fresh) for run, value, fresh in
               zip(runs, plan.runs[f.name], new[:, j], strict=True)]
              for f, j in zip(factors, rows, strict=True)],
        hovertemplate="%{text}<extra></extra>"))
    shapes, notes = [], []
    half = 0.5 - 4 / _ROW
    for place, (f, j) in enumerate(zip(factors, rows, strict=True)):
        starts, shade = np.flatnonzero(new[:, j]), figure.data[0].z[place]
        for start, end in zip(starts, [*starts[1:], len(plan)], strict=True):
            x = float(runs[start]) - 0.5
            shapes.append({"type": "line", "x0": x, "x1": x, "y0": place - half,
                           "y1": place + half, "line": {"color": INK, "width": 2}})
            value = plan.runs[f.name].iloc[start]
            shown = number(value) if f.is_numeric else str(value)
            if text_width(shown, SMALL) < room * (end - start) - 6:
                notes.append({"x": x, "y": place, "text": escape(shown), "xanchor": "left",
                              "xshift": 2, "showarrow": False,
                              "font": {"size": SMALL, "color": "white" if shade[start] > 0.6
                                       else INK}})
        spent = f"{len(starts)} ×" + (f" {_short(minutes[j])} min" if minutes[j] else "")
        notes.append({"x": 1, "xref": "paper", "y": place, "text": spent, "xanchor": "left",
                      "xshift": 8, "showarrow": False, "font": {"size": SMALL + 1}})
    if plan.blocks > 1:
        first = np.flatnonzero(np.diff(plan.runs["block"])) + 1
        shapes += [{"type": "line", "x0": runs[i] - 0.5, "x1": runs[i] - 0.5, "yref": "paper",
                    "y0": 0, "y1": 1, "line": {"color": INK, "width": 1, "dash": "dot"}}
                   for i in first]
    figure.update_layout(shapes=shapes, annotations=notes, showlegend=False)
    figure.update_xaxes(title_text="run, in the order made", showgrid=False, tick0=runs[0],
                        dtick=_every(len(plan)), range=[runs[0] - 0.6, runs[-1] + 0.6])
    figure.update_yaxes(tickvals=list(range(len(rows))), showgrid=False, showline=False, ticks="",
                        ticktext=[wrap(f.title, _LEFT - 14, SMALL + 1, most=2) for f in factors],
                        range=[len(rows) - 0.5, -0.5], automargin=False)
    title, subtitle = _finding(plan, minutes, new, change_minutes)
    dress(figure, title, subtitle, height=60 + _ROW * len(rows))
    return figure.update_layout(margin={"l": _LEFT, "r": _RIGHT})


def _finding(plan: Plan, minutes: np.ndarray, new: np.ndarray,
             change_minutes: Mapping[str, float] | None) -> tuple[str, str]:
    told = set_ups(plan, change_minutes)
    times = new.sum(axis=0)
    labels = [f.label for f in plan.region.factors]
    if minutes.any():
        most = int((minutes * times).argmax())
        title = (f"Set-ups take {_short(told['minutes'].sum())} min over "
                 f"{count(len(plan), 'run')}, {_short(minutes[most] * times[most])} of them for "
                 f"{labels[most]}")
        free = [n for n, m in zip(labels, minutes, strict=True) if not m]
        verb = "is" if len(free) == 1 else "are"
        note = f" {capitalise(join(free))} {verb} taken to need no time." if free else ""
    else:
        least = int(times.argmin())
        title = (f"{count(int(told['changes'].sum()), 'setting')} to be set over "
                 f"{count(len(plan), 'run')}; {labels[least]} least often, "
                 f"{count(int(times[least]), 'time')}")
        note = " No time was given for changing them."
    return title, ("A stroke is a setting made anew; darker is higher."
                   + (" Dotted: a new block." if plan.blocks > 1 else "") + note)


def _shade(f: Factor, values) -> np.ndarray:
    if f.is_numeric:
        return np.clip((f.code(values) + 1) / 2, 0, 1)
    place = np.array([f.levels.index(v) for v in values], float)
    return place / max(1, len(f.levels) - 1)


def _hover(f: Factor, run: int, value: object, fresh: bool) -> str:
    return BREAK.join([bold(f"run {run}"), escape(say_setting(f, value)),
                       "set anew" if fresh else "stays"])


def _short(minutes: float) -> str:
    return f"{minutes:.3g}" if minutes < 1000 else f"{minutes:.0f}"


def _every(runs: int) -> int:
    return next(step for step in (1, 2, 5, 10, 20, 50) if runs / step <= 20 or step == 50)

"""Leeway at a setting: each response on a scale of its own, and how far each factor moves it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe import decision, wording
from doe.charts.bars import Bar, setting_text
from doe.charts.marks import (
    HIGH,
    LOW,
    STRIP_MARKS,
    interval_marks,
    limit_lines,
    outside,
    strip_heading,
)
from doe.charts.plane import held_settings
from doe.charts.scales import quantity, span, value_axis
from doe.charts.text import BREAK, escape, lines, text_width
from doe.charts.theme import GREY, INK, SMALL, WIDTH, dress
from doe.decision.leeway import full_setting, predicted_at
from doe.factors import Factor, Region

__all__ = ["leeway", "standing"]

_NAMES, _RIGHT, _EDGE = 172, 14, 14  # px left and right of the strips, and to the figure's edge
_HEAD, _STRIP, _AXIS, _GAP = 42, 28, 24, 16  # px of a heading, a prediction, an axis
_NEAR = 1.2  # of the range drawn: a limit further off would flatten the bars


def leeway(fits: Sequence, settings: Mapping | None = None, *, level: float = 0.95,
           width: int = WIDTH) -> go.Figure:
    """How each response stands at a setting, and how far each factor alone would move it.

    One strip a response, what is outside its limits shaded: the prediction as a dot, the
    interval of its mean thick, that of one new run thin. Below it one bar a factor, the longest
    first, thin towards its low and thick towards its high; written on it are the settings at
    the ends, where a limit is crossed and where the response turns. A stroke across an end: a
    constraint stops the factor there. A category has a mark a level.

    Parameters
    ----------
    fits : sequence of Fit, MixedFit or KindFit
        Over one region.
    settings : mapping, optional
        Mid-range where not given; nuisance factors that are not given are averaged over.
    level : float
        Coverage of the intervals.
    width : int
        Of the figure, px; from 640.

    Raises
    ------
    InputError
        If there is no fit, the regions differ, or a setting cannot be used.
    """
    fits = list(fits)
    here, region = standing(fits, settings)
    table, at = decision.leeway(fits, here), predicted_at(fits, here, level)
    room = width - _NAMES - _RIGHT
    strips = [_Strip(fit, row, table[table["response"] == fit.response.name], region, here, room)
              for fit, (_, row) in zip(fits, at.iterrows(), strict=True)]
    starts = np.cumsum([0, *(_HEAD + s.tall + _AXIS + _GAP for s in strips)])
    whole = starts[-1] - _GAP
    figure = go.Figure()
    shapes, notes, axes = [], [], {}
    for i, (start, strip) in enumerate(zip(starts, strips, strict=False), 1):
        n = "" if i == 1 else str(i)
        top = start + _HEAD
        axes[f"xaxis{n}"] = {"anchor": f"y{n}", "showgrid": False, "tickfont": {"size": SMALL},
                             "automargin": False, **strip.axis}
        axes[f"yaxis{n}"] = {"domain": [1 - (top + strip.tall) / whole, 1 - top / whole],
                             "range": [strip.tall, 0], "visible": False, "anchor": f"x{n}"}
        strip.draw(figure, shapes, notes, {"xaxis": f"x{n}", "yaxis": f"y{n}"})
    figure.update_layout(**axes, shapes=shapes, annotations=notes, showlegend=False)
    title, subtitle = _finding(fits, region, here, at, table, level)
    dress(figure, title, subtitle, width=width, above=0, height=round(whole) + 34)
    return figure.update_layout(margin={"l": _NAMES, "r": _RIGHT, "b": 34})


def standing(fits: Sequence, settings: Mapping | None) -> tuple[dict, Region]:
    """The setting a chart is drawn at and the region it is in: mid-range where nothing is given,
    without the nuisance factors that are averaged over."""
    given = dict(settings or {})
    every = held_settings(fits[0].region, given) if fits else given
    over = set() if not fits else set(fits[0].region.nuisances) - set(given)
    here, stack = full_setting(fits, {n: v for n, v in every.items() if n not in over})
    return here, stack.region


class _Strip:
    """One response: its axis, the prediction, and the factors' bars below; vertical unit 1 px."""

    def __init__(self, fit, at: pd.Series, marks: pd.DataFrame, region: Region, here: dict,
                 room: float) -> None:
        self.fit, self.at, self.room = fit, at, room
        self.log = fit.response.scale == "log"
        change = np.log if self.log else np.asarray
        moving: list[tuple[float, Factor, pd.DataFrame]] = []
        still = []
        for f in region.factors:
            own = marks[marks["factor"] == f.name]
            values = change(own["predicted"].dropna().to_numpy(float))
            length = float(np.ptp(values)) if len(values) else 0.0
            if len(values) and length <= 1e-9 * max(float(np.abs(values).max()), 1e-300):
                still.append(f.label)
            else:
                moving.append((length, f, own))
        moving.sort(key=lambda found: -found[0])
        self.axis = self._scaled(moving, change)
        x = self._px(at["mean"])
        self.bars = [Bar.of(f, own, fit.response, here[f.name], self._px, x, _NAMES - _EDGE - 12)
                     for _, f, own in moving]
        self.still = (lines(f"No effect in this model: {wording.join(still)}", room - 8, SMALL)
                      if still else [])
        self.tall = _STRIP + sum(b.tall for b in self.bars) + 6 + (
            8 + 1.3 * SMALL * len(self.still) if still else 0)

    def _scaled(self, moving: list, change) -> dict:
        """The axis: all that is drawn, limits near enough, and room for the settings beside."""
        drawn = [v for v in (*self.at[["mean", "mean_low", "mean_high", "low", "high"]],
                             *(v for _, _, own in moving for v in own["predicted"]))
                 if np.isfinite(v) and (v > 0 or not self.log)]
        scaled = change(np.array(drawn, float))
        reach = float(np.ptp(scaled)) or abs(float(scaled[0])) or 1.0
        drawn += [n.value for n in limit_lines(self.fit.response)
                  if (n.value > 0 or not self.log) and scaled.min() - _NEAR * reach
                  <= change(n.value) <= scaled.max() + _NEAR * reach]
        beside = 14 + max([text_width(setting_text(f, s), SMALL) for _, f, own in moving
                           for s in own["setting"] if f.is_numeric], default=0)
        axis = value_axis(drawn, log=self.log, pad=beside / max(self.room - 2 * beside, 120))
        return axis if self.log else axis | {"nticks": max(4, int(self.room / 70))}

    def _px(self, value: float) -> float:
        low, high = self.axis["range"]
        return ((np.log10(value) if self.log else value) - low) / (high - low) * self.room

    def _place(self, px: float) -> float:
        """A place along the strip in the axis' own units, as notes need it."""
        low, high = self.axis["range"]
        return low + px / self.room * (high - low)

    def _value(self, px: float) -> float:
        return 10.0 ** self._place(px) if self.log else self._place(px)

    def draw(self, figure: go.Figure, shapes: list[dict], notes: list[dict], panel: dict) -> None:
        """Put the strip on its axes."""
        response, at, middle = self.fit.response, self.at, _STRIP / 2
        x, y = panel["xaxis"], panel["yaxis"]
        shapes += outside(response, self.axis, xref=x, yref=f"{y} domain")
        shapes.append({"type": "line", "xref": x, "yref": y, "x0": at["mean"], "x1": at["mean"],
                       "y0": middle, "y1": self.tall,
                       "line": {"color": GREY, "width": 1, "dash": "dot"}})
        hover = escape(f"{response.label}: {quantity(at['mean'], response.unit)}")
        figure.add_traces([trace.update(panel) for trace in interval_marks(at, middle, hover)])
        top = float(_STRIP)
        for bar in self.bars:
            self._draw_bar(figure, notes, bar, top + bar.middle, panel)
            top += bar.tall
        small = {"size": SMALL, "color": INK}
        if self.still:
            notes.append({"xref": f"{x} domain", "yref": y, "x": 0, "y": top + 4,
                          "text": BREAK.join(self.still), "align": "left", "xanchor": "left",
                          "yanchor": "top", "xshift": 4, "showarrow": False, "font": small})
        room = self.room + _NAMES - _EDGE
        said = lines(_verdict(response, at), room, SMALL + 1, most=1)[0]
        for text, up in ((strip_heading(response, room), 20), (said, 4)):
            notes.append({"xref": "paper", "yref": f"{y} domain", "x": 0, "y": 1, "yshift": up,
                          "xshift": _EDGE - _NAMES, "text": text, "xanchor": "left",
                          "yanchor": "bottom", "showarrow": False,
                          "font": {"size": SMALL + 1, "color": INK}})

    def _draw_bar(self, figure: go.Figure, notes: list[dict], bar: Bar, y: float,
                  panel: dict) -> None:
        for stroke in bar.strokes:
            figure.add_trace(go.Scatter(
                x=[self._value(stroke.left), self._value(stroke.right)], y=[y + stroke.y] * 2,
                mode="lines", hoverinfo="skip", name=f"towards the {stroke.side}", **panel,
                line=LOW if stroke.side == "low" else HIGH))
        figure.add_trace(go.Scatter(
            x=[self._value(t.x) for t in bar.ticks], y=[y + t.y for t in bar.ticks],
            mode="markers", text=[t.hover for t in bar.ticks], cliponaxis=False, **panel,
            hovertemplate="%{text}<extra></extra>", name="settings",
            marker={part: [STRIP_MARKS[t.kind][part] for t in bar.ticks]
                    for part in ("symbol", "size", "color")}
            | {"line": {part: [STRIP_MARKS[t.kind]["line"][part] for t in bar.ticks]
                        for part in ("width", "color")}}))
        note = {"showarrow": False, "font": {"size": SMALL, "color": INK}, "yanchor": "middle"}
        notes += [note | {"xref": panel["xaxis"], "yref": panel["yaxis"], "y": y + t.y,
                          "x": self._place(t.x), "xanchor": t.anchor, "text": escape(t.text)}
                  for t in bar.labels]
        notes.append(note | {"xref": "paper", "x": 0, "xshift": _EDGE - _NAMES, "xanchor": "left",
                             "yref": panel["yaxis"], "y": y, "text": BREAK.join(bar.name),
                             "align": "left"})


def _verdict(response, at: pd.Series) -> str:
    """What is predicted, with the interval for one run, and whether that meets the limits."""
    said = f"{quantity(at['mean'], response.unit)} predicted"
    known = np.isfinite(at["low"])
    if known:
        said += f", one new run {span(at['low'], at['high'])}"
    if (response.lower, response.upper) != (None, None):
        said += ": " + ("missed" if not response.meets(at["mean"])
                        else "met, interval not known" if not known
                        else "met" if response.meets(at["low"]) and response.meets(at["high"])
                        else "met by the mean, not by every run")
    return said + ("; beyond the runs" if at["beyond"] else "")


def _finding(fits: Sequence, region: Region, here: dict, at: pd.DataFrame, table: pd.DataFrame,
             level: float) -> tuple[str, str]:
    limited = [(f.response, v) for f, v in zip(fits, at["mean"], strict=True)
               if (f.response.lower, f.response.upper) != (None, None)]
    met = [r.label for r, v in limited if r.meets(v)]
    missed = [r.label for r, v in limited if not r.meets(v)]
    broken = region.violations(pd.DataFrame([here]))
    if broken:
        title = "This setting cannot be run"
    elif not limited:
        response = fits[0].response
        title = (f"{wording.capitalise(response.label)}: "
                 f"{quantity(at['mean'].iloc[0], response.unit)} predicted here")
    elif not missed:
        every = {1: "The prediction meets its", 2: "Both predictions meet their"}.get(
            len(met), f"All {len(met)} predictions meet their")
        title = f"{every} limits here"
    else:
        title = (f"{wording.capitalise(wording.join(missed))} "
                 f"{'misses its' if len(missed) == 1 else 'miss their'} limits here")
        title += f"; {wording.join(met)} {'meets' if len(met) == 1 else 'meet'} them" if met else ""
    said = [wording.join(broken).replace("row 1: ", "") + "."] if broken else []
    said.append("Bars: one factor at a time over its range, thin towards its low, thick towards "
                "its high.")
    kinds = set(table["mark"])
    limit = [text for mark, text in (("crossing", "ring: a limit is crossed"),
                                     ("turn", "small stroke: the response turns")) if mark in kinds]
    if (table["mark"].isin(("low", "high")) & (table["why"] != "")).any():
        limit.append("heavy stroke: a constraint stops the factor")
    if limit:
        said.append(wording.capitalise("; ".join(limit)) + ".")
    if np.isfinite(at["low"]).any():
        said.append(f"Dot: prediction, with the {100 * level:g}\u00a0% intervals of its mean "
                    "(thick) and of one new run (thin).")
    if any(f.response.scale == "log" for f in fits):
        said.append("Medians where the model is on a log scale.")
    over = [n for n in fits[0].region.nuisances if n not in here]
    if over:
        said.append(f"Averaged over {wording.join(fits[0].region[n].label for n in over)}.")
    return title, " ".join(said)

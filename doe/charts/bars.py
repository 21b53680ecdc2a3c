"""One factor's bar in a leeway chart, laid out in px: strokes, ticks, and texts clear of each
other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

import numpy as np
import pandas as pd

from doe.charts.scales import held_unit, number, quantity
from doe.charts.text import BREAK, bold, escape, lines, text_width
from doe.charts.theme import SMALL
from doe.factors import Factor
from doe.responses import Response

__all__ = ["Bar", "setting_text"]

_LANE, _BAR, _APART = 13, 22, 5  # px of a line of small text, of a bar, from its middle to a half
_CLEAR = 6  # px between texts
_BEYOND = 3  # px by which a bar reaches past its own end, for the end to lie inside


class Stroke(NamedTuple):
    """The part of a bar towards a factor's low or high, at `y` below the bar's middle."""

    left: float
    right: float
    y: float
    side: str


class Tick(NamedTuple):
    """A mark on a bar: "end", "cut", "crossing", "turn" or "level"."""

    x: float
    y: float
    kind: str
    hover: str


class Label(NamedTuple):
    """A text beside or above a bar; plain."""

    x: float
    y: float
    text: str
    anchor: str


@dataclass
class Bar:
    """How far one factor moves one response.

    Attributes
    ----------
    name : list of str
        The factor and its present setting, in escaped lines.
    tall : float
        Height of the row; `middle` is where in it the bar runs.
    """

    name: list[str]
    strokes: list[Stroke] = field(default_factory=list)
    ticks: list[Tick] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    tall: float = 0.0
    middle: float = 0.0

    @classmethod
    def of(cls, factor: Factor, marks: pd.DataFrame, response: Response, present: object,
           px: Callable[[float], float], here: float, names: float) -> Bar:
        """Lay out a bar.

        Parameters
        ----------
        marks : DataFrame
            The factor's rows of `doe.decision.leeway`, for one response.
        present : float or str
            Its present setting.
        px : callable
            From a value of the response to a place along the strip.
        here : float
            Place of the prediction.
        names : float
            Room for the name, px.
        """
        bar = cls(lines(f"{factor.label}, {setting_text(factor, present)}", names, SMALL, most=2))
        found = [m for m in marks.itertuples() if np.isfinite(m.predicted)]
        above: list[tuple[float, str]] = []
        apart = 0.0
        if not found:
            why = marks["why"].iloc[0]
            bar.labels.append(Label(here + 8, 0.0, f"cannot be run: {why}", "left"))
        elif factor.is_numeric:
            apart = bar._draw_halves(factor, found, response, present, px, here, above)
        else:
            at = [px(m.predicted) for m in found]
            bar.strokes.append(Stroke(min(at), max(at), 0.0, "low"))
            for m, x in zip(found, at, strict=True):
                bar.ticks.append(Tick(x, 0.0, "level", _hover(m, factor, response)))
                above.append((x, m.setting))
        placed = _laned(above)
        depth = 1 + max((lane for _, _, lane in placed), default=-1)
        bar.middle = depth * _LANE + _BAR / 2 + apart
        bar.tall = depth * _LANE + _BAR + 2 * apart
        short = 1.3 * SMALL * len(bar.name) + 4 - bar.tall
        if short > 0:
            bar.tall, bar.middle = bar.tall + short, bar.middle + short / 2
        bar.labels += [Label(x, -apart - 8 - _LANE * (lane + 0.5), text, "center")
                       for x, text, lane in placed]
        return bar

    def _draw_halves(self, factor: Factor, marks: list, response: Response, present: float,
                     px: Callable[[float], float], here: float,
                     above: list[tuple[float, str]]) -> float:
        """Both parts of a numeric factor's bar; how far off the middle they run, where one would
        cover the other."""
        ends = {m.mark: m for m in marks if m.mark in ("low", "high")}
        at = {side: px(m.predicted) for side, m in ends.items()}
        reach = {}
        for side in ends:
            turns = [px(m.predicted) for m in marks if m.mark == "turn"
                     and (m.setting < present) == (side == "low")]
            reach[side] = (min(here, at[side], *turns), max(here, at[side], *turns))
        rightward = {side: _rightward(at[side], at["high" if side == "low" else "low"], here,
                                      side) for side in ends}
        covered = min(r for _, r in reach.values()) - max(r for r, _ in reach.values())
        beside = rightward["low"] == rightward["high"]
        apart = _APART if covered > _BEYOND or beside else 0.0
        up = {"low": -apart, "high": apart}
        for side, m in ends.items():
            x, (left, right) = at[side], reach[side]
            self.strokes.append(Stroke(left, right, up[side], side))
            self.ticks.append(Tick(x, up[side], "cut" if m.why else "end",
                                   _hover(m, factor, response)))
            text = setting_text(factor, m.setting)
            if (right - x if rightward[side] else x - left) > _BEYOND:
                above.append((x, text))
            else:
                self.labels.append(Label(x + (8 if rightward[side] else -8), up[side], text,
                                         "left" if rightward[side] else "right"))
        for m in marks:
            if m.mark in ends:
                continue
            x = px(m.predicted)
            self.ticks.append(Tick(x, up["low" if m.setting < present else "high"], m.mark,
                                   _hover(m, factor, response)))
            text = setting_text(factor, m.setting)
            if m.mark == "crossing":
                above.append((x, text))
            elif min(abs(x - e) for e in at.values()) > 2:  # else the end says as much
                above.append((x, f"{m.why} at {text}"))
        return apart


def _rightward(x: float, other: float, here: float, side: str) -> bool:
    """Whether an end's setting stands right of it: away from the prediction, or where the end
    lies on that, away from the other end."""
    if abs(x - here) > 0.5:
        return x > here
    return other < here - 0.5 or (abs(other - here) <= 0.5 and side == "high")


def setting_text(factor: Factor, value: object) -> str:
    """A setting with its unit, without the factor's name."""
    return f"{number(value)}{held_unit(factor.unit)}" if factor.is_numeric else str(value)


def _hover(m, factor: Factor, response: Response) -> str:
    why = {"crossing": f"{m.why} crossed", "turn": f"{m.why} along {factor.label}"}.get(
        m.mark, f"stopped by {m.why}" if m.why else "")
    said = [bold(f"{factor.label} {setting_text(factor, m.setting)}"),
            escape(f"{response.label}: {quantity(m.predicted, response.unit)}"), escape(why)]
    return BREAK.join(filter(None, said))


def _laned(texts: list[tuple[float, str]]) -> list[tuple[float, str, int]]:
    """Centred texts with the lowest line on which each is clear of those before."""
    out, ends = [], []
    for x, text in sorted(texts):
        half = text_width(text, SMALL) / 2
        lane = next((i for i, end in enumerate(ends) if x - half > end + _CLEAR), len(ends))
        ends[lane:lane + 1] = [x + half]
        out.append((x, text, lane))
    return out

"""The runs inside a brief's region that ask most of the mixer.

What a run asks for is a setting, a product of two, or the sum of all times. Factors that no
constraint joins are free of each other, so each such *part* of the region is looked at by itself
and its extremes are put together: the work grows with the largest part, not with the number of
combinations of all factors.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.budgets import lengthened
from doe.constraints import Constraint
from doe.factors import Region
from doe.programme import FORMS, QUANTITIES, source_of

if TYPE_CHECKING:
    from doe.brief import Brief

__all__ = ["extremes", "neutral"]

_GRID_ROWS = 5_000
_MOST_ROWS = 20_000
"""Of a part on its full grid; a larger one is looked at from chosen points."""
_ALONG, _SWEEPS, _MOST_CORNERS, _MOST_DRAWN, _MOST_POINTS = 9, 2, 16, 200, 24


def extremes(brief: Brief) -> list[dict]:
    """Settings inside the region where a speed, time or pressure is greatest or least.

    Found on a grid; the longest programme reaches up to the limits between its points.
    """
    region, count = brief.region, _grid_count(brief.region)
    parts = [_Part(part, count) for part in _parts(region)]
    first = {}
    for part in parts:
        if part.first is None:
            return []
        first |= part.first
    at = [first | _extreme(parts, brief, how, names, pick)
          for how, names in _asked(brief) for pick in (np.argmax, np.argmin)]
    at = [{name: settings[name] for name in region.names} for settings in at]
    return [*{tuple(s.values()): s for s in at}.values(), lengthened(region, at[0])]


def neutral(brief: Brief, settings: Mapping) -> dict[str, float]:
    """Harmless values for quantities that are neither varied nor held."""
    known = {**brief.held, **settings}
    mixer, out = brief.mixer, {}
    for step in brief.programme_steps:
        has = {what: source_of(known, step, what) for what in FORMS}
        name = {q: f"{step}_{q}" if step else q for q in QUANTITIES}
        speed = (float(mixer.rpm(has["revolution"], known[has["revolution"]])[0])
                 if has["revolution"] else sum(mixer.revolution_range) / 2)
        if not has["revolution"]:
            out[name["revolution"]] = speed
        # A ratio alone says nothing of the rotation; a rotation in rpm or as a level does.
        ratio = (has["rotation"] or "").endswith("rotation_ratio")
        if not has["rotation"] or (ratio and not has["revolution"]):
            rotation = np.clip(speed / 3, *mixer.rotation_range)
            out[name["rotation_ratio"]] = float(rotation / speed) if speed else 0.0
        if not has["time"]:
            out[name["time"]] = mixer.time_increment
    return out


def _asked(brief: Brief) -> list[tuple[str, list[str]]]:
    """The quantities, each as "sum" or "product" of settings; the time of all steps first."""
    known = (*brief.region.names, *brief.held)
    steps = [{what: source_of(known, step, what) for what in FORMS}
             for step in brief.programme_steps]
    out = [("sum", [s["time"] for s in steps if s["time"]])]
    for s in steps:
        if s["revolution"] and (s["rotation"] or "").endswith("rotation_ratio"):
            out.append(("product", [s["revolution"], s["rotation"]]))
        out += [("product", [name]) for name in s.values() if name]
    return out


def _extreme(parts: Sequence[_Part], brief: Brief, how: str, names: Sequence[str],
             pick) -> dict:
    """Settings of the factors it depends on where the quantity is greatest or least.

    Levels of a dial count as the speeds they stand for.
    """
    combine = np.sum if how == "sum" else np.prod
    held, size = brief.held, lambda n, values: brief.mixer.rpm(n, values)[0]
    fixed = combine([float(size(n, held[n])) for n in names if n in held])
    ends = []
    for part in parts:
        own = [n for n in names if n in part.region.names]
        if own:
            table = part.table(own)
            values = combine([size(n, table[n]) for n in own], axis=0)
            # The greatest product may be that of the least two, if both are below zero.
            rows = {int(p(values)) for p in ([pick] if how == "sum" else [np.argmin, np.argmax])}
            ends.append([(values[row], table.iloc[row].to_dict()) for row in sorted(rows)])
    mixes = list(product(*ends))
    best = mixes[int(pick([combine([fixed, *(v for v, _ in mix)]) for mix in mixes]))]
    return {name: value for _, settings in best for name, value in settings.items()}


def _parts(region: Region) -> list[Region]:
    """The region in parts that no constraint joins, each with its own constraints."""
    group = {name: [name] for name in region.names}
    for constraint in region.constraints:
        joined = list(dict.fromkeys(n for name in constraint.names for n in group[name]))
        group |= dict.fromkeys(joined, joined)
    out = []
    for names in {id(g): g for g in group.values()}.values():
        own = [c for c in region.constraints if c.names[0] in names]
        out.append(Region(tuple(f for f in region.factors if f.name in names), tuple(own)))
    return out


@dataclass(frozen=True, eq=False)
class _Part:
    """Factors that constraints join, and settings of theirs that keep these."""

    region: Region
    count: int

    @cached_property
    def _grid(self) -> pd.DataFrame | None:
        """All combinations of about `count` settings a factor; None if they are too many."""
        rows = math.prod(len(f.levels) or self.count for f in self.region.factors)
        few = rows <= _MOST_ROWS or not self.region.constraints
        return self.region.grid(self.count) if few else None

    @cached_property
    def first(self) -> dict | None:
        """One of the settings; None if none was found."""
        table = self.table(())
        return None if table.empty else table.iloc[0].to_dict()

    def table(self, names: Sequence[str]) -> pd.DataFrame:
        """Settings that keep the constraints, at which these factors take different values."""
        if self._grid is not None:
            return self._grid
        names = list(dict.fromkeys(names))
        own = {n: _some(self.region[n].settings(_ALONG)) for n in names}
        moves = (list(product(*own.values())) if len(names) <= 2 else
                 list(zip(*([v[round(s * (len(v) - 1))] for s in np.linspace(0, 1, _ALONG)]
                            for v in own.values()), strict=True)))
        rows = [{**point, **dict(zip(names, move, strict=True))}
                for point in self._points for move in moves]
        table = pd.DataFrame([*self._points, *rows], columns=self.region.names)
        return table[self.region.contains(table)].reset_index(drop=True)

    @cached_property
    def _points(self) -> list[dict]:
        """Corners, the middle and a few more, those that keep all the constraints."""
        low, middle, high = ({f.name: v for f, v in zip(self.region.factors, values, strict=True)}
                             for values in ([f.low for f in self.region.factors],
                                            [f.centre for f in self.region.factors],
                                            [f.high for f in self.region.factors]))
        limits = self.region.constraints
        drawn = np.random.default_rng(0).uniform(size=(_MOST_DRAWN, len(self.region)))
        points = [low, high, middle, self._kept(limits),
                  *(self._kept([limit]) for limit in limits[:_MOST_CORNERS]),
                  *self.region.decode(2 * drawn - 1).to_dict("records")]
        table = self.region.snap(pd.DataFrame(points)).drop_duplicates()
        return table[self.region.contains(table)].head(_MOST_POINTS).to_dict("records")

    def _kept(self, limits: Sequence[Constraint]) -> dict:
        """The middle, with one factor after the other moved to where the limits are kept best."""
        at = {f.name: f.centre for f in self.region.factors}
        scale = [max(1.0, abs(c.upper)) for c in limits]

        def excess(settings: dict) -> tuple[float, float]:
            over = [float(c.value(settings)[0] - c.upper) / s
                    for c, s in zip(limits, scale, strict=True)]
            return max(0.0, *over), sum(over)

        for _ in range(_SWEEPS):
            for f in self.region.factors:
                if any(f.name in c.names for c in limits):
                    at = min(({**at, f.name: v} for v in (at[f.name], f.low, f.centre, f.high)),
                             key=excess)
        return at


def _some(values: np.ndarray) -> np.ndarray:
    return values[np.unique(np.linspace(0, len(values) - 1, _ALONG).round().astype(int))]


def _grid_count(region: Region) -> int:
    fixed = math.prod(len(f.levels) for f in region.factors if f.levels)
    free = sum(not f.levels for f in region.factors)
    return int(np.clip((_GRID_ROWS / fixed) ** (1 / free), 2, 41)) if free else 2

"""The runs inside a brief's region that ask most of the mixer."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.budgets import lengthened
from doe.factors import Region
from doe.programme import QUANTITIES, setting_of

if TYPE_CHECKING:
    from doe.brief import Brief

__all__ = ["extremes", "neutral"]

_GRID_ROWS = 5_000


def extremes(brief: Brief) -> list[dict]:
    """Settings inside the region where a speed, time or pressure is greatest or least.

    Found on a grid; the longest programme reaches up to the limits between its points.
    """
    grid = brief.region.grid(_grid_count(brief.region))
    if grid.empty:
        return []
    wanted = []
    total = np.zeros(len(grid))
    for step in brief.programme_steps:
        part = {q: _column(grid, brief.held, step, q) for q in QUANTITIES}
        wanted += [part["revolution"] * part["rotation_ratio"], *part.values()]
        total += np.nan_to_num(part["time"])
    rows = [pick(values) for values in [total, *wanted] if np.isfinite(values).all()
            for pick in (np.argmax, np.argmin)]
    longest = grid.iloc[int(np.argmax(total))].to_dict()
    return [*(grid.iloc[row].to_dict() for row in dict.fromkeys(rows)),
            lengthened(brief.region, longest)]


def neutral(brief: Brief, settings: Mapping) -> dict[str, float]:
    """Harmless values for quantities that are neither varied nor held."""
    known = {**brief.held, **settings}
    mixer, out = brief.mixer, {}
    for step in brief.programme_steps:
        has = {q: setting_of(known, step, q) for q in QUANTITIES}
        name = {q: f"{step}_{q}" if step else q for q in QUANTITIES}
        speed = (known[has["revolution"]] if has["revolution"]
                 else sum(mixer.revolution_range) / 2)
        if not has["revolution"]:
            out[name["revolution"]] = speed
        if not (has["rotation_ratio"] and has["revolution"]):
            rotation = np.clip(speed / 3, *mixer.rotation_range)
            out[name["rotation_ratio"]] = float(rotation / speed) if speed else 0.0
        if not has["time"]:
            out[name["time"]] = mixer.time_increment
    return out


def _column(grid: pd.DataFrame, held: Mapping, step: str, quantity: str) -> np.ndarray:
    name = setting_of((*grid, *held), step, quantity)
    return (np.full(len(grid), np.nan) if name is None else grid[name].to_numpy(float)
            if name in grid else np.full(len(grid), float(held[name])))


def _grid_count(region: Region) -> int:
    fixed = np.prod([len(f.levels) for f in region.factors if f.levels])
    free = sum(not f.levels for f in region.factors)
    return int(np.clip((_GRID_ROWS / fixed) ** (1 / free), 2, 41)) if free else 2

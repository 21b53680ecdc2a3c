"""How far a factor may drift before a predicted mean leaves its specification."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from doe.decision.surface import Stack, rotations, same_region
from doe.factors import Region

__all__ = ["tolerances"]

POINTS = 401
EDGE = "edge of the region"


def tolerances(fits: Sequence, settings: Mapping[str, object]) -> pd.DataFrame:
    """Range of each numeric factor, one at a time, in which every predicted mean stays in.

    Nothing is claimed beyond the region: there the range ends.

    Parameters
    ----------
    fits : sequence of Fit, MixedFit or KindFit
    settings : mapping
        A value for each factor, natural units. With revolution and rotation ratio, a drift
        of the revolution keeps the ratio; that of the rotation is told in a row of its own.
        Predictions are averaged over nuisance factors that are not among them.

    Returns
    -------
    DataFrame
        ``factor, label, unit, setting, low, high, limit_low, limit_high``: the ends and what
        sets them (a response's label, a constraint, or the edge of the region). The ends are
        missing if the setting itself does not meet every specification.
    """
    over = [n for n in same_region(fits).nuisances if n not in settings]
    stack = Stack(fits, over=over)
    region = stack.region
    rows = []
    for f in region.numeric:
        here = float(settings[f.name])
        line = np.union1d(np.linspace(f.low, f.high, POINTS), [here])
        ends, why = {}, {}
        good, broken = _state(stack, settings, f.name, line)
        i = int(np.abs(line - here).argmin())
        for side, step in (("low", -1), ("high", 1)):
            if not good[i]:
                ends[side], why[side] = np.nan, broken(i)
                continue
            j = i
            while 0 <= j + step < len(line) and good[j + step]:
                j += step
            if not 0 <= j + step < len(line):
                ends[side], why[side] = line[j], EDGE
            else:
                fine = np.linspace(line[j], line[j + step], POINTS)
                kept, _ = _state(stack, settings, f.name, fine)
                last = int(np.argmin(kept)) - 1 if not kept.all() else len(fine) - 1
                ends[side], why[side] = fine[last], broken(j + step)
        rows.append({"factor": f.name, "label": f.label, "unit": f.unit, "setting": here,
                     "low": ends["low"], "high": ends["high"], "limit_low": why["low"],
                     "limit_high": why["high"]})
    for rotation, revolution, ratio in rotations(region.names):
        i = next(i for i, row in enumerate(rows) if row["factor"] == ratio)
        speed = float(settings[revolution])
        rows.insert(i + 1, rows[i] | {
            "factor": rotation, "label": rotation.replace("_", " "), "unit": "rpm",
            **{k: rows[i][k] * speed for k in ("setting", "low", "high")}})
    return pd.DataFrame(rows, columns=["factor", "label", "unit", "setting", "low", "high",
                                       "limit_low", "limit_high"])


def _state(stack: Stack, settings: Mapping, name: str, values: np.ndarray):
    """Which values keep every limit, and a function that says what breaks at a position."""
    region: Region = stack.region
    table = pd.DataFrame({n: [settings[n]] * len(values) for n in region.names})
    table[name] = values
    means = stack.means(region.encode(table))
    checks = []
    for r, response in enumerate(stack.responses):
        low = -np.inf if response.lower is None else response.lower
        high = np.inf if response.upper is None else response.upper
        checks.append((response.label, (means[:, r] >= low) & (means[:, r] <= high)))
    checks += [(c.said, c.holds(table)) for c in region.constraints]
    good = np.logical_and.reduce([ok for _, ok in checks]) if checks else np.ones(len(values), bool)

    def broken(i: int) -> str:
        return ", ".join(label for label, ok in checks if not ok[i])
    return good, broken

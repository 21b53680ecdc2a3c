"""The operating window: where in the plane of two factors every specification is met."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.decision.recipe_words import averaged_over
from doe.decision.surface import Stack, held_columns, rotations, same_region, settings_text
from doe.errors import InputError, as_number
from doe.factors import Region
from doe.wording import capitalise, join, percent

__all__ = ["OperatingWindow", "operating_window"]


@dataclass(frozen=True, eq=False)
class OperatingWindow:
    """Predictions over a grid in two factors, and where they meet the specifications.

    Attributes
    ----------
    table : DataFrame
        One row a grid point, `y` running fastest: the two factors, ``inside`` (may be run),
        and for each response its predicted mean under the response's own name, the limits of
        the prediction interval ``*_low, *_high``, and ``*_meets`` for the mean; at last
        ``meets_all`` (every mean) and ``meets_all_intervals`` (every prediction interval),
        both only where the point may be run.
    x, y : str
    shape : (int, int)
        Number of values of x and of y.
    fixed : dict
        Setting of every other factor.
    share, share_intervals : float
        Part of the grid points inside the region that meets every specification by the
        predicted mean, and by the prediction interval (NaN if a model has none).
    shares : dict
        The same for the mean of each response alone.
    level : float
    sentence : str
    """

    table: pd.DataFrame
    x: str
    y: str
    shape: tuple[int, int]
    fixed: dict
    share: float
    share_intervals: float
    shares: dict
    level: float
    sentence: str


def operating_window(fits: Sequence, *, x: str, y: str, fixed: Mapping[str, object] | None = None,
                     count: int = 41, level: float = 0.95) -> OperatingWindow:
    """Where in the plane of two factors every response meets its specification.

    Parameters
    ----------
    fits : sequence of Fit, MixedFit or KindFit
        One a response, over one region.
    x, y : str
        Two numeric factors.
    fixed : mapping, optional
        Settings of the others, e.g. ``recipe.settings``, of which x, y and the rotation that
        follows from them are passed over. Those not given are at the centre, or at their
        first level; nuisance factors that are not given are averaged over.
    count : int
        Values along each continuous factor; ordinal factors show their levels.
    level : float
        Of the prediction intervals, each response by itself.

    Raises
    ------
    InputError
        If x or y is no numeric factor, or no grid point may be run.
    """
    over = [n for n in same_region(fits).nuisances if n not in (x, y, *(fixed or {}))]
    stack = Stack(fits, _level(level), over)
    region = stack.region
    axes = [_axis(region, name, key, count) for name, key in ((x, "x"), (y, "y"))]
    if x == y:
        raise InputError("y", y, "it is the same factor as x", "Choose another factor")
    held = _held(region, fixed, (x, y))
    across, along = np.meshgrid(*axes, indexing="ij")
    settings = pd.DataFrame({n: (across.ravel() if n == x else along.ravel() if n == y
                                 else [held[n]] * across.size) for n in region.names})
    inside = region.contains(settings)
    if not inside.any():
        raise InputError("fixed", held, "no point of this plane may be run",
                         "Hold other settings, or loosen a constraint")
    means, low, high = stack.intervals(region.encode(settings))
    table = settings[[x, y]].copy()
    table["inside"] = inside
    units = {f.name: f.unit for f in (region[x], region[y])}
    mean_ok, interval_ok, shares = inside.copy(), inside.copy(), {}
    for r, response in enumerate(stack.responses):
        name = response.name
        table[name] = means[:, r]
        table[f"{name}_low"], table[f"{name}_high"] = low[:, r], high[:, r]
        meets = _within(response, means[:, r], means[:, r])
        table[f"{name}_meets"] = meets
        shares[name] = float(meets[inside].mean())
        mean_ok &= meets
        interval_ok &= _within(response, low[:, r], high[:, r])
        units |= dict.fromkeys((name, f"{name}_low", f"{name}_high"), response.unit)
    table["meets_all"], table["meets_all_intervals"] = mean_ok, interval_ok
    table.attrs["units"] = units
    share = float(mean_ok[inside].mean())
    limited = [r for r, p in enumerate(stack.responses) if (p.lower, p.upper) != (None, None)]
    known = bool(np.isfinite(low[:, limited]).all())
    share_intervals = float(interval_ok[inside].mean()) if known else np.nan
    sentence = _sentence(stack, region, x, y, held, share, share_intervals, shares, level)
    return OperatingWindow(table, x, y, across.shape, held, share, share_intervals, shares, level,
                           sentence)


def _level(level: float) -> float:
    if not 0 < as_number("level", level) < 1:
        raise InputError("level", level, "it must lie between 0 and 1", "Use 0.95")
    return level


def _axis(region: Region, name: str, key: str, count: int) -> np.ndarray:
    f = region[name]
    if not f.is_numeric:
        raise InputError(key, name, "a categorical factor has no axis", "Choose a numeric factor")
    if f.kind == "ordinal":
        return np.asarray(f.levels, float)
    if isinstance(count, bool) or not isinstance(count, (int, np.integer)) or count < 2:
        raise InputError("count", count, "at least two values are needed along an axis",
                         "Give a whole number from 2")
    return np.linspace(f.low, f.high, int(count))


def _held(region: Region, fixed: Mapping[str, object] | None, shown: tuple[str, str]) -> dict:
    follows = {rotation for rotation, _, _ in rotations(region.names)}
    given = {n: v for n, v in (fixed or {}).items() if n not in shown and n not in follows}
    held_columns(region, given)
    return {f.name: given.get(f.name, f.centre if f.is_numeric else f.levels[0])
            for f in region.factors if f.name not in shown}


def _within(response, low: np.ndarray, high: np.ndarray) -> np.ndarray:
    ok = np.ones(len(low), bool)
    if response.lower is not None:
        ok &= low >= response.lower
    if response.upper is not None:
        ok &= high <= response.upper
    return ok


def _sentence(stack, region, x, y, held, share, share_intervals, shares, level) -> str:
    limited = [r for r in stack.responses if (r.lower, r.upper) != (None, None)]
    plane = f"{region[x].label} and {region[y].label}"
    start = f"At {settings_text(region, held, list(held))}, " if held else ""
    if not limited:
        return capitalise(f"{start}no response has specification limits, so the whole plane of "
                          f"{plane} is open.")
    text = (f"{start}{percent(share)} of the region in {plane} meets every specification by the "
            "predicted mean")
    if np.isfinite(share_intervals):
        text += f", {percent(share_intervals)} with every {percent(level)} prediction interval"
    else:
        text += "; a model leaves no degrees of freedom for error, so there are no intervals"
    least = min(limited, key=lambda r: shares[r.name])
    if len(limited) > 1 and shares[least.name] < 1:
        text += (f". {capitalise(least.label)} limits it most: alone, it is met in "
                 f"{percent(shares[least.name])}")
    tight = [r.label for r in limited if shares[r.name] == 0]
    if share == 0 and tight:
        text += f". Nowhere in this plane is the specification of {join(tight)} met"
    return " ".join([capitalise(text + "."), *averaged_over(stack)])

"""A plane through the region: two factors vary, the others are held.

Shared by the contour, the surface and the operating window: the grid of settings, the part
that may be run, and what is said about the factors held.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.charts.scales import say_setting
from doe.errors import as_choice, as_number
from doe.factors import Factor, Region

__all__ = ["Plane", "held_settings"]


def held_settings(region: Region, fixed: Mapping | None = None) -> dict:
    """A full setting: `fixed` where given, else mid-range (first level of a category).

    A rotation that follows from revolution and rotation ratio, as in a recipe's settings,
    is passed over.

    Raises
    ------
    InputError
        If a name is unknown or a value outside its factor's range or levels.
    """
    fixed = dict(fixed or {})
    follows = {n.removesuffix("_ratio") for n in region.names if n.endswith("rotation_ratio")}
    for name in fixed.keys() - follows:
        as_choice("fixed, factor", name, tuple(region.names))
    out = {}
    for f in region.factors:
        where = f"fixed, '{f.name}'"
        if not f.is_numeric:
            out[f.name] = as_choice(where, fixed.get(f.name, f.levels[0]), f.levels)
        elif f.name in fixed:
            slack = 1e-9 * f.half_range
            out[f.name] = as_number(where, _plain(fixed[f.name]), at_least=f.low - slack,
                                    at_most=f.high + slack)
        else:
            out[f.name] = float(f.snap([f.centre])[0])
    return out


def _plain(value: object) -> object:
    return value.item() if isinstance(value, np.generic) else value


@dataclass(frozen=True)
class Plane:
    """Two factors over their ranges, the others held.

    Attributes
    ----------
    x, y : Factor
    held : dict
        Setting of every factor; those of `x` and `y` are not used.
    xs, ys : ndarray, shapes (n,) and (m,)
        Grid, natural units.
    """

    region: Region
    x: Factor
    y: Factor
    held: dict
    xs: np.ndarray
    ys: np.ndarray

    @classmethod
    def through(cls, region: Region, x: str, y: str, fixed: Mapping | None = None,
                count: int = 61) -> Plane:
        """The plane of factors `x` and `y`.

        Raises
        ------
        InputError
            If `x` and `y` are not two different numeric factors, or `fixed` cannot be used.
        """
        numeric = tuple(f.name for f in region.numeric)
        as_choice("plane, x", x, numeric)
        as_choice("plane, y", y, tuple(n for n in numeric if n != x))
        fx, fy = region[x], region[y]
        return cls(region, fx, fy, held_settings(region, fixed),
                   np.linspace(fx.low, fx.high, count), np.linspace(fy.low, fy.high, count))

    @property
    def others(self) -> list[Factor]:
        """The factors held."""
        return [f for f in self.region.factors if f.name not in (self.x.name, self.y.name)]

    @property
    def held_text(self) -> str:
        """What is held at what, in words; empty if nothing is."""
        if not self.others:
            return ""
        return "Held: " + ", ".join(say_setting(f, self.held[f.name]) for f in self.others)

    def settings(self, xs: np.ndarray | None = None, ys: np.ndarray | None = None) -> pd.DataFrame:
        """Every grid point as a setting, rows of `ys` outermost; shape (m n, k)."""
        gx, gy = np.meshgrid(self.xs if xs is None else xs, self.ys if ys is None else ys)
        table = pd.DataFrame({f.name: np.full(gx.size, self.held[f.name]) if f.is_numeric
                              else [self.held[f.name]] * gx.size for f in self.region.factors})
        table[self.x.name], table[self.y.name] = gx.ravel(), gy.ravel()
        return table

    def shape(self, values: object) -> np.ndarray:
        """Values of `settings()` on the grid; shape (m, n)."""
        return np.asarray(values).reshape(len(self.ys), len(self.xs))

    def allowed(self) -> np.ndarray:
        """Which grid points may be run; boolean, shape (m, n)."""
        return self.shape(self.region.contains(self.settings()))

    def allowed_band(self, xs: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """Lowest and highest `y` that may be run at each of `xs`; NaN where none may.

        Constraints are sums of products, so along `y` each is (but for powers of `y`) a
        straight line, and its crossing found by interpolation is exact.
        """
        fine = np.linspace(self.y.low, self.y.high, 4 * len(self.ys) + 1)
        xs = self.xs if xs is None else xs
        table = self.settings(xs, fine)
        low = np.full(len(xs), self.y.low)
        high = np.full(len(xs), self.y.high)
        for c in self.region.constraints:
            over = (c.value(table) - c.upper) * np.ones(len(table))
            over = over.reshape(len(fine), len(xs))
            over[np.abs(over) <= 1e-9 * max(1.0, abs(c.upper))] = 0.0
            for j, column in enumerate(over.T):
                kept = np.flatnonzero(column <= 0)
                if not len(kept):
                    low[j] = high[j] = np.nan
                    continue
                first, last = kept[0], kept[-1]
                if first > 0:
                    low[j] = max(low[j], _crossing(fine, column, first - 1))
                if last < len(fine) - 1:
                    high[j] = min(high[j], _crossing(fine, column, last))
        nowhere = ~(low <= high)
        low[nowhere] = high[nowhere] = np.nan
        return low, high

    def at_held(self, settings: pd.DataFrame) -> np.ndarray:
        """Which settings have the other factors where they are held; boolean, shape (n,)."""
        near = np.ones(len(settings), bool)
        for f in self.others:
            if f.is_numeric:
                near &= np.abs(settings[f.name].to_numpy(float) - self.held[f.name]) \
                    <= 0.02 * f.half_range
            else:
                near &= (settings[f.name] == self.held[f.name]).to_numpy()
        return near

    def reasons(self) -> list[str]:
        """Why the excluded part of the plane cannot be run, each reason once."""
        table = self.settings()
        return list(dict.fromkeys(c.said for c in self.region.constraints
                                  if not c.holds(table).all()))


def _crossing(at: np.ndarray, value: np.ndarray, i: int) -> float:
    """Where `value` is zero between places `i` and `i + 1`."""
    a, b = value[i], value[i + 1]
    return float(at[i] + (at[i + 1] - at[i]) * a / (a - b))

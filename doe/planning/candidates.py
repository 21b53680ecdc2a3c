"""The settings a search may choose from, in the coordinates it works in.

A *point* has one number a factor: coded units (centre 0, half-range 1) for a numeric
factor, the number of the level from 0 for a categorical one.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.rules import Allowed, ask
from doe.planning.settle import outside_mixer, sample
from doe.terms import Term, exponents

__all__ = ["Along", "Space", "distinct", "products"]

FEW = 21
"""A factor with at most this many settable values is searched over just these."""
_SAMPLED = 10_000
_THIN = 0.05
"""Share of a lattice inside below which it is taken to miss too much of the region."""
_LINES = 100
_EVERY = 99
_FEW_WAYS = 500
"""Asking about more points at once is cheaper than asking oftener for up to so many ways."""


@dataclass(frozen=True, eq=False)
class Along:
    """How the model depends on one factor while the others are held.

    A model row is ``f = sum_a basis_a(x) H_a`` with ``H_a = h * mask[a]``, where ``h`` is the
    product of the other factors (`picks`).
    """

    picks: np.ndarray
    mask: np.ndarray
    powers: np.ndarray
    table: np.ndarray | None

    def basis(self, values: np.ndarray) -> np.ndarray:
        """Basis functions at values of the factor; shape (..., m)."""
        if self.table is not None:
            return self.table[np.asarray(values, int)]
        return values[..., None] ** self.powers


@dataclass(frozen=True, eq=False)
class Space:
    """A region with a model over it.

    Parameters
    ----------
    region : Region
    terms : tuple of Term
    mixer : Mixer, optional
        Settings beyond its reach are left out.
    allowed : callable, optional
        Takes a DataFrame of settings in natural units, returns one boolean a row.
    """

    region: Region
    terms: tuple[Term, ...]
    mixer: Mixer | None = None
    allowed: Allowed | None = None

    @cached_property
    def _model(self) -> tuple[np.ndarray, list[str]]:
        return exponents(self.region, self.terms)

    @property
    def columns(self) -> list[str]:
        """Names of the p model columns."""
        return self._model[1]

    @cached_property
    def picks(self) -> np.ndarray:
        """Each model column as a product of encoded columns, 0 meaning one; shape (p, degree)."""
        powers = self._model[0]
        chosen = [[q + 1 for q, power in enumerate(row) for _ in range(power)] for row in powers]
        degree = max(1, *(len(c) for c in chosen)) if chosen else 1
        return np.array([c + [0] * (degree - len(c)) for c in chosen], int).reshape(-1, degree)

    @cached_property
    def places(self) -> list[list[int]]:
        """For each factor the encoded columns (from 1) that it fills."""
        out, at = [], 1
        for f in self.region.factors:
            width = 1 if f.is_numeric else len(f.levels) - 1
            out.append(list(range(at, at + width)))
            at += width
        return out

    @cached_property
    def along(self) -> list[Along]:
        """For each factor, the model as a function of it alone."""
        out = []
        for j, f in enumerate(self.region.factors):
            columns = self.places[j]
            powers = self._model[0][:, [c - 1 for c in columns]]
            patterns = np.unique(np.vstack([np.zeros_like(powers[:1]), powers]), axis=0)
            mask = (powers[None] == patterns[:, None]).all(axis=2).astype(float)
            picks = np.where(np.isin(self.picks, columns), 0, self.picks)
            table = None
            if not f.is_numeric:
                coded = _sum_coding(len(f.levels))
                table = (coded[:, None, :] ** patterns[None]).prod(axis=2)
            out.append(Along(picks, mask, patterns[:, 0], table))
        return out

    def encode(self, points: np.ndarray) -> np.ndarray:
        """Encoded columns after a column of ones; (..., k) gives (..., 1 + q)."""
        parts = [np.ones((*points.shape[:-1], 1))]
        for j, f in enumerate(self.region.factors):
            x = points[..., j]
            parts.append(x[..., None] if f.is_numeric
                         else _sum_coding(len(f.levels))[x.astype(int)])
        return np.concatenate(parts, axis=-1)

    def rows(self, points: np.ndarray) -> np.ndarray:
        """Model rows; (..., k) gives (..., p)."""
        return products(self.encode(points), self.picks)

    def settings(self, points: np.ndarray) -> pd.DataFrame:
        """Natural settings of points; (n, k)."""
        return pd.DataFrame({
            f.name: f.decode(points[:, j]) if f.is_numeric
            else np.asarray(f.levels, object)[points[:, j].astype(int)]
            for j, f in enumerate(self.region.factors)})

    def points(self, settings: pd.DataFrame) -> np.ndarray:
        """Points of natural settings; (n, k)."""
        self.region.encode(settings)  # the one place that refuses bad settings
        return np.column_stack([
            f.code(settings[f.name]) if f.is_numeric
            else [f.levels.index(v) for v in settings[f.name]] for f in self.region.factors])

    @property
    def bounded(self) -> bool:
        """True if not every combination of levels may be run."""
        return bool(self.region.constraints) or not (self.mixer is None and self.allowed is None)

    def feasible(self, points: np.ndarray) -> np.ndarray:
        """Which points may be run; (..., k) gives (...)."""
        shape, flat = points.shape[:-1], points.reshape(-1, points.shape[-1])
        inside = np.ones(len(flat), bool)
        for j, f in enumerate(self.region.factors):
            if f.is_numeric:
                inside &= np.abs(flat[:, j]) <= 1 + 1e-9
        if self.region.constraints or self.mixer is not None:
            # Columns by name do for these, and are far quicker to make than a table.
            natural = {f.name: f.decode(flat[:, j]) for j, f in enumerate(self.region.factors)
                       if f.is_numeric}
            for constraint in self.region.constraints:
                inside &= constraint.holds(natural)
            if self.mixer is not None:
                for bad in outside_mixer(natural, self.mixer).values():
                    inside &= ~bad
        if self.allowed is not None:
            inside &= ask(self.allowed, self.settings(flat))
        return inside.reshape(shape)

    def inward(self, inside: np.ndarray, outside: np.ndarray, halvings: int = 24) -> np.ndarray:
        """The last point that may be run on the way from `inside` to `outside`; (n, k).

        Found by sections, to ``2^-halvings`` of the way, so a curved limit or a rule known only
        as a function serves as well as a plane.
        """
        bits = 5 if len(inside) < _FEW_WAYS else 1
        marks = np.arange(1, 2**bits) / 2**bits
        low, length = np.zeros(len(inside)), 1.0
        for _ in range(-(-halvings // bits)):
            at = low[:, None] + length * marks
            ok = self.feasible(inside[:, None] + at[..., None] * (outside - inside)[:, None])
            length /= 2**bits
            low = low + length * np.logical_and.accumulate(ok, axis=1).sum(axis=1)
        return inside + low[:, None] * (outside - inside)

    def reach(self, points: np.ndarray, j: int) -> tuple[np.ndarray, np.ndarray]:
        """How far factor j may go by the constraints while the others stay; two of shape (n,).

        Constraints with a power of the factor itself are left to `feasible`.
        """
        low, high = np.full(len(points), -1.0), np.full(len(points), 1.0)
        name = self.region.factors[j].name
        natural = {f.name: f.decode(points[:, i]) for i, f in enumerate(self.region.factors)
                   if f.is_numeric}
        f = self.region.factors[j]
        for c in self.region.constraints:
            if name not in c.names or any(names.count(name) > 1 for _, names in c.terms):
                continue
            at = c.value(natural | {name: np.full(len(points), f.centre)})
            slope = c.value(natural | {name: np.full(len(points), f.high)}) - at
            with np.errstate(divide="ignore", invalid="ignore"):
                limit = (c.upper - at) / slope
            high = np.where(slope > 0, np.minimum(high, limit), high)
            low = np.where(slope < 0, np.maximum(low, limit), low)
        return low, high

    def limits(self, points: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Distance to each constraint's limit, to first order, and its unit normal.

        Returns
        -------
        distance : ndarray, shape (n, c)
            In coded units; negative outside.
        normal : ndarray, shape (n, c, k)
            Outward; 0 for factors that the constraint does not bind, or that are not free.
        """
        n, k = points.shape
        names, constraints = self.region.names, self.region.constraints
        distance, normal = np.empty((n, len(constraints))), np.zeros((n, len(constraints), k))
        natural = {f.name: f.decode(points[:, i]) for i, f in enumerate(self.region.factors)
                   if f.is_numeric}
        for i, c in enumerate(constraints):
            for name in c.names:
                j = names.index(name)
                if self.is_free(j):  # exact for powers up to the second
                    step = self.region[name].half_range * 1e-3
                    ends = [c.value(natural | {name: natural[name] + d}) for d in (step, -step)]
                    normal[:, i, j] = (ends[0] - ends[1]) / 2e-3
            length = np.maximum(np.linalg.norm(normal[:, i], axis=1), 1e-12)
            normal[:, i] /= length[:, None]
            distance[:, i] = (c.upper - c.value(natural)) / length
        return distance, normal

    def is_free(self, j: int) -> bool:
        """True if factor j can be set to more than a few values."""
        f = self.region.factors[j]
        return f.kind == "continuous" and (
            f.increment is None or (f.high - f.low) / f.increment >= FEW)

    def levels(self, j: int, count: int) -> np.ndarray:
        """About `count` values of factor j that cover its range, both ends among them."""
        f = self.region.factors[j]
        if not f.is_numeric:
            return np.arange(len(f.levels), dtype=float)
        even = np.linspace(-1, 1, count)
        if self.is_free(j):
            return even
        every = f.code(f.settings(4 * FEW))
        if len(every) <= max(count, 5):
            return every
        return np.unique(every[np.abs(every[:, None] - even).argmin(axis=0)])

    def degree(self, j: int) -> int:
        """Highest power of factor j in the model."""
        name = self.region.factors[j].name
        return max((dict(t.powers).get(name, 0) for t in self.terms), default=0)

    def coarse(self) -> list[np.ndarray]:
        """For each factor the levels an optimal plan uses most.

        Two for a factor the model is linear in, three for a square, five beyond; a factor
        bound by a constraint gets at least three.
        """
        out = []
        for j in range(len(self.region)):
            count = {0: 2, 1: 2, 2: 3}.get(self.degree(j), 5)
            out.append(self.levels(j, max(count, 3) if self.is_tied(j) else count))
        return out

    def is_tied(self, j: int) -> bool:
        """True if what factor j may be set to can depend on the other factors."""
        name = self.region.factors[j].name
        return (self.mixer is not None or self.allowed is not None
                or any(name in c.names for c in self.region.constraints))

    def lattice(self, levels: Sequence[np.ndarray], limit: int,
                seed: int = 0) -> np.ndarray:
        """All combinations of `levels` that may be run, with the points where they leave.

        Between neighbours on a line, one inside and one outside, the point on the limit is
        added; where little of the lattice is inside, points between are. If there are more than
        `limit` combinations, a seeded sample of 10 000 of them.

        Raises
        ------
        InputError
            If nothing in the region may be run.
        """
        sizes = [len(v) for v in levels]
        if np.prod([float(s) for s in sizes]) <= limit:
            mesh = np.meshgrid(*levels, indexing="ij")
            points = np.stack([m.ravel() for m in mesh], axis=1)
            inside = self.feasible(points)
            grid, share = points[inside], inside.mean()
            if self.bounded and not inside.all():
                grid = np.vstack([grid, self._crossings(points.reshape(*sizes, -1),
                                                        inside.reshape(sizes), limit, seed)])
        else:
            rng = np.random.default_rng(seed)
            grid = np.column_stack([rng.choice(v, min(limit, _SAMPLED)) for v in levels])
            inside = self.feasible(grid)
            grid, share = grid[inside], inside.mean()
        if self.bounded and (share < _THIN or not self._carries(grid)):
            grid = np.vstack([grid, *self._between(seed)])
        return distinct(grid)

    def _carries(self, points: np.ndarray) -> bool:
        """True if the points determine every coefficient of the model."""
        rows = self.rows(points)
        if len(rows) < rows.shape[1]:
            return False
        M = rows.T @ rows / len(rows)
        return np.linalg.matrix_rank(M, hermitian=True, tol=1e-9 * np.trace(M)) == len(M)

    def _between(self, seed: int) -> list[np.ndarray]:
        """Points all over what may be run, and where lines through them along an axis leave it.

        For narrow bands, which a lattice all but misses.
        """
        spread = self.scatter(512, seed, on_levels=True)
        out, some = [spread], spread[:_LINES]
        for j in range(spread.shape[1]):
            for end in (-1.0, 1.0) if self.is_free(j) else ():
                away = some.copy()
                away[:, j] = end
                out.append(self.inward(some, away))
        return out

    def _crossings(self, points: np.ndarray, inside: np.ndarray, limit: int,
                   seed: int) -> np.ndarray:
        pairs = []
        for j in range(points.shape[-1]):
            if not self.is_free(j):
                continue
            a, b = np.moveaxis(inside, j, 0)[:-1], np.moveaxis(inside, j, 0)[1:]
            p, q = np.moveaxis(points, j, 0)[:-1], np.moveaxis(points, j, 0)[1:]
            pairs += [(p[a & ~b], q[a & ~b]), (q[b & ~a], p[b & ~a])]
        if not pairs:
            return np.empty((0, points.shape[-1]))
        start, end = (np.vstack(side) for side in zip(*pairs, strict=True))
        if len(start) > limit:
            keep = np.random.default_rng(seed).choice(len(start), limit, replace=False)
            start, end = start[keep], end[keep]
        return self.inward(start, end)

    def scatter(self, count: int, seed: int = 0, *, on_levels: bool = False) -> np.ndarray:
        """Points spread evenly over what may be run; about (count, k).

        With `on_levels`, factors that are not free are put at the nearest value they can be set to.

        Raises
        ------
        InputError
            If hardly any point may be run.
        """
        found: list[np.ndarray] = []
        for attempt in range(6):
            settings = sample(self.region, count, seed=seed + attempt)
            points = self.points(settings)
            for j in range(points.shape[1]) if on_levels else ():
                if not self.is_free(j):
                    values = self.levels(j, _EVERY)
                    points[:, j] = values[np.abs(points[:, j, None] - values).argmin(axis=1)]
            found.append(points[self.feasible(points)] if self.bounded else points)
            if sum(map(len, found)) >= count:
                break
        points = np.vstack(found)[:count]
        if not len(points):
            raise InputError("region", [str(c) for c in self.region.constraints],
                             "none of the settings in it may be run",
                             "Relax a constraint, a forbidden combination or the rule 'allowed'")
        return points


def distinct(points: np.ndarray, decimals: int = 9) -> np.ndarray:
    """The points in order, without those that agree with an earlier one to so many decimals.

    They are not rounded: that could push one across a limit.
    """
    keys = np.round(points, decimals) + 0.0
    _, first = np.unique(keys, axis=0, return_index=True)
    first = first[np.lexsort(keys[first].T[::-1])]
    return points[first]


def products(encoded: np.ndarray, picks: np.ndarray) -> np.ndarray:
    """Products of encoded columns; (..., 1 + q) and (p, degree) give (..., p)."""
    out = encoded.take(picks[:, 0], axis=-1)
    for column in picks.T[1:]:
        out *= encoded.take(column, axis=-1)
    return out


@lru_cache(maxsize=64)
def _sum_coding(levels: int) -> np.ndarray:
    return np.vstack([-np.ones(levels - 1), np.eye(levels - 1)])

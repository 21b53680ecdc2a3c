"""Residual sums of squares of very many linear models at once.

Models that share columns share the work of eliminating them: starting from the cross-products
of all candidate columns, each term in turn is swept into every model that may take it, so that
a model more costs a few multiplications and never a decomposition of its own.

References
----------
Garside, M. J. (1965). The best sub-set in multiple regression analysis. *Applied Statistics*
14, 196–200.
Furnival, G. M. (1971). All possible regressions with less computation. *Technometrics* 13,
403–408.
Allen, D. M. (1974). The relationship between variable selection and data augmentation and a
method for prediction. *Technometrics* 16, 125–127 (PRESS).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property, lru_cache

import numpy as np

from doe.errors import InputError

__all__ = ["GREATEST_COUNT", "Reduced", "Subsets", "press_sums", "press_sums_of", "residual_sums",
           "residual_sums_of", "subsets"]

SINGULAR = 1e-10
"""Least own part of a column's squared length that counts as its own."""

FULL = 1e-8
"""One minus leverage below which the model passes through the run."""

GREATEST_COUNT = 3_000_000
GREATEST_TERMS = 62  # a model is the bits of one integer


@dataclass(frozen=True, eq=False)
class Reduced:
    """Data sets freed of the columns that every model has.

    Attributes
    ----------
    columns : ndarray, shape (m, n, E)
        Candidate columns less what the common ones explain, relative to their own length;
        E is 1 if all D data sets share them, else D.
    y : ndarray, shape (n, D)
    spare : ndarray, shape (n, E)
        One minus the leverage that the common columns give each run.
    base : int
        Number of common columns.
    """

    columns: np.ndarray
    y: np.ndarray
    spare: np.ndarray
    base: int

    @classmethod
    def of(cls, base: np.ndarray, columns: np.ndarray, y: np.ndarray,
           rows: np.ndarray | None = None) -> Reduced:
        """From common columns (n, b), candidates (n, m) and responses (n,) or (n, D).

        With `rows` (D, r), data set d has the rows ``rows[d]`` of a single response.
        """
        if rows is None:
            base, columns, y = base[None], columns[None], y.reshape(1, len(y), -1)
        else:
            base, columns, y = base[rows], columns[rows], y[rows][..., None]
        u, size, _ = np.linalg.svd(base, full_matrices=False)
        u = u * (size > 1e-9 * size[:, :1])[:, None, :]  # a resample may lack a whole block
        length = np.linalg.norm(columns, axis=1, keepdims=True)
        columns = columns / np.where(length > 0, length, 1.0)
        for _ in range(2):  # twice, to keep orthogonality
            columns = columns - u @ (u.swapaxes(1, 2) @ columns)
            y = y - u @ (u.swapaxes(1, 2) @ y)
        spare = 1 - np.sum(u**2, axis=2)
        y = y[0] if rows is None else y[..., 0].T
        return cls(np.ascontiguousarray(columns.transpose(2, 1, 0)), np.ascontiguousarray(y),
                   np.ascontiguousarray(spare.T), base.shape[2])

    def __len__(self) -> int:
        return self.y.shape[1]

    @property
    def n(self) -> int:
        """Runs of each data set."""
        return len(self.y)

    @property
    def shared(self) -> bool:
        """True if all data sets have the same columns."""
        return self.columns.shape[2] == 1

    def part(self, start: int, stop: int) -> Reduced:
        """The data sets from `start` up to `stop`."""
        if self.shared:
            return Reduced(self.columns, self.y[:, start:stop], self.spare, self.base)
        return Reduced(self.columns[..., start:stop], self.y[:, start:stop],
                       self.spare[:, start:stop], self.base)

    @cached_property
    def gram(self) -> np.ndarray:
        """Cross-products of the columns; shape (m, m, E)."""
        x = self.columns.transpose(2, 0, 1)
        return np.ascontiguousarray((x @ x.swapaxes(1, 2)).transpose(1, 2, 0))

    @cached_property
    def cross(self) -> np.ndarray:
        """Cross-products with the response; shape (m, D)."""
        if self.shared:
            return self.columns[..., 0] @ self.y
        return np.einsum("mnd,nd->md", self.columns, self.y)

    @cached_property
    def total(self) -> np.ndarray:
        """Sums of squares about the common columns; shape (D,)."""
        return np.sum(self.y**2, axis=0)


@dataclass(frozen=True, eq=False)
class Subsets:
    """All admissible sets of terms, in the order in which they grow.

    Attributes
    ----------
    bits : ndarray of int64, shape (S,)
        Bit j stands for term j.
    columns : ndarray of int, shape (S,)
        Columns of the terms in the set.
    widths : tuple of int
        Columns of each term.
    grow : tuple of ndarray of int
        For each term, the sets known by then that also exist with the term.
    """

    bits: np.ndarray
    columns: np.ndarray
    widths: tuple[int, ...]
    grow: tuple[np.ndarray, ...]

    def __len__(self) -> int:
        return len(self.bits)

    def members(self, which: np.ndarray) -> np.ndarray:
        """Terms of the chosen sets; boolean, shape (len(which), T)."""
        return (self.bits[which][:, None] >> np.arange(len(self.widths)) & 1).astype(bool)

    @cached_property
    def peak(self) -> tuple[int, int]:
        """Most numbers held at once for the cross-products of the columns, and of the columns with
        one response."""
        left, count, squares, singles = sum(self.widths), 1, 1, 1
        for width, grow in zip(self.widths, self.grow, strict=True):
            count += len(grow)
            squares = max(squares, left**2 * count)
            singles = max(singles, (left + 1) * count)
            left -= width
        return squares, singles


@lru_cache(maxsize=16)
def subsets(needs: tuple[tuple[int, ...], ...], widths: tuple[int, ...], *, need_all: bool,
            most_columns: int, limit: int = GREATEST_COUNT) -> Subsets:
    """Every set of terms in which each term finds what it needs.

    Parameters
    ----------
    needs : tuple of tuple of int
        For each term the earlier terms it depends on; empty: none.
    widths : tuple of int
    need_all : bool
        True: a term needs all of them (strong heredity); False: any one (weak).
    most_columns : int
        Larger sets are left out.
    limit : int

    Raises
    ------
    InputError
        If there are more sets than `limit`, or more terms than 62.
    """
    if len(widths) > GREATEST_TERMS:
        raise InputError("candidates", len(widths), f"only {GREATEST_TERMS} terms can be searched "
                         "exhaustively", "Use method='forward', or name fewer candidates")
    bits, columns, grow = np.zeros(1, np.int64), np.zeros(1, np.int64), []
    for j, (wanted, width) in enumerate(zip(needs, widths, strict=True)):
        mask = sum(1 << i for i in wanted)
        ready = (bits & mask) == mask if need_all or not wanted else (bits & mask) != 0
        chosen = np.flatnonzero(ready & (columns + width <= most_columns))
        if len(bits) + len(chosen) > limit:
            raise InputError("candidates", len(widths), f"there are more than {limit:,} models of "
                             "them", "Use method='forward', or name fewer candidates")
        grow.append(chosen)
        bits = np.concatenate([bits, bits[chosen] | (1 << j)])
        columns = np.concatenate([columns, columns[chosen] + width])
    for array in (bits, columns, *grow):
        array.flags.writeable = False  # they are shared by all who ask again
    return Subsets(bits, columns, widths, tuple(grow))


def residual_sums(data: Reduced, sets: Subsets) -> np.ndarray:
    """Residual sum of squares of every set for every data set; shape (S, D).

    Missing where a set's columns cannot be told apart.
    """
    gram, cross, rest = data.gram[:, :, None], data.cross[:, None], data.total[None]
    for grow, width in zip(sets.grow, sets.widths, strict=True):
        g, c, s = gram.take(grow, 2), cross.take(grow, 1), rest.take(grow, 0)
        for _ in range(width):
            pivot = np.where(g[0, 0] > SINGULAR, g[0, 0], np.nan)
            slope = g[0, 1:] / pivot
            s -= c[0] ** 2 / pivot
            c = c[1:] - slope * c[0]
            g = g[1:, 1:] - slope[:, None] * g[0, None, 1:]
        gram = np.concatenate([gram[width:, width:], g], axis=2)
        cross = np.concatenate([cross[width:], c], axis=1)
        rest = np.concatenate([rest, s])
    return rest


def press_sums(data: Reduced, sets: Subsets) -> tuple[np.ndarray, np.ndarray]:
    """PRESS and residual sum of squares of every set for every data set; both (S, D).

    Missing where columns cannot be told apart, infinite where a run has full leverage.
    """
    x, e, spare = data.columns[:, :, None], data.y[:, None], data.spare[:, None]
    for grow, width in zip(sets.grow, sets.widths, strict=True):
        a, b, left = x.take(grow, 2), e.take(grow, 1), spare.take(grow, 1)
        for _ in range(width):
            length = np.sum(a[0] ** 2, axis=0)
            q = a[0] / np.sqrt(np.where(length > SINGULAR, length, np.nan))
            left = left - q**2
            b = b - q * np.sum(q * b, axis=0)
            a = a[1:] - q * np.sum(q * a[1:], axis=1, keepdims=True)
        x = np.concatenate([x[width:], a], axis=2)
        e, spare = np.concatenate([e, b], axis=1), np.concatenate([spare, left], axis=1)
    return _left_out(e, spare)


def _left_out(e: np.ndarray, spare: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    with np.errstate(divide="ignore", invalid="ignore"):
        press = np.sum((e / spare) ** 2, axis=0)
    press[np.broadcast_to((spare < FULL).any(axis=0), press.shape)] = np.inf
    rest = np.sum(e**2, axis=0)
    press[np.isnan(rest)] = np.nan
    return press, rest


def residual_sums_of(data: Reduced, members: np.ndarray) -> np.ndarray:
    """Residual sums of squares of given models; shape (C, D).

    Parameters
    ----------
    data : Reduced
    members : ndarray of bool, shape (m, C, D)
        Which columns model c of data set d has.
    """
    m, models, sets = members.shape
    g = np.broadcast_to(data.gram[:, :, None], (m, m, models, sets))
    c = np.broadcast_to(data.cross[:, None], (m, models, sets))
    s = np.broadcast_to(data.total, (models, sets))
    for use in members:
        pivot = np.where(g[0, 0] > SINGULAR, g[0, 0], np.nan)
        slope = np.where(use, g[0, 1:] / pivot, 0.0)
        s = np.where(use, s - c[0] ** 2 / pivot, s)
        c = c[1:] - slope * c[0]
        g = g[1:, 1:] - slope[:, None] * g[0, None, 1:]
    return s


def press_sums_of(data: Reduced, members: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """PRESS and residual sums of squares of given models; as `residual_sums_of`."""
    x, e, spare = data.columns[:, :, None], data.y[:, None], data.spare[:, None]
    for use in members:
        length = np.sum(x[0] ** 2, axis=0)
        q = np.where(use, x[0] / np.sqrt(np.where(length > SINGULAR, length, np.nan)), 0.0)
        spare = spare - q**2
        e = e - q * np.sum(q * e, axis=0)
        x = x[1:] - q * np.sum(q * x[1:], axis=1, keepdims=True)
    return _left_out(e, spare)


def columns_of(members: np.ndarray, widths: Sequence[int]) -> np.ndarray:
    """Which columns belong to the chosen terms: (..., T) gives (..., m)."""
    return np.repeat(members, widths, axis=-1)

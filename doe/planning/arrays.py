"""Orthogonal arrays of mixed levels, and which of their columns to take.

The tables are those that pyDOE3 carries, each checked here before it is used: in every two
columns all pairs of levels occur equally often. A column of four levels may stand for three
of two, one of six for one of two and one of three (expansive replacement).

References
----------
Rao, C. R. (1947). Factorial experiments derivable from combinatorial arrangements of arrays.
*Journal of the Royal Statistical Society, Supplement* 9, 128–139.
Hedayat, A. S., Sloane, N. J. A. & Stufken, J. (1999). *Orthogonal Arrays*. Springer, ch. 9.
Xu, H. & Wu, C. F. J. (2001). Generalized minimum aberration for asymmetrical fractional
factorial designs. *Annals of Statistics* 29, 1066–1077.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from functools import lru_cache
from itertools import combinations

import numpy as np

__all__ = ["fitting_array", "is_orthogonal_array"]

_PARTS = {4: (2, 2, 2), 6: (2, 3)}
_STARTS = 12


def fitting_array(levels: Sequence[int], runs: int | None = None,
                  least: int = 0) -> np.ndarray | None:
    """Columns of the smallest array that has one of each number of levels asked for.

    Of the columns there are, those are taken in which main effects are least aliased with
    two-factor interactions (least A₃ of Xu & Wu 2001 that a seeded search finds).

    Parameters
    ----------
    levels : sequence of int
    runs : int, optional
        Only an array of that size.
    least : int
        Only arrays of that size or more.

    Returns
    -------
    ndarray of int, shape (n, len(levels)), or None
        Levels from 0.
    """
    for array in _tables():
        if len(array) >= least and runs in (None, len(array)):
            pool = _expanded(array, Counter(levels))
            if pool is not None:
                return pool[:, _least_aliased(pool, levels)]
    return None


def is_orthogonal_array(columns: np.ndarray) -> bool:
    """True if in every two columns all pairs of levels occur equally often (strength 2)."""
    counts = columns.max(axis=0) + 1
    for i, j in combinations(range(columns.shape[1]), 2):
        pairs = np.bincount(columns[:, i] * counts[j] + columns[:, j],
                            minlength=counts[i] * counts[j])
        if (pairs != pairs[0]).any():
            return False
    return True


@lru_cache(maxsize=1)
def _tables() -> tuple[np.ndarray, ...]:
    from pyDOE3 import get_orthogonal_array, list_orthogonal_arrays

    out = []
    for name in list_orthogonal_arrays():
        array = np.asarray(get_orthogonal_array(name)).astype(int)
        array = np.column_stack([np.unique(c, return_inverse=True)[1] for c in array.T])
        if is_orthogonal_array(array):
            out.append(array)
    return tuple(sorted(out, key=lambda a: a.shape))


def _expanded(array: np.ndarray, need: Counter) -> np.ndarray | None:
    """The array with every column to spare replaced by such as are needed; None if too few."""
    left = Counter((array.max(axis=0) + 1).tolist())
    pool: list[np.ndarray] = []
    for column in array.T:
        size = int(column.max()) + 1
        if left[size] > need[size] and need.keys() & set(_PARTS.get(size, ())):
            left[size] -= 1
            pool += _replaced(column)
        else:
            pool.append(column)
    short = need - Counter(int(c.max()) + 1 for c in pool)
    return None if short else np.column_stack(pool)


def _replaced(column: np.ndarray) -> list[np.ndarray]:
    if column.max() == 5:
        return [column % 2, column // 2]
    return [column // 2, column % 2, (column // 2 + column) % 2]


def _least_aliased(pool: np.ndarray, levels: Sequence[int]) -> list[int]:
    """Which columns to take, one of each number of levels asked for, in that order."""
    size = pool.max(axis=0) + 1
    choice = [np.flatnonzero(size == s) for s in levels]
    words = _words(pool)
    worth = lambda columns: words[np.ix_(columns, columns, columns)].sum()  # noqa: E731
    rng = np.random.default_rng(0)
    best: tuple[float, list[int]] | None = None
    for _ in range(_STARTS):
        order = rng.permutation(pool.shape[1])
        chosen: list[int] = []
        for options in choice:
            chosen.append(next(int(c) for c in order if c in options and c not in chosen))
        now, moved = worth(chosen), True
        while moved:
            moved = False
            for i, options in enumerate(choice):
                for c in np.setdiff1d(options, chosen):
                    other = [*chosen[:i], int(c), *chosen[i + 1:]]
                    if (value := worth(other)) < now - 1e-9:
                        chosen, now, moved = other, value, True
        if best is None or now < best[0] - 1e-9:
            best = now, chosen
    return best[1]


def _words(pool: np.ndarray) -> np.ndarray:
    """Share of each set of three columns in A₃; 0 where a column is named twice; (m, m, m)."""
    from scipy.linalg import helmert

    n, m = pool.shape
    contrasts = [(np.sqrt(c.max() + 1) * helmert(int(c.max()) + 1)).T[c] for c in pool.T]
    every = np.hstack(contrasts)
    first = np.cumsum([0] + [c.shape[1] for c in contrasts[:-1]])
    out = np.zeros((m, m, m))
    for i, j in combinations(range(m), 2):
        both = (contrasts[i][:, :, None] * contrasts[j][:, None, :]).reshape(n, -1)
        share = np.add.reduceat(((both.T @ every / n)**2).sum(axis=0), first)
        share[[i, j]] = 0
        out[i, j] = out[j, i] = share
    return out


"""The greatest value of a quadratic form of the model row, ``f(x)' B f(x)``, over a region.

With ``B = M⁻¹`` it is the variance of prediction, with other B the sensitivity of a criterion.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from doe.planning.candidates import Space, distinct

__all__ = ["ascend", "fine_levels", "forms", "greatest_sensitivity", "peaks_of"]

_STEP = 0.25
_LEAST_STEP = 1e-4
_EVERY = 99


def greatest_sensitivity(space: Space, B: np.ndarray, seed: int = 0) -> float:
    """Greatest ``f(x)' B f(x)`` over the region, by candidates and local ascent."""
    points = space.lattice(fine_levels(space), 60_000, seed)
    rows = space.rows(points)
    peaks = peaks_of(space, B, points, rows, points[:0])
    return float(max(forms(rows, B).max(), forms(space.rows(peaks), B).max()))


def fine_levels(space: Space, limit: int = 7_000) -> list[np.ndarray]:
    """For each factor its coarse levels, or more where `limit` combinations allow.

    The factors that limits tie together are refined first: the optimum sits on the limits.
    """
    levels = space.coarse()
    tied = [space.is_tied(j) for j in range(len(levels))]
    for size, which in ((5, tied), (9, tied), (5, None), (9, None), (17, None)):
        finer = [space.levels(j, size) if len(c) > 2 and (which is None or which[j])
                 and len(space.levels(j, size)) > len(c) else c for j, c in enumerate(levels)]
        if np.prod([float(len(v)) for v in finer]) <= limit:
            levels = finer
    return levels


def forms(rows: np.ndarray, B: np.ndarray) -> np.ndarray:
    """``f' B f`` of each row; (n, p) gives (n,)."""
    return np.einsum("np,np->n", rows @ B, rows)


def peaks_of(space: Space, B: np.ndarray, points: np.ndarray, rows: np.ndarray,
           support: np.ndarray) -> np.ndarray:
    """Local maxima of the sensitivity, reached from the highest candidates and the support."""
    order = np.argsort(-forms(rows, B), kind="stable")[:60]
    return ascend(space, B, np.vstack([points[order], support[:120]]))


def ascend(space: Space, B: np.ndarray, start: np.ndarray, *, jump: bool = True) -> np.ndarray:
    """Climb ``f(x)' B f(x)`` from each point inside the region; (m, k).

    Each step tries moves along every axis and every pair of axes (with `jump`, also other levels
    of factors that have only a few), takes the best, and halves the reach where none is better.
    A move that leaves the region is stopped at its limit.
    """
    x = distinct(start)
    k = x.shape[1]
    free = [j for j in range(k) if space.is_free(j)]
    moves = np.zeros((2 * len(free), k))
    for i, j in enumerate(free):
        moves[2 * i, j], moves[2 * i + 1, j] = 1.0, -1.0
    if space.bounded or len(free) <= 6:
        pairs = [np.where(np.arange(k) == i, a, 0) + np.where(np.arange(k) == j, b, 0)
                 for i, j in combinations(free, 2) for a in (1.0, -1.0) for b in (1.0, -1.0)]
        moves = np.vstack([moves, *pairs]) if pairs else moves
    jumps = [(j, v) for j in range(k) if jump and j not in free for v in space.levels(j, _EVERY)]
    if not (free or jumps):
        return x
    value = forms(space.rows(x), B)
    reach = np.full(len(x), _STEP)
    live = np.arange(len(x))
    while len(live):
        here = x[live]
        trial = here[:, None, :] + reach[live, None, None] * moves
        trial[:, :, free] = np.clip(trial[:, :, free], -1, 1)
        if jumps:
            other = np.repeat(here[:, None, :], len(jumps), axis=1)
            for i, (j, v) in enumerate(jumps):
                other[:, i, j] = v
            trial = np.concatenate([trial, other], axis=1)
        height = np.einsum("smp,smp->sm", space.rows(trial) @ B, space.rows(trial))
        if space.bounded:
            _stop_at_limit(space, B, here, value[live], trial, height, len(moves))
        best = height.argmax(axis=1)
        top = height[np.arange(len(live)), best]
        better = top > value[live] * (1 + 1e-12)
        x[live[better]] = trial[better, best[better]]
        value[live[better]] = top[better]
        reach[live[~better]] /= 2
        live = live[reach[live] > _LEAST_STEP]
    return x


def _stop_at_limit(space: Space, B: np.ndarray, here: np.ndarray, value: np.ndarray,
                   trial: np.ndarray, height: np.ndarray, moves: int) -> None:
    """Drop trials that end outside; where nothing inside helps, try their moves to the limit.

    Only the first `moves` trials can be shortened. As the moves get shorter, so does the error
    of the bisection: in the end it is far below the last step.
    """
    outside = ~space.feasible(trial)
    height[outside] = -np.inf
    stuck = height.max(axis=1) <= value
    s, m = np.nonzero(outside[:, :moves] & stuck[:, None])
    if len(s):
        trial[s, m] = space.inward(here[s], trial[s, m], halvings=10)
        height[s, m] = forms(space.rows(trial[s, m]), B)

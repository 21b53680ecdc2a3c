"""The greatest value of a quadratic form of the model row, ``f(x)' B f(x)``, over a region.

With ``B = M⁻¹`` it is the variance of prediction, with other B the sensitivity of a criterion.

References
----------
Kolda, T. G., Lewis, R. M. & Torczon, V. (2003). Optimization by direct search: new
perspectives on some classical and modern methods. *SIAM Review* 45, 385–482.
Lewis, R. M. & Torczon, V. (2000). Pattern search methods for linearly constrained minimization.
*SIAM Journal on Optimization* 10, 917–941.
"""

from __future__ import annotations

from itertools import combinations

import numpy as np

from doe.planning.candidates import Space, distinct

__all__ = ["ascend", "fine_levels", "forms", "greatest_sensitivity", "peaks_of"]

_EVERY = 99
_FIRST = 0.25
"""Reach of the first step, in half-ranges."""
_LEAP = 0.1
"""Reach from which on leaps are tried: by then few points are left."""
_ENOUGH = 1e-3
"""A step must gain so much times the square of its reach, or it is mere creeping."""
_HOPE = 2.0
"""What a point may still gain at most, in units of its reach: lower ones are given up."""


def greatest_sensitivity(space: Space, B: np.ndarray, seed: int = 0) -> float:
    """Greatest ``f(x)' B f(x)`` over the region, by candidates and local ascent."""
    points = space.lattice(fine_levels(space), 60_000, seed)
    rows = space.rows(points)
    peaks = peaks_of(space, B, points, rows, space.scatter(300, seed, on_levels=True))
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
             others: np.ndarray, floor: float = np.inf, least: float = 2e-5) -> np.ndarray:
    """The highest local maxima and any above `floor`, reached from `others` and the highest of
    `points`."""
    start = np.vstack([points[_highest(points, forms(rows, B), 60)], others])
    return ascend(space, B, start, floor=floor, least=least)


def _highest(points: np.ndarray, height: np.ndarray, count: int,
             apart: float = 0.4) -> np.ndarray:
    """Places of the highest points, each more than `apart` in some factor from those before."""
    left = np.argsort(-height, kind="stable")
    chosen: list[int] = []
    while len(left) and len(chosen) < count:
        chosen.append(left[0])
        left = left[np.abs(points[left] - points[left[0]]).max(axis=1) > apart]
    return np.array(chosen, int)


def ascend(space: Space, B: np.ndarray, start: np.ndarray, *, leap: bool = True,
           floor: float | None = None, least: float = 2e-5) -> np.ndarray:
    """Climb ``f(x)' B f(x)`` from each point inside the region; (m, k).

    A step tries moves along every axis. Where none helps it tries pairs of axes, with `leap` the
    coarse levels of every factor, moves out of the region stopped at its limit, and moves along
    the limits of constraints nearby (after Lewis & Torczon 2000); the best is taken. When no
    point moves any more the reach is cut to a third, until it is below `least`. With a `floor`,
    points near a higher one are then given up, and points below the floor that are too low to
    become the highest.
    """
    x = distinct(start)
    k = x.shape[1]
    free = [j for j in range(k) if space.is_free(j)]
    axes = np.vstack([np.eye(k)[free], -np.eye(k)[free]])
    pairs = ([a + b for a, b in combinations(axes, 2) if (a + b).any()]
             if space.bounded or len(free) <= 6 else [])
    moves = np.vstack([axes, *pairs])
    leaps = [(j, v) for j in range(k) if leap
             for v in (space.coarse()[j] if j in free else space.levels(j, _EVERY))]
    if not (free or leaps):
        return x
    value = forms(space.rows(x), B)
    reach = _FIRST if free else _LEAP / 2
    while reach > least:
        live = np.arange(len(x))
        while len(live):
            enough = value[live] * (1 + _ENOUGH * reach**2)
            best, top = _best(space, B, _moved(x[live], reach * axes))
            stuck = np.flatnonzero(~(top > enough))
            if len(stuck):
                best[stuck], top[stuck] = _best(space, B, _elsewhere(
                    space, x[live[stuck]], reach, moves, leaps if reach < _LEAP else [], free))
            better = top > enough
            live = live[better]
            x[live], value[live] = best[better], top[better]
        if not free:
            break
        if floor is not None:
            able = np.flatnonzero(value >= min(floor, value.max() * (1 - _HOPE * reach)))
            apart = x[able] * np.where(np.isin(np.arange(k), free), 1.0, 1e6)
            keep = able[_highest(apart, value[able], len(able), reach)]
            x, value = x[keep], value[keep]
        reach /= 3
    return x


def _moved(here: np.ndarray, moves: np.ndarray) -> np.ndarray:
    """Each point, and where each move takes it, factors kept in their ranges; (s, 1 + m, k)."""
    moving = moves.any(axis=0)
    trial = np.concatenate([here[:, None], here[:, None] + moves], axis=1)
    trial[:, :, moving] = np.clip(trial[:, :, moving], -1, 1)
    return trial


def _elsewhere(space: Space, here: np.ndarray, reach: float, moves: np.ndarray,
               leaps: list[tuple[int, float]], free: list[int]) -> np.ndarray:
    """Where points go that no move along an axis helps; (s, m, k)."""
    trial = _moved(here, reach * moves)
    if space.bounded:
        s, m = np.nonzero(~space.feasible(trial))
        trial[s, m] = space.inward(here[s], trial[s, m], halvings=9)
    out = [trial]
    if leaps:
        leapt = np.repeat(here[:, None, :], len(leaps), axis=1)
        for i, (j, v) in enumerate(leaps):
            leapt[:, i, j] = v
        out.append(leapt)
    if space.region.constraints and free:
        out.append(_along_limits(space, here, reach, free))
    return np.concatenate(out, axis=1)


def _best(space: Space, B: np.ndarray, trial: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The highest trial inside for each point, and its height; (s, k) and (s,)."""
    rows = space.rows(trial)
    height = np.einsum("smp,smp->sm", rows @ B, rows)
    if space.bounded:
        height[~space.feasible(trial)] = -np.inf
    best = height.argmax(axis=1)
    lines = np.arange(len(trial))
    return trial[lines, best], height[lines, best]


def _along_limits(space: Space, x: np.ndarray, reach: float, free: list[int]) -> np.ndarray:
    """Moves along the axes projected onto the limits that are within reach; (s, 4 free, k).

    Once onto the constraints alone, once also onto the ends of the factors' ranges.
    """
    k = x.shape[1]
    distance, normal = space.limits(x)
    near = np.where((distance <= reach)[..., None], normal, 0.0)
    at_end = np.eye(k) * (np.abs(x) >= 1 - 1e-9)[:, None, :]
    axes = np.eye(k)[free]
    out = []
    for active in (near, np.concatenate([near, at_end], axis=1)):
        along = axes - (axes @ np.linalg.pinv(active, rcond=1e-6)) @ active
        length = np.linalg.norm(along, axis=2, keepdims=True)
        along = np.where(length > 1e-3, along / np.maximum(length, 1e-3), 0.0)
        out += [reach * along, -reach * along]
    trial = x[:, None] + np.concatenate(out, axis=1)
    flat = trial.reshape(-1, k)
    for _ in range(2):  # Newton's steps back from limits that are curved
        flat[:, free] = np.clip(flat[:, free], -1, 1)
        distance, normal = space.limits(flat)
        over = np.where(distance < 1e-9, distance - 2e-9, 0.0)
        flat += np.einsum("nc,nck->nk", over, normal)
    flat[:, free] = np.clip(flat[:, free], -1, 1)
    return flat.reshape(trial.shape)

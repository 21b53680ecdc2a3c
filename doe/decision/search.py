"""Search over the settings that can be made: the best one, not the best on a grid.

A seeded low-discrepancy sample of settable values finds the promising basins for each mix
of categories, a gradient method runs down each of them in coded units, and a local search
over the settable neighbours (diagonal ones too) ends at a setting that no neighbour beats.
The best of these are tried once more with moves of two factors by several increments, which
follow a constraint where single increments cannot.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping

import numpy as np
from scipy import optimize

from doe.decision.space import Space
from doe.decision.surface import Stack
from doe.mixer import Mixer

__all__ = ["best_mean", "local_search", "maximise", "reach"]

Score = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Score(encoded (n, q), owner (n,)) -> (n,): what to maximise, for each row's own objective."""

STARTS = 6
FIRST_SCALE = 8
LAST_POINTS = 3
APART = 0.3


def starts(values, mixes, scores, coded, count: int) -> np.ndarray:
    """Positions of the best points that are apart from each other, up to `count` for a mix."""
    chosen: list[int] = []
    for mix in np.unique(mixes):
        rows = np.flatnonzero(mixes == mix)
        rows = rows[np.argsort(-scores[rows], kind="stable")][:256]
        picked: list[int] = []
        for i in rows:
            if len(picked) == count:
                break
            if all(np.abs(coded[i] - coded[j]).max(initial=0) >= APART for j in picked):
                picked.append(i)
        chosen += picked
    return np.array(chosen, int)


def local_search(space: Space, values, mixes, owner, score: Score, *, first: int = FIRST_SCALE,
                 moves: np.ndarray | None = None, limit: int = 400):
    """Move every point to its best settable neighbour until none is better.

    Parameters
    ----------
    space : Space
    values, mixes, owner : ndarray
        Free values (n, k), category mix (n,) and objective (n,) of each point.
    score : callable
    first : int
        Length of the first moves, in increments; halved down to 1.
    moves : ndarray, shape (m, k), optional
        Directions in increments; all neighbours if not given.
    limit : int
        Greatest number of rounds.

    Returns
    -------
    values, encoded, scores : ndarray
        Points that cannot be run score −inf.
    """
    moves = space.moves() if moves is None else moves
    values, encoded, inside = space.settle(np.asarray(values, float), mixes)
    scores = np.where(inside, score(encoded, owner), -np.inf)
    if not len(moves):
        return values, encoded, scores
    scale, active = first, np.ones(len(values), bool)
    for _ in range(limit):
        rows = np.flatnonzero(active)
        near = space.neighbours(values[rows], moves, scale).reshape(-1, len(space.free))
        near, code, inside = space.settle(near, np.repeat(mixes[rows], len(moves)))
        found = np.where(inside, score(code, np.repeat(owner[rows], len(moves))), -np.inf)
        found = found.reshape(len(rows), len(moves))
        pick = found.argmax(axis=1)
        gain = found[np.arange(len(rows)), pick] > scores[rows] + 1e-12
        flat = np.arange(len(rows)) * len(moves) + pick
        values[rows[gain]], encoded[rows[gain]] = near[flat[gain]], code[flat[gain]]
        scores[rows[gain]] = found[gain, pick[gain]]
        active[:] = False
        active[rows[gain]] = True
        if not active.any():
            if scale == 1:
                break
            scale //= 2
            active[:] = True
    return values, encoded, scores


def polish(space: Space, encoded: np.ndarray, objective: Callable[[np.ndarray], np.ndarray],
           guard: Callable[[np.ndarray], np.ndarray] | None = None) -> np.ndarray:
    """Run up a smooth objective in coded units from one point, constraints kept.

    Parameters
    ----------
    space : Space
    encoded : ndarray, shape (q,)
    objective : callable
        (n, q) -> (n,), to be maximised.
    guard : callable, optional
        (n, q) -> (n,), to be kept at or above 0.

    Returns
    -------
    ndarray, shape (k,)
        Free values in natural units, not yet settable.
    """
    region = space.region
    place = [region.encoded_names.index(f.name) for f in space.free]
    nudge = 1e-6
    ups = np.vstack([np.zeros(len(place)), nudge * np.eye(len(place))])

    def rows(x):
        out = np.tile(encoded, (len(ups), 1))
        out[:, place] = x + ups
        return out

    def value(function, x):
        out = encoded[None].copy()
        out[:, place] = x
        return float(function(out)[0])

    def slope(function, x):
        every = function(rows(x))
        return (every[1:] - every[0]) / nudge

    def slack(constraint):
        names = region.encoded_names
        scale = max(1.0, abs(constraint.upper))

        def room(points):
            natural = {f.name: f.decode(points[:, names.index(f.name)]) for f in region.numeric}
            return (constraint.upper - constraint.value(natural)) / scale
        return room

    kept = [slack(c) for c in region.constraints] + ([guard] if guard else [])
    result = optimize.minimize(
        lambda x: -value(objective, x), encoded[place], jac=lambda x: -slope(objective, x),
        method="SLSQP", bounds=[(-1.0, 1.0)] * len(place),
        constraints=[{"type": "ineq", "fun": lambda x, g=g: value(g, x),
                      "jac": lambda x, g=g: slope(g, x)} for g in kept],
        options={"maxiter": 60, "ftol": 1e-9})
    x = np.where(np.isfinite(result.x), np.clip(result.x, -1, 1), encoded[place])
    return np.array([float(f.decode([v])[0]) for f, v in zip(space.free, x, strict=True)])


def maximise(space: Space, score: Score, objective, *, seed: int, guard=None,
             count: int = STARTS, sample=None):
    """Local optima over settable values, best first: values, mixes, encoded, scores.

    `score` ranks settings exactly; `objective` is a smooth companion for the gradient method.
    """
    values, mixes, encoded = space.sample(seed) if sample is None else sample
    owner = np.zeros(len(values), int)
    scores = score(encoded, owner)
    rows = starts(values, mixes, scores, encoded, count)
    best = {m: scores[rows[mixes[rows] == m]].max() for m in np.unique(mixes[rows])}
    if len(best) > 4:                      # many mixes: only the promising ones in full
        order = sorted(best, key=best.get, reverse=True)
        rows = np.concatenate([rows[mixes[rows] == m][: count if i < 4 else 1]
                               for i, m in enumerate(order)])
    here = np.zeros(len(rows), int)
    kinds = mixes[rows]
    parts = [local_search(space, values[rows], kinds, here, score)]
    if space.free:
        # A polished point is at its optimum, and may lie just outside once it is snapped: a
        # long first move would lose it.
        runs = np.array([polish(space, encoded[i], objective, guard) for i in rows])
        parts.append(local_search(space, runs, kinds, here, score, first=1))
    points, code, found = (np.concatenate(p) for p in zip(*parts, strict=True))
    kinds = np.tile(kinds, len(parts))
    order = np.argsort(-found, kind="stable")
    points, kinds, code, found = points[order], kinds[order], code[order], found[order]
    _, distinct = np.unique(np.round(code, 9), axis=0, return_index=True)
    top = np.sort(distinct)[:LAST_POINTS]
    points[top], code[top], found[top] = local_search(
        space, points[top], kinds[top], np.zeros(len(top), int), score, first=1,
        moves=space.strides())
    order = np.argsort(-found, kind="stable")
    return points[order], kinds[order], code[order], found[order]


def reach(space: Space, stack: Stack, *, seed: int, sample=None) -> np.ndarray:
    """Least and greatest predicted mean of each response over settable values; (r, 2)."""
    values, mixes, encoded = space.sample(seed) if sample is None else sample
    means = stack.means(encoded)
    objectives = [(r, sign) for r in range(means.shape[1]) for sign in (-1.0, 1.0)]

    def score(code, own):
        r = own // 2
        return np.where(own % 2 == 1, 1.0, -1.0) * stack.means(code)[np.arange(len(code)), r]

    rows, owner, runs, tops = [], [], [], []
    for i, (r, sign) in enumerate(objectives):
        best = starts(values, mixes, sign * means[:, r], encoded, 1)
        best = best[np.argsort(-sign * means[best, r], kind="stable")][:4]
        rows += best.tolist()
        owner += [i] * len(best)
        tops.append(best[0])
        if space.free:
            runs.append(polish(space, encoded[best[0]],
                               lambda code, r=r, sign=sign: sign * stack.means(code)[:, r]))
    owner, every = np.array(owner), np.arange(len(objectives))
    out = np.full(len(objectives), -np.inf)
    _, _, scores = local_search(space, values[rows], mixes[rows], owner, score)
    np.maximum.at(out, owner, scores)
    if runs:
        _, _, scores = local_search(space, np.array(runs), mixes[tops], every, score, first=1)
        out = np.maximum(out, scores)
    return out.reshape(-1, 2) * np.array([-1.0, 1.0])


def best_mean(fit, *, fixed: Mapping[str, object] | None = None, mixer: Mixer | None = None,
              seed: int = 1) -> tuple[dict, float]:
    """Settable setting in the region whose predicted mean serves the goal best, and that mean."""
    space, stack, response = Space(fit.region, mixer, fixed), Stack([fit]), fit.response

    def score(code, _owner=None):
        means = stack.means(code)[:, 0]
        if response.goal == "target":
            return -np.abs(means - response.target)
        return means if response.goal == "maximise" else -means

    values, mixes, code, _ = maximise(space, score, score, seed=seed)
    settings = space.snap(space.frame(values[:1], mixes[:1]))
    return settings.iloc[0].to_dict(), float(stack.means(code[:1])[0, 0])

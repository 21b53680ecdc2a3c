"""Search over the settings that can be made: the best one, not the best on a grid.

A seeded low-discrepancy sample of settable values finds the promising basins for each mix
of categories, a gradient method runs down each of them in coded units, and a local search
over the settable neighbours (diagonal ones too) ends at a setting that no neighbour beats.
The best of these are tried once more with moves of two factors by several increments, which
follow a constraint where single increments cannot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import replace
from itertools import combinations, product

import numpy as np
import pandas as pd
from scipy import optimize
from scipy.stats import qmc

from doe.decision.surface import Stack, held_columns
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer

__all__ = ["Space", "best_mean", "maximise", "reach"]

Score = Callable[[np.ndarray, np.ndarray], np.ndarray]
"""Score(encoded (n, q), owner (n,)) -> (n,): what to maximise, for each row's own objective."""

SAMPLE = 1024
STARTS = 6
FIRST_SCALE = 8
ALL_DIAGONALS = 5
LAST_STRIDE = 4
LAST_POINTS = 3
APART = 0.3
GREATEST_SAMPLE = 40_000


class Space:
    """The settable settings of a region, as a place to search in.

    Parameters
    ----------
    region : Region
    mixer : Mixer, optional
        Its increments are kept too, rotation in whole increments included.
    fixed : mapping, optional
        Factors held at one setting.

    Raises
    ------
    InputError
        If a factor is held where it cannot be set.
    """

    def __init__(self, region: Region, mixer: Mixer | None = None,
                 fixed: Mapping[str, object] | None = None) -> None:
        self.region, self.mixer, self.fixed = region, mixer, dict(fixed or {})
        held_columns(region, self.fixed)
        self.free = [f for f in region.numeric if f.name not in self.fixed]
        self._settable = region.replace([self._stepped(f) for f in region.factors])
        self.steps = np.array([self._settable[f.name].increment or 0.0 for f in self.free])
        self._coupled = [self._carrier(f.name) for f in self.free]
        self.mixes = list(product(*[
            [f.levels.index(self.fixed[f.name])] if f.name in self.fixed else range(len(f.levels))
            for f in region.factors if not f.is_numeric]))
        self._check_fixed()

    def _stepped(self, f: Factor) -> Factor:
        """A free continuous factor without an increment gets a round one, at most 1/200 range.

        The rotation ratio of a mixer is left to the mixer's own rotation increment.
        """
        if (f.kind != "continuous" or f.increment is not None or f.name in self.fixed
                or (self.mixer and self._carrier(f.name))):
            return f
        step = 10.0 ** math.floor(math.log10((f.high - f.low) / 200))
        return replace(f, increment=step)

    def _carrier(self, name: str) -> str | None:
        """The revolution that a rotation ratio belongs to, if the mixer couples them."""
        if self.mixer is None or not (name == "rotation_ratio"
                                      or name.endswith("_rotation_ratio")):
            return None
        carrier = name[: -len("rotation_ratio")] + "revolution"
        return carrier if carrier in self.region.names else None

    def _check_fixed(self) -> None:
        for name, value in self.fixed.items():
            f = self.region[name]
            if not f.is_numeric or self._carrier(name):
                continue
            alone = pd.DataFrame({name: [float(value)]})
            near = f.snap([value]) if self.mixer is None else (
                self.mixer.snap(alone, Region((f,)))[name].to_numpy())
            if abs(near[0] - value) > 1e-9 * max(1.0, abs(value)):
                raise InputError(f"fixed, '{name}'", value, "it cannot be set",
                                 f"The nearest setting is {near[0]:g} {f.unit}".strip())

    def frame(self, values: np.ndarray, mixes: np.ndarray) -> pd.DataFrame:
        """Settings of free numeric values (n, k) and category mixes (n,), before snapping."""
        out, free, place = {}, {f.name: j for j, f in enumerate(self.free)}, 0
        levels = np.asarray(self.mixes, int).reshape(len(self.mixes), -1)[mixes]
        for f in self.region.factors:
            if not f.is_numeric:
                out[f.name] = np.asarray(f.levels, object)[levels[:, place]]
                place += 1
            elif f.name in free:
                out[f.name] = values[:, free[f.name]]
            else:
                out[f.name] = np.full(len(values), float(self.fixed[f.name]))
        return pd.DataFrame(out)

    def snap(self, settings: pd.DataFrame) -> pd.DataFrame:
        """The nearest settings that can be made."""
        if self.mixer is None:
            return self._settable.snap(settings)
        return self.mixer.snap(settings, self._settable)

    def settle(self, values: np.ndarray, mixes: np.ndarray
               ) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Snapped free values, their encoded columns, and which of them may be run."""
        settings = self.snap(self.frame(values, mixes))
        snapped = np.array(settings[[f.name for f in self.free]], float).reshape(len(values), -1)
        return snapped, self.region.encode(settings), self.region.contains(settings)

    def moves(self) -> np.ndarray:
        """Directions to all neighbours, entries −1, 0, 1; all diagonals if there are few."""
        k = len(self.free)
        if not k:
            return np.empty((0, 0))
        if k <= ALL_DIAGONALS:
            every = np.array(list(product((-1, 0, 1), repeat=k)), float)
            return every[np.abs(every).any(axis=1)]
        rows = [s * np.eye(k)[j] for j in range(k) for s in (-1, 1)]
        rows += [s * np.eye(k)[i] + t * np.eye(k)[j] for i, j in combinations(range(k), 2)
                 for s, t in product((-1, 1), repeat=2)]
        return np.array(rows)

    def strides(self) -> np.ndarray:
        """Directions that change one or two factors by up to `LAST_STRIDE` increments each."""
        k = len(self.free)
        sizes = [s for s in range(-LAST_STRIDE, LAST_STRIDE + 1) if s]
        rows = [s * np.eye(k)[j] for j in range(k) for s in sizes]
        rows += [s * np.eye(k)[i] + t * np.eye(k)[j] for i, j in combinations(range(k), 2)
                 for s, t in product(sizes, repeat=2)]
        return np.array(rows) if rows else np.empty((0, 0))

    def neighbours(self, values: np.ndarray, moves: np.ndarray, scale: int) -> np.ndarray:
        """Free values `scale` increments away from each point; (n, k), (m, k) give (n, m, k)."""
        out = np.empty((len(values), len(moves), len(self.free)))
        for j, f in enumerate(self.free):
            here = values[:, j, None]
            if f.kind == "ordinal":
                levels = np.asarray(f.levels)
                place = np.abs(here[..., None] - levels).argmin(axis=-1) + moves[:, j]
                out[..., j] = levels[np.clip(place, 0, len(levels) - 1).astype(int)]
                continue
            step = self.steps[j]
            if self._coupled[j]:
                carrier = self._coupled[j]
                names = [g.name for g in self.free]
                speed = (values[:, names.index(carrier), None] if carrier in names
                         else float(self.fixed[carrier]))
                step = np.maximum(step, self.mixer.rotation_increment / np.maximum(speed, 1e-9))
            elif self.mixer is not None:
                step = max(step, _mixer_step(self.mixer, f.name))
            out[..., j] = np.clip(here + scale * step * moves[:, j], f.low, f.high)
        return out

    def sample(self, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Settable values that fill the region, corners first: values, mixes, encoded.

        Raises
        ------
        InputError
            If none of them may be run.
        """
        k = len(self.free)
        low = np.array([f.low for f in self.free])
        high = np.array([f.high for f in self.free])
        share = [np.full((1, k), 0.5)]
        if k:
            size = min(SAMPLE, 2 ** int(math.log2(max(64, GREATEST_SAMPLE / len(self.mixes)))))
            if k <= 7:
                share.append(np.array(list(product((0.0, 1.0), repeat=k))))
            share.append(qmc.Sobol(k, seed=np.random.default_rng(seed)).random(size))
        values = low + np.vstack(share) * (high - low)
        mixes = np.repeat(np.arange(len(self.mixes)), len(values))
        values, encoded, inside = self.settle(np.tile(values, (len(self.mixes), 1)), mixes)
        if not inside.any():
            raise InputError("region", [str(c) for c in self.region.constraints],
                             "no setting that can be made was found inside it",
                             "Widen a factor, loosen a constraint or hold other settings")
        return values[inside], mixes[inside], encoded[inside]


def _mixer_step(mixer: Mixer, name: str) -> float:
    for quantity in ("revolution", "time", "pressure"):
        if name == quantity or name.endswith("_" + quantity):
            return getattr(mixer, f"{quantity}_increment")
    return 0.0


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

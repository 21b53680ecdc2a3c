"""Exchange for plans whose runs share errors: whole-plot and sub-plot coordinates in turn.

The information is ``M = X' A X`` with ``A = V⁻¹`` (`doe.planning.strata`). Changing run r by
``d`` in its model row, with ``u = X' A e_r`` and ``a = A_rr``, gives

- ``|M_new| / |M| = R = (1 + u'M⁻¹d)² + d'M⁻¹d (a − u'M⁻¹u)``,
- a fall of ``tr(W M⁻¹)`` by ``[2 (1 + u'M⁻¹d) u'Pd − d'M⁻¹d u'Pu + (a − u'M⁻¹u) d'Pd] / R``
  with ``P = M⁻¹ W M⁻¹``,

whatever V is. A whole-plot coordinate changes all runs of its group at once; their trial
matrices are formed and judged outright. All starts of a batch take the same step together.

References
----------
Goos, P. & Vandebroek, M. (2003). D-optimal split-plot designs with given numbers and sizes of
whole plots. *Technometrics* 45, 235–245.
Jones, B. & Goos, P. (2007). A candidate-set-free algorithm for generating D-optimal split-plot
designs. *Applied Statistics* 56, 347–364.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from doe.errors import InputError
from doe.planning.candidates import Space, distinct
from doe.planning.chunks import Here, each, never, rounds
from doe.planning.criteria import Criterion, without_blocks
from doe.planning.exchange import ridge_for
from doe.planning.settle import settable
from doe.planning.split_levels import Levels, fine_steps, whole_range

__all__ = ["GroupedTask", "exchange_grouped", "search_grouped", "settle_grouped"]

_REDRAWN = 1 / 4
_PARENTS, _FINALISTS = 6, 10
_BATCH = 32
_TRIES = 12
_LISTED = 20_000


@dataclass(frozen=True, eq=False)
class GroupedTask:
    """What is to be found.

    Parameters
    ----------
    space : Space
    criterion : Criterion
    plot : ndarray of int, shape (n,)
        Group of each run, from 0; the runs of a group follow each other.
    hard : sequence of int
        Factors that are the same throughout a group.
    precision : ndarray, shape (n, n)
        ``V⁻¹`` of the runs' errors.
    tails : ndarray, shape (n, b)
        Columns of fixed block effects, by run.
    fixed : ndarray, shape (p + b, p + b)
        Information of runs that stay.
    total : int
        Number of runs, those that stay included.
    """

    space: Space
    criterion: Criterion
    plot: np.ndarray
    hard: tuple[int, ...]
    precision: np.ndarray
    tails: np.ndarray
    fixed: np.ndarray
    total: int

    @cached_property
    def ridge(self) -> float:
        """Added to the diagonal while a random start may still be singular."""
        return ridge_for(self.space.rows(self.space.lattice(self.space.coarse(), _LISTED)))

    @property
    def easy(self) -> list[int]:
        """Factors that may differ from run to run."""
        return [j for j in range(len(self.space.region)) if j not in self.hard]

    @property
    def members(self) -> list[np.ndarray]:
        """Runs of each group."""
        return [np.flatnonzero(self.plot == g) for g in range(int(self.plot.max()) + 1)]

    def rows(self, points: np.ndarray) -> np.ndarray:
        """Model rows with the block columns after them; (s, n, k) gives (s, n, p + b)."""
        tails = np.broadcast_to(self.tails, (*points.shape[:-1], self.tails.shape[1]))
        return np.concatenate([self.space.rows(points), tails], axis=-1)

    def full(self, points: np.ndarray) -> np.ndarray:
        """Information on model and block effects; (..., n, k) gives (..., p + b, p + b)."""
        X = self.rows(points)
        return X.swapaxes(-1, -2) @ (self.precision @ X) + self.fixed

    def value(self, information: np.ndarray) -> np.ndarray:
        """Merit per run of full information matrices."""
        p = len(self.space.columns)
        return self.criterion.merit(without_blocks(information, p)) / self.total

    def merit(self, points: np.ndarray) -> np.ndarray:
        """Merit per run; (..., n, k) gives (...)."""
        return self.value(self.full(points))


def exchange_grouped(task: GroupedTask, start: np.ndarray, levels: Levels, *, passes: int = 30,
                     least_gain: float = 1e-6,
                     stop: Callable[[], bool] = lambda: False) -> np.ndarray:
    """Improve plans by changing one coordinate of a group or of a run until none helps.

    Parameters
    ----------
    task : GroupedTask
    start : ndarray, shape (s, n, k)
        Points of s plans; all of them may be run.
    levels : callable
        Takes the points that would change (s, m, k) and a factor's number; returns the values
        to try, (s, levels).
    passes, least_gain, stop
        As in `doe.planning.exchange.exchange_coordinates`.
    """
    points = start.copy()
    live = np.arange(len(points))
    for _ in range(passes):
        batch = _Batch(task, points[live], least_gain)
        for members in task.members:
            batch.refresh()
            for j in task.hard:
                batch.move_group(members, j, levels)
            batch.invert()
            for r in members:
                for j in task.easy:
                    batch.move_run(r, j, levels)
        points[live] = batch.at
        live = live[batch.moved]
        if not len(live) or stop():
            break
    return points


class _Batch:
    """Plans that take their steps together, with what the steps are judged by."""

    def __init__(self, task: GroupedTask, at: np.ndarray, least_gain: float) -> None:
        self.task, self.at, self.least = task, at, least_gain
        self.weights = task.criterion.widened(task.tails.shape[1])
        self.X = task.rows(at)
        self.moved = np.zeros(len(at), bool)
        self.lines = np.arange(len(at))

    def refresh(self) -> None:
        """The information anew, free of rounding from the steps before."""
        X, q = self.X, self.X.shape[2]
        self.M = (X.swapaxes(1, 2) @ (self.task.precision @ X) + self.task.fixed
                  + self.task.ridge * np.eye(q))

    def invert(self, which: np.ndarray | slice = slice(None)) -> None:
        if isinstance(which, slice):
            self.inverse = np.linalg.inv(self.M)
            self.gradient = None if self.weights is None else np.empty_like(self.M)
        else:
            self.inverse[which] = np.linalg.inv(self.M[which])
        if self.gradient is not None:
            self.gradient[which] = self.inverse[which] @ self.weights @ self.inverse[which]

    def move_group(self, members: np.ndarray, j: int, levels: Levels) -> None:
        task, A = self.task, self.task.precision
        here = self.at[:, members]
        values = levels(here, j)
        trial = np.repeat(here[:, None], values.shape[1], axis=1)
        trial[..., j] = values[:, :, None]
        new = task.space.rows(trial)
        p = new.shape[-1]
        D = np.zeros((*new.shape[:-1], self.X.shape[2]))
        D[..., :p] = new - self.X[:, None, members, :p]
        U = (A[members] @ self.X).swapaxes(1, 2)[:, None]
        cross = U @ D
        M = (self.M[:, None] + cross + cross.swapaxes(2, 3)
             + D.swapaxes(2, 3) @ (A[np.ix_(members, members)] @ D))
        merit = task.value(M)
        if task.space.bounded:
            merit = np.where(task.space.feasible(trial).all(axis=2), merit, 0.0)
        best = merit.argmax(axis=1)
        now = task.value(self.M)
        hit = np.flatnonzero(merit[self.lines, best] > now * (1 + self.least))
        if len(hit):
            self.at[np.ix_(hit, members)] = trial[hit, best[hit]]
            self.X[np.ix_(hit, members)] += D[hit, best[hit]]
            self.M[hit] = M[hit, best[hit]]
            self.moved[hit] = True

    def move_run(self, r: int, j: int, levels: Levels) -> None:
        task, A = self.task, self.task.precision
        here = self.at[:, r]
        values = levels(here[:, None], j)
        trial = np.repeat(here[:, None], values.shape[1], axis=1)
        trial[..., j] = values
        new = task.space.rows(trial)
        p = new.shape[-1]
        D = np.zeros((*new.shape[:-1], self.X.shape[2]))
        D[..., :p] = new - self.X[:, r, None, :p]
        u = A[r] @ self.X
        V = self.inverse @ u[:, :, None]
        uu = (u[:, None] @ V)[:, 0]
        ud = 1 + (D @ V)[:, :, 0]
        dd = ((D @ self.inverse) * D).sum(axis=2)
        ratio = ud**2 + dd * (A[r, r] - uu)
        if self.gradient is None:
            gain, least = ratio - 1, self.least
        else:
            Pu = self.gradient @ u[:, :, None]
            gain = (2 * ud * (D @ Pu)[:, :, 0] - dd * (u[:, None] @ Pu)[:, 0]
                    + (A[r, r] - uu) * ((D @ self.gradient) * D).sum(axis=2))
            gain = np.divide(gain, ratio, where=ratio > 1e-8, out=np.full_like(gain, -np.inf))
            least = self.least * np.einsum("ij,sji->s", self.weights, self.inverse)
        if task.space.bounded:
            asked = np.nonzero(gain > np.max(least))
            inside = np.zeros(gain.shape, bool)
            inside[asked] = task.space.feasible(trial[asked])
            gain = np.where(inside, gain, -np.inf)
        best = gain.argmax(axis=1)
        hit = np.flatnonzero(gain[self.lines, best] > least)
        if len(hit):
            d = D[hit, best[hit]]
            outer = u[hit][:, :, None] * d[:, None]
            self.M[hit] += (outer + outer.swapaxes(1, 2)
                            + A[r, r] * d[:, :, None] * d[:, None])
            self.at[hit, r] = trial[hit, best[hit]]
            self.X[hit, r] += d
            self.invert(hit)
            self.moved[hit] = True


# ---- the search ------------------------------------------------------------------------------

def search_grouped(task: GroupedTask, *, starts: int, seed: int,
                   progress: Callable[[int, int, float], None] | None = None,
                   stop: Callable[[], bool] | None = None,
                   n_jobs: int | None = None) -> tuple[np.ndarray, float, int]:
    """The best points found, their merit per run, and the starts that were made.

    After a third of the starts, the rest begin from the best so far with a quarter of the
    groups drawn anew. The best few are polished in fine steps. Batches of starts may be shared
    out among processes, see `doe.planning.chunks.each`.
    """
    rng, stop = np.random.default_rng(seed), stop or never
    space, coarse = task.space, task.space.coarse()
    lattice = space.lattice(coarse, _LISTED, seed) if space.bounded else None
    k = len(space.region)
    pool, merits, done = np.empty((0, len(task.plot), k)), np.empty(0), 0
    for fresh, counts in rounds(starts, _BATCH):
        batches = []
        for count in counts:
            plans = _draw(task, coarse, lattice, rng, count)
            if not fresh:
                keep = rng.random((count, int(task.plot.max()) + 1))[:, task.plot] >= _REDRAWN
                plans[keep] = pool[rng.integers(0, min(len(pool), _PARENTS), count)][keep]
            # The first batch runs to its end: until then there may be no plan to keep.
            batches.append((task, plans, Here(stop if batches or len(pool) else never)))
        for plans in each(_improved, batches, n_jobs):
            done += len(plans)
            pool, merits = _best(np.concatenate([pool, plans]),
                                 np.concatenate([merits, task.merit(plans)]))
            if progress:
                progress(done, starts, float(merits[0]))
            if stop():
                break
        if stop():
            break
    if not stop() and any(space.is_free(j) or len(space.levels(j, 99)) > len(coarse[j])
                          for j in range(k)):
        better = exchange_grouped(task, pool, fine_steps(space, coarse), passes=15, stop=stop)
        pool, merits = _best(np.concatenate([pool, better]),
                             np.concatenate([merits, task.merit(better)]))
    if not merits[0] > 0:
        raise InputError("runs", task.total, "no plan was found that can estimate the model",
                         "Add runs or groups, or leave terms out")
    return pool[0], float(merits[0]), done


def _improved(task: GroupedTask, plans: np.ndarray, stop: Callable[[], bool]) -> np.ndarray:
    return exchange_grouped(task, plans, whole_range(task.space, task.space.coarse()), stop=stop)


def _best(plans: np.ndarray, merits: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    order = np.argsort(-merits, kind="stable")
    _, first = np.unique(np.round(merits[order] / max(merits.max(), 1e-300), 9),
                         return_index=True)
    keep = order[np.sort(first)[:_FINALISTS]]
    return plans[keep], merits[keep]


def _draw(task: GroupedTask, coarse: list[np.ndarray], lattice: np.ndarray | None,
          rng: np.random.Generator, count: int) -> np.ndarray:
    """Random plans from coarse levels that may be run, constant in the hard factors by group."""
    groups, n, k = int(task.plot.max()) + 1, len(task.plot), len(coarse)
    if lattice is None:
        base = np.stack([rng.choice(v, (count, groups)) for v in coarse], axis=2)
        plans = base[:, task.plot]
        for j in task.easy:
            plans[:, :, j] = rng.choice(coarse[j], (count, n))
        return plans
    plans = lattice[rng.integers(0, len(lattice), (count, groups))][:, task.plot]
    open_ = np.ones((count, n), bool)
    for _ in range(_TRIES):  # the group's own lattice point stands where no draw may be run
        trial = plans[open_]
        for j in task.easy:
            trial[:, j] = rng.choice(coarse[j], len(trial))
        good = task.space.feasible(trial)
        at = np.nonzero(open_)
        plans[at[0][good], at[1][good]] = trial[good]
        open_[at[0][good], at[1][good]] = False
    return plans.reshape(count, n, k)


# ---- settings that can be made ------------------------------------------------------------

def settle_grouped(task: GroupedTask, ideal: np.ndarray, seed: int) -> np.ndarray:
    """Settable points near the ideal ones, all of which may be run; (n, k).

    Snapped first; then single runs, and whole groups in their hard factors, move to settable
    neighbours as long as that brings runs back inside, or serves the criterion.

    Raises
    ------
    InputError
        If no settable points were found that may be run.
    """
    space = task.space
    points = _snapped(task, ideal[None])[0]
    if space.feasible(points).all() and np.abs(points - ideal).max() < 1e-9:
        return points
    spare = _spare(task, seed)
    for attempt in range(4):
        before = points.copy()
        for members in task.members:
            for group in ([members] if task.hard else []):
                points = _improve(task, points, group, list(task.hard), spare, attempt)
            for r in members:
                points = _improve(task, points, np.array([r]), task.easy, None, attempt)
        if np.array_equal(points, before):
            break
    outside = ~space.feasible(points)
    if outside.any():
        raise InputError("region", [str(c) for c in space.region.constraints],
                         f"{int(outside.sum())} runs could not be brought to settings that can "
                         "be made inside it", "Use finer increments, or relax a constraint")
    return points


def _snapped(task: GroupedTask, points: np.ndarray) -> np.ndarray:
    space, shape = task.space, points.shape
    flat = points.reshape(-1, shape[-1])
    made = space.points(settable(space.region, space.settings(flat), space.mixer))
    return made.reshape(shape)


def _spare(task: GroupedTask, seed: int) -> np.ndarray:
    made = _snapped(task, task.space.scatter(512, seed)[None])[0]
    made = distinct(made[task.space.feasible(made)])
    return made[:60]


def _improve(task: GroupedTask, points: np.ndarray, which: np.ndarray, factors: list[int],
             spare: np.ndarray | None, attempt: int) -> np.ndarray:
    """The plan with the runs `which` moved to where they serve best in the given factors."""
    space = task.space
    wide = not space.feasible(points[which]).all()
    moves = _moves(space, factors, points.shape[1], wide)
    here = np.broadcast_to(points[which], (len(moves), len(which), points.shape[1])).copy()
    here += moves[:, None]
    for j, f in enumerate(space.region.factors):
        if f.is_numeric:
            here[..., j] = np.clip(here[..., j], -1, 1)
    if wide and spare is not None and attempt and len(spare):
        here = np.concatenate([here, np.repeat(spare[:, None], len(which), axis=1)])
    here = np.concatenate([points[which][None], _snapped(task, here)])
    trial = np.broadcast_to(points, (len(here), *points.shape)).copy()
    trial[:, which] = here
    outside = (~space.feasible(here)).sum(axis=1)
    merit = task.merit(trial)
    merit = np.where(outside == outside.min(), merit, -1.0)
    best = int(merit.argmax())
    if outside[best] == outside[0] and merit[best] <= merit[0] * (1 + 1e-9):
        return points
    return trial[best]


def _moves(space: Space, factors: list[int], k: int, wide: bool) -> np.ndarray:
    """Steps along the given numeric factors, and pairs of them where `wide`; (m, k)."""
    steps = []
    for j in factors:
        f = space.region.factors[j]
        if not f.is_numeric:
            continue
        unit = (f.increment or 0) / f.half_range or 0.01
        for size in (unit, 2 * unit, 0.03, *((0.1, 0.25, 0.5) if wide else ())):
            steps += [(j, size), (j, -size)]
    moves = [np.zeros(k)]
    for a, (i, x) in enumerate(steps):
        one = np.zeros(k)
        one[i] = x
        moves.append(one)
        for j, y in steps[:a] if wide else ():
            if i != j:
                two = one.copy()
                two[j] = y
                moves.append(two)
    return np.array(moves)

"""The search for an exact optimal plan: starts, exchanges, polish, and settings that can be made.

1. Random starts from a coarse lattice of candidates are improved by exchanges, many at once.
   After a third of them, the rest start from the best six found so far with a sixth of the
   runs redrawn, which finds better plans than the same number of fresh starts. Batches of
   starts may be shared out among processes (`doe.planning.chunks`); which of them are drawn
   from the same best six depends on their number alone.
2. The best twenty are polished: one coordinate of one run at a time, in ever finer steps.
3. The best is snapped to settings that can be made. Each run may then move to any settable
   neighbour, until none helps; runs that snapping put outside what may be run must.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.planning.candidates import Space, distinct
from doe.planning.chunks import Here, each, never, rounds
from doe.planning.criteria import Criterion, after_swap, without_blocks
from doe.planning.exchange import exchange_coordinates, exchange_rows, ridge_for
from doe.planning.settle import settable

__all__ = ["Found", "Task", "search", "usual_starts"]

LISTED = 6000
"""With at most this many candidates (a candidate in another block counts as another) whole
runs are exchanged, else coordinates."""

_REDRAWN = 1 / 6
_PARENTS, _FINALISTS = 6, 20
_STEPS = np.array([0.4, 0.15, 0.05, 0.02, 0.007, 0.0025])

Progress = Callable[[int, int, float], None]


@dataclass(frozen=True, eq=False)
class Task:
    """What is to be found.

    Parameters
    ----------
    space : Space
    criterion : Criterion
    block : ndarray of int, shape (n,)
        Block of each run to be found, from 0.
    tails : ndarray, shape (blocks, b)
        Columns of the block effects, by block; b = 0 for one block.
    fixed : ndarray, shape (p + b, p + b)
        Information of runs that stay, and of the prior.
    total : int
        Number of runs, those that stay included.
    """

    space: Space
    criterion: Criterion
    block: np.ndarray
    tails: np.ndarray
    fixed: np.ndarray
    total: int

    def full(self, points: np.ndarray) -> np.ndarray:
        """Information on model and block effects together."""
        rows = self.space.rows(points)
        tails = np.broadcast_to(self.tails[self.block], (*rows.shape[:-1], self.tails.shape[1]))
        X = np.concatenate([rows, tails], axis=-1)
        return X.swapaxes(-1, -2) @ X + self.fixed

    def merit(self, points: np.ndarray) -> np.ndarray:
        """Merit per run, comparable with that of the continuous optimum."""
        return self.criterion.merit(
            without_blocks(self.full(points), len(self.space.columns))) / self.total

    @property
    def weights(self) -> np.ndarray | None:
        """The criterion's, block effects not counting."""
        return self.criterion.widened(self.tails.shape[1])


@dataclass(frozen=True, eq=False)
class Found:
    """The best plan found.

    Parameters
    ----------
    settings : DataFrame
        Natural units, settable; one row a run, in the order of the task's blocks.
    points : ndarray, shape (n, k)
    merit : float
        Per run.
    ideal_merit : float
        Before snapping.
    starts : int
        Starts that were made before the end, or before the search was stopped.
    moved : float
        Greatest move by snapping, in half-ranges.
    repaired : int
        Runs that snapping had put outside what may be run.
    by : str
        Which exchange was used on the starts.
    stopped : bool
        True if the search was stopped, or interrupted, before its end.
    """

    settings: pd.DataFrame
    points: np.ndarray
    merit: float
    ideal_merit: float
    starts: int
    moved: float
    repaired: int
    by: str
    stopped: bool


def usual_starts(task: Task, candidates: int) -> int:
    """Starts that take about a second, between 20 and 1000."""
    n, k, p = len(task.block), len(task.space.region), len(task.space.columns)
    size = candidates * len(task.tails)
    work = 6 * n * (size * (2.0 * p + 16) if size <= LISTED else k * (8.0 * p * p + 4000))
    return int(np.clip(round(5e9 / work, -1), 20, 1000))


def search(task: Task, candidates: np.ndarray, *, starts: int, seed: int, best_possible: float,
           mixer=None, progress: Progress | None = None,
           stop: Callable[[], bool] | None = None, n_jobs: int | None = None) -> Found:
    """Find the best plan for a task.

    Parameters
    ----------
    task : Task
    candidates : ndarray, shape (N, k)
        Points to start from; the list to choose from where it is short.
    starts : int
    seed : int
    best_possible : float
        Merit of the continuous optimum, for the efficiencies given to `progress`.
    mixer : Mixer, optional
        What settings are snapped to.
    progress : callable, optional
        Called with starts done, starts in all, best efficiency so far (0 to 1).
    stop : callable, optional
        Asked often (between batches where other processes do the work); True ends the search
        with the best so far, and so does an interrupt from the keyboard once there is a plan.
    n_jobs : int, optional
        As in `doe.planning.chunks.each`.
    """
    rng = np.random.default_rng(seed)
    stop = _Stop(stop or never)
    n = len(task.block)
    listed = len(candidates) * len(task.tails) <= LISTED
    engine = (_ByRuns if listed else _ByCoordinates)(task, candidates)
    pool, merits, done = engine.draw(rng, 0), np.empty(0), 0
    try:
        for fresh, counts in rounds(starts, engine.batch):
            batches = []
            for count in counts:
                plans = engine.draw(rng, count)
                if not fresh:
                    redraw = max(2, round(_REDRAWN * n))
                    keep = rng.permuted(np.tile(np.arange(n), (count, 1)), axis=1) >= redraw
                    plans[keep] = pool[rng.integers(0, min(len(pool), _PARENTS), count)][keep]
                # The first batch runs to its end: until then there may be no plan to keep.
                batches.append((engine, plans, Here(stop if batches or len(pool) else never)))
            for plans in each(_improved, batches, n_jobs):
                done += len(plans)
                pool, merits = _best_few(
                    np.concatenate([pool, plans]),
                    np.concatenate([merits, task.merit(engine.points(plans))]))
                if progress:
                    progress(done, starts, float(merits[0] / best_possible))
                if stop():
                    break
            if stop():
                break
    except KeyboardInterrupt:
        if not len(merits):
            raise
        stop.now = True
    if not merits[0] > 0:
        raise InputError("runs", task.total, "no plan was found that can estimate the model",
                         "Add runs, or leave terms out")
    finalists = engine.points(pool)
    try:
        if not stop():
            finalists, merits = _best_few(*_polish(task, finalists, merits, engine.ridge, stop))
    except KeyboardInterrupt:
        stop.now = True
    ideal = finalists[0]
    settings, points, repaired = _settle(task, ideal, candidates, mixer)
    moved = [np.abs(points[:, j] - ideal[:, j]).max()
             for j, f in enumerate(task.space.region.factors) if f.is_numeric]
    return Found(settings, points, float(task.merit(points)), float(merits[0]), done,
                 float(max(moved, default=0.0)), repaired, "runs" if listed else "coordinates",
                 stop.now)


def _improved(engine: _ByRuns | _ByCoordinates, plans: np.ndarray,
              stop: Callable[[], bool]) -> np.ndarray:
    return engine.improve(plans, stop)


class _Stop:
    """A question whose first yes stands."""

    def __init__(self, ask: Callable[[], bool]) -> None:
        self.ask, self.now = ask, False

    def __call__(self) -> bool:
        self.now = self.now or bool(self.ask())
        return self.now


class _ByRuns:
    """Plans as numbers of candidates; shape (s, n)."""

    def __init__(self, task: Task, candidates: np.ndarray) -> None:
        self.task, self.candidates = task, candidates
        self.rows = task.space.rows(candidates)
        self.ridge = ridge_for(self.rows)
        self.batch = int(np.clip(2**17 // (len(candidates) * len(task.tails)), 8, 256))

    def draw(self, rng: np.random.Generator, count: int) -> np.ndarray:
        return rng.integers(0, len(self.candidates), (count, len(self.task.block)))

    def points(self, plans: np.ndarray) -> np.ndarray:
        return self.candidates[plans]

    def improve(self, plans: np.ndarray, stop: Callable[[], bool]) -> np.ndarray:
        task = self.task
        return exchange_rows(self.rows, plans, task.fixed, tails=task.tails, block=task.block,
                             weights=task.weights, ridge=self.ridge, stop=stop)


class _ByCoordinates:
    """Plans as points; shape (s, n, k)."""

    batch = 48

    def __init__(self, task: Task, candidates: np.ndarray) -> None:
        self.task, self.candidates = task, candidates
        self.coarse = task.space.coarse()
        self.ridge = ridge_for(task.space.rows(candidates))

    def draw(self, rng: np.random.Generator, count: int) -> np.ndarray:
        return self.candidates[rng.integers(0, len(self.candidates),
                                            (count, len(self.task.block)))]

    def points(self, plans: np.ndarray) -> np.ndarray:
        return plans

    def improve(self, plans: np.ndarray, stop: Callable[[], bool]) -> np.ndarray:
        task = self.task
        return exchange_coordinates(task.space, plans, task.fixed, self._levels, least_gain=1e-6,
                                    tails=task.tails[task.block], weights=task.weights,
                                    ridge=self.ridge, stop=stop)

    def _levels(self, here: np.ndarray, j: int) -> np.ndarray:
        values = np.broadcast_to(self.coarse[j], (len(here), len(self.coarse[j])))
        return _with_limits(self.task.space, here, j, values)


def _with_limits(space: Space, here: np.ndarray, j: int, values: np.ndarray) -> np.ndarray:
    """Values clipped to what the constraints leave of factor j, and that range's two ends."""
    if not (space.is_free(j) and space.is_tied(j) and space.region.constraints):
        return values
    low, high = space.reach(here, j)
    return np.column_stack([np.clip(values, low[:, None], high[:, None]), low, high])


def _best_few(plans: np.ndarray, merits: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The best plans, no two of the same merit."""
    rounded = np.round(merits / max(merits.max(), 1e-300), 9)
    _, first = np.unique(-rounded, return_index=True)  # of equals the earliest found
    keep = first[:_FINALISTS]
    return plans[keep], merits[keep]


def _polish(task: Task, pool: np.ndarray, merits: np.ndarray, ridge: float,
            stop: Callable[[], bool]) -> tuple[np.ndarray, np.ndarray]:
    """The pool after coordinate exchange in fine steps, if there is anything to refine.

    |M| is convex in a factor the model is linear in, so nothing inside its range can help D.
    """
    space, coarse = task.space, task.space.coarse()
    convex = task.criterion.name == "D"
    fine = [space.is_free(j) and not (convex and space.degree(j) < 2 and not space.is_tied(j))
            for j in range(len(coarse))]
    if not any(fine):
        return pool, merits

    def levels(here: np.ndarray, j: int) -> np.ndarray:
        if not fine[j]:
            every = space.levels(j, 99) if not space.is_free(j) else coarse[j]
            return np.broadcast_to(every, (len(here), len(every)))
        x = here[:, j, None]
        values = np.hstack([x + _STEPS, x - _STEPS,
                            np.broadcast_to(coarse[j], (len(here), len(coarse[j])))])
        return _with_limits(space, here, j, np.clip(values, -1, 1))

    better = exchange_coordinates(space, pool, task.fixed, levels, tails=task.tails[task.block],
                                  weights=task.weights, passes=15, least_gain=1e-6, ridge=ridge,
                                  stop=stop)
    return np.concatenate([pool, better]), np.concatenate([merits, task.merit(better)])


# ---- settings that can be made ---------------------------------------------------------

def _settle(task: Task, ideal: np.ndarray, candidates: np.ndarray, mixer,
            ) -> tuple[pd.DataFrame, np.ndarray, int]:
    space = task.space
    settings = settable(space.region, space.settings(ideal), mixer)
    points = space.points(settings)
    outside = ~space.feasible(points)
    if np.abs(points - ideal).max() < 1e-9 and not outside.any():
        return settings, points, 0
    near = [_neighbours(space, x, mixer, wide=out) for x, out in zip(ideal, outside, strict=True)]
    near = [x if len(x) else _nearest_settable(space, ideal[r], candidates, mixer)
            for r, x in enumerate(near)]
    must = outside.copy()
    for _ in range(3):
        before = points.copy()
        for r in range(len(points)):
            points[r] = _best_of(task, points, r, near[r], must=must[r])
            must[r] = False
        if np.array_equal(points, before):
            break
    return settable(space.region, space.settings(points), mixer), points, int(outside.sum())


def _neighbours(space: Space, point: np.ndarray, mixer, wide: bool) -> np.ndarray:
    """Settable points near a point that may be run, without repeats; (m, k)."""
    k = len(point)
    steps = []
    for j, f in enumerate(space.region.factors):
        if not space.is_free(j):
            continue
        unit = f.increment / f.half_range if f.increment else 0.01
        for size in (unit, 2 * unit, 0.01, 0.03, *((0.1, 0.2) if wide else ())):
            steps += [(j, size), (j, -size)]
    moves = [np.zeros(k)]
    for j, size in steps:
        moves.append(np.where(np.arange(k) == j, size, 0.0))
    for (i, a), (j, b) in combinations(steps, 2):
        if i != j and abs(a) == abs(b):
            move = np.zeros(k)
            move[i], move[j] = a, b
            moves.append(move)
    near = point + np.unique(np.array(moves), axis=0)
    for j, f in enumerate(space.region.factors):
        if f.is_numeric:
            near[:, j] = np.clip(near[:, j], -1, 1)
    return _settable_points(space, near, mixer)


def _settable_points(space: Space, points: np.ndarray, mixer) -> np.ndarray:
    made = space.points(settable(space.region, space.settings(points), mixer))
    made = distinct(made)
    return made[space.feasible(made)]


def _nearest_settable(space: Space, point: np.ndarray, candidates: np.ndarray,
                      mixer) -> np.ndarray:
    categories = [j for j, f in enumerate(space.region.factors) if not f.is_numeric]
    far = ((candidates - point) ** 2).sum(axis=1)
    far += 100.0 * (candidates[:, categories] != point[categories]).sum(axis=1)
    made = _settable_points(space, candidates[np.argsort(far, kind="stable")[:500]], mixer)
    if not len(made):
        made = _settable_points(space, space.scatter(4096), mixer)
    if not len(made):
        raise InputError("region", [str(c) for c in space.region.constraints],
                         "none of the settings in it can be made",
                         "Relax a constraint, move the factor ranges, or use finer increments")
    return made


def _best_of(task: Task, points: np.ndarray, r: int, near: np.ndarray, must: bool) -> np.ndarray:
    """The neighbour that serves best in the place of run r; the run itself unless it `must` go."""
    choice = near if must else np.vstack([points[r], near])
    if len(choice) == 1:
        return choice[0]
    tail = task.tails[task.block[r]]
    rows = np.hstack([task.space.rows(choice), np.tile(tail, (len(choice), 1))])
    old = np.concatenate([task.space.rows(points[r]), tail])
    inverse = np.linalg.inv(task.full(points) + 1e-9 * np.eye(len(old)))
    many = np.broadcast_to(inverse, (len(rows), *inverse.shape))
    new, _, ratio = after_swap(many, rows, np.broadcast_to(old, rows.shape))
    if task.weights is None:
        return choice[int(ratio.argmax())]
    trace = np.einsum("ij,sji->s", task.weights, new)
    return choice[int(np.where(ratio > 1e-8, trace, np.inf).argmin())]

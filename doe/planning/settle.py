"""From ideal points to settings that can be made, and what the move costs a plan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.programme import ATMOSPHERE, LEVELS, quantity_of, source_of, step_of
from doe.terms import Term, model_matrix
from doe.wording import count, digits, join

__all__ = ["Settled", "block_columns", "feasible", "information", "pure_error_df", "rank", "sample",
           "settable", "settle"]

_STEPS = np.linspace(1, 0, 201)
_MOVED = 1e-6


@dataclass(frozen=True)
class Settled:
    """Settings that can be made, and how they were come by.

    Parameters
    ----------
    settings : DataFrame
        Settable points inside the region, natural units.
    moves : ndarray, shape (n, k)
        How far each numeric setting was moved, in half-ranges; 0 for categorical factors.
    pulls : ndarray, shape (n, k)
        The part of each move that brought a point inside the limits.
    limits : tuple of str
        The limits those points broke, in words.
    """

    settings: pd.DataFrame
    moves: np.ndarray
    pulls: np.ndarray
    limits: tuple[str, ...] = ()


def settable(region: Region, settings: pd.DataFrame, mixer: Mixer | None = None) -> pd.DataFrame:
    """The nearest settings that can be made: by the mixer if one is given."""
    return region.snap(settings) if mixer is None else mixer.snap(settings, region)


def outside_mixer(settings: pd.DataFrame | Mapping[str, np.ndarray],
                  mixer: Mixer) -> dict[str, np.ndarray]:
    """Columns that ask more than the mixer can do, and in which rows.

    Columns, of a table or by name, are read as in `Mixer.snap`. Pressures within 1 kPa of the
    atmosphere need no vacuum; the times of all steps together must not exceed the mixer's
    greatest time.

    Raises
    ------
    InputError
        If the columns make more steps than the mixer stores.
    """
    mixer.check_memory(settings)
    out: dict[str, np.ndarray] = {}

    def note(columns: Sequence[str], bad: np.ndarray) -> None:
        for column in columns:
            out[column] = out.get(column, False) | bad

    def beyond(values: np.ndarray, low: float, high: float) -> np.ndarray:
        return (values < low - 1e-9) | (values > high + 1e-9)

    times = [c for c in settings if quantity_of(c) == "time"]
    if times:
        total = sum(np.asarray(settings[c], float) for c in times)
        note(times, total > mixer.greatest_time + 1e-9)
    for column in settings:
        quantity = quantity_of(column)
        if not quantity:
            continue
        values = np.asarray(settings[column], float)
        if quantity == "time":
            longest = mixer.greatest_step_time or np.inf
            note([column], (values <= 0) | (values > longest + 1e-9))
        elif quantity in ("revolution", "rotation"):
            note([column], beyond(values, *getattr(mixer, f"{quantity}_range")))
        elif quantity in LEVELS:
            table = mixer.levels_of(quantity) or ((-np.inf, 0.0), (np.inf, 0.0))
            note([column], beyond(values, table[0][0], table[-1][0]))
        elif quantity == "rotation_ratio":
            step = step_of(column)
            speed = source_of(settings, step, "revolution")
            if speed is not None:
                rotation = mixer.speeds(settings, step, between=True).rotation
                note([speed, column], beyond(rotation, *mixer.rotation_range))
        else:
            low, high = mixer.pressure_range or (ATMOSPHERE - 1, np.inf)
            note([column], beyond(values, low, max(high, ATMOSPHERE + 1)))
    return {column: bad for column, bad in out.items() if bad.any()}


def feasible(region: Region, settings: pd.DataFrame, mixer: Mixer | None = None) -> np.ndarray:
    """Which settings lie in the region and within the mixer's reach; boolean, shape (n,)."""
    inside = region.contains(settings)
    if mixer is not None:
        for bad in outside_mixer(settings, mixer).values():
            inside &= ~bad
    return inside


def sample(region: Region, count: int = 2048, seed: int = 1) -> pd.DataFrame:
    """Points spread evenly over the region, seeded; natural units, not snapped.

    Scrambled Sobol' points; ordinal and categorical factors at their levels; points that
    break a constraint are dropped, and more drawn until there are `count`.

    Raises
    ------
    InputError
        If hardly any point is inside the constraints.
    """
    from scipy.stats import qmc

    engine = qmc.Sobol(len(region), seed=seed)
    kept, found = [], 0
    for _ in range(12):
        unit = engine.random(1 << max(0, int(np.ceil(np.log2(count)))))
        columns = {}
        for j, f in enumerate(region.factors):
            if f.kind == "continuous":
                columns[f.name] = f.low + unit[:, j] * (f.high - f.low)
            else:
                levels = f.settings()
                place = np.minimum((unit[:, j] * len(levels)).astype(int), len(levels) - 1)
                columns[f.name] = levels[place]
        points = pd.DataFrame(columns)
        points = points[region.contains(points)]
        kept.append(points)
        found += len(points)
        if found >= count:
            return pd.concat(kept, ignore_index=True).iloc[:count]
    if not found:
        raise InputError("region, constraints", [str(c) for c in region.constraints],
                         "no point was found that keeps them all",
                         "Relax a constraint or move the factor ranges")
    return pd.concat(kept, ignore_index=True)


def anchor(region: Region, mixer: Mixer | None = None) -> dict[str, float]:
    """Numeric settings that points outside are pulled towards.

    The centre of the region; where that cannot be run, the middle of what can.

    Raises
    ------
    InputError
        If nothing in the region can be run.
    """
    numeric = [f.name for f in region.numeric]
    centre = region.middle()
    if feasible(region, settable(region, centre, mixer), mixer)[0]:
        return centre.iloc[0][numeric].to_dict()
    points = settable(region, sample(region, 4096), mixer)
    points = points[feasible(region, points, mixer)]
    if points.empty:
        raise InputError("region", [str(c) for c in region.constraints],
                         "none of the settings in it can be run",
                         "Relax a constraint, move the factor ranges, or use finer increments")
    middle = points.iloc[[0]].copy()
    middle[numeric] = points[numeric].mean().to_numpy()
    if feasible(region, settable(region, middle, mixer), mixer)[0]:
        return middle.iloc[0][numeric].to_dict()
    scale = np.array([f.half_range for f in region.numeric])
    away = (points[numeric].to_numpy() - middle[numeric].to_numpy()) / scale
    return points.iloc[int((away**2).sum(axis=1).argmin())][numeric].to_dict()


def settle(region: Region, ideal: pd.DataFrame, mixer: Mixer | None = None) -> Settled:
    """Snap ideal points to settings that can be made, inside the region.

    A point that breaks a limit is moved along the straight line, in coded units, towards the
    region's centre: first only in the factors that the broken limits bind, then in all
    numeric ones; the settable point that needs the least move is taken.

    Raises
    ------
    InputError
        If nothing on the way to the centre can be run.
    """
    ideal = _exact(region, ideal[region.names].reset_index(drop=True))
    settings = snapped = settable(region, ideal, mixer)
    inside = feasible(region, settings, mixer)
    limits = () if inside.all() else _broken(region, settings, mixer)
    if not inside.all():
        goal = anchor(region, mixer)
        settings = settings.copy()
        for i in np.flatnonzero(~inside):
            bound = _binding(region, settings.iloc[[i]], mixer)
            found = None
            for names in (bound, list(goal)):
                found = found if found is not None else _pull(region, ideal.iloc[[i]], goal,
                                                              names, mixer)
            if found is None:
                raise InputError(f"plan, point {i + 1}", ideal.iloc[i].to_dict(),
                                 "nothing between it and the centre can be run",
                                 "Relax a constraint or narrow the factor ranges")
            for name in region.names:
                settings.loc[i, name] = found[name]
    moves = _between(region, ideal, settings)
    return Settled(settings, moves, moves - _between(region, ideal, snapped), limits)


def _exact(region: Region, settings: pd.DataFrame) -> pd.DataFrame:
    """Low, centre and high as given, free of what decoding leaves in the last digits."""
    out = settings.copy()
    for f in region.numeric:
        values = out[f.name].to_numpy(float).copy()
        for exact in (f.low, f.centre, f.high):
            values[np.abs(values - exact) < 1e-9 * f.half_range] = exact
        out[f.name] = values
    return out


def _between(region: Region, start: pd.DataFrame, end: pd.DataFrame) -> np.ndarray:
    return np.column_stack([f.code(end[f.name]) - f.code(start[f.name]) if f.is_numeric
                            else np.zeros(len(start)) for f in region.factors])


def _broken(region: Region, settings: pd.DataFrame, mixer: Mixer | None) -> tuple[str, ...]:
    limits = [f"range of {f.label}" for f in region.numeric
              if (np.abs(f.code(settings[f.name])) > 1 + 1e-9).any()]
    limits += [c.said for c in region.constraints if not c.holds(settings).all()]
    if mixer is not None:
        beyond = outside_mixer(settings[region.contains(settings)], mixer)
        if beyond:
            limits.append("the mixer's limits on " + join(region[n].label for n in beyond))
    return tuple(limits)


def _binding(region: Region, point: pd.DataFrame, mixer: Mixer | None) -> list[str]:
    names = {f.name for f in region.numeric if abs(f.code(point[f.name])[0]) > 1 + 1e-9}
    names |= {n for c in region.constraints if not c.holds(point)[0] for n in c.names}
    if mixer is not None:
        names |= set(outside_mixer(point, mixer)) & {f.name for f in region.numeric}
    return [n for n in region.names if n in names]


def _pull(region: Region, point: pd.DataFrame, goal: dict[str, float], names: list[str],
          mixer: Mixer | None) -> pd.Series | None:
    steps, best = _STEPS, None
    for _ in range(2):
        path = pd.concat([point] * len(steps), ignore_index=True)
        for name in names:
            path[name] = goal[name] + steps * (float(point[name].iloc[0]) - goal[name])
        path = settable(region, path, mixer)
        hits = np.flatnonzero(feasible(region, path, mixer))
        if len(hits) == 0:
            return best
        first = hits[0]
        best = path.iloc[first]
        if first == 0:
            return best
        steps = np.linspace(steps[first - 1], steps[first], 21)
    return best


# ---- what the moves cost ---------------------------------------------------------------

def block_columns(block: Sequence[int]) -> np.ndarray:
    """Sum-to-zero columns of b blocks; shape (n, b − 1)."""
    block = np.asarray(block)
    labels = np.unique(block)
    return (block[:, None] == labels[1:]).astype(float) - (block == labels[0])[:, None]


def information(X: np.ndarray, blocks: np.ndarray) -> np.ndarray:
    """X'X after block effects are taken out: X'X − X'B (B'B)⁻¹ B'X; shape (p, p).

    `blocks` are the columns of `block_columns`; with one block there are none. The intercept
    then stands for the average block.
    """
    M = X.T @ X
    if blocks.shape[1]:
        M -= X.T @ blocks @ np.linalg.solve(blocks.T @ blocks, blocks.T @ X)
    return M


def rank(X: np.ndarray) -> int:
    """Rank of a matrix whose columns are of the order of one (coded units)."""
    return int(np.linalg.matrix_rank(X, tol=1e-8 * np.sqrt(max(X.shape)))) if X.size else 0


def pure_error_df(region: Region, settings: pd.DataFrame, block: Sequence[int]) -> int:
    """Degrees of freedom for error from repeated settings, block effects taken out.

    n − d − b + c: d settings in b blocks, c groups of them that share blocks or settings.
    """
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import connected_components

    keys = settings[region.names].copy()
    for f in region.numeric:
        keys[f.name] = np.round(f.code(keys[f.name]), 9)
    setting = keys.groupby(list(keys), sort=False).ngroup().to_numpy()
    where = np.unique(block, return_inverse=True)[1] + setting.max() + 1
    size = int(where.max()) + 1
    links = csr_array((np.ones(len(keys)), (setting, where)), shape=(size, size))
    return len(keys) - size + connected_components(links, directed=False)[0]


def cost(region: Region, ideal: pd.DataFrame, settled: Settled, terms: Sequence[Term],
         block: Sequence[int]) -> list[str]:
    """What snapping and constraints cost the plan, in sentences with numbers.

    D-efficiencies are compared as |M|^(1/p) for the plan's own terms.
    """
    remarks, total = [], len(ideal)
    pulled = np.abs(settled.pulls).max(axis=1) > _MOVED
    snapped = ~pulled & (np.abs(settled.moves).max(axis=1) > _MOVED)
    if snapped.any():
        remarks.append(f"{_points(snapped.sum(), total)} moved to the nearest settings that can "
                       f"be made, {_farthest(region, settled.moves[snapped])}.")
    if pulled.any():
        remarks.append(f"{_points(pulled.sum(), total)} outside what can be run "
                       f"({'; '.join(settled.limits)}) and pulled towards the centre, "
                       f"{_farthest(region, settled.pulls[pulled])}.")
    if not remarks:
        return remarks
    before = model_matrix(region, ideal, terms).to_numpy()
    after = model_matrix(region, settled.settings, terms).to_numpy()
    blocks = block_columns(block)
    sentence = "Together this" if len(remarks) > 1 else "This"
    r = f"{_correlation(before):.2f}", f"{_correlation(after):.2f}"
    sentence += (f" takes the greatest correlation between model columns from {r[0]} to {r[1]}"
                 if r[0] != r[1] else
                 f" leaves the greatest correlation between model columns at {r[0]}")
    old, new = _size(before, blocks), _size(after, blocks)
    if rank(np.hstack([after, blocks])) < rank(np.hstack([before, blocks])):
        sentence += " and leaves some terms of the model impossible to separate"
    elif old > 0:
        change = 100 * (1 - new / old)
        sentence += (f" and costs {change:.1f} % of the D-efficiency" if change > 0.05 else
                     f" and adds {-change:.1f} % to the D-efficiency" if change < -0.05 else
                     " and costs no D-efficiency to speak of")
    remarks.append(sentence + ".")
    twins = (settled.settings.assign(_block=list(block)).duplicated().sum()
             - ideal.assign(_block=list(block)).duplicated().sum())
    if twins > 0:
        remarks.append(f"{count(twins, 'point now repeats', 'points now repeat')} the setting of "
                       "another.")
    return remarks


def _points(count: int, total: int) -> str:
    return f"{count} of {total} points {'was' if count == 1 else 'were'}"


def _farthest(region: Region, moves: np.ndarray) -> str:
    size = np.abs(moves)
    _, j = np.unravel_index(size.argmax(), size.shape)
    return f"by at most {digits(size.max(), 2)} in coded units ({region.factors[j].label})"


def _correlation(X: np.ndarray) -> float:
    varying = X[:, X.std(axis=0) > 1e-9]
    if varying.shape[1] < 2:
        return 0.0
    r = np.abs(np.corrcoef(varying, rowvar=False))
    return float(r[~np.eye(len(r), dtype=bool)].max())


def _size(X: np.ndarray, blocks: np.ndarray) -> float:
    sign, logdet = np.linalg.slogdet(information(X, blocks))
    return float(np.exp(logdet / X.shape[1])) if sign > 0 else 0.0

"""What every family shares: centre points, replicates, blocks, groups and the run order."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import product
from math import prod
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import InputError, as_number
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning.plan import Plan
from doe.planning.settle import block_columns, cost, rank, settle
from doe.terms import Term, model_matrix
from doe.wording import capitalise, join

_FAR = 0.05
"""A move of a point, in half-ranges, that can change what is said of a plan."""

__all__ = [
    "GREATEST_RUNS",
    "as_count",
    "as_runs",
    "as_seed",
    "as_starts",
    "assemble",
    "centre_rows",
    "check_model",
    "has_middle",
    "run_order",
    "spread",
    "too_many",
]

GREATEST_RUNS = 2000
"""Of a plan; nobody makes more runs by hand, and tables of pairs of runs still fit in memory."""

GREATEST_MODEL = 150
"""Coefficients of a model that an optimal plan is searched for; beyond, it takes hours."""

GREATEST_STARTS = 10_000
"""Of a search; it gains next to nothing after a few hundred."""


def as_count(field: str, value: object, *, at_least: int = 0, at_most: int | None = None) -> int:
    """A whole number of at least `at_least` and at most `at_most`, or `InputError`."""
    if as_number(field, value, at_least=at_least, at_most=at_most) != int(value):
        raise InputError(field, value, "this is not a whole number", "Give a whole number")
    return int(value)


def as_runs(field: str, value: object, *, at_least: int = 0) -> int:
    """A number of runs, or of what a plan cannot have more of than runs, or `InputError`."""
    if as_count(field, value, at_least=at_least) > GREATEST_RUNS:
        raise too_many(field, value)
    return int(value)


def as_starts(value: object) -> int:
    """A number of random starts of a search, or `InputError`."""
    return as_count("starts", value, at_least=1, at_most=GREATEST_STARTS)


def check_model(coefficients: int) -> None:
    """Refuse to search for a plan that would take too long."""
    if coefficients > GREATEST_MODEL:
        raise InputError("model, coefficients", coefficients, "optimal plans are searched for "
                         f"models of at most {GREATEST_MODEL}", "Take a smaller model, such as "
                         "linear, leave factors out, or use a plan of fixed size")


def too_many(field: str, value: object) -> InputError:
    """That no bench can make so many runs."""
    return InputError(field, value, f"a plan has at most {GREATEST_RUNS:,} runs",
                      "Give fewer, or use a smaller plan")


def as_seed(seed: int | None) -> int:
    """The seed given, or a fresh one to be recorded."""
    if seed is None:
        return int(np.random.default_rng().integers(2**31))
    return as_count("seed", seed)


def has_middle(factor: Factor) -> bool:
    """True if the factor can be set between its ends."""
    return factor.kind == "continuous" or (factor.kind == "ordinal" and len(factor.levels) > 2)


def spread(count: int, parts: int) -> list[int]:
    """`count` things over `parts` as evenly as whole numbers allow, the first get more."""
    return [count // parts + (i < count % parts) for i in range(parts)]


def centre_rows(region: Region, count: int) -> tuple[pd.DataFrame, tuple[str, ...]]:
    """`count` centre points, spread over the levels of factors that have no middle.

    Returns
    -------
    rows : DataFrame
        Natural units, not snapped.
    remarks : tuple of str
        Says how they were spread, if they had to be.
    """
    loose = [f for f in region.factors if not has_middle(f)]
    mixes: list[tuple[int, ...]] = []
    # A mix is followed by its opposite, so that few centre points already see both ends.
    for mix in product(*[range(len(f.levels)) for f in loose]):
        opposite = tuple(len(f.levels) - 1 - i for f, i in zip(loose, mix, strict=True))
        mixes += [m for m in dict.fromkeys((mix, opposite)) if m not in mixes]
        if len(mixes) >= count:
            break
    columns: dict[str, list] = {}
    for f in region.factors:
        if f in loose:
            j = loose.index(f)
            columns[f.name] = [f.levels[mixes[i % len(mixes)][j]] for i in range(count)]
        else:
            columns[f.name] = [f.centre] * count
    if not (loose and count):
        return pd.DataFrame(columns, columns=region.names), ()
    names = capitalise(join(f.label for f in loose))
    total = prod(len(f.levels) for f in loose)
    return pd.DataFrame(columns, columns=region.names), (
        f"{names} {'has' if len(loose) == 1 else 'have'} no middle setting: the {count} centre "
        f"point{'s are' if count > 1 else ' is'} spread over {min(count, total)} of the {total} "
        "combinations of "
        f"{'its' if len(loose) == 1 else 'their'} levels, the other factors in the middle.",)


def run_order(block: Sequence[int], seed: int,
              group: Sequence[int] | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Random order of the runs: blocks in turn, groups at random within them, runs in groups.

    Parameters
    ----------
    block : sequence of int, length n
    seed : int
    group : sequence of int, length n, optional
        Runs of a block with the same value stay together.

    Returns
    -------
    order : ndarray of int, shape (n,)
        Row to run first, second, and so on.
    whole_plot : ndarray of int, shape (n,)
        Number of the group in run order, from 1; every run its own where `group` is None.
    """
    rng = np.random.default_rng(seed)
    block = np.asarray(block)
    group = np.arange(len(block)) if group is None else np.asarray(group)
    order: list[int] = []
    plots: list[int] = []
    for b in np.unique(block):
        rows = np.flatnonzero(block == b)
        for g in rng.permutation(np.unique(group[rows])):
            order += rng.permutation(rows[group[rows] == g]).tolist()
            plots += [plots[-1] + 1 if plots else 1] * int((group[rows] == g).sum())
    return np.array(order, int), np.array(plots, int)


def assemble(region: Region, ideal: pd.DataFrame, *, point: Sequence[str],
             block: Sequence[int] | None = None, terms: Sequence[Term], family: str,
             seed: int | None = None, mixer: Mixer | None = None,
             group_hard_to_change: bool = False, details: Mapping[str, Any] | None = None,
             remarks: Sequence[str] = (), settled_remarks: bool = False) -> Plan:
    """A plan from ideal points in standard order: settled, checked, and put in random order.

    Parameters
    ----------
    region : Region
    ideal : DataFrame
        One row a run, natural units; repeats included.
    point, block : sequences, length n
        Kind of each point; block of each, from 1 (one block if None).
    terms : sequence of Term
        The model the plan is to estimate.
    family : str
    seed : int or None
        Of the run order; drawn afresh if None. Recorded either way.
    mixer : Mixer, optional
        Settings are snapped to, and kept within, what it can do.
    group_hard_to_change : bool
        Keep runs with the same settings of the factors that are hard to change together.
    details, remarks
        Passed on; remarks on snapping, constraints and grouping are added.
    settled_remarks : bool
        True if the remarks given hold for the settings that can be made, not the ideal ones.

    Raises
    ------
    InputError
        If a point cannot be brought inside the region, or runs are to be grouped and no
        factor is hard to change.
    """
    seed = as_seed(seed)
    if len(ideal) > GREATEST_RUNS:
        raise too_many("runs", len(ideal))
    block = np.ones(len(ideal), int) if block is None else np.asarray(block, int)
    remarks = list(remarks)
    settled = settle(region, ideal, mixer)
    remarks += _missing(region, ideal, terms, block)
    moved = cost(region, ideal[region.names], settled, terms, block)
    if remarks and not settled_remarks and np.abs(settled.moves).max() > _FAR:
        moved.append("What is said before of effects, blocks and settings is true of the plan "
                     "before its points were moved; the appraisal goes by the runs as they are.")
    remarks += moved
    group, said = _groups(region, settled.settings, group_hard_to_change)
    order, plots = run_order(block, seed, group)
    runs = settled.settings.copy()
    runs.insert(0, "point", list(point))
    runs.insert(0, "block", block)
    runs.insert(0, "standard", np.arange(1, len(runs) + 1))
    runs = runs.iloc[order].reset_index(drop=True)
    runs.insert(0, "run", np.arange(1, len(runs) + 1))
    if group is not None:
        runs["whole_plot"] = plots
    remarks += said(plots) if group is not None else _changes(region, runs)
    return Plan(region, runs, tuple(terms), family, seed, dict(details or {}), tuple(remarks))


def _missing(region: Region, settings: pd.DataFrame, terms: Sequence[Term],
             block: np.ndarray) -> list[str]:
    X = np.hstack([model_matrix(region, settings, terms).to_numpy(), block_columns(block)])
    short = X.shape[1] - rank(X)
    if not short:
        return []
    return [f"The {len(settings)} runs cannot separate all {X.shape[1]} coefficients of the "
            f"model (blocks included): {short} too many. The appraisal says which."]


def _groups(region: Region, settings: pd.DataFrame, wanted: bool):
    hard = [f for f in region.factors if f.hard_to_change]
    if not wanted:
        return None, None
    if not hard:
        raise InputError("group_hard_to_change", True, "no factor is marked hard to change",
                         "Mark one with hard_to_change=True, or leave the option out")
    keys = settings[[f.name for f in hard]].copy()
    for f in hard:
        if f.is_numeric:
            keys[f.name] = np.round(f.code(keys[f.name]), 9)
    group = keys.groupby(list(keys), sort=True).ngroup().to_numpy()
    labels = join(f.label for f in hard)

    def said(plots: np.ndarray) -> list[str]:
        count, different = int(plots[-1]), int(group.max()) + 1
        if count == len(plots):
            return [f"Grouping by {labels} gained nothing: every run is a group of its own."]
        said = [f"Runs are grouped by {labels}: {count} groups instead of up to {len(plots)} "
                "changes. This makes it a split-plot plan. Effects of "
                f"{labels} are tested against the spread between the {count} groups, not between "
                f"the {len(plots)} runs, so they are known less well than their place in the "
                "model suggests; effects of the other factors, and their interactions with "
                f"{labels}, lose nothing. Analyse it with the groups (column whole_plot) as a "
                "random effect, and set the factor anew at the start of every group."]
        if count == different:
            said.append(f"No group is repeated: a difference between groups cannot be told from an "
                        f"effect of {labels}. Replicates in blocks of their own would repeat the "
                        "groups.")
        return said

    return group, said


def _changes(region: Region, runs: pd.DataFrame) -> list[str]:
    out = []
    for f in region.factors:
        if f.hard_to_change:
            values = runs[f.name].to_numpy()
            changes = int((values[1:] != values[:-1]).sum())
            out.append(f"In this order {f.label}, marked hard to change, changes {changes} times "
                       f"in {len(runs)} runs. If that is too often, group the runs rather than "
                       "reorder them by hand.")
    return out

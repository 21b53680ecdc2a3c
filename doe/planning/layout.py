"""Which runs of an optimal plan are given, which are to be found, and in which blocks."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.candidates import Space
from doe.planning.criteria import Criterion, without_blocks
from doe.planning.plan import Plan
from doe.planning.search import Task
from doe.planning.settle import block_columns, settle
from doe.planning.structure import as_count, as_runs, centre_rows, run_order, spread
from doe.terms import Term

__all__ = ["SPARE", "Layout", "in_run_order", "kinds_of_points", "lay_out"]

SPARE = 4
"""Runs beyond the number of coefficients, if no number of runs is given."""

_PRIOR_FREE = 1e-12


@dataclass(frozen=True, eq=False)
class Layout:
    """The places of a plan.

    Parameters
    ----------
    sizes : ndarray of int
        Runs in each block.
    given : DataFrame
        Runs that are not searched for: the factors, ``block`` (from 0) and ``role``
        ("kept" or "centre").
    free, again : ndarray of int
        Blocks of the runs to be found, and of those that repeat others.
    remarks : tuple of str
    """

    sizes: np.ndarray
    given: pd.DataFrame
    free: np.ndarray
    again: np.ndarray
    remarks: tuple[str, ...]

    @property
    def total(self) -> int:
        """Runs of one replicate."""
        return int(self.sizes.sum())

    @property
    def tails(self) -> np.ndarray:
        """Columns of the block effects, by block; shape (blocks, blocks − 1)."""
        return block_columns(np.arange(len(self.sizes)))

    def full(self, space: Space, table: pd.DataFrame, prior: np.ndarray) -> np.ndarray:
        """Information of runs on model and block effects together, prior included."""
        tails = self.tails[table["block"].to_numpy(int)]
        X = np.hstack([space.rows(space.points(table)), tails])
        return X.T @ X + np.pad(prior, (0, tails.shape[1]))

    def information(self, space: Space, table: pd.DataFrame, prior: np.ndarray) -> np.ndarray:
        """Information of runs on the model, block effects taken out."""
        return without_blocks(self.full(space, table, prior), len(space.columns))

    def task(self, space: Space, criterion: Criterion, prior: np.ndarray) -> Task:
        """What the search has to find.

        Raises
        ------
        InputError
            If there are fewer runs than coefficients without a prior.
        """
        need = int((np.diag(prior) < _PRIOR_FREE).sum()) + len(self.sizes) - 1
        runs = self.total - len(self.again)
        if runs < need:
            raise InputError("runs", self.total,
                             f"the model has {need} coefficients to estimate"
                             + (", blocks included" if len(self.sizes) > 1 else "")
                             + (", and repeats do not help" if len(self.again) else ""),
                             f"Ask for at least {need + len(self.again)} runs, or leave terms out")
        return Task(space, criterion, self.free, self.tails, self.full(space, self.given, prior),
                    runs)

    def complete(self, space: Space, criterion: Criterion, prior: np.ndarray,
                 found: pd.DataFrame) -> pd.DataFrame:
        """All runs of one replicate, repeats chosen one after the other where they help most.

        A repeat stays in the block of the run that it repeats, so that the two differ by
        error alone.
        """
        found = found.assign(block=self.free, role="found")
        table = pd.concat([self.given, found], ignore_index=True)
        p, rows = len(space.columns), space.rows(space.points(found))
        for block in self.again:
            choice = np.flatnonzero(self.free == block)
            if not len(choice):
                choice = np.arange(len(found))
            X = np.hstack([rows[choice], np.tile(self.tails[block], (len(choice), 1))])
            M = self.full(space, table, prior) + X[:, :, None] * X[:, None, :]
            best = choice[int(criterion.merit(without_blocks(M, p)).argmax())]
            again = found.iloc[[best]].assign(block=block, role="repeat")
            table = pd.concat([table, again], ignore_index=True)
        return table


def lay_out(space: Space, *, runs: int | None, blocks: int | Sequence[int],
            keep: pd.DataFrame | None, centre_points: int, repeats: int,
            mixer: Mixer | None) -> Layout:
    """Share the runs out over blocks and roles; options as in `optimal_plan`.

    Raises
    ------
    InputError
        If the numbers do not go together.
    """
    region = space.region
    listed = np.ndim(blocks) > 0
    number = len(blocks) if listed else as_runs("blocks", blocks, at_least=1)
    if runs is None:
        runs = (sum(as_runs("blocks", b, at_least=1) for b in blocks) if listed
                else len(space.columns) + number - 1 + SPARE)
    runs = as_runs("runs", runs, at_least=1)
    sizes = np.array([as_runs("blocks", b, at_least=1) for b in blocks] if listed
                     else spread(runs, number))
    if not number or sizes.sum() != runs or sizes.min() < 1:
        raise InputError("blocks", blocks, f"blocks of {sizes.tolist()} runs do not make up "
                         f"{runs} runs", "Change the blocks or the number of runs")
    centre_points, repeats = as_runs("centre_points", centre_points), as_runs("repeats", repeats)
    kept = _kept(region, keep, sizes)
    room = sizes - np.bincount(kept["block"].to_numpy(int), minlength=number)
    if centre_points + repeats >= room.sum():
        raise InputError("runs", runs, f"{len(kept)} kept runs, {centre_points} centre points and "
                         f"{repeats} repeats leave none to be chosen", "Ask for more runs")
    rows, remarks = centre_rows(region, centre_points)
    if centre_points:
        rows = settle(region, rows, mixer).settings
        if not space.feasible(space.points(rows)).all():
            raise InputError("centre_points", centre_points, "the centre may not be run",
                             "Leave centre points out; repeats give pure error too")
    centre, room = _share_out(centre_points, room)
    again, room = _share_out(repeats, room)
    given = pd.concat([kept.assign(role="kept"), rows.assign(block=centre, role="centre")],
                      ignore_index=True)
    for f in region.numeric:
        given[f.name] = given[f.name].astype(float)
    return Layout(sizes, given, np.repeat(np.arange(number), room), again, tuple(remarks))


def _share_out(number: int, room: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Blocks of `number` runs, each put where most room is left, and the room after that."""
    room, out = room.copy(), []
    for _ in range(number):
        out.append(int(room.argmax()))
        room[out[-1]] -= 1
    return np.array(sorted(out), int), room


def _kept(region: Region, keep: pd.DataFrame | None, sizes: np.ndarray) -> pd.DataFrame:
    if keep is None:
        return pd.DataFrame(columns=[*region.names, "block"])
    region.encode(keep)  # the one place that refuses bad settings
    kept = keep[region.names].reset_index(drop=True)
    places = np.repeat(np.arange(len(sizes)), sizes)
    if len(kept) >= len(places):
        raise InputError("keep", f"{len(kept)} runs", f"the plan has only {len(places)} runs, "
                         "those kept included", "Ask for more runs than are kept")
    block = places[:len(kept)]
    if "block" in keep:
        block = np.array([as_count("keep, block", b, at_least=1)
                          for b in keep["block"].tolist()], int) - 1
    counts = np.bincount(block, minlength=len(sizes))
    if len(counts) > len(sizes) or (counts > sizes).any():
        raise InputError("keep, block", (counts).tolist(), "these are more kept runs than the "
                         f"blocks hold, which is {sizes.tolist()}",
                         "Give larger or more blocks, or keep fewer runs")
    return kept.assign(block=block)


def in_run_order(region: Region, table: pd.DataFrame, *, terms: Sequence[Term], replicates: int,
                 seed: int, details: dict, remarks: Sequence[str]) -> Plan:
    """The plan of a complete table: kept runs first, as they were; the rest at random."""
    order = [f.name for f in region.factors]
    table = table.assign(_last=table["role"] != "kept", _place=np.where(
        table["role"] == "kept", np.arange(len(table)), -1))
    table = table.sort_values(["_last", "block", "_place", *order], kind="stable")
    number = int(table["block"].max()) + 1
    table = pd.concat([table.assign(block=table["block"].astype(int) + 1
                                    + (copy * number if number > 1 else 0))
                       for copy in range(replicates)], ignore_index=True)
    kept = int((table["role"] == "kept").sum())
    drawn, _ = run_order(table["block"].to_numpy()[kept:], seed)
    rows = np.concatenate([np.arange(kept), kept + drawn]).astype(int)
    point = kinds_of_points(region, table)
    if kept:
        point = np.where(table["role"].isin(["found", "repeat"]), "added", point)
    runs = table[["block", *order]].assign(point=point, standard=np.arange(1, len(table) + 1))
    runs = runs.iloc[rows].assign(run=np.arange(1, len(table) + 1))
    return Plan(region, runs, tuple(terms), "optimal", seed, details, tuple(remarks))


def kinds_of_points(region: Region, table: pd.DataFrame) -> np.ndarray:
    """Kind of each point by its place: all numeric factors at ends, all in the middle, ..."""
    coded = np.column_stack([np.zeros(len(table)),
                             *(f.code(table[f.name]) for f in region.numeric)])[:, 1:]
    end, middle = np.abs(np.abs(coded) - 1) < 1e-6, np.abs(coded) < 1e-6
    k = coded.shape[1]
    return np.select(
        [end.all(axis=1), middle.all(axis=1) | (table["role"] == "centre").to_numpy(),
         (middle.sum(axis=1) == k - 1) & (end.sum(axis=1) == 1), end.any(axis=1)],
        ["factorial", "centre", "axial", "edge"], "added")

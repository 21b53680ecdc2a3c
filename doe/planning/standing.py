"""What the runs of a plan have come to: achieved settings, lost runs, and runs added after them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Region
from doe.planning.plan import Plan
from doe.planning.structure import as_runs, run_order
from doe.wording import count, digits, join

__all__ = ["Standing", "as_run", "followed_by", "standing", "widened"]

_OFF = 1e-6


@dataclass(frozen=True, eq=False)
class Standing:
    """The observations that a plan has given or will give.

    Parameters
    ----------
    settings : DataFrame
        One row an observation: the factors as achieved, or as planned where nothing is
        recorded.
    run, block : ndarray of int
        Planned run and block of each.
    lost : tuple of int
        Planned runs that give no observation.
    off : float
        Greatest difference between achieved and planned, in half-ranges.
    off_run : int
        The run it occurred in; 0 if there is none.
    """

    settings: pd.DataFrame
    run: np.ndarray
    block: np.ndarray
    lost: tuple[int, ...]
    off: float
    off_run: int

    def sentences(self) -> list[str]:
        """What differs from the plan, in words."""
        out = []
        if self.lost:
            one = len(self.lost) == 1
            out.append(f"Run{'' if one else 's'} {join(self.lost)} {'is' if one else 'are'} taken "
                       "as lost and not counted.")
        if self.off > _OFF:
            out.append("The settings achieved count, not those planned; they differ by up to "
                       f"{digits(self.off, 2)} in coded units (run {self.off_run}).")
        return out


def standing(plan: Plan, records: pd.DataFrame | None = None,
             lost: Sequence[int] | None = ()) -> Standing:
    """What the runs of a plan have come to.

    Parameters
    ----------
    plan : Plan
    records : DataFrame, optional
        One row an observation, as `Study.table` gives it: ``run`` and the factors achieved. A
        factor without a column was as planned.
    lost : sequence of int or None
        Runs that give no observation; None for all without a record. Other runs without a
        record are taken to be made as planned.

    Raises
    ------
    InputError
        If a run is unknown or nothing is left.
    """
    rows = plan.runs.set_index("run")
    numbers = [] if records is None else _known(rows, records, "records, run")
    if lost is None:
        lost = [] if records is None else [r for r in rows.index if r not in set(numbers)]
    else:
        _known(rows, pd.DataFrame({"run": list(lost)}), "lost")
    lost = tuple(sorted({int(r) for r in lost}))
    made = [r for r in numbers if r not in lost]
    ahead = [r for r in rows.index if r not in set(numbers) and r not in lost]
    if not made and not ahead:
        raise InputError("lost", list(lost), "no run is left", "Make a new plan")
    run = np.array([*made, *ahead], int)
    planned = rows.loc[run, plan.region.names].reset_index(drop=True)
    settings = planned.copy()
    if made:
        kept = records[records["run"].isin(made)].reset_index(drop=True)
        for name in plan.region.names:
            if name in kept:
                settings.loc[:len(made) - 1, name] = kept[name].to_numpy()
    plan.region.encode(settings)  # the one place that refuses bad settings
    order = np.argsort(run, kind="stable")
    gap = np.array([np.abs(f.code(settings[f.name]) - f.code(planned[f.name]))
                    for f in plan.region.numeric] or [np.zeros(len(run))])
    worst = int(gap.max(axis=0).argmax())
    off = float(gap.max())
    return Standing(settings.iloc[order].reset_index(drop=True), run[order],
                    rows.loc[run[order], "block"].to_numpy(), lost, off,
                    int(run[worst]) if off > _OFF else 0)


def _known(rows: pd.DataFrame, records: pd.DataFrame, where: str) -> list[int]:
    if "run" not in records:
        raise InputError("records", list(records), "the column 'run' is missing",
                         "Give the table of the study, Study.table()")
    for run in records["run"].tolist():
        if run not in rows.index:
            raise InputError(where, run, "the plan has no such run",
                             f"Use a run from {rows.index.min()} to {rows.index.max()}")
    return [int(r) for r in records["run"]]


def as_run(plan: Plan, records: pd.DataFrame | None = None,
           lost: Sequence[int] | None = None) -> Plan:
    """The plan as it was run: achieved settings, without lost runs; for `appraise`.

    Parameters
    ----------
    plan : Plan
        Runs in its ``details["lost"]`` are left out too.
    records, lost
        As for `standing`.
    """
    given = plan.details.get("lost", [])
    if lost is None and records is None:
        lost = given
    elif lost is not None:
        lost = [*lost, *given]
    now = standing(plan, records, lost)
    runs = plan.runs.set_index("run").loc[now.run].reset_index()
    runs[plan.region.names] = now.settings[plan.region.names].to_numpy()
    details = {k: v for k, v in plan.details.items() if k != "lost"}
    return replace(plan, runs=runs, details=details,
                   remarks=(*plan.remarks, *now.sentences()))


def widened(region: Region, ranges: Mapping[str, tuple[float, float]] | None) -> Region:
    """The region with other ranges for some of its continuous factors.

    Raises
    ------
    InputError
        If a factor is unknown or not continuous, or a range is none.
    """
    factors = {f.name: f for f in region.factors}
    for name, ends in (ranges or {}).items():
        f = region[name]
        if f.kind != "continuous":
            raise InputError(f"ranges, '{name}'", f.kind, "only a continuous factor has a range",
                             "Make a new plan for other levels")
        if not isinstance(ends, (tuple, list)) or len(ends) != 2:
            raise InputError(f"ranges, '{name}'", ends, "a range needs two ends",
                             "Write it as (low, high)")
        factors[name] = replace(f, low=ends[0], high=ends[1])
    return region.replace(list(factors.values()))


def followed_by(plan: Plan, region: Region, new: pd.DataFrame, seed: int) -> pd.DataFrame:
    """The plan's runs as they are, and after them the new ones at random within blocks.

    Parameters
    ----------
    new : DataFrame
        The factors, ``block`` and ``point``; ``whole_plot`` (any numbers) where the plan has it.
    """
    grouped = "whole_plot" in plan.runs
    order, plots = run_order(new["block"], seed, new["whole_plot"] if grouped else None)
    first = int(plan.runs["run"].max()) + 1
    ranked = new.sort_values(["block", *region.names], kind="stable").index
    place = pd.Series(np.arange(len(new)), index=ranked)
    after = new.assign(standard=int(plan.runs["standard"].max()) + 1 + place.loc[new.index])
    after = after.iloc[order].assign(run=np.arange(first, first + len(new)))
    if grouped:
        after = after.assign(whole_plot=int(plan.runs["whole_plot"].max()) + plots)
    return pd.concat([plan.runs, after[plan.runs.columns]], ignore_index=True)


def on_blocks(added: int, new_block: bool) -> str:
    """What the block of the added runs protects against, in words."""
    runs = count(added, "run")
    if new_block:
        return (f"{runs} added in a block of {'its' if added == 1 else 'their'} own: a shift "
                "between then and now is taken out of every effect.")
    return (f"{runs} added in the blocks that are there: a shift between then and now would pass "
            "for an effect.")


def checked_count(name: str, value: int | None) -> int | None:
    """None, or a whole number of at least one."""
    return None if value is None else as_runs(name, value, at_least=1)

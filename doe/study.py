"""The study as a value: brief, plan, records and the trail of changes, seen as tables."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.brief import RESERVED_COLUMNS, Brief
from doe.brief_toml import template_toml
from doe.deviations import deviations
from doe.errors import InputError
from doe.factors import Factor
from doe.records import Record, admit, read_value
from doe.responses import Response
from doe.wording import count

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["RESERVED_COLUMNS", "TRAIL_COLUMNS", "Brief", "Record", "Study", "read_value",
           "template_toml"]

TRAIL_COLUMNS = ("when", "who", "what", "before", "after", "reason", "kind", "run", "attempt")
_STRUCTURE = ("run", "attempt", "block", "point", "standard", "whole_plot", "order")


def _no_trail() -> pd.DataFrame:
    return pd.DataFrame(columns=list(TRAIL_COLUMNS))


@dataclass(frozen=True, eq=False)
class Study:
    """A brief, the plan made for it, what happened so far, and every change on the way.

    Parameters
    ----------
    brief : Brief
    plan : Plan or None
    records : sequence of Record
        In the order in which they were entered; a declared repeat that is still to do is
        among them, with status "planned".
    trail : DataFrame
        Who changed what and when: columns `TRAIL_COLUMNS`, oldest first, times ISO in UTC.
    """

    brief: Brief
    plan: Plan | None = None
    records: tuple[Record, ...] = ()
    trail: pd.DataFrame = field(default_factory=_no_trail)

    def __post_init__(self) -> None:
        object.__setattr__(self, "records", tuple(self.records))
        if self.records and self.plan is None:
            raise InputError("study, records", self.records[0].run, "there are records but no plan",
                             "Give the plan they belong to")
        seen = set()
        for r in self.records:
            self._planned_row(r.run)
            if (r.run, r.attempt) in seen:
                raise InputError("study, records", r.where, "this attempt is recorded twice",
                                 "Give every attempt at a run a number of its own")
            seen.add((r.run, r.attempt))

    # ---- state

    @property
    def locked(self) -> bool:
        """True once anything was recorded; brief and plan then change by amendment only."""
        return bool(self.records)

    @property
    def done(self) -> list[Record]:
        """The records that count as observations."""
        return [r for r in self.records if r.status == "done"]

    @property
    def void(self) -> list[Record]:
        """The attempts that were set aside, each with its reason."""
        return [r for r in self.records if r.status == "void"]

    @cached_property
    def pending(self) -> list[int]:
        """Runs still to do, in run order: never done, every attempt set aside, or a repeat due."""
        if self.plan is None:
            return []
        open_ = {r.run for r in self.records if r.status == "planned"}
        done = {r.run for r in self.done}
        return [run for run in self._rows if run in open_ or run not in done]

    @property
    def progress(self) -> str:
        """How far the study is, in words."""
        if self.plan is None:
            return "There is no plan yet."
        pending = self.pending
        total = len(self._rows) + self._repeats
        done = len(self.done)
        text = (f"{done} of {count(total, 'run')} done" if pending
                else f"All {count(total, 'run')} done")
        if self._repeats:
            text += f" ({count(self._repeats, 'declared repeat')} among them)"
        if self.void:
            text += f", {len(self.void)} set aside"
        lacking = sum(bool(self.missing(r)) for r in self.done)
        if lacking:
            text += f", {count(lacking, 'run')} with a measurement missing"
        return text + ("; next is run " + str(pending[0]) if pending else "") + "."

    @property
    def _repeats(self) -> int:
        runs = [r.run for r in self.records if r.status != "void"]
        return len(runs) - len(set(runs))

    def missing(self, record: Record) -> list[str]:
        """Responses that were not measured in an attempt."""
        return [r.name for r in self.brief.responses if r.name not in record.measurements]

    # ---- a run

    def attempts(self, run: int) -> list[Record]:
        """The attempts at a run, in their order."""
        return sorted(self._by_run.get(run, ()), key=lambda r: r.attempt)

    def planned(self, run: int) -> dict:
        """The planned settings of a run, by factor.

        Raises
        ------
        InputError
            If the plan has no such run.
        """
        row = self._planned_row(run)
        return {name: row[name] for name in self.plan.region.names}

    def admit(self, record: Record) -> Record:
        """The attempt as it would stand once `record` is entered; nothing is changed.

        Raises
        ------
        InputError
            If it could not be entered; the message says why.
        """
        self._planned_row(record.run)
        return admit(record, self.brief, self.attempts(record.run))

    @cached_property
    def _rows(self) -> dict[int, dict]:
        if self.plan is None:
            return {}
        return {int(row["run"]): row for row in self.plan.runs.to_dict("records")}

    def _planned_row(self, run: int) -> dict:
        if self.plan is None:
            raise InputError("run", run, "the study has no plan yet", "Make a plan first")
        if run not in self._rows:
            raise InputError("run", run, "the plan has no such run",
                             f"Use a run from 1 to {max(self._rows)}")
        return self._rows[run]

    # ---- tables

    def table(self) -> pd.DataFrame:
        """One row an observation, ready to be analysed.

        Returns
        -------
        DataFrame
            ``run``, ``attempt``, ``block``, ``point``, ``standard``, (``whole_plot``,)
            ``order`` (in which the runs were done, from 1), the factors (achieved where
            recorded, else as planned) and the responses (NaN where not measured), sorted by
            run and attempt. ``attrs["units"]`` has the units; ``attrs["qualifiers"]`` maps
            a response to ``{row: "<" or ">"}`` for readings beyond a detection limit.
        """
        factors = self.brief.region.names if self.plan is None else self.plan.region.names
        responses = [r.name for r in self.brief.responses]
        order = {(r.run, r.attempt): i for i, r in enumerate(self.in_time, 1)}
        done = sorted(self.done, key=lambda r: (r.run, r.attempt))
        structure = [c for c in _STRUCTURE
                     if c != "whole_plot" or (self.plan is not None and c in self.plan.runs)]
        columns = self._as_planned([r.run for r in done])
        columns |= {"run": [r.run for r in done], "attempt": [r.attempt for r in done],
                    "order": [order[r.run, r.attempt] for r in done]}
        for name, met in self._achieved(done).items():
            columns[name] = [met.get(i, v) for i, v in enumerate(columns[name])]
        columns |= {name: [r.measurements.get(name, math.nan) for r in done] for name in responses}
        table = pd.DataFrame(columns, columns=[*structure, *factors, *responses])
        numbers = dict.fromkeys((c for c in structure if c != "point"), int)
        table = table.astype(numbers | dict.fromkeys(responses, float))
        table.attrs["units"] = {k: u for k, u in self.brief.units.items() if u}
        table.attrs["qualifiers"] = {
            name: marks for name in responses
            if (marks := {i: r.qualifiers[name] for i, r in enumerate(done)
                          if name in r.qualifiers})}
        return table

    def _as_planned(self, runs: list[int]) -> dict[str, np.ndarray]:
        """The plan's columns at these runs."""
        if self.plan is None:
            return {}
        plan = self.plan.runs
        rows = plan.take(pd.Index(plan["run"]).get_indexer(runs))
        return {c: rows[c].to_numpy() for c in plan}

    @staticmethod
    def _achieved(records: Sequence[Record]) -> dict[str, dict[int, object]]:
        """Achieved settings by factor and place."""
        out: dict[str, dict[int, object]] = {}
        for i, record in enumerate(records):
            for name, value in record.settings.items():
                out.setdefault(name, {})[i] = value
        return out

    def log(self) -> pd.DataFrame:
        """Every attempt and every run still to do, one row each, sorted by run and attempt.

        Columns ``run``, ``attempt``, ``status``, ``recorded_at``, ``operator``, ``remark``,
        ``reason``.
        """
        records = [*self.records]
        tried = {r.run for r in records}
        records += [Record(run, 1, "planned") for run in self._rows if run not in tried]
        rows = [(r.run, r.attempt, r.status, r.time, r.operator, r.remark, r.reason)
                for r in sorted(records, key=lambda r: (r.run, r.attempt))]
        return pd.DataFrame(rows, columns=["run", "attempt", "status", "recorded_at", "operator",
                                           "remark", "reason"])

    @property
    def in_time(self) -> list[Record]:
        """The done records in the order in which they were run; entry order breaks ties."""
        return sorted(self.done, key=lambda r: r.time)

    def deviations(self) -> pd.DataFrame:
        """Everything that did not go as planned, for the report; see `doe.deviations`."""
        return deviations(self)

    def is_repeat(self, record: Record) -> bool:
        """True if an earlier attempt at the same run counts too."""
        return any(r.attempt < record.attempt and r.status == "done"
                   for r in self._by_run.get(record.run, ()))

    @cached_property
    def _by_run(self) -> dict[int, list[Record]]:
        out: dict[int, list[Record]] = {}
        for r in self.records:
            out.setdefault(r.run, []).append(r)
        return out


def check_brief(brief: Brief, study: Study) -> None:
    """Refuse a new brief that the plan or the records of the study do not fit.

    Raises
    ------
    InputError
        If a factor or level of the plan or a response already measured is gone or would
        change its unit, or a run still to do could not be made any more.
    """
    if study.plan is None:
        return
    _check_settings(study.plan, brief)
    _check_runs(study.plan, brief, study)
    achieved = [{**study.planned(r.run), **r.settings} for r in study.records]
    if achieved:
        brief.region.encode(pd.DataFrame(achieved))
    known = {r.name: r for r in brief.responses}
    for name in sorted({n for r in study.records for n in r.measurements}):
        if name not in known:
            raise InputError("brief, responses", name, "it has been measured, so it cannot be "
                             "left out", "Keep it; other responses can be added")
        _same_unit(f"response '{name}'", study.brief.response(name), known[name])


def check_plan(plan: Plan, study: Study) -> None:
    """Refuse a new plan that does not fit the brief, or that rewrites runs already recorded.

    Raises
    ------
    InputError
        If the factors differ, the runs are not numbered 1, 2, ..., a run still to do cannot
        be made with the mixer and vessel, or a recorded run would change its settings or
        block.
    """
    brief = study.brief
    numbers = plan.runs["run"].tolist()
    if numbers != list(range(1, len(numbers) + 1)):
        raise InputError("plan, run", numbers, "the runs are not numbered 1, 2, 3, ...",
                         "Number them in run order")
    _check_settings(plan, brief)
    if study.locked:
        _check_settings(study.plan, brief)
    _check_runs(plan, brief, study)
    rows = plan.runs.to_dict("records")
    for run in sorted({r.run for r in study.records}):
        before, after = study._planned_row(run), rows[run - 1] if run <= len(rows) else {}
        for name in [*plan.region.names, "block"]:
            if name not in after or not _alike(before[name], after[name]):
                raise InputError(f"plan, run {run}, {name}", after.get(name),
                                 f"the run is already recorded with {name} = {before[name]}",
                                 "Keep the recorded runs as they are and add runs after them")


def _check_runs(plan: Plan, brief: Brief, study: Study) -> None:
    tried = {r.run for r in study.records}
    for row in plan.runs.to_dict("records"):
        problems = (row["run"] not in tried
                    and brief.problems({name: row[name] for name in plan.region.names}))
        if problems:
            raise InputError(f"plan, run {row['run']}", problems[0], "it cannot be made",
                             "Change these settings, or leave the run out")


def _alike(a: object, b: object) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return a == b
    return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)


def _check_settings(plan: Plan, brief: Brief) -> None:
    if plan.region.names != brief.region.names:
        raise InputError("plan, factors", plan.region.names, "the brief varies other factors: "
                         + ", ".join(brief.region.names), "Give a plan over the factors of the "
                         "brief; once runs are recorded, other factors need a new study")
    for name in plan.region.names:
        _same_unit(f"factor '{name}'", plan.region[name], brief.region[name])
    brief.region.encode(plan.settings)


def _same_unit(where: str, before: Factor | Response, after: Factor | Response) -> None:
    if before.unit != after.unit:
        raise InputError(f"{where}, unit", after.unit, f"numbers in {before.unit or 'no unit'} "
                         "stand under it already", "Keep the unit, and convert what you enter")

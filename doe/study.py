"""The study as a value: brief, plan, records and the trail of changes, seen as tables."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING

import pandas as pd

from doe.brief import RESERVED_COLUMNS, Brief
from doe.brief_toml import template_toml
from doe.errors import InputError
from doe.records import Record, admit, read_value
from doe.wording import count, digits, join, quantity, signed

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["RESERVED_COLUMNS", "TRAIL_COLUMNS", "Brief", "Record", "Study", "read_value",
           "template_toml"]

TRAIL_COLUMNS = ("when", "who", "what", "before", "after", "reason", "kind", "run", "attempt")
DEVIATION_COLUMNS = ("run", "attempt", "kind", "what", "planned", "happened", "difference",
                     "unit", "sentence")
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
        """The attempts that were discarded, each with its reason."""
        return [r for r in self.records if r.status == "void"]

    @cached_property
    def pending(self) -> list[int]:
        """Runs still to do, in run order: never done, every attempt void, or a repeat due."""
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
            text += f", {len(self.void)} void"
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
        return sorted((r for r in self.records if r.run == run), key=lambda r: r.attempt)

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
        order = {(r.run, r.attempt): i for i, r in enumerate(self._in_time, 1)}
        done = sorted(self.done, key=lambda r: (r.run, r.attempt))
        rows = [{**self._rows[r.run], "run": r.run, "attempt": r.attempt,
                 "order": order[r.run, r.attempt], **r.settings,
                 **dict.fromkeys(responses, math.nan), **r.measurements} for r in done]
        structure = [c for c in _STRUCTURE
                     if c != "whole_plot" or (self.plan is not None and c in self.plan.runs)]
        table = pd.DataFrame(rows, columns=[*structure, *factors, *responses])
        numbers = [*(c for c in structure if c != "point")]
        table = table.astype(dict.fromkeys(numbers, int) | dict.fromkeys(responses, float))
        table.attrs["units"] = {k: u for k, u in self.brief.units.items() if u}
        table.attrs["qualifiers"] = {
            name: marks for name in responses
            if (marks := {i: r.qualifiers[name] for i, r in enumerate(done)
                          if name in r.qualifiers})}
        return table

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
    def _in_time(self) -> list[Record]:
        return sorted(self.done, key=lambda r: r.time)  # stable: entry order breaks ties

    def deviations(self) -> pd.DataFrame:
        """Everything that did not go as planned, for the report.

        Returns
        -------
        DataFrame
            One row a deviation: ``run`` and ``attempt`` (0 where it concerns the study),
            ``kind`` ("order", "setting", "void", "repeat", "missing", "limit", "correction",
            "amendment"), ``what``, ``planned``, ``happened``, ``difference`` (numbers
            only), ``unit`` and the whole in a ``sentence``.
        """
        rows = [*self._out_of_order(), *self._other_settings(), *self._attempts_beyond(),
                *self._unmeasured(), *self._changes()]
        return pd.DataFrame(rows, columns=list(DEVIATION_COLUMNS))

    def _out_of_order(self) -> Iterable[tuple]:
        first: dict[int, tuple[int, Record]] = {}
        for place, r in enumerate((r for r in self._in_time if not self._is_repeat(r)), 1):
            first.setdefault(r.run, (place, r))
        runs = list(first)
        kept = _longest_rising(runs)
        for i, run in enumerate(runs):
            if run in kept:
                continue
            _, r = first[run]
            before = runs[i - 1] if i else None
            said = (f"Run {run} was done " + (f"after run {before}" if before else "first")
                    + ", out of the planned order.")
            yield (run, r.attempt, "order", "run order", sorted(runs).index(run) + 1, i + 1,
                   i - sorted(runs).index(run), "", said)

    def _is_repeat(self, record: Record) -> bool:
        return any(r.run == record.run and r.attempt < record.attempt and r.status == "done"
                   for r in self._by_run[record.run])

    @cached_property
    def _by_run(self) -> dict[int, list[Record]]:
        out: dict[int, list[Record]] = {}
        for r in self.records:
            out.setdefault(r.run, []).append(r)
        return out

    def _other_settings(self) -> Iterable[tuple]:
        for r in self.done:
            planned = self.planned(r.run)
            for name, happened in r.settings.items():
                factor = self.brief.region[name]
                if not factor.is_numeric:
                    if happened != planned[name]:
                        yield (r.run, r.attempt, "setting", name, planned[name], happened,
                               math.nan, "", f"{_at(r)}: {factor.label} was {happened}, not "
                               f"{planned[name]} as planned.")
                elif not math.isclose(happened, planned[name], rel_tol=1e-9, abs_tol=1e-12):
                    gap = happened - planned[name]
                    yield (r.run, r.attempt, "setting", name, planned[name], happened, gap,
                           factor.unit, f"{_at(r)}: {factor.label} was "
                           f"{quantity(happened, factor.unit, 4)}, {signed(gap)} from the planned "
                           f"{quantity(planned[name], factor.unit, 4)}.")

    def _attempts_beyond(self) -> Iterable[tuple]:
        for r in self.records:
            if r.status == "void":
                yield (r.run, r.attempt, "void", "attempt", "done", "void", math.nan, "",
                       f"{_at(r)} was voided: {r.reason}.")
            elif self._is_repeat(r):
                yield (r.run, r.attempt, "repeat", "attempt", "", r.status, math.nan, "",
                       f"Run {r.run} was repeated as attempt {r.attempt}"
                       + (f": {r.reason}." if r.reason else "."))

    def _unmeasured(self) -> Iterable[tuple]:
        for r in self.done:
            missing = self.missing(r)
            if missing:
                labels = join([self.brief.response(n).label for n in missing])
                yield (r.run, r.attempt, "missing", ", ".join(missing), "measured", "missing",
                       math.nan, "", f"{_at(r)}: {labels} not measured.")
            for name, mark in r.qualifiers.items():
                response = self.brief.response(name)
                value = r.measurements[name]
                yield (r.run, r.attempt, "limit", name, "", f"{mark}{value:g}", math.nan,
                       response.unit, f"{_at(r)}: {response.label} is only known to lie "
                       f"{'below' if mark == '<' else 'above'} {quantity(value, response.unit)}.")

    def _changes(self) -> Iterable[tuple]:
        for t in self.trail.to_dict("records"):
            if t["kind"] in ("correction", "amendment"):
                said = f"{t['what'].capitalize()} was changed"
                if t["kind"] == "correction":
                    said += f" from {t['before'] or 'nothing'} to {t['after'] or 'nothing'}"
                yield (t["run"], t["attempt"], t["kind"], t["what"], t["before"], t["after"],
                       math.nan, "", f"{said} by {t['who'] or 'somebody'} on {t['when'][:10]}: "
                       f"{t['reason']}.")


def _at(record: Record) -> str:
    return record.where[:1].upper() + record.where[1:]


def _longest_rising(values: Sequence[int]) -> set[int]:
    """A longest rising subsequence (patience sorting): the fewest others are out of order."""
    tails: list[int] = []
    piles: list[int] = []
    for value in values:
        place = bisect_left(tails, value)
        tails[place : place + 1] = [value]
        piles.append(place)
    kept, want = set(), len(tails) - 1
    for value, pile in zip(reversed(values), reversed(piles), strict=True):
        if pile == want:
            kept.add(value)
            want -= 1
    return kept


def check_brief(brief: Brief, study: Study) -> None:
    """Refuse a new brief that the plan or the records of the study do not fit.

    Raises
    ------
    InputError
        If a factor of the plan, a level used, or a response already measured is gone.
    """
    if study.plan is None:
        return
    _same_factors(study.plan, brief)
    for name in study.plan.region.names:
        factor = brief.region[name]
        used = {*study.plan.runs[name],
                *(r.settings[name] for r in study.records if name in r.settings)}
        if not factor.is_numeric:
            for level in sorted(map(str, used - set(factor.levels))):
                raise InputError(f"factor '{name}', levels", level, "this level is in the plan or "
                                 "in a record", "Keep it among the levels")
        elif any(isinstance(v, str) for v in used):
            raise InputError(f"factor '{name}', kind", factor.kind, "the plan has levels in words",
                             "Keep it categorical")
    known = {r.name for r in brief.responses}
    for name in sorted({n for r in study.records for n in r.measurements} - known):
        raise InputError("brief, responses", name, "it has been measured, so it cannot be left "
                         "out", "Keep it; other responses can be added")


def check_plan(plan: Plan, study: Study) -> None:
    """Refuse a new plan that does not fit the brief, or that rewrites runs already recorded.

    Raises
    ------
    InputError
        If the factors differ, the runs are not numbered 1, 2, ..., or a recorded run would
        change its settings or block.
    """
    _same_factors(plan, study.brief)
    if study.locked:
        _same_factors(study.plan, study.brief)
    numbers = plan.runs["run"].tolist()
    if numbers != list(range(1, len(numbers) + 1)):
        raise InputError("plan, run", numbers, "the runs are not numbered 1, 2, 3, ...",
                         "Number them in run order")
    new = replace(study, plan=plan, records=()) if study.records else None
    for run in sorted({r.run for r in study.records}):
        after = new._rows.get(run)
        before = study._rows[run]
        for name in [*plan.region.names, "block"]:
            if after is None or not _alike(before[name], after[name]):
                raise InputError(f"plan, run {run}, {name}", after and after[name],
                                 f"the run is already recorded with {name} = {before[name]}",
                                 "Keep the recorded runs as they are and add runs after them")


def _alike(a: object, b: object) -> bool:
    if isinstance(a, str) or isinstance(b, str):
        return a == b
    return math.isclose(a, b, rel_tol=1e-9, abs_tol=1e-12)


def _same_factors(plan: Plan, brief: Brief) -> None:
    if plan.region.names != brief.region.names:
        raise InputError("plan, factors", plan.region.names, "the brief varies other factors: "
                         + ", ".join(brief.region.names), "Give a plan over the factors of the "
                         "brief; once runs are recorded, other factors need a new study")


def describe(values: Mapping, qualifiers: Mapping, units: Mapping) -> str:
    """Readings or settings in words: ``"voids = <0.02 %, revolution = 1200 rpm"``."""
    return ", ".join(
        f"{k} = {qualifiers.get(k, '')}{v if isinstance(v, str) else digits(v, 6)} "
        f"{units.get(k, '')}".rstrip() for k, v in values.items())

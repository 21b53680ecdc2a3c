"""What stands in an open study file and what is entered in it, inside a transaction of the caller.

The rules of locking, amendments, attempts and confirmations are kept here; who may write, and
when it is on the disk, is the business of `doe.store`.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from doe import store_rows as rows
from doe.brief import Brief
from doe.errors import InputError
from doe.records import Record, admit, as_time, as_whole, attempt_due, correct
from doe.store_check import believed, study_of
from doe.store_schema import results_view
from doe.store_seen import document_as_seen, news_of_run, run_as_seen
from doe.study import Study, check_brief, check_plan

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["Entries"]

_LINE = "id, at, who, what, before, after, reason"


class Entries:
    """The entries of one study, over a connection to its file."""

    def __init__(self, db: sqlite3.Connection, path: Path) -> None:
        self._db, self._path = db, path
        self._known: tuple[tuple, Study] | None = None

    def forget(self) -> None:
        """Read brief and plan anew: a version that was undone may be given to something else."""
        self._known = None

    # ---- as it stands

    def study(self) -> Study:
        """The whole study."""
        with believed(self._path, "it contradicts itself"):
            return replace(self.outline(), records=tuple(rows.records(self._db)),
                           trail=rows.trail(self._db))

    def outline(self) -> Study:
        """Brief and plan, without records; read anew only when they changed."""
        versions = self._db.execute("SELECT (SELECT max(version) FROM brief), "
                                    "(SELECT max(version) FROM plan)").fetchone()
        if self._known is None or self._known[0] != versions:
            self._known = versions, study_of(self._db, versions, self._path)
        return self._known[1]

    def _attempts(self, run: int) -> list[Record]:
        run = as_whole("run", run)
        self.outline().planned(run)
        return sorted(rows.records(self._db, run), key=lambda r: r.attempt)

    def last(self) -> tuple:
        """What was entered last, to be recognised by `holds`."""
        return self._db.execute(f"SELECT {_LINE} FROM trail ORDER BY id DESC LIMIT 1").fetchone()

    def holds(self, entry: tuple) -> bool:
        """Whether an entry is there as it was; entries are only ever added."""
        return self._db.execute(f"SELECT {_LINE} FROM trail WHERE id = ?", entry[:1]
                                ).fetchone() == entry

    # ---- brief and plan

    def start(self, brief: Brief, author: str) -> None:
        """The brief of a study that is new."""
        rows.add_document(self._db, "brief", brief, "", brief.title, kind="brief", author=author,
                          reason="")
        self._renew_results(brief)

    def set_brief(self, brief: Brief, plan: Plan | None, author: str, reason: str,
                  seen: Study | None) -> None:
        """As `StudyFile.set_brief`."""
        study = self.study()
        with document_as_seen(self._db, study, seen, brief.title):
            check_brief(brief, study if plan is None else replace(study, plan=plan))
            if plan is not None:
                check_plan(plan, replace(study, brief=brief))
            if brief != study.brief:
                kind = _kind(study, "brief", reason)
                before, after = rows.changes(study.brief.to_plain(), brief.to_plain())
                rows.add_document(self._db, "brief", brief, before, after, kind=kind,
                                  author=author, reason=reason)
                self._renew_results(brief)
            if plan is not None:
                self._put_plan(plan, replace(study, brief=brief), author, reason)

    def set_plan(self, plan: Plan, author: str, reason: str, seen: Study | None) -> None:
        """As `StudyFile.set_plan`."""
        study = self.study()
        with document_as_seen(self._db, study, seen, plan.sentence):
            check_plan(plan, study)
            self._put_plan(plan, study, author, reason)

    def _put_plan(self, plan: Plan, study: Study, author: str, reason: str) -> None:
        if plan == study.plan:
            return
        version = rows.add_document(
            self._db, "plan", plan, study.plan.sentence if study.plan else "", plan.sentence,
            kind=_kind(study, "plan", reason), author=author, reason=reason)
        rows.add_plan(self._db, version, plan, study.brief.units)

    def _renew_results(self, brief: Brief) -> None:
        for statement in results_view(brief.region.names, [r.name for r in brief.responses]):
            self._db.execute(statement)

    # ---- runs

    def record(self, record: Record, confirmed: Mapping[str, str] | None = None,
               seen: Study | None = None) -> Record:
        """As `StudyFile.record`."""
        with run_as_seen(self._db, record.run, seen, record.measurements):
            earlier = self._attempts(record.run)
            new = admit(record, self.outline().brief, earlier)
            old = next((r for r in earlier if r.attempt == new.attempt), None)
            return self._add(old, new, "record", record.operator, "",
                             self._to_confirm(old, new, confirmed))

    def record_any(self, record: Record) -> Record:
        """As `record`; one with status "void" is kept with its values and then set aside."""
        if record.status != "void":
            return self.record(record)
        if record.measurements or record.settings or record.time:
            self.record(replace(record, status="done"))
        return self.void(record.run, record.reason, record.operator, record.attempt)

    def amend(self, run: int, attempt: int, reason: str, author: str,
              confirmed: Mapping[str, str] | None, seen: Study | None,
              **changes: Any) -> Record:
        """As `StudyFile.amend`; `changes` are those of `records.correct`."""
        with run_as_seen(self._db, run, seen, changes["measurements"] or changes["settings"]):
            old = self._one(run, attempt)
            reason = _reason(f"{old.where}, reason", reason)
            new = correct(old, self.outline().brief, **changes)
            return self._add(old, new, "correction", author, reason,
                             self._to_confirm(old, new, confirmed))

    def void(self, run: int, reason: str, operator: str, attempt: int,
             seen: Study | None = None) -> Record:
        """As `StudyFile.void`."""
        with run_as_seen(self._db, run, seen, reason):
            earlier = self._attempts(run)
            if news_of_run(self._db, run, seen):
                there = attempt or attempt_due(seen.attempts(run))
                for r in earlier:
                    if (r.attempt, r.status, r.reason) == (there, "void", reason):
                        return r
            number = attempt or attempt_due(earlier)
            old = next((r for r in earlier if r.attempt == number), None)
            if (old is None and number != attempt_due(earlier)) or (old and old.status == "void"):
                raise InputError(f"run {run}, attempt", number,
                                 "it is set aside already" if old else "there is no such attempt",
                                 "Leave the attempt out for the one that is due")
            reason = _reason(f"run {run}, reason", reason)
            new = replace(old or Record(run, number, time=as_time("time", None), operator=operator),
                          status="void", reason=reason)
            return self._add(old, new, "void", operator, reason)

    def repeat(self, run: int, reason: str, operator: str, seen: Study | None) -> Record:
        """As `StudyFile.repeat`."""
        with run_as_seen(self._db, run, seen, reason):
            earlier = self._attempts(run)
            if news_of_run(self._db, run, seen):
                for r in earlier:
                    if (r.status, r.reason) == ("planned", reason):
                        return r
            states = {r.status for r in earlier}
            if "done" not in states or "planned" in states:
                raise InputError("run", run, "a repeat of it is due already" if "planned" in states
                                 else "it is not done yet, so there is nothing to repeat",
                                 "Record it")
            new = Record(run, earlier[-1].attempt + 1, "planned", reason=reason)
            return self._add(None, new, "repeat", operator, reason)

    def _one(self, run: int, attempt: int) -> Record:
        for r in reversed(self._attempts(run)):
            if r.attempt == attempt or (not attempt and r.status == "done"):
                return r
        raise InputError(f"run {run}, attempt", attempt, "there is no such attempt that is done",
                         "Record the run first")

    def _to_confirm(self, old: Record | None, new: Record, confirmed: Mapping[str, str] | None
                    ) -> dict[str, str]:
        """What is confirmed of an attempt and not yet on file with these words."""
        out = {}
        for name, words in (confirmed or {}).items():
            where = f"{new.where}, confirmed, '{name}'"
            if name not in new.measurements:
                raise InputError(where, words, "there is no such reading to confirm",
                                 "Give the reading, or leave this out")
            words = _reason(where, words, "a reading is confirmed in words")
            same = old is not None and all(
                getattr(old, side).get(name) == getattr(new, side).get(name)
                for side in ("measurements", "qualifiers"))
            said = rows.last_reason(self._db, (new.run, new.attempt), name)
            if not same or not f"; {said}".endswith(f"; {words}"):
                out[name] = words
        return out

    def _add(self, old: Record | None, new: Record, kind: str, author: str, reason: str,
             confirmed: Mapping[str, str] | None = None) -> Record:
        return rows.add_attempt(self._db, old, new, kind=kind, author=author, reason=reason,
                                units=self.outline().brief.units, confirmed=confirmed)


def _kind(study: Study, what: str, reason: str) -> str:
    """How the trail calls a change of brief or plan; an amendment needs a reason."""
    if not study.locked:
        return what
    _reason(f"{what}, reason", reason, f"the {what} is locked since the first record, so a "
            "change is an amendment")
    return "amendment"


def _reason(where: str, reason: str, problem: str = "what is kept needs a reason to change"
            ) -> str:
    if not isinstance(reason, str) or not reason.strip():
        raise InputError(where, reason, problem, "Say why in a few words; it is kept with it")
    return reason.strip()

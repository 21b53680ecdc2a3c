"""The study file: one SQLite database in which nothing entered is ever overwritten.

Corrections, voids and amendments are rows of their own with author, time and reason.
Every change is one transaction, flushed to the disk before the call returns.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from doe import store_rows as rows
from doe.brief import Brief
from doe.errors import InputError
from doe.records import Record, admit, as_time, as_whole, attempt_due, correct
from doe.store_file import (
    SUFFIX,
    StudyFileError,
    check,
    connect,
    copy,
    lay_out,
    refuse_filled,
    translated,
    writing,
)
from doe.store_schema import results_view
from doe.study import Study, check_brief, check_plan

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["SUFFIX", "StudyFile", "StudyFileError", "open_study"]


def open_study(path: str | Path, *, create: Brief | None = None, author: str = "",
               read_only: bool = False, timeout: float = 10.0) -> StudyFile:
    """Open a study file, or start one.

    Parameters
    ----------
    path : str or Path
        By convention it ends in ``.study``.
    create : Brief, optional
        Start a new file with this brief; the file must not exist yet.
    author : str
        Who starts it; the brief's author, else the login name, if not given.
    read_only : bool
        Open for reading, also where nothing may be written.
    timeout : float
        How long to wait for another program that is writing, s.

    Raises
    ------
    StudyFileError
        If there is no such file, it is no study file, was written by a newer version, is
        damaged or write-protected, or exists already when one is to be created.

    Examples
    --------
    >>> with open_study("paste.study", create=brief) as study_file:  # doctest: +SKIP
    ...     study_file.set_plan(plan)
    ...     study_file.record(1, {"voids": 0.4}, operator="R. Ito")
    """
    path = Path(path)
    if path.is_dir():
        raise StudyFileError(path, "this is a folder", "Name a file in it")
    if create is not None and not isinstance(create, Brief):
        raise InputError("create", create, "this is no Brief", "Give the brief of the new study")
    if create is None and not path.exists():
        near = difflib.get_close_matches(path.name, [p.name for p in path.parent.glob("*")], 1)
        raise StudyFileError(path, "there is no such file", (
            f"Did you mean '{near[0]}'" if near else
            "Check the path, or start a new study: create=brief, or python -m doe new"))
    mode = "rwc" if create is not None else "ro" if read_only else "rw"
    study_file = StudyFile(path, mode=mode, timeout=timeout)
    try:
        if create is not None:
            study_file._create(create, author or create.author)
        with translated(path):
            check(study_file._db, path)
    except BaseException:
        study_file.close()
        raise
    return study_file


class StudyFile:
    """An open study file; use `open_study`. A context manager that closes it."""

    def __init__(self, path: Path, *, mode: str, timeout: float) -> None:
        self.path = path
        self._known: tuple[tuple, Study] | None = None
        with translated(path):
            self._db = connect(path, mode=mode, timeout=timeout)

    def __enter__(self) -> StudyFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"StudyFile({str(self.path)!r})"

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        self._db.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Several entries as one: ``with study_file.together(): ...`` keeps all or none.

        An entry in it that is refused is undone alone, if the caller goes on.
        """
        with self._writing():
            yield

    # ---- reading

    def read(self) -> Study:
        """The study as it stands: one consistent view, whoever else is writing."""
        with translated(self.path):
            if self._db.in_transaction:
                return self._load()
            self._db.execute("BEGIN")
            try:
                return self._load()
            finally:
                self._db.execute("ROLLBACK")

    def history(self, run: int | None = None, response: str | None = None) -> pd.DataFrame:
        """Every value ever entered for a measurement, oldest first; the last one counts.

        Columns ``run``, ``attempt``, ``response``, ``value`` (NaN: withdrawn),
        ``qualifier``, ``unit``, ``entered_at``, ``author``, ``reason``.
        """
        with translated(self.path):
            return rows.history(self._db, None if run is None else as_whole("run", run),
                                response)

    def save_copy(self, path: str | Path) -> Path:
        """Write a complete copy, also while others write; an existing file is left alone."""
        path = Path(path)
        with translated(path):
            copy(self._db, path)
        return path

    # ---- brief and plan

    def set_brief(self, brief: Brief, *, plan: Plan | None = None, author: str = "",
                  reason: str = "") -> None:
        """Replace the brief; once the study is locked this is an amendment with a reason.

        Parameters
        ----------
        brief : Brief
        plan : Plan, optional
            A plan over the new factors, if the present one varies others.
        author, reason : str

        Raises
        ------
        InputError
            If plan or records do not fit the new brief, or a reason is lacking.
        """
        with self._writing():
            study = self._load()
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

    def set_plan(self, plan: Plan, *, author: str = "", reason: str = "") -> None:
        """Set or replace the plan; once the study is locked this is an amendment.

        Runs already recorded must stay as they are; runs may be added after them.

        Raises
        ------
        InputError
            If the plan does not fit the brief or the records, or a reason is lacking.
        """
        with self._writing():
            study = self._load()
            check_plan(plan, study)
            self._put_plan(plan, study, author, reason)

    def _put_plan(self, plan: Plan, study: Study, author: str, reason: str) -> None:
        if plan == study.plan:
            return
        version = rows.add_document(
            self._db, "plan", plan, study.plan.sentence if study.plan else "", plan.sentence,
            kind=_kind(study, "plan", reason), author=author, reason=reason)
        rows.add_plan(self._db, version, plan, study.brief.units)

    # ---- runs

    def record(self, run: int, measurements: Mapping | None = None, *,
               settings: Mapping | None = None, operator: str = "", remark: str = "",
               when: datetime | str | None = None, qualifiers: Mapping | None = None) -> Record:
        """Keep what was done and measured in a run; on the disk when this returns.

        A second call adds what is still missing. Saying the same again changes nothing.

        Parameters
        ----------
        run : int
        measurements : mapping
            Readings by response; ``"<0.5"`` is a reading below 0.5.
        settings : mapping, optional
            Achieved settings, where they are not the planned ones.
        operator, remark : str
        when : datetime or str, optional
            When it was run; now if not given, and local time if it has no offset.
        qualifiers : mapping, optional
            ``"<"`` or ``">"`` by response, in place of writing it in the reading.

        Raises
        ------
        InputError
            If a name or value cannot be used, or something else is recorded already.
        """
        return self.record_many([Record(
            run, settings=settings or {}, measurements=measurements or {}, operator=operator,
            remark=remark, time=as_time("when", when) if when else "",
            qualifiers=qualifiers or {})])[0]

    def record_many(self, records: Iterable[Record]) -> list[Record]:
        """Keep several records, all or none; the attempts as they then stand.

        A record with status "void" is kept with its values and then voided.
        """
        out = []
        with self._writing():
            for record in records:
                run = record.run
                if record.status == "void":
                    if record.measurements or record.settings or record.time:
                        self._admit(replace(record, status="done"))
                    out.append(self._void(run, record.reason, record.operator, record.attempt))
                else:
                    out.append(self._admit(record))
        return out

    def amend(self, run: int, measurements: Mapping | None = None, *,
              settings: Mapping | None = None, when: datetime | str | None = None,
              remark: str | None = None, attempt: int = 0, reason: str,
              author: str = "") -> Record:
        """Correct what is recorded; the old value stays in the history.

        Parameters
        ----------
        run : int
        measurements, settings : mapping, optional
            New values by name; None withdraws one.
        when, remark : optional
            Corrected time and remark.
        attempt : int
            The last one done if 0.
        reason, author : str
            Why, and who says so; a reason is needed.
        """
        with self._writing():
            old = self._one(run, attempt)
            reason = _reason(f"{old.where}, reason", reason)
            new = correct(old, self._shell().brief, measurements=measurements,
                          settings=settings, time=when, remark=remark)
            return self._add(old, new, "correction", author, reason)

    def void(self, run: int, reason: str, operator: str = "", *, attempt: int = 0) -> Record:
        """Discard an attempt, which stays on file; the run is due again.

        Without an attempt number it is the one that is due: a run that was broken off is
        kept as a void attempt.
        """
        with self._writing():
            return self._void(run, reason, operator, attempt)

    def repeat(self, run: int, reason: str = "", operator: str = "") -> Record:
        """Declare a repeat of a run that is done: a replicate, to be recorded next."""
        with self._writing():
            earlier = self._attempts(run)
            states = {r.status for r in earlier}
            if "done" not in states or "planned" in states:
                raise InputError("run", run, "a repeat of it is due already" if "planned" in states
                                 else "it is not done yet, so there is nothing to repeat",
                                 "Record it")
            new = Record(run, earlier[-1].attempt + 1, "planned", reason=reason)
            return self._add(None, new, "repeat", operator, reason)

    def _admit(self, record: Record) -> Record:
        earlier = self._attempts(record.run)
        new = admit(record, self._shell().brief, earlier)
        old = next((r for r in earlier if r.attempt == new.attempt), None)
        return self._add(old, new, "record", record.operator, "")

    def _void(self, run: int, reason: str, operator: str, attempt: int) -> Record:
        earlier = self._attempts(run)
        number = attempt or attempt_due(earlier)
        old = next((r for r in earlier if r.attempt == number), None)
        if (old is None and number != attempt_due(earlier)) or (old and old.status == "void"):
            raise InputError(f"run {run}, attempt", number,
                             "it is void already" if old else "there is no such attempt",
                             "Leave the attempt out for the one that is due")
        reason = _reason(f"run {run}, reason", reason)
        new = replace(old or Record(run, number, time=as_time("time", None), operator=operator),
                      status="void", reason=reason)
        return self._add(old, new, "void", operator, reason)

    def _one(self, run: int, attempt: int) -> Record:
        for r in reversed(self._attempts(run)):
            if r.attempt == attempt or (not attempt and r.status == "done"):
                return r
        raise InputError(f"run {run}, attempt", attempt, "there is no such attempt that is done",
                         "Record the run first")

    # ---- rows

    @contextmanager
    def _writing(self) -> Iterator[None]:
        try:
            with translated(self.path), writing(self._db):
                yield
        except BaseException:
            # A version that was undone may be given again to something else.
            self._known = None
            raise

    def _create(self, brief: Brief, author: str) -> None:
        with translated(self.path):
            refuse_filled(self._db, self.path)
            self._db.execute("PRAGMA journal_mode = WAL")
        with self._writing():
            lay_out(self._db, self.path)
            rows.add_document(self._db, "brief", brief, "", brief.title, kind="brief",
                              author=author, reason="")
            self._renew_results(brief)

    def _add(self, old: Record | None, new: Record, kind: str, author: str,
             reason: str) -> Record:
        return rows.add_attempt(self._db, old, new, kind=kind, author=author, reason=reason,
                                units=self._shell().brief.units)

    def _renew_results(self, brief: Brief) -> None:
        for statement in results_view(brief.region.names, [r.name for r in brief.responses]):
            self._db.execute(statement)

    def _load(self) -> Study:
        return replace(self._shell(), records=tuple(rows.records(self._db)),
                       trail=rows.trail(self._db))

    def _shell(self) -> Study:
        """Brief and plan as they stand, without records; read anew only when they changed."""
        versions = self._db.execute("SELECT (SELECT max(version) FROM brief), "
                                    "(SELECT max(version) FROM plan)").fetchone()
        if self._known is None or self._known[0] != versions:
            from doe.planning.plan import Plan

            brief, plan = (rows.document(self._db, table, version)
                           for table, version in zip(("brief", "plan"), versions, strict=True))
            self._known = versions, Study(Brief.from_plain(brief),
                                          None if plan is None else Plan.from_plain(plan))
        return self._known[1]

    def _attempts(self, run: int) -> list[Record]:
        run = as_whole("run", run)
        self._shell().planned(run)
        return sorted(rows.records(self._db, run), key=lambda r: r.attempt)


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

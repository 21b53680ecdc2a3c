"""The study file: one SQLite database in which nothing entered is ever overwritten.

Corrections, voids and amendments are rows of their own with author, time and reason.
Every change is one transaction, flushed to the disk before the call returns.
"""

from __future__ import annotations

import difflib
import sqlite3
import threading
import time
import weakref
from collections.abc import Callable, Iterable, Iterator, Mapping
from contextlib import contextmanager
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, TypeVar

import pandas as pd

from doe import store_rows as rows
from doe.brief import Brief
from doe.errors import InputError
from doe.files import file_there
from doe.records import Record, as_time, as_whole, on_the_clock
from doe.store_check import check, upgrade
from doe.store_drive import is_shared
from doe.store_entries import Entries
from doe.store_file import (
    SUFFIX,
    StudyFileError,
    StudyFileWarning,
    lay_out,
    refuse_filled,
    translated,
    writing,
)
from doe.store_lease import Lease
from doe.store_open import Place, bring_over, copy, open_to_read, open_to_write
from doe.study import Study

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["SUFFIX", "StudyFile", "StudyFileError", "StudyFileWarning", "open_study"]

Read = TypeVar("Read")
_READINGS, _PAUSE = 20, 0.05
"""How often, and after how many seconds, a study that others write is read again."""


def open_study(path: str | Path, *, create: Brief | None = None, author: str = "",
               read_only: bool = False, timeout: float = 10.0,
               shared: bool | None = None) -> StudyFile:
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
        Open for reading, also where nothing may be written and while another writes.
    timeout : float
        How long to wait for another program, or another thread, that is writing, s.
    shared : bool, optional
        Whether the file lies on a network drive, where one program at a time may write it; found
        out if not given.

    Raises
    ------
    StudyFileError
        If there is no such file, it is no study file, was written by a newer version, is
        damaged or write-protected, exists already when one is to be created, or lies on a
        network drive and somebody else is writing it.

    Examples
    --------
    >>> with open_study("paste.study", create=brief) as study_file:  # doctest: +SKIP
    ...     study_file.set_plan(plan)
    ...     study_file.record(1, {"voids": 0.4}, operator="R. Ito")
    """
    path = Path(path)
    try:
        there = file_there("study file", path)
    except InputError as error:
        raise StudyFileError(path, error.problem, error.remedy) from None
    if create is not None and not isinstance(create, Brief):
        raise InputError("create", create, "this is no Brief", "Give the brief of the new study")
    if create is None and not there:
        near = difflib.get_close_matches(path.name, [p.name for p in path.parent.glob("*")], 1)
        raise StudyFileError(path, "there is no such file", (
            f"Did you mean '{near[0]}'" if near else
            "Check the path, or start a new study: create=brief, or python -m doe new"))
    study_file = StudyFile(path, create=create is not None, read_only=read_only,
                           shared=is_shared(path, shared), timeout=timeout)
    try:
        if create is not None:
            study_file._create(create, author or create.author)
        study_file._check(read_only)
    except BaseException:
        study_file.close()
        raise
    return study_file


class StudyFile:
    """An open study file; use `open_study`. A context manager that closes it.

    It can be used from any thread; one call is at work at a time. Whoever corrects a study
    that others write too gives ``seen``, the study as `read` gave it when they looked: an
    entry is refused, with the news told, if somebody changed what it concerns since.
    """

    def __init__(self, path: Path, *, create: bool, read_only: bool, shared: bool,
                 timeout: float) -> None:
        self.path = path
        self._lock, self._patience, self._shared = threading.RLock(), timeout, shared
        # Before SQLite sees the file: it might undo what another program is just writing.
        self._lease = Lease.take(path) if shared and not read_only else None
        self._give_back = (weakref.finalize(self, self._lease.release) if self._lease
                           else lambda: None)
        try:
            with translated(path):
                self._db = (open_to_read(path, shared=shared, timeout=timeout) if read_only else
                            open_to_write(path, create=create, timeout=timeout))
            self._place, self._entries = Place(path), Entries(self._db, path)
        except BaseException:
            self._give_back()
            raise
        self._last: tuple | None = None

    def __enter__(self) -> StudyFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def __repr__(self) -> str:
        return f"StudyFile({str(self.path)!r})"

    def close(self) -> None:
        """Close the file; closing twice does no harm."""
        with self._lock:
            self._db.close()
            self._give_back()

    @contextmanager
    def together(self) -> Iterator[None]:
        """Several entries as one: ``with study_file.together(): ...`` keeps all or none.

        An entry in it that is refused is undone alone, if the caller goes on. Other threads
        wait until it ends.
        """
        with self._writing():
            yield

    # ---- reading

    def read(self) -> Study:
        """The study as it stands: one consistent view, whoever else is writing."""
        with self._alone(), translated(self.path):
            if self._db.in_transaction:
                return self._entries.study()
            return self._unchanged(self._entries.study)

    def history(self, run: int | None = None, response: str | None = None) -> pd.DataFrame:
        """Every value ever entered for a measurement, oldest first; the last one counts.

        Columns ``run``, ``attempt``, ``response``, ``value`` (NaN: withdrawn),
        ``qualifier``, ``unit``, ``entered_at``, ``author``, ``reason`` (why it was corrected
        or withdrawn, or with what words it was confirmed) and ``change``: "entered",
        "corrected", "withdrawn" or "confirmed".
        """
        with self._alone(), translated(self.path):
            number = None if run is None else as_whole("run", run)
            return self._unchanged(lambda: rows.history(self._db, number, response))

    def save_copy(self, path: str | Path) -> Path:
        """Write a complete copy, also while others write; an existing file is left alone."""
        path = Path(path)
        with self._alone(), translated(path):
            copy(self._db, self.path, path)
        return path

    # ---- brief and plan

    def set_brief(self, brief: Brief, *, plan: Plan | None = None, author: str = "",
                  reason: str = "", seen: Study | None = None) -> None:
        """Replace the brief; once the study is locked this is an amendment with a reason.

        Parameters
        ----------
        brief : Brief
        plan : Plan, optional
            A plan over the new factors, if the present one varies others.
        author, reason : str
        seen : Study, optional
            The study as it was when the change was thought of.

        Raises
        ------
        InputError
            If plan or records do not fit the new brief, a reason is lacking, or brief or plan
            are no longer those of `seen`.
        """
        with self._writing() as entries:
            entries.set_brief(brief, plan, author, reason, seen)

    def set_plan(self, plan: Plan, *, author: str = "", reason: str = "",
                 seen: Study | None = None) -> None:
        """Set or replace the plan; once the study is locked this is an amendment.

        Runs already recorded must stay as they are; runs may be added after them.

        Raises
        ------
        InputError
            If the plan does not fit the brief or the records, a reason is lacking, or brief or
            plan are no longer those of `seen`.
        """
        with self._writing() as entries:
            entries.set_plan(plan, author, reason, seen)

    # ---- runs

    def record(self, run: int, measurements: Mapping | None = None, *,
               settings: Mapping | None = None, operator: str = "", remark: str = "",
               when: datetime | str | None = None, qualifiers: Mapping | None = None,
               confirmed: Mapping[str, str] | None = None, seen: Study | None = None) -> Record:
        """Keep what was done and measured in a run; on the disk when this returns.

        A run may be recorded before its readings are there; a further call adds what is still
        missing, and `history` tells when. Saying the same again changes nothing.

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
        confirmed : mapping, optional
            By response, what was said to a reading that is far off and yet right; kept with it.
        seen : Study, optional
            The study as the person who enters had it before them.

        Raises
        ------
        InputError
            If a name or value cannot be used, something else is recorded already, or entries
            on this run were added since `seen`.
        """
        record = Record(
            run, settings=settings or {}, measurements=measurements or {}, operator=operator,
            remark=remark, time=as_time("when", when) if when else "",
            qualifiers=qualifiers or {})
        with self._writing() as entries:
            return entries.record(record, confirmed, seen)

    def record_many(self, records: Iterable[Record]) -> list[Record]:
        """Keep several records, all or none; the attempts as they then stand.

        A record with status "void" is kept with its values and then set aside.
        """
        with self._writing() as entries:
            return [entries.record_any(record) for record in records]

    def amend(self, run: int, measurements: Mapping | None = None, *,
              settings: Mapping | None = None, when: datetime | str | None = None,
              remark: str | None = None, attempt: int = 0, reason: str, author: str = "",
              confirmed: Mapping[str, str] | None = None, seen: Study | None = None) -> Record:
        """Correct or withdraw what is recorded; the old value stays in the history.

        Parameters
        ----------
        run : int
        measurements, settings : mapping, optional
            New values by name, of those that change; None withdraws one.
        when, remark : optional
            Corrected time and remark.
        attempt : int
            The last one done if 0.
        reason, author : str
            Why, and who says so; a reason is needed.
        confirmed, seen
            As for `record`.
        """
        with self._writing() as entries:
            return entries.amend(run, attempt, reason, author, confirmed, seen,
                                 measurements=measurements, settings=settings, time=when,
                                 remark=remark)

    def void(self, run: int, reason: str, operator: str = "", *, attempt: int = 0,
             seen: Study | None = None) -> Record:
        """Set an attempt aside, which stays on file; the run is due again.

        Without an attempt number it is the one that is due: a run that was broken off is
        kept as an attempt with status "void". For `seen` see `record`.
        """
        with self._writing() as entries:
            return entries.void(run, reason, operator, attempt, seen)

    def repeat(self, run: int, reason: str = "", operator: str = "", *,
               seen: Study | None = None) -> Record:
        """Declare a repeat of a run that is done: a replicate, to be recorded next.

        For `seen` see `record`.
        """
        with self._writing() as entries:
            return entries.repeat(run, reason, operator, seen)

    # ---- one at a time, whole or not at all

    @contextmanager
    def _alone(self) -> Iterator[None]:
        """One thread at a time, for as long as a program that writes is waited for."""
        if not self._lock.acquire(timeout=max(self._patience, 0)):
            raise StudyFileError(self.path, "another thread of this program is writing to it",
                                 "Nothing of this entry was kept: wait a moment and enter it again")
        try:
            yield
        finally:
            self._lock.release()

    @contextmanager
    def _writing(self) -> Iterator[Entries]:
        with self._alone():
            outer = not self._db.in_transaction
            try:
                with translated(self.path):
                    if outer:
                        self._look_first()
                    with writing(self._db, self._still_here):
                        if outer:
                            self._same_study()
                        yield self._entries
                    if outer:
                        self._acknowledge()
            except BaseException as error:
                self._entries.forget()
                if isinstance(error, StudyFileError):
                    self._place.check()  # which knows better why it cannot be written
                raise

    def _look_first(self) -> None:
        """May this program still write, and is the file still the one that was opened?"""
        self._place.check()
        if self._lease is not None:
            self._lease.keep()
        self._forget_pages()

    def _forget_pages(self) -> None:
        # A file that was written over may count as many transactions as the one before, and
        # SQLite would then take its memory of that one for this.
        self._db.execute("PRAGMA shrink_memory")

    def _same_study(self) -> None:
        if self._last is not None and not self._entries.holds(self._last):
            raise StudyFileError(
                self.path, "an older copy or another study was written over it while it was open "
                f"here: what was entered at {on_the_clock(self._last[1])} is no longer in it",
                "Nothing of this entry was kept: open the study again, see what is missing and "
                "enter that first")

    def _still_here(self) -> None:
        self._place.check()
        if self._lease is not None:
            self._lease.check()

    def _acknowledge(self) -> None:
        self._last = self._entries.last()
        if self._lease is not None:
            self._lease.check(kept=True)

    def _unchanged(self, load: Callable[[], Read]) -> Read:
        """What is read in one go; anew if it was changed meanwhile in spite of SQLite's locks."""
        for _ in range(_READINGS):
            self._forget_pages()
            version = self._db.execute("PRAGMA data_version").fetchone()
            try:
                self._db.execute("BEGIN")
                try:
                    out = load()
                finally:
                    self._db.execute("ROLLBACK")
                if not self._shared or version == self._db.execute(
                        "PRAGMA data_version").fetchone():
                    return out
            except (sqlite3.Error, ValueError) as error:
                if not self._shared or isinstance(error, sqlite3.ProgrammingError):
                    raise
            time.sleep(_PAUSE)
        return load()

    def _create(self, brief: Brief, author: str) -> None:
        with translated(self.path):
            refuse_filled(self._db, self.path)
        with self._writing() as entries:
            lay_out(self._db, self.path)
            entries.start(brief, author)

    def _check(self, read_only: bool) -> None:
        with translated(self.path):
            check(self._db, self.path)
            if not read_only:
                bring_over(self._db, self.path)
                upgrade(self._db)
            self._last = self._entries.last()

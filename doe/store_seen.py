"""What others entered since a study was read, and the refusal that tells of it.

Whoever corrects what they see must have seen what is there: an entry made on an older view
of a run, brief or plan would undo a colleague's without either of them noticing.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager

from doe import store_rows as rows
from doe.errors import InputError
from doe.records import on_the_clock
from doe.study import TRAIL_COLUMNS, Study
from doe.wording import join

__all__ = ["document_as_seen", "news_of_run", "run_as_seen"]

_DID = {"record": "recorded run {run}", "correction": "corrected run {run}",
        "withdrawal": "withdrew readings of run {run}", "void": "set run {run} aside",
        "repeat": "declared a repeat of run {run}"}
_STATE = re.compile(r"done(, run at \S+)?(, by [^,]*)?(, |$)")
_MANY = 3
"""How many entries or fields a message names."""


@contextmanager
def run_as_seen(db: sqlite3.Connection, run: int, seen: Study | None,
                entered: object) -> Iterator[None]:
    """Refuse what is entered inside if it changes a run on which there is news since `seen`."""
    news = news_of_run(db, run, seen)
    if not news:
        yield
        return
    refusal = InputError(f"run {run}", entered, "; ".join(_told(t) for t in news[-_MANY:]),
                         "Look at the run again, then enter what is still to be changed")
    with _without_change(db, refusal):
        yield


@contextmanager
def document_as_seen(db: sqlite3.Connection, study: Study, seen: Study | None,
                     entered: object) -> Iterator[None]:
    """Refuse a brief or plan entered inside if `study` has others than `seen`."""
    changed = {} if _checked(seen) is None else {
        what: (before, now) for what in ("brief", "plan")
        if (before := getattr(seen, what)) != (now := getattr(study, what))}
    if not changed:
        yield
        return
    told = []
    for what, versions in changed.items():
        last = study.trail[study.trail["what"] == what].tail(1).to_dict("records")
        did = (f"{last[0]['who']} changed the {what} at {on_the_clock(last[0]['when'])}" if last
               else f"the {what} is another one")
        told.append(f"{did}: {_fields(*versions)}")
    refusal = InputError(", ".join(changed), entered, "; ".join(told),
                         f"Look at the {' and the '.join(changed)} again, then enter what is "
                         "still to be changed")
    with _without_change(db, refusal):
        yield


def news_of_run(db: sqlite3.Connection, run: int, seen: Study | None) -> list[tuple]:
    """Rows of the trail on a run that were added since `seen`, oldest first.

    Raises
    ------
    InputError
        If `seen` is no study, or one that this file never held.
    """
    if _checked(seen) is None:
        return []
    known = [tuple(t) for t in seen.trail.loc[seen.trail["run"] == run, list(TRAIL_COLUMNS)]
             .itertuples(index=False)]
    found = rows.entries_on(db, run)
    if found[: len(known)] != known:
        raise InputError("seen", f"the study with {len(known)} entries on run {run}",
                         "this file does not hold these entries: it is another study, or an older "
                         "copy was put in its place", "Read the study again")
    return found[len(known):]


def _checked(seen: Study | None) -> Study | None:
    if seen is not None and not isinstance(seen, Study):
        raise InputError("seen", seen, "this is no study", "Give what read() returned")
    return seen


@contextmanager
def _without_change(db: sqlite3.Connection, refusal: InputError) -> Iterator[None]:
    """Let pass what adds no row; the transaction round it undoes the rest."""
    before = db.total_changes
    try:
        yield
    except InputError:
        raise refusal from None
    if db.total_changes != before:
        raise refusal


def _told(entry: tuple) -> str:
    """One row of the trail as a colleague would tell it."""
    said = dict(zip(TRAIL_COLUMNS, entry, strict=True))
    did = _DID.get(said["kind"], "changed run {run}").format(run=said["run"])
    what = (said["reason"] if said["kind"] in ("void", "repeat")
            else _STATE.sub("", said["after"], count=1))
    return f"{said['who']} {did} at {on_the_clock(said['when'])}" + (f": {what}" if what else "")


def _fields(before: object, now: object) -> str:
    sides: list[Mapping] = [{} if side is None else side.to_plain() for side in (before, now)]
    names = rows.changed_fields(*sides)
    more = len(names) - _MANY
    return join(names[:_MANY] + [f"{more} more"] * (more > 0))

"""What is looked at when a study file is opened, before anything in it is believed.

In this order: is it a study file; are its tables those of one (up to here only their list is
read, and no view or trigger of a stranger is ever run); is the database whole; has every row the
checksum with which it was entered; does what it says make a study.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from doe.brief import Brief
from doe.errors import InputError
from doe.store_damage import places, survey
from doe.store_file import SUFFIX, StudyFileError, damaged, rescue_command, writing
from doe.store_rows import document
from doe.store_schema import APPLICATION_ID, SCHEMA_VERSION, UPGRADE, columns, objects, results_view
from doe.store_seal import ROWS, compare, seal_all
from doe.study import Study
from doe.wording import join

__all__ = ["believed", "check", "refuse_damaged", "study_of", "upgrade"]

_SHOWN = 6
"""So many places are named one by one."""

_MOST_OBJECTS = 200
"""More than any study file holds of tables, indexes, views and triggers."""

_STATISTICS = {b"sqlite_stat1", b"sqlite_stat4"}
"""Tables that SQLite's ANALYZE leaves; they say nothing about the study."""

_UNUSABLE = (ArithmeticError, AttributeError, LookupError, RecursionError, TypeError, ValueError)
"""How a document that is no brief or plan can fail; an `InputError` is a ValueError."""

_TIME = "[0-9][0-9][0-9][0-9]-[0-9][0-9]-[0-9][0-9]T[0-9][0-9]:[0-9][0-9]*"


def check(db: sqlite3.Connection, path: Path) -> None:
    """Refuse what is no study file, is from a newer version, was altered, or is damaged.

    Raises
    ------
    StudyFileError
        It names what was altered or is damaged, and how to save the rest.
    """
    version = _version(db, path)
    results = _check_tables(db, path, version)
    with _held(db):
        try:
            sound = _is_whole(db, path) and (version == 1 or not compare(db))
        except sqlite3.DatabaseError as error:
            if getattr(error, "sqlite_errorcode", 0) & 0xFF != sqlite3.SQLITE_CORRUPT:
                raise
            sound = False
        if not sound:
            refuse_damaged(db, path, sealed=version > 1)
        _check_results(db, path, results)


def upgrade(db: sqlite3.Connection) -> None:
    """Bring a file that was checked to the present version; its values stay as they are."""
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if version == SCHEMA_VERSION:
        return
    with writing(db):
        (version,) = db.execute("PRAGMA user_version").fetchone()
        if version < SCHEMA_VERSION:  # nobody else was quicker
            for statement in UPGRADE:
                db.execute(statement)
            seal_all(db)
            db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def study_of(db: sqlite3.Connection, versions: tuple[int | None, int | None], path: Path
             ) -> Study:
    """Brief and plan of these versions, without records.

    Raises
    ------
    StudyFileError
        If they cannot be used.
    """
    from doe.planning.plan import Plan

    with believed(path, "the brief in it cannot be used"):
        said = document(db, "brief", versions[0])
        brief = Brief.from_plain(said)
        _same_kind("brief", said, brief.to_plain())
    with believed(path, "the plan in it cannot be used"):
        said = document(db, "plan", versions[1])
        if said is None:
            return Study(brief)
        plan = Plan.from_plain(said)
        read = plan.to_plain()
        _same_kind("plan", said, read)
        if read["runs"] != said["runs"] or plan.runs["run"].tolist() != [*range(1, len(plan) + 1)]:
            raise InputError("plan, runs", "…", "they are not numbered 1, 2, 3, … in whole numbers",
                             "")
        if plan.region.names != brief.region.names:
            raise InputError("plan, factors", plan.region.names, "the brief varies others", "")
        brief.region.encode(plan.settings)
    return Study(brief, plan)


@contextmanager
def believed(path: Path, problem: str) -> Iterator[None]:
    """Whatever fails in here is the fault of what the file says."""
    try:
        yield
    except StudyFileError:
        raise
    except InputError as error:
        said = str(InputError(error.field, error.value, error.problem, "")).rstrip(" .")
        raise _not_ours(path, f"{problem}: {said}") from error
    except _UNUSABLE as error:
        raise _not_ours(path, f"{problem}: {type(error).__name__}: {str(error)[:200]}") from error


# ---- is it a study file, and nothing else


def _version(db: sqlite3.Connection, path: Path) -> int:
    (mark,) = db.execute("PRAGMA application_id").fetchone()
    (version,) = db.execute("PRAGMA user_version").fetchone()
    if mark != APPLICATION_ID:
        raise StudyFileError(path, "this is not a study file", "Choose a study file, by convention "
                             f"named *{SUFFIX}")
    if version > SCHEMA_VERSION:
        raise StudyFileError(path, f"it was written by a newer version (format {version}, this "
                             f"one reads up to {SCHEMA_VERSION})", "Update this package")
    if version < 1:
        raise _not_ours(path, f"it says that it is of format {version}, which there never was")
    return version


def _check_tables(db: sqlite3.Connection, path: Path, version: int) -> bytes | None:
    """Refuse what is not laid out as a study file; the statement of its view ``results``."""
    (encoding,) = db.execute("PRAGMA encoding").fetchone()
    if encoding != "UTF-8":
        raise _not_ours(path, f"its texts are in {encoding}")
    found = {name: tuple(rest) for name, *rest in db.execute(
        "SELECT CAST(name AS BLOB), CAST(type AS BLOB), CAST(tbl_name AS BLOB), "
        "CAST(sql AS BLOB) FROM sqlite_master LIMIT ?", (_MOST_OBJECTS,))}
    results = found.pop(b"results", None)
    known = [{name.encode(): (kind.encode(), table.encode(), sql and sql.encode())
              for name, (kind, table, sql, _) in objects(version, strict).items()}
             for strict in (True, False)]
    loose = found.get(b"brief") == known[1][b"brief"]
    for name in (n for n in [*known[0], *found] if n not in _STATISTICS):
        if name not in found:
            raise _not_ours(path, f"it lacks the {_text(known[0][name][0])} '{_text(name)}'")
        kind = _text(found[name][0])
        if name not in known[0]:
            raise _not_ours(path, f"it holds the {kind} '{_text(name)}', which is no part of a "
                            "study")
        if found[name] not in (known[0][name], known[1][name] if loose else known[0][name]):
            raise _not_ours(path, f"the {kind} '{_text(name)}' in it is not as in a study")
    if loose:
        _check_kinds(db, path, version)
    if results is None:
        return None
    return results[2] if results[:2] == (b"view", b"results") else b""


def _check_kinds(db: sqlite3.Connection, path: Path, version: int) -> None:
    """Refuse a text in the place of a number and the like, which a strict table keeps out."""
    for table in ROWS if version == 1 else [*ROWS, "seal"]:
        for column, kind in columns(table).items():
            kind = kind.split()[0].lower()
            if db.execute(f"SELECT 1 FROM {table} WHERE typeof({column}) NOT IN ('{kind}', 'null') "
                          "LIMIT 1").fetchone():
                raise _not_ours(path, f"in '{table}' in it not every {column} is of type {kind}")


def _check_results(db: sqlite3.Connection, path: Path, statement: bytes | None) -> None:
    """Refuse a view ``results`` that shows something else than what the brief names."""
    (version,) = db.execute("SELECT max(version) FROM brief").fetchone()
    brief = study_of(db, (version, None), path).brief
    ours = results_view(brief.region.names, [r.name for r in brief.responses])[1]
    if statement != ours.encode():
        raise _not_ours(path, "the view 'results' in it does not show what its brief names")
    _check_entries(db, path, brief)


def _check_entries(db: sqlite3.Connection, path: Path, brief: Brief) -> None:
    """Refuse entries that could not have been made."""
    greatest = 1.7976931348623157e308
    numeric = [f.name for f in brief.region.factors if f.is_numeric]
    other = [f.name for f in brief.region.factors if not f.is_numeric]
    responses = [r.name for r in brief.responses]

    def one_of(names: list[str]) -> str:
        return f"IN ({', '.join('?' * len(names))})"

    for what, table, wrong, given in (
            ("a reading of something that its brief does not measure", "measurement",
             f"response NOT {one_of(responses)}", responses),
            ("a reading without an end", "measurement",
             f"abs(value) > {greatest!r}", []),
            ("a setting that its brief does not vary", "setting",
             f"abs(value) > {greatest!r} OR NOT (factor {one_of(numeric)} AND level IS NULL OR "
             f"factor {one_of(other)} AND value IS NULL)", [*numeric, *other]),
            ("a time that is none", "attempt_state",
             f"recorded_at <> '' AND (recorded_at NOT GLOB '{_TIME}' OR "
             "julianday(recorded_at) IS NULL)", [])):
        row = db.execute(f"SELECT run FROM {table} WHERE {wrong} LIMIT 1", given).fetchone()
        if row:
            raise _not_ours(path, f"run {row[0]} in it has {what}")


def _same_kind(where: str, said: Any, read: Any) -> None:
    """Refuse a document that was understood only by taking one kind of thing for another."""
    if said == read or said is None or read is None:
        return
    if isinstance(said, Mapping) and isinstance(read, Mapping):
        for name in said.keys() & read.keys():
            _same_kind(f"{where}, {name}", said[name], read[name])
    elif isinstance(said, list) and isinstance(read, list) and len(said) == len(read):
        for one, other in zip(said, read, strict=True):
            _same_kind(where, one, other)
    elif not any(isinstance(said, kind) and isinstance(read, kind)
                 for kind in (str, bool, (int, float))):
        raise InputError(where, said, "this is not the kind of thing that stands there", "")


def _not_ours(path: Path, problem: str) -> StudyFileError:
    return StudyFileError(path, problem, "Another program has changed it, or it is damaged. Go "
                          "back to the last complete copy, or ask whoever sent it; what is "
                          f"readable can be saved: {rescue_command(path)}")


def _text(name: bytes) -> str:
    return name.decode("utf-8", "replace")[:80]


# ---- is it whole


@contextmanager
def _held(db: sqlite3.Connection) -> Iterator[None]:
    """Nobody writes between one look and the next."""
    if db.in_transaction:
        yield
        return
    db.execute("BEGIN")
    try:
        yield
    finally:
        db.execute("ROLLBACK")


def _is_whole(db: sqlite3.Connection, path: Path) -> bool:
    """Whether the database is as long as it says, and holds together."""
    (pages,) = db.execute("PRAGMA page_count").fetchone()
    (size,) = db.execute("PRAGMA page_size").fetchone()
    (file,) = db.execute("SELECT file FROM pragma_database_list WHERE name = 'main'").fetchone()
    log = path.with_name(path.name + "-wal")
    if file and path.stat().st_size != pages * size and not (log.exists() and log.stat().st_size):
        return False
    return (db.execute("PRAGMA integrity_check(1)").fetchone() == ("ok",)
            and db.execute("PRAGMA foreign_key_check").fetchone() is None)


def refuse_damaged(db: sqlite3.Connection, path: Path, *, sealed: bool) -> None:
    """Raise the error that says what is damaged and what can be saved."""
    found = survey(db, sealed=sealed)
    named = places(db, found)
    if len(named) > _SHOWN:
        named = [*named[:_SHOWN], f"{len(named) - _SHOWN} other places"]
    what = (f"what stands there is not what was entered: {join(named)}" if named
            else "every entry in it can still be read")
    raise damaged(path, f"; {what}")

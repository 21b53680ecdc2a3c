"""Opening study files safely, and saying in plain words why one cannot be used."""

from __future__ import annotations

import os
import shlex
import sqlite3
from collections.abc import Iterator
from contextlib import closing, contextmanager
from pathlib import Path

from doe.errors import InputError
from doe.store_guard import guard
from doe.store_schema import APPLICATION_ID, SCHEMA, SCHEMA_VERSION

__all__ = ["SUFFIX", "StudyFileError", "connect", "copy", "damaged", "lay_out",
           "refuse_filled", "rescue_command", "translated", "writing"]

SUFFIX = ".study"
"""What names of study files end in, by convention."""

_LEAST_DATABASE = 512
"""The least page of an SQLite database, bytes."""

_PROBLEMS = {
    sqlite3.SQLITE_BUSY: ("another program is writing to it",
                          "Nothing of this entry was kept: wait a moment and enter it again"),
    sqlite3.SQLITE_READONLY: ("it is write-protected or was opened for reading only",
                              "To write, make the file and its folder writable; to read, open "
                              "it with read_only=True"),
    sqlite3.SQLITE_CANTOPEN: ("it cannot be opened", "Check that the folder exists and that you "
                              "may read and write there"),
    sqlite3.SQLITE_FULL: ("the disk is full", "Nothing of this entry was kept: make room and "
                          "enter it again"),
    sqlite3.SQLITE_IOERR: ("reading or writing failed", "Check the disk or network drive; what "
                           "was acknowledged before is kept"),
    sqlite3.SQLITE_NOTADB: ("this is not a study file", "Choose a study file, by convention named "
                            f"*{SUFFIX}"),
}


class StudyFileError(InputError):
    """A study file that cannot be opened, read or written; it names the file."""

    def __init__(self, path: Path | str, problem: str, remedy: str) -> None:
        super().__init__("study file", str(path), problem, remedy)

    def __reduce__(self):
        return (StudyFileError, (self.value, self.problem, self.remedy))


def damaged(path: Path, what: str = "") -> StudyFileError:
    """The error that says how to go on with a file that is damaged."""
    return StudyFileError(path, "it is damaged or cut short" + what, "Go back to the last complete "
                          f"copy, or save what is readable: {rescue_command(path)}")


def rescue_command(path: Path) -> str:
    """How to save what can be read of a file."""
    return f"python -m doe rescue {shlex.quote(str(path))} --out NEW{SUFFIX}"


@contextmanager
def translated(path: Path) -> Iterator[None]:
    """Turn SQLite's errors into one that names the file, the problem and the remedy."""
    try:
        yield
    except UnicodeEncodeError as error:
        raise InputError("text", error.object, "it holds a character that is no text",
                         "Type it anew") from None
    except UnicodeDecodeError as error:  # a name in SQLite's own message
        raise damaged(path) from error
    except sqlite3.IntegrityError:
        raise  # a mistake of the program, not of the user: to be seen in full
    except sqlite3.Error as error:
        # The lowest byte is the kind of error; the rest is detail.
        code = getattr(error, "sqlite_errorcode", 0) & 0xFF
        if code == sqlite3.SQLITE_INTERRUPT:  # nothing else interrupts it
            raise KeyboardInterrupt from error
        if code == sqlite3.SQLITE_CORRUPT:
            raise damaged(path) from error
        known = _PROBLEMS.get(code)
        if known is None and isinstance(error, sqlite3.ProgrammingError):
            known = str(error).rstrip("."), "Open it again with open_study"
        raise StudyFileError(path, *(known or (f"SQLite says: {error}", "Nothing of this entry "
                                               "was kept: try again"))) from error


def connect(path: Path, *, mode: str, timeout: float) -> sqlite3.Connection:
    """A connection in mode "ro", "rw" or "rwc" (create), set to lose nothing acknowledged."""
    # The file is never opened past SQLite: closing it would drop SQLite's locks on it.
    if mode != "ro" and path.exists() and not _writable(path):
        raise StudyFileError(path, *_PROBLEMS[sqlite3.SQLITE_READONLY])
    read_only = mode == "ro"
    if read_only and _writable(path) and _writable(path.parent):
        mode = "rw"  # who may only read cannot take away the log when closing
    uri = f"{path.absolute().as_uri()}?mode={mode}"
    db = sqlite3.connect(uri, uri=True, timeout=timeout, isolation_level=None,
                         check_same_thread=False)
    if mode == "ro":
        try:
            guard(db)
        except sqlite3.OperationalError:
            # In a folder that may not be written, SQLite cannot lay the index of its log
            # beside the file. Without a log there is nothing to index.
            db.close()
            if path.with_name(path.name + "-wal").exists():
                raise
            db = sqlite3.connect(uri + "&immutable=1", uri=True, isolation_level=None,
                                 check_same_thread=False)
    guard(db)
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(f"PRAGMA query_only = {int(read_only)}")
    return db


def _writable(path: Path) -> bool:
    return os.access(path, os.W_OK, effective_ids=os.access in os.supports_effective_ids)


@contextmanager
def writing(db: sqlite3.Connection) -> Iterator[None]:
    """One transaction, flushed to the disk at its end, or nothing at all.

    Inside another it is a part of that one: undone alone if it fails, kept with the whole.
    """
    part = db.in_transaction
    db.execute("SAVEPOINT part" if part else "BEGIN IMMEDIATE")
    try:
        yield
        db.execute("RELEASE part" if part else "COMMIT")
    except BaseException:
        if db.in_transaction:
            db.execute("ROLLBACK TO part" if part else "ROLLBACK")
            if part:
                db.execute("RELEASE part")
        raise


def refuse_filled(db: sqlite3.Connection, path: Path) -> None:
    """Refuse to start a study in a file that holds something."""
    if 0 < path.stat().st_size < _LEAST_DATABASE:  # which SQLite would take for empty
        raise StudyFileError(path, *_PROBLEMS[sqlite3.SQLITE_NOTADB])
    if db.execute("SELECT count(*) FROM sqlite_master").fetchone() != (0,):
        raise StudyFileError(path, "it exists already", "Open it as it is, or choose "
                             "another name")


def lay_out(db: sqlite3.Connection, path: Path) -> None:
    """Make the tables of a study in an empty file, inside a transaction."""
    refuse_filled(db, path)
    for statement in SCHEMA:
        db.execute(statement)
    db.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    db.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def copy(db: sqlite3.Connection, path: Path) -> None:
    """Write a complete copy to a new file, also while others write."""
    if path.exists():
        raise StudyFileError(path, "it exists already", "Choose another name")
    try:
        with closing(sqlite3.connect(path)) as target:
            db.backup(target)
    except BaseException:
        path.unlink(missing_ok=True)  # half a copy must not pass for one
        raise

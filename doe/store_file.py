"""Opening study files safely, and saying in plain words why one cannot be used."""

from __future__ import annotations

import errno
import shlex
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from doe.errors import InputError
from doe.store_schema import APPLICATION_ID, SCHEMA, SCHEMA_VERSION

__all__ = ["KNOWN", "NO_LINKS", "SUFFIX", "StudyFileError", "StudyFileWarning", "address",
           "damaged", "lay_out", "refuse_filled", "rescue_command", "translated", "writing"]

SUFFIX = ".study"
"""What names of study files end in, by convention."""

_LEAST_DATABASE = 512
"""The least page of an SQLite database, bytes."""

KNOWN = {
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


NO_LINKS = (errno.EPERM, errno.ENOTSUP, errno.EOPNOTSUPP, errno.ENOSYS, errno.EMLINK)
"""What the system says where a file can have no second name."""


class StudyFileWarning(UserWarning):
    """What to know about a study file that was opened all the same."""


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


def address(path: Path, mode: str, *, immutable: bool = False) -> str:
    """What SQLite opens; if immutable, without a look at locks and at what lies beside."""
    return f"{path.absolute().as_uri()}?mode={mode}" + "&immutable=1" * immutable


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
        known = KNOWN.get(code)
        if known is None and isinstance(error, sqlite3.ProgrammingError):
            known = str(error).rstrip("."), "Open it again with open_study"
        raise StudyFileError(path, *(known or (f"SQLite says: {error}", "Nothing of this entry "
                                               "was kept: try again"))) from error


@contextmanager
def writing(db: sqlite3.Connection, sure: Callable[[], None] = lambda: None) -> Iterator[None]:
    """One transaction, flushed to the disk at its end, or nothing at all.

    Inside another it is a part of that one: undone alone if it fails, kept with the whole.
    Whether it may be kept at all is asked of `sure` at the last moment.
    """
    part = db.in_transaction
    db.execute("SAVEPOINT part" if part else "BEGIN IMMEDIATE")
    try:
        yield
        if not part:
            sure()
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
        raise StudyFileError(path, *KNOWN[sqlite3.SQLITE_NOTADB])
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

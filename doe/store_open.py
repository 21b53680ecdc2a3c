"""Opening a study file so that it is one file, whole and in its place, whenever a call returned.

SQLite's journal is there only while a transaction is committed, and the journal's folder is
flushed with it (synchronous = EXTRA), so that not even a power cut brings it back.
"""

from __future__ import annotations

import errno
import os
import secrets
import sqlite3
import time
from contextlib import closing
from pathlib import Path

from doe.store_file import KNOWN, NO_LINKS, StudyFileError, address
from doe.store_guard import guard
from doe.store_leftovers import Leftover, leftover, settle

__all__ = ["Place", "bring_over", "copy", "open_to_read", "open_to_write"]

_COMMIT = 1.0
"""How long an entry may take to be written, s."""
_NOT_TAKEN_UP = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN)
"""What SQLite says where it may not apply a journal, or lay the index of a log."""


def open_to_write(path: Path, *, create: bool, timeout: float) -> sqlite3.Connection:
    """A connection set to lose nothing acknowledged; `bring_over` it once it is checked."""
    # The file is never opened past SQLite: closing it would drop SQLite's locks on it.
    if path.exists():
        if not _may_write(path):
            raise StudyFileError(path, *KNOWN[sqlite3.SQLITE_READONLY])
        settle(path)
    db = _connect(address(path, "rwc" if create else "rw"), timeout)
    try:
        guard(db)
    except BaseException:
        db.close()
        raise
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = EXTRA")
    db.execute("PRAGMA fullfsync = ON")
    # What is not yet committed stays in memory: nobody waits for it, and nothing is torn.
    db.execute("PRAGMA cache_spill = OFF")
    return db


def open_to_read(path: Path, *, shared: bool, timeout: float) -> sqlite3.Connection:
    """A connection that cannot write, also where nothing may be written.

    With `shared`, SQLite's locks may not hold: what others are writing is left alone.
    """
    # Who may write takes up what was cut off, so that the file is whole by itself again.
    mode = "rw" if _may_write(path) and not shared else "ro"
    found = leftover(path)
    if found is not None and not found.applies:
        db = found.taken(path)
    else:
        db = _connect(address(path, mode), timeout)
        try:
            db = _readable(db, path, found, patience=_COMMIT if shared else 0)
        except BaseException:
            db.close()
            raise
    db.execute("PRAGMA query_only = ON")
    return db


def _readable(db: sqlite3.Connection, path: Path, found: Leftover | None, patience: float
              ) -> sqlite3.Connection:
    """The connection, or another one where SQLite cannot take up what lies beside the file."""
    until = time.monotonic() + patience
    while True:
        try:
            guard(db)
        except sqlite3.OperationalError as error:
            if error.sqlite_errorcode & 0xFF not in _NOT_TAKEN_UP:
                raise
            if time.monotonic() < until:  # it may be an entry that is being written
                time.sleep(0.05)
                continue
            if found is None:
                found = leftover(path)
            db.close()
            if found is not None:
                return found.taken(path)
            # A file of an older version, where no index of its log can be laid beside it.
            db = _connect(address(path, "ro", immutable=True), 0)
            guard(db)
        else:
            if found is not None:
                found.close()
        return db


def bring_over(db: sqlite3.Connection, path: Path) -> None:
    """From an older version, which kept entries in a log beside the file: into the file."""
    if db.execute("PRAGMA journal_mode").fetchone() == ("delete",):
        return
    try:
        (mode,) = db.execute("PRAGMA journal_mode = DELETE").fetchone()
    except sqlite3.OperationalError as error:
        if error.sqlite_errorcode & 0xFF != sqlite3.SQLITE_BUSY:
            raise
        mode = "busy"
    if mode != "delete":
        raise StudyFileError(path, "it is of an older version, and open in another program too",
                             "Close it there, then open it again; or read it with read_only=True")


def _connect(uri: str, timeout: float) -> sqlite3.Connection:
    return sqlite3.connect(uri, uri=True, timeout=timeout, isolation_level=None,
                           check_same_thread=False)


def _may_write(path: Path) -> bool:
    """Whether the file can be written, and its journal beside it."""
    return all(os.access(there, os.W_OK, effective_ids=os.access in os.supports_effective_ids)
               for there in (path, path.parent))


# ---- is it still there?


class Place:
    """Where a study file was opened, to notice that it was moved, deleted or replaced."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._file = _identity(path)

    def check(self) -> None:
        """Raise if another file, or none, has the name by now."""
        try:
            found = _identity(self.path)
        except FileNotFoundError:
            found = None
        except OSError as error:
            raise StudyFileError(self.path, f"it cannot be reached ({error.strerror})",
                                 "Nothing of this entry was kept: check the drive, then enter it "
                                 "again") from None
        if found == self._file:
            return
        moved = self._now()
        if moved is not None:
            raise StudyFileError(
                self.path, f"it was moved to '{moved}' while it was open here, and the entries "
                "acknowledged so far are there", "Nothing of this entry was kept: open it there "
                "and enter it again")
        done = "deleted" if found is None else "replaced by another file"
        raise StudyFileError(
            self.path, f"it was {done} while it was open here",
            "Nothing of this entry was kept. The entries acknowledged so far are in the file that "
            "was here: if it has no other name, save_copy() still writes them to a new file; then "
            "open the file that is to be gone on with and enter this again")

    def _now(self) -> Path | None:
        """The name that the open file has by now, where the system tells."""
        try:
            names = os.scandir("/proc/self/fd")
        except OSError:
            return None
        with names:
            for entry in names:
                try:
                    found = os.stat(entry.path)
                    name = Path(os.readlink(entry.path))
                    if (found.st_dev, found.st_ino) == self._file and _identity(name) == self._file:
                        return name
                except OSError:
                    continue  # closed meanwhile, or deleted
        return None


def _identity(path: Path) -> tuple[int, int]:
    found = os.stat(path)
    return found.st_dev, found.st_ino


# ---- copies


def copy(db: sqlite3.Connection, source: Path, path: Path) -> None:
    """Write a complete copy under a name that is free, also while others write.

    Until it is complete and on the disk there is nothing under this name.
    """
    if path.exists():
        if source.exists() and path.samefile(source):
            raise StudyFileError(path, "this is the study itself", "Choose another name")
        raise StudyFileError(path, "it exists already", "Choose another name")
    if db.in_transaction:
        raise StudyFileError(path, "entries that belong together are not all made yet",
                             "Copy the study before them or after them")
    new = path.with_name(f".{path.name}.{secrets.token_hex(4)}.part")
    try:
        with closing(sqlite3.connect(address(new, "rwc"), uri=True)) as target:
            # Nobody else sees it yet, and half of it is deleted: it needs no journal.
            target.execute("PRAGMA journal_mode = OFF")
            target.execute("PRAGMA synchronous = OFF")
            db.backup(target)
            target.execute("PRAGMA journal_mode = DELETE")
        _flush(new)
        _name(new, path)
    except OSError as error:
        raise StudyFileError(path, f"it cannot be written ({error.strerror})", "Check that the "
                             "folder exists, that you may write there and that there is room"
                             ) from None
    finally:
        new.unlink(missing_ok=True)


def _name(new: Path, path: Path) -> None:
    """Give a complete file its name, unless another has it."""
    try:
        if os.name == "nt":
            new.rename(path)  # which replaces nothing there
        else:
            os.link(new, path)
    except FileExistsError:
        raise StudyFileError(path, "it exists already", "Choose another name") from None
    except OSError as error:
        if error.errno not in NO_LINKS:
            raise
        # Some drives know no second name of a file: take the name first, then fill it.
        os.close(os.open(path, os.O_CREAT | os.O_EXCL))
        os.replace(new, path)
    _flush(path.parent)


def _flush(path: Path) -> None:
    if path.is_dir() and os.name == "nt":
        return  # where a folder cannot be opened
    handle = os.open(path, os.O_RDONLY if path.is_dir() else os.O_RDWR)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno != errno.EINVAL:  # a drive that knows no flushing of folders
            raise
    finally:
        os.close(handle)

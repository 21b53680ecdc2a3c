"""What an interrupted program left beside a study file, and whether it belongs to that file.

SQLite keeps what undoes a transaction in a journal beside the file, for the moment in which it
is committed; versions of this program before 2 kept whole entries in a log there. Neither says
for which file it was made: SQLite plays it into whatever has the name by then. So before SQLite
sees them, both are tried on copies. Rows of a study are only ever added, and that decides: a
journal goes back to a study all of whose rows the file still has, and a log adds to them.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
import tempfile
import warnings
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from doe.store_file import StudyFileError, StudyFileWarning, address
from doe.store_guard import guard
from doe.store_schema import APPLICATION_ID

__all__ = ["JOURNAL", "LOG", "Leftover", "leftover", "settle"]

JOURNAL, LOG = "-journal", "-wal"
_MAGIC = bytes.fromhex("d9d505f920a163d7")  # a journal that SQLite would play begins with it
_LOG_HEADER = 32  # bytes before the first page of a log
_READ_VERSION = 19  # byte of the file that is 2 where entries may lie in a log
_CHANGES = slice(24, 28)  # bytes of the file that count its transactions
_LATER = 2.0  # s by which a file that was put there later than its log is told from a copy of both
_TRIES = 5


@dataclass(frozen=True)
class Leftover:
    """What lies beside a file, and the study without and with it, as databases in memory."""

    beside: Path
    alone: sqlite3.Connection
    settled: sqlite3.Connection
    belongs: bool
    later: bool = False  # the file was put there when what lies beside it was there already

    def close(self) -> None:
        self.alone.close()
        self.settled.close()

    @property
    def applies(self) -> bool:
        """Whether the study is that with what lies beside it."""
        return self.belongs and not self.later

    def taken(self, path: Path) -> sqlite3.Connection:
        """The study that counts, in memory; what is left out is said."""
        name = f"'{self.beside.name}' beside it"
        if self.applies:
            said = ("" if self.beside.name.endswith(LOG) else "an entry was cut off while it was "
                    "being written, and is left out: this is the study before it")
        elif self.later:
            said = (f"{name} holds further entries, but the file was put there after them: they "
                    "are left out")
        else:
            said = f"{name} belonged to another file that had this name before: it is left out"
        kept = self.settled if self.applies else self.alone
        for other in {self.alone, self.settled} - {kept}:
            other.close()
        if said:
            warnings.warn(f"{path}: {said}", StudyFileWarning, stacklevel=6)
        return kept


def settle(path: Path) -> None:
    """Before a file is opened for writing, put aside what lies beside it and is not its own.

    Raises
    ------
    StudyFileError
        If it cannot be told whether the file or what lies beside it is to count.
    """
    for suffix in (JOURNAL, LOG):
        found = _leftover(path, suffix)
        if found is None:
            continue
        found.close()
        name = found.beside.name
        if found.later:
            raise StudyFileError(path, f"entries lie beside it in '{name}', but the file was put "
                                 "there after them: it may be an older copy", "To go on from the "
                                 f"file as it is, move '{name}' to another folder; to take those "
                                 "entries over, copy both together to another folder and open the "
                                 "study there")
        if not found.belongs and (kept := _put_aside(found.beside)) is not None:
            warnings.warn(f"{path}: '{name}' belonged to another file that had this name before; "
                          f"it was not applied and is kept as '{kept.name}'", StudyFileWarning,
                          stacklevel=6)


def leftover(path: Path) -> Leftover | None:
    """What lies beside a file that is to be read; None if there is nothing."""
    return _leftover(path, JOURNAL) or _leftover(path, LOG)


def _leftover(path: Path, suffix: str) -> Leftover | None:
    """Both ways to take a file that has something beside it; None if it has not."""
    beside = path.with_name(path.name + suffix)
    if not _says_something(beside, suffix):
        return None
    with tempfile.TemporaryDirectory() as folder:
        trial = Path(folder, "trial")
        for _ in range(_TRIES):
            before = _mark(beside)
            try:
                # This first: a file that is written meanwhile has only more rows, never fewer.
                shutil.copyfile(beside, trial.with_name(trial.name + suffix))
                with closing(sqlite3.connect(address(path, "ro", immutable=True), uri=True)) as db:
                    image, alone = _image(db, path), _in_memory(db)
            except FileNotFoundError:
                return None  # whoever was writing is done
            except sqlite3.Error:
                return None  # which whoever opens it finds out
            if _mark(beside) == before:
                break
            alone.close()
        else:
            return None  # somebody is writing: SQLite waits for them
        trial.write_bytes(image)
        with closing(sqlite3.connect(trial)) as db:
            settled = _in_memory(db)
        if suffix == LOG:
            fits = image[_READ_VERSION:_READ_VERSION + 1] == b"\x02"
        else:
            fits = _changes(image) - _changes(trial.read_bytes()) in (0, 1)
    return _judged(path, beside, alone, settled, fits)


def _judged(path: Path, beside: Path, alone: sqlite3.Connection, settled: sqlite3.Connection,
            fits: bool) -> Leftover | None:
    if not _is_study(alone) and not _is_study(settled):
        alone.close()
        settled.close()
        return None  # which whoever opens it finds out
    journal = beside.name.endswith(JOURNAL)
    if not _is_whole(alone):  # as no copy would be
        return Leftover(beside, alone, settled, belongs=journal or fits)
    fewer, more = (settled, alone) if journal else (alone, settled)
    belongs = fits and _is_whole(settled) and _has_all(more, fewer)
    later = belongs and not journal and not _has_all(fewer, more) and _put_later(path, beside)
    return Leftover(beside, alone, settled, belongs, later)


def _says_something(beside: Path, suffix: str) -> bool:
    try:
        if suffix == LOG:
            return beside.stat().st_size > _LOG_HEADER
        with beside.open("rb") as file:
            return file.read(len(_MAGIC)) == _MAGIC
    except FileNotFoundError:
        return False


def _mark(beside: Path) -> tuple[int, ...]:
    try:
        found = beside.stat()
    except FileNotFoundError:
        return ()
    return found.st_ino, found.st_size, found.st_mtime_ns


def _image(db: sqlite3.Connection, path: Path) -> bytes:
    """The file byte by byte, read through SQLite: to close it otherwise would drop its locks."""
    db.execute("PRAGMA writable_schema = ON")  # so that it is read even if it is cut short
    return db.serialize() if hasattr(db, "serialize") else path.read_bytes()


def _changes(image: bytes) -> int:
    return int.from_bytes(image[_CHANGES], "big")


def _in_memory(db: sqlite3.Connection) -> sqlite3.Connection:
    """A copy of a database; an empty one if it cannot be read."""
    copy = _nothing()
    try:
        db.backup(copy)
        guard(copy)
    except sqlite3.Error:
        copy.close()
        return _nothing()
    return copy


def _nothing() -> sqlite3.Connection:
    return sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)


def _is_study(db: sqlite3.Connection) -> bool:
    try:
        return db.execute("PRAGMA application_id").fetchone() == (APPLICATION_ID,)
    except sqlite3.Error:
        return False


def _is_whole(db: sqlite3.Connection) -> bool:
    try:
        return _is_study(db) and db.execute("PRAGMA integrity_check(1)").fetchone() == ("ok",)
    except sqlite3.Error:
        return False


def _has_all(more: sqlite3.Connection, fewer: sqlite3.Connection) -> bool:
    """Whether every row of one study stands in the other too."""
    names = [name for name, in fewer.execute("SELECT name FROM sqlite_master WHERE type = 'table' "
                                             "AND name NOT LIKE 'sqlite%'")]
    try:
        for name in names:
            theirs, ours = (db.execute(f'SELECT rowid, * FROM "{name}" ORDER BY rowid')
                            for db in (fewer, more))
            # Of two rows the first that differs decides; later ones need not be there.
            if any(ours.fetchone() != row for row in theirs):
                return False
    except sqlite3.Error:
        return False
    return True


def _put_later(path: Path, beside: Path) -> bool:
    """Whether a file came there when what lies beside it was there already."""
    file, other = path.stat(), beside.stat()
    return (file.st_mtime > other.st_mtime + _LATER
            or (os.name != "nt" and file.st_ctime > other.st_ctime + _LATER))


def _put_aside(beside: Path) -> Path | None:
    """Rename it to a name that is free; None if somebody else did."""
    number = 1
    while (kept := beside.with_name(f"{beside.name}.{number}.not-applied")).exists():
        number += 1
    try:
        beside.rename(kept)
    except FileNotFoundError:
        return None
    return kept

"""The tables of a damaged study file, laid open without its own list of tables.

That list and the header of the file stand on its first page, the one that suffers first. A copy in
memory gets both anew: only the places of the tables are taken from the old list, or, where that
cannot be read either, are those of a new file. What then is a row is for checksums to say.
"""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from pathlib import Path

from doe.store_schema import APPLICATION_ID, SCHEMA_VERSION, columns, objects
from doe.store_seal import ROWS

__all__ = ["lay_open"]

_USUAL_PAGE = 4096
_HEADER = struct.Struct(">16sH6B12I20x2I")


def lay_open(path: Path) -> tuple[sqlite3.Connection, bool]:
    """A database in memory with the tables that are left, and whether it has seals.

    Raises
    ------
    OSError
        If the file cannot be read.
    """
    image = _image(path)
    size = _page_size(image)
    image += bytes(-len(image) % size)
    roots = {name: root for name, root in _roots(image).items() if root <= len(image) // size}
    db = sqlite3.connect(":memory:", isolation_level=None)
    db.text_factory = lambda text: text.decode("utf-8", "replace")
    db.deserialize(_first_page(size, len(image) // size) + image[size:])
    db.execute("PRAGMA writable_schema = ON")
    for name, root in roots.items():
        said = ", ".join(f"{column} {kind}" for column, kind in columns(name).items())
        db.execute("INSERT INTO sqlite_master VALUES ('table', ?, ?, ?, ?)",
                   (name, name, root, f"CREATE TABLE {name} ({said})"))
    db.execute("PRAGMA writable_schema = RESET")
    return db, "seal" in roots


def _image(path: Path) -> bytes:
    """The bytes of the database, with what stands in its log where that can be read."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as source, \
                closing(sqlite3.connect(":memory:")) as target:
            source.backup(target)
            return target.serialize()
    except sqlite3.Error:
        return path.read_bytes()


def _page_size(image: bytes) -> int:
    size = int.from_bytes(image[16:18], "big")
    size = 65536 if size == 1 else size
    return size if size >= 512 and size & (size - 1) == 0 else _USUAL_PAGE


def _first_page(size: int, pages: int) -> bytes:
    """The first page of a database without tables, as the format of SQLite 3 has it."""
    header = _HEADER.pack(
        b"SQLite format 3\0", size % 65535, 1, 1, 0, 64, 32, 32, 1, pages, 0, 0, 1, 4, 0, 0, 1,
        SCHEMA_VERSION, 0, APPLICATION_ID, 1, 0)
    leaf = struct.pack(">B3HB", 13, 0, 0, size % 65536, 0)
    return (header + leaf).ljust(size, b"\0")


def _roots(image: bytes) -> dict[str, int]:
    """First pages of the tables, as the file says, else as in a new file."""
    usual = {name: objects(SCHEMA_VERSION)[name][3] for name in (*ROWS, "seal")}
    try:
        with closing(sqlite3.connect(":memory:")) as db:
            db.deserialize(image[:18] + b"\1\1" + image[20:])
            db.execute("PRAGMA writable_schema = ON")
            found = {name.decode("utf-8", "replace"): root for name, root in db.execute(
                "SELECT CAST(name AS BLOB), rootpage FROM sqlite_master WHERE type = 'table' "
                "AND rootpage > 1 LIMIT 100") if isinstance(root, int)}
    except sqlite3.Error:
        return usual
    known = {name: root for name, root in found.items() if name in usual}
    return known if known.keys() >= ROWS.keys() else usual | known

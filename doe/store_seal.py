"""Checksums of the rows of a study file, kept beside them so that any change of them is found.

What one change adds to the file is an entry, and has a row in the table ``seal``, with a column
for each table. Where the entry added rows to that table, the column holds, little-endian, the
number of the first of them (8 bytes) and the CRC-32 of each (4 bytes each). Of the tables
``plan_run`` and ``plan_setting`` it holds the version of the plan and one CRC-32 of all its rows.

The CRC-32 (of zlib) is that of the row's whole numbers and texts, joined by ``|`` in the order in
which `ROWS` names them, followed by the number that was measured or set, as 8 bytes of IEEE 754.
It finds every change of up to 32 bits in a row. It guards against accidents, not against people.
"""

from __future__ import annotations

import sqlite3
import struct
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from functools import cached_property, wraps
from itertools import zip_longest
from typing import TypeVar
from zlib import crc32

import numpy as np

__all__ = ["ROWS", "Hurt", "Kept", "compare", "differences", "expected", "seal_all",
           "sealed"]

_HEAD, _ONE, _REAL = struct.Struct("<q"), struct.Struct("<qI"), struct.Struct("<d")
_NONE = "char(30)"  # in the place of a text that is not there: no text of ours is this one

Returned = TypeVar("Returned")


@dataclass(frozen=True)
class Kept:
    """How the rows of a table are told apart and summed.

    ``key`` numbers them from 1; where it is the version of a plan, many rows share one number
    and one checksum.
    """

    name: str
    key: str
    whole: tuple[str, ...]
    words: tuple[str, ...] = ()
    texts: tuple[str, ...] = ()
    real: str = ""
    many: bool = False

    @cached_property
    def said(self) -> str:
        """The whole numbers and texts of a row, as one text."""
        # printf is quick, but stops at a NUL, which a text that was typed may hold.
        form = "|".join(["%d"] * len(self.whole) + ["%s"] * len(self.words))
        said = f"printf('{form}', {', '.join((*self.whole, *self.words))})"
        said += "".join(f"||'|'||{text}" for text in self.texts)
        return f"coalesce(CAST({said} AS BLOB), x'')"

    @cached_property
    def _query(self) -> str:
        columns = ", ".join(filter(None, (self.key, self.said, self.real)))
        return (f"SELECT {columns} FROM {self.name} WHERE {self.key} > ? AND {self.key} <= ? "
                f"ORDER BY {self.key}")

    def sums(self, db: sqlite3.Connection, after: int = -2**63, until: int = 2**63 - 1
             ) -> dict[int, int]:
        """Checksums by number, in order of the numbers greater than `after`, up to `until`."""
        if self.many:
            return self._sums_of_many(db, after)
        rows = db.execute(self._query, (after, until))
        if self.real:
            return {key: _sum(said, real) for key, said, real in rows}
        return {key: crc32(said) for key, said in rows}

    def _sums_of_many(self, db: sqlite3.Connection, after: int) -> dict[int, int]:
        """One checksum of all rows of each number, in the order in which they were added."""
        out = {}
        for key, *ends in db.execute(
                f"SELECT {self.key}, min(rowid), max(rowid) FROM {self.name} WHERE {self.key} > ? "
                f"GROUP BY {self.key}", (after,)).fetchall():
            rows = f"FROM {self.name} WHERE rowid BETWEEN ? AND ? AND +{self.key} = ?"
            (said,) = db.execute(f"SELECT CAST(group_concat(said, '|') AS BLOB) FROM (SELECT "
                                 f"{self.said} AS said {rows} ORDER BY rowid)",
                                 (*ends, key)).fetchone()
            reals = [real for (real,) in db.execute(
                f"SELECT coalesce({self.real}, 0.0) {rows} ORDER BY rowid", (*ends, key))
                ] if self.real else []
            out[key] = crc32(np.array(reals, "<f8").tobytes(), crc32(said))
        return out


def _sum(said: bytes, real: object) -> int:
    if real is None:
        return crc32(said)
    # Where no number stands in the place of one, the row is not as it was entered.
    return crc32(_REAL.pack(real) if isinstance(real, float) else b"no number", crc32(said))


_ENTRY = ("entered_at",), ("author", "reason")
_BY_RUN = ("id", "run", "attempt")

ROWS = {kept.name: kept for kept in (
    Kept("brief", "version", ("version",), _ENTRY[0], ("document", *_ENTRY[1])),
    Kept("plan", "version", ("version",), _ENTRY[0], ("document", *_ENTRY[1])),
    Kept("plan_run", "plan_version", ("plan_version", "run", "standard", "block"),
         ("coalesce(whole_plot, '')", "point"), many=True),
    Kept("plan_setting", "plan_version", ("plan_version", "run"),
         ("factor", f"coalesce(level, {_NONE})", "unit"), real="value", many=True),
    Kept("attempt", "id", _BY_RUN),
    Kept("attempt_state", "id", _BY_RUN, ("status", "recorded_at", *_ENTRY[0]),
         ("operator", "remark", *_ENTRY[1])),
    Kept("setting", "id", _BY_RUN, ("factor", *_ENTRY[0]),
         (f"coalesce(level, {_NONE})", "unit", *_ENTRY[1]), "value"),
    Kept("measurement", "id", _BY_RUN, ("response", "qualifier", *_ENTRY[0]),
         ("unit", *_ENTRY[1]), "value"),
    Kept("trail", "id", _BY_RUN, ("at", "kind"), ("who", "what", "before", "after", "reason")),
)}
"""The tables that are sealed, in the order in which their rows refer to each other."""


# ---- writing


def sealed(*names: str) -> Callable[[Callable[..., Returned]], Callable[..., Returned]]:
    """Seal what a function adds to these tables; its first argument is the connection."""
    tables = [ROWS[name] for name in names]
    last_numbers = "SELECT " + ", ".join(
        f"(SELECT coalesce(max({kept.key}), 0) FROM {kept.name})" for kept in tables)

    def seal(add: Callable[..., Returned]) -> Callable[..., Returned]:
        @wraps(add)
        def adding(db: sqlite3.Connection, *args: object, **kwargs: object) -> Returned:
            before = db.execute(last_numbers).fetchone()
            done = add(db, *args, **kwargs)
            _keep(db, {kept.name: kept.sums(db, last)
                       for kept, last in zip(tables, before, strict=True)})
            return done
        return adding
    return seal


def seal_all(db: sqlite3.Connection) -> None:
    """Seal every row that has no seal."""
    sums = {}
    for name, kept in ROWS.items():
        said = _said(db, name)
        sums[name] = {key: total for key, total in kept.sums(db).items() if key not in said}
    _keep(db, sums)


def _keep(db: sqlite3.Connection, sums: dict[str, dict[int, int]]) -> None:
    """Rows of the seal: one, but for tables whose numbers have gaps."""
    packed = {name: [_HEAD.pack(first) + struct.pack(f"<{len(group)}I", *group)
                     for first, group in _groups(found)] for name, found in sums.items()}
    for row in zip_longest(*packed.values()):
        filled = {name: blob for name, blob in zip(packed, row, strict=True) if blob}
        db.execute(f"INSERT INTO seal ({', '.join(filled)}) "
                   f"VALUES ({', '.join('?' * len(filled))})", list(filled.values()))


def _groups(sums: dict[int, int]) -> Iterator[tuple[int, list[int]]]:
    """Checksums of rows whose numbers follow each other, with the first number."""
    first, group = 0, []
    for key, total in sums.items():
        if group and key != first + len(group):
            yield first, group
            group = []
        first = first if group else key
        group.append(total)
    if group:
        yield first, group


# ---- comparing


@dataclass(frozen=True)
class Hurt:
    """A row that is not as it was entered: changed, missing, added or unreadable."""

    table: str
    key: int
    how: str


def expected(blobs: Iterable[object]) -> dict[int, int]:
    """Checksums by number, as seals say; what is no seal says nothing."""
    out: dict[int, int] = {}
    for blob in blobs:
        size = len(blob) if isinstance(blob, bytes) else 0
        if size == 12:  # the usual one, a single row
            key, total = _ONE.unpack(blob)
            out[key] = total
        elif size > 12 and size % 4 == 0:
            (first,) = _HEAD.unpack_from(blob)
            out.update(enumerate(struct.unpack_from(f"<{size // 4 - 2}I", blob, 8), first))
    return out


def compare(db: sqlite3.Connection) -> list[Hurt]:
    """Every row that is not as it was entered."""
    hurt = []
    for name, kept in ROWS.items():
        found, said = kept.sums(db), _said(db, name)
        if found != said:
            hurt += differences(name, found, said)
    return hurt


def _said(db: sqlite3.Connection, name: str) -> dict[int, int]:
    return expected(blob for (blob,) in db.execute(
        f"SELECT {name} FROM seal WHERE {name} IS NOT NULL ORDER BY id"))


def differences(name: str, found: dict[int, int], said: dict[int, int]) -> list[Hurt]:
    """What tells the rows found from those that were sealed."""
    return [Hurt(name, key, "missing" if key not in found else "added" if key not in said
                 else "changed")
            for key in sorted(found.keys() | said.keys()) if found.get(key) != said.get(key)]

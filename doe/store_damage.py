"""What of a damaged study file no longer holds, row by row and in words."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import dataclass

from doe.store_seal import ROWS, Hurt, Kept, differences, expected

__all__ = ["Survey", "name_of", "places", "run_of", "survey"]

_LEAST_ROW = 16
"""Of the tables that are looked through row by row, bytes."""

_GREATEST = 2**31
"""No run has a greater number."""

_PARTS = {"attempt": "its number", "attempt_state": "status, time, operator or remark",
          "setting": "an achieved setting", "measurement": "a reading"}
_NAMED = {"setting": "factor", "measurement": "response"}


@dataclass(frozen=True)
class Survey:
    """What is left of a study file.

    Parameters
    ----------
    hurt : tuple of Hurt
        Rows that are not as they were entered.
    good : dict of str to set of int
        Numbers of the rows that hold, by table.
    lines : dict of (str, int) to int
        By table and number of a row: the line of the trail of the entry it came with, where that
        has but one.
    """

    hurt: tuple[Hurt, ...]
    good: dict[str, set[int]]
    lines: dict[tuple[str, int], int]


def survey(db: sqlite3.Connection, *, sealed: bool) -> Survey:
    """Look at every row by itself where need be: a bad page costs only what was on it.

    Parameters
    ----------
    db : connection
    sealed : bool
        False for a file without checksums: what can be read of it holds.
    """
    hurt: list[Hurt] = []
    good, lines = {}, {}
    seals = _seals(db) if sealed else []
    for place, (name, kept) in enumerate(ROWS.items()):
        said = {}
        for seal in seals:
            keys, entry = expected([seal[place]]), expected([seal[-1]])
            said |= keys
            if len(entry) == 1:
                lines |= {(name, key): next(iter(entry)) for key in keys}
        found, unreadable = _read(db, kept, list(said) if sealed else None)
        hurt += [Hurt(name, key, "unreadable") for key in unreadable]
        if sealed:
            hurt += [h for h in differences(name, found, said) if h.key not in unreadable]
        good[name] = {key for key, total in found.items()
                      if not sealed or said.get(key) == total}
    return Survey(tuple(hurt), good, lines)


def _read(db: sqlite3.Connection, kept: Kept, keys: Iterable[int] | None
          ) -> tuple[dict[int, int], list[int]]:
    """Checksums of the rows that can be read, and the numbers of those that cannot."""
    try:
        return kept.sums(db), []
    except sqlite3.DatabaseError as error:
        _only_damage(error)
    found, unreadable = {}, []
    for key in range(1, _last(db, kept.name, kept.key) + 1) if keys is None else keys:
        try:
            if kept.many:
                raise sqlite3.DatabaseError
            found |= kept.sums(db, key - 1, key)
        except sqlite3.DatabaseError as error:
            _only_damage(error)
            unreadable.append(key)
    return found, unreadable


def _seals(db: sqlite3.Connection) -> list[tuple]:
    """The rows of the seal that can be read."""
    query = f"SELECT {', '.join(ROWS)} FROM seal "
    try:
        return db.execute(query + "ORDER BY id").fetchall()
    except sqlite3.DatabaseError as error:
        _only_damage(error)
    out = []
    for key in range(1, _last(db, "seal", "id") + 1):
        try:
            out += db.execute(query + "WHERE id = ?", (key,)).fetchall()
        except sqlite3.DatabaseError as error:
            _only_damage(error)
    return out


def _last(db: sqlite3.Connection, name: str, key: str) -> int:
    """The last number there can be: that of the last row, or as many as the file has room for."""
    room = 1
    for pragma in ("page_count", "page_size"):
        room *= db.execute(f"PRAGMA {pragma}").fetchone()[0]
    try:
        (last,) = db.execute(f"SELECT max({key}) FROM {name}").fetchone()
    except sqlite3.DatabaseError as error:
        _only_damage(error)
        last = None
    return room // _LEAST_ROW if last is None else min(last, room // _LEAST_ROW)


def _only_damage(error: sqlite3.DatabaseError) -> None:
    """A disk that does not answer is another matter."""
    code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_CORRUPT)
    if code & 0xFF not in (sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_ERROR):
        raise error


# ---- in words


def places(db: sqlite3.Connection, found: Survey) -> list[str]:
    """What no longer holds, each place once: ``"run 3 (voids)"``, ``"the brief"``."""
    return list(dict.fromkeys(_place(db, found, hurt) for hurt in found.hurt))


def _place(db: sqlite3.Connection, found: Survey, hurt: Hurt) -> str:
    if hurt.table in ("brief", "plan"):
        later = any(key > hurt.key for key in found.good[hurt.table])
        return f"version {hurt.key} of the {hurt.table}" if later else f"the {hurt.table}"
    if hurt.table in ("plan_run", "plan_setting"):
        return "the table of the plan's runs"
    if hurt.table == "trail":
        return f"line {hurt.key} of the trail"
    run, attempt = run_of(db, found, hurt)
    where = f"run {run}" if run else "a run that cannot be told"
    part = name_of(db, hurt) or _PARTS[hurt.table]
    return f"{where}{f', attempt {attempt}' if attempt > 1 else ''} ({part})"


def run_of(db: sqlite3.Connection, found: Survey, hurt: Hurt) -> tuple[int, int]:
    """Run and attempt that a row belongs to; zeros if that cannot be told."""
    line = found.lines.get((hurt.table, hurt.key))
    source = ("trail", line) if line in found.good["trail"] else (hurt.table, hurt.key)
    row = _row(db, "run, attempt", *source)
    if row and all(isinstance(n, int) and 0 < n < _GREATEST for n in row):
        return row
    return 0, 0


def name_of(db: sqlite3.Connection, hurt: Hurt) -> str:
    """The response or factor of a row, as far as it can be told."""
    column = _NAMED.get(hurt.table)
    row = column and _row(db, f"CAST({column} AS BLOB)", hurt.table, hurt.key)
    name = row[0].decode("utf-8", "replace") if row and isinstance(row[0], bytes) else ""
    return name if name.isidentifier() else ""


def _row(db: sqlite3.Connection, columns: str, table: str, key: int) -> tuple | None:
    try:
        return db.execute(f"SELECT {columns} FROM {table} WHERE id = ?", (key,)).fetchone()
    except sqlite3.DatabaseError as error:
        _only_damage(error)
        return None

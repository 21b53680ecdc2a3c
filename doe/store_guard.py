"""A connection that a crafted file can neither keep busy for ever nor lead astray."""

from __future__ import annotations

import sqlite3

__all__ = ["guard"]

_LIMITS = {
    sqlite3.SQLITE_LIMIT_LENGTH: 2**28,
    sqlite3.SQLITE_LIMIT_SQL_LENGTH: 10**6,
    sqlite3.SQLITE_LIMIT_EXPR_DEPTH: 100,
    sqlite3.SQLITE_LIMIT_COMPOUND_SELECT: 10,
    sqlite3.SQLITE_LIMIT_VDBE_OP: 10**6,
    sqlite3.SQLITE_LIMIT_ATTACHED: 0,
    sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH: 2,
}
_INSTRUCTIONS = 10_000
"""Of SQLite's, between two calls of a progress handler; a few milliseconds."""
_CALLS = 200
"""For the list of tables, which in a study takes less than one."""


class _Budget:
    """A progress handler that stops what takes too long."""

    left = _CALLS

    def __call__(self) -> bool:
        self.left -= 1
        return self.left < 0


def guard(db: sqlite3.Connection) -> None:
    """Set what must be set before a file of unknown origin is asked anything, and load its
    list of tables.

    The pragma ``trusted_schema`` stays on: without it SQLite 3.40 refuses ``json_valid``
    in the checks of our own tables. What it would keep out is refused by comparing the list.

    Raises
    ------
    sqlite3.DatabaseError
        If there is no end to that list.
    """
    for limit, most in _LIMITS.items():
        db.setlimit(limit, most)
    budget = _Budget()
    db.set_progress_handler(budget, _INSTRUCTIONS)
    db.execute("PRAGMA cell_size_check = ON")
    try:
        db.execute("SELECT 1 FROM sqlite_master").fetchone()
    except sqlite3.OperationalError:
        if budget.left >= 0:
            raise
        endless = sqlite3.DatabaseError("the list of tables has no end")
        endless.sqlite_errorcode = sqlite3.SQLITE_NOTADB
        raise endless from None
    # A handler that lets everything pass lets an interrupt from the keyboard through as well.
    db.set_progress_handler(lambda: False, _INSTRUCTIONS)

"""Tables of a study file, which any SQLite client can read.

Rows are only ever added; what is current is a view on them.

======================  ==================================================================
``results``             view: one row an attempt, one column a factor or response
``measurement``         every reading ever entered; NULL withdraws the one before
``setting``             achieved settings, likewise
``attempt_state``       planned, done or void, with time, operator, remark and reason
``current_...``         views: the rows of these three that count
``plan_run``            runs of every version of the plan; ``plan_setting`` their settings
``brief``, ``plan``     every version as a JSON document
``trail``               who changed what, when and why
``seal``                checksums of all these rows; see `doe.store_seal`
======================  ==================================================================
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from contextlib import closing
from functools import cache

__all__ = ["APPLICATION_ID", "SCHEMA", "SCHEMA_VERSION", "UPGRADE", "columns", "objects",
           "results_view"]

APPLICATION_ID = 0x63757073
"""Marks an SQLite database as a study file ("cups" in ASCII)."""

SCHEMA_VERSION = 2
"""1: as the first release wrote it; 2: with the table ``seal``."""

# STRICT tables (SQLite 3.37) keep a text out of a numeric column whoever writes it.
_STRICT = " STRICT" if sqlite3.sqlite_version_info >= (3, 37) else ""

_ENTRY = "entered_at TEXT NOT NULL, author TEXT NOT NULL, reason TEXT NOT NULL"
_ATTEMPT = "FOREIGN KEY (run, attempt) REFERENCES attempt (run, attempt)"

_TABLES = {
    # name: (columns, key)
    "brief": (f"version INTEGER PRIMARY KEY, "
              f"document TEXT NOT NULL CHECK (json_valid(document)), {_ENTRY}", ["version"]),
    "plan": (f"version INTEGER PRIMARY KEY, "
             f"document TEXT NOT NULL CHECK (json_valid(document)), {_ENTRY}", ["version"]),
    "plan_run": ("plan_version INTEGER NOT NULL REFERENCES plan (version), "
                 "run INTEGER NOT NULL CHECK (run > 0), standard INTEGER NOT NULL, "
                 "block INTEGER NOT NULL, whole_plot INTEGER, point TEXT NOT NULL, "
                 "PRIMARY KEY (plan_version, run)", ["plan_version", "run"]),
    "plan_setting": ("plan_version INTEGER NOT NULL, run INTEGER NOT NULL, "
                     "factor TEXT NOT NULL, value REAL, level TEXT, unit TEXT NOT NULL, "
                     "PRIMARY KEY (plan_version, run, factor), "
                     "FOREIGN KEY (plan_version, run) REFERENCES plan_run (plan_version, run), "
                     "CHECK ((value IS NULL) <> (level IS NULL))",
                     ["plan_version", "run", "factor"]),
    "attempt": ("id INTEGER PRIMARY KEY, run INTEGER NOT NULL CHECK (run > 0), "
                "attempt INTEGER NOT NULL CHECK (attempt > 0), UNIQUE (run, attempt)",
                ["run", "attempt"]),
    "attempt_state": ("id INTEGER PRIMARY KEY, run INTEGER NOT NULL, attempt INTEGER NOT NULL, "
                      "status TEXT NOT NULL CHECK (status IN ('planned', 'done', 'void')), "
                      "recorded_at TEXT NOT NULL, operator TEXT NOT NULL, remark TEXT NOT NULL, "
                      f"{_ENTRY}, {_ATTEMPT}", ["id"]),
    "setting": ("id INTEGER PRIMARY KEY, run INTEGER NOT NULL, attempt INTEGER NOT NULL, "
                "factor TEXT NOT NULL, value REAL, level TEXT, unit TEXT NOT NULL, "
                f"{_ENTRY}, {_ATTEMPT}, CHECK (value IS NULL OR level IS NULL)", ["id"]),
    "measurement": ("id INTEGER PRIMARY KEY, run INTEGER NOT NULL, attempt INTEGER NOT NULL, "
                    "response TEXT NOT NULL, value REAL, "
                    "qualifier TEXT NOT NULL CHECK (qualifier IN ('', '<', '>')), "
                    f"unit TEXT NOT NULL, {_ENTRY}, {_ATTEMPT}", ["id"]),
    "trail": ("id INTEGER PRIMARY KEY, at TEXT NOT NULL, who TEXT NOT NULL, what TEXT NOT NULL, "
              "before TEXT NOT NULL, after TEXT NOT NULL, reason TEXT NOT NULL, "
              "kind TEXT NOT NULL, run INTEGER NOT NULL, attempt INTEGER NOT NULL", ["id"]),
}

# A column a table, its name the table's: all of them may have got rows in one entry.
_SEAL = ("id INTEGER PRIMARY KEY, " + ", ".join(f"{name} BLOB" for name in _TABLES), ["id"])

# In an aggregate with max(), SQLite takes the bare columns from the row of the maximum.
_VIEWS = {
    "current_state": "SELECT run, attempt, status, recorded_at, operator, remark, reason, "
                     "max(id) AS id FROM attempt_state GROUP BY run, attempt",
    "current_setting": "SELECT run, attempt, factor, value, level, unit, max(id) AS id "
                       "FROM setting GROUP BY run, attempt, factor",
    "current_measurement": "SELECT run, attempt, response, value, qualifier, unit, max(id) AS id "
                           "FROM measurement GROUP BY run, attempt, response",
}


def _guards(table: str, key: list[str]) -> Iterable[str]:
    refuse = "BEGIN SELECT RAISE(ABORT, 'rows of a study file are never changed or deleted; " \
             "enter a correction'); END"
    for event in ("UPDATE", "DELETE"):
        yield (f"CREATE TRIGGER {table}_no_{event.lower()} BEFORE {event} ON {table} {refuse}")
    # INSERT OR REPLACE deletes without firing the trigger above.
    same = " AND ".join(f"{k} = NEW.{k}" for k in key)
    same += " OR id = NEW.id" if table == "attempt" else ""
    yield (f"CREATE TRIGGER {table}_no_replace BEFORE INSERT ON {table} "
           f"WHEN EXISTS (SELECT 1 FROM {table} WHERE {same}) {refuse}")


def _table(name: str, columns: str, key: list[str], strict: str) -> Iterable[str]:
    yield f"CREATE TABLE {name} ({columns}){strict}"
    yield from _guards(name, key)


def _statements(version: int, strict: str) -> Iterable[str]:
    for name, (columns, key) in _TABLES.items():
        yield from _table(name, columns, key, strict)
    yield "CREATE INDEX attempt_state_current ON attempt_state (run, attempt)"
    yield "CREATE INDEX setting_current ON setting (run, attempt, factor)"
    yield "CREATE INDEX measurement_current ON measurement (run, attempt, response)"
    for name, query in _VIEWS.items():
        yield f"CREATE VIEW {name} AS {query}"
    if version > 1:
        yield from _table("seal", *_SEAL, strict)


SCHEMA = tuple(_statements(SCHEMA_VERSION, _STRICT))

UPGRADE = tuple(_table("seal", *_SEAL, _STRICT))
"""What version 1 lacks."""


@cache
def objects(version: int, strict: bool = bool(_STRICT)) -> dict[str, tuple[str, str, str, int]]:
    """What the schema of a study file holds besides the view ``results``.

    Parameters
    ----------
    version : int
    strict : bool
        False for files that were made with an SQLite older than 3.37.

    Returns
    -------
    dict
        By name: type, table, statement and first page in a new file.
    """
    with closing(sqlite3.connect(":memory:")) as db:
        for statement in _statements(version, " STRICT" if strict else ""):
            db.execute(statement)
        return {name: tuple(rest) for name, *rest in db.execute(
            "SELECT name, type, tbl_name, sql, rootpage FROM sqlite_master")}


@cache
def columns(name: str) -> dict[str, str]:
    """Names and types of the columns of a table, in order; the type of its number says so."""
    with closing(sqlite3.connect(":memory:")) as db:
        for statement in SCHEMA:
            db.execute(statement)
        numbers = db.execute(f"PRAGMA table_info({name})").fetchall()
    alone = sum(bool(row[5]) for row in numbers) == 1
    return {row[1]: row[2] + " PRIMARY KEY" * (alone and bool(row[5])) for row in numbers}


def results_view(factors: Iterable[str], responses: Iterable[str]) -> tuple[str, str]:
    """Statements that make the view ``results``: a row an attempt, a column each name.

    The names are identifiers and differ in more than case (`Brief` sees to both), so they
    can stand in SQL in double quotes. Runs not yet tried are there with status "planned".
    """
    settings = ", ".join(
        f"coalesce((SELECT coalesce(c.value, c.level) FROM current_setting c WHERE c.run = p.run "
        f"AND c.attempt = s.attempt AND c.factor = '{name}'), (SELECT coalesce(q.value, q.level) "
        f"FROM plan_setting q WHERE q.plan_version = p.plan_version AND q.run = p.run "
        f"AND q.factor = '{name}')) AS \"{name}\"" for name in factors)
    measured = ", ".join(
        f"(SELECT m.value FROM current_measurement m WHERE m.run = p.run "
        f"AND m.attempt = s.attempt AND m.response = '{name}') AS \"{name}\""
        for name in responses)
    return ("DROP VIEW IF EXISTS results",
            "CREATE VIEW results AS SELECT p.run, coalesce(s.attempt, 1) AS attempt, "
            "coalesce(s.status, 'planned') AS status, p.block, p.point, p.standard, "
            f"{settings}, {measured}, s.recorded_at, s.operator, s.remark, s.reason "
            "FROM plan_run p LEFT JOIN current_state s ON s.run = p.run "
            "WHERE p.plan_version = (SELECT max(version) FROM plan) ORDER BY p.run, s.attempt")

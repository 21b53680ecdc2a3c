"""Rows of a study file: attempts, documents and the trail, read and added."""

from __future__ import annotations

import getpass
import json
import sqlite3
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.brief import Brief
from doe.records import Record, as_time
from doe.study import TRAIL_COLUMNS

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["add_attempt", "add_document", "add_plan", "changes", "document", "history",
           "records", "trail"]

_STATE_WORDS = {"time": "run at", "operator": "by", "remark": "remark:"}


# ---- reading


def records(db: sqlite3.Connection, run: int | None = None) -> list[Record]:
    """Attempts as they stand, of one run or all, in the order of their first entry."""
    where, given = ("", ()) if run is None else ("WHERE run = ?", (run,))
    settings: dict[tuple, dict] = {}
    for r, a, name, value, level in db.execute(
            f"SELECT run, attempt, factor, value, level FROM current_setting {where} "
            "ORDER BY id", given):
        if value is not None or level is not None:
            settings.setdefault((r, a), {})[name] = level if value is None else value
    readings: dict[tuple, dict] = {}
    marks: dict[tuple, dict] = {}
    for r, a, name, value, mark in db.execute(
            f"SELECT run, attempt, response, value, qualifier FROM current_measurement {where} "
            "ORDER BY id", given):
        if value is not None:
            readings.setdefault((r, a), {})[name] = value
            if mark:
                marks.setdefault((r, a), {})[name] = mark
    return [Record(r, a, status, settings.get((r, a), {}), readings.get((r, a), {}), at,
                   operator, remark, marks.get((r, a), {}), reason)
            for r, a, status, at, operator, remark, reason in db.execute(
                "SELECT run, attempt, status, recorded_at, operator, remark, reason "
                "FROM current_state s JOIN attempt a USING (run, attempt) "
                f"{where} ORDER BY a.id", given)]


def trail(db: sqlite3.Connection) -> pd.DataFrame:
    """Every change, oldest first."""
    return pd.DataFrame(db.execute(
        "SELECT at, who, what, before, after, reason, kind, run, attempt FROM trail "
        "ORDER BY id").fetchall(), columns=list(TRAIL_COLUMNS))


def history(db: sqlite3.Connection, run: int | None, response: str | None) -> pd.DataFrame:
    """Every value ever entered for the measurements asked for, oldest first."""
    columns = ["run", "attempt", "response", "value", "qualifier", "unit", "entered_at",
               "author", "reason"]
    rows = db.execute(
        f"SELECT {', '.join(columns)} FROM measurement WHERE (?1 IS NULL OR run = ?1) "
        "AND (?2 IS NULL OR response = ?2) ORDER BY id", (run, response)).fetchall()
    return pd.DataFrame(rows, columns=columns).astype({"value": float})


def document(db: sqlite3.Connection, table: str, version: int | None) -> Any:
    """Plain data of one version of the brief or plan; None if there is none."""
    row = db.execute(f"SELECT document FROM {table} WHERE version = ?", (version,)).fetchone()
    return None if row is None else json.loads(row[0])


# ---- adding


def add_document(db: sqlite3.Connection, table: str, value: Brief | Plan, before: str,
                 after: str, *, kind: str, author: str, reason: str) -> int:
    """A further version of the brief or plan, and its line in the trail."""
    now, who = as_time("time", None), _who(author)
    (version,) = db.execute(f"SELECT coalesce(max(version), 0) + 1 FROM {table}").fetchone()
    text = json.dumps(value.to_plain(), ensure_ascii=False, allow_nan=False)
    db.execute(f"INSERT INTO {table} (version, document, entered_at, author, reason) "
               "VALUES (?, ?, ?, ?, ?)", (version, text, now, who, reason))
    _add_trail(db, now, who, table, before, after, reason, kind, 0, 0)
    return version


def add_plan(db: sqlite3.Connection, version: int, plan: Plan, units: Mapping) -> None:
    """The runs of a version of the plan and their settings, as rows for any reader."""
    runs = plan.runs.to_dict("records")
    db.executemany(
        "INSERT INTO plan_run (plan_version, run, standard, block, whole_plot, point) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [(version, r["run"], r["standard"], r["block"], r.get("whole_plot"), r["point"])
         for r in runs])
    db.executemany(
        "INSERT INTO plan_setting (plan_version, run, factor, value, level, unit) "
        "VALUES (?, ?, ?, ?, ?, ?)",
        [(version, r["run"], name, *_number_or_level(r[name]), units[name])
         for r in runs for name in plan.region.names])


def add_attempt(db: sqlite3.Connection, old: Record | None, new: Record, *, kind: str,
                author: str, reason: str, units: Mapping) -> Record:
    """What distinguishes `new` from `old`, and a line in the trail that says so."""
    if new == old:
        return new
    now, who = as_time("time", None), _who(author)
    key = (new.run, new.attempt)
    if old is None:
        db.execute("INSERT INTO attempt (run, attempt) VALUES (?, ?)", key)
    before = old or Record(new.run, new.attempt, "planned")
    if old is None or _state(old) != _state(new):
        db.execute(
            "INSERT INTO attempt_state (run, attempt, status, recorded_at, operator, remark, "
            "reason, entered_at, author) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (*key, *_state(new).values(), now, who))
    settings = _differences(before.settings, new.settings)
    db.executemany(
        "INSERT INTO setting (run, attempt, factor, value, level, unit, entered_at, author, "
        "reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(*key, name, *_number_or_level(new.settings.get(name)), units[name], now, who, reason)
         for name in settings])
    readings = _differences(_marked(before), _marked(new))
    db.executemany(
        "INSERT INTO measurement (run, attempt, response, value, qualifier, unit, entered_at, "
        "author, reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(*key, name, new.measurements.get(name), new.qualifiers.get(name, ""), units[name], now,
          who, reason) for name in readings])
    said = [_in_words(r, settings, readings, units, before if r is new else new)
            for r in (before, new)]
    _add_trail(db, now, who, new.where, "" if old is None else said[0], said[1], reason, kind,
               *key)
    return new


def _add_trail(db: sqlite3.Connection, *row: object) -> None:
    db.execute("INSERT INTO trail (at, who, what, before, after, reason, kind, run, attempt) "
               "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)


def _who(author: str) -> str:
    """The author, else the login name, so that no change is anonymous."""
    if author.strip():
        return author
    try:
        return getpass.getuser()
    except (KeyError, OSError):  # no such entry on this computer
        return "unknown"


def _state(record: Record) -> dict[str, str]:
    return {"status": record.status, "time": record.time, "operator": record.operator,
            "remark": record.remark, "reason": record.reason}


def _marked(record: Record) -> dict[str, tuple]:
    return {k: (v, record.qualifiers.get(k, "")) for k, v in record.measurements.items()}


def _differences(before: Mapping, after: Mapping) -> list[str]:
    return [k for k in dict.fromkeys([*after, *before]) if before.get(k) != after.get(k)]


def _number_or_level(value: float | str | None) -> tuple[float | None, str | None]:
    return (None, value) if isinstance(value, str) else (value, None)


def _in_words(record: Record, settings: list[str], readings: list[str], units: Mapping,
              other: Record) -> str:
    """The side of a change that `record` is, as far as it differs from `other`."""
    said = []
    for name, value in _state(record).items():
        if value and value != _state(other)[name] and name != "reason":
            said.append(value if name == "status" else f"{_STATE_WORDS[name]} {value}")
    for names, values in ((settings, record.settings), (readings, record.measurements)):
        for name in names:
            if name in values:
                value = values[name] if isinstance(values[name], str) else f"{values[name]:.15g}"
                mark = record.qualifiers.get(name, "")
                said.append(f"{name} = {mark}{value} {units[name]}".rstrip())
    return ", ".join(said)


def changes(before: Mapping, after: Mapping) -> tuple[str, str]:
    """What differs between two versions of plain data, each side in words."""
    flat = [dict(_flat(side)) for side in (before, after)]
    names = [k for k in dict.fromkeys([*flat[0], *flat[1]])
             if flat[0].get(k) != flat[1].get(k)]
    return tuple("; ".join(f"{k} = {side[k]}" for k in names if k in side) for side in flat)


def _flat(value: Any, name: str = "") -> list[tuple[str, Any]]:
    if isinstance(value, Mapping):
        parts = [(f"{name}.{k}" if name else k, v) for k, v in value.items()]
    elif isinstance(value, list) and value and all(
            isinstance(v, Mapping) and "name" in v for v in value):
        parts = [(f"{name} {v['name']}", v) for v in value]
    else:
        return [(name, value)]
    return [pair for key, part in parts for pair in _flat(part, key)]

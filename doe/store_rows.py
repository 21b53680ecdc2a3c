"""Rows of a study file: attempts, documents and the trail, read and added."""

from __future__ import annotations

import getpass
import json
import sqlite3
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pandas as pd

from doe.brief import Brief
from doe.records import STATUS_WORDS, Record, as_time
from doe.store_seal import sealed
from doe.study import TRAIL_COLUMNS

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["add_attempt", "add_document", "add_plan", "changed_fields", "changes", "document",
           "entries_on", "history", "last_reason", "records", "trail", "who_enters"]

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
        f"SELECT {', '.join(columns)} FROM measurement WHERE (:run IS NULL OR run = :run) "
        "AND (:response IS NULL OR response = :response) ORDER BY id",
        {"run": run, "response": response}).fetchall()
    last: dict[tuple, tuple] = {}
    changes = []
    for r, a, name, value, mark, *_ in rows:
        before = last.get((r, a, name), (None, ""))
        changes.append("withdrawn" if value is None else "entered" if before[0] is None
                       else "confirmed" if before == (value, mark) else "corrected")
        last[r, a, name] = value, mark
    return pd.DataFrame(rows, columns=columns).astype({"value": float}).assign(change=changes)


def entries_on(db: sqlite3.Connection, run: int) -> list[tuple]:
    """The rows of the trail on one run, in the order of `TRAIL_COLUMNS`, oldest first."""
    return db.execute("SELECT at, who, what, before, after, reason, kind, run, attempt FROM trail "
                      "WHERE run = ? ORDER BY id", (run,)).fetchall()


def last_reason(db: sqlite3.Connection, key: tuple[int, int], response: str) -> str:
    """What was said for the reading that counts; empty if there is none."""
    row = db.execute("SELECT reason FROM measurement WHERE run = ? AND attempt = ? AND "
                     "response = ? ORDER BY id DESC LIMIT 1", (*key, response)).fetchone()
    return row[0] if row else ""


def document(db: sqlite3.Connection, table: str, version: int | None) -> Any:
    """Plain data of one version of the brief or plan; None if there is none."""
    row = db.execute(f"SELECT document FROM {table} WHERE version = ?", (version,)).fetchone()
    return None if row is None else json.loads(row[0], parse_constant=_no_number)


def _no_number(name: str) -> None:
    raise ValueError(f"{name} is no number")


# ---- adding


@sealed("brief", "plan", "trail")
def add_document(db: sqlite3.Connection, table: str, value: Brief | Plan, before: str,
                 after: str, *, kind: str, author: str, reason: str) -> int:
    """A further version of the brief or plan, and its line in the trail."""
    now, who = as_time("time", None), who_enters(author)
    (version,) = db.execute(f"SELECT coalesce(max(version), 0) + 1 FROM {table}").fetchone()
    text = json.dumps(value.to_plain(), ensure_ascii=False, allow_nan=False)
    db.execute(f"INSERT INTO {table} (version, document, entered_at, author, reason) "
               "VALUES (?, ?, ?, ?, ?)", (version, text, now, who, reason))
    _add_trail(db, now, who, table, before, after, reason, kind, 0, 0)
    return version


@sealed("plan_run", "plan_setting")
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


@sealed("attempt", "attempt_state", "setting", "measurement", "trail")
def add_attempt(db: sqlite3.Connection, old: Record | None, new: Record, *, kind: str,
                author: str, reason: str, units: Mapping,
                confirmed: Mapping[str, str] | None = None) -> Record:
    """What distinguishes `new` from `old`, and a line in the trail that says so.

    What was `confirmed`, and with what words, stands with the reading and in the trail.
    """
    confirmed = confirmed or {}
    if new == old and not confirmed:
        return new
    now, who = as_time("time", None), who_enters(author)
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
    readings = list(dict.fromkeys([*_differences(_marked(before), _marked(new)), *confirmed]))
    db.executemany(
        "INSERT INTO measurement (run, attempt, response, value, qualifier, unit, entered_at, "
        "author, reason) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
        [(*key, name, new.measurements.get(name), new.qualifiers.get(name, ""), units[name], now,
          who, "; ".join(filter(None, (reason, confirmed.get(name))))) for name in readings])
    gone = [name for name in (*settings, *readings) if not _has(new, name) and _has(before, name)]
    if kind == "correction" and gone == readings and not settings and _state(old) == _state(new):
        kind = "withdrawal"
    said = [_in_words(r, settings, readings, units, before if r is new else new)
            for r in (before, new)]
    said[1] = ", ".join([said[1]] * bool(said[1]) + [
        f"{name} {'as planned' if name in settings else 'withdrawn'}" for name in gone])
    why = "; ".join(filter(None, (reason, *(f"{k} confirmed: {v}" for k, v in confirmed.items()))))
    _add_trail(db, now, who, new.where, "" if old is None else said[0], said[1], why, kind, *key)
    return new


def _add_trail(db: sqlite3.Connection, *row: object) -> None:
    db.execute("INSERT INTO trail (at, who, what, before, after, reason, kind, run, attempt) "
               "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)", row)


def who_enters(author: str) -> str:
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


def _has(record: Record, name: str) -> bool:
    return name in record.measurements or name in record.settings


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
            said.append(STATUS_WORDS[value] if name == "status"
                        else f"{_STATE_WORDS[name]} {value}")
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
    names = _differences(*flat)
    return tuple("; ".join(f"{k} = {side[k]}" for k in names if k in side) for side in flat)


def changed_fields(before: Mapping, after: Mapping) -> list[str]:
    """Names of what differs between two versions of plain data."""
    return _differences(*(dict(_flat(side)) for side in (before, after)))


def _flat(value: Any, name: str = "") -> list[tuple[str, Any]]:
    if isinstance(value, Mapping):
        parts = [(f"{name}.{k}" if name else k, v) for k, v in value.items()]
    elif isinstance(value, list) and value and all(
            isinstance(v, Mapping) and "name" in v for v in value):
        parts = [(f"{name} {v['name']}", v) for v in value]
    else:
        return [(name, value)]
    return [pair for key, part in parts for pair in _flat(part, key)]

"""Study files made to mislead, to crash or to hang: refused by name, or sound in all they do."""

from __future__ import annotations

import json
import random
import shutil
import sqlite3
import tempfile
from collections.abc import Callable
from contextlib import closing
from pathlib import Path

from benchmarks.attacks.apart import Apart
from benchmarks.attacks.sample import RESPONSES, all_it_says, sample_study
from doe.errors import InputError
from doe.store import open_study
from doe.store_seal import ROWS, seal_all

__all__ = ["COUNT", "run"]

COUNT = 150

ENDLESS = "WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n) "
COLUMNS = ("run, attempt, response, value, qualifier, unit, entered_at, author, reason, id")


def _instead(name: str, statement: str) -> Callable:
    """Something else under the name of a table, view, index or trigger."""
    def change(db: sqlite3.Connection) -> None:
        (kind,) = db.execute("SELECT type FROM sqlite_master WHERE name = ?", (name,)).fetchone()
        db.execute(f"DROP {kind} {name}")
        db.execute(statement)
    return change


def _rewritten(name: str, before: str, after: str) -> Callable:
    """The statement of a table altered in place, as only `writable_schema` can."""
    def change(db: sqlite3.Connection) -> None:
        db.execute("PRAGMA writable_schema = ON")
        done = db.execute("UPDATE sqlite_master SET sql = replace(sql, ?, ?) WHERE name = ? AND "
                          "instr(sql, ?)", (before, after, name, before))
        assert done.rowcount == 1, (name, before)
    return change


def _also(*statements: str) -> Callable:
    def change(db: sqlite3.Connection) -> None:
        for statement in statements:
            db.execute(statement)
    return change


LAYOUTS: dict[str, Callable] = {
    "endless view for a table": _instead("measurement", (
        f"CREATE VIEW measurement AS {ENDLESS} SELECT i AS id, 1 AS run, 1 AS attempt, 'voids' AS "
        "response, 1.0 AS value, '' AS qualifier, '%' AS unit, '' AS entered_at, '' AS author, '' "
        "AS reason FROM n")),
    "endless view for the state": _instead("current_state", (
        f"CREATE VIEW current_state AS {ENDLESS} SELECT i AS id, 1 AS run, 1 AS attempt, 'done' AS "
        "status, '' AS recorded_at, '' AS operator, '' AS remark, '' AS reason FROM n")),
    "endless view for the trail": _instead("trail", (
        f"CREATE VIEW trail AS {ENDLESS} SELECT i AS id, '' AS at, '' AS who, '' AS what, '' AS "
        "before, '' AS after, '' AS reason, '' AS kind, 0 AS run, 0 AS attempt FROM n")),
    "endless view for the brief": _instead("brief", (
        f"CREATE VIEW brief AS {ENDLESS} SELECT i AS version, '{{}}' AS document, '' AS "
        "entered_at, '' AS author, '' AS reason FROM n")),
    "endless view for the seal": _instead("seal", (
        f"CREATE VIEW seal AS {ENDLESS} SELECT i AS id, " + ", ".join(
            f"NULL AS {name}" for name in ROWS) + " FROM n")),
    "endless view for the results": _instead("results", (
        f"CREATE VIEW results AS {ENDLESS} SELECT i AS run FROM n")),
    "view that shows other readings": _instead("current_measurement", (
        "CREATE VIEW current_measurement AS SELECT run, attempt, response, value / 2 AS value, "
        "qualifier, unit, max(id) AS id FROM measurement GROUP BY run, attempt, response")),
    "results with two columns exchanged": _rewritten(
        "results", f"AS \"{RESPONSES[0]}\"", f"AS \"{RESPONSES[1]}\""),
    "results with a function in them": _rewritten("results", "p.block", "abs(p.block) AS block"),
    "results as a table": _instead("results", "CREATE TABLE results (run, attempt, status)"),
    "no results": _also("DROP VIEW results"),
    "trigger that alters what is entered": _also(
        "DROP TRIGGER measurement_no_update", "CREATE TRIGGER measurement_no_update AFTER INSERT "
        "ON measurement BEGIN UPDATE measurement SET value = value / 2 WHERE id = NEW.id; END"),
    "trigger that adds what was not entered": _also(
        "CREATE TRIGGER more AFTER INSERT ON trail BEGIN INSERT INTO measurement "
        f"({COLUMNS.removesuffix(', id')}) VALUES (1, 1, 'voids', 9, '', '%', '', '', ''); END"),
    "trigger that swallows what is entered": _also(
        "CREATE TRIGGER none BEFORE INSERT ON measurement BEGIN SELECT RAISE(IGNORE); END"),
    "trigger that never ends": _also(
        f"CREATE TRIGGER slow AFTER INSERT ON trail BEGIN SELECT count(*) FROM ({ENDLESS} SELECT i "
        "FROM n); END"),
    "guard that is gone": _also("DROP TRIGGER measurement_no_delete"),
    "guard that lets through": _instead("trail_no_delete", (
        "CREATE TRIGGER trail_no_delete BEFORE DELETE ON trail BEGIN SELECT 1; END")),
    "table more": _also("CREATE TABLE more (a)"),
    "view more": _also("CREATE VIEW more AS SELECT 1"),
    "index more": _also("CREATE INDEX more ON trail (who)"),
    "index on an expression": _also("CREATE INDEX more ON measurement (abs(value))"),
    "index of a part": _also("CREATE INDEX more ON measurement (run) WHERE value > 1"),
    "index that is gone": _also("DROP INDEX measurement_current"),
    "index under another order": _instead("measurement_current", (
        "CREATE INDEX measurement_current ON measurement (run DESC, attempt, response)")),
    "virtual table": _also("CREATE VIRTUAL TABLE more USING fts5(a)"),
    "column more": _also("ALTER TABLE measurement ADD COLUMN more TEXT"),
    "column generated": _also(
        "ALTER TABLE trail ADD COLUMN twice INTEGER AS (run * 2) VIRTUAL"),
    "column renamed": _rewritten(
        "attempt_state", "remark TEXT", "note TEXT"),
    "column with another collation": _rewritten(
        "measurement", "response TEXT NOT NULL", "response TEXT COLLATE NOCASE NOT NULL"),
    "column with another affinity": _rewritten("measurement", "value REAL", "value TEXT"),
    "column of any kind": _rewritten("measurement", "value REAL", "value ANY"),
    "column with a default": _rewritten(
        "attempt_state", "remark TEXT NOT NULL", "remark TEXT DEFAULT 'x' NOT NULL"),
    "column that is generated in place": _rewritten(
        "measurement", "unit TEXT NOT NULL", "unit TEXT AS ('mm') STORED NOT NULL"),
    "check that is gone": _rewritten(
        "measurement", " CHECK (qualifier IN ('', '<', '>'))", ""),
    "check that never ends": _rewritten(
        "trail", "attempt INTEGER NOT NULL", "attempt INTEGER NOT NULL CHECK (attempt < "
        "length(hex(zeroblob(90000000))))"),
    "tables not strict in part": _rewritten("measurement", " STRICT", ""),
    "statement that is none": _rewritten("trail", "CREATE TABLE", "CREATE TABEL"),
    "statement of two million letters": _rewritten("trail", "trail (", "trail (" + " " * 2_000_000),
    "ten thousand views": lambda db: [db.execute(f"CREATE VIEW v{i} AS SELECT {i}")
                                      for i in range(10_000)] and None,
    "view on a view on a view": lambda db: [
        db.execute(f"CREATE VIEW v{i} AS SELECT * FROM {f'v{i - 1}' if i else 'trail'}, trail")
        for i in range(60)] and None,
    "format of the future": _also("PRAGMA user_version = 3"),
    "format that never was": _also("PRAGMA user_version = -1"),
    "first format with a seal": _also("PRAGMA user_version = 1"),
    "second format without a seal": _also("DROP TABLE seal"),
    "mark of another program": _also("PRAGMA application_id = 1"),
}
"""By what is wrong: a change of the layout, which must be refused."""


def _document(table: str, edit: Callable[[dict], object]) -> Callable:
    """A document of the brief or plan changed by `edit`, which may also give another text."""
    def change(db: sqlite3.Connection) -> None:
        version, text = db.execute(
            f"SELECT version, document FROM {table} ORDER BY version DESC LIMIT 1").fetchone()
        plain = json.loads(text)
        other = edit(plain)
        text = other if isinstance(other, str) else json.dumps(plain)
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute(f"UPDATE {table} SET document = ? WHERE version = ?", (text, version))
    return change


def _renamed(plain: dict) -> None:
    plain["responses"][0]["name"] = "voids\" FROM trail; --"


DOCUMENTS: dict[str, Callable] = {
    f"{table} {what}": _document(table, edit) for table in ("brief", "plan") for what, edit in {
        "that is a list": lambda p: "[1, 2, 3]",
        "that is a number": lambda p: "7",
        "that is null": lambda p: "null",
        "that is empty": lambda p: "{}",
        "nested too deeply": lambda p: '{"title": ' + "[" * 100_000 + "]" * 100_000 + "}",
        "nested deeply": lambda p: p.update(notes=json.loads("[" * 900 + "]" * 900)),
        "that is no number": lambda p: json.dumps(p).replace(": 1", ": NaN", 1),
        "that is endless": lambda p: json.dumps(p).replace(": 1", ": 1e999", 1),
        "with a number of 5000 digits": lambda p: json.dumps(p).replace(
            ": 1", ": " + "9" * 5000, 1),
        "with its region a text": lambda p: p.update(region="everywhere"),
        "without a region": lambda p: p.pop("region"),
        "with a factor that is no name": lambda p: p["region"]["factors"][0].update(
            name="a\"; DROP TABLE trail; --"),
        "with a field more": lambda p: p.update(__class__="os.system"),
    }.items()}
DOCUMENTS |= {
    "brief with a response that is no name": _document("brief", _renamed),
    "plan numbered in 10^30": _document("plan", lambda p: p["runs"].update(
        run=[10**30 + i for i in p["runs"]["run"]])),
    "plan numbered in 1e30": _document("plan", lambda p: p["runs"].update(
        run=[1e30 + i for i in p["runs"]["run"]])),
    "plan numbered twice": _document("plan", lambda p: p["runs"].update(
        run=[1 for _ in p["runs"]["run"]])),
    "plan with columns of different lengths": _document("plan", lambda p: p["runs"]["run"].pop()),
    "plan in texts": _document("plan", lambda p: p["runs"].update(
        {k: [str(x) for x in v] for k, v in p["runs"].items()})),
    "plan of a million terms": _document("plan", lambda p: p.update(
        terms=[[p["region"]["factors"][0]["name"]] * 30] * 30_000)),
}


def _row(table: str, column: str, value: object) -> Callable:
    def change(db: sqlite3.Connection) -> None:
        key = ROWS[table].key
        db.execute("PRAGMA ignore_check_constraints = ON")
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {key} = (SELECT max({key}) FROM "
                   f"{table})", (value,))
    return change


ENTRIES: dict[str, Callable] = {
    "reading without an end": _row("measurement", "value", float("inf")),
    "reading of 1e308": _row("measurement", "value", 1e308),
    "reading of a run that is not planned": _row("measurement", "run", 2**62),
    "reading of nothing known": _row("measurement", "response", "__class__"),
    "reading with a qualifier of its own": _row("measurement", "qualifier", "~"),
    "setting without an end": _row("setting", "value", float("-inf")),
    "setting that is a level": _row("setting", "level", "high"),
    "setting of nothing known": _row("setting", "factor", "x" * 10_000),
    "attempt at a run that is not planned": _also(
        "INSERT INTO attempt (run, attempt) VALUES (900, 1)",
        "INSERT INTO attempt_state (run, attempt, status, recorded_at, operator, remark, "
        "entered_at, author, reason) VALUES (900, 1, 'done', '2031-05-17T12:00:00+00:00', '', '', "
        "'', '', '')"),
    "state that there is not": _row("attempt_state", "status", "lost"),
    "time that is none": _row("attempt_state", "recorded_at", "noon"),
    "time in the year 99999": _row("attempt_state", "recorded_at", "99999-01-01T00:00:00+00:00"),
    "remark of control characters": _row("attempt_state", "remark", "\x1b]0;owned\x07\x1b[2J\x00"),
    "line of the trail that cannot be dated": _row("trail", "at", "never"),
    "row numbered below zero": _also("UPDATE measurement SET id = -5 WHERE id = 1"),
    "row numbered at the end of numbers": _also(
        "UPDATE measurement SET id = 9223372036854775807 WHERE id = 1"),
}

MISCHIEF = (None, True, 10**30, -1e308, 1e-320, [], {}, "", "x" * 100_000, "\x1b[31m", [[[]]],
            {"a": {"b": 1}}, -1, 0, "__import__('os')", "\u202e", [None], 0.5)


def _mutation(rng: random.Random) -> Callable:
    """A field somewhere in a document replaced, removed or added."""
    table, value = rng.choice(["brief", "plan"]), rng.choice(MISCHIEF)
    way = rng.choice(["replace", "replace", "replace", "remove", "add"])

    def edit(plain: dict) -> None:
        place = plain
        while True:
            key = (rng.choice(list(place)) if isinstance(place, dict)
                   else rng.randrange(len(place)))
            inner = place[key]
            if not isinstance(inner, (dict, list)) or not inner or rng.random() < 0.2:
                break
            place = inner
        if way == "remove":
            place.pop(key)
        elif way == "add" and isinstance(place, dict):
            place["more"] = value
        else:
            place[key] = value
    return _document(table, edit)


def cases(seed: int, count: int) -> list[tuple[str, bool, Callable]]:
    """Name, whether it must be refused, and the change."""
    rng = random.Random(seed)
    out = [(name, True, change) for name, change in LAYOUTS.items()]
    out += [(name, False, change) for name, change in (DOCUMENTS | ENTRIES).items()]
    rng.shuffle(out)
    out = out[:count]
    return out + [(f"mutation {i}", False, _mutation(rng)) for i in range(count - len(out))]


def craft(path: Path, change: Callable, *, seal: bool) -> None:
    """Change a file behind the back of its guards, which are there again afterwards."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        guards = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        if seal:
            for name, _ in guards:
                db.execute(f"DROP TRIGGER {name}")
        change(db)
        if seal:
            db.execute("DELETE FROM seal")
            seal_all(db)
            for _, statement in guards:
                db.execute(statement)
        db.execute("PRAGMA wal_checkpoint")


def visit(path: Path, read_only: bool) -> str:
    """What a user does with a file that somebody sent; "" if all of it is sound."""
    all_it_says(path)
    with open_study(path, read_only=read_only) as file:
        study = file.read()
        if read_only or not study.pending:
            return ""
        try:
            record = file.record(study.pending[-1], {study.brief.responses[0].name: 3.0})
        except InputError as error:
            return "" if not isinstance(error, TypeError) else str(error)
        with closing(sqlite3.connect(path)) as other:
            found = other.execute("SELECT value FROM measurement WHERE run = ? AND attempt = ? AND "
                                  "response = ?", (record.run, record.attempt,
                                                   study.brief.responses[0].name)).fetchall()
        return "" if found[-1:] == [(3.0,)] else f"acknowledged 3.0, the file holds {found}"


def run(seed: int, count: int) -> list[str]:
    """One line a file that was believed, or that crashed, hung or misled who opened it."""
    failures = []
    with tempfile.TemporaryDirectory() as folder, Apart(visit) as look:
        whole = sample_study(Path(folder) / "whole.study")
        path = Path(folder) / "crafted.study"
        for case, (name, refuse, change) in enumerate(cases(seed, count)):
            for left in path.parent.glob(f"{path.name}*"):
                left.unlink()
            shutil.copy(whole, path)
            craft(path, change, seal=not refuse)
            answer = look(path, case % 2 == 0)
            if answer.kind == "value" and (refuse or answer.value):
                failures.append(f"{name}: {answer.value or 'believed'}")
            elif answer.kind not in ("value", "refused"):
                failures.append(f"{name}: {answer}")
            elif answer.kind == "refused" and not answer.value.startswith("StudyFileError"):
                failures.append(f"{name}: does not name the file: {answer.value}")
    return failures

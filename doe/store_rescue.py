"""Save what can be read of a damaged study file, as a new one; the damaged one stays as it is.

What is saved is what was entered, row by row, with its authors and times. Where a row is lost, an
older one must not pass for it: a reading that was corrected by a lost one is withdrawn, and an
attempt whose status or achieved setting is lost is set aside. The trail of the new file says so.
"""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass, replace
from pathlib import Path

import pandas as pd

from doe.brief import Brief
from doe.errors import InputError
from doe.files import keep_file
from doe.records import as_time
from doe.store_check import check, study_of
from doe.store_damage import Survey, name_of, places, run_of, survey
from doe.store_file import StudyFileError, lay_out, translated, writing
from doe.store_image import lay_open
from doe.store_open import open_to_write
from doe.store_rows import add_plan
from doe.store_schema import columns, results_view
from doe.store_seal import ROWS, Hurt, seal_all
from doe.study import Study
from doe.wording import count

__all__ = ["Rescued", "rescue"]

AUTHOR = "rescue"
"""Who says in the new file what was lost."""

_COPIED = ("brief", "plan", "attempt", "attempt_state", "setting", "measurement", "trail")
_READING = ("run", "attempt", "response", "value", "qualifier", "unit", "entered_at", "author",
            "reason")
_STATUS = {"record": "done", "correction": "done", "withdrawal": "done", "void": "void",
           "repeat": "planned"}
"""How an attempt stands after a line of the trail, by its kind."""


_BLIND = ("checksums: lost, so that the values could not be compared with what was entered; check "
          "them against the run sheets")


@dataclass(frozen=True)
class Rescued:
    """What was saved, and what was not.

    Parameters
    ----------
    path : Path
        The new file.
    saved : int
        Rows of the study in it.
    lost : tuple of str
        What was not saved, one sentence each.
    """

    path: Path
    saved: int
    lost: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """How it went."""
        if not self.lost:
            return f"Every entry was saved to {self.path}."
        return (f"{count(self.saved, 'entry', 'entries')} saved to {self.path}. What could not be "
                "saved as it was, to be checked against the run sheets:")


def rescue(path: str | Path, out: str | Path) -> Rescued:
    """Save what can be read of a study file.

    Parameters
    ----------
    path : str or Path
        The damaged file; it is only read.
    out : str or Path
        The new study, or a ``.csv`` for the readings alone, which needs no brief.

    Raises
    ------
    StudyFileError
        If nothing can be read, or not the brief and plan that a study needs.
    InputError
        If `out` exists or cannot be written.
    """
    path, out = Path(path), Path(out)
    if not path.is_file():
        raise StudyFileError(path, "there is no such file", "Check the path")
    if out.exists():
        raise InputError("--out", str(out), "there is a file of this name already",
                         "Choose another name")
    with translated(path):
        db, sealed = _laid_open(path)
    with closing(db), translated(path):
        found = survey(db, sealed=sealed)
        blind = sealed and not any(found.good.values())
        if blind:  # the checksums themselves are lost
            found = survey(db, sealed=False)
        if not any(found.good.values()):
            raise StudyFileError(path, "nothing in it can be read", "Go back to the last complete "
                                 "copy")
        if out.suffix.lower() == ".csv":
            return _save_readings(db, found, out)
        study = _study(db, found, path)
        try:
            done = _save(db, found, study, path, out)
            return replace(done, lost=(*done.lost, _BLIND)) if blind else done
        except BaseException:
            out.unlink(missing_ok=True)  # half a study must not pass for one
            raise


def _laid_open(path: Path) -> tuple[sqlite3.Connection, bool]:
    try:
        return lay_open(path)
    except OSError as error:
        raise StudyFileError(path, f"it cannot be read ({error.strerror})",
                             "Check the disk") from None


def _study(db: sqlite3.Connection, found: Survey, path: Path) -> Study:
    """Brief and plan as they stood last; an older one would give the runs another meaning."""
    versions = []
    for table in ("brief", "plan"):
        known = found.good[table] | {h.key for h in found.hurt if h.table == table}
        last = max(known, default=None)
        if (last is not None and last not in found.good[table]) or (table == "brief" and not known):
            raise StudyFileError(
                path, f"its {table} cannot be read, so no study can be made of what is left",
                f"{count(len(found.good['measurement']), 'reading')} can be saved as a table: "
                f"python -m doe rescue {path} --out readings.csv")
        versions.append(last)
    return study_of(db, tuple(versions), path)


def _save_readings(db: sqlite3.Connection, found: Survey, out: Path) -> Rescued:
    rows = _rows(db, "measurement", found.good["measurement"], _READING)
    table = pd.DataFrame(rows, columns=list(_READING))
    for name in ("response", "unit", "author", "reason"):  # a spreadsheet would reckon with these
        table[name] = [f"'{text}" if str(text)[:1] in tuple("=+-@\t\r") else text
                       for text in table[name]]
    keep_file(out, table.to_csv(index=False), what="readings", overwrite=False)
    return Rescued(out, len(table), tuple(places(db, found)))


def _save(db: sqlite3.Connection, found: Survey, study: Study, path: Path, out: Path) -> Rescued:
    with translated(out), closing(open_to_write(out, create=True, timeout=10.0)) as new:
        with writing(new):
            lay_out(new, out)
            for table in ("brief", "plan"):
                _copy(db, new, table, found.good[table])
            for version in sorted(found.good["plan"]):
                plan = study_of(db, (max(found.good["brief"]), version), path).plan \
                    if version != max(found.good["plan"]) else study.plan
                add_plan(new, version, plan, {f.name: f.unit for f in plan.region.factors})
            _copy(db, new, "attempt", found.good["attempt"])
            _fill_in_attempts(db, new, found)
            for table in _COPIED[3:]:
                _copy(db, new, table, found.good[table])
            lost = [_repaired(db, new, found, hurt, study.brief) for hurt in found.hurt
                    if hurt.table not in ("plan_run", "plan_setting")]
            new.execute(
                "INSERT INTO trail (at, who, what, before, after, reason, kind, run, attempt) "
                "VALUES (?, ?, 'study', '', ?, ?, 'rescue', 0, 0)",
                (as_time("time", None), AUTHOR, f"saved from {path.name}",
                 "; ".join(dict.fromkeys(lost)) or "the file was damaged"))
            for statement in results_view(study.brief.region.names,
                                          [r.name for r in study.brief.responses]):
                new.execute(statement)
            seal_all(new)
        check(new, out)
    return Rescued(out, sum(len(found.good[t]) for t in _COPIED), tuple(dict.fromkeys(lost)))


def _rows(db: sqlite3.Connection, table: str, keys: set[int], names: tuple[str, ...]
          ) -> Iterator[tuple]:
    query = f"SELECT {', '.join(names)} FROM {table} WHERE {ROWS[table].key} = ?"
    for key in sorted(keys):
        yield db.execute(query, (key,)).fetchone()


def _copy(db: sqlite3.Connection, new: sqlite3.Connection, table: str, keys: set[int]) -> None:
    names = tuple(columns(table))
    new.executemany(f"INSERT INTO {table} ({', '.join(names)}) "
                    f"VALUES ({', '.join('?' * len(names))})", _rows(db, table, keys, names))


def _fill_in_attempts(db: sqlite3.Connection, new: sqlite3.Connection, found: Survey) -> None:
    """An attempt's own row says no more than the rows that belong to it."""
    known = set(new.execute("SELECT run, attempt FROM attempt"))
    lost = {run_of(db, found, hurt): hurt.key for hurt in found.hurt if hurt.table == "attempt"}
    for table in ("attempt_state", "setting", "measurement"):
        for key in _rows(db, table, found.good[table], ("run", "attempt")):
            if key not in known:
                new.execute("INSERT INTO attempt (id, run, attempt) VALUES (?, ?, ?)",
                            (lost.get(key), *key))
                known.add(key)


def _repaired(db: sqlite3.Connection, new: sqlite3.Connection, found: Survey, hurt: Hurt,
              brief: Brief) -> str:
    """Keep what is older than a lost row from passing for it, and say what was lost."""
    (where,) = places(db, replace(found, hurt=(hurt,)))
    if hurt.how == "added":
        return f"{where}: added without a checksum, so left out"
    if hurt.table in ("brief", "plan", "trail"):
        return f"{where}: lost"
    if hurt.table == "attempt":
        return f"{where}: taken from the rows that belong to it"
    key = run_of(db, found, hurt)
    if new.execute("SELECT 1 FROM attempt WHERE run = ? AND attempt = ?", key).fetchone() is None:
        return f"{where}: lost"
    line = _line(db, found, hurt)
    said = f"; the trail says: {line[1]}" if line and line[1] else ""
    name = name_of(db, hurt)
    if hurt.table == "measurement":
        known = [r.name for r in brief.responses]
        names = [name] if name in known else known
        done = [n for n in names if _withdraw(new, key, n, hurt.key, brief)]
        return f"{where}: " + ("lost, and the reading before it withdrawn" if done
                               else "lost") + said
    later = new.execute(
        f"SELECT 1 FROM {hurt.table} WHERE run = ? AND attempt = ? AND id > ?"
        + (" AND factor = ?" if hurt.table == "setting" else ""),
        (*key, hurt.key, *([name] * (hurt.table == "setting")))).fetchone()
    if later:
        return f"{where}: lost, and replaced since{said}"
    status = _STATUS.get(line[0]) if line and hurt.table == "attempt_state" else None
    _set_state(new, hurt.key, key, status or "void", line, f"lost in a damaged file: {where}")
    return where + (": taken from the trail" if status else ": the attempt is set aside") + said


def _line(db: sqlite3.Connection, found: Survey, hurt: Hurt) -> tuple[str, str, str] | None:
    """Kind, words and time of the line of the trail on the entry of a row."""
    line = found.lines.get((hurt.table, hurt.key))
    if line not in found.good["trail"]:
        return None
    return db.execute("SELECT kind, after, at FROM trail WHERE id = ?", (line,)).fetchone()


def _withdraw(new: sqlite3.Connection, key: tuple[int, int], name: str, lost: int,
              brief: Brief) -> bool:
    last = new.execute("SELECT id, value FROM measurement WHERE run = ? AND attempt = ? AND "
                       "response = ? ORDER BY id DESC LIMIT 1", (*key, name)).fetchone()
    if last is None or last[0] > lost or last[1] is None:
        return False
    taken = new.execute("SELECT 1 FROM measurement WHERE id = ?", (lost,)).fetchone()
    new.execute("INSERT INTO measurement (id, run, attempt, response, value, qualifier, unit, "
                "entered_at, author, reason) VALUES (?, ?, ?, ?, NULL, '', ?, ?, ?, ?)",
                (None if taken else lost, *key, name, brief.response(name).unit,
                 as_time("time", None), AUTHOR, "a later reading was lost in a damaged file"))
    return True


def _set_state(new: sqlite3.Connection, lost: int, key: tuple[int, int], status: str,
               line: tuple[str, str, str] | None, reason: str) -> None:
    taken = new.execute("SELECT 1 FROM attempt_state WHERE id = ?", (lost,)).fetchone()
    run_at = re.search(r"run at (\S+?)(?:,|$)", line[1]) if line else None
    at = run_at[1] if run_at else line[2] if line else as_time("time", None)
    remark = f"from the trail of a damaged file: {line[1]}" if line else ""
    new.execute("INSERT INTO attempt_state (id, run, attempt, status, recorded_at, operator, "
                "remark, reason, entered_at, author) VALUES (?, ?, ?, ?, ?, '', ?, ?, ?, ?)",
                (None if taken else lost, *key, status, at, remark, reason,
                 as_time("time", None), AUTHOR))

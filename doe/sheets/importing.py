"""From a filled run sheet into the study file: all of it in one transaction, or nothing."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import pandas as pd

from doe.errors import InputError
from doe.plausible import question
from doe.records import Record, attempt_due
from doe.sheets.layout import Column, shown_remark
from doe.sheets.problems import Problem, SheetError
from doe.sheets.read import Entries, read_entries
from doe.store import StudyFile
from doe.study import Study
from doe.wording import count, join

__all__ = ["Imported", "import_sheet"]

MOST_COMPARED = 200
RESULTS = ("added", "repeated", "set aside", "completed", "corrected", "unchanged")


@dataclass(frozen=True)
class Imported:
    """What an import did.

    Parameters
    ----------
    sheet : str
        Name of the file.
    table : DataFrame
        One row an attempt of the sheet: ``row``, ``run``, ``attempt``, ``result`` (one of
        `RESULTS`).
    deviations : DataFrame
        What did not go as planned in these runs, as `Study.deviations`.
    remarks : tuple of str
        What to know about how the file was read.
    warnings : tuple of str
        Readings that are far from what the other runs make likely; they were taken.
    """

    sheet: str
    table: pd.DataFrame
    deviations: pd.DataFrame
    remarks: tuple[str, ...] = ()
    warnings: tuple[str, ...] = ()

    @property
    def sentence(self) -> str:
        """What the import did, in words."""
        results = self.table["result"].value_counts()
        parts = [f"{results[r]} {r}" for r in RESULTS if r in results]
        said = (f"Sheet '{self.sheet}': {count(len(self.table), 'attempt')}, {join(parts)}."
                if parts else f"Sheet '{self.sheet}': no run is filled in yet.")
        if len(self.deviations):
            said += f" {count(len(self.deviations), 'deviation')} from the plan noted."
        return " ".join([said, *self.remarks])


def import_sheet(path: str | Path, study_file: StudyFile, *, correct: bool = False,
                 reason: str = "", author: str = "", decimal: str | None = None,
                 unmarked: bool = False) -> Imported:
    """Take a filled run sheet, CSV or XLSX, into the study file.

    Importing the same sheet again changes nothing. Readings for a run that is recorded
    already are added; other values than those recorded are refused unless `correct`.

    Parameters
    ----------
    path : str or Path
    study_file : StudyFile
    correct : bool
        Correct what is recorded otherwise; the old values stay in the history.
    reason, author : str
        Why it is corrected, and who says so; `correct` needs a reason.
    decimal, unmarked
        As for `read_sheet`.

    Raises
    ------
    SheetError
        With every problem of the sheet; nothing was imported.
    InputError
        If a correction has no reason.
    """
    if correct and not reason.strip():
        raise InputError("reason", reason, "a correction needs one", "Say in a few words why the "
                         "recorded values were wrong; it is kept with them")
    name = Path(path).name
    with study_file.together():
        study = study_file.read()
        found = read_entries(path, study, decimal=decimal, unmarked=unmarked)
        changes, problems = _compare(found, study, correct)
        if found.problems or problems:
            raise SheetError(name, sorted([*found.problems, *problems],
                                          key=lambda p: p.row or 0))
        rows = [(c.row, c.record.run, _keep(c, study_file, reason, author), c.result)
                for c in changes]
        after = study_file.read()
    table = pd.DataFrame(rows, columns=["row", "run", "attempt", "result"])
    keys = set(zip(table["run"], table["attempt"], strict=True))
    deviations = after.deviations()
    here = [k in keys for k in zip(deviations["run"], deviations["attempt"], strict=True)]
    return Imported(name, table, deviations[here].reset_index(drop=True),
                    found.remarks + _order_remark(changes), _warnings(changes, after))


def _warnings(changes: Sequence[_Change], study: Study) -> tuple[str, ...]:
    """What to look at again among the readings that were new."""
    new = [(c.row, c.record, name) for c in changes for name in c.new_readings]
    out = []
    for response in study.brief.responses:
        known = [(r.run, r.attempt, r.measurements[response.name]) for r in study.done
                 if response.name in r.measurements]
        # Each would be compared with all others: in a long sheet, with every so manieth of them.
        known = known[::1 + len(known) // MOST_COMPARED]
        for row, record, name in new:
            if name != response.name:
                continue
            others = [v for run, attempt, v in known if (run, attempt) != (record.run,
                                                                          record.attempt)]
            said = question(response, record.measurements[name], others,
                            qualifier=record.qualifiers.get(name, ""))
            if said:
                out.append((row, f"Row {row}, {record.where}: {said}. Check it; if it is wrong, "
                                 "correct it with a reason."))
    return tuple(text for _, text in sorted(out))


def _order_remark(changes: Sequence[_Change]) -> tuple[str, ...]:
    untimed = [c.record.run for c in changes
               if c.result == "added" and c.record.attempt == 1 and not c.record.time]
    if untimed == sorted(untimed):
        return ()
    return ("The rows are not in run order; runs without a time are taken to have been made in "
            "the order of the rows.",)


@dataclass(frozen=True)
class _Change:
    """What one row does to the study."""

    row: int
    record: Record
    result: str
    new: Record | None = None
    is_repeat: bool = False
    corrected: dict[str, Any] = field(default_factory=dict)

    @property
    def new_readings(self) -> list[str]:
        """Responses whose readings were not recorded as they are, in an attempt that counts."""
        if self.record.status != "done":
            return []
        kept = self.new.measurements if self.new else {}
        return [*kept, *self.corrected.get("measurements", {})]


def _compare(found: Entries, study: Study, correct: bool) -> tuple[list[_Change], list[Problem]]:
    """What each entry changes, and what stands against it."""
    attempts: dict[int, list[Record]] = {}
    for record in sorted(study.records, key=lambda r: r.attempt):
        attempts.setdefault(record.run, []).append(record)
    columns = {c.key: c for c in found.layout}
    unsettled = set(found.unsettled)
    changes, problems = [], []
    # An attempt set aside comes before the one that replaces it, in whatever order the rows are.
    for row, record in sorted(zip(found.rows, found.records, strict=True),
                              key=lambda e: (e[1].run, e[1].attempt)):
        earlier = attempts.setdefault(record.run, [])
        number = record.attempt or attempt_due(earlier)
        record = replace(record, attempt=number)
        old = next((r for r in earlier if r.attempt == number), None)
        if record.run in unsettled and old is None:
            continue  # which attempt is next is known once the other row is corrected
        if old is None or old.status == "planned":
            change = _new(row, record, earlier, old, problems)
        else:
            change = _against(row, record, old, study, columns, correct, problems)
        if change is None:
            unsettled.add(record.run)
        else:
            changes.append(change)
            earlier[:] = [r for r in earlier if r.attempt != number] + [record]
    return _in_row_order(changes), problems


def _in_row_order(changes: list[_Change]) -> list[_Change]:
    """The order of the rows, but the attempts at a run in theirs."""
    waiting: dict[int, list[_Change]] = {}
    for change in changes:
        waiting.setdefault(change.record.run, []).append(change)
    return [waiting[c.record.run].pop(0) for c in sorted(changes, key=lambda c: c.row)]


def _new(row: int, record: Record, earlier: Sequence[Record], old: Record | None,
         problems: list[Problem]) -> _Change | None:
    last = max((r.attempt for r in earlier), default=0)
    if old is None and record.attempt != last + 1:
        problems.append(Problem(
            row, "attempt", str(record.attempt), f"attempt {last + 1} at run {record.run} is "
            "neither recorded nor in this sheet", "Number the attempts 1, 2, ... without a gap"))
        return None
    void = record.status == "void"
    repeat = old is None and any(r.status == "done" for r in earlier)
    return _Change(row, record, "set aside" if void else "repeated" if repeat or old else "added",
                   new=record, is_repeat=repeat)


def _against(row: int, record: Record, old: Record, study: Study, columns: dict[str, Column],
             correct: bool, problems: list[Problem]) -> _Change | None:
    """What an entry changes in an attempt that is recorded; None if it may not."""
    before = len(problems)

    def refuse(key: str, value: object, problem: str, remedy: str) -> None:
        problems.append(Problem(row, columns[key].heading, str(value), problem, remedy))

    if old.status == "void" and record.status == "done":
        refuse("status", "done", f"attempt {old.attempt} at run {old.run} is recorded as set aside",
               "Enter the new attempt in a row of its own, with the next number")
        return None
    added, changed = _differences(record, old, study)
    if old.status == "void" and (added or changed):
        refuse("status", "set aside", f"attempt {old.attempt} at run {old.run} is recorded as set "
               "aside, and "
               "the row says something else about it", "Restore the row, or empty it")
        return None
    void = record.status == "void"
    if not correct or void:
        for key, (was, now) in changed.items():
            refuse(key, now, f"it is already recorded as {was}", "Restore it; or, if the record "
                   "is wrong, import again as a correction, with a reason"
                   + (", before the attempt is set aside" if void else ""))
    elif "operator" in changed:
        refuse("operator", record.operator, f"it is already recorded as {old.operator}",
               "Restore it, and name others in the remark")
    if len(problems) > before:
        return None
    kept = replace(record, **{kind: {k: v for k, v in getattr(record, kind).items() if k in names}
                              for kind, names in (("measurements", added), ("qualifiers", added))},
                   settings={k: v for k, v in record.settings.items()
                             if f"achieved {k}" in added},
                   operator=record.operator if void or "operator" in added else "",
                   remark=record.remark if "remark" in added else "", time="")
    if record.status != old.status:
        return _Change(row, record, "set aside", new=kept)
    corrected = {"measurements": {k: record.qualifiers.get(k, "") + repr(v)
                                  for k, v in record.measurements.items() if k in changed},
                 "settings": {k: v for k, v in record.settings.items()
                              if f"achieved {k}" in changed},
                 "when": record.time if "recorded_at" in changed else None,
                 "remark": record.remark if "remark" in changed else None}
    return _Change(row, record, "corrected" if changed else "completed" if added else "unchanged",
                   new=kept if added else None, corrected=corrected if changed else {})


def _differences(record: Record, old: Record, study: Study
                 ) -> tuple[set[str], dict[str, tuple[str, str]]]:
    """Keys of columns that the entry adds to, and those that it contradicts: (was, now)."""
    added: set[str] = set()
    changed: dict[str, tuple[str, str]] = {}
    for name, value in record.measurements.items():
        now = record.qualifiers.get(name, "") + f"{value:.12g}"
        if name not in old.measurements:
            added.add(name)
        elif not (_alike(value, old.measurements[name])
                  and record.qualifiers.get(name) == old.qualifiers.get(name)):
            was = old.qualifiers.get(name, "") + f"{old.measurements[name]:.12g}"
            changed[name] = was, now
    planned = study.planned(record.run)
    for name, value in record.settings.items():
        before = old.settings.get(name, planned[name])
        same = value == before if isinstance(value, str) else _alike(value, before, 1e-9)
        if not same and name not in old.settings:
            added.add(f"achieved {name}")
        elif not same:
            changed[f"achieved {name}"] = str(before), str(value)
    if record.operator and record.operator != old.operator:
        if old.operator:
            changed["operator"] = old.operator, record.operator
        else:
            added.add("operator")
    # The reason of an attempt set aside stands in the sheet as its remark.
    said = record.remark or record.reason
    known = {"", shown_remark(old), *shown_remark(old).split("; ")}
    if record.status == old.status and said not in known:
        if old.remark:
            changed["remark"] = old.remark, said
        else:
            added.add("remark")
    if record.time and not _same_minute(record.time, old.time):
        changed["recorded_at"] = old.time, record.time
    return added, changed


def _alike(one: float, other: float, within: float = 1e-14) -> bool:
    """Equal to the 15 digits that spreadsheets keep."""
    return math.isclose(one, other, rel_tol=within, abs_tol=1e-300)


def _same_minute(one: str, other: str) -> bool:
    """Times are printed to the second, but typed and kept by spreadsheets to the minute."""
    return bool(other) and abs((datetime.fromisoformat(one)
                                - datetime.fromisoformat(other)).total_seconds()) < 60


def _keep(change: _Change, study_file: StudyFile, reason: str, author: str) -> int:
    """Store one change; the number of the attempt."""
    record = change.record
    if change.corrected:
        study_file.amend(record.run, **change.corrected, attempt=record.attempt, reason=reason,
                         author=author)
    if change.is_repeat:
        study_file.repeat(record.run, record.remark or record.reason or "entered in a run sheet",
                          record.operator)
    if change.new is not None:
        study_file.record_many([change.new])
    return record.attempt

"""A filled run sheet read back: every cell is either taken as it was meant or refused."""

from __future__ import annotations

import gc
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import as_choice
from doe.records import STATUS_WORDS, Record
from doe.sheets.body import MOST_PROBLEMS, Body, TooManyError
from doe.sheets.facts import MARK, is_own_mark, sheet_mark
from doe.sheets.grid import COMMENT, END, Grid, read_grid
from doe.sheets.layout import Column, columns, derived, planned_runs
from doe.sheets.problems import Problem, SheetError
from doe.study import Study
from doe.wording import join

__all__ = ["Entries", "read_entries", "read_sheet"]

_STORED = {word: status for status, word in STATUS_WORDS.items()}
_MARK = re.compile(rf"(?:{COMMENT})?{MARK}:\s*([0-9a-f-]+)")


@dataclass(frozen=True)
class Entries:
    """All that a sheet records, and all that is wrong with it.

    Parameters
    ----------
    records : list of Record
        In the order of the rows; rows not filled in are left out.
    rows : list of int
        Row number of each record.
    problems : list of Problem
        In the order of the rows.
    remarks : tuple of str
        How the file was read, where there was a choice.
    layout : list of Column
    unsettled : set of int
        Runs of which some row was refused.
    """

    records: list[Record]
    rows: list[int]
    problems: list[Problem]
    remarks: tuple[str, ...]
    layout: list[Column]
    unsettled: set[int]


def read_sheet(path: str | Path, study: Study, *, decimal: str | None = None,
               unmarked: bool = False) -> list[Record]:
    """The records in a filled run sheet, CSV or XLSX; nothing is stored.

    Parameters
    ----------
    path : str or Path
    study : Study
        The study that the sheet was written for.
    decimal : {".", ","} or None
        Decimal mark of the file, where the file itself does not show it.
    unmarked : bool
        Also read a file without the mark of a run sheet, such as an instrument's export
        with run numbers and headings of the study.

    Returns
    -------
    list of Record
        In the order of the rows; rows that are not filled in are left out. Attempt 0 is
        the attempt that is due.

    Raises
    ------
    SheetError
        With every problem of the sheet, each with row, column, value and remedy.
    """
    found = read_entries(path, study, decimal=decimal, unmarked=unmarked)
    if found.problems:
        raise SheetError(Path(path).name, found.problems)
    return found.records


def read_entries(path: str | Path, study: Study, *, decimal: str | None = None,
                 unmarked: bool = False) -> Entries:
    """As `read_sheet`, but with rows, and with the problems returned.

    Raises
    ------
    SheetError
        With one problem, if the file as a whole cannot be read or is not the study's.
    """
    path = Path(path)
    if decimal is not None:
        as_choice("decimal", decimal, (".", ","))
    layout = columns(study)
    with _collector_paused():
        return _read(path, study, layout, decimal, unmarked)


@contextmanager
def _collector_paused() -> Iterator[None]:
    """Without the search for cycles, which would go through every row again and again in vain: no
    cell or record refers to another."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


def _read(path: Path, study: Study, layout: list[Column], decimal: str | None,
          unmarked: bool) -> Entries:
    grid = read_grid(path)
    if not unmarked or any(_MARK.match(text) for text in grid.above):
        _check_mark(grid, study, path.name)
    body = Body(grid, layout, decimal)
    order = {c.heading: i for i, c in enumerate(layout)}
    try:
        rows, records, unsettled = _entries(body, study)
    except TooManyError:
        rows, records, unsettled = [], [], set()
    problems = sorted(body.problems, key=lambda p: (p.row or 0, order.get(p.column, -1)))
    if len(problems) >= MOST_PROBLEMS:
        problems.append(Problem(None, "", "", "the rest of the sheet was not read",
                                "Correct these first, or check that this is the run sheet"))
    return Entries(records, rows, problems, grid.remarks, layout, unsettled)


def _check_mark(grid: Grid, study: Study, name: str) -> None:
    found = next((m[1] for text in grid.above if (m := _MARK.match(text))), None)
    if found is None:
        problem = Problem(None, "", "", f"the sheet has no line '{MARK}', so it is not certain "
                          "that it belongs to this study", "Restore the lines above the headings, "
                          "or copy the entries into a sheet written for this study")
    elif not is_own_mark(found, study):
        problem = Problem(None, "", found, "this sheet belongs to another study or another plan; "
                          f"the mark of this one is {sheet_mark(study)}", "Import it into the "
                          "study it was written for, or write a new sheet and fill that in")
    elif not grid.is_complete:
        problem = Problem(None, "", "", "the file breaks off: its last line is missing",
                          "Save the sheet again and import that file; if nothing is missing, add "
                          f"the line {END!r}")
    else:
        return
    raise SheetError(name, [problem])


def _entries(body: Body, study: Study) -> tuple[list[int], list[Record], set[int]]:
    """Rows filled in, what they record, and the runs of refused rows; problems are in `body`."""
    plan = planned_runs(study).runs
    run = _runs(body, plan)
    known = ~np.isnan(run)
    where = np.searchsorted(plan["run"].to_numpy(), np.where(known, run, plan["run"].min()))
    planned = plan.iloc[where].reset_index(drop=True)
    _check_planned(body, planned, known, study)
    settings = _settings(body, planned, study)
    measured = {c.key: body.numbers(c) for c in body.present if c.role == "measurement"}
    marks: dict[int, dict[str, str]] = defaultdict(dict)
    read = np.zeros(len(body.rows), bool)
    for name, (values, qualifiers) in measured.items():
        read |= ~np.isnan(values)
        for i, qualifier in qualifiers.items():
            marks[i][name] = qualifier
    readings = [(name, values.tolist()) for name, (values, _) in measured.items()]
    note = {c.key: body.texts(c) for c in body.layout.values() if c.role == "note"}
    status = [_STORED.get(s, s) or ("done" if r else "")
              for s, r in zip(note["status"], read.tolist(), strict=True)]
    filled = np.flatnonzero(body.entered(read) & known).tolist()
    attempt = _attempts(body, filled, run, status)
    number = np.where(known, run, 0).astype(int).tolist()
    time, operator, remark = (note[key] for key in ("recorded_at", "operator", "remark"))
    records, rows = [], []
    for i in filled:
        state, said = status[i], remark[i]
        if state != "done":
            _check_state(body, i, number[i], state, said)
        if i in body.bad:
            continue
        void = state == "void"
        records.append(Record(
            number[i], attempt[i], state, settings.get(i, {}),
            {name: column[i] for name, column in readings if column[i] == column[i]},
            time[i], operator[i], "" if void else said, marks.get(i, {}), said if void else ""))
        rows.append(body.rows[i])
    return rows, records, {number[i] for i in body.bad}


def _runs(body: Body, plan: pd.DataFrame) -> np.ndarray:
    """Run number of each row; NaN, and a problem, where there is none of the plan's."""
    c = body.layout["run"]
    run, _ = body.numbers(c)
    body.drop(run, c, ~np.isin(run, plan["run"].to_numpy()), "the plan has no such run",
              f"Use a run from {plan['run'].min()} to {plan['run'].max()}, or add runs to the plan")
    for i in np.flatnonzero(np.isnan(run)):
        if int(i) not in body.bad:
            body.refuse(int(i), c, "the row has entries but no run number",
                        "Enter the run, or empty the row")
    return run


def _check_planned(body: Body, planned: pd.DataFrame, known: np.ndarray, study: Study) -> None:
    """Refuse planned settings that are not those of the plan."""
    follows = derived(study, planned)
    for c in body.present:
        if c.role not in ("identity", "planned", "derived") or c.key in ("run", "attempt"):
            continue
        source = follows[c.key] if c.role == "derived" else planned[c.key].to_numpy()
        if c.kind == "choice":
            texts = np.array(body.texts(c), object)
            wrong = (texts != "") & (texts != source)
        else:
            # What is shown is rounded, and it may have been stored as it is shown.
            slack = 0.5 * 10.0 ** -(c.decimals or 0)
            gap = np.abs(body.numbers(c)[0] - source)
            wrong = gap > slack + 1e-9 * np.abs(source)
        own = next((a.heading for a in body.layout.values()
                    if a.role == "achieved" and a.factor is c.factor is not None), "remark")
        for i in np.flatnonzero(known & wrong).tolist():
            value = source[i]
            said = value if c.kind == "choice" else f"{value:.{c.decimals or 0}f} {c.unit}".strip()
            body.refuse(i, c, f"the plan has {said} for run {planned['run'].iloc[i]}",
                        f"Restore it; what happened instead belongs in {own!r}")


def _settings(body: Body, planned: pd.DataFrame, study: Study) -> dict[int, dict[str, Any]]:
    """Achieved settings by row and factor; rows where all are as planned are left out."""
    out: dict[int, dict[str, Any]] = defaultdict(dict)
    achieved = [c for c in body.present if c.role == "achieved"]
    for c in achieved:
        if not c.ratio_to and c.key in body.filled:
            values = body.texts(c) if c.kind == "choice" else body.numbers(c)[0].tolist()
            for i, value in enumerate(values):
                if value == value and value != "":
                    out[i][c.factor.name] = value
    for c in achieved:
        if c.ratio_to:
            _ratios(body, c, planned, study, out)
    return out


def _ratios(body: Body, c: Column, planned: pd.DataFrame, study: Study,
            out: dict[int, dict[str, Any]]) -> None:
    """Add the rotation ratio where rotation or revolution were not as planned."""
    speed, _ = body.numbers(c)
    revolution = (planned[c.ratio_to].to_numpy(float) if c.ratio_to in planned
                  else np.full(len(planned), float(study.brief.held[c.ratio_to])))
    # A rotation left empty is the planned speed, whatever became of the revolution.
    rotation = np.where(np.isnan(speed), planned[c.factor.name] * revolution, speed)
    touched = {i for i, settings in out.items() if c.ratio_to in settings}
    for i in sorted(touched | set(np.flatnonzero(~np.isnan(speed)).tolist())):
        actual = out[i].get(c.ratio_to, revolution[i])
        if actual > 0:
            out[i][c.factor.name] = float(rotation[i] / actual)
        else:
            body.refuse(i, c, "without revolution there is no ratio of rotation to it",
                        "Correct the revolution, or set the run aside")


def _check_state(body: Body, i: int, run: int, status: str, remark: str) -> None:
    """Refuse a row from which it is not clear what became of the run."""
    if status not in _STORED.values():
        if i in body.bad:  # a reading that was refused may be what is lacking
            return
        body.refuse(i, body.layout["status"], f"run {run} has entries but no reading, so it is "
                    "not clear whether it was made", "Enter 'done' or 'set aside', or empty "
                    "the row")
    elif status == "void" and not remark:
        body.refuse(i, body.layout["remark"], f"run {run} is set aside without a reason",
                    "Write the reason as remark")


def _attempts(body: Body, filled: Sequence[int], run: np.ndarray,
              status: Sequence[str]) -> dict[int, int]:
    """The attempt in each row; several rows of a run need different ones."""
    given = np.nan_to_num(body.numbers(body.layout["attempt"])[0]).astype(int)
    out = dict(zip(filled, given[list(filled)].tolist(), strict=True))
    runs, counts = np.unique(run[list(filled)], return_counts=True)
    several = set(runs[counts > 1].tolist())
    rows_of: dict[int, list[int]] = defaultdict(list)
    for i in filled if several else ():
        if run[i] in several:
            rows_of[int(run[i])].append(i)
    for number, rows in rows_of.items():
        numbers = [out[i] for i in rows]
        if 0 not in numbers and len(set(numbers)) == len(numbers):
            continue
        if not any(numbers) and all(status[i] == "void" for i in rows[:-1]):
            out.update(zip(rows, range(1, len(rows) + 1), strict=True))
            continue
        for i in rows:
            if not out[i] or numbers.count(out[i]) > 1:
                body.refuse(i, body.layout["attempt"], f"run {number} stands in rows "
                            f"{join(body.rows[k] for k in rows)}, and it is not clear which "
                            "attempt this is", "Number the attempts 1, 2, ...; a failed one is "
                            "'set aside' in status")
    return out

"""Studies and filled run sheets for the tests of `doe.sheets`; all invented."""

from __future__ import annotations

import csv
import io
import zipfile
from collections.abc import Callable, Mapping
from pathlib import Path

import openpyxl
from study_cases import random_plan, template_brief

from doe.brief import Brief
from doe.responses import Response
from doe.sheets import write_csv, write_xlsx
from doe.study import Study

RUNS = 6
READINGS = {"voids (%)": "0.41", "coarsest lump (µm)": "35.5", "end temperature (°C)": "38.2"}
Row = Mapping[str, str]


def small_study(brief: Brief | None = None, runs: int = RUNS, **changes) -> Study:
    brief = brief or template_brief(**changes)
    return Study(brief, random_plan(brief, runs))


def with_responses(*responses: Response) -> Study:
    return small_study(responses=responses)


def fill_csv(study: Study, path: Path, entries: Mapping[int, Row], *, decimal: str = ".",
             also: Callable[[list[list[str]]], object] | None = None,
             encoding: str = "utf-8-sig", separator: str | None = None) -> Path:
    """Write the sheet, enter texts by run and heading as a text editor would, and save it.

    `also` may change the rows of cells, headings and comments included, in place.
    """
    path.unlink(missing_ok=True)
    write_csv(study, path, decimal=decimal)
    own = "," if decimal == "." else ";"
    text = path.read_text("utf-8-sig")
    rows = list(csv.reader(io.StringIO(text, newline=""), delimiter=own))
    at = heading_row(rows)
    for row in rows[at + 1:]:
        if len(row) > 1:
            for heading, value in entries.get(int(row[0]), {}).items():
                row[rows[at].index(heading)] = value
    if also:
        also(rows)
    out = io.StringIO(newline="")
    csv.writer(out, delimiter=separator or own).writerows(rows)
    path.write_bytes(out.getvalue().encode(encoding))
    return path


def heading_row(rows: list[list[str]]) -> int:
    return next(i for i, row in enumerate(rows) if row and row[0] == "run")


def row_of(path: Path, run: int) -> int:
    """Row number of the first line for a run, as a spreadsheet counts."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.reader(file))
    return next(i for i, row in enumerate(rows, 1) if row and row[0] == str(run))


def fill_xlsx(study: Study, path: Path, entries: Mapping[int, Mapping[str, object]], *,
              also: Callable[[openpyxl.worksheet.worksheet.Worksheet], object] | None = None
              ) -> Path:
    """Write the workbook, enter values by run and heading as a spreadsheet would, save it."""
    path.unlink(missing_ok=True)
    write_xlsx(study, path)
    book = openpyxl.load_workbook(path)
    sheet = book["Runs"]
    for run, row in entries.items():
        for heading, value in row.items():
            cell_of(sheet, run, heading).value = value
    if also:
        also(sheet)
    book.save(path)
    return path


def cell_of(sheet, run: int, heading: str):
    head = next(r for r in range(1, 60) if sheet.cell(r, 1).value == "run")
    column = next(j for j in range(1, 80) if sheet.cell(head, j).value == heading)
    row = next(r for r in range(head + 1, 999) if sheet.cell(r, 1).value == run)
    return sheet.cell(row, column)


RUNS_PART = "xl/worksheets/sheet1.xml"


def parts_of(path: Path) -> dict[str, bytes]:
    """The parts of a workbook by name."""
    with zipfile.ZipFile(path) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def write_parts(path: Path, parts: Mapping[str, bytes]) -> Path:
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in parts.items():
            archive.writestr(name, data)
    return path

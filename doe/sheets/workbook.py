"""The run sheet as an XLSX workbook: cells to fill in are open, the rest is locked."""

from __future__ import annotations

import io
from collections.abc import Iterable
from pathlib import Path

import pandas as pd
from openpyxl import Workbook
from openpyxl.cell import Cell
from openpyxl.styles import Alignment, Border, Font, PatternFill, Protection, Side
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from doe.errors import InputError
from doe.sheets.facts import (
    INVENTED,
    MARK,
    how_to_fill,
    limits_in_words,
    sheet_cautions,
    sheet_facts,
    sheet_mark,
)
from doe.sheets.layout import Column, columns, sheet_table, tidy
from doe.sheets.parsing import protect
from doe.sheets.write import keep_sheet
from doe.sheets.xlsx.book import escape_xml
from doe.sheets.xlsx.cells import LONGEST_TEXT
from doe.study import Study
from doe.wording import decimals_for

__all__ = ["write_xlsx"]

SPARE_ROWS = 10
"""Rows at the end for further attempts."""

INK, GREY, PALE, OPEN = "FF1A1A1A", "FF595959", "FFEDEDED", "FFFFFBE6"
_THIN = Side(style="thin", color="FFBFBFBF")
_BOX = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)
_GROUPS = {"identity": "Which run", "planned": "Planned settings", "derived": "Planned settings",
           "achieved": "Achieved, where not as planned", "measurement": "Measured",
           "note": "What happened"}
_WIDTHS = {"text": 22, "time": 25, "choice": 12}


def write_xlsx(study: Study, path: str | Path, *, overwrite: bool = False) -> Path:
    """Write the study's run sheet as a workbook: runs, measurements, cautions.

    Cells for entries are open and checked as they are filled in; the rest is locked, without
    a password. Texts are texts, whatever they start with.

    Raises
    ------
    InputError
        If the study has no plan, a text is too long for a cell, the file exists or cannot be
        written.
    """
    layout, table = columns(study), sheet_table(study)
    book = Workbook()
    runs = book.active
    runs.title = "Runs"
    first = _head(runs, study, layout)
    _rows(runs, layout, table, first)
    _validate(runs, layout, first, first + len(table) + SPARE_ROWS - 1)
    _measurements(book.create_sheet("Measurements"), layout)
    _cautions(book.create_sheet("Cautions"), study)
    book.properties.title = escape_xml(tidy(study.brief.title))
    book.properties.creator = escape_xml(tidy(study.brief.author))
    out = io.BytesIO()
    try:
        book.save(out)
    except OSError as error:  # rows are laid down in a folder for passing files
        raise InputError("run sheet", str(path), f"it cannot be written ({error.strerror})",
                         "Make room on the disk") from None
    return keep_sheet(path, out.getvalue(), overwrite)


# ---- the sheet of runs

def _head(sheet: Worksheet, study: Study, layout: list[Column]) -> int:
    """Write what stands above the runs; the row of the first run."""
    brief = study.brief
    lines = [(f"Run sheet: {tidy(brief.title)}", Font(size=14, bold=True, color=INK))]
    if brief.invented:
        lines.append((INVENTED, Font(bold=True, color=INK)))
    lines.append(("CAUTION: read the worksheet 'Cautions' before the first run. The mixer's "
                  "manual, the safety data sheets and local rules come first.",
                  Font(bold=True, color=INK)))
    # These lines stay in sight above the runs, so each topic has one line at most.
    facts = sheet_facts(study)
    urgent = ("Load", "Counterbalance", "In every run")
    topics = sorted(facts, key=lambda k: k not in urgent)
    lines += [(".  ".join(f"{k}: {facts[k]}" for k in topics), Font(color=INK)),
              (" ".join(how_to_fill(study)), Font(color=GREY)),
              (f"{MARK}: {sheet_mark(study)} (keep this line)", Font(color=GREY))]
    for row, (text, font) in enumerate(lines, 1):
        _put(sheet.cell(row, 1), text).font = font
    groups, head = len(lines) + 1, len(lines) + 2
    _group_row(sheet, layout, groups)
    for j, c in enumerate(layout, 1):
        cell = _put(sheet.cell(head, j), c.heading)
        cell.font = Font(bold=True, color=INK)
        cell.fill = PatternFill("solid", fgColor=PALE)
        cell.border = _BOX
        cell.alignment = Alignment(wrap_text=True, vertical="bottom",
                                   horizontal="right" if c.is_number else "left")
        sheet.column_dimensions[get_column_letter(j)].width = _width(c)
    deepest = max(len(c.heading) / (_width(c) - 2) for c in layout)
    sheet.row_dimensions[head].height = 15 * (1 + int(deepest))
    sheet.freeze_panes = sheet.cell(head + 1, 3)
    sheet.sheet_view.showGridLines = False
    sheet.protection.sheet = True
    sheet.protection.formatColumns = sheet.protection.formatRows = False
    sheet.print_title_rows = f"{groups}:{head}"
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True
    sheet.oddFooter.center.text = "Page &P of &N"
    return head + 1


def _group_row(sheet: Worksheet, layout: list[Column], row: int) -> None:
    start = 1
    for j, c in enumerate(layout, 1):
        last = j == len(layout) or _GROUPS[layout[j].role] != _GROUPS[c.role]
        if last:
            cell = _put(sheet.cell(row, start), _GROUPS[c.role])
            cell.font = Font(bold=True, color=GREY)
            if j > start:
                sheet.merge_cells(start_row=row, end_row=row, start_column=start, end_column=j)
            start = j + 1


def _width(c: Column) -> float:
    if c.kind in _WIDTHS:
        return 40 if c.key == "remark" else _WIDTHS[c.kind]
    return 9 if c.role == "identity" else 15


def _rows(sheet: Worksheet, layout: list[Column], table: pd.DataFrame, first: int) -> None:
    qualifiers = table.attrs["qualifiers"]
    for j, c in enumerate(layout, 1):
        values = [*table[c.key].tolist(), *[None] * SPARE_ROWS]
        shape = _number_format(c)
        is_open = Protection(locked=False)
        for i, value in enumerate(values):
            cell = sheet.cell(first + i, j)
            spare = i >= len(table)
            if isinstance(value, str):
                if value:
                    _put(cell, value)
            elif value is not None and value == value:
                if i in qualifiers.get(c.key, {}):
                    _put(cell, f"{qualifiers[c.key][i]}{value!r}")
                else:
                    cell.value = value
            cell.number_format = shape
            cell.border = _BOX
            cell.alignment = Alignment(
                vertical="top", wrap_text=c.key == "remark",
                horizontal="right" if c.is_number else "left")
            if c.is_entry or (spare and c.role == "identity"):
                cell.protection = is_open
                cell.fill = PatternFill("solid", fgColor=OPEN)


def _number_format(c: Column) -> str:
    if c.kind == "time":
        return "yyyy-mm-dd hh:mm"
    if not c.is_number:
        return "@"
    if c.is_entry:
        step = c.response.resolution if c.response else None
        return "General" if step is None else _decimals(decimals_for(step, 1))
    return _decimals(c.decimals or 0)


def _decimals(places: int) -> str:
    return "0." + "0" * places if places else "0"


def _validate(sheet: Worksheet, layout: list[Column], first: int, last: int) -> None:
    for j, c in enumerate(layout, 1):
        if not (c.is_entry or c.role == "identity") or c.kind in ("text", "time"):
            continue
        rule = _rule(c, f"{get_column_letter(j)}{first}")
        rule.showErrorMessage = True
        sheet.add_data_validation(rule)
        rule.add(f"{get_column_letter(j)}{first}:{get_column_letter(j)}{last}")


def _rule(c: Column, cell: str) -> DataValidation:
    """What a cell of the column may hold, told to the spreadsheet."""
    if c.kind == "choice":
        listed = ",".join(c.choices)
        if len(listed) <= 255 and not any("," in v or '"' in v for v in c.choices):
            return DataValidation(type="list", formula1=f'"{escape_xml(listed)}"', allow_blank=True,
                                  errorTitle="Not one of the choices",
                                  error=_short("Enter " + ", ".join(c.choices)))
    # A bound of this size is none: decimal rules need both.
    least = -1e300 if c.least is None else c.least
    greatest = 1e300 if c.greatest is None else c.greatest
    unit = f" {c.unit}" if c.unit else ""
    span = (f"{least:g} to {greatest:g}{unit}" if None not in (c.least, c.greatest)
            else f"at least {least:g}{unit}" if c.least is not None
            else f"at most {greatest:g}{unit}" if c.greatest is not None else "a number")
    asked = c.response.reading if c.response and c.response.kind == "ordinal" else span
    said = {"errorTitle": "Not a possible entry", "error": _short(f"Enter {asked}.")}
    limit = c.response.detection_limit if c.response else None
    if c.kind == "choice":
        return DataValidation(type="textLength", operator="lessThanOrEqual", formula1="255",
                              allow_blank=True, **said)
    if limit is not None:
        said["error"] = _short(f"Enter {span}, or <{limit:g} if nothing was detected.")
        return DataValidation(
            type="custom", allow_blank=True, **said,
            formula1=f'OR(AND(ISNUMBER({cell}),{cell}>={least!r},{cell}<={greatest!r}),'
                     f'{cell}="<{limit:g}")')
    return DataValidation(type="whole" if c.kind == "whole" else "decimal", operator="between",
                          formula1=_bound(least, c), formula2=_bound(greatest, c),
                          allow_blank=True, **said)


def _bound(value: float, c: Column) -> str:
    if c.kind == "whole":
        return str(int(max(min(value, 2**31 - 1), -(2**31))))
    return repr(value)


def _short(text: str) -> str:
    """At most the 225 characters that a spreadsheet shows in a message."""
    return escape_xml(tidy(text))[:225]


# ---- the other sheets

def _measurements(sheet: Worksheet, layout: list[Column]) -> None:
    rows = [(c.label, c.unit, tidy(c.response.method), c.response.specification,
             "; ".join(limits_in_words(c.response))) for c in layout if c.response is not None]
    _text_table(sheet, ["Measurement", "Unit", "Method", "Specification", "Entries"], rows,
                [28, 14, 60, 26, 44])


def _cautions(sheet: Worksheet, study: Study) -> None:
    rows = [((topic or "Note"), text) for topic, _, text in
            (c.partition(": ") if ": " in c else ("", "", c) for c in sheet_cautions(study))]
    _text_table(sheet, ["Topic", "Caution"], rows, [16, 110])


def _text_table(sheet: Worksheet, headings: list[str], rows: Iterable[tuple[str, ...]],
                widths: list[int]) -> None:
    for j, (heading, width) in enumerate(zip(headings, widths, strict=True), 1):
        cell = _put(sheet.cell(1, j), heading)
        cell.font = Font(bold=True, color=INK)
        cell.fill = PatternFill("solid", fgColor=PALE)
        cell.border = _BOX
        sheet.column_dimensions[get_column_letter(j)].width = width
    for i, row in enumerate(rows, 2):
        lines = 1
        for j, (text, width) in enumerate(zip(row, widths, strict=True), 1):
            cell = _put(sheet.cell(i, j), text)
            cell.alignment = Alignment(wrap_text=True, vertical="top")
            cell.border = _BOX
            lines = max(lines, 1 + int(len(text) * 1.1 / width))
        sheet.row_dimensions[i].height = 15 * lines + 3
    sheet.freeze_panes = "A2"
    sheet.sheet_view.showGridLines = False
    sheet.protection.sheet = True
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = sheet.PAPERSIZE_A4
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = 1, 0
    sheet.sheet_properties.pageSetUpPr.fitToPage = True


def _put(cell: Cell, text: str) -> Cell:
    """Write a text that stays one: never a formula, whatever it starts with."""
    escaped = escape_xml(text)
    if len(escaped) > LONGEST_TEXT:
        raise InputError(f"run sheet, cell {cell.coordinate}", text, "the text is too long for a "
                         f"workbook, which holds {LONGEST_TEXT} characters a cell",
                         "Write the sheet as CSV, or shorten the text")
    cell.value = escaped
    cell.data_type = "s"
    cell.quotePrefix = protect(text) != text
    return cell

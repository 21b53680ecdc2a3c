"""From a file that people exchange to rows of cells, or to one clear reason why not."""

from __future__ import annotations

import csv
import io
import math
import re
import zipfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from itertools import compress, islice
from pathlib import Path

import openpyxl

from doe.sheets.parsing import SHEET_ERROR, Cell, Odd, Percentage, is_blank, unprotect
from doe.sheets.problems import Problem, SheetError

__all__ = ["COMMENT", "END", "Grid", "escape_xml", "normal", "read_grid", "unescape_xml"]

COMMENT = "# "
END = "# end of sheet"
LARGEST_FILE = 64 * 2**20
LARGEST_UNPACKED = 400 * 2**20
PIECE = 1000
LAST_ROW, LAST_COLUMN = 200_000, 1000
HEADING_ROWS = 300
"""The headings stand in the first rows, or the file is no run sheet."""

_DATE_PROBLEM = ("the cell holds a date, perhaps a number that the spreadsheet has turned into one",
                 "Format the cell as a number and type the reading again")
_LITERAL = re.compile(r'"[^"]*"|\\.|[_*].')
"""Parts of a number format that are shown as they stand (ECMA-376, 18.8.31)."""
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_NO_XML = "\x00-\x08\x0b-\x1f\ufffe\uffff"
_NOT_XML = re.compile(f"[{_NO_XML}]|_(?=x[0-9A-Fa-f]{{4}}[_{_NO_XML}])")


@dataclass(frozen=True)
class Grid:
    """The cells of a file; rows are numbered from 1, as a spreadsheet counts.

    Parameters
    ----------
    above : list of str
        The texts above the headings.
    heading_row : int
    headings : list of Cell
    rows : list of int
        Numbers of the rows below the headings that hold anything but a comment.
    columns : list of list of Cell
        The cells of those rows by column, one column for each heading at least.
    is_complete : bool
        False for a text without the line that ends a run sheet.
    remarks : tuple of str
        How the file was read, where there was a choice.
    """

    above: list[str]
    heading_row: int
    headings: list[Cell]
    rows: list[int]
    columns: list[list[Cell]]
    is_complete: bool = True
    remarks: tuple[str, ...] = ()


def normal(heading: Cell) -> str:
    """A heading without case and surplus spaces."""
    return " ".join(heading.split()).lower() if isinstance(heading, str) else ""


def read_grid(path: str | Path) -> Grid:
    """The cells of a CSV or XLSX file, told apart by what is in it.

    Raises
    ------
    SheetError
        With one problem, if the file as a whole cannot be read.
    """
    path = Path(path)

    def refuse(problem: str, remedy: str) -> SheetError:
        return SheetError(path.name, [Problem(None, "", "", problem, remedy)])

    try:
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise refuse(f"the file has {size / 2**20:.0f} MB, more than the "
                         f"{LARGEST_FILE / 2**20:.0f} MB that are read",
                         "Remove everything but the run sheet, or split it by runs")
        data = path.read_bytes()
    except OSError as error:
        raise refuse(f"the file cannot be opened ({error.strerror})",
                     "Check the path, and close the file elsewhere") from None
    named = path.suffix.lower()
    if not data.strip():
        raise refuse("the file is empty", "Save the sheet again and import that file")
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise refuse("this is a workbook of an old format, or one protected by a password",
                     "Save it as XLSX or CSV, without a password")
    if data.startswith(b"PK"):
        if named not in (".xlsx", ".xlsm"):
            raise refuse(f"the file is named {named or 'without an ending'} but is a workbook or "
                         "an archive", "If it is an XLSX workbook, end its name in .xlsx")
        return _workbook(data, refuse)
    if named in (".xlsx", ".xlsm"):
        raise refuse(f"the file is named {named} but is no workbook",
                     "Export it again as XLSX; if it is text, end its name in .csv")
    return _text(data, refuse)


# ---- CSV

def _text(data: bytes, refuse) -> Grid:
    text, encoding = _decode(data, refuse)
    for separator in ",;\t":
        at = _heading_row(_rows_of(text, separator, strict=False))
        if at is not None:
            break
    else:
        raise refuse("there is no row of headings with 'run' in it", "Use a sheet written for "
                     "this study, and keep its headings; cells are separated by comma, "
                     "semicolon or tab")
    rows: Iterable[list[Cell]] = _rows_of(text, separator, strict=True)
    if any(f"{before}'" in text for before in (separator, '"', "\n", "\r")) or text[0] == "'":
        rows = ([unprotect(c) if c.startswith("'") else c for c in row] for row in rows)
    try:
        grid = _gathered(rows, at)
    except csv.Error as error:
        raise refuse(f"the file breaks off inside a cell, or has a stray quotation mark ({error})",
                     "Save the sheet again as CSV and import that file") from None
    remarks = () if encoding != "cp1252" else (
        "The file is not Unicode; it was read as Windows-1252 (Western European): check letters "
        "with accents.",)
    return replace(grid, remarks=remarks)


def _rows_of(text: str, separator: str, strict: bool) -> Iterator[list[str]]:
    return csv.reader(io.StringIO(text, newline=""), delimiter=separator, strict=strict)


def _gathered(rows: Iterable[list[Cell]], heading_row: int) -> Grid:
    """The grid of an iterator over all rows; the headings' index counts from 0."""
    rows = enumerate(rows, 1)
    above = [c for _, row in islice(rows, heading_row) for c in row if isinstance(c, str)]
    _, headings = next(rows)
    numbers: list[int] = []
    columns: list[list[Cell]] = [[] for _ in headings]
    is_complete = False
    # Large files are turned over piece by piece, so that no more than a piece is held twice.
    while batch := list(islice(rows, PIECE)):
        says = [_says(row) for _, row in batch]
        if not all(says):
            is_complete |= any(row and row[0] == END for _, row in batch)
            batch = list(compress(batch, says))
        for _ in range(max((len(row) for _, row in batch), default=0) - len(columns)):
            columns.append([""] * len(numbers))
        numbers += [n for n, _ in batch]
        width = len(columns)
        for column, cells in zip(columns, zip(*(
                row if len(row) == width else row + [""] * (width - len(row))
                for _, row in batch), strict=True), strict=bool(batch)):
            column.extend(cells)
    return Grid(above, heading_row + 1, headings, numbers, columns, is_complete)


def _says(row: list[Cell]) -> bool:
    """True if the row is neither empty nor a comment."""
    first = row[0] if row else ""
    if isinstance(first, str) and first and not first.isspace():
        return not first.startswith(COMMENT)
    return not all(map(is_blank, row))


def _decode(data: bytes, refuse) -> tuple[str, str]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in data[:2000]:
        # Latin text in UTF-16 has a zero in every other byte; its place tells the byte order.
        encodings = ["utf-16-le" if data[:2000:2].count(0) < data[1:2000:2].count(0)
                     else "utf-16-be"]
        if data[:2000].count(0) < len(data[:2000]) // 4:
            encodings = ["utf-8-sig"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    raise refuse("the file breaks off or is no text in UTF-8, UTF-16 or Windows-1252",
                 "Save the sheet as CSV in UTF-8")


def _heading_row(rows: Iterable[list[Cell]]) -> int | None:
    try:
        for i, row in enumerate(islice(rows, HEADING_ROWS)):
            if len(row) > 1 and any(normal(c) == "run" for c in row):
                return i
    except csv.Error:  # with this separator the file makes no sense
        pass
    return None


# ---- XLSX

def _workbook(data: bytes, refuse) -> Grid:
    damaged = ("the workbook is damaged, cut short or protected by a password",
               "Save the sheet again as XLSX, without a password, and import that file")
    try:
        archive = zipfile.ZipFile(io.BytesIO(data))
    except (zipfile.BadZipFile, NotImplementedError):
        raise refuse(*damaged) from None
    if "xl/workbook.xml" not in archive.namelist():
        raise refuse("this is an archive, but no XLSX workbook", "Save the sheet as XLSX")
    unpacked = sum(i.file_size for i in archive.infolist())
    if unpacked > LARGEST_UNPACKED:
        raise refuse(f"unpacked, the workbook has {unpacked / 2**20:.0f} MB, more than is read",
                     "Remove everything but the run sheet")
    try:
        has_formulas = any(re.search(rb"<f[ >/]", archive.read(n)) for n in archive.namelist()
                           if n.startswith("xl/worksheets/sheet"))
        book = openpyxl.load_workbook(io.BytesIO(data), data_only=True)
        written = openpyxl.load_workbook(io.BytesIO(data)) if has_formulas else None
    except Exception:  # noqa: BLE001 - damage makes the parser fail anywhere, in any way
        raise refuse(*damaged) from None
    found = {}
    for sheet in book.worksheets:
        at = _heading_row([_value(c) for c in row]
                          for row in sheet.iter_rows(max_row=HEADING_ROWS))
        if at is not None:
            found[sheet.title] = at
    if len(found) != 1:
        problem = ("no worksheet has a row of headings with 'run' in it" if not found else
                   "several worksheets hold runs: " + ", ".join(map(repr, found)))
        raise refuse(problem, "Use the workbook written for this study, with one sheet of runs")
    (title, at), = found.items()
    if book[title].max_row > LAST_ROW or book[title].max_column > LAST_COLUMN:
        raise refuse(f"the worksheet {title!r} reaches to cell "
                     f"{book[title].dimensions.rpartition(':')[2]}", "Delete the empty rows and "
                     "columns around the runs, formats included")
    rows = _cells(book[title], written[title] if written else None, at)
    return replace(_gathered(rows, at), is_complete=True)


def _cells(sheet, formulas, heading_row: int) -> list[list[Cell]]:
    rows = [[_value(c) for c in row] for row in sheet.iter_rows()]
    if formulas is not None:
        for row in formulas.iter_rows():
            for c in row:
                if c.data_type == "f" and sheet.cell(c.row, c.column).value is None:
                    rows[c.row - 1][c.column - 1] = Odd(
                        str(getattr(c.value, "text", c.value)),
                        "the formula was never calculated, so it has no value",
                        "Open the workbook in a spreadsheet and save it, or enter the value")
    for merged in sheet.merged_cells.ranges:
        if merged.max_row > heading_row + 1:
            for i, j in merged.cells:
                text = rows[i - 1][j - 1] if i > heading_row + 1 else ""
                if i > heading_row + 1:
                    rows[i - 1][j - 1] = Odd(
                        str(text) or "merged", "the cell is merged with others, so it is not "
                        "clear which runs the value belongs to", "Split the cells and enter the "
                        "value in each row")
    return rows


def _value(cell) -> Cell:
    value = cell.value
    if value is None:
        return ""
    if isinstance(value, bool):
        return Odd(str(value).upper(), "this is true or false, not a number or a text",
                   "Enter the reading")
    if isinstance(value, (datetime, date, time, timedelta)):
        return Odd(str(value), *_DATE_PROBLEM, value=value)
    if cell.data_type == "e":
        return Odd(str(value), *SHEET_ERROR)
    if isinstance(value, (int, float)):
        try:
            number = float(value)
        except OverflowError:  # a whole number of hundreds of digits
            number = math.inf
        shape = _LITERAL.sub("", cell.number_format or "")
        return Percentage(number) if "%" in shape else number
    return unescape_xml(str(value))


def escape_xml(text: str) -> str:
    """The text with what XML cannot hold written as ``_xHHHH_`` (ECMA-376, ST_Xstring)."""
    return _NOT_XML.sub(lambda m: f"_x{ord(m[0]):04X}_", text)


def unescape_xml(text: str) -> str:
    """The text that `escape_xml` was given."""
    return _ESCAPED.sub(lambda m: chr(int(m[1], 16)), text)

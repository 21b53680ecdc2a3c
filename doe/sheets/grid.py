"""From a file that people exchange to rows of cells, or to one clear reason why not."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from itertools import compress, islice
from pathlib import Path

from doe.sheets.parsing import Cell, is_blank, unprotect
from doe.sheets.problems import Problem, SheetError, UnreadableError
from doe.sheets.xlsx.cells import Worksheet, read_worksheets
from doe.wording import count

__all__ = ["COMMENT", "END", "Grid", "normal", "read_grid"]

COMMENT = "# "
END = "# end of sheet"
LARGEST_FILE = 64 * 2**20
PIECE = 1000
LARGEST_TEXT = 32 * 2**20
LAST_ROW, LAST_COLUMN, MOST_CELLS = 200_000, 500, 3_000_000
"""Of a text; a workbook has narrower limits of its own."""
HEADING_ROWS = 300
"""The headings stand in the first rows, or the file is no run sheet."""


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
    try:
        return _grid(path)
    except UnreadableError as error:
        raise SheetError(path.name, [Problem(None, "", "", error.problem, error.remedy)]) from None


def _grid(path: Path) -> Grid:
    try:
        if path.exists() and not (path.is_file() or path.is_dir()):
            raise OSError("this is a device or a pipe, and no file")  # which may never end
        size = path.stat().st_size
        if size > LARGEST_FILE:
            raise _too_large(size, LARGEST_FILE)
        data = path.read_bytes()
    except (OSError, ValueError) as error:
        raise UnreadableError("the file cannot be opened "
                              f"({getattr(error, 'strerror', None) or error})",
                              "Check the path, and close the file elsewhere") from None
    named = path.suffix.lower()
    if not data.strip():
        raise UnreadableError("the file is empty", "Save the sheet again and import that file")
    if data.startswith(b"\xd0\xcf\x11\xe0"):
        raise UnreadableError("this is a workbook of an old format, or one protected by a password",
                              "Save it as XLSX or CSV, without a password")
    if data.startswith(b"PK"):
        if named not in (".xlsx", ".xlsm"):
            raise UnreadableError(f"the file is named {named or 'without an ending'} but is a "
                                  "workbook or an archive", "If it is an XLSX workbook, end its "
                                  "name in .xlsx")
        return _workbook(data)
    if named in (".xlsx", ".xlsm"):
        raise UnreadableError(f"the file is named {named} but is no workbook",
                              "Export it again as XLSX; if it is text, end its name in .csv")
    if size > LARGEST_TEXT:
        raise _too_large(size, LARGEST_TEXT)
    return _text(data)


def _too_large(size: int, limit: int) -> UnreadableError:
    return UnreadableError(f"the file has {size / 2**20:.0f} MB, more than the "
                           f"{limit / 2**20:.0f} MB that are read",
                           "Remove everything but the run sheet, or split it by runs")


# ---- CSV

def _text(data: bytes) -> Grid:
    encoding, has_apostrophes = _looked_over(data)
    for separator in ",;\t":
        at = _heading_row(_rows_of(data, encoding, separator, strict=False))
        if at is not None:
            break
    else:
        raise UnreadableError("there is no row of headings with 'run' in it", "Use a sheet written "
                              "for this study, and keep its headings; cells are separated by "
                              "comma, semicolon or tab")
    rows: Iterable[list[Cell]] = _rows_of(data, encoding, separator, strict=True)
    if has_apostrophes:
        rows = ([unprotect(c) if "'" in c else c for c in row] for row in rows)
    try:
        grid = _gathered(rows, at)
    except csv.Error as error:
        raise UnreadableError("the file breaks off inside a cell, or has a stray quotation mark "
                              f"({error})", "Save the sheet again as CSV and import that file"
                              ) from None
    remarks = () if encoding != "cp1252" else (
        "The file is not Unicode; it was read as Windows-1252 (Western European): check letters "
        "with accents.",)
    return replace(grid, remarks=remarks)


def _looked_over(data: bytes) -> tuple[str, bool]:
    """Encoding, and whether there are apostrophes; refused is what would take long to part into
    cells, widely, since texts may hold separators too."""
    text, encoding = _decode(data)
    if max(map(text.count, ",;\t")) > MOST_CELLS or max(map(text.count, "\n\r")) > 5 * LAST_ROW:
        raise UnreadableError(f"the file has more than {MOST_CELLS // 10**6} million cells or "
                              f"{5 * LAST_ROW // 10**6} million lines",
                              "Remove everything but the run sheet, or split it by runs")
    return encoding, "'" in text


def _rows_of(data: bytes, encoding: str, separator: str, strict: bool) -> Iterator[list[str]]:
    # Decoded line by line: a file held as one text as well would take five times its size.
    lines = io.TextIOWrapper(io.BytesIO(data), encoding, newline="")
    return csv.reader(lines, delimiter=separator, strict=strict)


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
        _check_batch(batch, len(numbers), len(columns))
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


def _check_batch(batch: list[tuple[int, list[Cell]]], rows: int, columns: int) -> None:
    """Refuse what would be too many cells once every row is as wide as the widest."""
    number, widest = max(((n, len(row)) for n, row in batch), key=lambda b: b[1])
    if widest > LAST_COLUMN:
        raise UnreadableError(f"row {number} has {widest} cells, more than the {LAST_COLUMN} that "
                              "are read", "Remove the columns that are not of the run sheet")
    if rows + len(batch) > LAST_ROW or (rows + len(batch)) * max(widest, columns) > MOST_CELLS:
        raise UnreadableError(f"up to row {number} the file has more than {LAST_ROW} rows or "
                              f"{MOST_CELLS // 10**6} million cells",
                              "Remove everything but the run sheet, or split it by runs")


def _says(row: list[Cell]) -> bool:
    """True if the row is neither empty nor a comment."""
    first = row[0] if row else ""
    if isinstance(first, str) and first and not first.isspace():
        return not first.startswith(COMMENT)
    return not all(map(is_blank, row))


def _decode(data: bytes) -> tuple[str, str]:
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in data[:2000]:
        # Latin text in UTF-16 has a zero in every other byte; its place tells the byte order.
        encodings = ["utf-16-le" if data[:2000:2].count(0) < data[1:2000:2].count(0)
                     else "utf-16-be"]
        if data[:2000].count(0) < len(data[:2000]) // 4:
            encodings = ["utf-8-sig"]
    elif data.startswith(b"\xef\xbb\xbf"):  # it says that it is UTF-8
        encodings = ["utf-8-sig"]
    else:
        encodings = ["utf-8-sig", "cp1252"]
    for encoding in encodings:
        try:
            return data.decode(encoding), encoding
        except UnicodeDecodeError:
            continue
    raise UnreadableError("the file breaks off or is no text in UTF-8, UTF-16 or Windows-1252",
                          "Save the sheet as CSV in UTF-8")


def _heading_row(rows: Iterable[list[Cell]]) -> int | None:
    try:
        for i, row in enumerate(islice(rows, HEADING_ROWS)):
            if _is_heading(row):
                return i
    except csv.Error:  # with this separator the file makes no sense
        pass
    return None


def _is_heading(row: Iterable[Cell]) -> bool:
    cells = list(row)
    return len(cells) > 1 and any(normal(c) == "run" for c in cells)


# ---- XLSX

def _workbook(data: bytes) -> Grid:
    found = list(read_worksheets(data, HEADING_ROWS, _is_heading))
    if len(found) != 1:
        problem = ("no worksheet has a row of headings with 'run' in it" if not found else
                   "several worksheets hold runs: " + ", ".join(repr(s.title) for s in found))
        raise UnreadableError(problem, "Use the workbook written for this study, with one sheet of "
                              "runs")
    sheet, = found
    head = next(n for n, row in sheet.rows.items() if _is_heading(row.values()))
    sheet.mark_merged(head)
    hidden = sorted(n for n in sheet.hidden_rows if n > head and n in sheet.rows)
    remarks = () if not hidden else (
        f"{count(len(hidden), 'row').capitalize()} of the worksheet, from row {hidden[0]}, "
        f"{'is' if len(hidden) == 1 else 'are'} hidden or filtered out, and read like the others.",)
    return replace(_gathered(_laid_out(sheet), head - 1), is_complete=True, remarks=remarks)


def _laid_out(sheet: Worksheet) -> Iterator[list[Cell]]:
    """The rows of a worksheet with their empty cells, those without any cell among them."""
    for number in range(1, max(sheet.rows) + 1):
        row = sheet.rows.get(number)
        yield [] if row is None else [row.get(j, "") for j in range(1, max(row) + 1)]

"""The worksheet of runs in a workbook, as the cells that hold anything.

The reader is our own because a run sheet may come from anywhere: a general reader lays out
every cell of a merged range, of which a worksheet can declare 17 000 000 000, and cannot tell
a formula that gave an empty text from one that was never calculated.
"""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from openpyxl.utils.datetime import from_excel

from doe.sheets.parsing import SHEET_ERROR, Cell, Formatted, Odd, shown
from doe.sheets.problems import UnreadableError
from doe.sheets.xlsx.book import FEWER, MAIN, Book, tags_of, unescape_xml
from doe.sheets.xlsx.number_formats import Look, look_of
from doe.sheets.xlsx.package import DAMAGED, Package

__all__ = ["Worksheet", "coordinate", "read_worksheets"]

LAST_ROW, LAST_COLUMN = 20_000, 500
MOST_CELLS = 150_000
"""Cells in all worksheets together, empty ones with a format included."""
MOST_MERGED, MOST_MERGED_CELLS = 1000, 2 * MOST_CELLS
LONGEST_TEXT = 32_767
"""Characters that a cell of a workbook holds (ECMA-376; spreadsheets keep to it)."""
_LONGEST_WRITTEN = 7 * LONGEST_TEXT
"""The same with every character written as ``_xHHHH_``."""

_REFERENCE = re.compile(r"\$?([A-Z]{1,3})\$?([1-9][0-9]{0,6})")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?")
_DATE_PROBLEM = ("the cell holds a date, perhaps a number that the spreadsheet has turned into one",
                 "Format the cell as a number and type the reading again")
_MERGED = ("the cell is merged with others, so it is not clear which runs the value belongs to",
           "Split the cells and enter the value in each row")


@dataclass
class Worksheet:
    """A worksheet as it stands in the file.

    Parameters
    ----------
    title : str
    rows : dict of int to dict of int to Cell
        By row and column, both from 1; only cells that hold anything.
    merged : list of tuple
        First row, first column, last row, last column.
    hidden_rows : set of int
    """

    title: str
    rows: dict[int, dict[int, Cell]] = field(default_factory=dict)
    merged: list[tuple[int, int, int, int]] = field(default_factory=list)
    hidden_rows: set[int] = field(default_factory=set)

    def mark_merged(self, head: int) -> None:
        """Make cells below row `head` unreadable where a merged range with anything in it covers
        them; no row is added."""
        below = sorted(self.rows)
        below = below[bisect_right(below, head):]
        width = max(map(max, self.rows.values()))
        covered = 0
        for top, left, bottom, right in self.merged:
            rows = below[bisect_left(below, top):bisect_right(below, bottom)]
            columns = range(left, min(right, width) + 1)
            covered += len(rows) * len(columns)
            if covered > MOST_MERGED_CELLS:
                raise UnreadableError(f"the merged ranges of the worksheet {self.title!r} cover "
                                      "each other", "Split the merged cells")
            anchor = self.rows.get(top, {}).get(left, "")
            if anchor == "" and not any(j in self.rows[i] for i in rows for j in columns):
                continue
            for i in rows:
                for j in columns:
                    self.rows[i][j] = Odd(shown(self.rows[i].get(j, "merged")), *_MERGED)


def read_worksheets(data: bytes, head_rows: int, is_wanted) -> Iterator[Worksheet]:
    """The worksheets with a row that `is_wanted` among their first `head_rows`.

    Parameters
    ----------
    data : bytes
        The workbook.
    head_rows : int
        A worksheet without such a row among so many is not read further.
    is_wanted : callable
        Told the cells of a row.

    Raises
    ------
    UnreadableError
        If the workbook is none, is damaged, or is larger than a run sheet can be.
    """
    package = Package(data)
    book = Book(package)
    cells = 0
    for title, part in book.parts:
        reader = _Reader(book, title, head_rows, is_wanted, cells)
        package.stream(part, reader.start, reader.end, reader.text)
        cells = reader.cells
        if reader.is_wanted_sheet:
            yield reader.sheet


def coordinate(row: int, column: int) -> str:
    """A cell's name in a spreadsheet: row 2, column 28 is AB2."""
    name = ""
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return f"{name}{row}"


# ---- one worksheet

class _Reader:
    """Handlers that turn the elements of a worksheet into cells."""

    def __init__(self, book: Book, title: str, head_rows: int, is_wanted,
                 cells: int) -> None:
        self.book, self.sheet, self.cells = book, Worksheet(title), cells
        self.head_rows, self.is_wanted = head_rows, is_wanted
        self.is_wanted_sheet = False
        self.tags = tags_of(MAIN, "row", "c", "v", "f", "is", "t", "rPh", "mergeCell")
        self.columns: dict[str, int] = {}
        self.row_number = self.column = self.length = 0
        self.row: dict[int, Cell] = {}
        self.kind = self.style = ""
        self.value: list[str] | None = None
        self.formula: list[str] | None = None
        self.open: list[str] | None = None
        self.is_spelling = False

    def start(self, tag: str, found: dict) -> None:
        name = self.tags.get(tag)
        if self.open is not None:  # an element amid a text: it is not plain what is meant
            raise UnreadableError(*DAMAGED)
        if name == "c":
            self._start_cell(found)
        elif name == "v":
            if self.value is not None:
                raise UnreadableError(*DAMAGED)
            self.value = self.open = []
        elif name == "f":
            self.formula = self.open = []
        elif name == "is":
            self.value = []
        elif name == "t":
            self.open = None if self.is_spelling else self.value
        elif name == "rPh":
            self.is_spelling = True
        elif name == "row":
            self._start_row(found)
        elif name == "mergeCell":
            self._merge(found.get("ref", ""))

    def text(self, data: str) -> None:
        if self.open is not None:
            self.length += len(data)
            if self.length > _LONGEST_WRITTEN:
                raise UnreadableError(
                    f"the cell {coordinate(self.row_number, self.column)} of the worksheet "
                    f"{self.sheet.title!r} holds more than the {LONGEST_TEXT} characters that a "
                    "cell of a workbook can have", "Shorten the text")
            self.open.append(data)

    def end(self, tag: str) -> None:
        name = self.tags.get(tag)
        if name in ("v", "f", "t"):
            self.open = None
        elif name == "c":
            cell = self._cell()
            if cell != "":
                self._check_place()
                self.row[self.column] = cell
        elif name == "row":
            self._end_row()
        elif name == "rPh":
            self.is_spelling = False

    def _start_row(self, found: dict) -> None:
        last, self.row_number = self.row_number, int(found.get("r", self.row_number + 1))
        if self.row_number <= last:
            raise UnreadableError(*DAMAGED)
        self.row, self.column = {}, 0
        if found.get("hidden") in ("1", "true"):
            self.sheet.hidden_rows.add(self.row_number)

    def _end_row(self) -> None:
        if self.row:
            self.sheet.rows[self.row_number] = self.row
            if not self.is_wanted_sheet and self.row_number <= self.head_rows:
                self.is_wanted_sheet = self.is_wanted(self.row.values())
        if not self.is_wanted_sheet and self.row_number >= self.head_rows:
            raise StopIteration

    def _start_cell(self, found: dict) -> None:
        last = self.column
        self.cells += 1
        if self.cells > MOST_CELLS:
            raise UnreadableError(f"the workbook has more than {MOST_CELLS:,} cells".replace(
                ",", " ") + ", empty ones with a format included", FEWER)
        where = found.get("r")
        if where is None:
            self.column += 1
        else:
            letters = where.rstrip("0123456789")
            column = self.columns.get(letters)
            if column is None:
                column = self.columns[letters] = _place(letters + "1")[1]
            if where[len(letters):] != str(self.row_number):
                raise UnreadableError(*DAMAGED)
            self.column = column
        if self.column <= last:
            raise UnreadableError(*DAMAGED)
        self.kind, self.style = found.get("t", "n"), found.get("s", "0")
        self.value = self.formula = self.open = None
        self.length = 0

    def _check_place(self) -> None:
        if self.row_number > LAST_ROW or self.column > LAST_COLUMN:
            raise UnreadableError(
                f"the worksheet {self.sheet.title!r} reaches to cell "
                f"{coordinate(self.row_number, self.column)}, past row {LAST_ROW} or column "
                f"{LAST_COLUMN}", "Delete what stands in the rows and columns around the runs")

    def _merge(self, reference: str) -> None:
        first, _, last = reference.partition(":")
        top, left = _place(first)
        bottom, right = _place(last or first)
        self.sheet.merged.append((min(top, bottom), min(left, right), max(top, bottom),
                                  max(left, right)))
        if len(self.sheet.merged) > MOST_MERGED:
            raise UnreadableError(f"the worksheet {self.sheet.title!r} has more than {MOST_MERGED} "
                                  "merged ranges", "Split the merged cells")

    def _cell(self) -> Cell:
        kind = self.kind
        text = "" if self.value is None else "".join(self.value)
        if self.formula is not None and not text and not (kind == "str" and self.value is not None):
            return Odd("=" + "".join(self.formula)[:60], "the formula was never calculated, so it "
                       "has no value", "Open the workbook in a spreadsheet and save it, or enter "
                       "the value")
        if kind in ("str", "inlineStr"):
            return unescape_xml(text)
        text = text.strip()
        if not text:
            return ""
        if kind == "s":
            place = int(text) if text.isascii() and text.isdecimal() and len(text) < 10 else -1
            if not 0 <= place < len(self.book.texts):
                raise UnreadableError(*DAMAGED)
            return unescape_xml(self.book.texts[place])
        if kind == "n":
            return self._number(text)
        if kind == "b":
            return Odd({"1": "TRUE", "0": "FALSE"}.get(text, text), "this is true or false, not a "
                       "number or a text", "Enter the reading")
        if kind == "e":
            return Odd(text, *SHEET_ERROR)
        if kind == "d":
            return Odd(text, *_DATE_PROBLEM, value=_moment(text))
        raise UnreadableError(*DAMAGED)

    def _number(self, text: str) -> Cell:
        if not _NUMBER.fullmatch(text):
            return Odd(text, "this is not a number as workbooks hold it", "Enter the reading again")
        # Minus zero is zero; what is too large for a number becomes infinite, and is refused.
        number = float(text) + 0.0
        formats = self.book.formats
        place = int(self.style) if self.style.isascii() and self.style.isdecimal() else -1
        if not 0 <= place < max(len(formats), 1):
            raise UnreadableError(*DAMAGED)
        look = look_of(formats[place], number) if formats else Look()
        if look.is_plain:
            return number
        if look.kind == "date":
            return self._date(number, text)
        if look.kind == "other":
            return Odd(shown(number), "the cell's number format shows something else than "
                       "the number in it", "Format the cell as a plain number and check it")
        return Formatted(number, look.before, look.after, look.kind == "percent")

    def _date(self, number: float, text: str) -> Odd:
        try:
            value = from_excel(number, self.book.epoch)
        except (ValueError, OverflowError):
            value = None
        return Odd(text if value is None else str(value), *_DATE_PROBLEM, value=value)


def _moment(text: str) -> datetime | None:
    try:
        return datetime.fromisoformat(text)
    except ValueError:
        return None


def _place(reference: str) -> tuple[int, int]:
    found = _REFERENCE.fullmatch(reference)
    if found is None:
        raise UnreadableError(*DAMAGED)
    column = 0
    for letter in found[1]:
        column = 26 * column + ord(letter) - 64
    return int(found[2]), column

"""The worksheet of runs in a workbook, as the cells that hold anything.

The reader is our own because a run sheet may come from anywhere: a general reader lays out
every cell of a merged range, of which a worksheet can declare 17 000 000 000, and cannot tell
a formula that gave an empty text from one that was never calculated.
"""

from __future__ import annotations

import posixpath
import re
from bisect import bisect_left, bisect_right
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

from openpyxl.styles.numbers import BUILTIN_FORMATS
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH, from_excel

from doe.sheets.parsing import SHEET_ERROR, Cell, Formatted, Odd, shown
from doe.sheets.problems import UnreadableError
from doe.sheets.xlsx.number_formats import Look, look_of
from doe.sheets.xlsx.package import DAMAGED, Package

__all__ = ["Worksheet", "coordinate", "escape_xml", "read_worksheets", "unescape_xml"]

LAST_ROW, LAST_COLUMN = 20_000, 500
MOST_CELLS = 150_000
"""Cells in all worksheets together, empty ones with a format included."""
MOST_MERGED, MOST_MERGED_CELLS, MOST_STYLES, MOST_WORKSHEETS = 1000, 2 * MOST_CELLS, 65_000, 100
LONGEST_TEXT = 32_767
"""Characters that a cell of a workbook holds (ECMA-376; spreadsheets keep to it)."""
_LONGEST_WRITTEN = 7 * LONGEST_TEXT
"""The same with every character written as ``_xHHHH_``."""
_FEWER = "Delete everything but the run sheet, formats of empty cells included"

_MAIN = ("http://schemas.openxmlformats.org/spreadsheetml/2006/main",
         "http://purl.oclc.org/ooxml/spreadsheetml/main")
_RELATED = ("http://schemas.openxmlformats.org/package/2006/relationships",)
_LINK = ("http://schemas.openxmlformats.org/officeDocument/2006/relationships id",
         "http://purl.oclc.org/ooxml/officeDocument/relationships id")
_REFERENCE = re.compile(r"\$?([A-Z]{1,3})\$?([1-9][0-9]{0,6})")
_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,5})?")
_DATE_PROBLEM = ("the cell holds a date, perhaps a number that the spreadsheet has turned into one",
                 "Format the cell as a number and type the reading again")
_MERGED = ("the cell is merged with others, so it is not clear which runs the value belongs to",
           "Split the cells and enter the value in each row")
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_NO_XML = "\x00-\x08\x0b-\x1f\ufffe\uffff"
_NOT_XML = re.compile(f"[{_NO_XML}]|_(?=x[0-9A-Fa-f]{{4}}[_{_NO_XML}])")


def _tags(namespaces: tuple[str, ...], *names: str) -> dict[str, str]:
    return {f"{space} {name}": name for space in namespaces for name in names}


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
    book = _Book(package)
    if len(book.parts) > MOST_WORKSHEETS:
        raise UnreadableError(f"the workbook has {len(book.parts)} worksheets, more than the "
                              f"{MOST_WORKSHEETS} that are read", _FEWER)
    for title, part in book.parts:
        reader = _Reader(book, title, head_rows, is_wanted)
        package.stream(part, reader.start, reader.end, reader.text)
        if reader.is_wanted_sheet:
            yield reader.sheet


def coordinate(row: int, column: int) -> str:
    """A cell's name in a spreadsheet: row 2, column 28 is AB2."""
    name = ""
    while column:
        column, rest = divmod(column - 1, 26)
        name = chr(65 + rest) + name
    return f"{name}{row}"


def escape_xml(text: str) -> str:
    """The text with what XML cannot hold written as ``_xHHHH_`` (ECMA-376, ST_Xstring)."""
    return _NOT_XML.sub(lambda m: f"_x{ord(m[0]):04X}_", text)


def unescape_xml(text: str) -> str:
    """The text that `escape_xml` was given."""
    return _ESCAPED.sub(lambda m: chr(int(m[1], 16)), text) if "_x" in text else text


# ---- what all worksheets share

class _Book:
    """Titles and parts of the worksheets, shared texts, and number formats by style."""

    def __init__(self, package: Package) -> None:
        self.epoch = WINDOWS_EPOCH
        self.cells = 0
        targets = self._targets(package)
        self.parts = self._worksheets(package, targets)
        self.texts: list[str] = []
        self.formats: list[str] = []
        for kind, target in targets.values():
            if target in package.names:
                if kind == "sharedStrings":
                    self._read_texts(package, target)
                elif kind == "styles":
                    self._read_formats(package, target)

    def _targets(self, package: Package) -> dict[str, tuple[str, str]]:
        """Kind and part of what belongs to the workbook, by id."""
        out: dict[str, tuple[str, str]] = {}
        tags = _tags(_RELATED, "Relationship")

        def start(tag: str, found: dict) -> None:
            if tag in tags and found.get("TargetMode") != "External":
                part = posixpath.normpath(posixpath.join("/xl", found.get("Target", "")))
                out[found.get("Id", "")] = found.get("Type", "").rpartition("/")[2], part[1:]

        package.stream("xl/_rels/workbook.xml.rels", start)
        return out

    def _worksheets(self, package: Package, targets: dict) -> list[tuple[str, str]]:
        out: list[tuple[str, str]] = []
        tags = _tags(_MAIN, "sheet", "workbookPr")

        def start(tag: str, found: dict) -> None:
            name = tags.get(tag)
            if name == "workbookPr" and found.get("date1904") in ("1", "true"):
                self.epoch = MAC_EPOCH
            elif name == "sheet":
                link = next((found[key] for key in _LINK if key in found), "")
                kind, part = targets.get(link, ("", ""))
                if kind == "worksheet":
                    out.append((found.get("name", ""), part))

        package.stream("xl/workbook.xml", start)
        return out

    def _read_texts(self, package: Package, part: str) -> None:
        tags = _tags(_MAIN, "si", "t", "rPh")
        pieces: list[str] = []
        is_open = is_spelling = False

        def start(tag: str, _: dict) -> None:
            nonlocal is_open, is_spelling
            name = tags.get(tag)
            if name == "si":
                pieces.clear()
            elif name == "rPh":
                is_spelling = True
            elif name == "t":
                is_open = not is_spelling

        def end(tag: str) -> None:
            nonlocal is_open, is_spelling
            name = tags.get(tag)
            if name == "si":
                self.texts.append("".join(pieces))
            elif name == "rPh":
                is_spelling = False
            elif name == "t":
                is_open = False

        def text(data: str) -> None:
            if is_open:
                pieces.append(data)

        package.stream(part, start, end, text)

    def _read_formats(self, package: Package, part: str) -> None:
        own: dict[str, str] = {}
        ids: list[str] = []
        tags = _tags(_MAIN, "numFmt", "cellXfs", "xf")
        is_open = False

        def start(tag: str, found: dict) -> None:
            nonlocal is_open
            name = tags.get(tag)
            if name == "numFmt":
                own[found.get("numFmtId", "")] = found.get("formatCode", "")
            elif name == "cellXfs":
                is_open = True
            elif name == "xf" and is_open:
                ids.append(found.get("numFmtId", "0"))
                if len(ids) > MOST_STYLES:
                    raise UnreadableError(f"the workbook has more than {MOST_STYLES} formats",
                                          _FEWER)

        def end(tag: str) -> None:
            nonlocal is_open
            if tags.get(tag) == "cellXfs":
                is_open = False

        package.stream(part, start, end)
        built_in = {str(key): code for key, code in BUILTIN_FORMATS.items()}
        self.formats = [own.get(i, built_in.get(i, "General")) for i in ids]


# ---- one worksheet

class _Reader:
    """Handlers that turn the elements of a worksheet into cells."""

    def __init__(self, book: _Book, title: str, head_rows: int, is_wanted) -> None:
        self.book, self.sheet = book, Worksheet(title)
        self.head_rows, self.is_wanted = head_rows, is_wanted
        self.is_wanted_sheet = False
        self.tags = _tags(_MAIN, "row", "c", "v", "f", "is", "t", "rPh", "mergeCell")
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
        if name == "c":
            self._start_cell(found)
        elif name == "v":
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
        book, last = self.book, self.column
        book.cells += 1
        if book.cells > MOST_CELLS:
            raise UnreadableError(f"the workbook has more than {MOST_CELLS:,} cells".replace(
                ",", " ") + ", empty ones with a format included", _FEWER)
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

"""What the worksheets of a workbook share: their titles, texts, number formats and calendar."""

from __future__ import annotations

import posixpath
import re

from openpyxl.styles.numbers import BUILTIN_FORMATS
from openpyxl.utils.datetime import MAC_EPOCH, WINDOWS_EPOCH

from doe.sheets.problems import UnreadableError
from doe.sheets.xlsx.package import Package

__all__ = ["FEWER", "MAIN", "Book", "escape_xml", "tags_of", "unescape_xml"]

MOST_STYLES, MOST_WORKSHEETS = 65_000, 100
FEWER = "Delete everything but the run sheet, formats of empty cells included"

MAIN = ("http://schemas.openxmlformats.org/spreadsheetml/2006/main",
        "http://purl.oclc.org/ooxml/spreadsheetml/main")
_RELATED = ("http://schemas.openxmlformats.org/package/2006/relationships",)
_LINK = ("http://schemas.openxmlformats.org/officeDocument/2006/relationships id",
         "http://purl.oclc.org/ooxml/officeDocument/relationships id")
_ESCAPED = re.compile(r"_x([0-9A-Fa-f]{4})_")
_NO_XML = "\x00-\x08\x0b-\x1f\ufffe\uffff"
_NOT_XML = re.compile(f"[{_NO_XML}]|_(?=x[0-9A-Fa-f]{{4}}[_{_NO_XML}])")


def tags_of(namespaces: tuple[str, ...], *names: str) -> dict[str, str]:
    """Names of elements by how the parser tells of them."""
    return {f"{space} {name}": name for space in namespaces for name in names}


def escape_xml(text: str) -> str:
    """The text with what XML cannot hold written as ``_xHHHH_`` (ECMA-376, ST_Xstring)."""
    return _NOT_XML.sub(lambda m: f"_x{ord(m[0]):04X}_", text)


def unescape_xml(text: str) -> str:
    """The text that `escape_xml` was given."""
    return _ESCAPED.sub(lambda m: chr(int(m[1], 16)), text) if "_x" in text else text


class Book:
    """What the worksheets of a workbook share.

    Attributes
    ----------
    parts : list of tuple
        Title and part of each worksheet.
    texts : list of str
        Shared texts, by number.
    formats : list of str
        Number formats, by number of the style.
    epoch : datetime
        The day that dates are counted from.
    """

    def __init__(self, package: Package) -> None:
        self.epoch = WINDOWS_EPOCH
        targets = self._targets(package)
        self.parts = self._worksheets(package, targets)
        if len(self.parts) > MOST_WORKSHEETS:
            raise UnreadableError(f"the workbook has {len(self.parts)} worksheets, more than the "
                                  f"{MOST_WORKSHEETS} that are read", FEWER)
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
        tags = tags_of(_RELATED, "Relationship")

        def start(tag: str, found: dict) -> None:
            if tag in tags and found.get("TargetMode") != "External":
                part = posixpath.normpath(posixpath.join("/xl", found.get("Target", "")))
                out[found.get("Id", "")] = found.get("Type", "").rpartition("/")[2], part[1:]

        package.stream("xl/_rels/workbook.xml.rels", start)
        return out

    def _worksheets(self, package: Package, targets: dict) -> list[tuple[str, str]]:
        out: list[tuple[str, str]] = []
        tags = tags_of(MAIN, "sheet", "workbookPr")

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
        tags = tags_of(MAIN, "si", "t", "rPh")
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
        tags = tags_of(MAIN, "numFmt", "cellXfs", "xf")
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
                                          FEWER)

        def end(tag: str) -> None:
            nonlocal is_open
            if tags.get(tag) == "cellXfs":
                is_open = False

        package.stream(part, start, end)
        built_in = {str(key): code for key, code in BUILTIN_FORMATS.items()}
        self.formats = [own.get(i, built_in.get(i, "General")) for i in ids]

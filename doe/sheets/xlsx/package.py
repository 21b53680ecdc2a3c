"""The archive that a workbook is: looked into before anything is parsed, streamed within limits.

A workbook of some kilobytes can unpack to gigabytes, and a document type declaration can make
more of them out of nothing. No part is ever held whole, and none declares a document type
(ECMA-376 part 2, 9.1.4: it shall not).
"""

from __future__ import annotations

import io
import struct
import zipfile
import zlib
from collections import Counter
from collections.abc import Callable
from xml.parsers import expat

from doe.sheets.problems import UnreadableError

__all__ = ["DAMAGED", "Package"]

MOST_PARTS = 1000
LARGEST_UNPACKED = 48 * 2**20
"""All parts in XML together, in bytes."""
GREATEST_RATIO = 200
"""Unpacked to packed, of a part that is large; worksheets have 5 to 20."""
LARGE = 2**20
MOST_ELEMENTS = 700_000
"""In all parts that are read, together."""
MOST_NAMES, DEEPEST = 2000, 100
PIECE = 2**16
LONGEST_MARK = 4
"""Pieces without a sign of life of the parser: it is inside one tag or comment."""

DAMAGED = ("the workbook is damaged, cut short or protected by a password",
           "Save the sheet again as XLSX, without a password, and import that file")
SIMPLER = "Copy the runs into the workbook written for this study, and import that file"
_ENTRY = b"PK\x01\x02"
_CLIMBING = ("..", "")
_FAILURES = (zipfile.BadZipFile, zlib.error, struct.error, EOFError, OSError, NotImplementedError,
             RuntimeError, ValueError, expat.ExpatError)
"""What a damaged archive or part makes its reader fail with."""


class Package:
    """The parts of a workbook.

    Parameters
    ----------
    data : bytes
        The file.

    Raises
    ------
    UnreadableError
        If it is no workbook, is damaged, or is larger inside than a run sheet can be.
    """

    def __init__(self, data: bytes) -> None:
        # The list of parts is itself something that can be too long to be read.
        parts = data.count(_ENTRY)
        if parts > MOST_PARTS:
            raise UnreadableError(f"the workbook has {parts} parts, more than the {MOST_PARTS} "
                                  "that are read", SIMPLER)
        try:
            self._archive = zipfile.ZipFile(io.BytesIO(data))
        except _FAILURES:
            raise UnreadableError(*DAMAGED) from None
        self._left = MOST_ELEMENTS
        found = self._archive.infolist()
        self.names = frozenset(i.filename for i in found)
        if "xl/workbook.xml" not in self.names:
            raise UnreadableError("this is an archive, but no XLSX workbook",
                                  "Save the sheet as XLSX")
        _check_names([i.filename for i in found])
        _check_sizes(found)

    def stream(self, name: str, start: Callable[[str, dict], None],
               end: Callable[[str], None] | None = None,
               text: Callable[[str], None] | None = None) -> None:
        """Parse a part piece by piece.

        Parameters
        ----------
        name : str
        start, end, text : callable
            Told of every element, as ``"namespace name"`` with its attributes, and of the
            text between. An `UnreadableError` or `StopIteration` of theirs ends the parsing, the
            latter quietly.

        Raises
        ------
        UnreadableError
        """
        if name not in self.names:
            raise UnreadableError(*DAMAGED)
        parser = expat.ParserCreate(namespace_separator=" ")
        parser.buffer_text = True
        parser.StartDoctypeDeclHandler = _refuse_declaration
        opened = closed = texts = 0

        def starts(tag: str, attributes: dict) -> None:
            nonlocal opened
            opened += 1
            start(tag, attributes)

        def ends(tag: str) -> None:
            nonlocal closed
            closed += 1
            if end is not None:
                end(tag)

        def says(data: str) -> None:
            nonlocal texts
            texts += 1
            if text is not None:
                text(data)

        parser.StartElementHandler, parser.EndElementHandler = starts, ends
        parser.CharacterDataHandler = says
        silent = seen = 0
        try:
            with self._archive.open(name) as part:
                while piece := part.read(PIECE):
                    parser.Parse(piece, False)
                    silent = silent + 1 if opened + closed + texts == seen else 0
                    seen = opened + closed + texts
                    if (silent > LONGEST_MARK or opened - closed > DEEPEST
                            or len(parser.intern) > MOST_NAMES):
                        raise UnreadableError(f"its part {name!r} is not what a spreadsheet "
                                              "writes", SIMPLER)
                    if opened > self._left:
                        raise UnreadableError(
                            f"the workbook has more than {MOST_ELEMENTS:,} elements".replace(
                                ",", " ") + ", cells and formats, which is more than is read",
                            "Delete everything but the run sheet, formats of empty cells included")
                parser.Parse(b"", True)
        except StopIteration:
            pass
        except UnreadableError:
            raise
        except _FAILURES:
            raise UnreadableError(*DAMAGED) from None
        self._left -= opened


def _check_names(names: list[str]) -> None:
    """Refuse an archive in which it is not plain which part is meant."""
    # Names of parts differ in more than case (ECMA-376 part 2, 6.2.2.3; from memory).
    twice, times = Counter(n.casefold() for n in names).most_common(1)[0]
    if times > 1:
        raise UnreadableError(f"the workbook has {times} parts of the name {twice!r}", SIMPLER)
    for name in names:
        steps = name.removesuffix("/").replace("\\", "/").split("/")
        if any(step in _CLIMBING for step in steps) or ":" in steps[0]:
            raise UnreadableError(f"the workbook has a part with the name {name[:60]!r}, which "
                                  "leads out of it", SIMPLER)


def _check_sizes(parts: list[zipfile.ZipInfo]) -> None:
    for part in parts:
        # The other ways of packing unpack without a limit.
        if part.flag_bits & 1 or part.compress_type not in (zipfile.ZIP_STORED,
                                                            zipfile.ZIP_DEFLATED):
            raise UnreadableError(*DAMAGED)
        if part.file_size > max(LARGE, GREATEST_RATIO * part.compress_size):
            raise UnreadableError(
                f"its part {part.filename[:60]!r} unpacks to {part.file_size / 2**20:.0f} MB, more "
                f"than {GREATEST_RATIO} times its size, which no spreadsheet writes", SIMPLER)
    unpacked = sum(p.file_size for p in parts if p.filename.lower().endswith((".xml", ".rels")))
    if unpacked > LARGEST_UNPACKED:
        raise UnreadableError(
            f"unpacked, the workbook has {unpacked / 2**20:.0f} MB, more than the "
            f"{LARGEST_UNPACKED / 2**20:.0f} MB that are read",
            "Delete everything but the run sheet, formats of empty cells included")


def _refuse_declaration(*_: object) -> None:
    raise UnreadableError("the workbook declares a document type, which no spreadsheet writes and "
                          "which is not read", SIMPLER)

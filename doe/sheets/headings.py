"""Which column of a file is which: by its heading, unit included, and never by guessing."""

from __future__ import annotations

from collections.abc import Sequence
from difflib import get_close_matches

from doe.sheets.grid import normal
from doe.sheets.layout import TIME_FORMAT, Column
from doe.sheets.parsing import Cell, same_unit, shown
from doe.sheets.problems import Problem

__all__ = ["match_headings"]

LONGEST = 100
"""Letters of an unknown heading that are compared with the known ones."""
_BRACKETS = {"(": ")", "[": "]"}


def match_headings(headings: Sequence[Cell], filled: Sequence[bool], layout: Sequence[Column],
                   row: int) -> tuple[dict[str, int], list[Problem]]:
    """Where each column of the run sheet stands in a file.

    Parameters
    ----------
    headings : sequence of Cell
    filled : sequence of bool
        Which of the file's columns hold anything below the heading.
    layout : sequence of Column
    row : int
        Row number of the headings, for the problems.

    Returns
    -------
    dict of str to int, list of Problem
        Place by key of the column; a column without entries may have any heading.
    """
    places: dict[str, int] = {}
    problems = []

    def refuse(heading: Cell, problem: str, remedy: str) -> None:
        problems.append(Problem(row, shown(heading), "", problem, remedy))

    for place, heading in enumerate(headings):
        if not filled[place]:
            column, _ = _find(heading, layout)
            if column is not None:
                places.setdefault(column.key, place)
            continue
        if not normal(heading):
            problems.append(Problem(row, "", "", f"column {_letter(place)} has entries but no "
                                    "heading", "Give it the heading from the run sheet, or empty "
                                    "it; a decimal comma in a file separated by commas also "
                                    "makes one"))
            continue
        column, other_unit = _find(heading, layout)
        if column is None and other_unit is not None:
            refuse(heading, f"its unit is not the study's, {other_unit.heading!r}"
                   if other_unit.unit else f"the study has it without a unit, "
                   f"{other_unit.heading!r}", "Enter the values in the study's unit under the "
                   "study's heading; nothing is converted")
        elif column is None:
            near = get_close_matches(normal(heading)[:LONGEST], [normal(c.heading) for c in layout],
                                     1)
            meant = next((c.heading for c in layout if normal(c.heading) in near), None)
            refuse(heading, "the study has no such column",
                   (f"If {meant!r} is meant, use that heading; " if meant else "Use a heading of "
                    "the run sheet; ") + "move anything else to the remark")
        elif column.key in places and filled[places[column.key]]:
            refuse(heading, f"this is the second column {column.heading!r}",
                   "Leave only one of them")
        else:
            places[column.key] = place
    return places, problems


def _find(heading: Cell, layout: Sequence[Column]) -> tuple[Column | None, Column | None]:
    """The column meant, or else one of the same name in another unit."""
    text, written = normal(heading), " ".join(shown(heading).split())
    for c in layout:
        if written == c.heading:
            return c, None
    other = None
    for c in sorted(layout, key=lambda c: -len(c.label)):
        for name in dict.fromkeys((normal(c.label), normal(c.key))):
            if text == name:
                if c.kind == "time" or not c.unit:
                    return c, None
                other = other or c
                continue
            # Names may be written in any case, units may not: mPa is not MPa.
            unit = _bracketed(written[len(name):])
            if not text.startswith(name) or unit is None:
                continue
            if same_unit(unit, c.unit) or unit.upper() == TIME_FORMAT == c.unit:
                return c, None
            other = other or c
    return None, other


def _bracketed(text: str) -> str | None:
    text = text.strip()
    if len(text) > 1 and _BRACKETS.get(text[0]) == text[-1]:
        return text[1:-1].strip()
    return None


def _letter(place: int) -> str:
    """The column's letter in a spreadsheet: 0 is A."""
    name = ""
    place += 1
    while place:
        place, rest = divmod(place - 1, 26)
        name = chr(65 + rest) + name
    return name

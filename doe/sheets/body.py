"""The rows of a sheet below its headings, read column by column."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np

from doe.errors import InputError
from doe.records import STATUS_WORDS, as_time, check_kind, check_mark
from doe.sheets.grid import Grid
from doe.sheets.headings import match_headings
from doe.sheets.layout import Column
from doe.sheets.parsing import (
    SURELY_POINT,
    AmbiguousError,
    Cell,
    CellError,
    Reading,
    decimal_mark,
    is_blank,
    is_missing,
    read_number,
    read_text,
    read_time,
    shown,
)
from doe.sheets.problems import Problem
from doe.wording import join

__all__ = ["Body", "TooManyError"]

MOST_PROBLEMS = 5000
"""A sheet is not read further: a file that is no run sheet at all can have millions."""
GREATEST = 1e100
"""Sums of squares of greater numbers are not finite, so no analysis could hold them."""
_PLAIN = re.compile(rf"-?[0-9]+|{SURELY_POINT.pattern}")


class TooManyError(Exception):
    """There are more problems than anyone would read."""


class Body:
    """The cells below the headings, and what is wrong with them.

    Parameters
    ----------
    grid : Grid
    layout : sequence of Column
        The columns that the study's sheet has.
    decimal : {".", ","} or None
        Decimal mark, where the file itself need not show it.

    Attributes
    ----------
    rows : list of int
        Row numbers of the file, rows without any entry left out. A *place* is an index
        into it.
    cells : dict of str to list of Cell
        By key of the column, in the order of `rows`.
    different : dict of str to set of Cell
        The same, each cell once: most columns hold few different ones.
    filled : set of str
        Keys of the columns that hold anything.
    present : list of Column
        Those that the file has.
    problems : list of Problem
        Grows as columns are read, to `MOST_PROBLEMS` at most.
    bad : set of int
        Places with a problem.
    """

    def __init__(self, grid: Grid, layout: Sequence[Column], decimal: str | None) -> None:
        self.layout, self.stated = {c.key: c for c in layout}, decimal
        self.bad: set[int] = set()
        self.latest = (datetime.now(UTC) + timedelta(days=1)).isoformat(timespec="seconds")
        self.rows = grid.rows
        headings = grid.headings + [""] * (len(grid.columns) - len(grid.headings))
        different = [set(column) for column in grid.columns]
        filled = [not all(map(is_blank, cells)) for cells in different]
        places, problems = match_headings(headings, filled, layout, grid.heading_row)
        self.problems: list[Problem] = problems
        self.cells = {key: grid.columns[place] for key, place in places.items()}
        self.different = {key: different[place] for key, place in places.items()}
        self.present = [c for c in layout if c.key in self.cells]
        self.filled = {c.key for c in self.present if filled[places[c.key]]}

    @cached_property
    def decimal(self) -> tuple[str | None, str]:
        """Decimal mark of the file, and why there is none."""
        if self.stated:
            return self.stated, ""
        return decimal_mark(set().union(*(self.different[c.key] for c in self.present
                                          if c.is_number)))

    def refuse(self, place: int, c: Column, problem: str, remedy: str) -> None:
        """Note a problem with a cell, or with a missing one; `TooManyError` if no more are."""
        if len(self.problems) >= MOST_PROBLEMS:
            raise TooManyError
        value = shown(self.cells[c.key][place]) if c.key in self.cells else ""
        self.problems.append(Problem(self.rows[place], c.heading, value, problem, remedy))
        self.bad.add(place)

    def entered(self, read: np.ndarray) -> np.ndarray:
        """Which rows were filled in, those with a reading among them; boolean."""
        out = read.copy()
        for c in self.present:
            if c.is_entry and c.key in self.filled and not out.all():
                blank = set(filter(is_blank, self.different[c.key]))
                out |= np.array([cell not in blank for cell in self.cells[c.key]])
        return out

    def numbers(self, c: Column) -> tuple[np.ndarray, dict[int, str]]:
        """The numbers of a column, NaN where missing or refused, and "<" by place."""
        out = np.full(len(self.rows), np.nan)
        marks: dict[int, str] = {}
        if c.key not in self.filled:
            return out, marks
        cells = self.cells[c.key]
        different, plain = self.different[c.key], _PLAIN.fullmatch
        values: dict[Cell, float] = defaultdict(lambda: np.nan)
        values.update((cell, float(cell)) for cell in different
                      if isinstance(cell, str) and plain(cell))
        odd: dict[Cell, Reading | CellError] = {}
        for cell in different - values.keys():
            if len(odd) > MOST_PROBLEMS:  # with these it will not be read further
                break
            found = self._number(cell, c)
            values[cell] = found.value if isinstance(found, Reading) else np.nan
            if isinstance(found, CellError) or (found is not None and found.qualifier):
                odd[cell] = found
        out[:] = list(map(values.__getitem__, cells))
        out += 0.0  # minus zero is zero
        for i in [i for i, cell in enumerate(cells) if cell in odd] if odd else ():
            found = odd[cells[i]]
            if isinstance(found, CellError):
                self.refuse(i, c, found.problem, found.remedy)
            else:
                marks[i] = found.qualifier
        self.drop(out, c, np.isinf(out), "this is not a finite number",
                  "Enter the reading, or leave the cell empty")
        self.drop(out, c, np.abs(out) > GREATEST, "no measurement is as large as this",
                  "Check the exponent, or leave the cell empty")
        if c.kind == "whole":
            self.drop(out, c, out != np.round(out), "this is not a whole number",
                      "Enter a whole number")
        if c.response is not None and c.response.kind in ("count", "proportion", "ordinal"):
            for value in np.unique(out[~np.isnan(out)]):
                try:
                    check_kind(c.response, value, c.heading, value)
                except InputError as error:
                    self.drop(out, c, out == value, error.problem, error.remedy)
        self._check_span(out, c)
        for i, mark in marks.items():
            try:
                check_mark(c.response, out[i], mark, c.heading, shown(cells[i]))
            except InputError as error:
                self.refuse(i, c, error.problem, error.remedy)
                out[i] = np.nan
        return out, {i: mark for i, mark in marks.items() if out[i] == out[i]}

    def _number(self, cell: Cell, c: Column) -> Reading | CellError | None:
        if is_missing(cell):
            return None
        if c.response is not None and c.response.kind == "ordinal" and isinstance(cell, str):
            named = [g.casefold() for g in c.response.grades]
            if cell.strip().casefold() in named:
                return Reading(float(1 + named.index(cell.strip().casefold())))
        limit = c.response.detection_limit if c.response else None
        share = c.response is not None and c.response.kind == "proportion" and c.response.whole == 1
        # Which mark the file has is found out only if a cell depends on it, and then once.
        known = self.decimal[0] if "decimal" in self.__dict__ else None
        try:
            try:
                return read_number(cell, c.unit, detection_limit=limit, decimal=known,
                                   is_share=share)
            except AmbiguousError as two:
                mark, why = self.decimal
                if mark is None:
                    return CellError(f"{two.problem}, and {why}", two.remedy)
                return read_number(cell, c.unit, detection_limit=limit, decimal=mark,
                                   is_share=share)
        except CellError as error:
            return error

    def _check_span(self, out: np.ndarray, c: Column) -> None:
        least = -np.inf if c.least is None else c.least
        greatest = np.inf if c.greatest is None else c.greatest
        span = (f"from {least:g} to {greatest:g}" if np.isfinite([least, greatest]).all()
                else f"at least {least:g}" if np.isfinite(least) else f"at most {greatest:g}")
        unit = f" {c.unit}" if c.unit else ""
        said = {"measurement": (f"a reading can only be {span}{unit}", "Check the reading and its "
                                "unit; if it is right, widen 'possible' in the brief"),
                "achieved": (f"an achieved setting can only be {span}{unit}",
                             "Check the entry and its unit")}
        self.drop(out, c, (out < least) | (out > greatest), *said.get(
            c.role, (f"it must be {span}", "Restore it from the run sheet")))

    def drop(self, out: np.ndarray, c: Column, wrong: np.ndarray, problem: str,
             remedy: str) -> None:
        """Refuse the numbers where `wrong`, and make them NaN."""
        for i in np.flatnonzero(wrong & ~np.isnan(out)):
            self.refuse(int(i), c, problem, remedy)
            out[i] = np.nan

    def texts(self, c: Column) -> list[str]:
        """The texts of a column; "" where missing or refused."""
        read = {"time": self._time, "choice": self._choice, "text": self._text}[c.kind]
        if c.key not in self.filled:
            return [""] * len(self.rows)
        cells = self.cells[c.key]
        texts: dict[Cell, str] = defaultdict(str)
        refused: dict[Cell, CellError] = {}
        for cell in self.different[c.key]:
            if len(refused) > MOST_PROBLEMS:
                break
            try:
                texts[cell] = "" if is_blank(cell) else read(cell, c)
            except CellError as error:
                texts[cell], refused[cell] = "", error
        for i in [i for i, cell in enumerate(cells) if cell in refused] if refused else ():
            self.refuse(i, c, refused[cells[i]].problem, refused[cells[i]].remedy)
        return list(map(texts.__getitem__, cells))

    def _text(self, cell: Cell, c: Column) -> str:
        return read_text(cell)

    def _time(self, cell: Cell, c: Column) -> str:
        time = as_time(c.heading, read_time(cell))
        if time > self.latest:
            raise CellError("this lies in the future", "Correct the date")
        return time

    def _choice(self, cell: Cell, c: Column) -> str:
        text = read_text(cell).strip()
        if c.key == "status":
            text = text.lower()
            text = STATUS_WORDS.get(text, text)  # what is stored may be written too
        if text not in c.choices:
            raise CellError("this is not one of the choices",
                          f"Enter {join(map(repr, c.choices), 'or')}, or leave the cell empty")
        return text


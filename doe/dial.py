"""Speeds set as levels of a dial: the mixer's table from level to rpm.

A table is a tuple of pairs (level, rpm), both rising; its steps may be even or uneven.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from doe.errors import InputError, as_number

__all__ = ["Table", "as_table", "line_above", "nearest_level", "to_rpm"]

Table = tuple[tuple[float, float], ...]


def as_table(where: str, given: object) -> Table:
    """The table that was given as pairs, or as the rpm of the levels 1, 2, 3 and so on.

    Raises
    ------
    InputError
        If it is no such list, has fewer than two levels, or a higher level is not faster.

    Examples
    --------
    >>> as_table("mixer, revolution_levels", [400, 800, 1000])
    ((1.0, 400.0), (2.0, 800.0), (3.0, 1000.0))
    """
    form = "Give a list of rpm for the levels 1, 2, 3, or of pairs such as [[1, 400], [2, 800]]"
    if not isinstance(given, Sequence) or isinstance(given, str) or len(given) < 2:
        raise InputError(where, given, "a table needs at least two levels", form)
    pairs = [tuple(v) if isinstance(v, Sequence) and not isinstance(v, str) else (i, v)
             for i, v in enumerate(given, 1)]
    for pair in pairs:
        if len(pair) != 2:
            raise InputError(where, pair, "a level has one speed", form)
    table = tuple(sorted((as_number(f"{where}, level", level),
                          as_number(f"{where}, rpm", rpm, at_least=0)) for level, rpm in pairs))
    for (level, rpm), (higher, faster) in pairwise(table):
        if not (higher > level and faster > rpm):
            raise InputError(where, given, f"level {higher:g} with {faster:g} rpm is not above "
                             f"level {level:g} with {rpm:g} rpm", "Give each level once, with the "
                             "speed that the manual states or that was measured")
    return table


def nearest_level(table: Table, levels, low: float = -np.inf, high: float = np.inf) -> np.ndarray:
    """The nearest levels of the table, where it has any those from `low` to `high`."""
    known = np.array([level for level, _ in table])
    inside = known[(known >= low - 1e-9) & (known <= high + 1e-9)]
    known = inside if len(inside) else known
    asked = np.asarray(levels, float)
    return known[np.abs(asked[..., None] - known).argmin(axis=-1)]


def to_rpm(table: Table, levels, where: str = "level") -> np.ndarray:
    """Speeds of levels, rpm.

    Raises
    ------
    InputError
        If the table lacks a level.
    """
    asked = np.asarray(levels, float)
    place = np.abs(asked[..., None] - [level for level, _ in table]).argmin(axis=-1)
    known, rpm = np.array(table).T
    lacking = ~(np.abs(known[place] - asked) <= 1e-9)
    if lacking.any():
        raise InputError(where, float(np.atleast_1d(asked)[np.atleast_1d(lacking)][0]),
                         "the mixer's table lacks this level",
                         "Use one of: " + ", ".join(f"{level:g}" for level in known))
    return rpm[place]


def line_above(table: Table) -> tuple[float, float]:
    """Intercept and slope of a straight line that no speed of the table lies above.

    It has the slope from the first level to the last, and is the table itself where the steps
    are even: for limits that must be sums of products of the levels.
    """
    (first, slowest), (last, fastest) = table[0], table[-1]
    slope = (fastest - slowest) / (last - first)
    return max(rpm - slope * level for level, rpm in table), slope

"""Rules that say which settings may be run, beyond what a region's constraints can."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Factor, Region

__all__ = ["Allowed", "ask", "both", "forbid"]

Allowed = Callable[[pd.DataFrame], np.ndarray]
"""Takes settings in natural units, returns one boolean a row."""


def forbid(region: Region, combinations: Sequence[Mapping[str, object]]) -> Allowed | None:
    """A rule that refuses the given combinations.

    Parameters
    ----------
    combinations : sequence of mapping
        Factor to a level, or to a range ``(low, high)`` in natural units, ends included. A
        run is refused if it matches every entry of one of them.

    Raises
    ------
    InputError
        If a factor or level is unknown, or a range is not a pair of numbers.
    """
    checked = []
    for number, combination in enumerate(combinations, 1):
        where = f"forbidden combination {number}"
        if not combination:
            raise InputError(where, combination, "it names no factor",
                             "Write it as {'pressure': (0, 5), 'cup': 'jar'}")
        checked.append([(name, *_bounds(region[name], value, f"{where}, factor '{name}'"))
                        for name, value in combination.items()])
    if not checked:
        return None

    def allowed(settings: pd.DataFrame) -> np.ndarray:
        good = np.ones(len(settings), bool)
        for entries in checked:
            hit = np.ones(len(settings), bool)
            for name, low, high in entries:
                values = settings[name].to_numpy()
                hit &= (values == low) if high is None else (values >= low) & (values <= high)
            good &= ~hit
        return good

    return allowed


def _bounds(factor: Factor, value: object, where: str) -> tuple[object, object]:
    if not factor.is_numeric:
        if value not in factor.levels:
            raise InputError(where, value, "no such level",
                             "Use one of: " + ", ".join(factor.levels))
        return value, None
    pair = value if isinstance(value, (tuple, list)) else (value, value)
    try:
        low, high = (float(v) for v in pair)
    except (TypeError, ValueError):
        raise InputError(where, value, "this is neither a number nor a range",
                         "Give a number or (low, high) in " + (factor.unit or "plain numbers")
                         ) from None
    if not low <= high:
        raise InputError(where, value, "the ends are not in order", "Give (low, high)")
    dust = 1e-9 * factor.half_range
    return low - dust, high + dust


def both(*rules: Allowed | None) -> Allowed | None:
    """One rule that asks for all the given ones."""
    given = [r for r in rules if r is not None]
    if len(given) < 2:
        return given[0] if given else None
    return lambda settings: np.logical_and.reduce([ask(r, settings) for r in given])


def ask(allowed: Allowed, settings: pd.DataFrame) -> np.ndarray:
    """The rule's answer for each setting, or `InputError` if it is not one boolean a row."""
    answer = np.asarray(allowed(settings))
    if answer.dtype != bool or answer.shape != (len(settings),):
        raise InputError("allowed", f"{answer.dtype} of shape {answer.shape}",
                         f"it must return one True or False for each of {len(settings)} settings",
                         "Return a boolean array, such as settings['time'] > 60")
    return answer

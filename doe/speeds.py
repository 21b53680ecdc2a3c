"""The two speeds of a step: in rpm, whichever way they are set, and as sums of the settings."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from doe.dial import Table, line_above
from doe.programme import LEVELS, quantity_of, source_of

__all__ = ["Dials", "Speeds", "speed_terms"]


class Dials(Protocol):
    """What is asked of a mixer here: its speed ranges and its tables of levels."""

    revolution_range: tuple[float, float]
    rotation_range: tuple[float, float]

    def levels_of(self, quantity: str) -> Table | None:
        """The table of a speed; None if there is none."""


@dataclass(frozen=True)
class Speeds:
    """The two speeds of a step, rpm, and their ratio; each a number or an array, None if unset.

    ``assumed`` says in words which speed is taken to be the mixer's greatest, since it is set as
    a level and the mixer has no table of levels; empty if none is.
    """

    revolution: float | np.ndarray | None
    rotation: float | np.ndarray | None
    ratio: float | np.ndarray | None
    assumed: str = ""


def speed_terms(names: Iterable[str], step: str, what: str, mixer: Dials | None = None, *,
                above: bool = False) -> tuple[tuple[float, tuple[str, ...]], ...] | None:
    """A speed of a step, rpm, as a sum of products of settings, as a `Constraint` has them.

    Parameters
    ----------
    names : iterable of str
        Factors and what is held.
    step : str
    what : {"revolution", "rotation"}
    mixer : Mixer, optional
        Its tables turn levels into speeds.
    above : bool
        Where the levels make no straight line, or have no table, take one that is nowhere below
        the speed.

    Returns
    -------
    tuple or None
        None if nothing sets the speed, or it is no such sum.
    """
    names = list(names)
    source = source_of(names, step, what)
    if source is None:
        return None
    quantity = quantity_of(source)
    if quantity == "rotation_ratio":
        revolution = speed_terms(names, step, "revolution", mixer, above=above)
        return revolution and tuple((c, (*own, source)) for c, own in revolution)
    if quantity not in LEVELS:
        return ((1.0, (source,)),)
    table = None if mixer is None else mixer.levels_of(quantity)
    if table is None:
        return ((getattr(mixer, f"{what}_range")[1], ()),) if mixer is not None and above else None
    start, slope = line_above(table)
    if not above and any(abs(start + slope * level - rpm) > 1e-6 for level, rpm in table):
        return None
    return tuple(term for term in ((start, ()), (slope, (source,))) if term[0])

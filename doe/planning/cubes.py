"""Cubes of few runs for composite plans: all two-factor interactions, nothing to spare.

In a composite plan the axial points tell the main effects, so in the cube these may be aliased
with two-factor interactions as long as the interactions are not aliased with each other
(Hartley 1959; called resolution III* by Draper & Lin 1990).

References
----------
Hartley, H. O. (1959). Smallest composite designs for quadratic response surfaces. *Biometrics*
15, 611–624.
Draper, N. R. & Lin, D. K. J. (1990). Small response-surface designs. *Technometrics* 32,
187–194.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.errors import InputError
from doe.planning.hadamard import balanced_columns
from doe.planning.regular import Fraction

__all__ = ["SmallCube", "small_cube"]

# Regular fractions with words of three factors but none of four (Hartley 1959).
_FRACTIONS = {
    3: Fraction(3, (0, 1), ((2, 0b011, 1),)),
    4: Fraction(4, (0, 1, 2), ((3, 0b011, 1),)),
    6: Fraction(6, (0, 1, 2, 3), ((4, 0b0011, 1), (5, 0b1100, 1))),
}

# Runs and columns of Plackett–Burman plans (Draper & Lin 1990): the fewest runs in which the
# interactions are independent, and the columns of largest |X'X| of the interactions that
# exchanges of one column found from 60 random starts or more.
_COLUMNS = {
    5: (12, (0, 3, 4, 6, 9)),
    7: (24, (2, 4, 6, 12, 15, 20, 21)),
    8: (32, (1, 6, 10, 11, 18, 22, 25, 28)),
    9: (40, (5, 6, 7, 10, 15, 17, 21, 32, 35)),
    10: (48, (3, 6, 9, 13, 19, 28, 34, 35, 37, 41)),
}


@dataclass(frozen=True)
class SmallCube:
    """Some columns of a Plackett–Burman plan, as far as a composite plan needs them."""

    runs: int
    chosen: tuple[int, ...]
    generators: tuple = ()
    resolution: int = 3

    def columns(self) -> np.ndarray:
        """Coded settings, ±1; shape (runs, k)."""
        return balanced_columns(self.runs)[:, self.chosen]


def small_cube(k: int) -> Fraction | SmallCube:
    """The cube of a small composite plan in k factors: 4, 8, 12, 16, 24, 32, 40 and 48 runs.

    Raises
    ------
    InputError
        If k is not 3 to 10.
    """
    if k in _FRACTIONS:
        return _FRACTIONS[k]
    if k not in _COLUMNS:
        raise InputError("factors", k, "a small composite plan takes 3 to 10",
                         "Use a central composite or an optimal plan")
    return SmallCube(*_COLUMNS[k])

"""Separation: outcomes that some settings foretell without exception, so that effects of any
size fit and maximum likelihood has no finite answer.

References
----------
Albert, A. & Anderson, J. A. (1984). On the existence of maximum likelihood estimates in
logistic regression models. *Biometrika* 71, 1–10.
Santner, T. J. & Duffy, D. E. (1986). A note on A. Albert and J. A. Anderson's conditions for
the existence of maximum likelihood estimates. *Biometrika* 73, 755–758.
Konis, K. (2007). *Linear Programming Algorithms for Detecting Separated Data in Binary
Logistic Regression Models*. DPhil thesis, University of Oxford.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import linalg, optimize

from doe.errors import InputError

__all__ = ["Separation", "find_separation"]

SMALL = 1e-6
"""Slopes up to here, where those that count are at least 1, are rounding."""

FAR = 1e3
"""A change of a coefficient that is as good as unbounded, on the same scale."""


@dataclass(frozen=True, eq=False)
class Separation:
    """A direction in which the likelihood never falls.

    Attributes
    ----------
    runs : ndarray of bool, shape (n,)
        The constraints that are strict along it: runs whose outcome is foretold.
    signs : ndarray, shape (p,)
        +1 or −1 where a coefficient runs away upwards or downwards, 0 where it stays finite,
        NaN where it runs away in a direction that the data leave open.
    direction : ndarray, shape (p,)
        The direction.
    """

    runs: np.ndarray
    signs: np.ndarray
    direction: np.ndarray


def find_separation(rising: np.ndarray, level: np.ndarray) -> Separation | None:
    """Look for a direction d with ``rising @ d >= 0``, not all zero, and ``level @ d == 0``.

    Parameters
    ----------
    rising : ndarray, shape (m, p)
        A row for each outcome whose likelihood keeps rising as ``row @ theta`` grows.
    level : ndarray, shape (k, p)
        A row for each outcome whose likelihood falls both ways.

    Returns
    -------
    Separation or None
        None if maximum likelihood has a finite answer (columns being independent).
    """
    space = linalg.null_space(level) if len(level) else np.eye(rising.shape[1])
    if not len(rising) or not space.shape[1]:
        return None
    rows, place = np.unique(np.round(rising @ space, 12), axis=0, return_inverse=True)
    m, q = rows.shape
    # The most constraints that can be strict at once: rows @ u >= s, 0 <= s <= 1, u free.
    found = _least(np.r_[np.zeros(q), -np.ones(m)], np.hstack([-rows, np.eye(m)]), np.zeros(m),
                   [(None, None)] * q + [(0, 1)] * m)
    strict = found[q:] > SMALL
    if not strict.any():
        return None
    signs = np.array([_sign(direction, rows, strict) for direction in space])
    return Separation(strict[place.ravel()], signs, space @ found[:q])


def _sign(direction: np.ndarray, rows: np.ndarray, strict: np.ndarray) -> float:
    """Where ``direction @ u`` goes among all u with ``rows @ u >= strict``."""
    if np.abs(direction).max() < SMALL:
        return 0.0
    # One row more keeps the least and the greatest value finite.
    upper = np.vstack([-rows, direction, -direction])
    limit = np.r_[-strict.astype(float), FAR, FAR]
    bounds = [(None, None)] * len(direction)
    least = float(direction @ _least(direction, upper, limit, bounds))
    most = float(direction @ _least(-direction, upper, limit, bounds))
    if least > SMALL or most < -SMALL:
        return 1.0 if least > SMALL else -1.0
    return 0.0 if most - least < SMALL else np.nan


def _least(cost: np.ndarray, upper: np.ndarray, limit: np.ndarray, bounds: list) -> np.ndarray:
    found = optimize.linprog(cost, upper, limit, bounds=bounds, method="highs")
    if found.x is None:
        raise InputError("model", found.message, "the check for separation could not be finished",
                         "Leave terms out of the model")
    return found.x

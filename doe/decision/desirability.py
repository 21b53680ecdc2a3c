"""Desirability: how far a response goes from useless (0) to fully wanted (1).

References
----------
Derringer, G. & Suich, R. (1980). Simultaneous optimization of several response variables.
*Journal of Quality Technology* 12(4), 214–219.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from doe.errors import InputError
from doe.responses import Response
from doe.wording import digits

__all__ = ["Ends", "desirability", "ends", "overall"]

_ROUNDING = 1e-9


@dataclass(frozen=True)
class Ends:
    """Where a response's desirability is 0 and where it is 1, in the response's unit.

    Parameters
    ----------
    zero_low, one_low, one_high, zero_high : float
        It is 0 at or below `zero_low`, rises to 1 at `one_low`, stays 1 up to `one_high` and
        falls to 0 at `zero_high`; an infinite pair leaves that side out, and an equal pair
        makes it a step that still counts as 1 at the end itself.
    """

    zero_low: float
    one_low: float
    one_high: float
    zero_high: float

    def of(self, values) -> np.ndarray:
        """Desirability of the values, with exponents 1; same shape."""
        values = np.asarray(values, float)
        return np.minimum(_rise(values, self.zero_low, self.one_low),
                          _rise(-values, -self.zero_high, -self.one_high))

    @property
    def span(self) -> float:
        """The widest stretch between 0 and 1; 0 if both sides are steps or left out."""
        widths = [self.one_low - self.zero_low, self.zero_high - self.one_high]
        return max((w for w in widths if math.isfinite(w)), default=0.0)

    @property
    def sentence(self) -> str:
        """The ends in words."""
        parts = []
        if math.isfinite(self.zero_low):
            parts.append(f"0 at or below {digits(self.zero_low)}")
        if math.isfinite(self.one_low) and math.isfinite(self.one_high):
            same = self.one_low == self.one_high
            parts.append(f"1 at {digits(self.one_low)}" if same else
                         f"1 from {digits(self.one_low)} to {digits(self.one_high)}")
        elif math.isfinite(self.one_low):
            parts.append(f"1 at or above {digits(self.one_low)}")
        else:
            parts.append(f"1 at or below {digits(self.one_high)}")
        if math.isfinite(self.zero_high):
            parts.append(f"0 at or above {digits(self.zero_high)}")
        return ", ".join(parts)


def _rise(values: np.ndarray, zero: float, one: float) -> np.ndarray:
    if not math.isfinite(one):
        return np.ones_like(values)
    if one <= zero:
        return (values >= zero - _ROUNDING * max(1.0, abs(zero))).astype(float)
    return np.clip((values - zero) / (one - zero), 0.0, 1.0)


def ends(response: Response, reach: tuple[float, float] | None = None) -> Ends:
    """Where the desirability of a response is 0 and where it is 1.

    Useless (0) is at the specification limit, or at the worst value in reach where there is
    none. Fully wanted (1) is the target, or the best value in reach where there is none.
    A limit on the side of the goal (an `upper` limit of a response to be maximised) cuts the
    desirability to 0 beyond it.

    Parameters
    ----------
    response : Response
    reach : (float, float), optional
        Worst and best value (for a target: least and greatest) that can be had in the region.

    Raises
    ------
    InputError
        If an end follows from the reach, but none is given.
    """
    if response.goal == "maximise":
        mirrored = _falling(response, reach, -1.0)
        return Ends(*(-v for v in reversed(mirrored)))
    if response.goal == "minimise":
        return Ends(*_falling(response, reach, 1.0))
    low, high = _sorted(response, reach, needed=None in (response.lower, response.upper))
    target = response.target
    zero_low = response.lower if response.lower is not None else min(low, target)
    zero_high = response.upper if response.upper is not None else max(high, target)
    if response.lower is None and zero_low == target:   # that side is out of reach
        zero_low = target - (zero_high - target)
    if response.upper is None and zero_high == target:
        zero_high = target + (target - zero_low)
    return Ends(zero_low, target, target, zero_high)


def _falling(response: Response, reach, sign: float) -> tuple[float, float, float, float]:
    """The ends of sign × response, which is to be minimised."""
    limits = [None if v is None else sign * v for v in (response.lower, response.upper)]
    lower, upper = limits if sign > 0 else reversed(limits)
    target = None if response.target is None else sign * response.target
    low, high = _sorted(response, reach, needed=upper is None or target is None)
    low, high = (low, high) if sign > 0 else (-high, -low)
    one = target if target is not None else low if lower is None else max(low, lower)
    zero = upper if upper is not None else max(high, one)
    cut = -math.inf if lower is None else lower
    return cut, cut, min(one, zero), zero


def _sorted(response: Response, reach, needed: bool) -> tuple[float, float]:
    if reach is None:
        if needed:
            raise InputError(f"response '{response.name}', reach", None,
                             "its limits and target do not say what is useless and what is fully "
                             "wanted", "Give the worst and the best value in reach, or a "
                             "specification limit and a target")
        return math.nan, math.nan
    low, high = sorted(float(v) for v in reach)
    if not (math.isfinite(low) and math.isfinite(high)):
        raise InputError(f"response '{response.name}', reach", reach, "it is not finite",
                         "Give two plain numbers")
    return low, high


def desirability(response: Response, values, reach: tuple[float, float] | None = None
                 ) -> np.ndarray:
    """Individual desirability of values of a response (exponents 1).

    Parameters
    ----------
    response : Response
    values : array_like
        In the response's unit.
    reach : (float, float), optional
        Worst and best value in the region, where target or limit does not give the end.

    Returns
    -------
    ndarray
        From 0 to 1, shape of `values`.

    Examples
    --------
    >>> voids = Response("voids", "%", goal="minimise", target=1.0, upper=5.0)
    >>> desirability(voids, [0.5, 1.0, 2.0, 5.0, 9.0])
    array([1.  , 1.  , 0.75, 0.  , 0.  ])
    """
    return ends(response, reach).of(values)


def overall(parts, importance: Sequence[float] | None = None) -> np.ndarray:
    """Weighted geometric mean of individual desirabilities; 0 if any of them is 0.

    Parameters
    ----------
    parts : array_like, shape (..., r)
    importance : sequence of float, length r, optional
        Weights above 0; equal if not given. Derringer & Suich have equal weights.

    Returns
    -------
    ndarray, shape (...)
    """
    parts = np.asarray(parts, float)
    weights = np.ones(parts.shape[-1]) if importance is None else np.asarray(importance, float)
    with np.errstate(divide="ignore"):
        return np.exp(np.log(parts) @ (weights / weights.sum()))

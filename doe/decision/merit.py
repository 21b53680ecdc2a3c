"""What the search for a recipe maximises."""

from __future__ import annotations

import numpy as np

from doe.decision.desirability import ends, overall
from doe.decision.surface import Stack

__all__ = ["Merit"]

_LEAST = 0.02
"""Desirability below which its logarithm goes on in a straight line, so that a gradient leads
out of the flat part at 0."""
_ROUNDING = 1e-9


class Merit:
    """Overall desirability, or minus the shortfall where a limit is missed.

    Parameters
    ----------
    stack : Stack
    reaches : ndarray, shape (r, 2)
        Least and greatest predicted mean of each response in the region.
    secure : bool
        Ask for the prediction interval, not only the mean, to be within the limits.
    """

    def __init__(self, stack: Stack, reaches: np.ndarray, secure: bool) -> None:
        self.stack, self.secure = stack, secure
        responses = stack.responses
        self.ends = [ends(r, tuple(e)) for r, e in zip(responses, reaches, strict=True)]
        self.weights = np.array([r.importance for r in responses])
        self.lower = np.array([-np.inf if r.lower is None else r.lower for r in responses])
        self.upper = np.array([np.inf if r.upper is None else r.upper for r in responses])
        width = reaches[:, 1] - reaches[:, 0]
        spans = np.array([e.span for e in self.ends])
        self.scale = np.where(spans > 0, spans, np.where(width > 0, width, 1.0))
        self._rise = [self._side(e.one_low, e.one_low - e.zero_low, s)
                      for e, s in zip(self.ends, self.scale, strict=True)]
        self._fall = [self._side(e.one_high, e.zero_high - e.one_high, s)
                      for e, s in zip(self.ends, self.scale, strict=True)]

    @staticmethod
    def _side(one: float, width: float, scale: float) -> tuple[float, float]:
        return one, (width if np.isfinite(width) and width > 0 else scale)

    def parts(self, means: np.ndarray) -> np.ndarray:
        """Individual desirabilities of predicted means; (n, r)."""
        return np.column_stack([e.of(means[:, r]) for r, e in enumerate(self.ends)])

    def shortfalls(self, encoded: np.ndarray, means: np.ndarray | None = None) -> np.ndarray:
        """How far each response misses its limits, in spans of its desirability; (n, r)."""
        if self.secure:
            _, low, high = self.stack.intervals(encoded)
        else:
            low = high = self.stack.means(encoded) if means is None else means
        miss = np.maximum(self.lower - low, high - self.upper) / self.scale
        return np.where(miss > _ROUNDING, miss, 0.0)

    def exact(self, encoded: np.ndarray, _owner=None) -> np.ndarray:
        """The merit that ranks settings: below 0 where a limit is missed; (n,)."""
        means = self.stack.means(encoded)
        short = self.shortfalls(encoded, means) @ self.weights
        return np.where(short > 0, -short, overall(self.parts(means), self.weights))

    def smooth(self, encoded: np.ndarray) -> np.ndarray:
        """Logarithm of the overall desirability, continued in a straight line below."""
        means = self.stack.means(encoded)
        total = np.zeros(len(encoded))
        for r, ((up, rise), (down, fall)) in enumerate(zip(self._rise, self._fall, strict=True)):
            share = np.ones(len(encoded))
            if np.isfinite(up):
                share = np.minimum(share, 1 + (means[:, r] - up) / rise)
            if np.isfinite(down):
                share = np.minimum(share, 1 + (down - means[:, r]) / fall)
            safe = np.maximum(share, _LEAST)
            total += self.weights[r] * (np.log(safe) + (share - safe) / _LEAST)
        total /= self.weights.sum()
        if self.secure:
            total -= self.shortfalls(encoded) @ self.weights / _LEAST
        return total

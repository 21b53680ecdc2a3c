"""Likelihood of normal readings of which some are known only to lie beyond a limit.

References
----------
Tobin, J. (1958). Estimation of relationships for limited dependent variables. *Econometrica*
26, 24–36.
Olsen, R. J. (1978). Note on the uniqueness of the maximum likelihood estimator for the Tobit
model. *Econometrica* 46, 1211–1215 (in coefficients over σ and 1/σ the log-likelihood is
concave).
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from scipy import special

from doe.analysis.kinds.likelihood import Maximum

__all__ = ["Tobit", "end_densities", "natural"]

_LOG_ROOT = np.log(2 * np.pi) / 2

FURTHEST = 1e4
"""Standard deviations beyond which a reading counts as impossible."""


class Tobit:
    """Log-likelihood of normal readings of which some are known only to lie between two ends.

    The parameters are the coefficients over σ, then 1/σ.

    Parameters
    ----------
    matrix : ndarray, shape (n, p)
    low, high : ndarray, shape (n,)
        On the model's scale; equal for a plain reading, infinite where an end is open.
    """

    def __init__(self, matrix: np.ndarray, low: np.ndarray, high: np.ndarray) -> None:
        self.matrix, self.low, self.high = matrix, low, high
        self.exact = low == high
        self._finite_low = np.where(np.isfinite(low), low, 0.0)
        self._finite_high = np.where(np.isfinite(high), high, 0.0)

    def rebuilt(self, matrix: np.ndarray, shift: np.ndarray | float = 0.0) -> Tobit:
        """The same readings less `shift` on other columns."""
        return Tobit(matrix, self.low - shift, self.high - shift)

    def _ends(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        eta = self.matrix @ theta[:-1]
        return (np.where(np.isfinite(self.low), theta[-1] * self._finite_low - eta, -np.inf),
                np.where(np.isfinite(self.high), theta[-1] * self._finite_high - eta, np.inf))

    def value(self, theta: np.ndarray) -> float:
        if not theta[-1] > 0:
            return -np.inf
        a, b = self._ends(theta)
        if (a > FURTHEST).any() or (b < -FURTHEST).any():
            return -np.inf
        plain = np.log(theta[-1]) - _LOG_ROOT - a[self.exact] ** 2 / 2
        return float(plain.sum() + _log_between(a[~self.exact], b[~self.exact]).sum())

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope and curvature of each run's log-likelihood in its linear predictor (over σ); two
        arrays of shape (n,)."""
        a, b = self._ends(theta)
        slope, weight, cut = a.copy(), np.ones(len(a)), ~self.exact
        low, high = a[cut], b[cut]
        ra, rb = end_densities(low, high)
        slope[cut] = ra - rb
        weight[cut] = (slope[cut] ** 2 + np.where(np.isfinite(high), high, 0) * rb
                       - np.where(np.isfinite(low), low, 0) * ra)
        return slope, weight

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """With the observed information."""
        a, b = self._ends(theta)
        by_a, by_b = np.zeros(len(a)), np.zeros(len(a))
        aa, bb, ab = np.zeros(len(a)), np.zeros(len(a)), np.zeros(len(a))
        by_a[self.exact], aa[self.exact] = -a[self.exact], -1.0
        cut = ~self.exact
        low, high = a[cut], b[cut]
        ra, rb = end_densities(low, high)
        by_a[cut], by_b[cut] = -ra, rb
        aa[cut] = np.where(np.isfinite(low), low, 0) * ra - ra**2
        bb[cut] = -np.where(np.isfinite(high), high, 0) * rb - rb**2
        ab[cut] = ra * rb
        for_a = np.column_stack([-self.matrix, self._finite_low])
        for_b = np.column_stack([-self.matrix, self._finite_high])
        gradient = for_a.T @ by_a + for_b.T @ by_b
        mixed = for_a.T @ (ab[:, None] * for_b)
        information = -(for_a.T @ (aa[:, None] * for_a) + for_b.T @ (bb[:, None] * for_b)
                        + mixed + mixed.T)
        count = self.exact.sum()
        gradient[-1] += count / theta[-1]
        information[-1, -1] += count / theta[-1] ** 2
        return gradient, information


def end_densities(a: np.ndarray, b: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Normal densities at a and at b over the chance between them; two arrays of shape (n,).

    Their difference is the mean of normal noise known to lie between.
    """
    inside = _log_between(a, b)
    return np.exp(-a**2 / 2 - _LOG_ROOT - inside), np.exp(-b**2 / 2 - _LOG_ROOT - inside)


def _log_between(a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Logarithm of the normal chance from a to b, without loss of digits in either tail."""
    flip = a > 0
    low, high = np.where(flip, -b, a), np.where(flip, -a, b)
    upper, lower = special.log_ndtr(high), special.log_ndtr(low)
    with np.errstate(divide="ignore"):
        return upper + np.log(-np.expm1(lower - upper))


def natural(best: Maximum) -> Maximum:
    """The maximum in coefficients and log σ."""
    scaled, rate = best.theta[:-1], best.theta[-1]
    change = np.eye(len(best.theta)) * rate  # of the search's parameters with these
    change[:-1, -1] = -scaled
    change[-1, -1] = -rate
    return replace(best, theta=np.r_[scaled / rate, -np.log(rate)],
                   information=change.T @ best.information @ change)

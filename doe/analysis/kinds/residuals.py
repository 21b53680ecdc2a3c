"""Run-by-run diagnostics of fits by maximum likelihood, the same for every kind of reading.

A reading's *quantile residual* is its place in the distribution that the model foretells for its
run, written as a normal score: −1.96 if 2.5 % of such readings would be smaller. It is normal
whatever the distribution. Counts, grades and readings beyond a limit fill a whole stretch of
places, of which one is drawn at random.

References
----------
Dunn, P. K. & Smyth, G. K. (1996). Randomized quantile residuals. *Journal of Computational and
Graphical Statistics* 5, 236–244.
Li, C. & Shepherd, B. E. (2012). A new residual for ordinal outcomes. *Biometrika* 99, 473–480
(for grades, the slope in the linear predictor is their residual).
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd edition, chapter 12.
Pregibon, D. (1981). Logistic regression diagnostics. *Annals of Statistics* 9, 705–724 (leverage,
and influence by one step).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np
from scipy import special

from doe.analysis.diagnostics import FULL_LEVERAGE
from doe.analysis.kinds.tobit import end_densities

__all__ = ["SEED", "Influence", "generalised", "normal_score", "standardise"]

if TYPE_CHECKING:
    from doe.analysis.kinds.face import KindFit

SEED = 1996
"""Of the places drawn within stretches."""

LEAST_SCALE = 1e-6
"""Least dispersion without a run, relative to that with it."""


@dataclass(frozen=True, eq=False)
class Influence:
    """Each run's pull on the coefficients, everything else of the model held.

    Attributes
    ----------
    matrix : ndarray, shape (n, p)
        The model's columns.
    slope, weight : ndarray, shape (n,)
        First derivative of each run's log-likelihood in its linear predictor, and the second
        with its sign turned (or what is expected of it).
    dispersion : float
    """

    matrix: np.ndarray
    slope: np.ndarray
    weight: np.ndarray
    dispersion: float

    @cached_property
    def root(self) -> np.ndarray:
        """The columns, each run's by the root of its weight; shape (n, p)."""
        return np.sqrt(self.weight)[:, None] * self.matrix

    @cached_property
    def leverage(self) -> np.ndarray:
        """Diagonal of the weighted hat matrix; shape (n,)."""
        q = np.linalg.qr(self.root)[0]
        return np.clip(np.einsum("ij,ij->i", q, q), 0.0, 1.0)

    @cached_property
    def free(self) -> np.ndarray:
        """Which runs the fit is not forced through; boolean, shape (n,)."""
        return self.leverage < FULL_LEVERAGE

    @cached_property
    def left(self) -> np.ndarray:
        """1 less the leverage, missing where that is nothing; shape (n,)."""
        return np.where(self.free, 1 - self.leverage, np.nan)

    @cached_property
    def pearson(self) -> np.ndarray:
        """Slopes by the root of their weight (Pearson's residuals); shape (n,)."""
        with np.errstate(divide="ignore", invalid="ignore"):
            return np.where(self.weight > 0, self.slope / np.sqrt(self.weight), 0.0)

    @cached_property
    def standardised(self) -> np.ndarray:
        """Pearson's residuals by their standard deviation; shape (n,)."""
        return self.pearson / np.sqrt(self.dispersion * self.left)

    @cached_property
    def cooks_distance(self) -> np.ndarray:
        """How far one step without the run moves the coefficients; shape (n,)."""
        return self.standardised**2 * self.leverage / (self.left * self.matrix.shape[1])

    def dispersion_without(self, df: float) -> np.ndarray:
        """The dispersion without each run, relative to that with it; shape (n,)."""
        if not 1 < df < np.inf:
            return np.ones(len(self.slope))
        return np.maximum((df - self.standardised**2) / (df - 1), LEAST_SCALE)


def normal_score(below: np.ndarray, above: np.ndarray) -> np.ndarray:
    """Normal quantile of a chance given with its complement, without loss of digits."""
    return np.where(below < 0.5, special.ndtri(below), -special.ndtri(above))


def _truncated(chance: np.ndarray, a: np.ndarray, b: np.ndarray) -> np.ndarray:
    """Quantiles of normal noise known to lie between a and b, without loss of digits in the
    tails."""
    flip = a > 0
    low, high = np.where(flip, -b, a), np.where(flip, -a, b)
    share = np.where(flip, 1 - chance, chance)
    with np.errstate(divide="ignore"):
        below = np.logaddexp(special.log_ndtr(low) + np.log1p(-share),
                             special.log_ndtr(high) + np.log(share))
    return np.where(flip, -1, 1) * np.clip(special.ndtri_exp(below), low, high)


def standardise(low: np.ndarray, high: np.ndarray, left: np.ndarray,
                uniform: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Quantile residuals with the spread of noise.

    Fitting takes the share of the leverage off the variance of what the readings say; what is
    drawn at random is not fitted. So the middle of each stretch (its mean under the normal law) is
    divided by √(1 − leverage), and the drawn part is added as it is.

    Parameters
    ----------
    low, high : ndarray, shape (n,)
        Normal scores of the stretch that a reading fills; equal for a plain one.
    left : ndarray, shape (n,)
        1 − leverage.
    uniform : ndarray, shape (n,)
        Where in the stretch, from 0 to 1.

    Returns
    -------
    drawn, nearest : ndarray, shape (n,)
        The residuals, and those nearest to zero that the stretch holds.
    """
    drawn, middle, inner = low.copy(), low.copy(), low.copy()
    wide = high > low
    a, b = low[wide], high[wide]
    drawn[wide] = _truncated(uniform[wide], a, b)
    middle[wide] = np.subtract(*end_densities(a, b))
    inner[wide] = np.clip(0.0, a, b)
    fitted = middle / np.sqrt(left)
    nearest = fitted + inner - middle
    holds_zero = (fitted + low - middle <= 0) & (fitted + high - middle >= 0)
    return fitted + drawn - middle, np.where(holds_zero & wide, 0.0, nearest)


def generalised(fit: KindFit) -> dict[str, np.ndarray]:
    """Standardised residuals of a generalised linear model: Pearson's, and by deviance."""
    pull = fit.influence
    size = np.sqrt(np.maximum(fit.plain.deviance(fit.estimate.theta), 0.0))
    return {"pearson": pull.standardised,
            "deviance": np.sign(pull.slope) * size / np.sqrt(fit.dispersion * pull.left)}

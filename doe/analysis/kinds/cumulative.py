"""Likelihood of ordered grades, linear in the logits of reaching each grade.

References
----------
McCullagh, P. (1980). Regression models for ordinal data. *Journal of the Royal Statistical
Society B* 42, 109–142.
Peterson, B. & Harrell, F. E. (1990). Partial proportional odds models for ordinal response
variables. *Applied Statistics* 39, 205–217.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy import special

__all__ = ["Cumulative", "ProportionalOdds", "cell_probabilities", "design"]


class Cumulative:
    """Log-likelihood of ordered grades, logit of P(grade ≥ g) linear in the parameters.

    Parameters
    ----------
    design : ndarray, shape (n, K − 1, q)
        Columns for each run and each grade from the second up.
    grade : ndarray of int, shape (n,)
        From 0 to K − 1.
    """

    def __init__(self, design: np.ndarray, grade: np.ndarray) -> None:
        self.design, self.grade = design, grade
        n, steps, _ = design.shape
        rows = np.arange(n)
        self._bottom, self._top = grade == 0, grade == steps
        self._at_least = design[rows, np.maximum(grade - 1, 0)]
        self._more = design[rows, np.minimum(grade, steps - 1)]

    def _ends(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Logits of P(≥ own grade) and P(≥ next grade)."""
        return (np.where(self._bottom, np.inf, self._at_least @ theta),
                np.where(self._top, -np.inf, self._more @ theta))

    def value(self, theta: np.ndarray) -> float:
        a, b = self._ends(theta)
        if (a <= b).any() or not np.isfinite(theta).all():
            return -np.inf
        # σ(a) − σ(b) = σ(a) σ(−b) (1 − exp(b − a)), without loss of digits
        return float(np.sum(special.log_expit(a) + special.log_expit(-b)
                            + np.log(-np.expm1(b - a))))

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """With the observed information; the log-likelihood is concave (Pratt 1981, Journal of the
        American Statistical Association 76, 103–106)."""
        a, b = self._ends(theta)
        with np.errstate(over="ignore"):
            up = 1 / np.expm1(a - b) + special.expit(-a)  # d log p / da
            down = -1 / np.expm1(a - b) - special.expit(b)
        up, down = np.where(self._bottom, 0, up), np.where(self._top, 0, down)
        upper, lower = self._at_least, self._more
        mixed = upper.T @ ((up * down)[:, None] * lower)
        information = (upper.T @ ((up * (up + np.tanh(a / 2)))[:, None] * upper) + mixed + mixed.T
                       + lower.T @ ((down * (down + np.tanh(b / 2)))[:, None] * lower))
        return upper.T @ up + lower.T @ down, information

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope of each run's log-likelihood when all its logits move together, which is
        P(< own grade) − P(> own grade), and the slope's variance; two arrays of shape (n,)."""
        cells = self.probabilities(theta)
        upto = np.cumsum(cells, axis=1)
        slopes = upto - cells - (1 - upto)
        return slopes[np.arange(len(cells)), self.grade], np.sum(cells * slopes**2, axis=1)

    def probabilities(self, theta: np.ndarray) -> np.ndarray:
        """P(grade = g); shape (n, K)."""
        return cell_probabilities(self.design @ theta)

    def expected(self, theta: np.ndarray) -> np.ndarray:
        """The expected information; shape (q, q)."""
        eta = self.design @ theta
        slope = (special.expit(eta) * special.expit(-eta))[..., None] * self.design
        n, steps, q = slope.shape
        change = np.zeros((n, steps + 1, q))
        change[:, 1:] += slope
        change[:, :-1] -= slope
        change = change.reshape(-1, q)
        p = np.maximum(cell_probabilities(eta), 1e-300).ravel()
        return change.T @ (change / p[:, None])


def cell_probabilities(eta: np.ndarray) -> np.ndarray:
    """P(grade = g) from the logits of P(grade ≥ g), g = 2 to K; (..., K − 1) gives (..., K)."""
    at_least = special.expit(eta)
    ends = [(0, 0)] * (eta.ndim - 1)
    return (np.pad(at_least, [*ends, (1, 0)], constant_values=1)
            - np.pad(at_least, [*ends, (0, 1)], constant_values=0))


class ProportionalOdds(Cumulative):
    """Every threshold has a level of its own, and the columns' coefficients are shared.

    The parameters are the K − 1 levels, then the coefficients of `matrix` without its
    first column (the intercept).
    """

    def __init__(self, matrix: np.ndarray, grade: np.ndarray, steps: int,
                 free: Sequence[int] = ()) -> None:
        self.matrix, self.steps, self.free = matrix, steps, list(free)
        super().__init__(design(matrix, steps, self.free), grade)

    def rebuilt(self, matrix: np.ndarray) -> ProportionalOdds:
        """The same grades on other columns."""
        return ProportionalOdds(matrix, self.grade, self.steps)

    def rising(self) -> tuple[np.ndarray, np.ndarray]:
        """Rows whose product with the parameters each run's likelihood keeps rising with: of the
        runs above the lowest grade, and of those below the highest."""
        return self._at_least[~self._bottom], -self._more[~self._top]

    def freed(self, columns: Sequence[int]) -> ProportionalOdds:
        """With coefficients of their own at every threshold for some columns; the differences from
        the first threshold come after the other parameters."""
        return ProportionalOdds(self.matrix, self.grade, self.steps, columns)


def design(matrix: np.ndarray, steps: int, free: Sequence[int] = ()) -> np.ndarray:
    """Columns for each run and threshold, (n, p) to (n, K − 1, q): the levels, the shared columns
    without the intercept, and differences from the first threshold for the freed ones."""
    n, p = matrix.shape
    levels = np.broadcast_to(np.eye(steps), (n, steps, steps))
    shared = np.broadcast_to(matrix[:, None, 1:], (n, steps, p - 1))
    own = [np.eye(steps)[None, :, 1:] * matrix[:, j, None, None] for j in free]
    return np.concatenate([levels, shared, *own], axis=2)

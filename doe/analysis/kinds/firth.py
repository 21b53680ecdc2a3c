"""Likelihood penalised by Jeffreys' prior: finite estimates whatever the data, and less bias.

References
----------
Firth, D. (1993). Bias reduction of maximum likelihood estimates. *Biometrika* 80, 27–38.
Heinze, G. & Schemper, M. (2002). A solution to the problem of separation in logistic
regression. *Statistics in Medicine* 21, 2409–2419 (intervals and tests by the penalised
likelihood's profile).
"""

from __future__ import annotations

import numpy as np

__all__ = ["Firth"]

STEP = 1e-5


class Firth:
    """A likelihood plus half the logarithm of the determinant of its information.

    Parameters
    ----------
    likelihood : object
        With ``value``, ``slopes`` and ``rebuilt``. Its information is that of ``expected``, or
        of ``slopes`` where that is the expected one. Where it has ``weight(theta)`` and
        ``log_weight_slope(theta)`` (each run's weight and the slope of its logarithm in the
        linear predictor, shape (n,)), the penalty's gradient is exact, otherwise by central
        differences of the information.
    """

    def __init__(self, likelihood) -> None:
        self.plain = likelihood

    def rebuilt(self, matrix: np.ndarray) -> Firth:
        """The same runs on other columns."""
        return Firth(self.plain.rebuilt(matrix))

    def information(self, theta: np.ndarray) -> np.ndarray:
        """The expected information; shape (q, q)."""
        if hasattr(self.plain, "expected"):
            return self.plain.expected(theta)
        return self.plain.slopes(theta)[1]

    def value(self, theta: np.ndarray) -> float:
        value = self.plain.value(theta)
        if not np.isfinite(value):
            return -np.inf
        sign, log_det = np.linalg.slogdet(self.information(theta))
        return value + log_det / 2 if sign > 0 and np.isfinite(log_det) else -np.inf

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        gradient, information = self.plain.slopes(theta)[0], self.information(theta)
        inverse = np.linalg.pinv(information, hermitian=True)
        if hasattr(self.plain, "log_weight_slope"):
            x = self.plain.matrix
            leverage = self.plain.weight(theta) * np.einsum("ij,jk,ik->i", x, inverse, x)
            return gradient + x.T @ (leverage * self.plain.log_weight_slope(theta)) / 2, information
        penalty = np.empty(len(theta))
        for k, unit in enumerate(np.eye(len(theta)) * STEP):
            change = self.information(theta + unit) - self.information(theta - unit)
            penalty[k] = np.sum(inverse * change) / (4 * STEP)
        return gradient + penalty, information

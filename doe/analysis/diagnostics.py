"""Run-by-run diagnostics and the order of the residuals.

References
----------
Cook, R. D. (1977). Detection of influential observation in linear regression.
*Technometrics* 19, 15–18.
Durbin, J. & Watson, G. S. (1950, 1951). Testing for serial correlation in least squares
regression. *Biometrika* 37, 409–428; 38, 159–178.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats
from statsmodels.stats.outliers_influence import OLSInfluence
from statsmodels.stats.stattools import durbin_watson

__all__ = ["SerialCorrelation", "normal_scores", "run_diagnostics", "serial_correlation"]

FULL_LEVERAGE = 1 - 1e-8
"""Leverage from here up means that the fit must pass through the run."""

ROUNDING = 1e-24
"""Residual sum of squares relative to the response's that is nothing but rounding."""


def normal_scores(values: np.ndarray) -> np.ndarray:
    """Expected normal order statistics of the values' ranks, missing ones left missing.

    Blom's approximation (1958), ``(rank − 3/8) / (n + 1/4)``.
    """
    values = np.asarray(values, float)
    known = np.isfinite(values)
    out = np.full(len(values), np.nan)
    ranks = stats.rankdata(values[known])
    out[known] = stats.norm.ppf((ranks - 0.375) / (known.sum() + 0.25))
    return out


def run_diagnostics(results, run: np.ndarray, order: np.ndarray,
                    shift: float = 0.0) -> pd.DataFrame:
    """Residuals, leverage and influence of each run.

    Parameters
    ----------
    results : statsmodels RegressionResults
    run : ndarray
        The runs' names.
    order : ndarray
        Their place in time, 1 first.
    shift : float
        To be added to the model's response.

    Returns
    -------
    DataFrame
        ``run, order, observed, fitted, residual`` on the model's scale; ``standardised``
        (internally studentised residual), ``studentised`` (externally: the run itself left out of
        the noise), ``leverage, cooks_distance, normal_score`` (of the studentised
        residual). What cannot be computed, for runs that the fit must pass through or
        without degrees of freedom for error, is missing.
    """
    influence = OLSInfluence(results)
    leverage = np.clip(np.asarray(influence.hat_matrix_diag), 0, 1)
    residual = np.asarray(results.resid)
    free = (leverage < FULL_LEVERAGE) & (results.df_resid > 0)
    blank = np.full(len(residual), np.nan)
    standardised, studentised, cook = blank.copy(), blank.copy(), blank.copy()
    endog = np.asarray(results.model.endog)
    if free.any() and results.ssr > ROUNDING * (endog @ endog):
        with np.errstate(invalid="ignore", divide="ignore"):
            standardised[free] = np.asarray(influence.resid_studentized_internal)[free]
            cook[free] = np.asarray(influence.cooks_distance[0])[free]
            if results.df_resid > 1:
                # The closed form of the variance without a run spares a fit for each run.
                without = (results.ssr - residual**2 / (1 - leverage)) / (results.df_resid - 1)
                sd = np.sqrt(np.maximum(without, 0))
                studentised[free] = influence.get_resid_studentized_external(sigma=sd)[free]
    return pd.DataFrame({
        "run": run, "order": order,
        "observed": np.asarray(results.model.endog) + shift,
        "fitted": np.asarray(results.fittedvalues) + shift,
        "residual": np.where(leverage < FULL_LEVERAGE, residual, 0.0) if results.df_resid
        else np.zeros(len(residual)),
        "standardised": standardised, "studentised": studentised, "leverage": leverage,
        "cooks_distance": cook,
        "normal_score": normal_scores(studentised if np.isfinite(studentised).any()
                                      else standardised),
    })


@dataclass(frozen=True)
class SerialCorrelation:
    """Durbin–Watson statistic of the residuals in run order.

    Attributes
    ----------
    statistic : float
        Near 2 without correlation; towards 0 if neighbours in time are alike.
    correlation : float
        Of residuals that follow each other.
    p : float
        Two-sided, by a beta approximation with the exact mean and variance.
    """

    statistic: float
    correlation: float
    p: float


def serial_correlation(residual: np.ndarray, matrix: np.ndarray,
                       order: np.ndarray) -> SerialCorrelation | None:
    """Durbin–Watson test in run order; None with fewer than three degrees of freedom."""
    n, p = matrix.shape
    df = n - p
    place = np.argsort(order, kind="stable")
    e, x = np.asarray(residual)[place], np.asarray(matrix)[place]
    if df < 3 or not e @ e > 0:
        return None
    statistic = float(durbin_watson(e))
    q, _ = np.linalg.qr(x)
    # Moments of the statistic from A, the matrix of squared steps, and M, which makes
    # residuals: tr(MA) and tr(MAMA), without forming either.
    steps = np.diff(q, axis=0, prepend=q[:1], append=q[-1:])
    aq = -np.diff(steps, axis=0)
    qaq = q.T @ aq
    trace = 2 * (n - 1) - np.trace(qaq)
    square = 6 * n - 8 - 2 * np.sum(aq**2) + np.sum(qaq * qaq.T)
    mean = trace / df
    variance = 2 * (square - trace * mean) / (df * (df + 2))
    # A beta law on 0..4 with these moments, as Durbin & Watson (1951) advise.
    m, v = mean / 4, variance / 16
    size = m * (1 - m) / v - 1
    law = stats.beta(m * size, (1 - m) * size)
    tail = min(law.cdf(statistic / 4), law.sf(statistic / 4))
    lag = float(e[1:] @ e[:-1] / (e @ e))
    return SerialCorrelation(statistic, lag, float(2 * tail))

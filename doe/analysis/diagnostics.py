"""Run-by-run diagnostics and the order of the residuals.

References
----------
Atkinson, A. C. (1981). Two graphical displays for outlying and influential observations in
regression. *Biometrika* 68, 13–20 (residuals of simulated noise).
Cook, R. D. (1977). Detection of influential observation in linear regression.
*Technometrics* 19, 15–18.
Cook, R. D. & Weisberg, S. (1982). *Residuals and Influence in Regression*. Chapman & Hall.
Sections 2.2.2 (Bonferroni limit for the largest residual), 3.5 (a distance of 1).
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

__all__ = ["FULL_LEVERAGE", "LARGE_COOK", "SerialCorrelation", "beyond_noise", "normal_scores",
           "outlier_limit", "run_diagnostics", "run_names", "serial_correlation",
           "simulated_residuals", "studentised_noise"]

FULL_LEVERAGE = 1 - 1e-8
"""Leverage from here up means that the fit must pass through the run."""

LARGE_COOK = 1.0
"""Cook's distance above which one run moves the fit notably (Cook & Weisberg 1982)."""

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
        the noise), ``df`` (it is t on one less), ``leverage, cooks_distance, normal_score`` (of the
        studentised residual). What cannot be computed, for runs that the fit must pass through
        or without degrees of freedom for error, is missing.
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
        "standardised": standardised, "studentised": studentised,
        "df": float(results.df_resid), "leverage": leverage, "cooks_distance": cook,
        "normal_score": normal_scores(studentised if np.isfinite(studentised).any()
                                      else standardised),
    })


def run_names(data: pd.DataFrame) -> np.ndarray:
    """Names of the runs: column "run", else 1 to n."""
    return data["run"].to_numpy() if "run" in data else np.arange(1, len(data) + 1)


def outlier_limit(table: pd.DataFrame) -> np.ndarray:
    """Bonferroni limit at 5 % for the largest studentised residual, a value for each run.

    Parameters
    ----------
    table : DataFrame
        The diagnostics of a fit of any kind. Where ``df`` is at most 1 the limit is missing.
    """
    df, count = table["df"].to_numpy() - 1, int(table["studentised"].notna().sum())
    return stats.t.ppf(1 - 0.05 / (2 * max(count, 1)), np.where(df > 0, df, np.nan))


def beyond_noise(table: pd.DataFrame) -> np.ndarray:
    """Which runs lie further from the fit than noise explains; boolean, shape (n,).

    Where a part of the residual was drawn at random, by its value ``nearest`` to zero.
    """
    size = table["nearest" if "nearest" in table else "studentised"].abs().to_numpy()
    return size > outlier_limit(table)


def simulated_residuals(matrix: np.ndarray, draws: int, seed: int, *,
                        known: bool = False) -> np.ndarray:
    """Studentised residuals of least squares on these columns where there is nothing but noise.

    Parameters
    ----------
    matrix : ndarray, shape (n, p)
    draws, seed : int
    known : bool
        True if the noise need not be estimated.

    Returns
    -------
    ndarray, shape (draws, m)
        For the m runs that the fit is not forced through.
    """
    q = np.linalg.svd(matrix, full_matrices=False)[0]
    leverage = np.einsum("ij,ij->i", q, q)
    free = leverage < FULL_LEVERAGE
    noise = np.random.default_rng(seed).standard_normal((draws, len(q)))
    residual = (noise - noise @ q @ q.T)[:, free]
    inner = residual / np.sqrt(1 - leverage[free])
    return inner if known else studentised_noise(inner, np.sum(residual**2, axis=1),
                                                 len(q) - matrix.shape[1])


def studentised_noise(deviation: np.ndarray, squares: np.ndarray, df: int) -> np.ndarray:
    """Externally studentised residuals from those by their true standard deviation.

    Parameters
    ----------
    deviation : ndarray, shape (draws, m)
    squares : ndarray, shape (draws,)
        Residual sums of squares in units of the noise's variance.
    df : int
        Their degrees of freedom.
    """
    inner = deviation / np.sqrt(squares[:, None] / df)
    return inner * np.sqrt((df - 1) / np.maximum(df - inner**2, 1e-12))


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

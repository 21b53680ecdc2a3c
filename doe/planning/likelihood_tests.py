"""Likelihood-ratio tests of every coefficient, for many simulated studies at once.

Poisson counts and binomial shares with their natural links, fitted by iteratively reweighted
least squares (Nelder & Wedderburn 1972). statsmodels fits one study at a time; a simulation
needs thousands of fits of the same small model, which one array operation does some hundred
times faster. The tests are the deviance differences, and with extra scatter the quasi-likelihood
F tests, of McCullagh & Nelder (1989, sections 2.3, 4.5 and 6.2.4).

References
----------
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd ed. Chapman & Hall.
Nelder, J. A. & Wedderburn, R. W. M. (1972). *Journal of the Royal Statistical Society A* 135,
370–384.
"""

from __future__ import annotations

import numpy as np

__all__ = ["likelihood_ratio_p"]

_STEPS, _HALVINGS = 60, 12
_FAR = 30.0
_TOLERANCE = 1e-9


def likelihood_ratio_p(design: np.ndarray, tested: int, y: np.ndarray, base: np.ndarray, *,
                       shares: bool, scattered: bool) -> np.ndarray:
    """p-value of each coefficient being zero, the others in the model; shape (m, tested).

    Parameters
    ----------
    design : ndarray, shape (n, q)
        Model columns; the first `tested` are tested.
    y : ndarray, shape (m, n)
        Counts, of m studies.
    base : ndarray, shape (n,)
        For counts the exposure, for shares how many were tried.
    shares : bool
        Binomial with logit link; else Poisson with log link.
    scattered : bool
        Estimate the dispersion (Pearson) and test by F.
    """
    from scipy import stats

    full, mean = _fit(design, y, base, shares)
    n, q = design.shape
    scale, df = np.ones(len(y)), n - q
    if scattered:
        if df < 1:
            return np.full((len(y), tested), np.nan)
        variance = mean * (1 - mean / base) if shares else mean
        scale = ((y - mean)**2 / np.maximum(variance, 1e-12)).sum(axis=1) / df
    p = np.empty((len(y), tested))
    for j in range(tested):
        less, _ = _fit(np.delete(design, j, axis=1), y, base, shares)
        gain = np.maximum(less - full, 0.0)
        with np.errstate(divide="ignore", invalid="ignore"):
            # A study without any scatter has no error to test against.
            p[:, j] = stats.f.sf(gain / scale, 1, df) if scattered else stats.chi2.sf(gain, 1)
    return p


def _fit(design: np.ndarray, y: np.ndarray, base: np.ndarray,
         shares: bool) -> tuple[np.ndarray, np.ndarray]:
    """Deviance and fitted counts of each study; shapes (m,) and (m, n).

    Where the estimate is infinite (all successes on one side) the deviance approaches its
    limit, which is all the test needs.
    """
    m, q = len(y), design.shape[1]
    if q == 0:
        mean = np.broadcast_to(base / 2 if shares else base, y.shape)
        return _deviance(y, mean, base, shares), mean
    start = (np.log((y + 0.5) / (base - y + 0.5)) if shares else np.log((y + 0.5) / base))
    beta = start @ np.linalg.pinv(design).T
    live = np.arange(m)
    now = _deviance(y, _mean(beta, design, base, shares), base, shares)
    for _ in range(_STEPS):
        here, old = beta[live], now[live]
        mean = _mean(here, design, base, shares)
        weight = mean * (1 - mean / base) if shares else mean
        weight = np.maximum(weight, 1e-12)
        M = (design.T * weight[:, None, :]) @ design
        M += 1e-12 * np.trace(M, axis1=1, axis2=2)[:, None, None] * np.eye(q)
        step = np.linalg.solve(M, ((y[live] - mean) @ design)[..., None])[..., 0]
        size = np.ones(len(live))
        for _ in range(_HALVINGS):
            new = _deviance(y[live], _mean(here + size[:, None] * step, design, base, shares),
                            base, shares)
            worse = new > old * (1 + 1e-12) + 1e-12
            if not worse.any():
                break
            size = np.where(worse, size / 2, size)
        good = new <= old * (1 + 1e-12) + 1e-12
        beta[live[good]] = (here + size[:, None] * step)[good]
        now[live[good]] = new[good]
        live = live[good & (old - new > _TOLERANCE * (1 + old))]
        if not len(live):
            break
    return now, _mean(beta, design, base, shares)


def _mean(beta: np.ndarray, design: np.ndarray, base: np.ndarray, shares: bool) -> np.ndarray:
    eta = np.clip(beta @ design.T, -_FAR, _FAR)
    return base / (1 + np.exp(-eta)) if shares else base * np.exp(eta)


def _deviance(y: np.ndarray, mean: np.ndarray, base: np.ndarray, shares: bool) -> np.ndarray:
    from scipy.special import xlogy

    if shares:
        rest = base - mean
        part = xlogy(y, y / mean) + xlogy(base - y, (base - y) / np.maximum(rest, 1e-300))
    else:
        part = xlogy(y, y / mean) - (y - mean)
    return 2 * part.sum(axis=1)

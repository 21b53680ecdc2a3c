"""Intervals for one new run: noise mixed with the doubt about the mean, by quadrature.

The linear predictor of a new run is uncertain by a normal or t law; given it, the reading has
the model's distribution. Averaging the distribution function over the linear predictor at
fixed nodes gives the new reading's, whose quantiles are found by halving. No random
numbers are drawn.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import special, stats
from scipy.optimize.elementwise import find_root

__all__ = ["count_law", "count_limits", "nodes", "quantile", "share_law", "share_limits",
           "whole_quantile"]

NODES = 24

MOST_SUMMED = 1000
"""Trials up to which the chances of all outcomes are summed; beyond, the share is taken as
continuous."""


def nodes(centre: np.ndarray, se: np.ndarray, df: float) -> tuple[np.ndarray, np.ndarray]:
    """Values of the linear predictor and their weights; shapes (n, NODES) and (NODES,)."""
    u, weight = np.polynomial.legendre.leggauss(NODES)
    return (np.asarray(centre)[:, None]
            + np.asarray(se)[:, None] * stats.t.ppf((u + 1) / 2, df)), weight / 2


def whole_quantile(cdf: Callable[[np.ndarray], np.ndarray], p: float, n: int,
                   most: np.ndarray | None = None) -> np.ndarray:
    """Least whole numbers k, from 0 to `most`, with ``cdf(k) >= p``; shape (n,).

    Parameters
    ----------
    cdf : callable
        Whole numbers of shape (n,) to probabilities.
    p : float
    n : int
    most : ndarray, shape (n,), optional
        Known upper ends; else they are looked for.
    """
    high = np.ones(n) if most is None else np.asarray(most, float).copy()
    if most is None:
        while (short := cdf(high) < p).any() and high.max() < 2.0**60:
            high[short] *= 2
    low = np.full(n, -1.0)
    while (high - low > 1).any():
        middle = np.floor((low + high) / 2)
        enough = cdf(middle) >= p
        wide = high - low > 1
        high = np.where(enough & wide, middle, high)
        low = np.where(~enough & wide, middle, low)
    return high


def quantile(cdf: Callable[[np.ndarray, np.ndarray], np.ndarray], p: float, low: np.ndarray,
             high: np.ndarray) -> np.ndarray:
    """Where continuous distribution functions reach p, between `low` and `high`; shape (n,).

    Parameters
    ----------
    cdf : callable
        Values and which of the n distributions each belongs to, both of shape (m,), to
        probabilities: those that are found are not asked about again.
    p : float
    low, high : ndarray, shape (n,)
    """
    def short(x: np.ndarray, which: np.ndarray) -> np.ndarray:
        return cdf(x.ravel(), which.ravel().astype(int)).reshape(x.shape) - p

    ends = np.broadcast_arrays(np.asarray(low, float), np.asarray(high, float))
    return find_root(short, tuple(ends), args=(np.arange(len(ends[0])),),
                     tolerances={"xatol": 1e-12, "xrtol": 1e-12}).x


def count_law(mean: np.ndarray, dispersion: np.ndarray, alpha: float = 0.0
              ) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Chances of at most, and of more than, so many counts; arrays of shape (n,).

    As in `count_limits`, a negative binomial count with its ratio of variance to mean stands in for
    an overdispersed one.
    """
    with np.errstate(divide="ignore"):
        size = np.where(alpha > 0, 1 / alpha if alpha else np.inf,
                        np.where(dispersion > 1, mean / (dispersion - 1), np.inf))
    plain = np.isinf(size)
    share = np.where(plain, 0.5, size / (np.where(plain, 0.0, size) + mean))
    size = np.where(plain, 1.0, size)

    def law(k: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        k = np.maximum(k, 0.0)
        return (np.where(plain, special.pdtr(k, mean), special.betainc(size, k + 1, share)),
                np.where(plain, special.pdtrc(k, mean), special.betainc(k + 1, size, 1 - share)))

    return law


def share_law(share: np.ndarray, trials: np.ndarray, dispersion: np.ndarray
              ) -> Callable[[np.ndarray], tuple[np.ndarray, np.ndarray]]:
    """Chances of at most, and of more than, so many successes; arrays of shape (n,).

    As in `share_limits`, beta-binomial successes stand in for overdispersed ones.
    """
    wide = (dispersion > 1) & (trials > 1)

    def law(k: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        k, most = np.clip(k, 0.0, trials), k >= trials
        more = np.where(most, 1.0, trials - k)
        below = np.where(most, 1.0, special.betainc(more, k + 1, 1 - share))
        above = np.where(most, 0.0, special.betainc(k + 1, more, share))
        if wide.any():
            size = _concentration(trials[wide], np.broadcast_to(dispersion, wide.shape)[wide])
            a, b = share[wide] * size, (1 - share[wide]) * size
            spread = stats.betabinom(trials[wide].astype(int), a, b)
            below[wide], above[wide] = spread.cdf(k[wide]), spread.sf(k[wide])
        return below, above

    return law


def _concentration(trials: np.ndarray, dispersion: np.ndarray | float) -> np.ndarray:
    """Sum of a beta distribution's parameters that gives counts `dispersion` times the binomial's
    variance, as far as so many trials can."""
    correlation = np.clip((dispersion - 1) / np.maximum(trials - 1, 1e-9), 1e-9, 0.99)
    return 1 / correlation - 1


def count_limits(log_mean: np.ndarray, se: np.ndarray, df: float, level: float,
                 dispersion: float = 1.0, alpha: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Interval for a new count.

    Parameters
    ----------
    log_mean, se : ndarray, shape (n,)
    df : float
        Of the t law for the log mean; infinite for the normal.
    level : float
    dispersion : float
        Variance over mean; above 1 a negative binomial count with that ratio stands in for
        the distribution that a quasi-likelihood leaves open.
    alpha : float
        Of a negative binomial count with variance μ + α μ².
    """
    eta, weight = nodes(log_mean, se, df)
    mean = np.exp(np.minimum(eta, 40.0))
    size = 1 / alpha if alpha > 0 else mean / (dispersion - 1) if dispersion > 1 else None

    def cdf(k: np.ndarray) -> np.ndarray:
        k = k[:, None]
        below = (special.pdtr(k, mean) if size is None
                 else special.betainc(size, k + 1, size / (size + mean)))
        return np.where(k[:, 0] < 0, 0.0, below @ weight)

    tail = (1 - level) / 2
    return (whole_quantile(cdf, tail, len(mean)), whole_quantile(cdf, 1 - tail, len(mean)))


def share_limits(logit: np.ndarray, se: np.ndarray, df: float, level: float,
                 trials: np.ndarray | None, dispersion: float = 1.0
                 ) -> tuple[np.ndarray, np.ndarray]:
    """Interval for a new share, from 0 to 1.

    Parameters
    ----------
    logit, se : ndarray, shape (n,)
    df : float
    level : float
    trials : ndarray, shape (n,), or None
        None for a share that was not counted: then it has a beta distribution with variance
        `dispersion` × π (1 − π).
    dispersion : float
        With trials, variance over the binomial's; above 1 the share of each run is itself
        beta-distributed.
    """
    eta, weight = nodes(logit, se, df)
    share = np.clip(special.expit(eta), 1e-12, 1 - 1e-12)
    tail, n = (1 - level) / 2, len(share)
    m = np.ones(n) if trials is None else np.asarray(trials, float)
    if trials is None or (dispersion > 1 and m.max(initial=1) > MOST_SUMMED):
        size = (m / np.clip(dispersion, 1e-9 * m, m * (1 - 1e-9)) - 1)[:, None]

        def beta(y: np.ndarray, i: np.ndarray) -> np.ndarray:
            return special.betainc(share[i] * size[i], (1 - share[i]) * size[i],
                                   y[:, None]) @ weight

        return tuple(quantile(beta, p, np.zeros(n), np.ones(n)) for p in (tail, 1 - tail))
    if dispersion > 1 and (m > 1).any():
        below = _beta_binomial(share, weight, m, dispersion)
        return tuple(np.argmax(below >= p - 1e-12, axis=1) / m for p in (tail, 1 - tail))

    def cdf(k: np.ndarray) -> np.ndarray:
        k = k[:, None]
        below = special.betainc(np.maximum(m[:, None] - k, 1e-300), k + 1, 1 - share) @ weight
        return np.where(k[:, 0] < 0, 0.0, np.where(k[:, 0] >= m, 1.0, below))

    return tuple(whole_quantile(cdf, p, n, m) / m for p in (tail, 1 - tail))


def _beta_binomial(share: np.ndarray, weight: np.ndarray, m: np.ndarray,
                   dispersion: float) -> np.ndarray:
    """Chance of at most k = 0, 1, ... of m when shares of runs are beta-distributed so that counts
    have `dispersion` times the binomial's variance, as far as m trials can; (n, most m + 1)."""
    size = _concentration(m, dispersion)[:, None]
    a, b, k = share * size, (1 - share) * size, np.arange(m.max() + 1)
    out = np.empty((len(share), len(k)))
    for i in range(len(share)):
        own = np.minimum(k, m[i])
        log_p = (special.betaln(own + a[i][:, None], m[i] - own + b[i][:, None])
                 - special.betaln(a[i], b[i])[:, None]
                 - special.betaln(own + 1, m[i] - own + 1) - np.log(m[i] + 1))
        out[i] = np.cumsum(weight @ np.where(k <= m[i], np.exp(log_p), 0.0))
    return out

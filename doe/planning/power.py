"""What size of effect a test of one coefficient finds, by the noncentral t distribution.

The statistic of a coefficient b with standard error s·σ and ν degrees of freedom for error is
noncentral t with noncentrality β / (s σ) (Johnson, Kotz & Balakrishnan 1995, *Continuous
Univariate Distributions* 2, ch. 31; Cohen 1988, *Statistical Power Analysis*, ch. 2).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

__all__ = ["least_noncentrality", "power_of"]

_CERTAIN = 1e9
"""Beyond, any test finds the effect, and scipy's noncentral F may give up."""


def power_of(noncentrality: float, df: float, alpha: float = 0.05) -> float:
    """Power of the two-sided test at level `alpha`; `df` may be infinite (σ known).

    Without degrees of freedom (0) there is no test: not a number.
    """
    if not df > 0 or not np.isfinite(noncentrality):
        return float("nan")
    from scipy import stats  # slow to import; plans are made without it

    nc = min(abs(noncentrality), _CERTAIN)
    if np.isinf(df):
        limit = stats.norm.isf(alpha / 2)
        return float(stats.norm.sf(limit - nc) + stats.norm.sf(limit + nc))
    if nc < 1e-8:
        return alpha  # scipy's noncentral F is wrong at noncentrality 0
    # t² is noncentral F with 1 and ν degrees of freedom: both tails in one call, and right
    # where scipy's noncentral t gives up (few degrees of freedom, noncentrality above 20).
    return float(stats.ncf.sf(stats.f.isf(alpha, 1, df), 1, df, nc**2))


@lru_cache(maxsize=1024)
def least_noncentrality(df: float, power: float = 0.80, alpha: float = 0.05) -> float:
    """Noncentrality that the two-sided test finds with that power; not a number for df 0."""
    if not df > 0:
        return float("nan")
    from scipy import optimize

    upper = 1.0
    while power_of(upper, df, alpha) < power:
        upper *= 2
    return float(optimize.brentq(lambda nc: power_of(nc, df, alpha) - power, 0, upper,
                                 xtol=1e-10))

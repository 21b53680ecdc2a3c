"""Do counts or shares scatter more than their distribution allows?

References
----------
Farrington, C. P. (1996). On assessing goodness of fit of generalized linear models to sparse
data. *Journal of the Royal Statistical Society B* 58, 349–360.
McCullagh, P. (1985). On the asymptotic distribution of Pearson's statistic in linear
exponential-family models. *International Statistical Review* 53, 61–67.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy import stats

from doe import wording

__all__ = ["Overdispersion", "judge_scatter"]


@dataclass(frozen=True)
class Overdispersion:
    """Pearson's statistic and what it says.

    Attributes
    ----------
    ratio : float
        Pearson's statistic per degree of freedom: how many times the variance exceeds the
        distribution's; missing without degrees of freedom.
    statistic : float
    df : int
    p : float
        Chance of so great a statistic if the distribution were right; missing if the data
        cannot tell.
    """

    ratio: float
    statistic: float
    df: int
    p: float

    @property
    def found(self) -> bool:
        """True if the scatter is too great at the 5 % level."""
        return bool(self.p < 0.05 and self.ratio > 1)

    @property
    def sentence(self) -> str:
        """What the statistic says, in words."""
        if np.isnan(self.p):
            return ("Whether runs scatter more than the distribution allows cannot be told: there "
                    "are no repeats to see it by.")
        size = f"{wording.digits(self.ratio, 2)} times"
        tail = (f"(Pearson's statistic {wording.digits(self.statistic)} on "
                f"{wording.count(self.df, 'degree')} of freedom, {wording.p_value(self.p)})")
        if self.found:
            return f"Runs scatter with {size} the variance that the distribution gives {tail}."
        if self.p > 0.975 and self.ratio < 1:
            return (f"Runs scatter with only {size} the variance that the distribution gives "
                    f"{tail}: they may not be independent, or not counted one by one; intervals "
                    "are then wider than need be.")
        return f"Runs scatter as the distribution lets expect: {size} its variance {tail}."


def judge_scatter(statistic: float, weight: np.ndarray, skew: np.ndarray, kurtosis: np.ndarray,
                  matrix: np.ndarray) -> Overdispersion:
    """Hold Pearson's statistic against what the fitted distribution gives.

    Parameters
    ----------
    statistic : float
        Sum of squared residuals over fitted variances.
    weight : ndarray, shape (n,)
        Fitted variances of the readings (canonical link).
    skew : ndarray, shape (n,)
        Third cumulant over variance.
    kurtosis : ndarray, shape (n,)
        Fourth cumulant over squared variance.
    matrix : ndarray, shape (n, p)

    Notes
    -----
    With small counts the statistic's variance is not 2 × degrees of freedom. Its value
    given the estimates is ``2 df + Σ kurtosis − s'X (X'WX)⁻¹ X's`` to leading order, with s the
    skew; a multiple of chi-squared with this mean and variance gives the p-value.
    """
    n, p = matrix.shape
    df = n - p
    if df <= 0:
        return Overdispersion(np.nan, statistic, df, np.nan)
    slope = matrix.T @ skew
    carried = float(slope @ np.linalg.solve(matrix.T @ (weight[:, None] * matrix), slope))
    variance = 2 * df + float(kurtosis.sum()) - carried
    if variance < 0.1 * df:  # hardly any room to vary, as with single yes-or-no trials
        return Overdispersion(statistic / df, statistic, df, np.nan)
    scale = variance / (2 * df)
    return Overdispersion(statistic / df, statistic, df,
                          float(stats.chi2.sf(statistic / scale, df / scale)))

"""Do counts or shares scatter more than their distribution allows?

Pearson's statistic is held against chi-squared. With expected counts as low as 1 and shares of
as few as two trials it then rejects less often than it claims to, never more (by simulation).

References
----------
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd edition, section 4.5.
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
    def evidence(self) -> str:
        """The statistic in brackets."""
        return (f"(Pearson's statistic {wording.digits(self.statistic)} on "
                f"{wording.count(self.df, 'degree')} of freedom, {wording.p_value(self.p)})")

    def sentence(self, law: str) -> str:
        """What the statistic says, in words.

        Parameters
        ----------
        law : str
            The distribution, such as ``"Poisson"``.
        """
        if np.isnan(self.p):
            return (f"{law} noise is taken on trust: these runs cannot show whether they scatter "
                    "more.")
        size = f"{wording.digits(self.ratio, 2)} times"
        if self.found:
            return f"Runs scatter with {size} the variance of {law} noise {self.evidence}."
        if self.p > 0.975:
            return (f"Runs scatter with only {size} the variance of {law} noise {self.evidence}: "
                    "they may not be independent of each other, and intervals are wider than need "
                    "be.")
        return f"{law} noise explains the scatter between runs {self.evidence}."

    def widened(self) -> str:
        """How much wider intervals are made for it."""
        times = wording.digits(np.sqrt(self.ratio), 2)
        return f"intervals are {times} times as wide as without"


def judge_scatter(residual: np.ndarray, variance: np.ndarray, coefficients: int,
                  *, can_show: bool = True) -> Overdispersion:
    """Hold Pearson's statistic against the fitted distribution.

    Parameters
    ----------
    residual, variance : ndarray, shape (n,)
        Readings less their fitted means, and the distribution's variances.
    coefficients : int
    can_show : bool
        False for data that cannot scatter too much (single trials) or have no distribution to
        hold them against.
    """
    statistic, df = float(np.sum(residual**2 / variance)), len(residual) - coefficients
    if df <= 0:
        return Overdispersion(np.nan, statistic, df, np.nan)
    return Overdispersion(statistic / df, statistic, df,
                          float(stats.chi2.sf(statistic, df)) if can_show else np.nan)

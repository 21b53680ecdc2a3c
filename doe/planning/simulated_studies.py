"""Simulated studies of a plan, and how they are analysed where nothing else is asked for.

References
----------
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd ed. Chapman & Hall.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from doe.planning.likelihood_tests import likelihood_ratio_p
from doe.planning.plan import Plan
from doe.planning.strata import precision
from doe.terms import Term

__all__ = ["Analyse", "Simulation", "by_least_squares", "by_likelihood_ratio"]


@dataclass(frozen=True, eq=False)
class Simulation:
    """What is drawn, and what is known to whoever analyses it.

    Parameters
    ----------
    plan : Plan
    terms : tuple of Term
    names : tuple of str, length p
        Of the model's columns, as in `doe.terms.exponents`.
    X : ndarray, shape (n, p)
    blocks : ndarray, shape (n, b)
        Columns of the block effects.
    kind : {"continuous", "count", "proportion"}
    linear : ndarray, shape (n,)
        True linear predictor: mean, log of the mean for one unit of exposure, logit of the share.
    base : ndarray, shape (n,)
        Exposure of counts, trials of shares; ones otherwise.
    sd : float
        Of a run, for continuous responses.
    extra : float
        Scatter beyond the distribution's own, for counts and shares.
    ratios : dict
        Variance between groups over that between runs.
    """

    plan: Plan
    terms: tuple[Term, ...]
    names: tuple[str, ...]
    X: np.ndarray
    blocks: np.ndarray
    kind: str
    linear: np.ndarray
    base: np.ndarray
    sd: float
    extra: float
    ratios: dict[str, float]

    @property
    def full(self) -> np.ndarray:
        """Model and block columns; shape (n, p + b)."""
        return np.hstack([self.X, self.blocks])

    @property
    def precision(self) -> np.ndarray:
        """V⁻¹ of the runs' errors in units of a run's variance; shape (n, n)."""
        if not self.ratios:
            return np.eye(len(self.X))
        return precision([self.plan.runs[c] for c in self.ratios], list(self.ratios.values()))

    @property
    def variance(self) -> np.ndarray:
        """Variance of each run's count; counts and shares only."""
        if self.kind == "count":
            mean = self.base * np.exp(self.linear)
            return mean * (1 + self.extra * mean)
        share = 1 / (1 + np.exp(-self.linear))
        return self.base * share * (1 - share) * (1 + (self.base - 1) * self.extra)

    def draw(self, studies: int, rng: np.random.Generator) -> np.ndarray:
        """Responses of so many studies: readings, counts, or numbers of successes; (studies, n)."""
        shape = (studies, len(self.X))
        if self.kind == "continuous":
            error = rng.standard_normal(shape)
            for name, ratio in self.ratios.items():
                group = np.unique(self.plan.runs[name], return_inverse=True)[1]
                drawn = rng.standard_normal((studies, group.max() + 1))
                error += np.sqrt(ratio) * drawn[:, group]
            return self.linear + self.sd * error
        if self.kind == "count":
            mean = np.broadcast_to(self.base * np.exp(self.linear), shape)
            if self.extra:
                mean = mean * rng.gamma(1 / self.extra, self.extra, shape)
            return rng.poisson(mean).astype(float)
        share = np.broadcast_to(1 / (1 + np.exp(-self.linear)), shape)
        if self.extra:
            size = (1 - self.extra) / self.extra
            share = rng.beta(share * size, (1 - share) * size)
        return rng.binomial(self.base.astype(int), share).astype(float)


Analyse = Callable[[Simulation, np.ndarray], np.ndarray]
"""Takes what is simulated and the responses of m studies, (m, n); returns a p-value for each
model column, (m, p), not a number where there is none."""


def by_least_squares(what: Simulation, y: np.ndarray) -> np.ndarray:
    """t tests by generalised least squares, the ratios of variance taken as known; (m, p).

    With groups this is the best that any analysis could do; one that must estimate the ratio
    from few groups finds less.
    """
    from scipy import stats

    root = np.linalg.cholesky(what.precision).T
    white, z = root @ what.full, y @ root.T
    df = len(white) - white.shape[1]
    p = what.X.shape[1]
    if df < 1:
        return np.full((len(y), p), np.nan)
    inverse = np.linalg.inv(white.T @ white)
    beta = z @ white @ inverse
    s2 = ((z - beta @ white.T)**2).sum(axis=1) / df
    t = beta[:, :p] / np.sqrt(s2[:, None] * np.diag(inverse)[:p])
    return 2 * stats.t.sf(np.abs(t), df)


def by_likelihood_ratio(what: Simulation, y: np.ndarray) -> np.ndarray:
    """Likelihood-ratio tests of counts or shares; (m, p).

    Where there is extra scatter, quasi-likelihood F tests with the dispersion estimated
    (McCullagh & Nelder 1989).
    """
    return likelihood_ratio_p(what.full, what.X.shape[1], y, what.base,
                              shares=what.kind == "proportion", scattered=what.extra > 0)

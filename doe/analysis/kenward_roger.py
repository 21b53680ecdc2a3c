"""Tests of fixed effects in a linear mixed model, with few groups in mind.

Variance components that are estimated, not known, make the usual standard errors too small and
the degrees of freedom less than the number of rows suggests. Two remedies:

* Kenward & Roger: a covariance of the coefficients that allows for it, and a scaled F with
  denominator degrees of freedom that match its first two moments.
* Satterthwaite: the usual covariance, with degrees of freedom that match the variance of the
  estimated variance (Giesbrecht & Burns for one contrast, Fai & Cornelius for several).

In balanced plans both give the degrees of freedom of the analysis of variance.

References
----------
Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted
maximum likelihood. *Biometrics* 53, 983–997.
Giesbrecht, F. G. & Burns, J. C. (1985). Two-stage analysis based on a mixed model: large-sample
asymptotic theory and small-sample simulation results. *Biometrics* 41, 477–486.
Fai, A. H.-T. & Cornelius, P. L. (1996). Approximate F-tests of multiple degree of freedom
hypotheses in generalized least squares analyses of unbalanced split-plot experiments.
*Journal of Statistical Computation and Simulation* 54, 363–378.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import linalg, stats

from doe.analysis.likelihood import indicator
from doe.analysis.reml import Reml

__all__ = ["METHODS", "FTest", "FixedEffects"]

METHODS = ("kenward-roger", "satterthwaite")
_NOTHING = 1e-8


@dataclass(frozen=True)
class FTest:
    """F test that several contrasts of the coefficients are all zero.

    Attributes
    ----------
    f : float
        The scaled statistic, to be compared with F on `df` and `df_error`.
    df : int
    df_error : float
        Effective degrees of freedom; missing if the approximation breaks down.
    scale : float
        What the Wald statistic was multiplied by; 1 for one contrast.
    p : float
    """

    f: float
    df: int
    df_error: float
    scale: float
    p: float


class FixedEffects:
    """Generalised least squares at estimated variance components, with its inference.

    Parameters
    ----------
    reml : Reml
    method : {"kenward-roger", "satterthwaite"}

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
    plain : ndarray, shape (p, p)
        Covariance as if the components were known.
    covariance : ndarray, shape (p, p)
        The covariance the method uses.
    inverse : ndarray, shape (n, n)
        Of the covariance of the rows.
    projector : ndarray, shape (n, n)
        The inverse less what the fixed effects take up; it turns y into weighted residuals.
    """

    def __init__(self, reml: Reml, method: str = "kenward-roger") -> None:
        like, x = reml.likelihood, reml.likelihood.x
        self.reml, self.method = reml, method
        self._z = [indicator(g) for g in like.groups]
        self.inverse = reml.inverse
        # Columns of unlike length would cost digits in the normal equations.
        q, r = np.linalg.qr(x)
        back = np.linalg.inv(r)
        self._weighted = self.inverse @ q
        core = np.linalg.inv(q.T @ self._weighted)
        self._weighted = self._weighted @ r
        self.plain = back @ core @ back.T
        self.projector = self.inverse - self._weighted @ self.plain @ self._weighted.T
        self.coefficients = self.plain @ (self._weighted.T @ like.y)
        self.covariance = self.plain + (self._correction if method == METHODS[0] else 0.0)

    def _through(self, j: int, right: np.ndarray) -> np.ndarray:
        """Derivative of the rows' covariance by component `j`, times `right`."""
        return right if j == len(self._z) else self._z[j] @ (self._z[j].T @ right)

    @cached_property
    def slopes(self) -> np.ndarray:
        """Derivatives of `plain` by the components; shape (k + 1, p, p)."""
        a = self._weighted @ self.plain
        return np.array([a.T @ self._through(j, a) for j in range(len(self._z) + 1)])

    @cached_property
    def expected_spread(self) -> np.ndarray:
        """Covariance of the components from their expected information; shape (k + 1, k + 1)."""
        return np.linalg.inv(self._products / 2)

    @cached_property
    def _products(self) -> np.ndarray:
        """Traces of P G_i P G_j."""
        k = len(self._z)
        moved = [self._through(j, self.projector) for j in range(k + 1)]
        return np.array([[np.sum(a * b.T) for b in moved] for a in moved])

    @cached_property
    def spread(self) -> np.ndarray:
        """Covariance of the components that degrees of freedom rest on; shape (k + 1, k + 1).

        Kenward & Roger use the expected information. For Satterthwaite it is the observed, so
        long as every component is above zero and it has an inverse to speak of.
        """
        if self.method == METHODS[0] or self.reml.at_zero.any():
            return self.expected_spread
        k, y = len(self._z), self.reml.likelihood.y
        steps = np.array([self._through(j, self.projector @ y) for j in range(k + 1)])
        observed = steps @ self.projector @ steps.T - self._products / 2
        size = np.sqrt(np.abs(np.diag(observed)))
        values = np.linalg.eigvalsh(observed / np.outer(size, size))
        return np.linalg.inv(observed) if values[0] > _NOTHING else self.expected_spread

    @cached_property
    def _correction(self) -> np.ndarray:
        """What Kenward & Roger add to the covariance; V is linear in the components."""
        k, w, phi = len(self._z), self.expected_spread, self.plain
        moved = [self._through(j, self._weighted) for j in range(k + 1)]
        p = [self._weighted.T @ m for m in moved]
        total = np.zeros_like(phi)
        for i in range(k + 1):
            for j in range(k + 1):
                q = moved[i].T @ self.inverse @ moved[j]
                total += w[i, j] * (q - p[i] @ phi @ p[j])
        out = 2 * phi @ total @ phi
        return (out + out.T) / 2

    # -- one contrast at a time ----------------------------------------------------------

    def variances(self, rows: np.ndarray) -> np.ndarray:
        """Variances of contrasts, by the method's covariance; (m, p) gives (m,)."""
        return np.einsum("ij,jk,ik->i", rows, self.covariance, rows).clip(0)

    def df(self, rows: np.ndarray, weights: Sequence[float] | None = None) -> np.ndarray:
        """Effective degrees of freedom of contrasts, each tested alone; (m, p) gives (m,).

        With `weights`, of the variance of the contrast plus that weighted sum of the components:
        what a prediction for a new run rests on.
        """
        gradient = np.einsum("mj,kji,mi->mk", rows, self.slopes, rows)
        variance = np.einsum("mj,ji,mi->m", rows, self.plain, rows)
        if weights is not None:
            gradient = gradient + np.asarray(weights)
            variance = variance + float(np.asarray(weights) @ self.reml.variances)
        with np.errstate(divide="ignore", invalid="ignore"):
            return 2 * variance**2 / np.einsum("mk,kl,ml->m", gradient, self.spread, gradient)

    def studentised(self, z: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """How far rows, or groups of them, lie from what the rest predicts; `z` is (n, m).

        Returns
        -------
        inner, outer, df : ndarray, shape (m,)
            The weighted residuals summed by the columns of `z`, by their standard deviation at the
            estimated variances; the same with the variance they have themselves put into the
            estimate taken out, nearly t on df − 1; and the effective degrees of freedom of that
            variance. In ordinary least squares, the studentised residuals.
        """
        pz = self.projector @ z
        variance = np.einsum("ij,ij->j", z, pz)
        known = variance > _NOTHING * np.einsum("ij,ij->j", z, self.inverse @ z)
        steps = np.array([np.einsum("ij,ij->j", pz, self._through(j, pz))
                          for j in range(len(self._z) + 1)])
        inner, outer, df = np.full((3, z.shape[1]), np.nan)
        inner[known] = (pz.T @ self.reml.likelihood.y)[known] / np.sqrt(variance[known])
        change = steps[:, known]
        df[known] = 2 * variance[known] ** 2 / np.einsum("km,kl,lm->m", change,
                                                         self.expected_spread, change)
        left = np.maximum(df[known] - inner[known] ** 2, _NOTHING)
        outer[known] = inner[known] * np.sqrt(np.maximum(df[known] - 1, 0) / left)
        return inner, outer, df

    # -- several at once -----------------------------------------------------------------

    def test(self, rows: np.ndarray) -> FTest:
        """F test that all the contrasts are zero; `rows` is (m, p) of full row rank."""
        value = rows @ self.coefficients
        count = len(rows)
        wald = float(value @ np.linalg.solve(rows @ self.covariance @ rows.T, value)) / count
        if count == 1:
            df_error, scale = float(self.df(rows)[0]), 1.0
        elif self.method == METHODS[0]:
            df_error, scale = self._kenward_roger(rows)
        else:
            df_error, scale = self._fai_cornelius(rows), 1.0
        if not (df_error > 0 and scale > 0):
            return FTest(wald, count, np.nan, np.nan, np.nan)
        return FTest(scale * wald, count, df_error, scale,
                     float(stats.f.sf(scale * wald, count, df_error)))

    def _kenward_roger(self, rows: np.ndarray) -> tuple[float, float]:
        """Denominator degrees of freedom and scale of the Wald statistic (section 3)."""
        m = len(rows)
        theta = rows.T @ np.linalg.solve(rows @ self.plain @ rows.T, rows)
        moved = np.array([theta @ s for s in self.slopes])
        traces, w = np.trace(moved, axis1=1, axis2=2), self.expected_spread
        a1 = float(traces @ w @ traces)
        a2 = float(np.einsum("ij,iab,jba->", w, moved, moved))
        b = (a1 + 6 * a2) / (2 * m)
        g = ((m + 1) * a1 - (m + 4) * a2) / ((m + 2) * a2)
        base = 3 * m + 2 * (1 - g)
        c1, c2, c3 = g / base, (m - g) / base, (m + 2 - g) / base
        mean, second, last = 1 - a2 / m, 1 - c2 * b, 1 - c3 * b
        # Both vanish together where the denominator has 2 degrees of freedom: their ratio is 1.
        ratio = 1.0 if max(abs(mean), abs(second)) < _NOTHING else mean / second
        if abs(last) < _NOTHING:  # 4 degrees of freedom: the F has no variance
            df_error = 4.0
        else:
            rho = ratio**2 * (1 + c1 * b) / (m * last)
            df_error = 4 + (m + 2) / (m * rho - 1)
        # At 2 degrees of freedom the F has no mean to match, so that no scale can be had from it.
        if abs(df_error - 2) < 1e-6:
            return df_error, 1.0
        return df_error, df_error * mean / (df_error - 2)

    def _fai_cornelius(self, rows: np.ndarray) -> float:
        # The sum depends on which independent contrasts are taken. Those that are independent
        # in least squares too are the same however the factors are coded.
        x, variances = self.reml.likelihood.x, self.reml.variances
        least_squares = rows @ np.linalg.inv(x.T @ x) @ rows.T
        # With a component at zero both may agree altogether; a little of it tells them apart.
        plain = self.plain + 0.01 * variances[-1] * self.slopes[self.reml.at_zero].sum(axis=0)
        _, vectors = linalg.eigh(rows @ plain @ rows.T, least_squares)
        df = self.df(vectors.T @ rows)
        if np.ptp(df) <= _NOTHING * df.max():
            return float(df.mean())
        if df.min() <= 2:  # that term of the sum has no mean; the least is on the safe side
            return float(df.min())
        total = float(np.sum(df / (df - 2)))
        return 2 * total / (total - len(df))

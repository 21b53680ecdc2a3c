"""The restricted likelihood of variance components: arrays in, arrays out.

The model is ``y = X β + Σ Z_j b_j + e`` with ``Var b_j = σ_j² I`` and ``Var e = σ_e² I``; each
``Z_j`` says which group a row belongs to. Groups may be nested, crossed, of unequal size. The
likelihood of the n − p contrasts free of β needs only ``Z'MZ``, ``Z'My`` and ``y'My`` (M takes X
out), so that its cost does not grow with the number of rows; where the data fall into strata, as
in balanced plans, it needs no more than their sums of squares.

References
----------
Patterson, H. D. & Thompson, R. (1971). Recovery of inter-block information when block
sizes are unequal. *Biometrika* 58, 545–554.
Harville, D. A. (1977). Maximum likelihood approaches to variance component estimation and to
related problems. *Journal of the American Statistical Association* 72, 320–338.
Nelder, J. A. (1965). The analysis of randomized experiments with orthogonal block structure.
*Proceedings of the Royal Society A* 283, 147–178. (strata)
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise

import numpy as np
from scipy import linalg

__all__ = ["Likelihood", "Point", "indicator"]

_ROUNDING = 1e-11
"""Relative size of a length that is nothing but rounding."""

# Called directly: for a dozen groups the checks around them would take ten times their work.
_cholesky, _solve_lower = linalg.lapack.dpotrf, linalg.blas.dtrsm


def indicator(codes: np.ndarray) -> np.ndarray:
    """Column for each group, 1 in its rows; `codes` count from 0, shape (n,) gives (n, q)."""
    return (codes[:, None] == np.arange(codes.max() + 1)).astype(float)


class Likelihood:
    """The restricted likelihood of data as a function of the variance components.

    Parameters
    ----------
    y : ndarray, shape (n,)
    x : ndarray, shape (n, p)
        Of full column rank.
    groups : sequence of ndarray of int, each of shape (n,)
        Which group each row belongs to, from 0; one array a component.

    Notes
    -----
    Components are in the order of `groups`, the residual last.
    """

    def __init__(self, y: np.ndarray, x: np.ndarray, groups: Sequence[np.ndarray]) -> None:
        self.y, self.x, self.groups = np.asarray(y, float), np.asarray(x, float), list(groups)
        q, r = np.linalg.qr(self.x)
        z = np.hstack([indicator(g) for g in groups])
        self.rows, self.df = len(self.y), len(self.y) - self.x.shape[1]
        widths = [int(g.max()) + 1 for g in groups]
        ends = np.cumsum([0, *widths])
        self.parts = [slice(a, b) for a, b in pairwise(ends)]
        self._owner = np.repeat(np.arange(len(widths)), widths)
        mz = z - q @ (q.T @ z)
        my = self.y - q @ (q.T @ self.y)
        my -= q @ (q.T @ my)
        self.unit = float(my @ my) / self.df if self.df else 0.0
        self.w = mz.T @ mz
        self.u = mz.T @ my / np.sqrt(self.unit) if self.unit else mz.T @ my
        self._right, self._diagonal = np.column_stack([self.w, self.u]), np.diag(self.w)
        self.constant = 2 * float(np.log(np.abs(np.diag(r))).sum())

    # -- what can be estimated at all ------------------------------------------------

    @cached_property
    def _axes(self) -> tuple[np.ndarray, np.ndarray]:
        """What turns Z'M onto orthonormal axes of the space that the groups add to X, shape
        (r, q); and the coordinates of y there, in units of the root of `unit`."""
        values, vectors = np.linalg.eigh(self.w)
        seen = values > 1e-9 * max(values[-1], 1.0)
        turn = (vectors[:, seen] / np.sqrt(values[seen])).T
        return turn, turn @ self.u

    @cached_property
    def residual_df(self) -> int:
        """Degrees of freedom within all groups: n less the rank of X and Z together."""
        return self.df - len(self._axes[1])

    @cached_property
    def is_exact(self) -> bool:
        """True if X and Z together reproduce y, so that no residual variance can be seen."""
        constant = not self.unit > _ROUNDING**2 * float(self.y @ self.y)
        return constant or self.df - float(np.sum(self._axes[1] ** 2)) <= 1e-10 * self.df

    def inseparable(self) -> list[int]:
        """Components that the rows cannot tell from those before them, or from the residual."""
        k = len(self.parts)
        gram = np.empty((k + 1, k + 1))
        gram[:k, :k] = self.squares(self.w)
        gram[k, :k] = gram[:k, k] = [np.trace(self.w[s, s]) for s in self.parts]
        gram[k, k] = self.df
        # The residual comes first, then the groups in order: the first to add nothing is named.
        order, kept, lost = [k, *range(k)], [], []
        for j in order:
            length = gram[j, j]
            if kept:
                part = gram[np.ix_(kept, kept)]
                length -= gram[j, kept] @ np.linalg.solve(part, gram[kept, j])
            size = self.rows if j == k else float(np.sum(np.bincount(self.groups[j]) ** 2))
            if length > 1e-8 * size:
                kept.append(j)
            else:
                lost.append(j)
        return lost

    def squares(self, s: np.ndarray) -> np.ndarray:
        """Sums of squares of the blocks of `s`; shape (k, k)."""
        starts = [p.start for p in self.parts]
        return np.add.reduceat(np.add.reduceat(s**2, starts, axis=0), starts, axis=1)

    # -- the likelihood ----------------------------------------------------------------

    @cached_property
    def strata(self) -> tuple[np.ndarray, np.ndarray, np.ndarray] | None:
        """Strata of the analysis of variance: what each component weighs in their mean squares,
        shape (s, k), their degrees of freedom and sums of squares.

        They exist if the groups' covariances commute, as in balanced plans, and always with one
        grouping. None otherwise.
        """
        turn, y = self._axes
        moved = [turn @ self.w[:, part] for part in self.parts]
        grams = [m @ m.T for m in moved]
        _, axes = np.linalg.eigh(sum(g * np.sqrt(2 + j) for j, g in enumerate(grams)))
        turned = np.array([axes.T @ g @ axes for g in grams])
        weights = np.diagonal(turned, axis1=1, axis2=2).T
        scale = weights.max()
        if np.abs(turned - np.eye(len(axes)) * turned).max() > 1e-9 * scale:
            return None
        squares = (axes.T @ y) ** 2
        weights = np.vstack([weights, np.zeros(len(self.parts))])
        squares = np.append(squares, self.df - squares.sum())
        sizes = np.append(np.ones(len(axes)), self.df - len(axes))
        _, place = np.unique(np.round(weights / scale, 8), axis=0, return_inverse=True)
        place = place.ravel()
        merged = [np.bincount(place, w) / np.bincount(place) for w in weights.T]
        return (np.column_stack(merged).clip(0), np.bincount(place, sizes),
                np.bincount(place, squares))

    def at(self, ratios: np.ndarray) -> Point:
        """Everything about the likelihood at these ratios σ_j²/σ_e²."""
        if self.strata is None:
            return self._at_dense(ratios)
        weights, sizes, squares = self.strata
        d = 1 + weights @ ratios
        weighted = weights / d[:, None]
        return Point(self.df, ratios, float(sizes @ np.log(d)), float(np.sum(squares / d)),
                     sizes @ weighted, (squares / d) @ weighted,
                     lambda: ((weighted * (squares / d)[:, None]).T @ weighted,
                              (weighted * sizes[:, None]).T @ weighted))

    def _at_dense(self, ratios: np.ndarray) -> Point:
        d = np.sqrt(ratios)[self._owner]
        core = self.w * d * d[:, None]
        core.flat[::len(d) + 1] += 1
        factor, failed = _cholesky(core, lower=True, clean=False)
        if failed:
            raise FloatingPointError("the variance components left the range of doubles")
        half = _solve_lower(1.0, factor, d[:, None] * self._right, lower=True)
        left, last = half[:, :-1], half[:, -1]
        u = self.u - last @ left
        starts = [p.start for p in self.parts]

        def second() -> tuple[np.ndarray, np.ndarray]:
            s = self.w - left.T @ left
            cross = [[u[a] @ s[a, b] @ u[b] for b in self.parts] for a in self.parts]
            return np.array(cross), self.squares(s)

        traces = np.add.reduceat(self._diagonal - np.einsum("ij,ij->j", left, left), starts)
        return Point(self.df, ratios, 2 * float(np.log(factor.diagonal()).sum()),
                     self.df - float(last @ last), traces, np.add.reduceat(u * u, starts), second)

    def deviance(self, variances: np.ndarray) -> tuple[float, np.ndarray, np.ndarray]:
        """Minus twice the log-likelihood of variances in units of `unit`, constants left out.

        Returns
        -------
        value : float
        gradient : ndarray, shape (k + 1,)
        hessian : ndarray, shape (k + 1, k + 1)
        """
        k, residual = len(self.parts), variances[-1]
        point = self.at(variances[:-1] / residual)
        value = self.df * np.log(residual) + point.log_size + point.quadratic / residual
        # Derivatives of the logarithm of the determinant, then of the quadratic form.
        size, fit = np.empty((2, k + 1))
        size[:k], fit[:k] = point.traces / residual, -point.squares / residual**2
        hessian = np.empty((k + 1, k + 1))
        cross, norms = point.second()
        hessian[:k, :k] = 2 * cross / residual**3 - norms / residual**2
        # Scaling all variances by t adds df log t to the one and divides the other by t. Euler's
        # theorem on such functions gives what concerns the residual from the rest.
        size[k] = (self.df - variances[:k] @ size[:k]) / residual
        fit[k] = (-point.quadratic / residual - variances[:k] @ fit[:k]) / residual
        due = -size - 2 * fit
        hessian[k, :k] = (due[:k] - variances[:k] @ hessian[:k, :k]) / residual
        hessian[:k, k] = hessian[k, :k]
        hessian[k, k] = (due[k] - variances[:k] @ hessian[:k, k]) / residual
        return value, size + fit, hessian


@dataclass(frozen=True, eq=False)
class Point:
    """The likelihood profiled over σ_e², at one vector of ratios; H is the covariance / σ_e².

    `log_size` is log|K'HK| and `quadratic` y'Py for the contrasts K free of the fixed effects;
    `traces` tr Z_j'PZ_j, `squares` |Z_j'Py|²; `second` gives y'PZ_iZ_i'PZ_jZ_j'Py and
    |Z_i'PZ_j|² (P at σ_e² = 1).
    """

    df: int
    ratios: np.ndarray
    log_size: float
    quadratic: float
    traces: np.ndarray
    squares: np.ndarray
    second: Callable[[], tuple[np.ndarray, np.ndarray]]

    @property
    def value(self) -> float:
        """Minus twice the log-likelihood, constants left out."""
        return self.df * np.log(self.quadratic / self.df) + self.log_size

    @property
    def gradient(self) -> np.ndarray:
        return self.traces - self.df * self.squares / self.quadratic

    @property
    def hessian(self) -> np.ndarray:
        cross, norms = self.second()
        rss = self.quadratic
        return self.df * (2 * cross / rss - np.outer(self.squares, self.squares) / rss**2) - norms

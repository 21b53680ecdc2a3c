"""Variance components by restricted maximum likelihood (REML), with intervals.

References
----------
Patterson, H. D. & Thompson, R. (1971). Recovery of inter-block information when block
sizes are unequal. *Biometrika* 58, 545–554.
Venzon, D. J. & Moolgavkar, S. H. (1988). A method for computing profile-likelihood-based
confidence intervals. *Applied Statistics* 37, 87–94.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import optimize, stats

from doe.analysis.likelihood import Likelihood, Point, indicator

__all__ = ["Reml", "fit_reml"]

_STARTS = (0.05, 1.0, 20.0)
"""Ratios to the residual variance that the search for the maximum starts from."""

_STEPS = 200
_GREATEST_RATIO = 1e10
_SETTLED = 1e-10
_ALIKE = 1e-11
_FURTHEST = 20.0
"""Logarithm of the greatest ratio to an estimate that an interval is searched to."""


@dataclass(frozen=True, eq=False)
class Reml:
    """Variance components at the maximum of the restricted likelihood.

    Attributes
    ----------
    likelihood : Likelihood
    variances : ndarray, shape (k + 1,)
        The groups' components in order, then the residual's; never negative.
    """

    likelihood: Likelihood
    variances: np.ndarray

    @property
    def at_zero(self) -> np.ndarray:
        """Which components lie at the boundary; boolean, shape (k + 1,)."""
        return self.variances == 0

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the rows; shape (n, n)."""
        out = np.diag(np.full(self.likelihood.rows, self.variances[-1]))
        for variance, codes in zip(self.variances, self.likelihood.groups, strict=False):
            out += variance * (codes[:, None] == codes)
        return out

    @cached_property
    def inverse(self) -> np.ndarray:
        """Inverse of `covariance`; only a matrix with a row a group is ever inverted."""
        residual = self.variances[-1]
        z = np.hstack([indicator(codes) * np.sqrt(variance / residual) for variance, codes in
                       zip(self.variances, self.likelihood.groups, strict=False)])
        core = np.linalg.inv(z.T @ z + np.eye(z.shape[1]))
        out = (np.eye(len(z)) - z @ core @ z.T) / residual
        return (out + out.T) / 2

    @property
    def deviance(self) -> float:
        """Minus twice the restricted log-likelihood, for X as given."""
        like = self.likelihood
        value = like.deviance(self.variances / like.unit)[0]
        return float(value + like.df * np.log(2 * np.pi * like.unit) + like.constant)

    def interval(self, weights: Sequence[float], level: float = 0.95) -> tuple[float, float]:
        """Profile-likelihood interval of a weighted sum of the components.

        Parameters
        ----------
        weights : sequence of float, length k + 1
            Not negative, e.g. ``[1, 0]`` for the first of one component and a residual.
        level : float

        Returns
        -------
        low, high : float
            `low` is 0 where the data do not exclude it. `high` is infinite if no value is too
            large for them.
        """
        like, c = self.likelihood, np.asarray(weights, float)
        best = self.variances / like.unit
        least, _, hessian = like.deviance(best)
        drop, centre = np.sqrt(stats.chi2.ppf(level, 1)), float(c @ best)
        start, width = 0.0, 1.0
        if centre > 0:
            free = best > 0
            spread = 2 * np.linalg.pinv(hessian[np.ix_(free, free)], hermitian=True)
            width = np.clip(drop * np.sqrt(max(c[free] @ spread @ c[free], 0)) / centre, 0.2, 3.0)
        else:  # a search on a ratio scale needs another yardstick
            centre, start = float(best.sum()) / 100, np.log(1e-4)
        paths: list[np.ndarray] = []

        def excess(log_ratio: float, *, afresh: bool = False) -> float:
            """Root of the deviance's rise less the one allowed: nearly linear in the logarithm."""
            total = centre * np.exp(log_ratio)
            starts = [*paths, *(_starts(c, total, best) if afresh else ())]
            value, paths[:] = _profile(like, c, total, starts)
            return np.sqrt(max(0.0, value - least)) - drop

        low = 0.0
        if self._excludes_zero(c, least + drop**2):
            low = centre * np.exp(_crossing(excess, 0.0, -width))
        paths.clear()
        high = centre * np.exp(_crossing(excess, start, width))
        return low * like.unit, high * like.unit

    def _excludes_zero(self, c: np.ndarray, limit: float) -> bool:
        """True if the deviance with the whole sum at zero exceeds `limit`."""
        if c[-1] > 0 or not c @ self.variances > 0:
            return bool(c[-1] > 0)
        like = self.likelihood
        ratios = _best_ratios(like, np.flatnonzero(c[:-1] == 0))
        residual = like.at(ratios).quadratic / like.df
        return like.deviance(np.append(ratios, 1.0) * residual)[0] > limit


def fit_reml(likelihood: Likelihood) -> Reml:
    """The variance components that maximise the restricted likelihood.

    Whether they can be told apart is the caller's to check first
    (`Likelihood.inseparable`, `Likelihood.residual_df`, `Likelihood.is_exact`).
    """
    ratios = _best_ratios(likelihood, np.arange(len(likelihood.parts)))
    residual = likelihood.at(ratios).quadratic / likelihood.df
    return Reml(likelihood, np.append(ratios, 1.0) * residual * likelihood.unit)


# -- the maximum: Newton steps on the ratios to the residual variance, none below zero ----------

def _best_ratios(like: Likelihood, free: np.ndarray) -> np.ndarray:
    """Ratios σ_j²/σ_e² at the maximum, those not in `free` held at zero; shape (k,)."""
    best = None
    for start in _STARTS if len(free) else (0.0,):
        ratios = np.zeros(len(like.parts))
        ratios[free] = start
        best = _better(best, _climb(like, ratios, free))
    # Another maximum, if there is one, differs in what lies at zero.
    for j in [j for j in free if best.ratios[j] == 0]:
        best = _better(best, _climb(like, best.ratios + (np.arange(len(best.ratios)) == j), free))
    return best.ratios


def _better(old: Point | None, new: Point) -> Point:
    """The likelier of two; the first where rounding alone divides them."""
    return new if old is None or new.value < old.value - _ALIKE * abs(old.value) else old


def _climb(like: Likelihood, ratios: np.ndarray, free: np.ndarray) -> Point:
    """A maximum of the likelihood near `ratios`, to the last digits."""
    point = like.at(ratios)
    for _ in range(_STEPS):
        slope = point.gradient
        active = [j for j in free if point.ratios[j] > 0 or slope[j] < 0]
        if not active or (np.abs(slope[active]) * (point.ratios[active] + 1e-3)).max() <= (
                _SETTLED * like.df):
            return point
        there = _step(like, point, active)
        if there is None:
            return point
        point = there
    return point


def _step(like: Likelihood, point: Point, active: list[int]) -> Point | None:
    """The next point of the climb; None if no step gains anything."""
    slope, bend = point.gradient[active], point.hessian[np.ix_(active, active)]

    def moved(step: np.ndarray) -> Point:
        trial = point.ratios.copy()
        trial[active] = np.clip(trial[active] + step, 0.0, _GREATEST_RATIO)
        return like.at(trial)

    for direction in _directions(slope, bend):
        size = 1.0
        while size > 1e-6:
            there = moved(size * direction)
            if point.value - there.value > 1e-4 * float(
                    slope @ (point.ratios - there.ratios)[active]) > 0:
                return there
            size /= 3
    # Rounding hides the last gains; a full step is taken if the slope still falls.
    there = moved(next(_directions(slope, bend)))
    falls = np.abs(there.gradient * there.ratios)[active].max() < 0.5 * np.abs(
        slope * point.ratios[active]).max()
    return there if falls and there.value < point.value + 1e-9 else None


def _directions(slope: np.ndarray, bend: np.ndarray) -> Iterator[np.ndarray]:
    """Newton's direction downhill, then each coordinate's own, for when it leads nowhere.

    Away from the minimum the curvature may have either sign; its size gives the step's. A
    coordinate at, or thrown to, its bound can spoil a joint step, but not the others' own.
    """
    scale = 1 / np.sqrt(np.abs(np.diag(bend)) + 1e-300)
    values, vectors = np.linalg.eigh(bend * np.outer(scale, scale))
    turned = vectors.T @ (slope * scale) / np.maximum(np.abs(values), 1e-6)
    yield -scale * (vectors @ turned)
    yield -slope * scale**2


# -- intervals: the least deviance with a sum of components held -----------------------------------

def _crossing(excess: Callable[..., float], start: float, step: float) -> float:
    """Where the function, negative at `start`, turns positive in the direction of `step`."""
    while True:
        near, far = start, start + step
        while excess(far, afresh=True) < 0:
            step *= 1.5
            near, far = far, far + step
            if abs(far) > _FURTHEST:
                return np.sign(step) * np.inf
        root = optimize.brentq(excess, near, far, xtol=1e-4)
        # Of two hills, the path followed so far may have been on the lower one.
        if excess(root, afresh=True) > -1e-3:
            return root
        start, step = root, (far - root) / 4


def _starts(c: np.ndarray, total: float, best: np.ndarray) -> Iterator[np.ndarray]:
    """Components whose weighted sum is `total`, to start from: in the proportions they have at the
    maximum, and with any of them taking up the change."""
    change = total - float(c @ best)
    inside = np.flatnonzero(c)
    if c @ best > 0:
        yield best
    if len(inside) > 1 or not c @ best > 0:
        for j in inside:
            one = best.copy()
            one[j] += change / c[j]
            if one[j] <= 0:
                one[inside], one[j] = 0.01 * total, total
            yield one


def _profile(like: Likelihood, c: np.ndarray, total: float,
             starts: Sequence[np.ndarray]) -> tuple[float, list[np.ndarray]]:
    """Least deviance among components whose weighted sum is `total`, and the different places
    that the starts lead to."""
    found: list[np.ndarray] = []
    least = np.inf
    for start in starts:
        s = start.copy()
        s[-1] = max(s[-1], 1e-4 * s.max())
        s[c > 0] *= total / float(c @ s)
        value, place = _constrained(like, c, s)
        least = min(least, value)
        if not any(np.allclose(place, old, rtol=1e-3, atol=1e-6 * total) for old in found):
            found.append(place)
    return least, found


def _constrained(like: Likelihood, c: np.ndarray,
                 start: np.ndarray) -> tuple[float, np.ndarray]:
    """Least deviance near `start` with the weighted sum as it is there, and where it lies."""
    s, (value, gradient, hessian) = start, like.deviance(start)
    for _ in range(_STEPS):
        # The largest component in the sum follows from the others, so that it cannot reach zero.
        lead = int(np.argmax(c * s))
        slope = gradient - c / c[lead] * gradient[lead]
        at = np.flatnonzero((np.arange(len(c)) != lead) & ((s > 0) | (slope < 0)))
        if not at.size or np.abs(slope[at] * (s[at] + 1e-3 * s.max())).max() < 1e-6 * like.df:
            break
        pull = np.eye(len(c))[:, at]
        pull[lead] = -c[at] / c[lead]
        for direction in _directions(slope[at], pull.T @ hessian @ pull):
            found = _line_search(like, s, value, slope, pull @ direction, c, lead)
            if found is not None:
                break
        else:
            break
        s, (value, gradient, hessian) = found
    return value, s


def _line_search(like: Likelihood, s: np.ndarray, value: float, slope: np.ndarray,
                 direction: np.ndarray, c: np.ndarray, lead: int):
    """A point along the direction that gains; None if there is none. Components stop at zero,
    the leading one and the residual short of it."""
    falling = [j for j in {lead, len(s) - 1} if direction[j] < 0]
    size = min([1.0, *(0.8 * s[j] / -direction[j] for j in falling)])
    others = np.arange(len(s)) != lead
    for _ in range(12):
        trial = np.maximum(0.0, s + size * direction)
        trial[lead] = s[lead] - float(c[others] @ (trial - s)[others]) / c[lead]
        if trial[lead] > 0:
            there = like.deviance(trial)
            if value - there[0] > 1e-4 * float(slope[others] @ (s - trial)[others]) > 0:
                return trial, there
        size /= 3
    return None

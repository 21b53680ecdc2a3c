"""The continuous optimum: the best that any plan for a region and a model could do per run.

A continuous plan puts weights on points instead of whole numbers of runs. Its optimum is a
convex problem, so an answer can be checked: by the general equivalence theorem it is optimal
if, and only if, the sensitivity ``f(x)' B f(x)`` nowhere exceeds its mean over the plan
(``B = M⁻¹`` and mean p for D; ``B = M⁻¹ W M⁻¹`` and mean ``tr(W M⁻¹)`` for A and I). Where it
does exceed it, the ratio bounds what is still to be gained:

    efficiency >= mean sensitivity / greatest sensitivity.

For D this follows from ``tr(M⁻¹ M*) <= max f' M⁻¹ f`` and the inequality of arithmetic and
geometric means (Atwood 1969); for A and I from Cauchy and Schwarz applied to ``tr(W M⁻¹)``.

The greatest sensitivity is sought over a list of candidates (a lattice, with the points where
its lines leave a constrained region) and then by local ascent from the highest candidates, the
support and a thousand points all over the region, in steps down to 2e-5 of a half-range. The gap
is therefore certain over the candidates and every point the ascents visited; between them it
rests on the ascents having found the highest peak.

References
----------
Atwood, C. L. (1969). Optimal and efficient designs of experiments. *Annals of Mathematical
Statistics* 40, 1570–1602.
Kiefer, J. & Wolfowitz, J. (1960). The equivalence of two extremum problems. *Canadian Journal
of Mathematics* 12, 363–366.
Silvey, S. D., Titterington, D. M. & Torsney, B. (1978). An algorithm for optimal designs on a
finite design space. *Communications in Statistics A* 7, 1379–1389.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice
from doe.factors import Region
from doe.planning.ascent import ascend, fine_levels, forms, peaks_of
from doe.planning.candidates import Space, distinct
from doe.planning.criteria import CRITERIA, Criterion, criterion_for
from doe.terms import Term, read_terms, standard_terms
from doe.wording import count, digits

__all__ = ["ContinuousOptimum", "continuous_optimum", "no_better", "optimum_over",
           "refuse_if_singular"]

_ROUNDS = 25
_MOST = 300
"""Greatest number of points whose weights are found together by Newton's method."""
_SPREAD = 1000
"""Points all over the region from which the last search for peaks starts, among others."""
_NEAR = 0.02
"""Support points closer than this in every coded factor are one point."""


@dataclass(frozen=True, eq=False)
class ContinuousOptimum:
    """Weights on points that no plan for the region and the model can beat by more than `gap`.

    Parameters
    ----------
    table : DataFrame
        Support points in natural units, not snapped, with their ``weight``.
    criterion : {"D", "I", "A"}
    merit : float
        Per run, in coded units: ``|M|^(1/p)`` for D, ``1 / tr(W M⁻¹)`` for I and A.
    gap : float
        The true optimum's merit is at most ``merit / (1 − gap)``.
    candidates : int
        Points over which the gap was computed, those visited by the ascents aside.
    support : ndarray, shape (m, k)
        The support as points of the search space.
    """

    table: pd.DataFrame
    criterion: str
    merit: float
    gap: float
    candidates: int
    support: np.ndarray

    @property
    def sentence(self) -> str:
        """The result in plain words."""
        return (f"The continuous {self.criterion}-optimal plan puts its weight on "
                f"{count(len(self.table), 'point')}; {no_better(self.gap)} (checked over "
                f"{self.candidates} candidates and by local ascent from the highest).")


def no_better(gap: float) -> str:
    """What a gap means for every other plan, in words."""
    if gap < 1e-6:
        return "no plan can be better per run"
    return f"no plan can be more than {digits(100 * gap, 1)} % better per run"


def continuous_optimum(region: Region, *, terms: Sequence[Term] | str | None = None,
                       model: str = "quadratic", criterion: str = "D",
                       allowed: Callable[[pd.DataFrame], np.ndarray] | None = None,
                       tolerance: float = 1e-5, seed: int = 0) -> ContinuousOptimum:
    """The continuous optimal plan for a model over a region.

    Parameters
    ----------
    region : Region
    terms : sequence of Term or str, optional
        The model, or its formula; that named by `model` if left out.
    model : {"mean", "linear", "interactions", "quadratic"}
    criterion : {"D", "I", "A"}
    allowed : callable, optional
        Takes a DataFrame of settings, returns one boolean a row: which may be run.
    tolerance : float
        Gap that is small enough to stop.
    seed : int
        Of the sampled part of the candidates, and of the points that stand for the region
        in the I criterion where it is constrained.

    Raises
    ------
    InputError
        If the model cannot be estimated over the region.
    """
    as_choice("criterion", criterion, CRITERIA)
    terms = read_terms(region, terms, standard_terms(region, model))
    space = Space(region, terms, allowed=allowed)
    return optimum_over(space, criterion_for(criterion, space, seed), tolerance=tolerance,
                        seed=seed)


def optimum_over(space: Space, criterion: Criterion, *, fixed: np.ndarray | None = None,
                 share: float = 1.0, tolerance: float = 1e-4, seed: int = 0,
                 ) -> ContinuousOptimum:
    """The continuous optimum of ``fixed + share * M``, M the information of the weights.

    `fixed` is information that is there anyway, per run of the whole plan: runs that stay,
    a prior. The merit is that of the sum.
    """
    problem = _Problem(space, criterion, fixed, share)
    points = space.lattice(fine_levels(space), 60_000, seed)
    rows = space.rows(points)
    refuse_if_singular(space, rows, problem.fixed)
    weights = problem.multiply(rows, np.full(len(rows), 1 / len(rows)), tolerance)
    spread = space.scatter(_SPREAD, seed, on_levels=True)
    for number in range(_ROUNDS):
        few = spread[number % 25 * 40:][:40]
        B, peaks, gap = _survey(problem, points, rows, weights, few, 5e-4)
        if gap <= tolerance:  # then only a wider search is believed
            B, peaks, gap = _survey(problem, points, rows, weights, spread)
        if gap <= tolerance:
            break
        points, rows, weights, fresh = _append(space, points, rows, weights, peaks)
        height = forms(rows, B)
        top = np.argsort(-height, kind="stable")[:len(space.columns)]
        heavy = np.argsort(-weights, kind="stable")[:_MOST]
        active = np.unique(np.concatenate([heavy[weights[heavy] > 1e-9], top, fresh]))
        trial = np.zeros(len(rows))
        trial[active] = problem.newton(rows[active], weights[active])
        if problem.merit(rows, trial) > problem.merit(rows, weights):
            weights = trial
        else:  # the heaviest points alone cannot carry the model
            weights[np.concatenate([top, fresh])] += 1e-3 / (len(top) + len(fresh))
            weights = problem.multiply(rows, weights / weights.sum(), tolerance)
    else:
        gap = _survey(problem, points, rows, weights, spread)[2]
    listed = len(points)
    points, rows, weights, gap = _tidy(problem, points, rows, weights, gap, tolerance, spread)
    support = np.flatnonzero(weights)
    support = support[np.argsort(-weights[support], kind="stable")]
    merit = problem.merit(rows, weights)
    table = space.settings(points[support]).assign(weight=weights[support])
    table.attrs["units"] = {f.name: f.unit for f in space.region.factors if f.unit}
    return ContinuousOptimum(table, criterion.name, merit, max(0.0, float(gap)), listed,
                             points[support])


def _survey(problem: _Problem, points: np.ndarray, rows: np.ndarray, weights: np.ndarray,
            others: np.ndarray, least: float = 2e-5):
    """B of the weights, the peaks of its sensitivity, and the gap they leave.

    Peaks are climbed to from the highest points, the support and `others`, in steps of down to
    `least`.
    """
    used = np.flatnonzero(weights > 0)
    B, mean = problem.sensitivity(rows[used], weights[used])
    heavy = used[np.argsort(-weights[used], kind="stable")][:150]
    floor = (mean - np.sum(B * problem.fixed)) / problem.share
    peaks = peaks_of(problem.space, B, points, rows, np.vstack([points[heavy], others]), floor,
                     least)
    height = max(forms(rows, B).max(), forms(problem.space.rows(peaks), B).max())
    return B, peaks, 1 - mean / problem.bound(B, height)


def _tidy(problem: _Problem, points: np.ndarray, rows: np.ndarray, weights: np.ndarray,
          gap: float, tolerance: float, others: np.ndarray):
    """Points, rows, weights and gap with the support moved to the peaks of its own sensitivity,
    and neighbours merged, if that costs next to nothing."""
    order = np.flatnonzero(weights > 1e-7)
    if len(order) > _MOST:
        return points, rows, weights, gap
    B, _ = problem.sensitivity(rows[order], weights[order])
    tops = ascend(problem.space, B, points[order], leap=False)
    tops = tops[np.argsort(-forms(problem.space.rows(tops), B), kind="stable")]
    heads: list[int] = []
    for i in range(len(tops)):
        if not (np.abs(tops[heads] - tops[i]).max(axis=1) < _NEAR).any():
            heads.append(i)
    tops = tops[heads]
    solved = problem.newton(problem.space.rows(tops), np.full(len(tops), 1 / len(tops)))
    strong = solved > 1e-4 / len(tops)
    tidy = tops[strong], problem.space.rows(tops[strong]), solved[strong] / solved[strong].sum()
    after = _survey(problem, *tidy, others)[2] if problem.merit(*tidy[1:]) > 0 else 1.0
    return (*tidy, after) if after <= max(tolerance, gap) else (points, rows, weights, gap)


@dataclass(frozen=True, eq=False)
class _Problem:
    """Maximise the merit of ``fixed + share * sum w f f'`` over weights that sum to one."""

    space: Space
    criterion: Criterion
    given: np.ndarray | None
    share: float

    @property
    def fixed(self) -> np.ndarray:
        p = len(self.space.columns)
        return np.zeros((p, p)) if self.given is None else self.given

    def information(self, rows: np.ndarray, weights: np.ndarray) -> np.ndarray:
        return self.fixed + self.share * (rows.T * weights) @ rows

    def merit(self, rows: np.ndarray, weights: np.ndarray) -> float:
        used = np.flatnonzero(weights)
        return float(self.criterion.merit(self.information(rows[used], weights[used])))

    def sensitivity(self, rows: np.ndarray, weights: np.ndarray) -> tuple[np.ndarray, float]:
        """B, and the mean that the sensitivity takes over the whole plan."""
        M = self.information(rows, weights)
        B = self.criterion.gradient(M)
        return B, float(np.sum(B * M))

    def bound(self, B: np.ndarray, height: float) -> float:
        """What the mean sensitivity could be at most if the weights were moved."""
        return float(np.sum(B * self.fixed) + self.share * height)

    def multiply(self, rows: np.ndarray, start: np.ndarray, tolerance: float,
                 steps: int = 300) -> np.ndarray:
        """Multiplicative algorithm (Silvey, Titterington & Torsney 1978).

        Points whose weight has all but gone are left out of the later steps. It ends early
        once so few are left that Newton's method does the rest better.
        """
        most = _MOST if not self.space.bounded else 10 * _MOST
        index = np.flatnonzero(start)
        part, now = rows[index], start[index]
        power = 1.0 if self.criterion.weights is None else 0.5
        for step in range(1, steps + 1):
            B, mean = self.sensitivity(part, now)
            height = forms(part, B)
            now = now * height**power
            now /= now.sum()
            if step % 10 == 0:
                if 1 - mean / self.bound(B, height.max()) < tolerance / 2 or (
                        step >= 60 and len(index) <= most):
                    break
                strong = now > 1e-3 / len(rows)
                index, part, now = index[strong], part[strong], now[strong]
        weights = np.zeros(len(rows))
        weights[index] = now / now.sum()
        return weights

    def newton(self, rows: np.ndarray, start: np.ndarray) -> np.ndarray:
        """Primal–dual interior-point method; equal weights if the points cannot carry the model."""
        W, share, K = self.criterion.weights, self.share, len(rows)
        w = np.maximum(start, 1e-3 / K)
        w /= w.sum()
        z = level = None
        for _ in range(60):
            M = self.information(rows, w)
            if np.linalg.cond(M) > 1e12:
                return np.full(K, 1 / K)
            inverse = np.linalg.inv(M)
            kernel = share * rows @ inverse @ rows.T
            if W is None:
                gradient, hessian = -np.diag(kernel), kernel**2
            else:
                other = share * rows @ (inverse @ W @ inverse) @ rows.T
                gradient, hessian = -np.diag(other), 2 * kernel * other
            if z is None:
                level = -1.1 * gradient.min()
                z = np.maximum(gradient + level, 0.1 * level)
            slack, scale = float(w @ z), float(-(gradient @ w))
            residual = gradient - z + level
            if slack < 1e-11 * scale and np.abs(residual).max() < 1e-9 * scale:
                break
            aim = 0.1 * slack / K
            A = hessian + np.diag(z / w)
            right = np.column_stack([aim / w - z - residual, np.ones(K)])
            step = np.linalg.solve(A, right)
            change = step[:, 0].sum() / step[:, 1].sum()
            dw = step[:, 0] - change * step[:, 1]
            dz = aim / w - z - z / w * dw
            length = min(1.0, *(0.99 * (v[d < 0] / -d[d < 0]).min(initial=np.inf)
                                for v, d in ((w, dw), (z, dz))))
            w, z, level = w + length * dw, z + length * dz, level + length * change
        return w / w.sum()


def refuse_if_singular(space: Space, rows: np.ndarray, fixed: np.ndarray | float = 0.0) -> None:
    """Refuse a model that no plan over the region can estimate, its candidates being `rows`.

    Raises
    ------
    InputError
        It names the terms that follow from the others.
    """
    M = rows.T @ rows / len(rows) + fixed
    if np.linalg.matrix_rank(M, hermitian=True, tol=1e-9 * max(1.0, np.trace(M))) == len(M):
        return
    from scipy.linalg import qr

    triangle, order = qr(M, mode="r", pivoting=True)
    weak = order[np.abs(np.diag(triangle)) <= 1e-9 * abs(triangle[0, 0])]
    names = ", ".join(space.columns[i] for i in sorted(weak)) or "some terms"
    raise InputError("terms", names, "over this region they cannot be told apart from the others",
                     "Leave these terms out, or widen the region")


def _append(space: Space, points: np.ndarray, rows: np.ndarray, weights: np.ndarray,
            peaks: np.ndarray):
    """The list with those peaks that are not in it yet, and their places in it."""
    peaks = distinct(peaks, 6)
    new = [x for x in peaks if np.abs(points - x).max(axis=1).min() > 1e-6]
    if not new:
        return points, rows, weights, np.empty(0, int)
    extra = np.array(new)
    fresh = np.arange(len(points), len(points) + len(extra))
    return (np.vstack([points, extra]), np.vstack([rows, space.rows(extra)]),
            np.concatenate([weights, np.zeros(len(extra))]), fresh)

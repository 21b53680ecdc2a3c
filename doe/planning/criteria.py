"""Criteria of optimality: what they value, and how one exchange of a run changes it.

Both kinds are written as a *merit* that is homogeneous of degree one in the information
matrix, so that a ratio of merits is an efficiency:

- D: ``|M|^(1/p)``;
- A and I: ``1 / tr(W M⁻¹)``, with ``W = I`` for A (mean variance of the coefficients) and
  ``W`` the mean of ``f(x) f(x)'`` over the region for I (mean variance of prediction).

References
----------
Atkinson, A. C., Donev, A. N. & Tobias, R. D. (2007). *Optimum Experimental Designs, with
SAS*. Oxford University Press, chapters 9–12.
DuMouchel, W. & Jones, B. (1994). A simple Bayesian modification of D-optimal designs to
reduce dependence on an assumed model. *Technometrics* 36, 37–47.
Fedorov, V. V. (1972). *Theory of Optimal Experiments*. Academic Press.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from doe.planning.candidates import Space

__all__ = ["CRITERIA", "Criterion", "after_swap", "criterion_for", "moments", "prior_precision",
           "without_blocks"]

CRITERIA = ("D", "I", "A")


@dataclass(frozen=True, eq=False)
class Criterion:
    """A criterion of optimality.

    Parameters
    ----------
    name : {"D", "I", "A"}
    weights : ndarray, shape (p, p), or None
        ``W``; None for D.
    """

    name: str
    weights: np.ndarray | None = None

    def merit(self, information: np.ndarray) -> np.ndarray:
        """Merit of information matrices, 0 where they are singular; (..., p, p) gives (...)."""
        sign, logdet = np.linalg.slogdet(information)
        p = information.shape[-1]
        good = (sign > 0) & (logdet > -30.0 * p)
        if self.weights is None:
            return np.where(good, np.exp(np.where(good, logdet, 0.0) / p), 0.0)
        safe = np.where(good[..., None, None], information, np.eye(p))
        trace = np.einsum("ij,...ji->...", self.weights, np.linalg.inv(safe))
        return np.where(good & (trace > 0), 1 / np.where(trace > 0, trace, 1.0), 0.0)

    def gradient(self, information: np.ndarray) -> np.ndarray:
        """``B`` of the sensitivity ``f(x)' B f(x)``: M⁻¹ for D, else M⁻¹ W M⁻¹; (p, p)."""
        inverse = np.linalg.inv(information)
        return inverse if self.weights is None else inverse @ self.weights @ inverse

    def widened(self, extra: int) -> np.ndarray | None:
        """`weights` with `extra` columns that do not count (block effects)."""
        return None if self.weights is None else np.pad(self.weights, (0, extra))


def without_blocks(information: np.ndarray, p: int) -> np.ndarray:
    """Information on the first p columns, the others (block effects) taken out.

    (..., p + b, p + b) gives (..., p, p): the Schur complement of the blocks' part.
    """
    if information.shape[-1] == p:
        return information
    cross, blocks = information[..., :p, p:], information[..., p:, p:]
    return information[..., :p, :p] - cross @ np.linalg.solve(blocks, cross.swapaxes(-1, -2))


def criterion_for(name: str, space: Space, seed: int = 0) -> Criterion:
    """The criterion called `name` for a model over a region."""
    if name == "D":
        return Criterion("D")
    return Criterion(name, np.eye(len(space.columns)) if name == "A" else moments(space, seed))


def moments(space: Space, seed: int = 0, count: int = 8192) -> np.ndarray:
    """Mean of ``f(x) f(x)'`` over what may be run; shape (p, p).

    Exact where every combination may be run: continuous factors uniform over their ranges,
    others uniform over their levels. Otherwise the mean over `count` scrambled Sobol' points
    inside, which the seed fixes.
    """
    if space.bounded:
        rows = space.rows(space.scatter(count, seed))
        return rows.T @ rows / len(rows)
    out = np.ones((len(space.columns),) * 2)
    for j, f in enumerate(space.region.factors):
        along = space.along[j]
        if f.kind == "continuous":
            power = along.powers[:, None] + along.powers
            table = np.where(power % 2 == 0, 1.0 / (power + 1), 0.0)
        else:
            values = np.arange(len(f.levels)) if not f.is_numeric else f.code(f.levels)
            basis = along.basis(values)
            table = basis.T @ basis / len(basis)
        group = along.mask.argmax(axis=0)
        out *= table[group[:, None], group]
    return out


def prior_precision(space: Space, primary: int, tau: float, rows: np.ndarray) -> np.ndarray:
    """What a prior on the potential terms adds to X'X; shape (p, p).

    Primary columns (the first `primary` of the model's) carry no prior. Potential columns are
    regressed on the primary ones over the candidates `rows`, the residuals scaled to a range
    of one; their coefficients have prior mean 0 and standard deviation `tau` times the error's
    (DuMouchel & Jones 1994). Returned in the model's own columns, so that plans need not be
    rescaled.
    """
    p = len(space.columns)
    if primary == p:
        return np.zeros((p, p))
    first, rest = rows[:, :primary], rows[:, primary:]
    slopes = np.linalg.lstsq(first, rest, rcond=None)[0]
    residual = rest - first @ slopes
    spread = np.ptp(residual, axis=0)
    # A potential column that the primary ones fully explain leaves no residual: its
    # coefficient is then held by the prior alone, on the column's own scale.
    spread = np.where(spread > 1e-9, spread, np.maximum(np.ptp(rest, axis=0), 1.0))
    # With f = T'g the scaled columns are g = (first, residual / spread); X'X + T⁻ᵀ K T⁻¹ / tau².
    # Only the block of the potential columns of T⁻¹ meets K, and it is diag(spread).
    out = np.zeros((p, p))
    out[primary:, primary:] = np.diag((spread / tau) ** 2)
    return out


def after_swap(inverse: np.ndarray, add: np.ndarray, drop: np.ndarray,
               gradient: np.ndarray | None = None):
    """Inverses of ``M + add add' − drop drop'`` from those of ``M`` (Fedorov 1972).

    Parameters
    ----------
    inverse : ndarray, shape (s, p, p)
    add, drop : ndarray, shape (s, p)
    gradient : ndarray, shape (s, p, p), optional
        ``M⁻¹ W M⁻¹``, to be carried along.

    Returns
    -------
    inverse, gradient : ndarray or None
        The new ones.
    ratio : ndarray, shape (s,)
        ``|M_new| / |M|``.
    """
    U = np.stack([add, drop], axis=1)
    V = U @ inverse
    small = V @ U.swapaxes(1, 2)
    K, ratio = swap_kernel(small[:, 0, 0], small[:, 1, 1], small[:, 0, 1])
    VK = V.swapaxes(1, 2) @ K
    new = inverse - VK @ V
    if gradient is None:
        return new, None, ratio
    Y = U @ gradient
    cross = VK @ Y
    inner = VK @ (Y @ U.swapaxes(1, 2))
    return new, gradient - cross - cross.swapaxes(1, 2) + inner @ VK.swapaxes(1, 2), ratio


def swap_kernel(added, dropped, covariance) -> tuple[np.ndarray, np.ndarray]:
    """``(S + U'M⁻¹U)⁻¹`` of a swap, S = diag(1, −1), and the ratio of determinants.

    The arguments are the variance functions at the added and the dropped row, and between
    them. With ``K`` it gives ``M_new⁻¹ = M⁻¹ − M⁻¹ U K U' M⁻¹``.
    """
    ratio = (1 + added) * (1 - dropped) + covariance**2
    K = np.empty((*np.shape(ratio), 2, 2))
    K[..., 0, 0] = (1 - dropped) / ratio
    K[..., 0, 1] = K[..., 1, 0] = covariance / ratio
    K[..., 1, 1] = -(1 + added) / ratio
    return K, ratio

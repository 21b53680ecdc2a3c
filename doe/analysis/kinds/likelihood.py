"""Maximum likelihood with some parameters held, and intervals from the likelihood's profile.

A likelihood is any object with

- ``value(theta)``: the log-likelihood; minus infinity where `theta` is impossible,
- ``slopes(theta)``: its gradient and a positive definite matrix that stands for the negative
  second derivatives (observed or expected information).

References
----------
Cox, D. R. & Hinkley, D. V. (1974). *Theoretical Statistics*, section 9.3.
Venzon, D. J. & Moolgavkar, S. H. (1988). A method for computing profile-likelihood-based
confidence intervals. *Applied Statistics* 37, 87–94.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from scipy import linalg, optimize

__all__ = ["FOR_VALUES", "Likelihood", "Maximum", "maximise", "profile_limits"]

ITERATIONS = 200

LEAST_START = 1e-9
"""Size of the parameters at which looking for a possible start is given up."""

TOLERANCE = 1e-16
"""Gain of the log-likelihood, as the next step foretells it, at which the search stops."""

FOR_VALUES = 1e-11
"""The same where only the height of the maximum is asked for, not its place."""

ENOUGH = 0.2
"""Share of the gain foretold that a step must bring (Armijo's rule)."""

ROUNDING = 1e-13
"""Fall of the log-likelihood, relative to its size, that is no fall."""

FURTHEST = 12
"""Doublings of the first guess at a limit after which the limit is taken to be infinite."""


class Likelihood(Protocol):
    """What `maximise` needs to know."""

    def value(self, theta: np.ndarray) -> float: ...

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]: ...


@dataclass(frozen=True, eq=False)
class Maximum:
    """Where a likelihood is greatest.

    Attributes
    ----------
    theta : ndarray, shape (q,)
    value : float
        The log-likelihood there.
    information : ndarray, shape (q, q)
        As the likelihood's `slopes` give it there.
    converged : bool
    """

    theta: np.ndarray
    value: float
    information: np.ndarray
    converged: bool


def maximise(likelihood: Likelihood, start: np.ndarray,
             held: Mapping[int, float] | None = None, tolerance: float = TOLERANCE) -> Maximum:
    """Newton's method (or Fisher scoring) with steps halved until they gain.

    Parameters
    ----------
    likelihood : Likelihood
    start : ndarray, shape (q,)
        Must be possible.
    held : mapping of int to float, optional
        Parameters kept at a value.
    tolerance : float
        Gain, relative to the log-likelihood's size, that is not worth a further step.
    """
    theta = np.array(start, float)
    for j, value in (held or {}).items():
        theta[j] = value
    free = np.array([j for j in range(len(theta)) if j not in (held or {})], int)
    best = likelihood.value(theta)
    while not np.isfinite(best) and len(free) and np.abs(theta[free]).max() > LEAST_START:
        theta[free] /= 2  # towards no effects and wide noise, where nothing is impossible
        best = likelihood.value(theta)
    gradient, information = likelihood.slopes(theta)
    if not np.isfinite(best):
        return Maximum(theta, best, information, False)
    gain = np.inf if len(free) else 0.0
    for _ in range(ITERATIONS):
        if not len(free):
            break
        step = _solve(information[np.ix_(free, free)], gradient[free])
        gain = float(gradient[free] @ step) / 2
        if gain < tolerance * (1 + abs(best)):
            break
        size, trial = 1.0, theta.copy()
        while size > 1e-12:
            trial[free] = theta[free] + size * step
            value = likelihood.value(trial)
            if value >= best + ENOUGH * size * gain - ROUNDING * (1 + abs(best)):
                break
            size /= 2
        else:
            break
        theta, best = trial, value
        gradient, information = likelihood.slopes(theta)
    return Maximum(theta, best, information, gain < 1e-7 * (1 + abs(best)))


def _solve(information: np.ndarray, gradient: np.ndarray) -> np.ndarray:
    """The step, with as much added to the diagonal as makes the matrix positive definite."""
    scale = np.maximum(np.diag(information), 1e-300)
    ridge = 0.0
    while True:
        try:
            factor = linalg.cho_factor(information + np.diag(ridge * scale))
            step = linalg.cho_solve(factor, gradient)
            if np.isfinite(step).all():
                return step
        except linalg.LinAlgError:
            pass
        ridge = max(10 * ridge, 1e-10)
        if ridge > 1e10:
            return gradient / scale


def profile_limits(profile: Callable[[float], float], centre: float, value: float, step: float,
                   drop: float) -> tuple[float, float]:
    """The values at which the profile log-likelihood has fallen by `drop` / 2.

    Parameters
    ----------
    profile : callable
        Greatest log-likelihood with the parameter held at a value.
    centre : float
        Where the profile is greatest.
    value : float
        The profile there.
    step : float
        First guess at the distance to a limit, such as quantile × standard error.
    drop : float
        Twice the fall, such as a quantile of chi-squared.

    Returns
    -------
    (float, float)
        An end is infinite if the profile never falls as far.
    """
    root, known = np.sqrt(drop), {centre: -np.sqrt(drop)}

    def beyond(at: float) -> float:
        if at not in known:
            fall = 2 * (value - profile(at))
            known[at] = (np.sqrt(max(fall, 0.0)) if fall < np.inf else 1e6) - root
        return known[at]

    ends = []
    for side in (-1.0, 1.0):
        near, far = centre, centre + side * step
        for _ in range(FURTHEST):
            if beyond(far) >= 0:
                ends.append(optimize.brentq(beyond, near, far, xtol=1e-8 * step, rtol=1e-12))
                break
            near, far = far, centre + 2 * (far - centre)
        else:
            ends.append(side * np.inf)
    return ends[0], ends[1]

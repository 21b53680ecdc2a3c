"""On which scale a linear model should stand: powers of the response by likelihood.

References
----------
Box, G. E. P. & Cox, D. R. (1964). An analysis of transformations. *Journal of the Royal
Statistical Society B* 26, 211–252.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import optimize, stats

from doe import wording
from doe.analysis.model import Fit
from doe.analysis.settings_side import check_level
from doe.errors import InputError

__all__ = ["PowerTransform", "power_transform"]

ROUND = (1.0, 0.0, 0.5, -1.0, -0.5)
"""Powers with a plain meaning, the first choice first; 1 needs no transformation, and on a
logarithm effects are ratios."""

_NAMES = {1.0: "as measured", 0.5: "square root", 0.0: "logarithm", -1.0: "reciprocal",
          -0.5: "reciprocal of the square root"}
REACH = (-3.0, 3.0)


@dataclass(frozen=True, eq=False)
class PowerTransform:
    """The profile of the likelihood over the power λ.

    Attributes
    ----------
    table : DataFrame
        ``power, log_likelihood`` (less its greatest value).
    estimate : float
        The likeliest power.
    low, high : float
        Confidence interval; infinite where the profile does not fall within −3 to 3.
    suggested : float
        A power with a plain meaning if one lies in the interval, else the estimate.
    level : float
    label : str
        The response's.
    scale : str
        The response's present scale, "identity" or "log".
    """

    table: pd.DataFrame
    estimate: float
    low: float
    high: float
    suggested: float
    level: float
    label: str
    scale: str

    @cached_property
    def name(self) -> str:
        """The suggested transformation in words."""
        return _NAMES.get(self.suggested, f"power {wording.digits(self.suggested, 2)}")

    @cached_property
    def sentences(self) -> list[str]:
        """What the data say of the scale, what to do, and what a prediction then is."""
        ends = (f"{_end(self.low)} to {_end(self.high)}" if np.isfinite([self.low, self.high]).all()
                else f"from {_end(self.low)} up" if np.isfinite(self.low)
                else f"up to {_end(self.high)}" if np.isfinite(self.high) else "not bounded")
        what = (f"Noise of {self.label} is most even and normal on the scale of the power "
                f"{wording.fixed(self.estimate, 2)} "
                f"({wording.percent(self.level)} interval {ends}).")
        return [what, self._advice(), *self._meaning()]

    @property
    def sentence(self) -> str:
        """The finding and the advice."""
        return " ".join(self.sentences[:2])

    def _advice(self) -> str:
        now = 0.0 if self.scale == "log" else 1.0
        if self.suggested == now:
            return (f"The present scale ({_NAMES[now]}, power {now:g}) lies within it: keep it.")
        if self.suggested == 0:
            return ("The logarithm (power 0) lies within it and the present scale does not: set "
                    "the response's scale to 'log', so that effects are ratios.")
        if self.suggested == 1:
            return ("Plain readings (power 1) lie within it and the logarithm does not: set the "
                    "response's scale to 'identity'.")
        if self.suggested in _NAMES:
            return (f"The {self.name} (power {self.suggested:g}) lies within it and the present "
                    "scale does not: enter it as a response of its own.")
        return ("No power with a plain meaning lies within it: look for runs that stand out before "
                "the response is transformed.")

    def _meaning(self) -> list[str]:
        if self.suggested == 1:
            return []
        return ["Taken back to the unit of measurement, a mean on that scale is the median, not "
                f"the mean: {self._mean_words()}."]

    def _mean_words(self) -> str:
        if self.suggested == 0:
            return "the mean is the median times exp(σ²/2)"
        if self.suggested == 0.5:
            return "the mean is the median plus σ²"
        return "`back` gives both"

    def transform(self, values: Sequence[float]) -> np.ndarray:
        """``y**power``, or the logarithm for power 0."""
        y = np.asarray(values, float)
        return np.log(y) if self.suggested == 0 else y**self.suggested

    def back(self, centre: Sequence[float], sigma: float) -> pd.DataFrame:
        """Median and mean in the response's unit of normal readings on the suggested scale.

        Parameters
        ----------
        centre : sequence of float
            Means on the scale of `transform`.
        sigma : float
            Standard deviation there.

        Returns
        -------
        DataFrame
            ``median, mean``; the mean by Gauss–Hermite quadrature over what is possible,
            missing where the scale's impossible side (such as negative roots) has more than
            0.1 % of the readings or, for negative powers, a mean may not exist.
        """
        z = np.asarray(centre, float)
        x, weight = np.polynomial.hermite_e.hermegauss(40)
        at = z[:, None] + sigma * x
        if self.suggested == 0:
            return pd.DataFrame({"median": np.exp(z), "mean": np.exp(z + sigma**2 / 2)})
        impossible = stats.norm.cdf(-z / sigma) if sigma > 0 else (z <= 0).astype(float)
        power = 1 / self.suggested
        values = np.where(at > 0, np.maximum(at, 1e-300), np.nan) ** power
        mean = np.nansum(values * weight, axis=1) / np.sum(np.isfinite(values) * weight, axis=1)
        with np.errstate(invalid="ignore"):
            median = np.where(z > 0, np.maximum(z, 1e-300) ** power, np.nan)
        return pd.DataFrame({"median": median, "mean": np.where(impossible > 1e-3, np.nan, mean)})


def _end(value: float) -> str:
    return wording.fixed(value, 2)


def power_transform(fit: Fit, *, level: float = 0.95, points: int = 121) -> PowerTransform:
    """Profile likelihood of the power λ with the terms of a linear fit.

    Parameters
    ----------
    fit : Fit
        Its terms, blocks and runs are used; the readings are taken as measured, whatever the
        response's scale.
    level : float
        Confidence of the interval, by chi-squared.
    points : int
        Of the profile's table, from λ = −3 to 3.

    Raises
    ------
    InputError
        If a reading is not above 0, all are alike, or no degrees of freedom are left for error.

    Notes
    -----
    The log-likelihood is ``−n/2 log RSS(λ)`` with the response divided by its geometric
    mean, so that powers compare (Box & Cox 1964, equation 9).
    """
    name = fit.response.name
    y = fit.data[name].to_numpy(float)
    if not (y > 0).all():
        raise InputError(f"data, column '{name}'", float(y.min()), "only readings above 0 have "
                         "powers", "Add a constant with a meaning of its own, or keep the scale")
    check_level(level)
    if not fit.df_error:
        raise InputError("fit", name, "the model is saturated, so that every scale fits",
                         "Leave terms out, or repeat some runs")
    if y.min() == y.max():
        raise InputError(f"data, column '{name}'", float(y[0]), "every run gave the same",
                         "There is nothing to transform")
    log_y = np.log(y) - np.log(y).mean()
    q, _ = np.linalg.qr(fit.columns.matrix.to_numpy())

    def value(power: float) -> float:
        # expm1 keeps the digits near 0, where the power becomes the logarithm
        z = log_y if abs(power) < 1e-12 else np.expm1(power * log_y) / power
        z = z - z.mean()
        left = z - q @ (q.T @ z)
        return -len(y) / 2 * float(np.log(max(left @ left, 1e-28 * (z @ z))))

    low, high = REACH
    grid = np.linspace(low, high, points)
    heights = np.array([value(v) for v in grid])
    k = int(np.argmax(heights))
    around = (grid[max(k - 1, 0)], grid[min(k + 1, points - 1)])
    found = optimize.minimize_scalar(lambda v: -value(v), bounds=around, method="bounded",
                                     options={"xatol": 1e-8})
    best, top = float(found.x), max(-float(found.fun), heights[k])
    fall = stats.chi2.ppf(level, 1) / 2

    def above(power: float) -> float:
        return value(power) - (top - fall)

    ends = [optimize.brentq(above, end, best, xtol=1e-8) if above(end) < 0 else side * np.inf
            for end, side in ((low, -1), (high, 1))]
    now = 0.0 if fit.response.scale == "log" else 1.0
    choices = [p for p in (now, *ROUND) if ends[0] <= p <= ends[1]]
    return PowerTransform(pd.DataFrame({"power": grid, "log_likelihood": heights - top}), best,
                          float(ends[0]), float(ends[1]), choices[0] if choices else best, level,
                          fit.response.label, fit.response.scale)

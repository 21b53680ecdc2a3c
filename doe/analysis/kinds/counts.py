"""Counts: specks on a drawdown, bubbles in a section, per area or volume inspected.

References
----------
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd edition, chapter 6.
Lawless, J. F. (1987). Negative binomial and mixed Poisson regression. *Canadian Journal of
Statistics* 15, 209–225.
Ver Hoef, J. M. & Boveng, P. L. (2007). Quasi-Poisson vs. negative binomial regression: how
should we model overdispersed count data? *Ecology* 88, 2766–2772.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import special, stats

from doe import wording
from doe.analysis.kinds import words
from doe.analysis.kinds.face import KindFit
from doe.analysis.kinds.firth import Firth
from doe.analysis.kinds.likelihood import Maximum, maximise
from doe.analysis.kinds.overdispersion import Overdispersion, judge_scatter
from doe.analysis.kinds.predictive import count_law, count_limits
from doe.analysis.kinds.residuals import generalised, normal_score
from doe.analysis.kinds.rows import Rows
from doe.analysis.kinds.separation import Separation, find_separation
from doe.errors import InputError, as_choice

__all__ = ["COUNT_METHODS", "CountFit", "NegativeBinomial", "Poisson", "fit_counts"]

COUNT_METHODS = ("auto", "Poisson", "quasi-Poisson", "negative binomial", "Firth")

ENOUGH_FOR_SHAPE = 20
"""Degrees of freedom for error below which the law of the scatter is not chosen from the data
(common practice, no source)."""

LEAST_LOG_ALPHA = -12.0
"""An α of the negative binomial that is as good as none, by its logarithm."""

FEW_PER_COLUMN = 10
"""Counted events for each model column below which a warning is due (common practice, after
Peduzzi et al. 1996, Journal of Clinical Epidemiology 49, 1373–1379)."""


class Poisson:
    """Log-likelihood of Poisson counts with a log link.

    Parameters
    ----------
    matrix : ndarray, shape (n, p)
    y : ndarray, shape (n,)
    offset : ndarray, shape (n,)
        Logarithm of the exposure.
    """

    def __init__(self, matrix: np.ndarray, y: np.ndarray, offset: np.ndarray) -> None:
        self.matrix, self.y, self.offset = matrix, y, offset
        self._constant = float(special.gammaln(y + 1).sum())

    def rebuilt(self, matrix: np.ndarray) -> Poisson:
        """The same counts on other columns."""
        return type(self)(matrix, self.y, self.offset)

    def mean(self, theta: np.ndarray) -> np.ndarray:
        with np.errstate(over="ignore"):
            return np.exp(self.offset + self.matrix @ theta[:self.matrix.shape[1]])

    def value(self, theta: np.ndarray) -> float:
        mean = self.mean(theta)
        with np.errstate(invalid="ignore"):
            value = float(np.sum(special.xlogy(self.y, mean) - mean)) - self._constant
        return value if np.isfinite(value) else -np.inf

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        mean = self.mean(theta)
        return (self.matrix.T @ (self.y - mean),
                self.matrix.T @ (mean[:, None] * self.matrix))

    weight = mean

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope and weight of each run in its linear predictor; two arrays of shape (n,)."""
        mean = self.mean(theta)
        return self.y - mean, mean

    def deviance(self, theta: np.ndarray) -> np.ndarray:
        """Deviance of each run; shape (n,)."""
        y, mean = self.y, self.mean(theta)
        return 2 * (special.xlogy(y, y / mean) - (y - mean))

    def log_weight_slope(self, theta: np.ndarray) -> np.ndarray:
        return np.ones(len(self.y))


class NegativeBinomial(Poisson):
    """Log-likelihood of counts with variance μ + α μ²; the last parameter is log α."""

    def value(self, theta: np.ndarray) -> float:
        y, mean, size = self.y, self.mean(theta), np.exp(-theta[-1])
        with np.errstate(invalid="ignore", over="ignore"):
            value = float(np.sum(
                special.gammaln(y + size) - special.gammaln(size)
                - size * np.log1p(mean / size) + special.xlogy(y, mean / (size + mean))
            )) - self._constant
        return value if np.isfinite(value) else -np.inf

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """With the expected information of the coefficients, which does not mix with α's."""
        y, mean, k = self.y, self.mean(theta), np.exp(-theta[-1])
        x, p = self.matrix, self.matrix.shape[1]
        whole = k + mean
        by_k = float(np.sum(special.digamma(y + k) - special.digamma(k) - np.log1p(mean / k)
                            + (mean - y) / whole))
        by_k2 = float(np.sum(special.polygamma(1, y + k) - special.polygamma(1, k)
                             + mean / (k * whole) + (y - mean) / whole**2))
        information = np.zeros((p + 1, p + 1))
        information[:p, :p] = x.T @ ((mean * k / whole)[:, None] * x)
        curve = -(k * by_k + k**2 * by_k2)
        information[p, p] = curve if curve > 0 else abs(k * by_k) + 1e-6
        return np.r_[x.T @ ((y - mean) * k / whole), -k * by_k], information

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """As of `Poisson`, α being held."""
        mean, k = self.mean(theta), np.exp(-theta[-1])
        return (self.y - mean) * k / (k + mean), mean * k / (k + mean)

    def deviance(self, theta: np.ndarray) -> np.ndarray:
        y, mean, k = self.y, self.mean(theta), np.exp(-theta[-1])
        return 2 * (special.xlogy(y, y / mean) - (y + k) * np.log((y + k) / (mean + k)))


@dataclass(frozen=True, eq=False)
class CountFit(KindFit):
    """A model of counts; effects are rate ratios.

    Attributes
    ----------
    y : ndarray, shape (n,)
        The counts.
    exposure : ndarray, shape (n,)
        What was inspected for each; ones if nothing was said.
    usual_exposure : float
        What predictions are for: the response's own if it is a number, else the median.
    overdispersion : Overdispersion
        Of the Poisson model.
    alpha : float
        Of the negative binomial model (variance μ + α μ²), else 0.
    choice : str
        Why this model, in words.
    separation : Separation or None
        Runs in which nothing could be counted whatever the size of an effect.
    """

    y: np.ndarray = None
    exposure: np.ndarray = None
    usual_exposure: float = 1.0
    overdispersion: Overdispersion = None
    alpha: float = 0.0
    choice: str = ""
    separation: Separation | None = None

    effect_name = "rate ratio"

    @cached_property
    def results(self):
        """Statsmodels' results of the Poisson generalised linear model of the same runs."""
        return sm.GLM(pd.Series(self.y, self.data.index, name=self.response.name),
                      self.columns.matrix, family=sm.families.Poisson(),
                      offset=np.log(self.exposure)).fit()

    def predict(self, settings: pd.DataFrame, level: float = 0.95, *,
                exposure: float | np.ndarray | None = None) -> pd.DataFrame:
        """As `KindFit.predict`; the count on `exposure` (by default `usual_exposure`)."""
        given = self.usual_exposure if exposure is None else exposure
        amount = np.broadcast_to(np.asarray(given, float), len(settings))
        if not (amount > 0).all():
            raise InputError("exposure", given, "it must be greater than 0",
                             "Give what is inspected")
        centre, se = self.linear(settings, level)
        centre = centre + np.log(amount / self.usual_exposure)
        out = self._finish(self._predicted(centre, se, level), settings)
        out.attrs["exposure"] = [float(v) for v in given] if np.ndim(given) else float(given)
        return out

    def mean_at(self, centre: np.ndarray) -> np.ndarray:
        return self.usual_exposure * np.exp(centre)

    def limits_at(self, centre: np.ndarray, se: np.ndarray, level: float,
                  runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        # The sum of equal negative binomial counts is one with the same variance over mean.
        low, high = count_limits(centre + np.log(self.usual_exposure * runs), se,
                                 self.df_reference, level, self.dispersion, self.alpha / runs)
        return low / runs, high / runs

    # -- the runs

    @property
    def _mean(self) -> np.ndarray:
        return self.exposure * np.exp(self.rows.matrix @ self.coefficients)

    def _seen(self) -> tuple[np.ndarray, np.ndarray]:
        return self.y, self._mean

    def _stretches(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        law = count_law(self._mean, self.dispersion * change, self.alpha)
        high = normal_score(*law(self.y))
        return np.where(self.y > 0, normal_score(*law(self.y - 1)), -np.inf), high

    def _other_residuals(self) -> dict[str, np.ndarray]:
        return generalised(self)

    # -- the words

    def summary(self) -> str:
        terms = sum(1 for t in self.terms if t.powers)
        per = self._per()
        text = (f"{wording.capitalise(self.response.label)}: {wording.count(len(self.y), 'run')}, "
                f"{wording.count(terms, 'term')}, {self.y.sum():.0f} counted in all"
                + (self._on(self.exposure.sum()) if per else "")
                + f"; {self.model} model of the {'rate' + per if per else 'count'}.")
        return f"{text} {self.choice}"

    def _per(self) -> str:
        if self.response.exposure is None and (self.exposure == 1).all():
            return ""
        return f" per {self.response.exposure_unit or 'unit inspected'}"

    def _on(self, amount: float) -> str:
        return f" on {amount:.6g} {self.response.exposure_unit}".rstrip()

    def what_changes(self) -> str:
        return f"the rate of {self.response.label}" if self._per() else self.response.label

    def ends(self) -> list[str]:
        on = self._on(self.usual_exposure) if self._per() else ""
        return words.ends_of(
            self, f"Expected {self.response.label}{on}",
            lambda v: wording.quantity(np.exp(v) * self.usual_exposure, self.response.unit, 2))

    def warnings(self) -> list[str]:
        out = []
        if self.separation is not None:
            out.append(_separated(self))
        total, columns = float(self.y.sum()), len(self.columns.owner)
        if total < FEW_PER_COLUMN * columns:
            out.append(f"Only {total:.0f} were counted in all for {columns} coefficients: "
                       "intervals are wide, and p-values rough. Inspect more, or do more runs.")
        return out


def _separated(fit: CountFit) -> str:
    names = words.running_away(fit.rows, fit.separation.signs)
    return (f"Nothing was counted in {wording.count(int(fit.separation.runs.sum()), 'run')} that "
            f"{names} would explain by an effect without limit. The estimates are kept finite by "
            "Firth's penalty; their intervals show what the runs rule out.")


def fit_counts(rows: Rows, y: np.ndarray, exposure: np.ndarray, method: str = "auto") -> CountFit:
    """Fit counts.

    Parameters
    ----------
    rows : Rows
    y : ndarray, shape (n,)
        Whole numbers.
    exposure : ndarray, shape (n,)
    method : {"auto", "Poisson", "quasi-Poisson", "negative binomial", "Firth"}
        "auto" takes the Poisson model unless the runs scatter more than it allows; then
        quasi-Poisson, or with at least 20 degrees of freedom for error the negative binomial
        if its variance law fits better. Where a zero count leaves an effect without limit,
        Firth's penalty.

    Raises
    ------
    InputError
        If a count is negative or broken, every count is zero, or the method cannot be used.
    """
    as_choice("method", method, COUNT_METHODS)
    _check(y, exposure, rows)
    x, offset = rows.matrix, np.log(exposure)
    usual = (rows.response.exposure if isinstance(rows.response.exposure, float)
             else float(np.median(exposure)))
    separation = find_separation(-x[y == 0], x[y > 0])
    plain = Poisson(x, y, offset)
    start = np.zeros(x.shape[1])
    start[0] = np.log(max(y.sum(), 0.5) / exposure.sum())
    if separation is not None and method not in ("auto", "Firth"):
        raise InputError("method", method, "the zero counts leave no finite estimate for "
                         + words.running_away(rows, separation.signs),
                         "Use 'Firth', or leave terms out")
    likelihood = Firth(plain) if separation is not None or method == "Firth" else plain
    best = maximise(likelihood, start)
    mean = plain.mean(best.theta)
    scatter = judge_scatter(y - mean, mean, x.shape[1])
    base = CountFit(rows, likelihood, best, "Poisson", y=y, exposure=exposure,
                    usual_exposure=usual, overdispersion=scatter, separation=separation)
    if method == "Poisson":
        return replace(base, choice=scatter.sentence("Poisson") + (
            " The Poisson model was asked for all the same: its intervals are too narrow."
            if scatter.found else ""))
    if likelihood is not plain:
        return _with_scatter(base, "Poisson, with Firth's penalty,")
    if method == "quasi-Poisson" or (method == "auto" and scatter.found):
        return _overdispersed(base, method)
    if method == "negative binomial":
        return _negative_binomial(base, "")
    return replace(base, choice=scatter.sentence("Poisson"))


def _check(y: np.ndarray, exposure: np.ndarray, rows: Rows) -> None:
    where = f"data, column '{rows.response.name}'"
    bad = y[(y < 0) | (y != np.round(y))]
    if len(bad):
        raise InputError(where, bad[0], "a count is a whole number, at least 0",
                         "Give the number counted, and what was inspected as the exposure")
    bad = exposure[~(exposure > 0)]
    if len(bad):
        raise InputError(f"{where}, exposure", bad[0], "what was inspected must be above 0",
                         "Fill it in for every run with a count")
    if not y.sum():
        raise InputError(where, 0, "nothing was counted in any run, so there is nothing to compare",
                         "Inspect more, or report the upper limit on the rate")


def _with_scatter(fit: CountFit, model: str) -> CountFit:
    """The model with intervals widened if the runs scatter too much for it."""
    scatter = fit.overdispersion
    if not scatter.found:
        return replace(fit, model=model, choice=scatter.sentence("Poisson"))
    return replace(fit, model=model, dispersion=scatter.ratio, df_reference=float(fit.df_error),
                   choice=f"{scatter.sentence('Poisson')[:-1]}; {scatter.widened()}.")


def _overdispersed(base: CountFit, method: str) -> CountFit:
    scatter, df = base.overdispersion, base.df_error
    if df < 1:
        raise InputError("method", method, "no degrees of freedom are left to estimate the scatter",
                         "Use 'Poisson', or leave terms out")
    said = scatter.sentence("Poisson")
    reason = ""
    if method == "auto" and df >= ENOUGH_FOR_SHAPE:
        square = _fit_alpha(base)
        if square is not None and square.value > _linear_law(base):
            return _negative_binomial(
                base, f"{said} A variance that grows with the square of the mean fits better than "
                "one in proportion to it.", square)
        reason = " A variance in proportion to the mean fits no worse than one with its square."
    return replace(base, model="quasi-Poisson", dispersion=max(scatter.ratio, 1e-12),
                   df_reference=float(df),
                   choice=f"{said[:-1]}; {scatter.widened()}.{reason}")


def _linear_law(base: CountFit) -> float:
    """Greatest log-likelihood of negative binomial counts with variance in proportion to the
    mean, at the Poisson model's means."""
    mean, y = base.likelihood.mean(base.estimate.theta), base.y

    def value(extra: float) -> float:
        return float(stats.nbinom.logpmf(y, mean / np.exp(extra), 1 / (1 + np.exp(extra))).sum())

    return max(value(v) for v in np.linspace(-5, np.log(10 * base.overdispersion.ratio), 200))


def _fit_alpha(base: CountFit) -> Maximum | None:
    """The negative binomial model's maximum; None if it is at α = 0."""
    mean = base.likelihood.mean(base.estimate.theta)
    moment = float(np.sum((base.y - mean) ** 2 - mean) / np.sum(mean**2))
    likelihood = NegativeBinomial(base.likelihood.matrix, base.y, base.likelihood.offset)
    best = maximise(likelihood, np.r_[base.estimate.theta, np.log(max(moment, 1e-3))])
    if best.theta[-1] < LEAST_LOG_ALPHA or not best.value > base.estimate.value + 1e-6:
        return None
    return best


def _negative_binomial(base: CountFit, reason: str, best: Maximum | None = None) -> CountFit:
    best = best or _fit_alpha(base)
    if best is None:
        raise InputError("method", "negative binomial", "the counts scatter no more than Poisson "
                         "counts, so that its excess is 0", "Use 'Poisson'")
    alpha = float(np.exp(best.theta[-1]))
    likelihood = NegativeBinomial(base.likelihood.matrix, base.y, base.likelihood.offset)
    return replace(base, likelihood=likelihood, estimate=best, model="negative binomial",
                   alpha=alpha, choice=f"{reason} The variance is the mean plus "
                   f"{wording.digits(alpha, 2)} times its square.".lstrip())

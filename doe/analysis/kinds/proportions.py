"""Proportions: cups that passed of those tried, or a share that was not counted.

References
----------
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd edition, chapter 4.
Papke, L. E. & Wooldridge, J. M. (1996). Econometric methods for fractional response
variables. *Journal of Applied Econometrics* 11, 619–632 (shares that are no counts).
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import special

from doe import wording
from doe.analysis.kinds import words
from doe.analysis.kinds.face import KindFit
from doe.analysis.kinds.firth import Firth
from doe.analysis.kinds.likelihood import maximise
from doe.analysis.kinds.overdispersion import Overdispersion, judge_scatter
from doe.analysis.kinds.predictive import share_law, share_limits
from doe.analysis.kinds.residuals import generalised, normal_score
from doe.analysis.kinds.rows import Rows
from doe.analysis.kinds.separation import Separation, find_separation
from doe.errors import InputError, as_choice

__all__ = ["PROPORTION_METHODS", "Binomial", "ProportionFit", "fit_proportions", "successes"]

PROPORTION_METHODS = ("auto", "binomial", "quasi-binomial", "Firth")

FEW_PER_COLUMN = 10
"""Outcomes of the rarer sort for each model column below which a warning is due (common practice,
after Peduzzi et al. 1996, Journal of Clinical Epidemiology 49, 1373–1379)."""

NEAR_WHOLE = 0.25
"""How far share × trials may be from a whole number, since shares are written rounded."""


class Binomial:
    """Log-likelihood of counts out of `trials` with a logit link.

    Parameters
    ----------
    matrix : ndarray, shape (n, p)
    y, trials : ndarray, shape (n,)
        Shares that were not counted have one trial and a broken y.
    """

    def __init__(self, matrix: np.ndarray, y: np.ndarray, trials: np.ndarray) -> None:
        self.matrix, self.y, self.trials = matrix, y, trials
        self._constant = float(np.sum(special.gammaln(trials + 1) - special.gammaln(y + 1)
                                      - special.gammaln(trials - y + 1)))

    def rebuilt(self, matrix: np.ndarray) -> Binomial:
        """The same counts on other columns."""
        return Binomial(matrix, self.y, self.trials)

    def share(self, theta: np.ndarray) -> np.ndarray:
        return special.expit(self.matrix @ theta)

    def weight(self, theta: np.ndarray) -> np.ndarray:
        share = self.share(theta)
        return self.trials * share * (1 - share)

    def log_weight_slope(self, theta: np.ndarray) -> np.ndarray:
        return 1 - 2 * self.share(theta)

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope and weight of each run in its linear predictor; two arrays of shape (n,)."""
        return self.y - self.trials * self.share(theta), self.weight(theta)

    def deviance(self, theta: np.ndarray) -> np.ndarray:
        """Deviance of each run; shape (n,)."""
        y, m, share = self.y, self.trials, self.share(theta)
        return 2 * (special.xlogy(y, y / (m * share))
                    + special.xlogy(m - y, (m - y) / (m * (1 - share))))

    def value(self, theta: np.ndarray) -> float:
        eta = self.matrix @ theta
        return float(self.y @ eta - self.trials @ np.logaddexp(0, eta)) + self._constant

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        x = self.matrix
        return (x.T @ (self.y - self.trials * self.share(theta)),
                x.T @ (self.weight(theta)[:, None] * x))


@dataclass(frozen=True, eq=False)
class ProportionFit(KindFit):
    """A model of proportions; effects are odds ratios.

    Attributes
    ----------
    y, trials : ndarray, shape (n,)
        Successes, and out of how many; one trial and a broken number for shares that were not
        counted.
    counted : bool
        Whether they were.
    usual_trials : float
        What the interval for a new run is for.
    overdispersion : Overdispersion
        Of the binomial model.
    choice : str
        Why this model, in words.
    separation : Separation or None
        Settings that foretell the outcome without exception.
    """

    y: np.ndarray = None
    trials: np.ndarray = None
    counted: bool = True
    usual_trials: float = 1.0
    overdispersion: Overdispersion = None
    choice: str = ""
    separation: Separation | None = None

    effect_name = "odds ratio"

    @cached_property
    def results(self):
        """Statsmodels' results of the binomial generalised linear model of the same runs; it has
        no finite answer if they are separated."""
        share = pd.Series(self.y / self.trials, self.data.index, name=self.response.name)
        return sm.GLM(share, self.columns.matrix, family=sm.families.Binomial(),
                      var_weights=self.trials).fit()

    @property
    def _whole(self) -> float:
        return whole(self.response.unit)

    def predict(self, settings: pd.DataFrame, level: float = 0.95, *,
                trials: float | np.ndarray | None = None) -> pd.DataFrame:
        """As `KindFit.predict`; ``low, high`` are for a new run of `trials` (by default
        `usual_trials`)."""
        given = self.usual_trials if trials is None else trials
        m = np.broadcast_to(np.asarray(given, float), len(settings))
        if not ((m >= 1) & (m == np.round(m))).all():
            raise InputError("trials", given, "this is not a whole number of at least 1",
                             "Give how many are tried")
        centre, se = self.linear(settings, level)
        out = self._finish(self._predicted(centre, se, level), settings)
        out["low"], out["high"] = self._limits(centre, se, level, m)
        out.attrs["trials"] = ([float(v) for v in given] if np.ndim(given) else float(given)
                               ) if self.counted else None
        return out

    def mean_at(self, centre: np.ndarray) -> np.ndarray:
        return special.expit(centre) * self._whole

    def limits_at(self, centre: np.ndarray, se: np.ndarray, level: float,
                  runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        return self._limits(centre, se, level, np.full(len(centre), self.usual_trials), runs)

    def _limits(self, centre: np.ndarray, se: np.ndarray, level: float, trials: np.ndarray,
                runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        whole = (share_limits(centre, se, self.df_reference, level, trials * runs, self.dispersion)
                 if self.counted else
                 share_limits(centre, se, self.df_reference, level, None, self.dispersion / runs))
        return tuple(end * self._whole for end in whole)

    # -- the runs

    @property
    def _share(self) -> np.ndarray:
        return special.expit(self.rows.matrix @ self.coefficients)

    def _seen(self) -> tuple[np.ndarray, np.ndarray]:
        return self._whole * self.y / self.trials, self._whole * self._share

    def _stretches(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        if not self.counted:  # a quasi-likelihood has no distribution: Pearson's residuals
            share = self._share
            z = (self.y - share) / np.sqrt(self.dispersion * change * share * (1 - share))
            return z, z
        law = share_law(self._share, self.trials, self.dispersion * change)
        y, m = self.y, self.trials
        return (np.where(y > 0, normal_score(*law(y - 1)), -np.inf),
                np.where(y < m, normal_score(*law(y)), np.inf))

    def _other_residuals(self) -> dict[str, np.ndarray]:
        return generalised(self)

    # -- the words

    @property
    def residual_name(self) -> str:
        return "quantile residual" if self.counted else "studentised residual"

    def residual_note(self) -> str:
        if self.counted:
            return super().residual_note()
        return ("Residuals are Pearson's (distance from the fitted share by its standard "
                "deviation), since shares that were not counted have no distribution.")

    def summary(self) -> str:
        terms = sum(1 for t in self.terms if t.powers)
        text = (f"{wording.capitalise(self.response.label)}: {wording.count(len(self.y), 'run')}, "
                f"{wording.count(terms, 'term')}")
        if self.counted:
            text += (f", {self.y.sum():.0f} of {self.trials.sum():.0f} "
                     f"({wording.percent(self.y.sum() / self.trials.sum())})")
        return f"{text}; {self.model} model of the odds. {self.choice}".rstrip()

    def what_changes(self) -> str:
        return f"the odds of {self.response.label}"

    def ends(self) -> list[str]:
        return words.ends_of(self, f"Expected {self.response.label}",
                             lambda v: wording.percent(special.expit(v)))

    def warnings(self) -> list[str]:
        out = []
        if self.separation is not None:
            out.append(_separated(self))
        rarer = float(min(self.y.sum(), (self.trials - self.y).sum()))
        columns = len(self.columns.owner)
        if self.counted and rarer < FEW_PER_COLUMN * columns:
            out.append(f"Only {rarer:.0f} of {self.trials.sum():.0f} outcomes are of the rarer "
                       f"sort, for {columns} coefficients: intervals are wide, and p-values rough. "
                       "A measured response in place of pass or fail would say more a run.")
        return out


def _separated(fit: ProportionFit) -> str:
    names = words.running_away(fit.rows, fit.separation.signs)
    number = int(fit.separation.runs.sum())
    have = "run has" if number == 1 else "runs have"
    return (f"{number} {have} an outcome that {names} would foretell without exception, so that "
            "an effect of any size fits (separation). The estimates are kept finite by Firth's "
            "penalty; their intervals show what the runs rule out.")


def whole(unit: str) -> float:
    """What stands for all: 100 for a percentage, else 1."""
    return 100.0 if unit.strip() == "%" else 1.0


def successes(shares: np.ndarray, trials: np.ndarray, unit: str, where: str) -> np.ndarray:
    """How many of `trials` make up the shares; shape (n,).

    Raises
    ------
    InputError
        If a share is outside 0 to 1 (0 to 100 for a percentage), a number of trials is not
        whole, or a share cannot come of it.
    """
    bad = trials[~((trials >= 1) & (trials == np.round(trials)))]
    if len(bad):
        raise InputError(f"{where}, trials", bad[0], "this is not a whole number of at least 1",
                         "Give how many were tried in every run with a share")
    check_shares(shares, unit, where)
    y = shares / whole(unit) * trials
    off = np.abs(y - np.round(y)) > NEAR_WHOLE
    if (odd := off & (trials <= 200)).any():  # beyond, rounding of the share alone does this
        i = int(np.flatnonzero(odd)[0])
        raise InputError(where, shares[i], f"of {trials[i]:.0f} tried, no whole number makes this "
                         "share", "Check the share and the number of trials")
    return np.round(y)


def check_shares(shares: np.ndarray, unit: str, where: str) -> None:
    """Refuse shares outside 0 to 1, or percentages outside 0 to 100."""
    bad = shares[(shares < 0) | (shares > whole(unit))]
    if len(bad):
        raise InputError(where, bad[0], f"a share lies between 0 and {whole(unit):g}",
                         "Divide the number of successes by the trials"
                         + ("" if whole(unit) > 1 else ", or give percentages with unit '%'"))


def fit_proportions(rows: Rows, y: np.ndarray, trials: np.ndarray, *, counted: bool = True,
                    method: str = "auto") -> ProportionFit:
    """Fit proportions.

    Parameters
    ----------
    rows : Rows
    y, trials : ndarray, shape (n,)
        As in `ProportionFit`.
    counted : bool
        False for shares without trials; their scatter is then always estimated.
    method : {"auto", "binomial", "quasi-binomial", "Firth"}
        "auto" takes the binomial model, quasi-binomial if runs scatter more than it allows,
        and Firth's penalty if the runs are separated.

    Raises
    ------
    InputError
        If all outcomes are alike, or the method cannot be used.
    """
    as_choice("method", method, PROPORTION_METHODS)
    where = f"data, column '{rows.response.name}'"
    if not 0 < y.sum() < trials.sum():
        raise InputError(where, float(y.sum()), "every outcome is the same, so there is nothing to "
                         "compare", "Do more runs, or report the limit on the share")
    x = rows.matrix
    none, all_ = y == 0, y == trials
    separation = find_separation(np.vstack([-x[none], x[all_]]), x[~none & ~all_])
    if separation is not None:
        order = np.r_[np.flatnonzero(none), np.flatnonzero(all_)]
        runs = np.zeros(len(y), bool)
        runs[order] = separation.runs
        separation = replace(separation, runs=runs)
        if method not in ("auto", "Firth"):
            raise InputError("method", method, "the runs are separated, so that there is no finite "
                             "estimate for " + words.running_away(rows, separation.signs),
                             "Use 'Firth', or leave terms out")
    plain = Binomial(x, y, trials)
    penalised = separation is not None or method == "Firth"
    likelihood = Firth(plain) if penalised else plain
    best = maximise(likelihood, np.zeros(x.shape[1]))
    scatter = judge_scatter(y - trials * plain.share(best.theta), plain.weight(best.theta),
                            x.shape[1], can_show=counted and bool((trials > 1).any()))
    usual = (rows.response.trials if isinstance(rows.response.trials, float)
             else float(np.median(trials)))
    fit = ProportionFit(rows, likelihood, best, "binomial", y=y, trials=trials, counted=counted,
                        usual_trials=max(1.0, np.round(usual)), overdispersion=scatter,
                        separation=separation)
    wide = method == "quasi-binomial" or not counted or (method != "binomial" and scatter.found)
    if wide and fit.df_error < 1:
        raise InputError("terms", len(fit.columns.owner), "no degrees of freedom are left to "
                         "estimate the scatter", "Leave terms out, or give the number of trials")
    name = "quasi-binomial" if wide else "binomial"
    if wide:
        fit = replace(fit, dispersion=max(scatter.ratio, 1e-12), df_reference=float(fit.df_error))
    return replace(fit, model=name + (", with Firth's penalty," if penalised else ""),
                   choice=_choice(fit, wide))


def _choice(fit: ProportionFit, wide: bool) -> str:
    scatter = fit.overdispersion
    if not fit.counted:
        return ("The shares were not counted out of a number of trials, so their scatter is "
                "estimated from the runs themselves.")
    if (fit.trials == 1).all():
        return ""  # single trials cannot show scatter
    said = wording.capitalise(scatter.sentence("binomial"))
    if wide:
        return f"{said[:-1]}; {scatter.widened()}."
    if scatter.found:
        return (f"{said} The binomial model was asked for all the same: its intervals are too "
                "narrow.")
    return said

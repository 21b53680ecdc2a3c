"""Readings beyond a detection limit: normal regression with censoring (Tobit), by maximum
likelihood.

References
----------
Tobin, J. (1958). Estimation of relationships for limited dependent variables. *Econometrica*
26, 24–36.
Helsel, D. R. (2012). *Statistics for Censored Environmental Data*, 2nd edition (what
substitution does).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis.estimable import column_labels
from doe.analysis.kinds import words
from doe.analysis.kinds.face import KindFit
from doe.analysis.kinds.firth import Firth
from doe.analysis.kinds.likelihood import FOR_VALUES, Maximum, maximise
from doe.analysis.kinds.rows import Rows
from doe.analysis.kinds.separation import Separation, find_separation
from doe.analysis.kinds.tobit import Tobit, natural
from doe.errors import InputError, as_choice

__all__ = ["CENSORED_METHODS", "CensoredFit", "bounds", "fit_censored"]

CENSORED_METHODS = ("auto", "likelihood")

WORTH = 0.5
"""Plain readings that a censored one counts for in small-sample tests (no source; with 8 and 16
runs, a fifth to a half of them censored, intervals then hold their level in simulation)."""


@dataclass(frozen=True, eq=False)
class CensoredFit(KindFit):
    """A linear model of readings of which some are beyond a limit.

    Attributes
    ----------
    low, high : ndarray, shape (n,)
        What each reading leaves possible, in the response's unit.
    separation : Separation or None
        Settings at which every reading is beyond the limit, so that an effect has no finite
        estimate. `estimate` is then that with Firth's penalty, while tests and intervals are by
        the likelihood alone, and open on the far side.
    runaway : Maximum or None
        The likelihood's top as far as the search followed it, if there is a separation.

    Notes
    -----
    The parameters are the coefficients and log σ. Likelihood ratios r are held against
    ``F = (df / k) (exp(r / m) − 1)`` with m readings (censored ones count half) and df = m less
    the coefficients, and standard errors are widened by √(m/df): without censoring that gives
    exactly the t and F tests of least squares, while the usual chi-squared makes intervals too
    narrow in small studies. ``method="likelihood"`` has the usual one.
    """

    low: np.ndarray = None
    high: np.ndarray = None
    separation: Separation | None = None
    runaway: Maximum | None = None

    @property
    def ratio(self) -> bool:
        """True if the logarithm is modelled, so that effects multiply."""
        return self.response.scale == "log"

    log_scale = ratio

    @property
    def exact(self) -> np.ndarray:
        """Which readings are plain; boolean, shape (n,)."""
        return self.low == self.high

    @property
    def sigma(self) -> float:
        """Residual standard deviation on the model's scale."""
        return float(np.exp(self.estimate.theta[-1]) * np.sqrt(self.dispersion))

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the coefficients over σ², as a linear fit has it; shape (p, p)."""
        return self.coefficient_covariance / self.sigma**2

    @property
    def df_error(self) -> int:
        """Readings beyond the number of coefficients, censored ones counted half; rounded down."""
        return max(0, int(_worth(self.exact)) - len(self.columns.owner))

    def _constrained(self, matrix: np.ndarray, start: np.ndarray,
                     held: Mapping[int, float]) -> Maximum:
        shift = sum((matrix[:, j] * v for j, v in held.items()), np.zeros(len(matrix)))
        rate = np.exp(-start[-1])
        found = maximise(self.likelihood.rebuilt(matrix, shift), np.r_[start[:-1] * rate, rate],
                         dict.fromkeys(held, 0.0), FOR_VALUES)
        theta = np.r_[found.theta[:-1] / found.theta[-1], -np.log(found.theta[-1])]
        theta[list(held)] = list(held.values())
        return replace(found, theta=theta)

    @property
    def _peak(self) -> Maximum:
        return self.estimate if self.runaway is None else self.runaway

    def _drop(self, level: float) -> float:
        t2 = self._quantile(level) ** 2
        if np.isinf(self.df_reference):
            return t2
        return self.dispersion * self.df_reference * float(np.log1p(t2 / self.df_reference))

    def _judge(self, ratio: float, df: int) -> tuple[float, float]:
        if np.isinf(self.df_reference):
            return super()._judge(ratio, df)
        plain = self.dispersion * self.df_reference
        f = self.df_reference / df * float(np.expm1(ratio / plain))
        return f, float(stats.f.sf(f, df, self.df_reference))

    @cached_property
    def substitution(self) -> pd.DataFrame:
        """What least squares would have said had the limits been written in place of readings.

        ``term, label, effect`` (of this fit), ``at_limit`` and ``at_half`` (readings below a
        limit written as the limit, or half of it; those above one as the limit; those between
        two ends as the middle).
        """
        own = [j for j, t in enumerate(self.columns.owner) if t is not None]
        table = pd.DataFrame({"term": [self.columns.matrix.columns[j] for j in own],
                              "label": [text for t in self.terms
                                        for text in column_labels(t, self.region)]})
        fits = {"effect": self.coefficients}
        for name, share in (("at_limit", 1.0), ("at_half", 0.5)):
            y = np.where(np.isinf(self.low), share * self.high,
                         np.where(np.isinf(self.high), self.low, (self.low + self.high) / 2))
            y = np.log(y) if self.ratio else y
            fits[name] = np.linalg.lstsq(self.rows.matrix, y, rcond=None)[0]
        for name, b in fits.items():
            sizes = [self.span(self.columns.owner[j]) * b[j] for j in own]
            table[name] = np.exp(sizes) if self.ratio else sizes
        return table

    # -- the runs

    def _location(self) -> tuple[np.ndarray, np.ndarray]:
        rate = np.exp(-self.estimate.theta[-1])
        slope, weight = self.plain.location(np.r_[self.coefficients * rate, rate])
        return slope * rate, weight * rate**2

    def _ends(self) -> tuple[np.ndarray, np.ndarray]:
        """What each reading leaves possible, on the model's scale."""
        return self.plain.low, self.plain.high

    def _seen(self) -> tuple[np.ndarray, np.ndarray]:
        low, high = self._ends()
        with np.errstate(invalid="ignore"):
            middle = np.where(np.isinf(low), high, np.where(np.isinf(high), low, (low + high) / 2))
        return middle, self.rows.matrix @ self.coefficients

    def _other_residuals(self) -> dict[str, np.ndarray]:
        low, high = self._ends()
        return {"beyond": np.where(np.isinf(low), "below", np.where(np.isinf(high), "above", ""))}

    def _stretches(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        fitted, sd = self.rows.matrix @ self.coefficients, self.sigma * np.sqrt(change)
        return tuple((end - fitted) / sd for end in self._ends())

    def mean_at(self, centre: np.ndarray) -> np.ndarray:
        return np.exp(centre) if self.ratio else centre

    def limits_at(self, centre: np.ndarray, se: np.ndarray, level: float,
                  runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        wide = self._quantile(level) * np.sqrt(se**2 + self.sigma**2 / runs)
        return self.mean_at(centre - wide), self.mean_at(centre + wide)

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """As `KindFit.predict`, of what an instrument without limits would read; on a log scale
        "mean" is the median. Limits are open on the side where nothing but limits was read."""
        out = super().predict(settings, level)
        if self.separation is not None:
            slope = self.design_rows(settings) @ self.separation.direction
            out.loc[slope < -1e-6, ["mean_low", "low"]] = 0.0 if self.ratio else -np.inf
            out.loc[slope > 1e-6, ["mean_high", "high"]] = np.inf
        out.attrs["statistic"] = "median" if self.ratio else "mean"
        return out

    # -- the words

    def summary(self) -> str:
        terms, unit = sum(1 for t in self.terms if t.powers), self.response.unit
        noise = (wording.percent(np.expm1(self.sigma)) if self.ratio
                 else wording.quantity(self.sigma, unit))
        return (f"{wording.capitalise(self.response.label)}: "
                f"{wording.count(len(self.low), 'run')} ({self.censoring}), "
                f"{wording.count(terms, 'term')}"
                + (", on a logarithmic scale" if self.ratio else "")
                + f". Noise has a standard deviation of {noise}.")

    @property
    def censoring(self) -> str:
        """How many readings are beyond a limit, in words."""
        kinds = [(np.isinf(self.low) & ~np.isinf(self.high), self.high, "below"),
                 (np.isinf(self.high) & ~np.isinf(self.low), self.low, "above")]
        parts = []
        for hit, ends, side in kinds:
            if hit.any():
                at = sorted({f"{v:.4g}" for v in ends[hit]}, key=float)
                limit = f"{at[0]} to {at[-1]}" if len(at) > 2 else wording.join(at, "or")
                parts.append(f"{int(hit.sum())} {side} {limit} {self.response.unit}".rstrip())
        between = int((np.isfinite(self.low) & np.isfinite(self.high) & ~self.exact).sum())
        if between:
            parts.append(f"{between} known only to lie between two ends")
        return wording.join(parts) or "none beyond a limit"

    def what_changes(self) -> str:
        return self.response.label

    def warnings(self) -> list[str]:
        out = self._substitution_words()
        if self.separation is not None:
            names = words.running_away(self.rows, self.separation.signs)
            out.append(f"Some settings gave readings beyond the limit only, so that {names} could "
                       "have an effect of any size beyond some least one. The estimates are kept "
                       f"finite by Firth's penalty; what is known is this: {self._least()}.")
        if np.isinf(self.df_reference):
            out.append("Intervals are by the large-sample law, which makes them too narrow in a "
                       "small study.")
        share = 1 - self.exact.mean()
        if share > 0.5:
            out.append(f"{wording.percent(share)} of the readings are beyond a limit: the result "
                       "leans on the noise being "
                       f"{'log-normal' if self.ratio else 'normal'}. A finer method of test would "
                       "help more than further runs.")
        return out

    def _least(self) -> str:
        """One-sided limits of the effects that run away, in words."""
        parts, unit = [], "" if self.ratio else self.response.unit
        start = 0.0 if self.ratio else -np.inf
        for row in self.table.iloc[1:].itertuples():
            ends = (row.effect_low, row.effect_high)
            if ends[0] == start and np.isfinite(ends[1]):
                parts.append(f"the effect of {row.label} is {'a factor of ' * self.ratio}at most "
                             f"{wording.quantity(ends[1], unit)}")
            elif ends[1] == np.inf and np.isfinite(ends[0]) and ends[0] != start:
                parts.append(f"the effect of {row.label} is {'a factor of ' * self.ratio}at least "
                             f"{wording.quantity(ends[0], unit)}")
        return wording.join(parts) + " (95 %)" if parts else "no single effect is bounded"

    def _substitution_words(self) -> list[str]:
        if self.exact.all():
            return []
        table = self.substitution
        names = [str(t) for t in self.active] or [str(t) for t in self.terms if t.powers]
        rows = table[table["term"].isin(names)]
        if not len(rows):
            return []
        sizes = rows[["effect", "at_limit"]].to_numpy()
        off = np.abs(np.diff(np.log(sizes) if self.ratio else sizes, axis=1)[:, 0])
        row = rows.iloc[int(np.argmax(off))]
        unit = "" if self.ratio else self.response.unit
        own, limit, half = (("× " if self.ratio else "") + wording.quantity(row[k], unit)
                            for k in ("effect", "at_limit", "at_half"))
        below = (np.isinf(self.low) & (self.high > 0)).any()
        return [f"Had the limits been written in place of readings, the effect of {row['label']} "
                f"would have come out as {limit}"
                + (f" ({half} with half the limit)" if below else "") + f" instead of {own}."]


def bounds(values: np.ndarray, marks: Mapping[int, object], limit: float | None,
           where: str) -> tuple[np.ndarray, np.ndarray]:
    """What each reading leaves possible; two arrays of shape (n,).

    Parameters
    ----------
    values : ndarray, shape (n,)
    marks : mapping of int to "<", ">" or (low, high)
        By place among the values.
    limit : float or None
        Detection limit: unmarked values at or below it are taken to be below it.

    Raises
    ------
    InputError
        If a mark is none of these.
    """
    low, high = values.copy(), values.copy()
    if limit is not None:
        under = np.array([values[i] <= limit and i not in marks for i in range(len(values))])
        low[under], high[under] = -np.inf, limit
    for i, mark in marks.items():
        if mark == "<":
            low[i] = -np.inf
        elif mark == ">":
            high[i] = np.inf
        elif isinstance(mark, (tuple, list)) and len(mark) == 2 and mark[0] < mark[1]:
            low[i], high[i] = mark
        else:
            raise InputError(f"{where}, qualifier", mark, "this is no qualifier",
                             "Use '<', '>', or the two ends (low, high) the reading lies between")
    return low, high


def fit_censored(rows: Rows, low: np.ndarray, high: np.ndarray,
                 method: str = "auto") -> CensoredFit:
    """Fit readings of which some are beyond a limit.

    Parameters
    ----------
    rows : Rows
    low, high : ndarray, shape (n,)
        From `bounds`, in the response's unit; logarithms are taken here.
    method : {"auto", "likelihood"}
        "auto" is maximum likelihood with small-sample tests, its estimate penalised if at some
        settings every reading is beyond the limit; "likelihood" has the large-sample tests.

    Raises
    ------
    InputError
        If a value has no logarithm, or the plain readings are too few for the terms.
    """
    as_choice("method", method, CENSORED_METHODS)
    where, x = f"data, column '{rows.response.name}'", rows.matrix
    a, b = low, high
    if rows.response.scale == "log":
        a = np.where(np.isfinite(low), low, 1.0)
        if (bad := (np.isfinite(high) & (high <= 0)) | ((a <= 0) & (low == high))).any():
            raise InputError(where, high[bad][0], "it has no logarithm",
                             "Use scale='identity', or mark the reading as below the limit")
        a = np.where(np.isfinite(low) & (a > 0), np.log(np.maximum(a, 1e-300)), -np.inf)
        b = np.where(np.isfinite(high), np.log(np.where(np.isfinite(high), high, 1.0)), np.inf)
    exact, p = a == b, x.shape[1]
    spare = int(exact.sum() - (np.linalg.matrix_rank(x[exact]) if exact.any() else 0))
    if spare < 1:
        raise InputError(where, f"{int(exact.sum())} plain readings", "they are too few to see "
                         f"noise by with {p} coefficients", "Leave terms out, or do more runs")
    separation = _separation(x, a, b)
    if separation is not None and method == "likelihood":
        raise InputError("method", method, "there is no finite estimate for "
                         + words.running_away(rows, separation.signs),
                         "Use 'auto', or leave terms out")
    likelihood = Tobit(x, a, b)
    middle = np.where(np.isinf(a), b, np.where(np.isinf(b), a, (a + b) / 2))
    start = np.linalg.lstsq(x, middle, rcond=None)[0]
    spread = max(float(np.std(middle - x @ start)), 1e-6 * float(np.ptp(middle)) or 1e-9)
    best, runaway = maximise(likelihood, np.r_[start, 1.0] / spread), None
    if separation is not None:
        runaway = natural(best)
        best = maximise(Firth(likelihood), np.r_[start, 1.0] / spread)
    df = _worth(exact) - p
    small = method != "likelihood" and df >= 1
    return CensoredFit(rows, likelihood, natural(best), "censored normal",
                       dispersion=_worth(exact) / df if small else 1.0,
                       df_reference=df if small else np.inf, low=low, high=high,
                       separation=separation, runaway=runaway)


def _worth(exact: np.ndarray) -> float:
    return float(exact.sum() + WORTH * (~exact).sum())


def _separation(x: np.ndarray, a: np.ndarray, b: np.ndarray) -> Separation | None:
    below, above = np.isinf(a), np.isinf(b)
    found = find_separation(np.vstack([-x[below], x[above]]), x[~below & ~above])
    if found is None:
        return None
    runs = np.zeros(len(x), bool)
    runs[np.r_[np.flatnonzero(below), np.flatnonzero(above)]] = found.runs
    return replace(found, runs=runs)

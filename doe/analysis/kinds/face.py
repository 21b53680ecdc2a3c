"""What every fit by maximum likelihood shows: coefficients and effects, tests, predictions, words.

References
----------
Cox, D. R. & Hinkley, D. V. (1974). *Theoretical Statistics*, section 9.3 (likelihood ratio).
McCullagh, P. & Nelder, J. A. (1989). *Generalized Linear Models*, 2nd edition, sections 4.5.2
and 9.2.4 (dispersion, and F tests with it).
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import ClassVar

import numpy as np
import pandas as pd
from scipy import stats

from doe.analysis.estimable import Columns, column_labels
from doe.analysis.kinds import words
from doe.analysis.kinds.likelihood import FOR_VALUES, Maximum, maximise, profile_limits
from doe.analysis.kinds.rows import Rows
from doe.analysis.kinds.runs_side import RunsSide
from doe.analysis.settings_side import SettingsSide, check_level
from doe.errors import as_choice
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["KindFit"]

INTERVALS = ("profile", "wald")


@dataclass(frozen=True, eq=False)
class KindFit(RunsSide, SettingsSide, ABC):
    """A response's model fitted by maximum likelihood, with its evidence.

    Attributes
    ----------
    rows : Rows
        The runs and the model's columns.
    likelihood : object
        See `doe.analysis.kinds.likelihood`; it can also be ``rebuilt`` on other columns.
    estimate : Maximum
    model : str
        The model in words, such as ``"quasi-Poisson"``.
    dispersion : float
        How many times the variance exceeds what the model's distribution gives; 1 if that is
        not estimated.
    df_reference : float
        Degrees of freedom of the t and F tests; infinite where normal and chi-squared are
        used.
    method : str
        As it was asked for; `model` says what came of it.

    Notes
    -----
    Coefficients are on the scale of the linear predictor, factors coded to ±1 over their
    range. Tests and the table's intervals are by likelihood ratio, which keeps its meaning in
    small studies and near the edge of what is possible, where standard errors mislead.
    """

    rows: Rows
    likelihood: object
    estimate: Maximum
    model: str
    dispersion: float = 1.0
    df_reference: float = np.inf
    method: str = "auto"

    log_scale: ClassVar[bool] = False
    ratio: ClassVar[bool] = True
    """True if effects multiply, so that they are shown as ratios."""
    effect_name: ClassVar[str] = "ratio"
    effect_power: ClassVar[float] = 1.0
    """Effects are shown for this multiple of the linear predictor."""

    # -- what was fitted -------------------------------------------------------------

    @property
    def response(self) -> Response:
        """The response."""
        return self.rows.response

    @property
    def region(self) -> Region:
        """The settings that may be run."""
        return self.rows.region

    @property
    def data(self) -> pd.DataFrame:
        """The rows used."""
        return self.rows.data

    @property
    def columns(self) -> Columns:
        """The model's columns in coded units."""
        return self.rows.columns

    @property
    def blocks(self) -> pd.Series | None:
        """The blocks of the rows used, if there are several."""
        return self.rows.blocks

    @property
    def terms(self) -> tuple[Term, ...]:
        """The terms estimated, intercept first."""
        return self.rows.columns.terms

    @property
    def aliased(self) -> pd.DataFrame:
        """Terms that could not be estimated; see `doe.analysis.estimable.estimable`."""
        return self.rows.aliased

    @property
    def selection(self) -> str:
        """How the terms were chosen from the data, if they were."""
        return self.rows.selection

    @property
    def df_error(self) -> int:
        """Runs beyond the number of coefficients."""
        return len(self.data) - len(self.columns.owner)

    # -- the numbers -----------------------------------------------------------------

    @property
    def places(self) -> np.ndarray:
        """Where the coefficients of `columns` stand among the parameters."""
        return np.arange(len(self.columns.owner))

    @cached_property
    def coefficients(self) -> np.ndarray:
        """Coefficients of `columns`, blocks included; shape (p,)."""
        return self.estimate.theta[self.places]

    @cached_property
    def coefficient_covariance(self) -> np.ndarray:
        """Their covariance, from the information and the dispersion; shape (p, p)."""
        whole = np.linalg.inv(self.estimate.information)
        return self.dispersion * whole[np.ix_(self.places, self.places)]

    @property
    def log_likelihood(self) -> float:
        """The greatest log-likelihood."""
        return self.estimate.value

    # -- likelihood ratio ------------------------------------------------------------

    @property
    def _peak(self) -> Maximum:
        """The maximum that likelihood ratios are taken to."""
        return self.estimate

    def _constrained(self, matrix: np.ndarray, start: np.ndarray,
                     held: Mapping[int, float]) -> Maximum:
        """The maximum on these columns with some coefficients held; `start` and the result's
        parameters are those of `estimate`."""
        return maximise(self.likelihood.rebuilt(matrix), start,
                        {int(self.places[j]): v for j, v in held.items()}, FOR_VALUES)

    def _drop(self, level: float) -> float:
        """Twice the fall of the log-likelihood at the ends of an interval."""
        return self._quantile(level) ** 2 * self.dispersion

    def _quantile(self, level: float) -> float:
        return float(stats.t.ppf((1 + level) / 2, self.df_reference))

    def _judge(self, ratio: float, df: int) -> tuple[float, float]:
        """Test statistic (chi-squared, or F with a finite reference) and p-value from twice the
        difference of log-likelihoods."""
        if np.isinf(self.df_reference):
            return ratio, float(stats.chi2.sf(ratio, df))
        f = ratio / df / self.dispersion
        return f, float(stats.f.sf(f, df, self.df_reference))

    def _ratio(self, places: Sequence[int]) -> float:
        """Twice the log-likelihood lost when these coefficients are held at 0."""
        held = self._constrained(self.rows.matrix, self._peak.theta, dict.fromkeys(places, 0.0))
        return max(0.0, 2 * (self._peak.value - held.value))

    def limits(self, combination: np.ndarray, level: float = 0.95) -> tuple[float, float]:
        """Profile-likelihood interval for a linear combination of the coefficients.

        Parameters
        ----------
        combination : ndarray, shape (p,)
        level : float
        """
        whole, x = np.asarray(combination, float), self.rows.matrix
        if not whole.any():
            return 0.0, 0.0
        # The combination takes the intercept's place if that is in it (grades have their levels
        # there), else its weightiest coefficient's. As that enters it once, the columns span
        # the same volume, which a penalised likelihood would notice.
        j = 0 if whole[0] else int(np.argmax(np.abs(whole)))
        c = whole / whole[j]
        matrix = x - np.outer(x[:, j], np.where(np.arange(len(c)) == j, 0, c))
        peak = self._peak
        centre, near = float(c @ peak.theta[self.places]), [peak.theta]

        def profile(at: float) -> float:
            found = self._constrained(matrix, near[0], {j: at})
            if not found.converged:
                found = self._constrained(matrix, peak.theta, {j: at})
            near[0] = found.theta
            return found.value

        se = float(np.sqrt(c @ self.coefficient_covariance @ c))
        drop = self._drop(level)
        ends = profile_limits(profile, centre, peak.value, se * np.sqrt(drop / self.dispersion),
                              drop)
        low, high = sorted(whole[j] * end for end in ends)
        return low, high

    def _interval(self, combination: np.ndarray, level: float,
                  intervals: str) -> tuple[float, float]:
        if intervals == "profile":
            return self.limits(combination, level)
        centre = float(combination @ self.coefficients)
        se = float(np.sqrt(max(0.0, combination @ self.coefficient_covariance @ combination)))
        half = self._quantile(level) * se
        return centre - half, centre + half

    # -- the tables ------------------------------------------------------------------

    @cached_property
    def table(self) -> pd.DataFrame:
        """Coefficients and effects, one row a model column (blocks apart).

        ``term, label, coefficient, standard_error, z`` (or ``t``) ``, p, low, high`` on the
        linear predictor's scale; ``effect, effect_low, effect_high`` on the response's:
        the change from low to high for products of factors at first power, from the centre to
        either end for squares, and from the mean of all levels for a categorical factor
        with more than two. ``source`` names the term the column belongs to. ``z`` is the
        signed root of the likelihood ratio, and the 95 % limits are the profile's, so that
        they agree with ``p``; `coefficient_table` has those by standard errors.
        """
        return self.coefficient_table()

    def coefficient_table(self, intervals: str = "profile", level: float = 0.95) -> pd.DataFrame:
        """The coefficients with intervals and tests of either sort.

        Parameters
        ----------
        intervals : {"profile", "wald"}
            By likelihood ratio, or by standard errors alone.
        level : float
        """
        as_choice("intervals", intervals, INTERVALS)
        name = "z" if np.isinf(self.df_reference) else "t"
        rows = []
        owners = self.columns.owner
        labels = [text for t in self.terms for text in column_labels(t, self.region)]
        own = [j for j, t in enumerate(owners) if t is not None]
        for j, label in zip(own, labels, strict=True):
            b, se = self.coefficients[j], np.sqrt(self.coefficient_covariance[j, j])
            unit = np.eye(len(owners))[j]
            if intervals == "profile":
                statistic, p = self._judge(self._ratio([j]), 1)
                statistic = float(np.sign(b) * np.sqrt(statistic))
            else:
                statistic = float(b / se)
                p = float(2 * stats.t.sf(abs(statistic), self.df_reference))
            low, high = self._interval(unit, level, intervals)
            rows.append({
                "term": self.columns.matrix.columns[j], "label": label, "coefficient": b,
                "standard_error": se, name: statistic, "p": p, "low": low, "high": high,
                **self._effects(owners[j], b, low, high), "source": str(owners[j])})
        table = pd.DataFrame([*self._threshold_rows(intervals, level, name), *rows])
        table.attrs["units"] = dict.fromkeys(("effect", "effect_low", "effect_high"),
                                             self.effect_unit)
        table.attrs["intervals"] = intervals
        return table

    @property
    def effect_unit(self) -> str:
        """What effects are: a ratio of something, or a unit."""
        return self.effect_name if self.ratio else self.response.unit

    def _effects(self, term: Term, b: float, low: float, high: float) -> dict[str, float]:
        span = self.span(term) * self.effect_power
        with np.errstate(over="ignore"):
            change = (np.exp if self.ratio else np.asarray)([span * b, span * low, span * high])
        return dict(zip(("effect", "effect_low", "effect_high"), map(float, change), strict=True))

    def _threshold_rows(self, intervals: str, level: float, name: str) -> list[dict]:
        """Rows for parameters that belong to no column."""
        return []

    @cached_property
    def tests(self) -> pd.DataFrame:
        """Each term's test: what the likelihood would lose if that term alone were left out.

        ``source, term, df, likelihood_ratio`` (twice the difference of log-likelihoods),
        ``statistic, test`` ("chi-squared" or "F"), ``p``; "model" is all terms at once,
        blocks kept.
        """
        groups = [(t.label(self.region), str(t), self.columns.places(t))
                  for t in self.terms if t.powers]
        every = [j for *_, places in groups for j in places]
        if blocks := self.columns.places(None):
            groups.insert(0, ("blocks", "", blocks))
        rows = [("model", "", every), *groups] if every else groups
        out = []
        for source, term, places in rows:
            ratio = self._ratio(places)
            statistic, p = self._judge(ratio, len(places))
            out.append((source, term, len(places), ratio, statistic, self.test_name, p))
        return pd.DataFrame(out, columns=["source", "term", "df", "likelihood_ratio", "statistic",
                                          "test", "p"])

    @property
    def test_name(self) -> str:
        """The law that test statistics are held against."""
        return "chi-squared" if np.isinf(self.df_reference) else "F"

    @cached_property
    def active(self) -> tuple[Term, ...]:
        """Terms beyond noise at the 5 % level."""
        p = self.tests.set_index("term")["p"]
        return tuple(t for t in self.terms if t.powers and p[str(t)] < 0.05)

    # -- predictions -----------------------------------------------------------------

    def contrast(self, rows: np.ndarray, level: float = 0.95,
                 intervals: str = "profile") -> pd.DataFrame:
        """Linear combinations of the coefficients: ``change, low, high``, as ratios where effects
        multiply; `rows` is (n, p)."""
        out = pd.DataFrame([(row @ self.coefficients, *self._interval(row, level, intervals))
                            for row in rows], columns=["change", "low", "high"], dtype=float)
        out *= self.effect_power
        return np.exp(out) if self.ratio else out

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Predicted mean, its confidence interval, and the interval for one new run, as of
        `Fit.predict`; the leverage is in the model's columns, whatever weight the runs have."""
        centre, se = self.linear(settings, level)
        return self._finish(self._predicted(centre, se, level), settings)

    def linear(self, settings: pd.DataFrame, level: float = 0.95) -> tuple[np.ndarray, np.ndarray]:
        """The linear predictor and its standard error; two arrays of shape (n,)."""
        check_level(level)
        rows = self.design_rows(settings)
        variance = np.einsum("ij,jk,ik->i", rows, self.coefficient_covariance, rows)
        return rows @ self.coefficients, np.sqrt(np.maximum(variance, 0))

    @abstractmethod
    def mean_at(self, centre: np.ndarray) -> np.ndarray:
        """Mean on the response's own scale (the median on a log scale) where the linear predictor
        is `centre`; (n,) gives (n,)."""

    @abstractmethod
    def limits_at(self, centre: np.ndarray, se: np.ndarray, level: float,
                  runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        """Ends of the interval for the mean of `runs` new runs.

        Parameters
        ----------
        centre, se : ndarray, shape (n,)
            Linear predictor and its standard error.
        level : float
        runs : int
        """

    def _predicted(self, centre: np.ndarray, se: np.ndarray, level: float) -> pd.DataFrame:
        half = self._quantile(level) * se
        low, high = self.limits_at(centre, se, level)
        return pd.DataFrame({
            "mean": self.mean_at(centre), "mean_low": self.mean_at(centre - half),
            "mean_high": self.mean_at(centre + half), "low": low, "high": high})

    def _finish(self, out: pd.DataFrame, settings: pd.DataFrame, unit: str | None = None,
                statistic: str = "mean") -> pd.DataFrame:
        out.index = settings.index
        out = self.marked(out, settings, self.response.unit if unit is None else unit, statistic)
        out["leverage"] = self._leverage(settings)
        out["remote"] = out["leverage"] > self._leverage(self.data).max() * (1 + 1e-6)
        return out

    def _leverage(self, settings: pd.DataFrame) -> np.ndarray:
        """Leverage in the columns alone, whatever weight the runs have; shape (n,)."""
        rows, x = self.design_rows(settings), self.rows.matrix
        return np.einsum("ij,ji->i", rows, np.linalg.solve(x.T @ x, rows.T))

    # -- the words -------------------------------------------------------------------

    @cached_property
    def sentences(self) -> list[str]:
        """What matters, what is within noise, what is aliased, and what to be wary of."""
        return words.all_sentences(self)

    @property
    def sentence(self) -> str:
        """The fit in one or two sentences."""
        return words.headline(self)

    @abstractmethod
    def summary(self) -> str:
        """What was fitted, in one or two sentences."""

    @abstractmethod
    def what_changes(self) -> str:
        """What the sizes of effects are said of, such as ``"the odds of a void"``."""

    def ends(self) -> list[str]:
        """Main effects once more, as predicted values at both ends of the factor."""
        return []

    def warnings(self) -> list[str]:
        """What to be wary of."""
        return []

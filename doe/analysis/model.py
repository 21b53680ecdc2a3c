"""A fitted linear model: its numbers, its evidence and its predictions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
import statsmodels.api as sm
from scipy import stats

from doe.analysis import sentences
from doe.analysis.anova import Anova, analyse_variance, groups_of_replicates
from doe.analysis.diagnostics import (
    FULL_LEVERAGE,
    SerialCorrelation,
    run_diagnostics,
    run_names,
    serial_correlation,
    simulated_residuals,
)
from doe.analysis.estimable import Columns, column_labels, estimable
from doe.analysis.lenth import LEAST_EFFECTS, Lenth, judge_effects
from doe.analysis.settings_side import SettingsSide, check_level
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["Fit"]

FEW_DEGREES = 2
"""Up to so many degrees of freedom for error, Lenth's method is offered beside the t-tests."""


@dataclass(frozen=True, eq=False)
class Fit(SettingsSide):
    """A response's linear model with its evidence.

    Attributes
    ----------
    response : Response
    region : Region
    terms : tuple of Term
        Those estimated, intercept first.
    data : DataFrame
        The rows used.
    columns : Columns
        The model's columns in coded units, block columns included.
    aliased : DataFrame
        ``term, label, aliased_with, asked``: see `doe.analysis.estimable.estimable`.
    remarks : tuple of str
        What happened to rows and terms on the way.
    selection : str
        How the terms were chosen from the data, if they were; intervals and p-values then
        look better than they are.

    Notes
    -----
    Everything is on the model's scale (natural logarithm if ``response.scale == "log"``)
    unless it is said to be in the response's unit. Factors are coded to ±1 over their
    range, so that twice a coefficient is the change from low to high.
    """

    response: Response
    region: Region
    terms: tuple[Term, ...]
    data: pd.DataFrame
    columns: Columns
    aliased: pd.DataFrame
    remarks: tuple[str, ...]
    blocks: pd.Series | None
    shift: float
    shifted: object
    selection: str = ""

    @classmethod
    def of(cls, data: pd.DataFrame, y: np.ndarray, response: Response, region: Region,
           terms: Sequence[Term], blocks: pd.Series | None = None,
           remarks: Sequence[str] = (), selection: str = "",
           refused: Sequence[Term] = ()) -> Fit:
        """Least squares of `y` (on the model's scale) on the terms that can be estimated."""
        columns, aliased = estimable(region, data, terms, blocks, refused)
        shift = float(np.sort(y)[len(y) // 2])  # exact to subtract; keeps the digits of offsets
        shifted = sm.OLS(y - shift, columns.matrix.to_numpy()).fit()
        return cls(response, region, columns.terms, data, columns, aliased, tuple(remarks),
                   blocks, shift, shifted, selection)

    # -- the numbers ---------------------------------------------------------------

    @cached_property
    def results(self):
        """Statsmodels' results for the response on the model's scale."""
        return sm.OLS(pd.Series(self.observed, self.data.index, name=self.response.name),
                      self.columns.matrix).fit()

    @cached_property
    def observed(self) -> np.ndarray:
        """The response on the model's scale; shape (n,)."""
        return np.asarray(self.shifted.model.endog) + self.shift

    @cached_property
    def covariance(self) -> np.ndarray:
        """``inv(X'X)`` of the model's columns; shape (p, p)."""
        return np.asarray(self.shifted.normalized_cov_params)

    @cached_property
    def coefficients(self) -> np.ndarray:
        """Coefficients of the model's columns, blocks included; shape (p,)."""
        out = np.array(self.shifted.params)
        out[0] += self.shift
        return out

    @property
    def df_error(self) -> int:
        """Degrees of freedom for error."""
        return int(self.shifted.df_resid)

    @cached_property
    def sigma(self) -> float:
        """Residual standard deviation on the model's scale; missing if the model is saturated."""
        return float(np.sqrt(self.shifted.mse_resid)) if self.df_error else np.nan

    @cached_property
    def r2(self) -> float:
        """Share of the variation that the model explains, blocks included."""
        y = self.shifted.model.endog
        total = float(np.sum((y - y.mean()) ** 2))
        return 1 - (self.shifted.ssr if self.df_error else 0.0) / total if total else np.nan

    @cached_property
    def r2_adjusted(self) -> float:
        """R² with both variations per degree of freedom; missing if the model is saturated."""
        if not self.df_error:
            return np.nan
        return 1 - (1 - self.r2) * (len(self.data) - 1) / self.df_error

    @cached_property
    def press(self) -> float:
        """Sum of squares of each run's error when predicted from all others; missing if the
        model cannot be fitted without one of the runs."""
        table = self.diagnostics
        if (table["leverage"] >= FULL_LEVERAGE).any():
            return np.nan
        return float(np.sum((table["residual"] / (1 - table["leverage"])) ** 2))

    @cached_property
    def r2_predicted(self) -> float:
        """R² of predictions of each run from all others (from PRESS)."""
        y = self.shifted.model.endog
        total = float(np.sum((y - y.mean()) ** 2))
        return 1 - self.press / total if total else np.nan

    @cached_property
    def standard_errors(self) -> np.ndarray:
        """Standard errors of `coefficients`; shape (p,)."""
        return self.sigma * np.sqrt(np.diag(self.covariance))

    @cached_property
    def inflation(self) -> dict[Term, float]:
        """Each term's greatest variance inflation: how many times the other columns raise the
        variance of its coefficients."""
        x = self.columns.matrix.to_numpy()
        factor = np.diag(self.covariance) * np.sum((x - x.mean(axis=0)) ** 2, axis=0)
        return {t: float(factor[self.columns.places(t)].max()) for t in self.terms if t.powers}

    # -- the tables ----------------------------------------------------------------

    @cached_property
    def table(self) -> pd.DataFrame:
        """Coefficients and effects, one row a model column (blocks apart).

        ``term, label, coefficient, standard_error, t, p, low, high`` on the model's scale
        with 95 % confidence limits; ``effect, effect_low, effect_high`` in the response's unit, or
        as a ratio on a log scale: the change from low to high for products of factors
        at first power, from the centre to either end for squares, and from the mean of
        all levels for a categorical factor with more than two. ``source`` names the term
        the column belongs to.
        """
        places = [j for j, t in enumerate(self.columns.owner) if t is not None]
        b, se = self.coefficients[places], self.standard_errors[places]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = b / se
        p = 2 * stats.t.sf(np.abs(t), self.df_error) if self.df_error else np.full(len(b), np.nan)
        half = stats.t.ppf(0.975, self.df_error) * se if self.df_error else np.full(len(b), np.nan)
        owners = [self.columns.owner[j] for j in places]
        span = np.array([self.span(t) for t in owners])
        names = [self.columns.matrix.columns[j] for j in places]
        effects = {"effect": span * b, "effect_low": span * (b - half),
                   "effect_high": span * (b + half)}
        if self.log_scale:
            effects = {k: np.exp(v) for k, v in effects.items()}
        table = pd.DataFrame({
            "term": names,
            "label": [text for t in self.terms for text in column_labels(t, self.region)],
            "coefficient": b, "standard_error": se, "t": t, "p": p, "low": b - half,
            "high": b + half, **effects, "source": [str(o) for o in owners],
        })
        unit = "ratio" if self.log_scale else self.response.unit
        table.attrs["units"] = dict.fromkeys(("effect", "effect_low", "effect_high"), unit)
        return table

    @cached_property
    def anova(self) -> Anova:
        """Analysis of variance with lack of fit and curvature where the runs allow them."""
        terms = [(t.label(self.region), str(t), self.columns.places(t))
                 for t in self.terms if t.powers]
        encoded = self.region.encode(self.data)
        return analyse_variance(
            np.asarray(self.shifted.model.endog), np.asarray(self.columns.matrix),
            np.asarray(self.shifted.params), self.covariance, terms, self.columns.places(None),
            groups_of_replicates(encoded, self.blocks), self._centre_points())

    def _centre_points(self) -> np.ndarray | None:
        """The centre points of a two-level plan; None if it is no such plan."""
        numeric = self.region.numeric
        if not numeric or any(p > 1 for t in self.terms for _, p in t.powers):
            return None
        coded = np.column_stack([f.code(self.data[f.name]) for f in numeric])
        centre = (np.abs(coded) < 0.1).all(axis=1)
        corner = (np.abs(np.abs(coded) - 1) < 0.1).all(axis=1)
        return centre if centre.any() and (centre | corner).all() else None

    @cached_property
    def lenth(self) -> Lenth | None:
        """Lenth's judgement where at most two degrees of freedom are left for error; the
        effects are differences on the model's scale."""
        places = [j for j, t in enumerate(self.columns.owner) if t is not None and t.powers]
        if self.df_error > FEW_DEGREES or len(places) < LEAST_EFFECTS:
            return None
        span = np.array([self.span(self.columns.owner[j]) for j in places])
        c = self.covariance[np.ix_(places, places)]
        sd = np.sqrt(np.diag(c))
        correlated = bool((np.abs(c / np.outer(sd, sd) - np.eye(len(sd))) > 0.05).any())
        rows = self.table[self.table["term"] != "1"]
        return judge_effects(span * self.coefficients[places], list(rows["label"]),
                             list(rows["term"]), scales=span * sd, correlated=correlated,
                             unit="" if self.log_scale else self.response.unit)

    @cached_property
    def diagnostics(self) -> pd.DataFrame:
        """One row a run: see `doe.analysis.diagnostics.run_diagnostics`."""
        table = run_diagnostics(self.shifted, run_names(self.data), self.order(), self.shift)
        table.attrs["scale"] = self.response.scale
        return table

    def simulated_residuals(self, draws: int, seed: int) -> np.ndarray:
        """Studentised residuals of this model where there is nothing but noise; (draws, runs)."""
        return simulated_residuals(self.columns.matrix.to_numpy(), draws, seed)

    @cached_property
    def serial_correlation(self) -> SerialCorrelation | None:
        """Durbin–Watson test of the residuals in run order; None if the order is not in the data
        or fewer than three degrees of freedom are left."""
        if "order" not in self.data and "run" not in self.data:
            return None
        table = self.diagnostics
        return serial_correlation(table["residual"].to_numpy(), self.columns.matrix.to_numpy(),
                                  table["order"].to_numpy())

    # -- the words -----------------------------------------------------------------

    @cached_property
    def active(self) -> tuple[Term, ...]:
        """Terms beyond noise: by their F-test at 5 %, or by Lenth's margin if saturated."""
        if self.df_error:
            found = self.anova.table.set_index("term")["p"]
            return tuple(t for t in self.terms if t.powers and found[str(t)] < 0.05)
        if self.lenth is None:
            return ()
        names = set(self.lenth.table.loc[self.lenth.table["active"], "term"])
        hits = set(self.table.loc[self.table["term"].isin(names), "source"])
        return tuple(t for t in self.terms if str(t) in hits)

    @cached_property
    def sentences(self) -> list[str]:
        """What matters, what is within noise, what is aliased, and what to be wary of."""
        return sentences.all_sentences(self)

    @property
    def sentence(self) -> str:
        """The fit in one or two sentences."""
        return sentences.headline(self)

    # -- other models of the same data ----------------------------------------------

    def refit(self, terms: Sequence[Term], *, selection: str = "",
              remarks: tuple[str, ...] = ()) -> Fit:
        """The same runs with other terms; `remarks` are added to what was said of the rows."""
        return Fit.of(self.data, self.observed, self.response, self.region, terms, self.blocks,
                      (*self.remarks, *remarks), selection)

    # -- predictions ---------------------------------------------------------------

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Predicted mean, its confidence interval, and the interval for one new run.

        Parameters
        ----------
        settings : DataFrame
            A column for each factor, natural units.
        level : float
            Coverage of both intervals.

        Returns
        -------
        DataFrame
            ``mean, mean_low, mean_high, low, high`` in the response's unit, for the average
            block. On a log scale "mean" is the median. ``extrapolated``: the setting is
            outside the region, or outside the box that the achieved settings span, by more
            than 1 % of a factor's range.
            ``remote``: its ``leverage`` exceeds that of every run, so that it is far from the
            data even if inside the box. Intervals are missing without degrees of freedom
            for error.

        Raises
        ------
        InputError
            If a factor is missing, a setting is not finite or a level is unknown.
        """
        check_level(level)
        rows = self.design_rows(settings)
        mean = rows @ self.coefficients
        leverage = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        t = stats.t.ppf((1 + level) / 2, self.df_error) if self.df_error else np.nan
        half = t * self.sigma * np.sqrt(leverage)
        wide = t * self.sigma * np.sqrt(1 + leverage)
        out = self.laid_out(settings, mean, (mean - half, mean + half), (mean - wide, mean + wide))
        out["leverage"] = leverage
        out["remote"] = leverage > self._greatest_leverage * (1 + 1e-6)
        return out

    @cached_property
    def _greatest_leverage(self) -> float:
        # Block columns are left out, since predictions are for the average block.
        rows = self.design_rows(self.data)
        return float(np.einsum("ij,jk,ik->i", rows, self.covariance, rows).max())

    def contrast(self, rows: np.ndarray, level: float = 0.95) -> pd.DataFrame:
        """Linear combinations of the coefficients, as `compare` returns them; `rows` is (n, p)."""
        change = rows @ self.coefficients
        variance = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        t = stats.t.ppf((1 + level) / 2, self.df_error) if self.df_error else np.nan
        half = t * self.sigma * np.sqrt(np.maximum(variance, 0))
        out = pd.DataFrame({"change": change, "low": change - half, "high": change + half})
        return np.exp(out) if self.log_scale else out

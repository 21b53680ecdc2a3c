"""A fitted mixed model: its numbers, its evidence and its predictions."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis import mixed_sentences as words
from doe.analysis.components import components_table
from doe.analysis.diagnostics import normal_scores, run_names, studentised_noise
from doe.analysis.estimable import Columns, column_labels
from doe.analysis.groups import Grouping
from doe.analysis.kenward_roger import FixedEffects
from doe.analysis.likelihood import indicator
from doe.analysis.model import Fit
from doe.analysis.reml import Reml
from doe.analysis.settings_side import SettingsSide, check_level
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["ErrorSource", "MixedAnova", "MixedFit"]

_MOST, _SOME = 0.9, 0.1
"""Shares of a contrast's length between groups: from 0.9 on it is a difference between groups,
up to 0.1 one within them."""


@dataclass(frozen=True)
class ErrorSource:
    """What a term is tested against.

    Attributes
    ----------
    groups : tuple of Grouping
        Those whose differences it rests on; empty for the noise within all groups.
    partly : bool
        True if it also rests on differences within them.
    text : str
        In words.
    """

    groups: tuple[Grouping, ...]
    partly: bool
    text: str


@dataclass(frozen=True, eq=False)
class MixedAnova:
    """F tests of the terms.

    Attributes
    ----------
    table : DataFrame
        ``source, df, error_df, F, scale, p, error`` (what it is tested against, in words) and
        ``term`` (formula name). ``F`` is already scaled.
    """

    table: pd.DataFrame

    @property
    def sentence(self) -> str:
        """Which terms are tested against what."""
        parts = []
        for error, rows in self.table.groupby("error", sort=False):
            df = words.degrees(rows["error_df"])
            parts.append(f"{wording.join(rows['source'])} against differences {error} ({df})")
        return f"Tested {'; '.join(parts)}." if parts else "There is no term to test."


@dataclass(frozen=True, eq=False)
class MixedFit(SettingsSide):
    """A response's linear model whose runs share random effects.

    Attributes
    ----------
    response, region, terms, data, columns, aliased, remarks, selection
        As in `Fit`; terms and columns are those of the fixed effects.
    blocks : Series or None
        Blocks with fixed effects.
    groups : tuple of Grouping
        Groups with random effects.
    reml : Reml
        Their variances, then the residual's, on the model's scale.
    shift : float
        Taken off the response before fitting.
    row : str
        What a row of the data is: "run", or "measurement" if runs have several.
    method : str
        Of the tests: "kenward-roger" or "satterthwaite".

    Notes
    -----
    Scales and coding are those of `Fit`.
    """

    response: Response
    region: Region
    terms: tuple[Term, ...]
    data: pd.DataFrame
    columns: Columns
    aliased: pd.DataFrame
    remarks: tuple[str, ...]
    blocks: pd.Series | None
    groups: tuple[Grouping, ...]
    reml: Reml
    shift: float
    row: str
    method: str
    selection: str = ""

    lenth = None
    serial_correlation = None  # runs that share errors are alike in time by design

    # -- the numbers ---------------------------------------------------------------

    @cached_property
    def fixed(self) -> FixedEffects:
        """The fixed effects with their inference, intercept less `shift`."""
        return FixedEffects(self.reml, self.method)

    @cached_property
    def coefficients(self) -> np.ndarray:
        """Coefficients of the model's columns, blocks included; shape (p,)."""
        out = self.fixed.coefficients.copy()
        out[0] += self.shift
        return out

    @cached_property
    def standard_errors(self) -> np.ndarray:
        """Standard errors of `coefficients`; shape (p,)."""
        return np.sqrt(np.diag(self.fixed.covariance))

    @cached_property
    def observed(self) -> np.ndarray:
        """The response on the model's scale; shape (n,)."""
        return self.reml.likelihood.y + self.shift

    @cached_property
    def sigma(self) -> float:
        """Standard deviation of one new run in new groups: all components together."""
        return float(np.sqrt(self.reml.variances.sum()))

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the coefficients in units of `sigma` squared, as `Fit` has it."""
        return self.fixed.covariance / self.sigma**2

    @cached_property
    def df_error(self) -> int:
        """The least effective degrees of freedom of any term, rounded down, at least 1.

        For callers that want one number; each test has its own in `table` and `anova`.
        """
        found = self.table["df"].to_numpy()
        found = found[np.isfinite(found)]
        return max(1, int(np.floor(found.min() + 1e-6))) if len(found) else 1

    # -- the tables ----------------------------------------------------------------

    @cached_property
    def table(self) -> pd.DataFrame:
        """Coefficients and effects, one row a model column (blocks apart).

        As `Fit.table`, and ``df``: the effective degrees of freedom of each.
        """
        places = [j for j, t in enumerate(self.columns.owner) if t is not None]
        b, se = self.coefficients[places], self.standard_errors[places]
        df = self.fixed.df(np.eye(len(self.coefficients))[places])
        half = stats.t.ppf(0.975, df) * se
        owners = [self.columns.owner[j] for j in places]
        span = np.array([self.span(t) for t in owners])
        effects = {"effect": span * b, "effect_low": span * (b - half),
                   "effect_high": span * (b + half)}
        if self.log_scale:
            effects = {k: np.exp(v) for k, v in effects.items()}
        table = pd.DataFrame({
            "term": [self.columns.matrix.columns[j] for j in places],
            "label": [text for t in self.terms for text in column_labels(t, self.region)],
            "coefficient": b, "standard_error": se, "df": df, "t": b / se,
            "p": 2 * stats.t.sf(np.abs(b / se), df), "low": b - half, "high": b + half,
            **effects, "source": [str(o) for o in owners],
        })
        unit = "ratio" if self.log_scale else self.response.unit
        table.attrs["units"] = dict.fromkeys(("effect", "effect_low", "effect_high"), unit)
        return table

    @cached_property
    def anova(self) -> MixedAnova:
        """F test of each term, all others kept, with its own error and degrees of freedom."""
        eye, rows = np.eye(len(self.coefficients)), []
        for term in self.terms:
            if term.powers:
                found = self.fixed.test(eye[self.columns.places(term)])
                rows.append({"source": term.label(self.region), "df": found.df,
                             "error_df": found.df_error, "F": found.f, "scale": found.scale,
                             "p": found.p, "error": self.errors[term].text, "term": str(term)})
        names = ["source", "df", "error_df", "F", "scale", "p", "error", "term"]
        return MixedAnova(pd.DataFrame(rows, columns=names))

    @cached_property
    def variance_components(self) -> pd.DataFrame:
        """See `doe.analysis.components.components_table`; on the model's scale."""
        return components_table(self.reml, self.groups, self.row,
                                "" if self.log_scale else self.response.unit)

    @cached_property
    def errors(self) -> dict[Term, ErrorSource]:
        """What each term is tested against."""
        return {t: self._error_of(self.columns.places(t)) for t in self.terms if t.powers}

    def _error_of(self, places: Sequence[int]) -> ErrorSource:
        # How the rows are weighted in the estimates of the term's coefficients.
        weights = self.fixed.inverse @ self.columns.matrix.to_numpy() @ self.fixed.plain[:, places]
        length = float((weights**2).sum())
        shares = []
        for g in self.groups:
            sums = indicator(g.codes).T @ weights
            shares.append(float((sums**2 / np.bincount(g.codes)[:, None]).sum()) / length)
        named = [g for g, share in zip(self.groups, shares, strict=True) if share > _SOME]
        whole = [g for g, share in zip(self.groups, shares, strict=True) if share >= _MOST]
        # Where the coarsest groups carry all of it, finer ones within them add nothing to say.
        named = [g for g in named
                 if not any(g is not other and g.refines(other) for other in whole)]
        partly = bool(named) and not any(g in whole for g in named)
        texts = [g.between for g in named]
        if partly or not named:
            texts.append(words.within(self))
        return ErrorSource(tuple(named), partly, wording.join(texts))

    @cached_property
    def random_effects(self) -> pd.DataFrame:
        """Predicted deviation of each group.

        Best linear unbiased predictions (Henderson 1975), on the model's scale.

        Returns
        -------
        DataFrame
            ``component, group, rows, effect``; ``studentised`` and ``df``: how far the group lies
            from what the rest predicts, nearly t on df − 1.
        """
        weighted, out = self.fixed.projector @ self.reml.likelihood.y, []
        for g, variance in zip(self.groups, self.reml.variances, strict=False):
            z = indicator(g.codes)
            _, outer, df = self.fixed.studentised(z)
            out.append(pd.DataFrame({
                "component": g.name, "group": g.levels, "rows": np.bincount(g.codes),
                "effect": variance * (z.T @ weighted), "studentised": outer, "df": df}))
        return pd.concat(out, ignore_index=True)

    @cached_property
    def diagnostics(self) -> pd.DataFrame:
        """One row a run.

        Returns
        -------
        DataFrame
            ``run, order, observed``; ``fitted`` (the groups' predicted deviations included),
            ``mean`` (without them), ``residual`` (observed less fitted) on the model's scale;
            ``standardised``: the run's deviation from what all others predict, by its standard
            deviation at the estimated variances; ``studentised``: the same with the run itself
            left out of the variances, nearly t on ``df`` − 1; ``leverage``; ``cooks_distance`` (of
            leaving the run out at the same variances); ``normal_score`` of the studentised.
        """
        p, x, y = self.fixed.projector, self.columns.matrix.to_numpy(), self.reml.likelihood.y
        weighted, own = p @ y, np.diag(p)
        inner, outer, df = self.fixed.studentised(np.eye(len(y)))
        residual = self.reml.variances[-1] * weighted
        hat, cook = self.fixed.inverse @ x @ self.fixed.plain, np.full(len(y), np.nan)
        free = np.isfinite(inner)
        moved = hat[free] * (weighted[free] / own[free])[:, None]
        gram = np.linalg.inv(self.fixed.plain)
        cook[free] = np.einsum("ij,jk,ik->i", moved, gram, moved) / x.shape[1]
        table = pd.DataFrame({
            "run": run_names(self.data), "order": self.order(), "observed": self.observed,
            "fitted": self.observed - residual, "mean": x @ self.coefficients,
            "residual": residual, "standardised": inner, "studentised": outer, "df": df,
            "leverage": np.einsum("ij,ij->i", x, hat), "cooks_distance": cook,
            "normal_score": normal_scores(outer),
        })
        table.attrs["scale"] = self.response.scale
        return table

    def simulated_residuals(self, draws: int, seed: int) -> np.ndarray:
        """Studentised residuals of this model where there is nothing but noise, the components'
        ratios being as estimated; (draws, runs)."""
        values, vectors = np.linalg.eigh(self.fixed.projector)
        keep = values > 1e-9 * values[-1]
        noise = np.random.default_rng(seed).standard_normal((draws, int(keep.sum())))
        known = self.diagnostics["studentised"].notna().to_numpy()
        spread = np.sqrt(np.diag(self.fixed.projector)[known])
        deviation = noise @ (vectors[:, keep] * np.sqrt(values[keep])).T[:, known] / spread
        return studentised_noise(deviation, np.sum(noise**2, axis=1), noise.shape[1])

    @cached_property
    def randomised(self) -> Fit:
        """The same terms fitted as if every row had been a run of its own, for comparison."""
        return Fit.of(self.data, self.observed, self.response, self.region, self.terms,
                      self.blocks)

    # -- the words -----------------------------------------------------------------

    @cached_property
    def active(self) -> tuple[Term, ...]:
        """Terms beyond noise, by their F-test at 5 %."""
        found = self.anova.table.set_index("term")["p"]
        return tuple(t for t in self.terms if t.powers and found[str(t)] < 0.05)

    @cached_property
    def sentences(self) -> list[str]:
        """Where the variation lies, what is tested against what, what matters, what to be wary
        of."""
        return words.all_sentences(self)

    @property
    def sentence(self) -> str:
        """The fit in a few sentences."""
        return words.headline(self)

    # -- predictions ---------------------------------------------------------------

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """As `Fit.predict`, and ``df``: the effective degrees of freedom of the mean.

        The new run is in groups of its own (a new whole plot, another day), so that its interval
        has every component in it.
        """
        check_level(level)
        rows = self.design_rows(settings)
        mean, variance = rows @ self.coefficients, self.fixed.variances(rows)
        every = np.ones(len(self.groups) + 1)
        df, df_new = self.fixed.df(rows), self.fixed.df(rows, every)
        half = stats.t.ppf((1 + level) / 2, df) * np.sqrt(variance)
        wide = stats.t.ppf((1 + level) / 2, df_new) * np.sqrt(variance + self.sigma**2)
        out = self.laid_out(settings, mean, (mean - half, mean + half), (mean - wide, mean + wide))
        out["leverage"] = variance / self.sigma**2
        greatest = self.fixed.variances(self.design_rows(self.data)).max()
        out["remote"] = variance > greatest * (1 + 1e-6)
        out["df"] = df
        return out

    def contrast(self, rows: np.ndarray, level: float = 0.95) -> pd.DataFrame:
        """Linear combinations of the coefficients, as `compare` returns them; `rows` is (n, p)."""
        change = rows @ self.coefficients
        variance = self.fixed.variances(rows)
        t = stats.t.ppf((1 + level) / 2, self.fixed.df(rows))
        half = np.where(variance > 0, t * np.sqrt(variance), 0.0)
        out = pd.DataFrame({"change": change, "low": change - half, "high": change + half})
        return np.exp(out) if self.log_scale else out

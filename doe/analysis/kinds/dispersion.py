"""What changes the spread between runs: dispersion effects.

References
----------
Bartlett, M. S. & Kendall, D. G. (1946). The statistical analysis of variance-heterogeneity and
the logarithmic transformation. *Supplement to the Journal of the Royal Statistical Society*
8, 128–138.
Box, G. E. P. & Meyer, R. D. (1986). Dispersion effects from fractional designs.
*Technometrics* 28, 19–27.
McGrath, R. N. & Lin, D. K. J. (2001). Confounding of location and dispersion effects in
unreplicated fractional factorials. *Journal of Quality Technology* 33, 129–139.
Nelder, J. A. & Lee, Y. (1991). Generalized linear models for the analysis of Taguchi-type
experiments. *Applied Stochastic Models and Data Analysis* 7, 107–120 (gamma models of
variances).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np
import pandas as pd
from scipy import special

from doe import wording
from doe.analysis.anova import groups_of_replicates
from doe.analysis.kinds import words
from doe.analysis.kinds.face import KindFit
from doe.analysis.kinds.likelihood import maximise
from doe.analysis.kinds.predictive import nodes, quantile
from doe.analysis.kinds.residuals import normal_score
from doe.analysis.kinds.rows import prepare
from doe.analysis.model import Fit
from doe.analysis.readings import readings
from doe.errors import InputError, as_choice
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["DISPERSION_METHODS", "DispersionFit", "DispersionScreening", "dispersion_effects",
           "screen_dispersion"]

DISPERSION_METHODS = ("gamma", "log-variance")
DRAWS = 4000
TWO_LEVEL = 0.1
"""How far a coded setting may be from ±1 to count as two-level."""


class _GammaVariance:
    """Log-likelihood of variances whose logarithm is linear: s² ~ σ² χ²/ν."""

    def __init__(self, matrix: np.ndarray, variance: np.ndarray, df: np.ndarray) -> None:
        self.matrix, self.variance, self.df = matrix, variance, df
        self._constant = float(np.sum(df / 2 * np.log(df / 2) - special.gammaln(df / 2)
                                      + (df / 2 - 1) * np.log(variance)))

    def rebuilt(self, matrix: np.ndarray) -> _GammaVariance:
        return _GammaVariance(matrix, self.variance, self.df)

    def value(self, theta: np.ndarray) -> float:
        eta = self.matrix @ theta
        with np.errstate(over="ignore"):
            value = -float(np.sum(self.df / 2 * (eta + self.variance * np.exp(-eta))))
        return value + self._constant if np.isfinite(value) else -np.inf

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """With the expected information."""
        x, half = self.matrix, self.df / 2
        ratio = self.variance * np.exp(-self.matrix @ theta)
        return x.T @ (half * (ratio - 1)), x.T @ (half[:, None] * x)

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Slope and weight of each setting in its linear predictor; two arrays of shape (n,)."""
        half = self.df / 2
        return half * (self.variance * np.exp(-self.matrix @ theta) - 1), half


class _LogVariance:
    """Log-likelihood of logarithms of variances, taken as normal with known mean and variance."""

    def __init__(self, matrix: np.ndarray, variance: np.ndarray, df: np.ndarray) -> None:
        self.matrix, self.variance, self.df = matrix, variance, df
        self._z = np.log(variance) - (special.digamma(df / 2) - np.log(df / 2))
        self._weight = 1 / special.polygamma(1, df / 2)

    def rebuilt(self, matrix: np.ndarray) -> _LogVariance:
        return _LogVariance(matrix, self.variance, self.df)

    def value(self, theta: np.ndarray) -> float:
        left = self._z - self.matrix @ theta
        return float(-np.sum(self._weight * left**2) / 2
                     + np.sum(np.log(self._weight / (2 * np.pi))) / 2)

    def slopes(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        weighted = self._weight[:, None] * self.matrix
        return weighted.T @ (self._z - self.matrix @ theta), self.matrix.T @ weighted

    def location(self, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """As of `_GammaVariance`."""
        return self._weight * (self._z - self.matrix @ theta), self._weight


@dataclass(frozen=True, eq=False)
class DispersionFit(KindFit):
    """A model of the standard deviation between repeated runs; effects are its ratios.

    Attributes
    ----------
    groups : DataFrame
        A row for each repeated setting: its factors, ``runs, mean, sd, df`` (on the model's
        scale of the response).
    readings : DataFrame
        The runs that were looked at, those at settings without a repeat included.
    within : str or None
        Column of the blocks within which settings count as repeated.

    Notes
    -----
    Coefficients are for the logarithm of the variance; effects, predictions and words for the
    standard deviation. On a log scale of the response it is that of the logarithm.
    """

    groups: pd.DataFrame = None
    readings: pd.DataFrame = None
    within: str | None = None

    effect_name = "ratio of standard deviations"
    effect_power = 0.5
    row = "repeated setting"
    serial_correlation = None

    def mean_at(self, centre: np.ndarray) -> np.ndarray:
        return np.exp(centre / 2)

    def limits_at(self, centre: np.ndarray, se: np.ndarray, level: float,
                  runs: int = 1) -> tuple[np.ndarray, np.ndarray]:
        df = runs * float(np.median(self.groups["df"]))
        eta, weight = nodes(centre, se, self.df_reference)

        def cdf(log_s2: np.ndarray, i: np.ndarray) -> np.ndarray:
            return special.gammainc(df / 2, df / 2 * np.exp(log_s2[:, None] - eta[i])) @ weight

        far = 40 + 20 * se
        return tuple(np.exp(quantile(cdf, p, centre - far, centre + far) / 2)
                     for p in ((1 - level) / 2, (1 + level) / 2))

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Standard deviation of new runs with its confidence interval; ``low`` and ``high`` are for
        the standard deviation found in as many repeats as the median setting had."""
        centre, se = self.linear(settings, level)
        unit = "" if self.response.scale == "log" else self.response.unit
        return self._finish(self._predicted(centre, se, level), settings, unit,
                            "standard deviation")

    @property
    def fitted_title(self) -> str:
        unit = "" if self.response.scale == "log" else self.response.unit
        return f"standard deviation of {self._what}" + (f" ({unit})" if unit else "")

    def _seen(self) -> tuple[np.ndarray, np.ndarray]:
        return self.groups["sd"].to_numpy(), np.exp(self.rows.matrix @ self.coefficients / 2)

    def _stretches(self, change: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        sd, fitted = self._seen()
        half = self.groups["df"].to_numpy() / 2
        at = half * (sd / fitted) ** 2
        z = normal_score(special.gammainc(half, at), special.gammaincc(half, at))
        return z, z

    def summary(self) -> str:
        terms = sum(1 for t in self.terms if t.powers)
        return (f"Spread of {self._what}: {wording.count(len(self.groups), 'repeated setting')} "
                f"with {wording.count(int(self.groups['df'].sum()), 'degree')} of freedom, "
                f"{wording.count(terms, 'term')}; {self.model} model.")

    @property
    def _what(self) -> str:
        name = self.response.label
        return f"the logarithm of {name}" if self.response.scale == "log" else name

    def what_changes(self) -> str:
        return f"the standard deviation of {self._what}"

    def ends(self) -> list[str]:
        unit = "" if self.response.scale == "log" else self.response.unit
        return words.ends_of(self, f"Standard deviation of {self._what}",
                             lambda v: wording.quantity(np.exp(v / 2), unit, 2))

    def warnings(self) -> list[str]:
        least = int(self.groups["df"].min())
        out = []
        if least < 3:
            out.append(f"Some settings have {least + 1} runs only: a spread from so few is rough, "
                       "and only large ratios can be seen.")
        out.append("Repeats must be whole runs made anew: samples from one cup show the test's "
                   "noise, not the process's.")
        return out


def dispersion_effects(data: pd.DataFrame, response: Response, region: Region,
                       terms: Sequence[Term] | str = "linear", *, method: str = "gamma",
                       blocks: str | None = "block") -> DispersionFit:
    """What changes the spread, from repeated runs.

    Parameters
    ----------
    data : DataFrame
        As for `doe.analysis.fit`; settings that agree within 1 % of every factor's range, in the
        same block, count as repeated.
    response : Response
        With ``scale="log"``, the spread of the logarithm.
    region : Region
    terms : sequence of Term, formula or model name
        Of the logarithm of the variance; those that the repeated settings cannot tell apart are
        left out and said.
    method : {"gamma", "log-variance"}
        A gamma model of variances, or Bartlett and Kendall's normal model of their logarithms with
        its known variance; the first uses the data fully, the second is linear.
    blocks : str or None

    Raises
    ------
    InputError
        If no setting was repeated, or repeats agree exactly and the response has no resolution.
    """
    as_choice("method", method, DISPERSION_METHODS)
    used, y, remarks = readings(data, response)
    where = f"data, column '{response.name}'"
    if response.scale == "log":
        if (y <= 0).any():
            raise InputError(where, float(y.min()), "it has no logarithm", "Use scale='identity'")
        y = np.log(y)
    block = used.get(blocks)
    group = groups_of_replicates(region.encode(used), block)
    size = np.bincount(group)
    repeated = np.flatnonzero(size > 1)
    if not len(repeated):
        raise InputError(where, len(y), "no setting was repeated, so that no spread can be seen",
                         "Repeat settings, or use screen_dispersion for a two-level plan")
    mean = np.bincount(group, y) / size
    variance = (np.bincount(group, (y - mean[group]) ** 2) / np.maximum(size - 1, 1))[repeated]
    if (variance == 0).any():
        if response.resolution is None or response.scale == "log":
            raise InputError(where, 0.0, "repeated runs gave exactly the same, so that the "
                             "logarithm of their spread is not known", "Use a finer reading, or "
                             "give the response's resolution on the identity scale, whose "
                             "rounding then stands in")
        rounding = response.resolution**2 / 12
        remarks.append(f"{wording.count(int((variance == 0).sum()), 'repeated setting')} gave "
                       "exactly the same; the standard deviation of rounding, "
                       f"{wording.quantity(np.sqrt(rounding), response.unit, 2)}, stands in.")
        variance = np.maximum(variance, rounding)
    first = [int(np.flatnonzero(group == g)[0]) for g in repeated]
    settings = used.iloc[first].reset_index(drop=True)
    df = (size[repeated] - 1).astype(float)
    rows = prepare(settings, response, region, terms, None, remarks, len(repeated))
    left = len(y) - int(size[repeated].sum())
    if left:
        remark = (f"{wording.count(left, 'run')} at settings that were not repeated "
                  f"{'says' if left == 1 else 'say'} nothing of the spread here.")
        rows = replace(rows, remarks=(*rows.remarks, remark))
    likelihood = (_GammaVariance if method == "gamma" else _LogVariance)(rows.matrix, variance, df)
    start = np.zeros(rows.matrix.shape[1])
    start[0] = np.log(np.average(variance, weights=df))
    groups = settings[region.names].assign(runs=size[repeated], mean=mean[repeated],
                                           sd=np.sqrt(variance), df=df.astype(int))
    return DispersionFit(rows, likelihood, maximise(likelihood, start), method, method=method,
                         groups=groups, readings=used,
                         within=None if block is None else str(blocks))


@dataclass(frozen=True, eq=False)
class DispersionScreening:
    """Candidates for dispersion effects in a two-level plan without repeats.

    Attributes
    ----------
    table : DataFrame
        ``term, label, sd_low, sd_high`` (of the residuals where the column is −1 and +1),
        ``ratio`` (of these), ``statistic`` (logarithm of the ratio of variances), ``p`` (of that
        column alone) and ``p_family`` (of the largest among all), by seeded simulation of
        equal spread; the largest statistic first.
    response : Response
    runs, location_terms : int
    seed : int
    """

    table: pd.DataFrame
    response: Response
    runs: int
    location_terms: int
    seed: int

    @property
    def sentence(self) -> str:
        """The strongest candidates, and how little they prove."""
        top = self.table.iloc[0]
        side = "larger" if top["statistic"] > 0 else "smaller"
        ratio = np.exp(abs(top["statistic"]) / 2)
        text = (f"Residuals of {self.response.label} are spread {wording.digits(ratio, 2)} times "
                f"{side} where {top['label']} is high than where it is low "
                f"({wording.p_value(top['p_family'])}, allowing for the choice among "
                f"{wording.count(len(self.table), 'column')})")
        if top["p_family"] >= 0.05:
            return (f"No column stands out: the largest, {text[0].lower() + text[1:]}, is within "
                    "what equal spread gives.")
        return (f"{text}. This is a screening without repeated runs: two location effects left out "
                "of the model whose product is that column look the same. Repeat runs at both "
                "ends before acting on it.")


def screen_dispersion(fit: Fit, *, order: int = 2, seed: int = 1,
                      draws: int = DRAWS) -> DispersionScreening:
    """Compare the spread of residuals between the two ends of every column (Box & Meyer 1986).

    Parameters
    ----------
    fit : Fit
        A linear model of the response's mean, with degrees of freedom for error left.
    order : int
        Columns of up to so many factors are looked at.
    seed : int
        Of the simulation of equal normal spread in the same model, for p-values.
    draws : int

    Raises
    ------
    InputError
        If the model is saturated, or no two-level column has enough runs at both ends.
    """
    if not fit.df_error:
        raise InputError("fit", fit.response.name, "the model is saturated, so that no residuals "
                         "are left to compare", "Keep only the terms that matter")
    columns = _two_level_columns(fit, order)
    q, _ = np.linalg.qr(fit.columns.matrix.to_numpy())
    high = np.column_stack([c > 0 for c in columns.values()])
    low = np.column_stack([c < 0 for c in columns.values()])

    def statistics(noise: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        residual = noise - (noise @ q) @ q.T
        return _variances(residual, low), _variances(residual, high)

    s2_low, s2_high = statistics(fit.observed[None])
    tiny = 1e-20 * float(np.sum((fit.observed - fit.observed.mean()) ** 2))
    ratio = np.log(np.maximum(s2_high, tiny) / np.maximum(s2_low, tiny))[0]
    null_low, null_high = statistics(
        np.random.default_rng(seed).standard_normal((draws, len(fit.observed))))
    # Columns that a term of the model pins down may leave next to no residual at one end.
    with np.errstate(divide="ignore", invalid="ignore"):
        null = np.abs(np.log(null_high / null_low))
    null = np.where(np.isfinite(null), null, 0.0)
    own = (1 + np.sum(null >= np.abs(ratio) - 1e-9, axis=0)) / (draws + 1)
    spread = np.maximum(null.std(axis=0), 1e-12)
    largest = np.max(null / spread, axis=1)
    family = (1 + np.sum(largest[:, None] >= np.abs(ratio) / spread - 1e-9, axis=0)) / (draws + 1)
    table = pd.DataFrame({
        "term": [str(t) for t in columns], "label": [t.label(fit.region) for t in columns],
        "sd_low": np.sqrt(s2_low[0]), "sd_high": np.sqrt(s2_high[0]), "ratio": np.exp(ratio / 2),
        "statistic": ratio, "p": own, "p_family": family,
    }).sort_values("statistic", key=np.abs, ascending=False, ignore_index=True, kind="stable")
    table.attrs["units"] = dict.fromkeys(("sd_low", "sd_high"),
                                         "" if fit.log_scale else fit.response.unit)
    return DispersionScreening(table, fit.response, len(fit.observed),
                               sum(1 for t in fit.terms if t.powers), seed)


def _variances(residual: np.ndarray, members: np.ndarray) -> np.ndarray:
    """Sample variances of the residuals (draws, n) in each column's half (n, columns)."""
    size = members.sum(axis=0)
    mean = residual @ members / size
    return (residual**2 @ members - size * mean**2).clip(0) / (size - 1)


def _two_level_columns(fit: Fit, order: int) -> dict[Term, np.ndarray]:
    """Columns of −1, 0 and +1 for two-level factors and their products, each pattern once."""
    single = {}
    for f in fit.region.factors:
        if f.is_numeric:
            coded = f.code(fit.data[f.name])
            level = np.where(np.abs(np.abs(coded) - 1) <= TWO_LEVEL, np.sign(coded), 0.0)
        elif len(f.levels) == 2:
            level = np.where(fit.data[f.name].to_numpy() == f.levels[1], 1.0, -1.0)
        else:
            continue
        single[f.name] = level
    out: dict[Term, np.ndarray] = {}
    for size in range(1, order + 1):
        for names in combinations(single, size):
            column = np.prod([single[n] for n in names], axis=0)
            enough = min((column > 0).sum(), (column < 0).sum()) > 1
            seen = any(np.array_equal(column, c) or np.array_equal(column, -c)
                       for c in out.values())
            if enough and not seen:
                out[Term(*names)] = column
    if not out:
        raise InputError("fit", fit.response.name, "no factor stands at two levels with two runs "
                         "or more at each", "Use dispersion_effects on repeated runs")
    return out

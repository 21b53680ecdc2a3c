"""What a plan can and cannot tell, computed before any run."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from math import prod

import numpy as np
import pandas as pd

from doe.errors import as_number
from doe.factors import Region
from doe.planning.aliases import alias_structure, column_labels
from doe.planning.appraisal_words import all_sentences
from doe.planning.ascent import ascend, forms
from doe.planning.candidates import Space
from doe.planning.plan import Plan
from doe.planning.power import least_noncentrality, power_of
from doe.planning.settle import information, pure_error_df, sample
from doe.planning.strata import (
    error_strata,
    fixed_blocks,
    precision,
    variance_ratios,
)
from doe.responses import Response
from doe.terms import INTERCEPT, Term, expand, exponents, model_matrix, read_terms

__all__ = ["Appraisal", "appraise", "efficiencies", "prediction_variance"]

_CORNERS = 4096
_TOPS = 20
"""Points from which the greatest variance is climbed to."""


@dataclass(frozen=True, eq=False)
class Appraisal:
    """What a plan can and cannot tell.

    Parameters
    ----------
    table : DataFrame
        One row a model column: ``term``, ``label``, ``estimable``, ``standard_error`` (of the
        coefficient in coded units, for a standard deviation of 1), ``vif`` (variance inflation
        factor), ``effect_is`` (what an effect of this term means), ``error_df`` (degrees of
        freedom its test has), ``detectable_effect`` (found with the power asked for),
        ``detectable_if_sd_known`` (the same if the standard deviation were known for sure) and
        ``power`` (of finding the effect asked about). Effects are in the unit of `sd`.
    aliases : DataFrame
        As `doe.planning.aliases.AliasStructure.table`.
    alias_sentences : tuple of str
    efficiencies : dict
        ``D``, ``A``, ``G`` in %, ``I`` in sd²; see `efficiencies`.
    leverages : DataFrame
        ``run`` and ``leverage``.
    error_df, pure_error_df, lack_of_fit_df : int
        Degrees of freedom for error, and their split: repeated settings, and the rest.
    sd : float
        The standard deviation assumed; 1 if none was given, effects then are multiples of it.
    effect : float
        The effect that ``power`` is about.
    wanted_power, alpha : float
    sentences : tuple of str
    """

    table: pd.DataFrame
    aliases: pd.DataFrame
    alias_sentences: tuple[str, ...]
    efficiencies: dict[str, float]
    leverages: pd.DataFrame
    error_df: int
    pure_error_df: int
    lack_of_fit_df: int
    sd: float
    effect: float
    wanted_power: float
    alpha: float
    sentences: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """All sentences in one text."""
        return " ".join(self.sentences)


@dataclass(frozen=True, eq=False)
class _Model:
    """A plan's model matrix, block effects after the model's own columns."""

    region: Region
    terms: tuple[Term, ...]
    X: np.ndarray
    blocks: np.ndarray
    names: list[str]
    covariance: np.ndarray   # of all coefficients, sd of a run 1; pseudo-inverse of X'V⁻¹X
    projector: np.ndarray    # onto the row space
    rank: int
    ratios: dict[str, float]
    root: np.ndarray         # R with R'R = V⁻¹; shape (n, n)

    @classmethod
    def of(cls, plan: Plan, terms: Sequence[Term] | str | None,
           ratios: Mapping[str, float] | None = None) -> _Model:
        terms = read_terms(plan.region, terms, plan.terms)
        ratios = variance_ratios(plan, ratios)
        X = model_matrix(plan.region, plan.settings, terms)
        blocks = fixed_blocks(plan, ratios)
        root = np.eye(len(plan))
        if ratios:
            root = np.linalg.cholesky(precision([plan.runs[c] for c in ratios],
                                                list(ratios.values()))).T
        full = root @ np.hstack([X.to_numpy(), blocks])
        _, s, Vt = np.linalg.svd(full, full_matrices=False)
        kept = s > 1e-8 * np.sqrt(max(full.shape))
        V = Vt[kept].T
        return cls(plan.region, terms, X.to_numpy(), blocks, list(X.columns),
                   (V / s[kept]**2) @ V.T, V @ V.T, int(kept.sum()), ratios, root)

    @property
    def full(self) -> np.ndarray:
        return np.hstack([self.X, self.blocks])

    @property
    def estimable(self) -> np.ndarray:
        """Which of the model's own coefficients the runs determine; boolean, shape (p,)."""
        off = self.projector - np.eye(len(self.projector))
        return (np.abs(off).max(axis=1) < 1e-7)[:len(self.names)]

    @property
    def leverages(self) -> np.ndarray:
        """Diagonal of the matrix that takes the observations to the fitted values; shape (n,)."""
        white = self.root @ self.full
        return (self.full @ self.covariance * (self.root.T @ white)).sum(axis=1)

    @property
    def spread(self) -> np.ndarray:
        """Information of each column if it stood alone with the mean; shape (p,)."""
        white, one = self.root @ self.X, self.root.sum(axis=1)
        return (white**2).sum(axis=0) - (one @ white)**2 / (one @ one)

    def variance(self, settings: pd.DataFrame) -> np.ndarray:
        powers, _ = exponents(self.region, self.terms)
        f = expand(self.region.encode(settings), powers)
        p = len(self.names)
        known = np.abs(f @ self.projector[:p] - np.pad(f, ((0, 0), (0, self.blocks.shape[1]))))
        variance = (f @ self.covariance[:p, :p] * f).sum(axis=1)
        return np.where(known.max(axis=1) < 1e-6, variance, np.nan)


def prediction_variance(plan: Plan, settings: pd.DataFrame,
                        terms: Sequence[Term] | str | None = None) -> np.ndarray:
    """Variance of the predicted mean at settings, in units of the error variance; shape (n,).

    f(x)' (X'X)⁻¹ f(x), for the average block (Box & Hunter 1957). Not a number where the runs
    do not determine the prediction.
    """
    return _Model.of(plan, terms).variance(settings)


def efficiencies(plan: Plan, terms: Sequence[Term] | str | None = None,
                 seed: int = 1) -> dict[str, float]:
    """How much the plan's n runs tell about the model's p coefficients.

    All in coded units (range −1 to 1), after block effects are taken out; M = X'X, or X'V⁻¹X
    where the plan states how much its groups of runs differ (`doe.planning.strata`).

    * ``D`` = 100 |M|^(1/p) / n, in %: 100 for a plan with orthogonal columns of ±1 of the same
      size (Mitchell 1974; NIST/SEMATECH e-Handbook 5.5.2.1).
    * ``A`` = 100 p / (n tr M⁻¹), in %, on the same footing.
    * ``G`` = 100 p / (n max f(x)'M⁻¹f(x)), in %: the greatest prediction variance over the
      region against its least possible p/n (Kiefer & Wolfowitz 1960). The greatest is sought
      among corners, the plan's own points and seeded points inside, and by local ascent from the
      highest of them.
    * ``I`` = mean of f(x)'M⁻¹f(x) over the region, in sd², the lower the better: average
      prediction variance (Box & Draper 1959).

    Plans with squares in the model never reach 100 %. A plan that cannot separate its terms
    has 0 for D, A and G, and no I.

    References
    ----------
    Mitchell, T. J. (1974). *Technometrics* 16, 203–210. Kiefer, J. & Wolfowitz, J. (1960).
    *Canadian Journal of Mathematics* 12, 363–366. Box, G. E. P. & Draper, N. R. (1959).
    *Journal of the American Statistical Association* 54, 622–654.
    """
    return _efficiencies(plan, _Model.of(plan, terms), seed)


def _efficiencies(plan: Plan, model: _Model, seed: int = 1) -> dict[str, float]:
    n, p = model.X.shape
    if not model.estimable.all():
        return {"D": 0.0, "A": 0.0, "G": 0.0, "I": float("nan")}
    _, logdet = np.linalg.slogdet(information(model.root @ model.X, model.root @ model.blocks))
    inside = sample(plan.region, 4096, seed)
    variance = model.variance(inside)
    extremes = [plan.settings]
    corners = [[f.low, f.high] if f.is_numeric else list(f.levels) for f in plan.region.factors]
    if prod(map(len, corners)) <= _CORNERS:
        table = pd.DataFrame(list(product(*corners)), columns=plan.region.names)
        extremes.append(table[plan.region.contains(table)])
    greatest = max(variance.max(), model.variance(pd.concat(extremes)).max())
    space, B = Space(plan.region, model.terms), model.covariance[:p, :p]
    points = space.points(pd.concat([inside, *extremes], ignore_index=True))
    points = points[space.feasible(points)]
    highest = np.argsort(-forms(space.rows(points), B), kind="stable")[:_TOPS]
    peaks = ascend(space, B, points[highest], least=1e-3)
    greatest = max(greatest, forms(space.rows(peaks), B).max())
    return {"D": float(100 * np.exp(logdet / p) / n),
            "A": float(100 * p / (n * np.trace(model.covariance[:p, :p]))),
            "G": float(100 * p / (n * greatest)),
            "I": float(variance.mean())}


def appraise(plan: Plan, *, terms: Sequence[Term] | str | None = None, sd: float | None = None,
             power: float = 0.80, alpha: float = 0.05, order: int = 2,
             effect: float | None = None,
             ratios: Mapping[str, float] | None = None,
             response: Response | None = None) -> Appraisal:
    """Appraise a plan before any run.

    Parameters
    ----------
    plan : Plan
    terms : sequence of Term or str, optional
        The model to be fitted, as terms or as a formula; the plan's own if not given.
    sd : float, optional
        Standard deviation between repeated runs (of one group), in the response's unit. Without
        it effects are multiples of it.
    power, alpha : float
        Of the two-sided test of one coefficient by noncentral t.
    order : int
        Highest order of effects whose aliases are listed.
    effect : float, optional
        The effect to state the power of; two standard deviations if not given.
    ratios : mapping, optional
        Variance between groups over the variance between runs, e.g. ``{"whole_plot": 1.0}``;
        ``{"block": 0.5}`` takes the blocks as random. Those the plan states if not given.
    response : Response, optional
        Its assumed standard deviation is taken if `sd` is not given, and the sentences tell
        effects in its unit, or as ratios where it is modelled on the log scale.

    Raises
    ------
    InputError
        If a number is out of its range.
    """
    power = as_number("power", power, above=0, at_most=0.9999)
    alpha = as_number("alpha", alpha, above=0, at_most=0.5)
    sd = response.assumed_sd if sd is None and response is not None else sd
    spread = 1.0 if sd is None else as_number("sd", sd, above=0)
    effect = 2 * spread if effect is None else abs(as_number("effect", effect))
    model = _Model.of(plan, terms, ratios)
    n = len(plan)
    error_df = n - model.rank
    pure = pure_error_df(plan.region, plan.settings, plan.runs["block"])
    table = _table(plan, model, error_df)
    step = table["standard_error"] * spread * table.pop("_scale")
    table["detectable_effect"] = step * [least_noncentrality(df, power, alpha)
                                         for df in table["error_df"]]
    table["detectable_if_sd_known"] = step * least_noncentrality(np.inf, power, alpha)
    table["power"] = [power_of(effect / s, df, alpha) if s > 0 else np.nan
                      for s, df in zip(step, table["error_df"], strict=True)]
    between = table.pop("_between").to_numpy()
    aliases = alias_structure(plan, model.terms, order)
    values = _efficiencies(plan, model)
    parts = {"table": table, "efficiencies": values, "error_df": error_df,
             "pure_error_df": pure, "lack_of_fit_df": error_df - pure, "sd": spread,
             "effect": effect, "wanted_power": power, "alpha": alpha}
    return Appraisal(aliases=aliases.table, alias_sentences=aliases.sentences,
                     leverages=pd.DataFrame({"run": plan.runs["run"], "leverage": model.leverages}),
                     sentences=all_sentences(plan, model, between, sd is not None, response,
                                             parts),
                     **parts)


def _table(plan: Plan, model: _Model, error_df: int) -> pd.DataFrame:
    p = len(model.names)
    labels = column_labels(plan.region, model.terms)
    known = model.estimable
    variance = np.where(known, np.diag(model.covariance)[:p], np.nan)
    vif = np.where(known, variance * model.spread, np.inf)
    stratum, df = error_strata(plan, model.X, model.ratios, error_df)
    rows, at = [], 0
    for term in model.terms:
        width = len(exponents(plan.region, [term])[1])
        several = any(not plan.region[n].is_numeric and len(plan.region[n].levels) > 2
                      for n in term.names)
        even = any(power % 2 == 0 for _, power in term.powers)
        kind, scale = (("overall mean", np.nan) if term == INTERCEPT else
                       ("level against the mean of levels", 1.0) if several else
                       ("centre to an end of the range", 1.0) if even else
                       ("low to high", 2.0))
        for j in range(at, at + width):
            name = model.names[j]
            rows.append({"term": name, "label": labels[name], "estimable": bool(known[j]),
                         "standard_error": float(np.sqrt(variance[j])),
                         "vif": np.nan if term == INTERCEPT else float(vif[j]),
                         "effect_is": kind,
                         "error_df": int(df[j]), "_between": stratum[j] != "run",
                         "_scale": scale})
        at += width
    return pd.DataFrame(rows)

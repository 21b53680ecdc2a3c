"""How probable it is that an effect is active: Bayes' rule with a plain prior.

References
----------
Box, G. E. P. & Meyer, R. D. (1986). An analysis for unreplicated fractional factorials.
*Technometrics* 28, 11–18.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import gammaln, logsumexp

from doe import wording
from doe.analysis.choosing import check_least_squares
from doe.analysis.gram import subsets
from doe.analysis.model import Fit
from doe.errors import InputError, as_number

__all__ = ["Posterior", "active_effects", "chance", "effect_probabilities"]

ALPHA, INFLATION = 0.20, 10.0
"""Box & Meyer's (1986) usual prior: one effect in five active, and ten times as spread out."""

ALPHAS, INFLATIONS = (0.10, 0.20, 0.30), (5.0, 10.0, 15.0)
"""Priors over which probabilities are shown to hold or not (ranges of Box & Meyer 1986, from
memory)."""

ENUMERATED = 16
"""So many of the largest effects are combined in all ways to find the most probable sets."""

LISTED = 10


@dataclass(frozen=True, eq=False)
class Posterior:
    """Probabilities that effects are active.

    Attributes
    ----------
    table : DataFrame
        ``term, label, effect, probability``, and ``least, most``: its range over shares of 0.1 to
        0.3 and inflations of 5 to 15; the most probable first.
    models : DataFrame
        The most probable sets of active effects: ``label, effects`` (number), ``probability``.
    covered : float
        Probability of all the sets that were enumerated to find them: of the 16 largest effects.
    alpha, inflation : float
    df : int
        Degrees of freedom for error that were used beside the effects.
    equal_precision : bool
        False if the effects are not orthogonal with equal variance; probabilities are then rough.
    """

    table: pd.DataFrame
    models: pd.DataFrame
    covered: float
    alpha: float
    inflation: float
    df: int
    equal_precision: bool = True

    @property
    def sentence(self) -> str:
        """Which effects are probably active, and whether that hangs on the prior."""
        table = self.table
        sure = table[table["probability"] >= 0.5]
        names = [f"{r.label} ({chance(r.probability)})" for r in sure.itertuples()]
        text = (f"With {100 * self.alpha:g} % of effects active beforehand and "
                f"active ones {self.inflation:g} times as spread out as noise: ")
        text += (f"{wording.join(names)} {'is' if len(sure) == 1 else 'are'} more probably active "
                 "than not." if names else "no effect is more probably active than not.")
        split = table[(table["least"] < 0.5) & (table["most"] >= 0.5)]
        if len(split):
            ranges = [f"{r.label} ({chance(r.least)} to {chance(r.most)})"
                      for r in split.itertuples()]
            text += f" It depends on these assumptions for {wording.join(ranges)}."
        if not self.equal_precision:
            text += (" The effects differ in precision or are correlated, so the probabilities are "
                     "rough.")
        return text


def effect_probabilities(effects: np.ndarray, alpha: float = ALPHA, inflation: float = INFLATION,
                         rest: float = 0.0, df: int = 0) -> np.ndarray:
    """Posterior probability that each effect is active; shape (m,).

    Parameters
    ----------
    effects : ndarray, shape (m,)
        Independent contrasts with the same variance σ² if inactive, ``inflation² σ²`` if active.
    alpha : float
        Prior probability of being active.
    inflation : float
        Box & Meyer's k.
    rest : float
        Sum of squares that is noise for certain, in the contrasts' unit.
    df : int
        Its degrees of freedom.

    Notes
    -----
    Given σ the effects are independent of each other, so that one integral over log σ (whose prior
    is flat) replaces the sum over all 2^m sets; both give the same.
    """
    _, active, weight = _over_sigma(effects, alpha, inflation, rest, df)
    return active @ weight


def _over_sigma(effects: np.ndarray, alpha: float, inflation: float, rest: float,
                df: int) -> tuple[float, np.ndarray, np.ndarray]:
    """Log of the integral, probabilities given σ (m, grid), and the weight of each σ (grid,)."""
    squares = np.asarray(effects, float) ** 2
    scale, count = np.sqrt((squares.sum() + rest) / (len(squares) + df)), len(squares) + df
    # Far below, even active effects are too large for σ; far above, the density falls as σ^-count.
    step = 0.01
    u = np.log(scale) + np.arange(-np.log(inflation) - 5.0, 3.0 + 45.0 / count, step)
    sigma = np.exp(u)
    quiet = np.log1p(-alpha) - u - squares[:, None] / (2 * sigma**2)
    loud = np.log(alpha) - u - np.log(inflation) - squares[:, None] / (2 * inflation**2 * sigma**2)
    both = np.logaddexp(quiet, loud)
    density = both.sum(axis=0) - df * u - rest / (2 * sigma**2)
    total = logsumexp(density)
    return float(total + np.log(step)), np.exp(loud - both), np.exp(density - total)


def active_effects(source: Fit | Sequence[float], labels: Sequence[str] | None = None, *,
                   alpha: float = ALPHA, inflation: float = INFLATION) -> Posterior:
    """Box & Meyer's (1986) analysis of unreplicated factorials.

    Parameters
    ----------
    source : Fit or sequence of float
        A fit, saturated or not (its error then counts as noise), or contrasts of equal variance.
    labels : sequence of str, optional
        Of the contrasts, if they are given.
    alpha : float
        Prior probability that an effect is active.
    inflation : float
        Active effects have a standard deviation so many times that of noise.

    Raises
    ------
    InputError
        If there are fewer than three effects, or all are zero.
    """
    as_number("alpha", alpha, above=0)
    if alpha >= 1:
        raise InputError("alpha", alpha, "it must be below 1", "Use 0.2")
    as_number("inflation", inflation, above=1)
    rest, df, equal, unit = 0.0, 0, True, ""
    if isinstance(source, Fit):
        effects, terms, labels, scales, equal = _effects_of(source)
        contrasts, unit = effects / scales, "" if source.log_scale else source.response.unit
        df = source.df_error
        rest = float(source.shifted.ssr) if df else 0.0
    else:
        effects = contrasts = np.asarray(source, float)
        labels = (list(labels) if labels is not None
                  else [f"effect {i + 1}" for i in range(len(effects))])
        terms = labels
    if len(contrasts) < 3 or not np.isfinite(contrasts).all() or not contrasts.any():
        raise InputError("effects", len(contrasts), "at least three effects are needed, not all of "
                         "them zero", "Repeat some runs instead")
    by_prior = [effect_probabilities(contrasts, a, k, rest, df)
                for a in {*ALPHAS, alpha} for k in {*INFLATIONS, inflation}]
    table = pd.DataFrame({
        "term": terms, "label": labels, "effect": effects,
        "probability": effect_probabilities(contrasts, alpha, inflation, rest, df),
        "least": np.min(by_prior, axis=0), "most": np.max(by_prior, axis=0)})
    table.attrs["units"] = {"effect": unit}
    models, covered = _likely_sets(contrasts, list(labels), alpha, inflation, rest, df)
    table = table.sort_values("probability", ascending=False, kind="stable", ignore_index=True)
    return Posterior(table, models, covered, alpha, inflation, df, equal)


def _effects_of(fit: Fit) -> tuple[np.ndarray, list[str], list[str], np.ndarray, bool]:
    """Effects on the model's scale, their names, their standard errors per σ, and whether these
    are equal and the effects uncorrelated."""
    check_least_squares(fit)
    places = [j for j, t in enumerate(fit.columns.owner) if t is not None and t.powers]
    if not places:
        raise InputError("fit", fit.response.name, "its model has no effects", "Add terms")
    span = np.array([fit.span(fit.columns.owner[j]) for j in places])
    c = fit.covariance[np.ix_(places, places)]
    sd = np.sqrt(np.diag(c))
    rows = fit.table[fit.table["term"] != "1"]
    uncorrelated = np.abs(c / np.outer(sd, sd) - np.eye(len(sd))).max() <= 0.05
    equal = bool(np.allclose(sd * span, sd[0] * span[0], rtol=0.05) and uncorrelated)
    return (span * fit.coefficients[places], list(rows["term"]), list(rows["label"]), span * sd,
            equal)


def _likely_sets(effects: np.ndarray, labels: list[str], alpha: float, inflation: float,
                 rest: float, df: int) -> tuple[pd.DataFrame, float]:
    """The most probable sets of active effects among all sets of the largest effects."""
    m, squares = len(effects), effects**2
    largest = np.sort(np.argsort(-squares, kind="stable")[:ENUMERATED])
    sets = subsets(((),) * len(largest), (1,) * len(largest), need_all=True, most_columns=m)
    active = np.zeros(1)
    for j, grow in zip(largest, sets.grow, strict=True):
        active = np.concatenate([active, active[grow] + squares[j]])
    evidence, _, _ = _over_sigma(effects, alpha, inflation, rest, df)
    left, half = squares.sum() + rest - (1 - inflation**-2) * active, (m + df) / 2
    # ∫ σ^-(m + df) exp(−left / 2σ²) dσ/σ = Γ(half) (left/2)^-half / 2
    value = (sets.columns * np.log(alpha / inflation) + (m - sets.columns) * np.log1p(-alpha)
             + gammaln(half) - np.log(2) - half * np.log(left / 2) - evidence)
    order = np.argsort(-value, kind="stable")[:LISTED]
    names = [[labels[j] for j in largest[there]] for there in sets.members(order)]
    models = pd.DataFrame({"label": [wording.join(n) or "none" for n in names],
                           "effects": sets.columns[order], "probability": np.exp(value[order])})
    return models, float(min(1.0, np.exp(logsumexp(value))))


def chance(value: float) -> str:
    """A probability in words: ``"87 %"``, ``"over 99 %"``."""
    if value > 0.995:
        return "over 99 %"
    return "under 1 %" if value < 0.005 else f"{100 * value:.0f} %"

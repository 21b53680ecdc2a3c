"""Averages over the models that the data cannot tell apart.

References
----------
Burnham, K. P. & Anderson, D. R. (2002). *Model Selection and Multimodel Inference*, 2nd ed.
Springer. Sections 4.2 (weights), 4.3 (unconditional intervals).
Burnham, K. P. & Anderson, D. R. (2004). Multimodel inference: understanding AIC and BIC in
model selection. *Sociological Methods & Research* 33, 261–304 (the variance in its second form).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import stats

from doe import terms as model_terms
from doe import wording
from doe.analysis.search import NEGLIGIBLE, Search
from doe.analysis.settings_side import check_level
from doe.errors import InputError, as_number

__all__ = ["Averaged", "average"]

IMPORTANT, DOUBTFUL = 0.9, 0.5
"""Weights of a term above which it is called needed, and below which open (common practice,
no source)."""


@dataclass(frozen=True, eq=False)
class Averaged:
    """Models averaged by their weights.

    Attributes
    ----------
    search : Search
    table : DataFrame
        ``term, label, weight``: the weight of all averaged models that have the term;
        ``in_best``: whether the best model has it.
    models : DataFrame
        ``terms, label, delta, weight`` of the models averaged, best first.
    weights : ndarray, shape (K,)
        Add up to 1.
    covered : float
        Share of the weight of all compared models that these have.
    coefficients, factors : ndarray
        Of each model's columns, zero where it has none: (K, q), and (K, q, q) with
        ``factors @ factors.T`` its ``inv(X'X)``.
    sigma, df : ndarray, shape (K,)
    """

    search: Search
    table: pd.DataFrame
    models: pd.DataFrame
    weights: np.ndarray
    covered: float
    coefficients: np.ndarray
    factors: np.ndarray
    sigma: np.ndarray
    df: np.ndarray

    @property
    def sentence(self) -> str:
        """How many models, how even their weights are, and which terms they agree on."""
        text = (f"{wording.count(len(self.weights), 'model')} "
                f"{'is' if len(self.weights) == 1 else 'are'} averaged "
                f"({wording.percent(self.covered, 3)} of the weight of all "
                f"{self.search.compared:,} compared); the best has weight "
                f"{wording.fixed(self.weights[0], 2)}.")
        table = self.table
        sure = table.loc[table["weight"] >= IMPORTANT, "label"]
        unsure = table.loc[table["weight"].between(DOUBTFUL, IMPORTANT, inclusive="left")]
        if len(sure):
            text += f" They agree on {wording.join(sure)} (weight {IMPORTANT:g} or more)."
        if len(unsure):
            text += f" Likely but not sure: {wording.join(unsure['label'])}."
        if not len(sure) and not len(unsure):
            text += " They agree on no term."
        return text

    def predict(self, settings: pd.DataFrame, level: float = 0.95) -> pd.DataFrame:
        """Weighted mean of the models' predictions, with intervals that count their disagreement.

        ``mean, mean_low, mean_high, low, high, extrapolated`` as of `Fit.predict`; ``spread``:
        standard deviation between the models' predictions, on the model's scale.

        Notes
        -----
        Half the interval for the mean is the root of Σ w (t² v + z² d²): v is a model's variance
        of the mean, t its Student quantile, d its distance from the average, z the normal
        quantile (Burnham & Anderson 2002, section 4.3.3, with the variance of 2004). For one new
        run the noise variance of each model is added to v. Averages are taken on the model's
        scale.
        """
        check_level(level)
        start, pool = self.search.start, self.search.candidates
        encoded = start.region.encode(settings)
        kept = model_terms.expand(encoded, model_terms.exponents(start.region, pool.always)[0])
        free = model_terms.expand(encoded, model_terms.exponents(start.region, pool.terms)[0])
        # Block columns are zero for the average block; they come after the intercept.
        blocks = np.zeros((len(kept), pool.base.shape[1] - kept.shape[1]))
        rows = np.hstack([kept[:, :1], blocks, kept[:, 1:], free])
        each = rows @ self.coefficients.T
        mean = each @ self.weights
        apart = (each - mean[:, None]) ** 2
        leverage = np.column_stack([np.sum((rows @ f) ** 2, axis=1) for f in self.factors])
        t, z = stats.t.ppf((1 + level) / 2, self.df), stats.norm.ppf((1 + level) / 2)
        half = np.sqrt((t**2 * self.sigma**2 * leverage + z**2 * apart) @ self.weights)
        wide = np.sqrt((t**2 * self.sigma**2 * (1 + leverage) + z**2 * apart) @ self.weights)
        mean += start.shift
        out = start.laid_out(settings, mean, (mean - half, mean + half), (mean - wide, mean + wide))
        out["spread"] = np.sqrt(apart @ self.weights)
        return out


def average(search: Search, *, within: float = 10.0) -> Averaged:
    """Average the models of an exhaustive search.

    Parameters
    ----------
    search : Search
        By AICc or BIC.
    within : float
        Models up to so much above the best one's criterion; beyond 10 there is "essentially no
        support" (Burnham & Anderson 2002, section 2.6). At most 12.

    Raises
    ------
    InputError
        If the search was not exhaustive, or by predicted R².
    """
    rule = search.rule
    if rule.method != "exhaustive":
        raise InputError("search", rule.method, "it looked at the models on its path only, so "
                         "weights would leave others out", "Use search(..., method='exhaustive')")
    if rule.criterion == "r2_predicted":
        raise InputError("search", rule.criterion, "its differences give no weights",
                         "Use criterion='aicc'")
    within = as_number("within", within, above=0, at_most=NEGLIGIBLE)
    pool, start = search.candidates, search.start
    near = search.scores <= search.scores[0] + within
    members, delta = search.members[near], search.scores[near] - search.scores[0]
    weights = np.exp(-delta / 2)
    weights /= weights.sum()
    y = np.asarray(start.shifted.model.endog)
    b, q = pool.base.shape[1], pool.base.shape[1] + pool.columns.shape[1]
    coefficients, factors = np.zeros((len(members), q)), np.zeros((len(members), q, q))
    sigma, df = np.zeros(len(members)), np.zeros(len(members), int)
    for k, member in enumerate(members):
        there = np.r_[np.arange(b), b + np.flatnonzero(np.repeat(member, pool.widths))]
        matrix = pool.matrix(member)
        orthogonal, triangle = np.linalg.qr(matrix)
        inverse = np.linalg.inv(triangle)
        coefficients[k, there] = inverse @ (orthogonal.T @ y)
        factors[k][np.ix_(there, np.arange(len(there)))] = inverse
        df[k] = len(y) - len(there)
        sigma[k] = np.sqrt(np.sum((y - matrix @ coefficients[k, there]) ** 2) / df[k])
    weight = weights @ members
    table = pd.DataFrame({
        "term": [str(t) for t in pool.terms],
        "label": [t.label(start.region) for t in pool.terms],
        "weight": weight, "in_best": [t in search.best for t in pool.terms],
    }).sort_values("weight", ascending=False, kind="stable", ignore_index=True)
    chosen = [pool.chosen(m) for m in members]
    models = pd.DataFrame({
        "terms": [model_terms.formula(c).removeprefix("~ ") for c in chosen],
        "label": [wording.join([t.label(start.region) for t in c if t.powers] or ["mean"])
                  for c in chosen],
        "delta": delta, "weight": weights,
    })
    covered = float(np.sum(np.exp(-delta / 2)) / search.total_weight)
    return Averaged(search, table, models, weights, covered, coefficients, factors, sigma, df)

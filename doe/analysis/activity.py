"""How probable it is that a factor is active, alone or together with others.

References
----------
Box, G. E. P. & Meyer, R. D. (1993). Finding the active factors in fractionated screening
experiments. *Journal of Quality Technology* 25, 94–105.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations
from math import comb

import numpy as np
import pandas as pd
from scipy.special import logsumexp

from doe import terms as model_terms
from doe import wording
from doe.analysis.choosing import check_least_squares
from doe.analysis.estimable import block_columns
from doe.analysis.model import Fit
from doe.analysis.posterior import chance
from doe.errors import InputError, as_number
from doe.terms import Term

__all__ = ["FactorActivity", "active_factors"]

PRIOR = 0.25
"""Box & Meyer's (1993) usual share of active factors."""

GAMMAS = tuple(np.round(np.geomspace(0.25, 8.0, 21), 3))
"""Spreads of effects tried, relative to noise."""

MOST_SETS = 10_000
LISTED = 10
ROUNDING = 1e-12


@dataclass(frozen=True, eq=False)
class FactorActivity:
    """Probabilities that factors are active, alone or in interactions.

    Attributes
    ----------
    table : DataFrame
        ``factor, label, probability``, and ``least, most``: its range over spreads of effects from
        half to twice `gamma`; the most probable first.
    models : DataFrame
        The most probable sets of active factors: ``label, factors`` (number), ``probability``.
    null : float
        Probability that no factor is active.
    prior : float
        Probability of each factor beforehand.
    gamma : float
        Standard deviation of active effects (coefficients, coded units) relative to noise.
    order : int
        Highest order of interaction among active factors.
    most : int
        Largest number of active factors considered.
    """

    table: pd.DataFrame
    models: pd.DataFrame
    null: float
    prior: float
    gamma: float
    order: int
    most: int

    @property
    def sentence(self) -> str:
        """Which factors are probably active, by what assumptions."""
        rows = self.table[self.table["probability"] >= 0.5]
        names = [f"{r.label} ({chance(r.probability)})" for r in rows.itertuples()]
        text = (f"{wording.join(names)} {'is' if len(rows) == 1 else 'are'} probably active"
                if names else "No factor is more probably active than not")
        lead = self.models.iloc[0]
        text += (f", in main effects or interactions up to order {self.order} (each factor "
                 f"{chance(self.prior)} beforehand; at most {self.most} of them active). The most "
                 f"probable set is {lead['label']}, {chance(lead['probability'])}.")
        split = self.table[(self.table["least"] < 0.5) & (self.table["most"] >= 0.5)]
        if len(split):
            ranges = [f"{r.label} ({chance(r.least)} to {chance(r.most)})"
                      for r in split.itertuples()]
            text += f" It depends on the assumed spread of effects for {wording.join(ranges)}."
        return text


def active_factors(fit: Fit, *, prior: float = PRIOR, gamma: float | None = None, order: int = 3,
                   most: int = 5) -> FactorActivity:
    """Box & Meyer's (1993) search for active factors in screening plans.

    An active factor may act by its main effect and by interactions with other active factors, so
    aliasing is weighed, not assumed away.

    Parameters
    ----------
    fit : Fit
        Its runs, response and blocks are used, whatever its terms.
    prior : float
        Probability of each factor being active.
    gamma : float, optional
        Standard deviation of active effects relative to noise; by default the value that makes "no
        factor is active" least probable, of a grid from 0.25 to 8.
    order : int
        Highest order of interaction.
    most : int
        Largest number of active factors; fewer if there are more than 10,000 sets of them.

    Raises
    ------
    InputError
        If an option cannot be used, or the response does not vary.
    """
    check_least_squares(fit)
    as_number("prior", prior, above=0)
    if prior >= 1:
        raise InputError("prior", prior, "it must be below 1", "Use 0.25")
    if gamma is not None:
        as_number("gamma", gamma, above=0)
    for name, value in (("order", order), ("most", most)):
        if isinstance(value, bool) or not isinstance(value, int) or value < 1:
            raise InputError(name, value, "this is not a whole number from 1 up", "Use 3")
    factors = fit.region.names
    most = min(most, len(factors))
    while most > 1 and sum(comb(len(factors), s) for s in range(most + 1)) > MOST_SETS:
        most -= 1
    y = np.asarray(fit.shifted.model.endog)
    base = np.ones((len(y), 1))
    if fit.blocks is not None:
        base = np.hstack([base, block_columns(fit.blocks).to_numpy()])
    u, size, _ = np.linalg.svd(base)
    free = u[:, int(np.sum(size > 1e-9 * size[0])):]  # contrasts free of mean and blocks
    z = free.T @ y
    if not z @ z > 1e-24 * (y @ y):
        raise InputError("fit", fit.response.name, "there is no variation to explain",
                         "Check the measurements")
    sets = [s for k in range(most + 1) for s in combinations(factors, k)]
    evidence = _Evidence.of(fit, sets, free, z, order)
    odds = np.array([len(s) * np.log(prior / (1 - prior)) for s in sets])
    if gamma is None:
        nulls = [evidence.chances(g, odds)[0] for g in GAMMAS]
        gamma = float(GAMMAS[int(np.argmin(nulls))])
    has = np.array([[f in s for f in factors] for s in sets], float)
    found = evidence.chances(gamma, odds)
    spread = [evidence.chances(g, odds) @ has for g in (gamma / 2, gamma, 2 * gamma)]
    labels = [fit.region[f].label for f in factors]
    table = pd.DataFrame({"factor": factors, "label": labels, "probability": found @ has,
                          "least": np.min(spread, axis=0), "most": np.max(spread, axis=0)})
    table = table.sort_values("probability", ascending=False, kind="stable", ignore_index=True)
    lead = np.argsort(-found, kind="stable")[:LISTED]
    models = pd.DataFrame({
        "label": [wording.join(fit.region[f].label for f in sets[i]) or "none" for i in lead],
        "factors": [len(sets[i]) for i in lead], "probability": found[lead]})
    return FactorActivity(table, models, float(found[0]), prior, gamma, order, most)


@dataclass(frozen=True, eq=False)
class _Evidence:
    """For each set of factors, what any spread of effects needs.

    Attributes
    ----------
    size : ndarray, shape (S, r)
        Squares of the singular values of the effects' columns among the contrasts.
    along : ndarray, shape (S, r)
        Squares of the contrasts in those directions.
    left : ndarray, shape (S,)
        Sum of squares of the contrasts beyond them.
    count : int
        Number of contrasts.
    """

    size: np.ndarray
    along: np.ndarray
    left: np.ndarray
    count: int

    @classmethod
    def of(cls, fit: Fit, sets: Sequence[tuple[str, ...]], free: np.ndarray, z: np.ndarray,
           order: int) -> _Evidence:
        encoded, pieces = fit.region.encode(fit.data), {}

        def piece(names: tuple[str, ...]) -> np.ndarray:
            if names not in pieces:
                powers = model_terms.exponents(fit.region, [Term(*names)])[0]
                pieces[names] = free.T @ model_terms.expand(encoded, powers)
            return pieces[names]

        size, along = np.zeros((2, len(sets), len(z)))
        for i, factors in enumerate(sets):
            if factors:
                x = np.hstack([piece(names) for k in range(1, order + 1)
                               for names in combinations(factors, k)])
                u, s, _ = np.linalg.svd(x, full_matrices=False)
                size[i, :len(s)], along[i, :len(s)] = s**2, (u.T @ z) ** 2
        left = np.maximum(z @ z - along.sum(axis=1), ROUNDING * (z @ z))
        return cls(size, along, left, len(z))

    def chances(self, gamma: float, odds: np.ndarray) -> np.ndarray:
        """Posterior probability of each set; given σ the contrasts have covariance
        ``σ²(I + γ² XX')``, and log σ is flat."""
        grown = 1 + gamma**2 * self.size
        q = self.left + np.sum(self.along / grown, axis=1)
        value = odds - 0.5 * np.log(grown).sum(axis=1) - 0.5 * self.count * np.log(q)
        return np.exp(value - logsumexp(value))

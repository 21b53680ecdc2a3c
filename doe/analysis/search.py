"""Searching for the terms that the data ask for, and saying what else fits as well.

References
----------
Peixoto, J. L. (1987). Hierarchical variable selection in polynomial regression models.
*The American Statistician* 41, 311–313.
Burnham, K. P. & Anderson, D. R. (2002). *Model Selection and Multimodel Inference*, 2nd ed.
Springer (differences of AICc, weights).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd

from doe import terms as model_terms
from doe import wording
from doe.analysis import gram
from doe.analysis.choosing import (
    LEAST_DF,
    ROUNDING,
    Candidates,
    Rule,
    check_start,
    criterion_value,
    scores,
    walk,
    wanted_terms,
)
from doe.analysis.gram import Reduced
from doe.analysis.model import Fit
from doe.errors import InputError
from doe.terms import Term, with_parents

__all__ = ["Search", "search"]

ALIKE = 2.0
"""Difference of the criterion below which two models are not told apart (Burnham & Anderson
2002, section 2.6)."""

NEGLIGIBLE = 12.0
"""Difference of the criterion beyond which a model is forgotten: its weight is below 0.3 %."""

MOST_ROWS, MOST_KEPT = 200, 5000

EXACT = 1e-24
"""Sum of squares, relative to the response's, that is nothing but rounding."""

NAMES = {"aicc": "AICc", "bic": "BIC", "r2_predicted": "predicted R²"}
KINDS = {"strong": "hierarchical model", "weak": "weakly hierarchical model", "none": "model"}


@dataclass(frozen=True, eq=False)
class Search:
    """Models compared, the best first.

    Attributes
    ----------
    start : Fit
        The fit whose runs were used.
    rule : Rule
        ``method, criterion, heredity``.
    candidates : Candidates
    data : Reduced
        Their columns and the response, as the models were compared by them.
    members, scores : ndarray
        The models not negligible beside the best one, best first: their candidates (K, T) and
        their criterion (K,).
    importance : ndarray, shape (T,)
        Weight of all compared models that have the candidate, exp(−delta/2) each.
    total_weight : float
        Sum of exp(−delta/2) over all compared models.
    compared, refused : int
        Models compared, and those left aside since the runs cannot estimate them.
    shown, stations : ndarray of bool, (·, T)
        The candidates of the models in `table` and on `path`.
    changes : tuple of str
        What each step of the path did.

    Notes
    -----
    `table`, `path` and `models` are made when they are asked for, each model from a decomposition
    of its own.
    """

    start: Fit
    rule: Rule
    candidates: Candidates
    data: Reduced
    members: np.ndarray
    scores: np.ndarray
    importance: np.ndarray
    total_weight: float
    compared: int
    refused: int
    shown: np.ndarray
    stations: np.ndarray
    changes: tuple[str, ...]

    @cached_property
    def _ranked(self) -> tuple[pd.DataFrame, tuple[tuple[Term, ...], ...]]:
        """Table and models, best first; the smaller of two that are equal leads."""
        table, value = _rows(self.start, self.candidates, self.rule, self.data, self.shown)
        table["delta"] = value - value.min()
        keys = zip(np.round(value, 6), table["coefficients"], (~self.shown).tolist(), strict=True)
        order = [i for _, i in sorted((key, i) for i, key in enumerate(keys))]
        return (table.iloc[order].reset_index(drop=True),
                tuple(self.candidates.chosen(self.shown[i]) for i in order))

    @property
    def table(self) -> pd.DataFrame:
        """The best models, at least all those with ``delta`` below 2 (200 at most).

        ``terms`` (formula), ``label, coefficients`` (their number), ``sigma, r2_adjusted,
        r2_predicted, aicc, bic, delta``: how much more the criterion is than the best model's;
        for predicted R² it is n log(PRESS), which reads alike.
        """
        return self._ranked[0]

    @property
    def models(self) -> tuple[tuple[Term, ...], ...]:
        """The models of `table`."""
        return self._ranked[1]

    @cached_property
    def path(self) -> pd.DataFrame:
        """As `table`, for each step of the search (``step, change``), or for an exhaustive one the
        best model of each size."""
        path, _ = _rows(self.start, self.candidates, self.rule, self.data, self.stations)
        path.insert(0, "step", np.arange(len(path)))
        path.insert(1, "change", list(self.changes))
        return path

    @property
    def best(self) -> tuple[Term, ...]:
        """The terms of the best model, intercept first."""
        return self.models[0]

    @cached_property
    def fit(self) -> Fit:
        """The best model, marked as chosen from the data."""
        return self.start.refit(self.best, selection=self.how)

    @property
    def how(self) -> str:
        """The search in a few words."""
        name = NAMES[self.rule.criterion]
        if self.rule.method == "exhaustive":
            kind = KINDS[self.rule.heredity]
            return f"best of {_count(self.compared, kind)} by {name}"
        return (f"{self.rule.method} search by {name} among "
                f"{wording.count(len(self.candidates.terms), 'candidate term')}")

    @property
    def rivals(self) -> tuple[tuple[Term, ...], ...]:
        """Other models that the data cannot tell from the best one."""
        return tuple(m for m, d in zip(self.models[1:], self.table["delta"][1:], strict=True)
                     if d < ALIKE)

    @property
    def sentence(self) -> str:
        """How many models were compared, which is best, and which others are as good."""
        name, kind = NAMES[self.rule.criterion], KINDS[self.rule.heredity]
        among = wording.count(len(self.candidates.terms), "candidate term")
        if self.rule.method == "exhaustive":
            text = (f"{_count(self.compared, kind)} of {among} "
                    f"{'was' if self.compared == 1 else 'were'} compared by {name}")
        else:
            text = (f"A {self.rule.method} search by {name} among {among} visited "
                    f"{_count(self.compared, kind)}")
        if self.refused:
            text += f"; {self.refused:,} more cannot be estimated from these runs"
        terms = [t for t in self.best if t.powers]
        text += f". Best: {self._names(terms) or 'the mean alone'}. " + self._doubt()
        if self.rule.method != "exhaustive":
            text += " Models off its path were not looked at, and may be better."
        few = self.candidates.n < 4 * len(self.candidates.terms)
        if self.rule.criterion != "aicc" and few:
            text += (f" With {self.candidates.n} runs for {among}, {name} takes up noise easily: "
                     "compare with AICc, and see what it picks from shuffled responses "
                     "(reality_check).")
        return text

    def _doubt(self) -> str:
        """The models that are as good, by what they share and where they differ."""
        rivals = self.rivals
        criterion = ("n log PRESS" if self.rule.criterion == "r2_predicted"
                     else NAMES[self.rule.criterion])
        if not rivals:
            return f"No other comes near it ({criterion} within {ALIKE:g})."
        alike = [self.best, *rivals]
        shared = [t for t in self.best if t.powers and all(t in m for m in alike)]
        every = dict.fromkeys(t for m in alike for t in m if t.powers)
        differ = [t for t in every if t not in shared]
        many = "More than " if len(alike) >= MOST_ROWS else ""
        text = f"{many}{_count(len(rivals), 'other model')} cannot be told apart from it"
        text += f" ({criterion} within {ALIKE:g}): "
        text += f"all have {self._names(shared)}" if shared else "they share no term"
        return text + f"; {self._names(differ)} {'is' if len(differ) == 1 else 'are'} open."

    def _names(self, terms: Sequence[Term]) -> str:
        return wording.join(t.label(self.start.region) for t in terms)


def search(fit: Fit, candidates: Sequence[Term] | str | None = None, *,
           method: str = "exhaustive", criterion: str = "aicc", heredity: str = "strong",
           keep: Sequence[Term] = (), show: int = 10) -> Search:
    """Compare models of the same runs.

    Parameters
    ----------
    fit : Fit
        Its runs, response and blocks are used; blocks are in every model.
    candidates : sequence of Term, formula or model name, optional
        Terms to choose from, with the parents that heredity asks for; they may be more than the
        runs can estimate together: models that cannot be estimated are left aside. By
        default the terms of `fit`, just as they are.
    method : {"exhaustive", "forward", "backward"}
        All admissible models; or from the mean up (a term together with its parents where no single
        one helps), or from all candidates down, step by step to the very end, the best model on
        the way being the choice.
    criterion : {"aicc", "bic", "r2_predicted"}
    heredity : {"strong", "weak", "none"}
        An interaction needs all its parents, one of them at least, or none; a square needs its
        main effect but for "none".
    keep : sequence of Term
        Terms that every model has.
    show : int
        Least number of models in the table.

    Returns
    -------
    Search

    Raises
    ------
    InputError
        If a name or formula cannot be used, there are too many models to compare them all,
        or too few runs for any.

    Examples
    --------
    >>> from itertools import product
    >>> from doe import Factor, Region, Response
    >>> from doe.analysis import fit
    >>> region = Region([Factor(n, -1, 1) for n in "abc"])
    >>> data = pd.DataFrame(list(product((-1, 1), repeat=3)) * 2, columns=list("abc"))
    >>> noise = np.resize([.1, -.2, .3, -.1, .2, -.3, 0], 16)
    >>> data["y"] = 5 + 2 * data.a - data.b + 1.5 * data.a * data.b + noise
    >>> found = search(fit(data, Response("y"), region))
    >>> [str(t) for t in found.best], found.compared
    (['1', 'a', 'b', 'a:b'], 18)
    """
    rule = Rule(method, criterion, heredity)
    wanted = wanted_terms(fit, candidates)
    if heredity != "none":
        keep = with_parents(keep)
        wanted = wanted if candidates is None else with_parents(wanted)
    pool = Candidates.of(fit, wanted, keep)
    if pool.n - pool.base.shape[1] <= LEAST_DF:
        raise InputError("fit", fit.response.name, f"{wording.count(pool.n, 'run')} are too few to "
                         "compare models: one with a single term would leave fewer than three "
                         "degrees of freedom for error", "Record more runs first")
    y = np.asarray(fit.shifted.model.endog)
    data = Reduced.of(pool.base, pool.columns, y)
    if not data.total[0] > EXACT * (y @ y):
        raise InputError("fit", fit.response.name, "there is no variation to explain",
                         "Check the measurements")
    if method == "exhaustive":
        return _exhaustive(fit, pool, rule, data, show)
    if method == "backward":
        check_start(pool)
    return _stepwise(fit, pool, rule, data)


def _exhaustive(fit: Fit, pool: Candidates, rule: Rule, data: Reduced, show: int) -> Search:
    limit = gram.GREATEST_COUNT
    if rule.criterion == "r2_predicted":
        limit = min(limit, 60_000_000 // data.n)  # residuals of every model are held at once
    sets = pool.sets(rule.heredity, limit)
    value, rest = (a[:, 0] for a in scores(rule, data, sets))
    usable = _usable(fit, value)
    weight = np.where(usable, np.exp(-(value - value.min()) / 2), 0.0)
    importance = np.array([weight[sets.bits & (1 << j) != 0].sum()
                           for j in range(len(sets.widths))])
    order = np.argsort(value, kind="stable")[:min(MOST_KEPT, int(usable.sum()))]
    alike = min(MOST_ROWS, int(np.sum(value < value.min() + ALIKE)))
    leads, sizes = _leads(sets.columns, np.where(usable, rest, np.inf))
    near = order[value[order] <= value[order[0]] + NEGLIGIBLE]
    return Search(fit, rule, pool, data, sets.members(near), value[near],
                  importance / weight.sum(), float(weight.sum()), int(usable.sum()),
                  int((~usable).sum()), sets.members(order[:max(show, alike)]),
                  sets.members(leads), tuple(f"best of {size:,}" for size in sizes))


def _leads(columns: np.ndarray, rest: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The best model of each size, the first of several, and how many there are of that size."""
    least = np.full(columns.max() + 1, np.inf)
    np.minimum.at(least, columns, rest)
    usable = np.isfinite(rest)
    best = np.flatnonzero(usable & (rest == least[columns]))
    sizes, first = np.unique(columns[best], return_index=True)
    return best[first], np.bincount(columns[usable])[sizes]


def _stepwise(fit: Fit, pool: Candidates, rule: Rule, data: Reduced) -> Search:
    steps = walk(pool, rule, data)
    visited = np.array([s.members[0] for s in steps])
    _, value = _rows(fit, pool, rule, data, visited)
    changes, sign = [""], "+ " if rule.method == "forward" else f"{wording.MINUS} "
    for now, before, after in zip(steps[1:], visited, visited[1:], strict=False):
        moved, others = int(now.moved[0]), np.flatnonzero(before != after)
        names = [pool.terms[j].label(fit.region) for j in (moved, *others[others != moved])]
        along = f" (with {wording.join(names[1:])})" if names[1:] else ""
        changes.append(sign + names[0] + along)
    usable = _usable(fit, value)
    order = np.argsort(value, kind="stable")[:usable.sum()]
    weight = np.exp(-(value[order] - value[order[0]]) / 2)
    return Search(fit, rule, pool, data, visited[order], value[order],
                  weight @ visited[order] / weight.sum(), float(weight.sum()), int(usable.sum()), 0,
                  visited[usable], visited, tuple(changes))


def _usable(fit: Fit, value: np.ndarray) -> np.ndarray:
    """Models that have a criterion; there must be one."""
    if not np.isfinite(value).any():
        raise InputError("fit", fit.response.name, "no model can do without any of the runs (a "
                         "block of a single run?) or leaves three degrees of freedom for error",
                         "Use criterion='aicc', or record more runs")
    return np.isfinite(value)


def _rows(fit: Fit, pool: Candidates, rule: Rule, data: Reduced, members: np.ndarray
          ) -> tuple[pd.DataFrame, np.ndarray]:
    """What each model is worth, each from a decomposition of its own, and its criterion."""
    y = np.asarray(fit.shifted.model.endog)
    n, about_mean = len(y), float(np.sum((y - y.mean()) ** 2))
    floor, rows, values = ROUNDING * data.total[0], [], []
    for member in members:
        matrix = pool.matrix(member)
        p = matrix.shape[1]
        q, _ = np.linalg.qr(matrix)
        e = y - q @ (q.T @ y)
        e -= q @ (q.T @ e)
        spare = 1 - np.sum(q**2, axis=1)
        rest = max(float(e @ e), floor)
        press = float(np.sum((e / spare) ** 2)) if spare.min() > gram.FULL else np.nan
        by = {c: float(criterion_value(c, rest, max(press, floor), n, p)) for c in NAMES}
        free = n - p
        rows.append({
            "terms": model_terms.formula(pool.chosen(member)).removeprefix("~ "),
            "label": wording.join([t.label(fit.region) for t in pool.chosen(member) if t.powers]
                                  or ["mean"]),
            "coefficients": p, "sigma": np.sqrt(rest / free) if free else np.nan,
            "r2_adjusted": 1 - rest / free * (n - 1) / about_mean if free else np.nan,
            "r2_predicted": 1 - press / about_mean, "aicc": by["aicc"], "bic": by["bic"],
        })
        values.append(by[rule.criterion] if free >= LEAST_DF else np.inf)
    table = pd.DataFrame(rows)
    table.attrs["units"] = {} if fit.log_scale else {"sigma": fit.response.unit}
    values = np.array(values)
    return table, np.where(np.isnan(values), np.inf, values)


def _count(number: int, noun: str) -> str:
    return f"{number:,} {noun}{'' if number == 1 else 's'}"

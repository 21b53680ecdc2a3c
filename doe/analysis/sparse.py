"""Few real effects among many candidates: plans with more effects than runs.

Both selectors make a path of term sets, from none to many; each set is then refitted by least
squares and the sets are compared by AICc or BIC, so that shrinkage serves to choose, not to
estimate.

References
----------
Tibshirani, R. (1996). Regression shrinkage and selection via the lasso. *Journal of the Royal
Statistical Society B* 58, 267–288.
Efron, B., Hastie, T., Johnstone, I. & Tibshirani, R. (2004). Least angle regression. *Annals of
Statistics* 32, 407–499 (the exact path).
Candès, E. & Tao, T. (2007). The Dantzig selector: statistical estimation when p is much larger
than n. *Annals of Statistics* 35, 2313–2351.
Phoa, F. K. H., Pan, Y.-H. & Xu, H. (2009). Analysis of supersaturated designs via the Dantzig
selector. *Journal of Statistical Planning and Inference* 139, 2362–2372.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy.optimize import linprog

from doe import wording
from doe.analysis.choosing import LEAST_DF, ROUNDING, Candidates, criterion_value, wanted_terms
from doe.analysis.gram import Reduced
from doe.analysis.model import Fit
from doe.errors import InputError, as_choice, as_number
from doe.terms import Term

__all__ = ["SparsePath", "dantzig", "dantzig_path", "lasso", "lasso_path"]

CRITERIA = ("aicc", "bic")
DEPENDENT = 1e-8
"""Own part of a column's squared length below which it says nothing new."""

GRID = 40
SMALL = 0.1
"""Share of the largest coefficient below which one counts as zero (Phoa, Pan & Xu 2009)."""

STRONG_CORRELATION = 0.5
"""Correlation above which two columns are called hard to tell apart (common practice, no
source)."""


@dataclass(frozen=True, eq=False)
class SparsePath:
    """A path of growing term sets, and the set chosen.

    Attributes
    ----------
    start : Fit
        The fit whose runs were used.
    method : {"lasso", "Dantzig selector"}
    criterion : {"aicc", "bic"}
    candidates : Candidates
    path : DataFrame
        ``step, penalty`` (for columns of unit length, in the response's unit), ``change, terms,
        label, coefficients`` (their number), ``aicc, bic`` of the set refitted by least squares.
    shrunken : DataFrame
        Coefficient of each candidate column (coded units) at each step.
    table : DataFrame
        The chosen terms: ``term, label, shrunken, coefficient, effect`` (the last two refitted).
    best : tuple of Term
        The chosen terms, intercept first.
    """

    start: Fit
    method: str
    criterion: str
    candidates: Candidates
    path: pd.DataFrame
    shrunken: pd.DataFrame
    table: pd.DataFrame
    best: tuple[Term, ...]

    @cached_property
    def fit(self) -> Fit:
        """The chosen terms refitted by least squares, marked as chosen from the data."""
        name = "AICc" if self.criterion == "aicc" else "BIC"
        how = (f"{self.method} and {name}, from "
               f"{wording.count(len(self.candidates.terms), 'candidate term')}")
        return self.start.refit(self.best, selection=how)

    @property
    def look_alikes(self) -> pd.DataFrame:
        """Candidates correlated with a chosen one: ``label, chosen, correlation``, strongest first.

        What was seen under the chosen name may belong to them.
        """
        pool = self.candidates
        data = Reduced.of(pool.base, pool.columns, np.zeros(pool.n))
        x = data.columns[..., 0]
        length = np.linalg.norm(x, axis=1)
        owner = np.repeat(np.arange(len(pool.terms)), pool.widths)
        r = (x @ x.T) / np.where(length > 0, np.outer(length, length), np.inf)
        rows = []
        for j, i in np.argwhere(np.abs(r) > STRONG_CORRELATION):
            one, other = pool.terms[owner[j]], pool.terms[owner[i]]
            if one in self.best and other not in self.best:
                rows.append((other.label(self.start.region), one.label(self.start.region),
                             float(r[j, i])))
        table = pd.DataFrame(rows, columns=["label", "chosen", "correlation"])
        return table.sort_values("correlation", key=np.abs, ascending=False, ignore_index=True)

    @property
    def sentence(self) -> str:
        """What was chosen from how many, and what else it may be."""
        pool, name = self.candidates, "AICc" if self.criterion == "aicc" else "BIC"
        chosen = [t.label(self.start.region) for t in self.best if t.powers]
        text = (f"{wording.capitalise(self.method)}: of "
                f"{wording.count(len(pool.terms), 'candidate term')} in "
                f"{wording.count(pool.n, 'run')}, {name} keeps "
                f"{wording.join(chosen) or 'none'}.")
        if pool.columns.shape[1] + pool.base.shape[1] > pool.n:
            text += (" There are more effects than runs: this is a list of suspects, to be "
                     "confirmed.")
        if self.criterion == "bic" and pool.n < 4 * len(pool.terms):
            text += f" {name} takes up noise easily with so few runs: compare with AICc."
        alike = self.look_alikes.drop_duplicates("label").head(3)
        if len(alike):
            pairs = [f"{r.label} (correlation {wording.fixed(r.correlation, 2)} with {r.chosen})"
                     for r in alike.itertuples()]
            text += f" Hard to tell from what is kept: {wording.join(pairs)}."
        return text


def lasso(fit: Fit, candidates: Sequence[Term] | str | None = None, *, criterion: str = "aicc",
          keep: Sequence[Term] = ()) -> SparsePath:
    """Choose terms along the lasso's path.

    Parameters
    ----------
    fit : Fit
        Its runs, response and blocks are used.
    candidates : sequence of Term, formula or model name, optional
        By default all main effects; they may outnumber the runs.
    criterion : {"aicc", "bic"}
        Compares the sets on the path, refitted.
    keep : sequence of Term
        Terms that are always there and not penalised.

    Raises
    ------
    InputError
        If a name cannot be used, or fewer than five runs are left for the choice.
    """
    pool, data = _prepare(fit, candidates, keep, criterion)
    penalties, coefficients = lasso_path(data.columns[..., 0], data.y[:, 0], _most(pool))
    sets = [b != 0 for b in coefficients]
    return _choose(fit, pool, data, "lasso", criterion, penalties, coefficients, sets)


def dantzig(fit: Fit, candidates: Sequence[Term] | str | None = None, *, criterion: str = "aicc",
            keep: Sequence[Term] = (), threshold: float = SMALL) -> SparsePath:
    """Choose terms along the path of the Dantzig selector.

    Parameters
    ----------
    fit, candidates, criterion, keep
        As in `lasso`.
    threshold : float
        Coefficients below this share of the largest count as zero.

    Raises
    ------
    InputError
        As `lasso`.
    """
    as_number("threshold", threshold, at_least=0, at_most=1)
    pool, data = _prepare(fit, candidates, keep, criterion)
    penalties, coefficients = dantzig_path(data.columns[..., 0], data.y[:, 0])
    top = np.abs(coefficients).max(axis=1, keepdims=True)
    sets = list((np.abs(coefficients) > threshold * top) & (top > 0))
    return _choose(fit, pool, data, "Dantzig selector", criterion, penalties, coefficients, sets)


def lasso_path(x: np.ndarray, y: np.ndarray, most: int | None = None
               ) -> tuple[np.ndarray, np.ndarray]:
    """The exact path of ``½‖y − x'b‖² + λ Σ|b|`` from the greatest λ down.

    Parameters
    ----------
    x : ndarray, shape (m, n)
        Columns as rows; the penalty falls on their coefficients as they are.
    y : ndarray, shape (n,)
    most : int, optional
        End the path before more coefficients than this are nonzero.

    Returns
    -------
    penalties : ndarray, shape (K,)
        λ where a coefficient leaves or reaches zero; coefficients are linear in between.
    coefficients : ndarray, shape (K, m)

    Notes
    -----
    A column that those in use make up exactly brings nothing and is passed over until one
    of them leaves.
    """
    m, n = x.shape
    most = min(m, n) if most is None else most
    b, c, gram = np.zeros(m), x @ y, x @ x.T
    size = level = float(np.abs(c).max(initial=0.0))
    tiny, active, barred, gone = 1e-12 * size, [], set(), None
    penalties, coefficients = [level], [b.copy()]
    for _ in range(10 * (m + n)):
        if level <= tiny:
            break
        # Take up every column that has reached the level and says something new.
        waiting = [j for j in np.flatnonzero(np.abs(c) >= level - 1e-9 * size)
                   if j not in active and j not in barred and j != gone]
        for j in waiting:
            if _own_share(gram, active, j) < DEPENDENT:
                barred.add(j)
            else:
                active.append(j)
        if len(active) > most:
            break
        direction = _direction(gram, active, b, c, barred)
        slope = gram[:, active] @ direction
        free = [j for j in range(m) if j not in active and j not in barred]
        step = level
        for sign in (1, -1):
            # What has just left is still at the level on its own side, but falls behind there.
            near = np.array([j for j in free if j != gone or sign != np.sign(c[j])], int)
            closing = 1 - sign * slope[near]
            near, closing = near[closing > 1e-12], closing[closing > 1e-12]
            gap = (level - sign * c[near]) / closing
            step = min(step, float(gap[gap > -tiny].min(initial=level)))
        gone = None
        for k, j in enumerate(active):
            if b[j] * direction[k] < 0 and -b[j] / direction[k] < step:
                step, gone = -b[j] / direction[k], j
        step = max(step, 0.0)
        b[active] += step * direction
        c -= step * slope
        level -= step
        if gone is not None:
            b[gone] = 0.0
            active.remove(gone)
        barred = {j for j in barred if _own_share(gram, active, j) < DEPENDENT}
        if step > tiny:
            penalties.append(max(level, 0.0))
            coefficients.append(b.copy())
    return np.array(penalties), np.array(coefficients)


def _direction(gram: np.ndarray, active: list[int], b: np.ndarray, c: np.ndarray,
               barred: set[int]) -> np.ndarray:
    """How the coefficients in use move as the level falls; newcomers that would move against
    their own correlation (ties only) are sent back."""
    while True:
        signs = np.where(b[active] != 0, np.sign(b[active]), np.sign(c[active]))
        direction = np.linalg.solve(gram[np.ix_(active, active)], signs)
        wrong = [j for k, j in enumerate(active) if b[j] == 0 and direction[k] * signs[k] < 0]
        if not wrong:
            return direction
        active.remove(wrong[0])
        barred.add(wrong[0])


def _own_share(gram: np.ndarray, active: list[int], j: int) -> float:
    """Part of a column's squared length that the columns in use do not explain."""
    if gram[j, j] <= 0:
        return 0.0
    if not active:
        return 1.0
    shared = gram[active, j]
    explained = shared @ np.linalg.solve(gram[np.ix_(active, active)], shared)
    return 1 - float(explained) / float(gram[j, j])


def dantzig_path(x: np.ndarray, y: np.ndarray, count: int = GRID
                 ) -> tuple[np.ndarray, np.ndarray]:
    """Least ``Σ|b|`` such that no column's product with the residual exceeds δ, for a grid of δ.

    Parameters
    ----------
    x : ndarray, shape (m, n)
        Columns as rows.
    y : ndarray, shape (n,)
    count : int
        Values of δ, evenly from the greatest that matters to zero.

    Returns
    -------
    penalties : ndarray, shape (count,)
    coefficients : ndarray, shape (count, m)
    """
    m, c, gram = len(x), x @ y, x @ x.T
    limits = np.linspace(np.abs(c).max(initial=0.0), 0.0, count)
    rows, out = np.block([[gram, -gram], [-gram, gram]]), np.zeros((count, m))
    for k, limit in enumerate(limits):
        found = linprog(np.ones(2 * m), A_ub=rows, b_ub=limit + np.concatenate([c, -c]),
                        bounds=(0, None), method="highs")
        if found.x is None:
            raise RuntimeError(f"linear programme not solved: {found.message}")
        out[k] = found.x[:m] - found.x[m:]
    return limits, out


def _prepare(fit: Fit, candidates: Sequence[Term] | str | None, keep: Sequence[Term],
             criterion: str) -> tuple[Candidates, Reduced]:
    """The candidates and their columns, freed of the common ones and of unit length."""
    as_choice("criterion", criterion, CRITERIA)
    pool = Candidates.of(fit, wanted_terms(fit, candidates, "linear"), keep)
    if _most(pool) < 1:
        raise InputError("fit", fit.response.name, f"{wording.count(pool.n, 'run')} are too few to "
                         "choose terms by", "Record more runs first")
    data = Reduced.of(pool.base, pool.columns, np.asarray(fit.shifted.model.endog))
    length = np.linalg.norm(data.columns, axis=1, keepdims=True)
    unit = np.where(length > np.sqrt(DEPENDENT), data.columns / np.maximum(length, 1e-300), 0.0)
    return pool, Reduced(unit, data.y, data.spare, data.base)


def _most(pool: Candidates) -> int:
    return pool.n - pool.base.shape[1] - LEAST_DF


def _choose(fit: Fit, pool: Candidates, data: Reduced, method: str, criterion: str,
            penalties: np.ndarray, coefficients: np.ndarray, sets: Sequence[np.ndarray]
            ) -> SparsePath:
    owner = np.repeat(np.arange(len(pool.terms)), pool.widths)
    y, rows, members, steps = data.y[:, 0], [], [], []
    floor, n = ROUNDING * float(data.total[0]), pool.n
    for k, nonzero in enumerate(sets):
        member = np.isin(np.arange(len(pool.terms)), owner[nonzero])
        if members and (member == members[-1]).all():
            continue
        columns = data.columns[np.isin(owner, np.flatnonzero(member)), :, 0].T
        b, _, rank, _ = np.linalg.lstsq(columns, y, rcond=1e-7)
        p = data.base + columns.shape[1]
        usable = rank == columns.shape[1] and n - p >= LEAST_DF
        rest = max(float(np.sum((y - columns @ b) ** 2)), floor)
        value = {c: float(criterion_value(c, rest, None, n, p)) if usable else np.nan
                 for c in CRITERIA}
        before = members[-1] if members else np.zeros_like(member)
        change = [f"{'+' if member[j] else wording.MINUS} {pool.terms[j].label(fit.region)}"
                  for j in np.flatnonzero(member != before)]
        rows.append({
            "step": len(rows), "penalty": penalties[k], "change": ", ".join(change),
            "terms": int(member.sum()),
            "label": wording.join([pool.terms[j].label(fit.region)
                                   for j in np.flatnonzero(member)] or ["mean"]),
            "coefficients": p, **value})
        members.append(member)
        steps.append(k)
    path, shrunken = pd.DataFrame(rows), _natural(pool, coefficients[steps])
    at = int(path[criterion].idxmin())
    best = pool.chosen(members[at])
    refit = fit.refit(best).table
    own = refit[refit["source"].isin([str(t) for t in pool.terms])]
    there = np.repeat(members[at], pool.widths)
    table = pd.DataFrame({
        "term": own["term"], "label": own["label"], "shrunken": shrunken.to_numpy()[at, there],
        "coefficient": own["coefficient"], "effect": own["effect"]}).reset_index(drop=True)
    table.attrs["units"] = {"effect": refit.attrs["units"]["effect"]}
    return SparsePath(fit, method, criterion, pool, path, shrunken, table, best)


def _natural(pool: Candidates, coefficients: np.ndarray) -> pd.DataFrame:
    """Coefficients of the columns in coded units, from those of columns of unit length."""
    reduced = Reduced.of(pool.base, pool.columns, np.zeros(pool.n)).columns[..., 0]
    length = np.linalg.norm(reduced, axis=1) * np.linalg.norm(pool.columns, axis=0)
    names = [str(t) if width == 1 else f"{t}, column {i + 1}"
             for t, width in zip(pool.terms, pool.widths, strict=True) for i in range(width)]
    return pd.DataFrame(coefficients / np.where(length > 0, length, np.inf), columns=names)

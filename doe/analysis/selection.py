"""Leaving out terms that the data do not need, hierarchy kept.

References
----------
Hurvich, C. M. & Tsai, C.-L. (1989). Regression and time series model selection in small
samples. *Biometrika* 76, 297–307 (AICc).
Peixoto, J. L. (1987). Hierarchical variable selection in polynomial regression models.
*The American Statistician* 41, 311–313.
"""

from __future__ import annotations

import math

from doe import wording
from doe.analysis.model import Fit
from doe.errors import InputError, as_choice
from doe.terms import INTERCEPT, Term, with_parents

__all__ = ["aicc", "backward"]

CRITERIA = ("p", "aicc")


def aicc(fit: Fit) -> float:
    """Akaike's criterion with the small-sample correction; the noise counts as a parameter.

    Infinite where too few runs are left for it.
    """
    return _aicc(fit.shifted.ssr, len(fit.data), len(fit.coefficients))


def _aicc(ss_residual: float, n: int, columns: int) -> float:
    k = columns + 1
    if n - k - 1 <= 0 or ss_residual <= 0:
        return math.inf
    return n * math.log(ss_residual / n) + 2 * k * n / (n - k - 1)


def backward(fit: Fit, *, criterion: str = "p", alpha: float = 0.05) -> Fit:
    """Leave out terms one by one while that costs nothing the data can show.

    Parameters
    ----------
    fit : Fit
    criterion : {"p", "aicc"}
        "p" leaves out the term with the greatest p-value while it exceeds `alpha`; "aicc" the
        term whose loss lowers AICc most, while any does.
    alpha : float

    Returns
    -------
    Fit
        Its `selection` says how it came about, and its summary that intervals are after
        selection. A saturated model has no p-values: the terms beyond Lenth's
        margin are kept, with their parents.

    Notes
    -----
    Only terms that are no parent of a kept one can go, so that the model stays
    hierarchical. Blocks always stay.

    Raises
    ------
    InputError
        If the model is saturated with too few effects to judge.
    """
    as_choice("criterion", criterion, CRITERIA)
    if not 0 < alpha < 1:
        raise InputError("alpha", alpha, "it must lie between 0 and 1", "Use 0.05")
    before = sum(1 for t in fit.terms if t.powers)
    if not fit.df_error:
        if fit.lenth is None:
            raise InputError("fit", fit.response.name, "the model is saturated and has too few "
                             "effects to judge one another", "Repeat some runs, or name the terms")
        kept = {INTERCEPT, *with_parents(fit.active)}
        how = f"effects beyond Lenth's margin and their parents, from {before} terms"
        return fit.refit([t for t in fit.terms if t in kept], selection=how)
    current, gone = fit, []
    while (worst := _worst(current, criterion, alpha)) is not None:
        gone.append(worst.label(fit.region))
        current = current.refit([t for t in current.terms if t != worst])
    if not gone:
        return fit
    rule = f"at p > {alpha:g}" if criterion == "p" else "by AICc"
    how = f"backward elimination {rule}, from {before} terms"
    return fit.refit(current.terms, selection=how,
                     remarks=(f"Left out, in this order: {wording.join(gone)}.",))


def _worst(fit: Fit, criterion: str, alpha: float) -> Term | None:
    """The term to leave out next, or None."""
    needed = {p for t in fit.terms for p in t.parents()}
    free = [t for t in fit.terms if t.powers and t not in needed]
    if not free:
        return None
    rows = fit.anova.table[fit.anova.table["term"] != ""].set_index("term")
    if criterion == "p":
        worst = max(free, key=lambda t: rows.loc[str(t), "p"])
        return worst if rows.loc[str(worst), "p"] > alpha else None
    n, p, ss = len(fit.data), len(fit.coefficients), fit.shifted.ssr
    costs = {t: _aicc(ss + rows.loc[str(t), "sum_of_squares"], n, p - int(rows.loc[str(t), "df"]))
             for t in free}
    best = min(costs, key=costs.get)
    return best if costs[best] <= _aicc(ss, n, p) else None

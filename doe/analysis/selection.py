"""Leaving out terms that the data do not need, hierarchy kept.

References
----------
Peixoto, J. L. (1987). Hierarchical variable selection in polynomial regression models.
*The American Statistician* 41, 311–313.
"""

from __future__ import annotations

import math

from doe import wording
from doe.analysis.choosing import CRITERIA as SEARCHED
from doe.analysis.choosing import criterion_value
from doe.analysis.model import Fit
from doe.analysis.search import NAMES, search
from doe.errors import InputError, as_choice
from doe.terms import INTERCEPT, Term, with_parents

__all__ = ["aicc", "backward", "bic"]

CRITERIA = ("p", *SEARCHED)


def aicc(fit: Fit) -> float:
    """Akaike's criterion with the small-sample correction (Hurvich & Tsai 1989); the noise counts
    as a parameter.

    Infinite where too few runs are left for it.
    """
    return _criterion("aicc", fit)


def bic(fit: Fit) -> float:
    """Schwarz's (1978) criterion; the noise counts as a parameter."""
    return _criterion("bic", fit)


def _criterion(name: str, fit: Fit) -> float:
    if not fit.df_error or fit.shifted.ssr <= 0:
        return math.inf
    return float(criterion_value(name, fit.shifted.ssr, None, len(fit.data),
                                 len(fit.coefficients)))


def backward(fit: Fit, *, criterion: str = "p", alpha: float = 0.05) -> Fit:
    """Leave out terms one by one while that costs nothing the data can show.

    Parameters
    ----------
    fit : Fit
    criterion : {"p", "aicc", "bic", "r2_predicted"}
        "p" leaves out the term with the greatest p-value while it exceeds `alpha`; the others give
        the best model on the way from all terms to none (`doe.analysis.search.search`).
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
    if criterion == "p":
        terms, gone = _by_p_value(fit, alpha)
        rule = f"at p > {alpha:g}"
    else:
        found = search(fit, method="backward", criterion=criterion)
        terms = [t for t in fit.terms if t in found.best]
        gone = [change.removeprefix(f"{wording.MINUS} ")
                for change in found.path["change"][1:len(fit.terms) - len(terms) + 1]]
        rule = f"by {NAMES[criterion]}"
    if not gone:
        return fit
    return fit.refit(terms, selection=f"backward elimination {rule}, from {before} terms",
                     remarks=(f"Left out, in this order: {wording.join(gone)}.",))


def _by_p_value(fit: Fit, alpha: float) -> tuple[tuple[Term, ...], list[str]]:
    """Terms kept, and labels of those left out, the first to go first."""
    current, gone = fit, []
    while True:
        needed = {p for t in current.terms for p in t.parents()}
        free = [t for t in current.terms if t.powers and t not in needed]
        p = current.anova.table.set_index("term")["p"]
        worst = max(free, key=lambda t: p[str(t)], default=None)
        if worst is None or not p[str(worst)] > alpha:
            return current.terms, gone
        gone.append(worst.label(fit.region))
        current = current.refit([t for t in current.terms if t != worst])

"""The same model of fewer runs, of other settings or with other terms, whatever the kind of fit;
and what the kinds have in common when their effects are spoken of.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe.analysis.groups import Grouping
from doe.analysis.kinds import (
    CensoredFit,
    CountFit,
    DispersionFit,
    KindFit,
    ProportionFit,
    dispersion_effects,
    fit_kind,
)
from doe.analysis.mixed import MixedFit, fit_mixed
from doe.analysis.model import Fit
from doe.analysis.readings import blocks_of, numbers
from doe.errors import InputError
from doe.terms import Term

__all__ = ["AnyFit", "blocks_column", "check_fit", "effect_unit", "effect_word", "group_texts",
           "multiplies", "on_effect_scale", "p_values", "qualifiers", "refit", "runs_of", "subject"]

AnyFit = Fit | MixedFit | KindFit


def check_fit(fit: object, field: str = "fit") -> None:
    """Refuse what is no fit of any kind."""
    if not isinstance(fit, AnyFit):
        raise InputError(field, type(fit).__name__, "this is no fit", "Give what fit, fit_mixed, "
                         "fit_kind or dispersion_effects returns")


def runs_of(fit: AnyFit) -> pd.DataFrame:
    """The rows that a fit rests on, one a run or measurement."""
    return fit.readings if isinstance(fit, DispersionFit) else fit.data


def blocks_column(fit: AnyFit) -> str | None:
    """The column of the blocks, if the fit has any."""
    if isinstance(fit, DispersionFit):
        return fit.within
    return None if fit.blocks is None else str(fit.blocks.name)


# -- how effects are spoken of ---------------------------------------------------------


def subject(fit: AnyFit) -> str:
    """What the fit is of: the response's label, or its spread."""
    name = fit.response.label
    return f"the spread of {name}" if isinstance(fit, DispersionFit) else name


def multiplies(fit: AnyFit) -> bool:
    """True if effects are ratios."""
    return fit.ratio if isinstance(fit, KindFit) else fit.log_scale


def effect_word(fit: AnyFit) -> str:
    """``"effect"``, ``"factor"``, ``"rate ratio"``, ``"odds ratio"`` and the like."""
    if not multiplies(fit):
        return "effect"
    name = fit.effect_name if isinstance(fit, KindFit) else "ratio"
    return "factor" if name == "ratio" else name


def effect_unit(fit: AnyFit) -> str:
    """The unit of the effects in `table`."""
    if isinstance(fit, KindFit):
        return fit.effect_unit
    return "ratio" if fit.log_scale else fit.response.unit


def on_effect_scale(fit: AnyFit, term: Term, coefficients: np.ndarray) -> np.ndarray:
    """Coefficients of a term's columns as effects; any shape."""
    power = fit.effect_power if isinstance(fit, KindFit) else 1.0
    size = fit.span(term) * power * np.asarray(coefficients, float)
    with np.errstate(over="ignore"):
        return np.exp(size) if multiplies(fit) else size


def p_values(fit: AnyFit) -> dict[str, float]:
    """p-value of each term's test, by its formula name."""
    table = fit.tests if isinstance(fit, KindFit) else fit.anova.table
    known = dict(zip(table["term"], table["p"], strict=True))
    return {str(t): float(known[str(t)]) for t in fit.terms if t.powers}


# -- fits made again -------------------------------------------------------------------


def refit(fit: AnyFit, *, data: pd.DataFrame | None = None, keep: np.ndarray | None = None,
          terms: Sequence[Term] | None = None) -> AnyFit:
    """Fit the same readings anew, as the fit was made the first time.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
    data : DataFrame, optional
        In place of `runs_of`, row by row, such as other settings for the same readings.
    keep : ndarray of bool, optional
        The rows to use; by default all.
    terms : sequence of Term, optional
        By default those of the fit.

    Returns
    -------
    Fit, MixedFit or KindFit
        As `fit`, `fit_mixed`, `fit_kind` or `dispersion_effects` would make it of these rows: with
        ``method="auto"`` the law of the readings is chosen anew, and censored readings of
        which none is left beyond a limit become a linear model.

    Raises
    ------
    InputError
        If these rows cannot be fitted.
    """
    rows = runs_of(fit) if data is None else data
    keep = np.ones(len(rows), bool) if keep is None else np.asarray(keep, bool)
    terms, rows = fit.terms if terms is None else terms, rows[keep]
    blocks = blocks_column(fit)
    if isinstance(fit, Fit):
        return Fit.of(rows, fit.observed[keep], fit.response, fit.region, terms,
                      blocks_of(rows, blocks), fit.remarks, fit.selection)
    if isinstance(fit, MixedFit):
        return fit_mixed(rows, fit.response, fit.region, terms, groups=group_texts(fit),
                         blocks=blocks, method=fit.method)
    if isinstance(fit, DispersionFit):
        return dispersion_effects(rows, fit.response, fit.region, terms, method=fit.method,
                                  blocks=blocks)
    options = {"blocks": blocks, "method": fit.method, "selection": fit.selection}
    if isinstance(fit, CountFit):
        options["exposure"] = fit.exposure[keep]
    elif isinstance(fit, ProportionFit) and fit.counted:
        options["trials"] = fit.trials[keep]
    elif isinstance(fit, CensoredFit):
        marks = qualifiers(fit)
        options["qualifiers"] = {new: marks[old] for new, old in enumerate(np.flatnonzero(keep))
                                 if old in marks}
        rows = rows.reset_index(drop=True)
    return fit_kind(rows, fit.response, fit.region, terms, **options)


def qualifiers(fit: CensoredFit) -> dict[int, object]:
    """The marks of readings beyond a limit or between two, by place; values at or below the
    detection limit have none."""
    values, out = numbers(fit.data, fit.response.name), {}
    for i, (value, low, high) in enumerate(zip(values, fit.low, fit.high, strict=True)):
        if np.isneginf(low):
            if high == value:
                out[i] = "<"
        elif np.isposinf(high):
            out[i] = ">"
        elif low < high:
            out[i] = (float(low), float(high))
    return out


def group_texts(fit: MixedFit) -> list[str]:
    """The groups as `fit_mixed` reads them, without the runs that it adds by itself."""
    known, out = [g.columns for g in fit.groups], []
    for g in fit.groups:
        if _added(fit, g):
            continue
        # A group is nested in the longest of the others that its columns begin with.
        outer = max((c for c in known if c == g.columns[:len(c)] and c != g.columns),
                    key=len, default=()) if g.nested else ()
        out.append("/".join(":".join(p) for p in (outer, g.columns[len(outer):]) if p))
    return out


def _added(fit: MixedFit, group: Grouping) -> bool:
    """True if `fit_mixed` adds this group, of runs measured more than once, without being told."""
    others = [g for g in fit.groups if g is not group]
    if group.columns != ("run",) or not others or any("run" in g.columns for g in others):
        return False
    keys = [name for name in ("run", "attempt") if name in fit.data]
    return len(Grouping.of(fit.data, keys).levels) == len(group.levels)

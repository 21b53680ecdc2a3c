"""A fit by maximum likelihood in plain words, with the sentences of linear fits where they fit."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from types import SimpleNamespace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis import matters, sentences

if TYPE_CHECKING:
    from doe.analysis.kinds.face import KindFit
    from doe.analysis.kinds.rows import Rows

__all__ = ["all_sentences", "ends_of", "headline", "running_away", "selected"]


class _AsLinear:
    """A fit as the sentences for linear fits see it: same questions, its own answers."""

    def __init__(self, fit: KindFit) -> None:
        self._fit = fit
        self.response = dataclasses.replace(fit.response, label=fit.what_changes())
        self.log_scale = fit.ratio
        self.df_error = fit.df_reference
        self.lenth = None
        self.anova = SimpleNamespace(table=fit.tests)

    def __getattr__(self, name: str):
        return getattr(self._fit, name)


def all_sentences(fit: KindFit) -> list[str]:
    """Everything worth saying, in reading order."""
    view = _AsLinear(fit)
    return [fit.summary() + selected(fit), *matters.matters(view), *fit.ends(),
            *matters.noise(view), *sentences.aliases(fit), *unfinished(fit), *fit.warnings(),
            *standing_out(fit), *fit.rows.remarks]


def standing_out(fit: KindFit) -> list[str]:
    """Runs that stand out or steer the fit, and drift in time."""
    table = fit.diagnostics
    return [*sentences.stand_apart(table, noun=fit.row), *sentences.lean(table, fit.row),
            *sentences.drift(fit.serial_correlation)]


def headline(fit: KindFit) -> str:
    """The summary, and which terms are beyond noise."""
    names = wording.join(t.label(fit.region) for t in fit.active)
    return fit.summary() + (f" Beyond noise: {names}." if names else " No term is beyond noise.")


def unfinished(fit: KindFit) -> list[str]:
    """That the search for the best estimate did not end, if it did not."""
    return [] if fit.estimate.converged else [
        "The search for the likeliest estimate did not come to an end: do not use these numbers. "
        "Leave terms out."]


def selected(fit: KindFit) -> str:
    """That the terms were chosen from the data, if they were."""
    if not fit.selection:
        return ""
    return (f" The terms were chosen from the data ({fit.selection}), so intervals and p-values "
            "are after selection and look better than they are.")


def ends_of(fit: KindFit, what: str, shown: Callable[[float], str]) -> list[str]:
    """One sentence with the predicted values at both ends of each factor beyond noise.

    Parameters
    ----------
    fit : KindFit
    what : str
        What is predicted, as the sentence's subject.
    shown : callable
        A value of the linear predictor in words.
    """
    parts = []
    for term in fit.active:
        if term.order != 1:
            continue
        factor = fit.region[term.names[0]]
        ends = [factor.low, factor.high] if factor.is_numeric else list(factor.levels)
        frame = pd.DataFrame([{f.name: f.centre if f.is_numeric else f.levels[0]
                               for f in fit.region.factors}] * len(ends))
        frame[factor.name] = ends
        free = [f for f in fit.region.factors if not f.is_numeric and f is not factor]
        centre = fit.average_rows(frame, free) @ fit.coefficients
        at = [f"{shown(v)} at {_number(e)} {factor.unit}".rstrip() if factor.is_numeric
              else f"{shown(v)} with {e}" for v, e in zip(centre, ends, strict=True)]
        parts.append(f"{factor.label}: {wording.join(at)}")
    if not parts:
        return []
    return [f"{what}, the other factors being at mid-range: {'; '.join(parts)}."]


def _number(value: float) -> str:
    return f"{value:.6g}".replace("-", wording.MINUS)


def running_away(rows: Rows, signs: np.ndarray) -> str:
    """The terms whose coefficients have no finite maximum-likelihood estimate.

    Parameters
    ----------
    rows : Rows
    signs : ndarray, shape (p,)
        As in `doe.analysis.kinds.separation.Separation`, for the model's columns.
    """
    names = np.array(["blocks" if t is None else t.label(rows.region)
                      for t in rows.columns.owner[1:]], object)
    bound = list(dict.fromkeys(names[np.abs(signs[1:]) == 1]))
    loose = list(dict.fromkeys(names[np.isnan(signs[1:])]))
    if bound or len(loose) < 3:
        return wording.join(bound or loose) or "the mean"
    return "the terms together"

"""Terms that a fit leaves open: aliased, within noise or left out, with the largest effect they
could still have."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy import stats

from doe import wording
from doe.analysis.estimable import estimable, largest_model
from doe.analysis.kinds import KindFit
from doe.analysis.model import Fit
from doe.analysis.refitting import (
    AnyFit,
    effect_word,
    multiplies,
    on_effect_scale,
    p_values,
    refit,
)
from doe.errors import InputError
from doe.terms import Term, with_parents

__all__ = ["Question", "square_p", "term_questions"]

FEW = 6
"""Up to so many terms or runs are named."""


class Question(NamedTuple):
    """One thing left open: see `doe.analysis.unlearned.Unlearned`."""

    kind: str
    subject: str
    finding: str
    size: float = np.nan
    limit: str = ""


def term_questions(fit: AnyFit, meant: Sequence[Term], noise: float | None
                   ) -> tuple[list[Question], set[str]]:
    """What is open about terms, and the labels of all terms that are estimated or spoken of.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
    meant : sequence of Term
        Those the plan was made for.
    noise : float or None
        Assumed standard deviation on the model's scale, which bounds the effects of a saturated
        model by least squares.
    """
    wanted, refused, _ = largest_model(fit.region, fit.data, fit.blocks)
    aliased, dropped = _aliased(fit, wanted, refused), []
    names = set(fit.region.names)
    for term in dict.fromkeys([*(t for t in meant if names.issuperset(t.names)), *wanted]):
        label = term.label(fit.region)
        if not term.powers or term in fit.terms or label in aliased:
            continue
        terms = with_parents([*fit.terms, term])
        columns, partners = estimable(fit.region, fit.data, terms, fit.blocks)
        if term in columns.terms:
            dropped.append((label, _added_back(fit, term, terms, noise)))
        else:
            aliased[label] = partners.set_index("term").loc[str(term), "aliased_with"]
    known = {t.label(fit.region) for t in fit.terms} | {name for name, _ in dropped} | set(aliased)
    rows = [Question("aliased", label, _alias(partner)) for label, partner in aliased.items()]
    rows += _rest(fit, known)
    quiet = [_within_noise(fit, t, noise) for t in fit.terms
             if t.powers and t not in fit.active]
    rows += sorted([*quiet, *(row for _, row in dropped)],
                   key=lambda row: (row.kind != "within noise", -np.nan_to_num(row.size)))
    return rows + _unbounded(fit), known


def _aliased(fit: AnyFit, wanted: Sequence[Term], refused: Sequence[Term]) -> dict[str, str]:
    """Labels of terms that cannot be told from others, with these."""
    out = dict(zip(fit.aliased["label"], fit.aliased["aliased_with"], strict=True))
    if refused:
        _, whole = estimable(fit.region, fit.data, wanted, fit.blocks, refused)
        inside = {t.label(fit.region) for t in fit.terms}
        out |= {label: partner for label, partner in zip(whole["label"], whole["aliased_with"],
                                                         strict=True)
                if label not in out and label not in inside}
    return out


def _alias(partner: str) -> str:
    if partner.startswith("nothing: "):
        return partner.removeprefix("nothing: ").capitalize() + "."
    if partner.startswith("nearly "):
        return f"Can hardly be told from {partner.removeprefix('nearly ')}."
    return f"Cannot be told from {partner}."


def _within_noise(fit: AnyFit, term: Term, noise: float | None) -> Question:
    size, limit, text = _bound(fit, term, noise)
    return Question("within noise", term.label(fit.region), wording.capitalise(text), size, limit)


def _added_back(fit: AnyFit, term: Term, terms: Sequence[Term], noise: float | None) -> Question:
    """What is open about a term that is not in the model, from the fit that has it."""
    try:
        again = refit(fit, terms=terms)
        active = term in again.active
    except InputError as error:
        return Question("within noise", term.label(fit.region), "Not in the model; its effect "
                        f"cannot be judged, for with it {error.problem}.")
    size, limit, text = _bound(again, term, noise)
    kind, start = "within noise", "Not in the model; added to it, "
    if active:
        kind, start = "left out", "Not in the model, though beyond noise when added to it: "
    return Question(kind, term.label(fit.region), start + text, size, limit)


def _ends(fit: AnyFit, term: Term) -> np.ndarray:
    """95 % limits of the coefficients of a term's columns, by profile likelihood where the fit has
    it; (q, 2)."""
    if isinstance(fit, KindFit):
        unit = np.eye(len(fit.coefficients))
        return np.array([fit.limits(unit[j]) for j in fit.columns.places(term)])
    return fit.table.loc[fit.table["source"] == str(term), ["low", "high"]].to_numpy(float)


def _bound(fit: AnyFit, term: Term, noise: float | None) -> tuple[float, str, str]:
    """The largest effect of a term that its 95 % interval leaves possible: its size, how it is
    written, and the sentence."""
    ends, by = _ends(fit, term), "95 % interval"
    if isinstance(fit, Fit) and not fit.df_error:
        if noise is None:
            return np.nan, "", ("its effect cannot be judged, since no degrees of freedom are left "
                                "for error.")
        places, by = fit.columns.places(term), "95 % interval if noise is as assumed"
        half = stats.norm.ppf(0.975) * noise * np.sqrt(np.diag(fit.covariance)[places])
        ends = fit.coefficients[places, None] + np.outer(half, (-1, 1))
    if np.isnan(ends).any():
        return np.nan, "", ("its effect cannot be judged, since too few groups stand behind its "
                            "test.")
    ratio, effects = multiplies(fit), on_effect_scale(fit, term, ends)
    distance = np.log(effects) if ratio else effects
    reach = np.abs(distance).max(axis=1)
    worst = int(np.argmax(reach))
    what = "its effect" if len(ends) == 1 else "the largest of its effects"
    low, high = effects[worst]
    if not np.isfinite(reach[worst]):
        return np.inf, "of any size", (f"{what} could still be of any size ({by} "
                                       f"{wording.digits(low)} to {wording.digits(high)}).")
    furthest = low if abs(distance[worst, 0]) > abs(distance[worst, 1]) else high
    size = float(np.exp(reach[worst]) if ratio else reach[worst])
    limit = said = wording.quantity(furthest, fit.response.unit)
    if ratio:
        name = effect_word(fit)
        article = "an" if name[0] in "aeiou" else "a"
        limit, said = (f"{sign} {wording.digits(furthest)}" for sign in ("×", f"{article} {name} "
                                                                         "of"))
    return size, limit, f"{what} could still be {said} ({by} {wording.interval(low, high)})."


def _unbounded(fit: AnyFit) -> list[Question]:
    """Effects beyond noise to which the readings set no upper limit, since settings foretell them
    without exception."""
    rows = []
    for term in fit.active if getattr(fit, "separation", None) is not None else ():
        effects = on_effect_scale(fit, term, _ends(fit, term))
        distance = np.log(effects) if multiplies(fit) else effects
        open_ = ~np.isfinite(distance)
        if not open_.any():
            continue
        known = effects[~open_ & open_[:, ::-1]]
        unit = "" if multiplies(fit) else fit.response.unit
        beyond = (f" beyond {wording.quantity(known[0], unit)} (95 %)" if len(known) == 1 else "")
        rows.append(Question("unbounded", term.label(fit.region), f"Its {effect_word(fit)} could "
                             f"be of any size{beyond}: these runs set no limit to it.", np.inf))
    return rows


def square_p(fit: AnyFit, name: str) -> float:
    """p-value of the square of one factor, added to the model; missing if it cannot be had."""
    square = Term(name, name)
    terms = with_parents([*fit.terms, square])
    if square not in estimable(fit.region, fit.data, terms, fit.blocks)[0].terms:
        return np.nan
    try:
        return p_values(refit(fit, terms=terms))[str(square)]
    except InputError:
        return np.nan


def _rest(fit: AnyFit, known: set[str]) -> list[Question]:
    """Two-factor interactions about which nothing was said."""
    labels = [label for pair in combinations(fit.region.names, 2)
              if (label := Term(*pair).label(fit.region)) not in known]
    if not labels:
        return []
    name = wording.join(labels) if len(labels) <= FEW else f"{len(labels)} two-factor interactions"
    return [Question("aliased", name, "Cannot be told from other effects well enough; may hide in "
                     "them.")]

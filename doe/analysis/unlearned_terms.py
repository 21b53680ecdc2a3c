"""Terms that a fit leaves open: aliased, within noise or left out, with the largest effect they
could still have."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations
from typing import NamedTuple

import numpy as np
from scipy import stats

from doe import wording
from doe.analysis.estimable import largest_model
from doe.analysis.model import Fit
from doe.terms import Term, with_parents

__all__ = ["Question", "term_questions"]

FEW = 6
"""Up to so many terms or runs are named."""


class Question(NamedTuple):
    """One thing left open: see `doe.analysis.unlearned.Unlearned`."""

    kind: str
    subject: str
    finding: str
    size: float = np.nan
    limit: str = ""


def term_questions(fit: Fit, meant: Sequence[Term], noise: float | None
                   ) -> tuple[list[Question], set[str]]:
    """What is open about terms, and the labels of all terms that are estimated or spoken of.

    Parameters
    ----------
    fit : Fit
    meant : sequence of Term
        Those the plan was made for.
    noise : float or None
        Assumed standard deviation on the model's scale, which bounds the effects of a saturated
        model.
    """
    wanted, refused, _ = largest_model(fit.region, fit.data, fit.blocks)
    aliased, dropped = _aliased(fit, wanted, refused), []
    names = set(fit.region.names)
    for term in dict.fromkeys([*(t for t in meant if names.issuperset(t.names)), *wanted]):
        label = term.label(fit.region)
        if not term.powers or term in fit.terms or label in aliased:
            continue
        again = fit.refit(with_parents([*fit.terms, term]))
        if term in again.terms:
            dropped.append((label, _added_back(again, term, noise)))
        else:
            aliased[label] = again.aliased.set_index("term").loc[str(term), "aliased_with"]
    known = {t.label(fit.region) for t in fit.terms} | {name for name, _ in dropped} | set(aliased)
    rows = [Question("aliased", label, _alias(partner)) for label, partner in aliased.items()]
    rows += _rest(fit, known)
    quiet = [_within_noise(fit, t, noise) for t in fit.terms
             if t.powers and t not in fit.active]
    rows += sorted([*quiet, *(row for _, row in dropped)],
                   key=lambda row: (row.kind != "within noise", -np.nan_to_num(row.size)))
    return rows, known


def _aliased(fit: Fit, wanted: Sequence[Term], refused: Sequence[Term]) -> dict[str, str]:
    """Labels of terms that cannot be told from others, with these."""
    out = dict(zip(fit.aliased["label"], fit.aliased["aliased_with"], strict=True))
    if refused:
        whole = Fit.of(fit.data, fit.observed, fit.response, fit.region, wanted, fit.blocks,
                       refused=refused).aliased
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


def _within_noise(fit: Fit, term: Term, noise: float | None) -> Question:
    size, limit, text = _bound(fit, term, noise)
    return Question("within noise", term.label(fit.region), wording.capitalise(text), size, limit)


def _added_back(fit: Fit, term: Term, noise: float | None) -> Question:
    """What is open about a term that is not in the model, from the fit that has it."""
    size, limit, text = _bound(fit, term, noise)
    kind, start = "within noise", "Not in the model; added to it, "
    if term in fit.active:
        kind, start = "left out", "Not in the model, though beyond noise when added to it: "
    return Question(kind, term.label(fit.region), start + text, size, limit)


def _bound(fit: Fit, term: Term, noise: float | None) -> tuple[float, str, str]:
    """The largest effect of a term that its 95 % interval leaves possible: its size, how it is
    written, and the sentence."""
    rows = fit.table[fit.table["source"] == str(term)]
    ends, by = rows[["effect_low", "effect_high"]].to_numpy(float), "95 % interval"
    if not fit.df_error:
        if noise is None:
            return np.nan, "", ("its effect cannot be judged, since no degrees of freedom are left "
                                "for error.")
        places, by = fit.columns.places(term), "95 % interval if noise is as assumed"
        middle = rows["effect"].to_numpy(float)
        middle = np.log(middle) if fit.log_scale else middle
        half = fit.span(term) * stats.norm.ppf(0.975) * noise * np.sqrt(
            np.diag(fit.covariance)[places])
        ends = np.column_stack([middle - half, middle + half])
        ends = np.exp(ends) if fit.log_scale else ends
    distance = np.log(ends) if fit.log_scale else ends
    reach = np.abs(distance).max(axis=1)
    worst = int(np.argmax(reach))
    what = "its effect" if len(rows) == 1 else "the largest of its effects"
    low, high = ends[worst]
    furthest = low if abs(distance[worst, 0]) > abs(distance[worst, 1]) else high
    size = float(np.exp(reach[worst]) if fit.log_scale else reach[worst])
    limit = said = wording.quantity(furthest, fit.response.unit)
    if fit.log_scale:
        limit, said = (f"{sign} {wording.digits(furthest)}" for sign in ("×", "a factor of"))
    return size, limit, f"{what} could still be {said} ({by} {wording.interval(low, high)})."


def _rest(fit: Fit, known: set[str]) -> list[Question]:
    """Two-factor interactions about which nothing was said."""
    labels = [label for pair in combinations(fit.region.names, 2)
              if (label := Term(*pair).label(fit.region)) not in known]
    if not labels:
        return []
    name = wording.join(labels) if len(labels) <= FEW else f"{len(labels)} two-factor interactions"
    return [Question("aliased", name, "Cannot be told from other effects well enough; may hide in "
                     "them.")]

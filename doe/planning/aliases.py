"""Which effects a plan cannot tell apart.

For regular two-level plans the aliases follow from the defining words (Box & Hunter 1961). For
all others, snapped and constrained ones among them, the alias matrix says how far each
coefficient of the model is shifted by effects that were left out (Box & Wilson 1951).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations, combinations_with_replacement

import numpy as np
import pandas as pd

from doe.factors import Region
from doe.planning.plan import Plan
from doe.planning.regular import members, roman, span
from doe.planning.settle import block_columns
from doe.terms import INTERCEPT, Term, exponents, model_matrix
from doe.wording import capitalise, count, digits, join

__all__ = ["AliasStructure", "alias_matrix", "alias_structure"]

_SHOWN = 0.05
_LISTED = 6


@dataclass(frozen=True, eq=False)
class AliasStructure:
    """What is aliased with what.

    Parameters
    ----------
    table : DataFrame
        ``term``, ``label``, ``aliased_with`` (in words), ``coefficient`` (the greatest absolute
        shift of this term by one unit of another; 1 for full aliases, 0 for none) and
        ``with_blocks`` (confounded with blocks).
    sentences : tuple of str
    regular : bool
        True if the table follows from defining words.
    """

    table: pd.DataFrame
    sentences: tuple[str, ...]
    regular: bool

    @property
    def sentence(self) -> str:
        """The first of the sentences: what kind of structure it is."""
        return self.sentences[0]


def alias_structure(plan: Plan, terms: Sequence[Term] | None = None,
                    order: int = 2) -> AliasStructure:
    """Aliases among effects of up to `order` factors.

    Parameters
    ----------
    plan : Plan
    terms : sequence of Term, optional
        The model; the plan's own if not given. Regular plans do not need it.
    order : int
        Highest order of effects looked at.
    """
    terms = plan.terms if terms is None else tuple(terms)
    if "defining_words" not in plan.details:
        return _by_matrix(plan, terms, order, [])
    if _still_regular(plan):
        return _by_words(plan, order)
    said = [_resolution_sentence(plan, *_words(plan)), "That holds for the ideal plan. The "
            "settings differ from it, so what follows is computed from the runs themselves.",
            *_left_out(plan, terms, order)]
    return _by_matrix(plan, terms, order, said)


# ---- regular plans ---------------------------------------------------------------------

def _mask(names: Sequence[str], region: Region) -> int:
    return sum(1 << region.names.index(n) for n in names)


def _words(plan: Plan) -> tuple[np.ndarray, np.ndarray]:
    words = [(0, 1)] + [(_mask(w["factors"], plan.region), w["sign"])
                        for w in plan.details["defining_words"]]
    return np.array([w for w, _ in words]), np.array([s for _, s in words])


def _still_regular(plan: Plan) -> bool:
    runs = plan.runs[plan.runs["point"] != "centre"]
    coded = plan.region.encode(runs)
    if coded.shape[1] != len(plan.region) or not np.allclose(np.abs(coded), 1, atol=1e-9):
        return False
    if (plan.runs["point"] == "added").any():
        return False
    masks, signs = _words(plan)
    return all(np.allclose(np.prod(coded[:, members(int(w))], axis=1), s)
               for w, s in zip(masks, signs, strict=True))


def _by_words(plan: Plan, order: int) -> AliasStructure:
    region, k = plan.region, len(plan.region)
    words, signs = _words(plan)
    effects = [sum(1 << j for j in c) for size in range(1, order + 1)
               for c in combinations(range(k), size)]
    cosets = np.array(effects)[:, None] ^ words
    home = cosets.min(axis=1)
    sign = dict(zip(words.tolist(), signs.tolist(), strict=True))
    groups: dict[int, list[int]] = {}
    for effect, key in zip(effects, home.tolist(), strict=True):
        groups.setdefault(key, []).append(effect)
    blocked = {int((b ^ words).min()) for b in
               span([_mask(g, region) for g in plan.details.get("block_generators", [])])}
    term = lambda e: Term(*(region.names[j] for j in members(e)))  # noqa: E731
    rows, spoken = [], []
    for key, group in groups.items():
        first, *rest = group
        others = [("−" if sign[first ^ e] < 0 else "") + term(e).label(region) for e in rest]
        rows.append({"term": str(term(first)), "label": term(first).label(region),
                     "aliased_with": " + ".join(others).replace("+ −", "− "),
                     "coefficient": 1.0 if others or key in blocked else 0.0,
                     "with_blocks": key in blocked})
        if others and first != 0:
            spoken.append(f"{capitalise(rows[-1]['label'])} is aliased with "
                          f"{join(o.replace('−', 'minus ') for o in others)}.")
    sentences = [_resolution_sentence(plan, words, signs)]
    sentences += spoken
    if plan.details.get("resolution") and not spoken:
        sentences.append(f"No effects of up to {order} factors are aliased with each other.")
    lost = [r["label"] for r in rows if r["with_blocks"]]
    if blocked:
        sentences.append(
            (f"Confounded with blocks: {join(lost)}." if lost else
             f"No effect of up to {order} factors is confounded with blocks.")
            + " A difference between blocks cannot be told from these effects." * bool(lost))
    if (plan.runs["point"] == "centre").any():
        sentences.append("The squares are aliased with one another: the centre points tell whether "
                         "there is curvature, not of which factor.")
    return AliasStructure(pd.DataFrame(rows), tuple(sentences), True)


def _resolution_sentence(plan: Plan, words: np.ndarray, signs: np.ndarray) -> str:
    resolution = plan.details["resolution"]
    if resolution is None:
        return "Full factorial: no effect is aliased with another."
    meaning = {
        3: "main effects are aliased with two-factor interactions",
        4: "main effects are clear of two-factor interactions, but some of these are aliased "
           "with each other",
    }.get(resolution, "main effects and two-factor interactions are clear of each other")
    listed = []
    for word, sign in list(zip(words.tolist(), signs.tolist(), strict=True))[1:8]:
        listed.append(("−" if sign < 0 else "") + Term(*(plan.region.names[j] for j in
                                                         members(word))).label(plan.region))
    more = len(words) - 1 - len(listed)
    return (f"Resolution {roman(resolution)}: {meaning}. Defining relation: I = "
            + " = ".join(listed) + (f" = {count(more, 'further word')}" if more else "") + ".")


# ---- all other plans -------------------------------------------------------------------

def _left_out(plan: Plan, terms: Sequence[Term], order: int) -> list[str]:
    """Aliases of the ideal plan among effects of which none is in the model."""
    table = _by_words(plan, order).table
    inside = {t.label(plan.region) for t in terms}
    pairs = [f"{row.label} with {row.aliased_with}" for row in table.itertuples()
             if row.aliased_with and row.label not in inside]
    return ["Left out of the model, and all but aliased with each other: " + "; ".join(pairs)
            + "."] if pairs else []


def omitted_terms(plan: Plan, terms: Sequence[Term], order: int) -> list[Term]:
    """Terms of up to `order` that the model leaves out and the runs could show.

    A power p of a factor is looked at if it is run at more than p settings; settings closer
    than a tenth of the half-range count as one.
    """
    region, present = plan.region, set(terms)
    reach = {}
    for f in region.factors:
        gaps = np.diff(np.sort(f.code(plan.runs[f.name]))) if f.is_numeric else np.ones(1)
        reach[f.name] = min(order, int((gaps > 0.1).sum()))
    out = []
    for size in range(1, order + 1):
        for names in combinations_with_replacement(region.names, size):
            candidate = Term(*names)
            if candidate not in present and all(p <= reach[n] for n, p in candidate.powers):
                out.append(candidate)
    return out


def alias_matrix(plan: Plan, terms: Sequence[Term] | None = None,
                 omitted: Sequence[Term] | None = None, order: int = 2) -> pd.DataFrame:
    """How far the model's coefficients are shifted by terms left out: (X₁'X₁)⁻¹ X₁'X₂.

    Block effects are part of the model. Where the runs cannot separate the model's own terms
    the pseudo-inverse stands for the inverse.

    Returns
    -------
    DataFrame
        One row a model column, one column an omitted column, named as in
        `doe.terms.exponents`; coded units.

    References
    ----------
    Box, G. E. P. & Wilson, K. B. (1951). *Journal of the Royal Statistical Society B* 13, 1–45.
    """
    terms = plan.terms if terms is None else tuple(terms)
    omitted = omitted_terms(plan, terms, order) if omitted is None else list(omitted)
    X1 = model_matrix(plan.region, plan.settings, terms)
    X2 = model_matrix(plan.region, plan.settings, omitted)
    full = np.hstack([X1.to_numpy(), block_columns(plan.runs["block"])])
    shift = np.linalg.pinv(full, rcond=1e-10) @ X2.to_numpy()
    return pd.DataFrame(np.where(np.abs(shift) < 1e-12, 0.0, shift)[:X1.shape[1]],
                        index=X1.columns, columns=X2.columns)


def column_labels(region: Region, terms: Sequence[Term]) -> dict[str, str]:
    """How people read each model column; a categorical factor's level in brackets."""
    out = {}
    for t in terms:
        _, names = exponents(region, [t])
        for name in names:
            label = t.label(region)
            levels = [part[part.index("[") + 1:-1] for part in name.split(":") if "[" in part]
            several = any(not region[n].is_numeric and len(region[n].levels) > 2 for n in t.names)
            out[name] = f"{label} [{', '.join(levels)}]" if levels and several else label
    return out


def _by_matrix(plan: Plan, terms: Sequence[Term], order: int,
               said: list[str]) -> AliasStructure:
    omitted = omitted_terms(plan, terms, order)
    shift = alias_matrix(plan, terms, omitted)
    labels, others = column_labels(plan.region, terms), column_labels(plan.region, omitted)
    rows, spoken = [], []
    for name, row in shift.iterrows():
        size = row.abs().sort_values(ascending=False, kind="stable")
        found = [n for n in size.index if size[n] >= _SHOWN]
        texts = [f"{digits(abs(row[n]), 2)} × ({others[n]})" for n in found]
        signed = [("− " if row[n] < 0 else "+ ") + text for n, text in
                  zip(found, texts, strict=True)]
        listed = " ".join(signed[:_LISTED]).removeprefix("+ ")
        if len(signed) > _LISTED:
            listed += f" and {len(signed) - _LISTED} more"
        greatest = float(size.iloc[0]) if len(size) else 0.0
        rows.append({"term": name, "label": labels[name], "aliased_with": listed,
                     "coefficient": greatest, "with_blocks": False})
        if listed and name != str(INTERCEPT):
            spoken.append(f"{capitalise(labels[name])} is shifted by {listed}.")
    if not len(shift.columns):
        said = [*said, f"The model has every term of order up to {order} that the runs could show: "
                "there is nothing left for its terms to be aliased with."]
    elif not spoken:
        said = [*said, f"No term of the model but the mean is shifted by more than {_SHOWN:g} of "
                f"an effect of order up to {order} that it leaves out."]
    else:
        said = [*said, "Terms of the model are shifted by effects left out of it, in coded units, "
                "as follows."]
    return AliasStructure(pd.DataFrame(rows), (*said, *spoken), False)

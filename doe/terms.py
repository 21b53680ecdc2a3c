"""Model terms: written as formulas, kept as data, expanded into columns in one place.

Formulas follow Wilkinson & Rogers (1973) as statsmodels reads them; they are parsed
into terms and never evaluated.

References
----------
Wilkinson, G. N. & Rogers, C. E. (1973). Symbolic description of factorial models for
analysis of variance. *Applied Statistics* 22, 392–399.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import combinations, product

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice
from doe.factors import Region

__all__ = [
    "INTERCEPT",
    "Term",
    "expand",
    "exponents",
    "formula",
    "is_hierarchical",
    "model_matrix",
    "parse",
    "read_terms",
    "standard_terms",
    "with_parents",
]

MODELS = ("mean", "linear", "interactions", "quadratic")
_SUPERSCRIPTS = str.maketrans("0123456789", "⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True, order=True)
class Term:
    """A product of factors: ``Term("a")``, ``Term("a", "b")``, ``Term("a", "a")``; none: 1.

    Equality ignores the order in which the factors were given.

    >>> str(Term("time", "revolution")), str(Term("time", "time"))
    ('revolution:time', 'I(time ** 2)')
    """

    powers: tuple[tuple[str, int], ...]

    def __init__(self, *names: str) -> None:
        object.__setattr__(self, "powers",
                           tuple((n, names.count(n)) for n in sorted(set(names))))

    @property
    def names(self) -> tuple[str, ...]:
        """The factors in it, each once."""
        return tuple(name for name, _ in self.powers)

    @property
    def order(self) -> int:
        """Sum of the powers: 0 for the intercept, 1 for a main effect, and so on."""
        return sum(p for _, p in self.powers)

    def __str__(self) -> str:
        if not self.powers:
            return "1"
        return ":".join(n if p == 1 else f"I({n} ** {p})" for n, p in self.powers)

    def __repr__(self) -> str:
        names = [n for n, p in self.powers for _ in range(p)]
        return f"Term({', '.join(map(repr, names))})"

    def label(self, region: Region | None = None) -> str:
        """How people read it, factors in the region's order: ``revolution × time``, ``time²``."""
        if not self.powers:
            return "mean"
        powers = dict(self.powers)
        ordered = [n for n in region.names if n in powers] if region else list(powers)
        text = [(region[n].label if region else n.replace("_", " "))
                + ("" if powers[n] == 1 else str(powers[n]).translate(_SUPERSCRIPTS))
                for n in ordered]
        return " × ".join(text)

    def parents(self) -> list[Term]:
        """The terms that hierarchy asks for beside this one (all its proper divisors)."""
        ranges = [range(p + 1) for _, p in self.powers]
        out = []
        for choice in product(*ranges):
            names = [n for (n, _), c in zip(self.powers, choice, strict=True) for _ in range(c)]
            if 0 < len(names) < self.order:
                out.append(Term(*names))
        return out


INTERCEPT = Term()


def standard_terms(region: Region, model: str = "interactions", order: int = 2) -> tuple[Term, ...]:
    """The terms of a usual model, intercept first.

    Parameters
    ----------
    region : Region
    model : {"mean", "linear", "interactions", "quadratic"}
        "interactions" has products of up to `order` different factors; "quadratic" adds
        squares of the numeric factors to the two-factor interactions.
    order : int
        Highest order of interaction, for "interactions".
    """
    as_choice("model", model, MODELS)
    terms = [INTERCEPT]
    if model != "mean":
        terms += [Term(n) for n in region.names]
    if model in ("interactions", "quadratic"):
        for size in range(2, (order if model == "interactions" else 2) + 1):
            terms += [Term(*names) for names in combinations(region.names, size)]
    if model == "quadratic":
        terms += [Term(f.name, f.name) for f in region.numeric
                  if f.kind == "continuous" or len(f.levels) > 2]
    return tuple(terms)


def read_terms(region: Region, terms: Sequence[Term] | str | None,
               otherwise: Sequence[Term] = ()) -> tuple[Term, ...]:
    """Terms given one by one, as a formula, or as the name of a usual model.

    Parameters
    ----------
    region : Region
    terms : sequence of Term, str or None
        E.g. ``"a + b + a:b"`` or ``"quadratic"``.
    otherwise : sequence of Term
        The terms if none are given.

    Raises
    ------
    InputError
        If a formula cannot be read, or there is no term in it.
    """
    if terms is None:
        return tuple(otherwise)
    if isinstance(terms, str):
        found = standard_terms(region, terms) if terms in MODELS else parse(terms, region)
    else:
        found = tuple(dict.fromkeys(terms))
    if not found:
        raise InputError("terms", terms, "there are none", "Give at least one term")
    return found


def parse(text: str, region: Region) -> tuple[Term, ...]:
    """Terms of a formula's right-hand side such as ``"(a + b + c)**2 + I(a**2)"``.

    Parameters
    ----------
    text : str
        Wilkinson–Rogers formula; an outcome before ``~`` is ignored.
    region : Region
        Its factors are the only names allowed.

    Raises
    ------
    InputError
        If the text is not a formula, or something but a factor or its power stands in it.
    """
    from patsy import ModelDesc, PatsyError  # parses only; nothing is evaluated

    sides = text.split("~") if isinstance(text, str) else []
    right = sides[-1].strip() if sides else ""
    if not right or len(sides) > 2:
        raise InputError("formula", text, "there is not one right-hand side to read",
                         "Write it as 'a + b + a:b + I(a**2)', or '1' for the mean alone")
    try:
        description = ModelDesc.from_formula("~ " + right)
    except (PatsyError, SyntaxError, RecursionError, AssertionError) as error:
        # patsy asserts on some stray signs, such as '|', without a message
        why = (str(error).splitlines() or ["a sign that cannot stand there"])[0]
        raise InputError("formula", text, f"it cannot be read ({why})",
                         "Write it as 'a + b + a:b + I(a**2)'") from None
    terms = []
    for item in description.rhs_termlist:
        names: list[str] = []
        for atom in item.factors:
            code = getattr(atom, "code", str(atom))
            square = re.fullmatch(r"I\((\w+) \*\* (\d)\)", code)
            name, power = (square[1], int(square[2])) if square else (code, 1)
            if name not in region.names:
                raise InputError("formula", code, "only factors and their powers can stand in it",
                                 "Use these names: " + ", ".join(region.names)
                                 + "; a square is I(name**2)")
            if power > 1 and not region[name].is_numeric:
                raise InputError("formula", code, "a categorical factor has no powers",
                                 "Leave the power out")
            names += [name] * power
        terms.append(Term(*names))
    return tuple(dict.fromkeys(terms))


def formula(terms: Iterable[Term], response: str = "") -> str:
    """The terms as a formula that statsmodels reads (factors in coded units)."""
    terms = list(terms)
    parts = [str(t) for t in terms if t.powers] or ["1"]
    if INTERCEPT not in terms:
        parts.append("0")
    return (f"{response} ~ " if response else "") + " + ".join(parts)


def is_hierarchical(terms: Iterable[Term]) -> bool:
    """True if every term's parents are there too."""
    present = set(terms)
    return all(p in present for t in present for p in t.parents())


def with_parents(terms: Iterable[Term]) -> tuple[Term, ...]:
    """The terms and all their parents, lowest order first."""
    every = {p for t in terms for p in [*t.parents(), t]}
    return tuple(sorted(every, key=lambda t: (t.order, t.powers)))


def exponents(region: Region, terms: Sequence[Term]) -> tuple[np.ndarray, list[str]]:
    """Powers of the encoded columns for each model column, and the columns' names.

    Returns
    -------
    powers : ndarray of int, shape (p, q)
        ``q`` encoded columns (`Region.encode`); a term with a categorical factor of L
        levels spreads over L − 1 model columns.
    names : list of str, length p
        ``"1"`` is the intercept; otherwise Wilkinson–Rogers names.
    """
    place = {name: j for j, name in enumerate(region.encoded_names)}
    rows, names = [], []
    for term in terms:
        choices = []
        for name, power in term.powers:
            factor = region[name]
            cells = [name] if factor.is_numeric else [f"{name}[{v}]" for v in factor.levels[1:]]
            choices.append([(cell, power) for cell in cells])
        for choice in product(*choices):
            row = np.zeros(len(place), int)
            for cell, power in choice:
                row[place[cell]] = power
            rows.append(row)
            names.append(":".join(c if p == 1 else f"I({c} ** {p})" for c, p in choice) or "1")
    return np.array(rows, int).reshape(len(rows), len(place)), names


def expand(encoded: np.ndarray, powers: np.ndarray) -> np.ndarray:
    """Model columns from encoded columns: (n, q) and (p, q) give (n, p)."""
    out = np.ones((*encoded.shape[:-1], len(powers)))
    for power in range(1, int(powers.max(initial=0)) + 1):
        for j in range(powers.shape[1]):
            hit = powers[:, j] >= power
            if hit.any():
                out[..., hit] *= encoded[..., j, None]
    return out


def model_matrix(region: Region, settings: pd.DataFrame, terms: Sequence[Term]) -> pd.DataFrame:
    """Model columns of natural settings, in coded units; one row a setting.

    The columns are named as in `exponents`; the index is that of `settings`.
    """
    powers, names = exponents(region, terms)
    return pd.DataFrame(expand(region.encode(settings), powers), index=settings.index,
                        columns=names)

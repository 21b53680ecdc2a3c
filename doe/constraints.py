"""Limits that bind several factors at once, as data: no code is ever evaluated."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError, as_name, as_number
from doe.wording import raised, short

__all__ = ["Constraint"]

_NUMBER = re.compile(r"(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?")


@dataclass(frozen=True)
class Constraint:
    """A sum of products of factors that must not exceed a bound.

    Parameters
    ----------
    terms : tuple of (float, tuple of str)
        Coefficient and the factors it multiplies, in natural units.
    upper : float
        The bound.
    reason : str
        Why it binds, e.g. ``"greatest rotation speed"``.

    Examples
    --------
    >>> str(Constraint.parse("revolution * rotation_ratio <= 900"))
    'revolution * rotation_ratio <= 900'
    >>> Constraint.parse("2 a - b >= 1").terms
    ((-2.0, ('a',)), (1.0, ('b',)))
    """

    terms: tuple[tuple[float, tuple[str, ...]], ...]
    upper: float
    reason: str = ""

    def __post_init__(self) -> None:
        terms = tuple((as_number("constraint, coefficient", c),
                       tuple(as_name("constraint, factor", n) for n in names))
                      for c, names in self.terms)
        if not any(names for _, names in terms):
            raise InputError("constraint, terms", self.terms, "no factor stands in it",
                             "Write it as 'a * b <= 10' or '2 a + b <= 10'")
        object.__setattr__(self, "terms", terms)
        object.__setattr__(self, "upper", as_number("constraint, upper", self.upper))

    @classmethod
    def parse(cls, text: str, reason: str = "") -> Constraint:
        """Read ``"2 a + b * c <= 10"`` or the same with ``>=``.

        Raises
        ------
        InputError
            If the text is anything but sums of products of factors and numbers.
        """
        sides = re.split(r"<=|>=|≤|≥", text) if isinstance(text, str) else []
        if len(sides) != 2:
            raise InputError("constraint", text, "it needs one '<=' or '>='",
                             "Write it as 'revolution * rotation_ratio <= 900'")
        left, right = _parse_sum(sides[0], text), _parse_sum(sides[1], text)
        if ">=" in text or "≥" in text:
            left, right = right, left
        total: dict[tuple[str, ...], float] = {}
        for sign, side in ((1, left), (-1, right)):
            for coefficient, names in side:
                total[names] = total.get(names, 0.0) + sign * coefficient
        upper = -total.pop((), 0.0)
        return cls(tuple((c, names) for names, c in total.items() if c), upper + 0.0, reason)

    @property
    def names(self) -> list[str]:
        """The factors it binds, each once."""
        return list(dict.fromkeys(n for _, names in self.terms for n in names))

    @property
    def is_linear(self) -> bool:
        """True if no term multiplies factors."""
        return all(len(names) <= 1 for _, names in self.terms)

    @property
    def left(self) -> str:
        """The bounded sum in words."""
        parts = []
        for c, names in self.terms:
            body = " * ".join(names)
            size = body if abs(c) == 1 else f"{abs(c):.12g} * {body}"
            parts.append(("- " if c < 0 else "+ ") + size)
        text = " ".join(parts)
        return text[2:] if text.startswith("+ ") else "-" + text[2:]

    def __str__(self) -> str:
        return f"{self.left} <= {self.upper:.12g}"

    @property
    def words(self) -> str:
        """The limit as people read it: ``"revolution × rotation ratio ≤ 800"``."""
        parts = []
        for c, names in self.terms:
            powers = {n: names.count(n) for n in names}
            body = " × ".join(n.replace("_", " ") + (raised(p) if p > 1 else "")
                              for n, p in powers.items())
            size = body if abs(c) == 1 else f"{short(abs(c))} × {body}"
            parts.append(("− " if c < 0 else "+ ") + size)
        text = " ".join(parts)
        text = text[2:] if text.startswith("+ ") else "−" + text[2:]
        return f"{text} ≤ {short(self.upper)}"

    @property
    def said(self) -> str:
        """Why the limit is there, if that is known, else the limit itself."""
        return self.reason or self.words

    def fix(self, held: Mapping[str, float]) -> Constraint | None:
        """The limit left on the other factors once some are held.

        Returns
        -------
        Constraint or None
            None if nothing is left to limit.

        Raises
        ------
        InputError
            If the held settings alone break it.
        """
        total: dict[tuple[str, ...], float] = {}
        for c, names in self.terms:
            left = tuple(n for n in names if n not in held)
            for name in names:
                c *= float(held.get(name, 1.0))
            total[left] = total.get(left, 0.0) + c
        upper = self.upper - total.pop((), 0.0)
        if any(total.values()):
            return Constraint(tuple((c, names) for names, c in total.items() if c), upper,
                              self.reason)
        if upper < -1e-9 * max(1.0, abs(self.upper)):
            raise InputError(f"constraint '{self}'", dict(held), "the held settings break it",
                             "Hold them elsewhere")
        return None

    def value(self, settings: pd.DataFrame | Mapping) -> np.ndarray:
        """The bounded sum at each setting; shape (n,)."""
        total = 0.0
        with np.errstate(over="ignore", invalid="ignore"):  # beyond every bound, and compared so
            for c, names in self.terms:
                part = c
                for name in names:
                    part = part * np.asarray(settings[name], float)
                total = total + part
        return np.atleast_1d(total)

    def holds(self, settings: pd.DataFrame | Mapping) -> np.ndarray:
        """Where the bound is kept, to within rounding; boolean, shape (n,)."""
        return self.value(settings) <= self.upper + 1e-9 * max(1.0, abs(self.upper))


def _parse_sum(side: str, whole: str) -> list[tuple[float, tuple[str, ...]]]:
    if not side.strip():
        raise InputError("constraint", whole, "one side is empty",
                         "Write it as 'revolution * rotation_ratio <= 900'")
    tokens = re.findall(rf"\s*({_NUMBER.pattern}|[^\W\d]\w*|[-+*×]|\S)", side)
    terms: list[tuple[float, tuple[str, ...]]] = []
    sign, coefficient, names, open_product = 1.0, 1.0, [], False
    seen = False

    def refuse(value: str) -> InputError:
        return InputError(f"constraint '{whole}'", value, "this cannot stand here",
                          "Use sums of products of factor names and numbers, such as "
                          "'0.5 * time + pressure <= 200'")

    for place, token in enumerate([*tokens, "+"]):
        if token in "+-":
            if open_product:
                raise refuse(token)
            if seen:
                terms.append((sign * coefficient, tuple(names)))
            elif place:
                raise refuse(token)
            sign, coefficient, names, seen = (1.0 if token == "+" else -1.0), 1.0, [], False
        elif token in "*×":
            if not seen or open_product:
                raise refuse(token)
            open_product = True
        elif _NUMBER.fullmatch(token):
            coefficient *= float(token)
            seen, open_product = True, False
        elif token.isidentifier():
            names.append(token)
            seen, open_product = True, False
        else:
            raise refuse(token)
    if not terms:
        raise refuse(side.strip())
    return terms

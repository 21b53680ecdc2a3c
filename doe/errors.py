"""The one error for bad input: it names the field, the value and the remedy."""

from __future__ import annotations

import keyword
import math
from numbers import Real

__all__ = ["LONGEST_NAME", "InputError"]

LONGEST_NAME = 60
"""Of what stands in formulas and column headings."""


class InputError(ValueError):
    """Input that cannot be used.

    Parameters
    ----------
    field : str
        What was being set, e.g. ``"factor 'time', low"`` or ``"row 7, column 'voids'"``.
    value : object
        The value as it was given.
    problem : str
        What is wrong with it, without a full stop.
    remedy : str
        What to do about it, without a full stop.
    """

    def __init__(self, field: str, value: object, problem: str, remedy: str) -> None:
        self.field, self.value, self.problem, self.remedy = field, value, problem, remedy
        super().__init__(field, value, problem, remedy)

    def __str__(self) -> str:
        try:
            shown = repr(self.value)
        except ValueError:  # a whole number of thousands of digits, which Python does not write
            shown = "a number too long to show"
        if len(shown) > 120:
            shown = shown[:117] + "..."
        return f"{self.field} = {shown}: {self.problem}. {self.remedy}."


def as_number(field: str, value: object, *, above: float | None = None,
              at_least: float | None = None, at_most: float | None = None) -> float:
    """Return `value` as a finite float inside the given bounds, or raise `InputError`."""
    if isinstance(value, bool) or not isinstance(value, Real) or not _finite(value):
        raise InputError(field, value, "this is not a finite number", "Give a plain number")
    if above is not None and not value > above:
        raise InputError(field, value, f"it must be greater than {above:g}", "Give a larger number")
    if at_least is not None and value < at_least:
        raise InputError(field, value, f"it must be at least {at_least:g}", "Give a larger number")
    if at_most is not None and value > at_most:
        raise InputError(field, value, f"it must be at most {at_most:g}", "Give a smaller number")
    return float(value)


def _finite(value: Real) -> bool:
    try:
        return math.isfinite(value)
    except OverflowError:  # a whole number beyond what a float holds
        return False


def as_text(field: str, value: object) -> str:
    """Return `value` if it is a text, or raise `InputError`."""
    if not isinstance(value, str):
        raise InputError(field, value, "this is not a text", "Write it in quotes")
    if any("\ud800" <= c <= "\udfff" for c in value):
        raise InputError(field, value, "it holds a character that is no text", "Type it anew")
    return value


def as_name(field: str, value: object) -> str:
    """Return `value` if it can stand in a model formula, or raise `InputError`."""
    if isinstance(value, str) and keyword.iskeyword(value):
        raise InputError(field, value, "this word has a meaning of its own where formulas are read",
                         f"Use a name such as '{value}_' and put the wording in the label")
    if not isinstance(value, str) or not value.isidentifier() or value.startswith("_"):
        raise InputError(field, value, "a name must be letters, digits and underscores, "
                         "starting with a letter",
                         "Use a name such as 'rotation_ratio' and put the wording in the label")
    if len(value) > LONGEST_NAME:
        raise InputError(field, value, f"a name has at most {LONGEST_NAME} characters",
                         "Use a short name and put the wording in the label")
    return value


def as_choice(field: str, value: object, choices: tuple[str, ...]) -> str:
    """Return `value` if it is one of `choices`, or raise `InputError`."""
    if value not in choices:
        raise InputError(field, value, "this is not a known choice",
                         "Use one of: " + ", ".join(repr(c) for c in choices))
    return value

"""What a number format makes of a number: a unit, a percentage, a date, or nothing to be seen.

The grammar is that of ECMA-376 part 1, 18.8.31 (from memory).
"""

from __future__ import annotations

import operator
import re
from dataclasses import dataclass
from functools import lru_cache

__all__ = ["Look", "look_of"]

_TOKEN = re.compile(
    r'"(?P<quoted>[^"]*)"?|\\(?P<escaped>.?)|[_*].?|\[(?P<bracket>[^\]]*)\]?'
    r"|(?P<general>General)|(?P<exponent>[eE][+-])|(?P<clock>AM/PM|A/P)|(?P<other>.)",
    re.DOTALL | re.IGNORECASE)
_CONDITION = re.compile(r"(<=|>=|<>|<|>|=)\s*(-?[0-9]+(?:\.[0-9]+)?)")
_HOLDS = {"<": operator.lt, "<=": operator.le, ">": operator.gt, ">=": operator.ge,
          "=": operator.eq, "<>": operator.ne}
_ELAPSED = re.compile(r"h+|m+|s+", re.IGNORECASE)
_BETWEEN_DIGITS = frozenset(" \u00a0\u202f\u2009'’")
_NEGATIVE = (("-", ""), ("−", ""), ("(", ")"), ("", "-"))


@dataclass(frozen=True)
class Look:
    """How a number is shown.

    Parameters
    ----------
    kind : {"number", "percent", "date", "other"}
        "other" if what is shown is not the number: nothing at all, a fixed text, or the
        number cut up or scaled.
    before, after : str
        The text around the number, such as a unit.
    """

    kind: str = "number"
    before: str = ""
    after: str = ""

    @property
    def is_plain(self) -> bool:
        """True if the number and nothing else is shown."""
        return self == _PLAIN


_PLAIN = Look()
_OTHER = Look("other")


def look_of(code: str, value: float) -> Look:
    """How the number format `code` shows `value`."""
    sections = _sections(code)
    if not sections:
        return _PLAIN
    if not any(s.condition for s in sections):
        place = (0 if value > 0 or len(sections) == 1 else 1 if value < 0
                 else 2 if len(sections) > 2 else 0)
        chosen = sections[place]
        return chosen.unsigned if value < 0 and place == 1 else chosen.look
    for section in sections[:3]:
        if not section.condition or _holds(section.condition, value):
            return section.unsigned if value < 0 and section.condition else section.look
    return _OTHER


def _holds(condition: tuple[str, float], value: float) -> bool:
    sign, bound = condition
    return _HOLDS[sign](value, bound)


@dataclass(frozen=True)
class _Section:
    look: Look
    unsigned: Look
    condition: tuple[str, float] | None


@lru_cache(maxsize=1000)
def _sections(code: str) -> tuple[_Section, ...]:
    tokens = list(_TOKEN.finditer(code))
    out, start = [], 0
    for i, token in enumerate([*tokens, None]):
        if token is None or token["other"] == ";":
            out.append(_section(tokens[start:i]))
            start = i + 1
    return tuple(out) if code else ()


def _section(tokens: list[re.Match]) -> _Section:
    before = between = after = marks = ""
    condition = None
    is_date = False
    for token in tokens:
        literal = None
        if token["quoted"] is not None:
            literal = token["quoted"]
        elif token["escaped"] is not None:
            literal = token["escaped"]
        elif token["bracket"] is not None:
            inside = token["bracket"]
            if found := _CONDITION.fullmatch(inside):
                condition = found[1], float(found[2])
            elif inside.startswith("$"):
                literal = inside[1:].rpartition("-")[0] if "-" in inside else inside[1:]
            is_date |= bool(_ELAPSED.fullmatch(inside))
        elif token["general"]:
            after, between, marks = "", between + after, marks + "0"
        elif token["clock"]:
            is_date = True
        elif token["exponent"]:
            marks += "E"
        elif token["other"] is None:  # room of the width of a letter, or filled up with it
            literal = " "
        elif token["other"] in "0#?":
            after, between, marks = "", between + after, marks + "0"
        elif token["other"] in ".,%@":
            marks += token["other"]
        elif token["other"].lower() in "ymdhsbge":
            is_date = True
        elif token["other"] != "/" or "0" not in marks:  # as a fraction: the number it is
            literal = token["other"]
        if (literal and "0" in marks) or (literal and "@" in marks):
            after += literal
        elif literal:
            before += literal
    look = _look(before, between, after, marks, is_date)
    unsigned = look
    for left, right in _NEGATIVE:
        if before.strip().startswith(left) and after.strip().endswith(right):
            unsigned = _look(before.strip().removeprefix(left), between,
                             after.strip().removesuffix(right) if right else after, marks, is_date)
            break
    return _Section(look, unsigned, condition)


def _look(before: str, between: str, after: str, marks: str, is_date: bool) -> Look:
    if is_date:
        return Look("date")
    if "@" in marks and "0" not in marks:
        marks += "0"
    if ("0" not in marks or marks.count("%") > 1 or set(between) - _BETWEEN_DIGITS
            or re.search("0,+(?!0)", marks)):
        return _OTHER
    return Look("percent" if "%" in marks else "number",
                before if before.strip() not in ("", "+") else "", after if after.strip() else "")

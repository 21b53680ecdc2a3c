"""From the text of a cell to a number, a time or a word, or to the reason why not.

A cell that can be read in two ways is never guessed: "1.234" is a number only once the
file as a whole shows which of point and comma is its decimal mark.
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime

__all__ = ["SHEET_ERROR", "SURELY_POINT", "AmbiguousError", "Cell", "CellError",
           "Formatted", "Odd", "Reading", "decimal_mark", "is_blank", "is_missing", "number_part",
           "protect", "read_number", "read_text", "read_time", "readings", "same_unit", "shown",
           "unprotect"]

LONGEST_NUMBER = 60
_GROUP = "[\u00a0\u202f\u2009 '’{}]"


def _number_pattern(mark: str, other: str) -> re.Pattern:
    group = _GROUP.format(re.escape(other))
    whole = rf"[0-9]+|[1-9][0-9]{{0,2}}(?P<g>{group})[0-9]{{3}}(?:(?P=g)[0-9]{{3}})*"
    return re.compile(rf"[+\-−]?(?:(?:{whole})(?:\{mark}[0-9]+)?|\{mark}[0-9]+"
                      rf"|(?:[0-9]+(?:\{mark}[0-9]+)?|\{mark}[0-9]+)[eE][+\-−]?[0-9]+)")


_POINT, _COMMA = _number_pattern(".", ","), _number_pattern(",", ".")
SURELY_POINT = re.compile(r"-?(?:[0-9]+\.(?:[0-9]{1,2}|[0-9]{4,})|(?:0|[0-9]{4,})\.[0-9]+)")
"""Most numbers in most files: they have a decimal point and no second meaning."""
_STRIP = {mark: str.maketrans({**dict.fromkeys("\u00a0\u202f\u2009 '’" + other), "−": "-",
                               mark: "."})
          for mark, other in ((".", ","), (",", "."))}
_PARTS = re.compile(r"(?P<sign>[<>≤≥~≈]=?)?\s*"
                    r"(?P<number>[+\-−]?[0-9.,'’\u00a0\u202f\u2009 ]*[0-9](?:[eE][+\-−]?[0-9]+)?)"
                    r"\s*(?P<unit>[^0-9\s].*)?", re.DOTALL)
_SIGNS = ("<", ">", "≤", "≥", "~", "≈", "<=", ">=")
_MONTH = (r"(?:jan|feb|mar|mär|apr|may|mai|jun|jul|aug|sep|oct|okt|nov|dec|dez|fév|avr|aoû|déc)"
          r"[^\W\d]*")
_DATE = re.compile(rf"\d{{1,4}}[-/. ]+{_MONTH}\.?(?:[-/. ]+\d{{1,4}})?|{_MONTH}\.?[-/. ]+\d{{1,4}}"
                   r"|\d{1,4}[-/]\d{1,2}(?:[-/]\d{1,4})?(?:[ T]\d.*)?"
                   r"|\d{1,2}\.\d{1,2}\.(?:\d{2}|\d{4})?(?: \d.*)?|\d{1,2}:\d{2}(?::\d{2})?",
                   re.IGNORECASE)
_UNSEEN = "'\"\\s\x00-\x1f\x7f\xad\u200b-\u200f\u202a-\u202e\u2060-\u2064\ufeff"
_FORMULA_START = rf"[{_UNSEEN}]*?[=+\-@\t\r\n＝＋－＠]"
_BORDER = r"(?:(?<=[,;|\t\r\n])|\A)"
"""Where a cell starts: a spreadsheet may separate cells by another sign than the file does."""
_TO_PROTECT = re.compile(rf"{_BORDER}(?={_FORMULA_START})")
_PROTECTED = re.compile(rf"{_BORDER}'(?={_FORMULA_START})")
_MISSING = frozenset({"", "-", "–", "—", "−", "n/a", "na", "n.a.", "missing", "not measured"})
_NO_NUMBER = ("this is not a number", "Enter a plain number, such as 12.5, or leave the cell empty "
              "if it was not measured")
SHEET_ERROR = ("the spreadsheet could not calculate this cell",
               "Correct the formula, or enter the value")
_ERROR = re.compile(r"#(?:N/A|NV|DIV/0!|REF!|VALUE!|NUM!|NAME\?|NULL!|#+)", re.IGNORECASE)
_OF_PROGRAMS = re.compile(r"[+\-−]?[0-9]+[_xob][0-9a-f_]+", re.IGNORECASE)
"""Numbers as only programs write them: 1_000, 0x1F."""
_NOT_FINITE = re.compile(r"[+\-−]?(?:nan|inf(?:inity)?|∞)", re.IGNORECASE)
_SAME_UNITS = [
    {"rpm", "r/min", "1/min", "min⁻¹", "min-1", "RPM"}, {"s", "sec"}, {"°C", "degC", "deg C"},
    {"µm", "um"}, {"%", "percent"}, {"vol-%", "vol.-%", "vol%", "% (v/v)", "% by volume"},
    {"wt-%", "wt.-%", "wt%", "% (w/w)", "% by mass"},
    {"kPa", "kPa abs", "kPa (abs)", "kPa absolute"},
    {"Pa·s", "Pa s", "Pa*s"}, {"mPa·s", "mPa s", "mPa*s"},
]
_LOOKALIKES = str.maketrans({"μ": "µ", "⋅": "·", "∙": "·", "℃": "°C", "º": "°", "\u00a0": " ",
                             "\u202f": " "})


@dataclass(frozen=True)
class Odd:
    """A cell that is neither text nor a plain number; `value` where it still has one."""

    shown: str
    problem: str
    remedy: str
    value: object = None


@dataclass(frozen=True)
class Formatted:
    """A number that its cell shows with a text around it, or as a percentage: 0.05 as 5 %."""

    value: float
    before: str = ""
    after: str = ""
    is_percent: bool = False


Cell = str | float | Odd | Formatted


class CellError(ValueError):
    """Why a cell cannot be used (`problem`) and what to do about it (`remedy`)."""

    def __init__(self, problem: str, remedy: str) -> None:
        self.problem, self.remedy = problem, remedy
        super().__init__(problem, remedy)


class AmbiguousError(CellError):
    """A number that has two meanings, depending on the decimal mark."""


@dataclass(frozen=True)
class Reading:
    """A number, and "<" if it is only known to lie below it."""

    value: float
    qualifier: str = ""


def protect(text: str) -> str:
    """The text with an apostrophe wherever a spreadsheet might run it as a formula from there.

    That is in front, and behind whatever separates cells somewhere: opened where semicolons do,
    a line of cells between commas falls apart at the semicolons of its texts, quoted or not.
    `unprotect` undoes it for every text, those with apostrophes of their own included.
    """
    return _TO_PROTECT.sub("'", text)


def unprotect(text: str) -> str:
    """The text that `protect` was given."""
    return _PROTECTED.sub("", text)


def shown(cell: Cell) -> str:
    """How a person sees the cell."""
    if isinstance(cell, Formatted):
        number = f"{cell.value * 100:.12g}%" if cell.is_percent else f"{cell.value:.15g}"
        return f"{cell.before}{number}{cell.after}"
    if isinstance(cell, Odd):
        return cell.shown
    return cell if isinstance(cell, str) else f"{cell:.15g}"


def is_blank(cell: Cell) -> bool:
    """True for a cell with nothing in it."""
    return isinstance(cell, str) and (not cell or cell.isspace())


def is_missing(cell: Cell) -> bool:
    """True for an empty cell and for words that say that nothing was measured."""
    return isinstance(cell, str) and cell.strip().lower() in _MISSING


def same_unit(one: str, other: str) -> bool:
    """True if the two texts are spellings of one unit; nothing is ever converted."""
    one, other = (" ".join(u.translate(_LOOKALIKES).split()) for u in (one, other))
    return one == other or any(one in units and other in units for units in _SAME_UNITS)


def readings(text: str) -> tuple[float | None, float | None]:
    """The number that `text` is with a decimal point, and with a decimal comma."""
    if SURELY_POINT.fullmatch(text):
        return float(text), None
    point, comma = (float(text.translate(_STRIP[mark])) if pattern.fullmatch(text) else None
                    for mark, pattern in ((".", _POINT), (",", _COMMA)))
    return point, comma


def decimal_mark(cells: Iterable[Cell]) -> tuple[str | None, str]:
    """The decimal mark that the cells of a file establish, and in words what they show.

    Only cells that can be read in one way count; None if there is none of them, or if
    they contradict each other.
    """
    seen: dict[str, str] = {}
    for text in cells:
        if not isinstance(text, str) or text.isdigit() or (
                "." in seen and SURELY_POINT.fullmatch(text)):
            continue
        point, comma = readings(number_part(text))
        if (point is None) != (comma is None):
            seen.setdefault("." if comma is None else ",", text)
            if len(seen) == 2:
                return None, (f"the file mixes decimal points ({seen['.']!r}) and decimal "
                              f"commas ({seen[',']!r})")
    if not seen:
        return None, "nothing else in the file shows whether its decimal mark is point or comma"
    return next(iter(seen)), ""


def number_part(text: str) -> str:
    """The text without a sign such as "<" in front and a unit behind."""
    text = text.strip()[:LONGEST_NUMBER]
    if SURELY_POINT.fullmatch(text):
        return text
    parts = _PARTS.fullmatch(text)
    return parts["number"].strip() if parts and not _DATE.fullmatch(text) else text


def read_number(cell: Cell, unit: str = "", *, decimal: str | None = None,
                detection_limit: float | None = None, is_share: bool = False) -> Reading:
    """The number in a cell that is not missing.

    Parameters
    ----------
    cell : Cell
    unit : str
        Unit of the column; the same unit may stand behind the number.
    decimal : {".", ","} or None
        The file's decimal mark, if known.
    detection_limit : float or None
        Readings below it, or below something smaller, may be entered with "<".
    is_share : bool
        The column holds shares of 1, which may be written as percentages.

    Raises
    ------
    AmbiguousError
        If the decimal mark is needed and not given.
    CellError
        If the cell cannot be used at all.
    """
    if isinstance(cell, Odd):
        raise CellError(cell.problem, cell.remedy)
    if isinstance(cell, Formatted):
        return _read_formatted(cell, unit, detection_limit, is_share)
    if not isinstance(cell, str):
        return Reading(_finite(float(cell)))
    text = cell.strip()
    if len(text) > LONGEST_NUMBER:
        raise CellError(*_NO_NUMBER)
    qualifier, factor = "", 1.0
    if readings(text) == (None, None):
        text, unit_given, qualifier = _split(text)
        factor = _unit_factor(unit_given, unit, is_share)
    value = _resolve(text, decimal)
    if factor != 1:
        value = float(f"{value * factor:.15g}")
    if qualifier:
        _check_limit(qualifier, value, unit, detection_limit)
    return Reading(value + 0.0, qualifier)  # minus zero is zero


def _unit_factor(given: str, unit: str, is_share: bool) -> float:
    """By what a number with the unit `given` is multiplied in a column in `unit`."""
    if not given or same_unit(given, unit):
        return 1.0
    if is_share and same_unit(given, "%"):
        return 0.01
    if unit:
        raise CellError(f"the unit {given!r} is not the column's, {unit!r}",
                        f"Enter the value in {unit}; nothing is converted")
    raise CellError(f"the unit {given!r} stands in a column without a unit",
                    "Enter the bare number")


def _read_formatted(cell: Formatted, unit: str, limit: float | None, is_share: bool) -> Reading:
    """As if what the cell shows had been typed, but with every digit of the number in it."""
    value, sign, after = cell.value, cell.before.strip(), cell.after.strip()
    if cell.is_percent:
        if not (is_share or same_unit(unit, "%")):
            raise CellError("the cell is formatted as a percentage, but the column's unit is "
                            f"{unit!r}" if unit else "the cell is formatted as a percentage, but "
                            "the column has no unit", "Format the cell as a number and check it")
        if not is_share:
            value = float(f"{value * 100:.15g}")
    if sign not in ("", *_SIGNS) or (cell.is_percent and after):
        raise CellError(f"the cell is formatted to show {shown(cell)!r}",
                        "Format the cell as a plain number and check it")
    factor = _unit_factor(after, unit, is_share)
    if factor != 1:
        value = float(f"{value * factor:.15g}")
    value = _finite(value)
    if sign:
        _check_limit(sign, value, unit, limit)
    return Reading(value, sign)


def _check_limit(qualifier: str, value: float, unit: str, limit: float | None) -> None:
    if limit is None:
        raise CellError(f"{qualifier!r} needs a detection limit, and the response has none",
                      "Enter the reading itself, or give the response a detection limit")
    if qualifier != "<":
        raise CellError(f"{qualifier!r} cannot be kept; only '<', below the detection limit",
                      "Enter the reading itself, or leave the cell empty and say so in the remark")
    if value > limit:
        raise CellError(f"the detection limit is {limit:g} {unit}".rstrip() + ", so a reading is "
                      "not known to lie below a greater value",
                      f"Enter '<{limit:g}' if nothing was detected, else the reading itself")


def _split(text: str) -> tuple[str, str, str]:
    """Number, unit and sign in front of a text that is more than a number."""
    if _NOT_FINITE.fullmatch(text):
        raise CellError("this is not a finite number", "Enter the reading, or leave the cell empty")
    if _ERROR.fullmatch(text):
        raise CellError(*SHEET_ERROR)
    if _DATE.fullmatch(text):
        raise CellError("this is a date, a time or a fraction, perhaps a number that the "
                      "spreadsheet has turned into one", "Format the cell as a number and type "
                      "the reading again")
    parts = _PARTS.fullmatch(text)
    if (not parts or _OF_PROGRAMS.fullmatch(text)
            or readings(parts["number"].strip()) == (None, None)
            or re.search(r"\s[0-9]", parts["unit"] or "")):
        raise CellError(*_NO_NUMBER)
    return parts["number"].strip(), (parts["unit"] or "").strip(), parts["sign"] or ""


def _resolve(text: str, decimal: str | None) -> float:
    point, comma = readings(text)
    if None not in (point, comma) and point != comma:
        if decimal is None:
            raise AmbiguousError(
                f"this is {point:.15g} with a decimal point, but {comma:.15g} with a decimal comma",
                f"Write {text}0 if it is a decimal number, or leave the separator out if it "
                "stands for thousands")
        return _finite(point if decimal == "." else comma)
    return _finite(comma if point is None else point)


def _finite(number: float) -> float:
    if not math.isfinite(number):
        raise CellError("this is not a finite number", "Enter the reading, or leave the cell empty")
    return number


def read_text(cell: Cell) -> str:
    """The text in a cell as it was meant; a number is written out.

    Raises
    ------
    CellError
        For a date or an error value, where what was typed is not known.
    """
    if isinstance(cell, Odd):
        raise CellError(cell.problem, cell.remedy)
    if not isinstance(cell, str):
        return shown(cell)
    return cell if cell.strip() else ""


def read_time(cell: Cell) -> str:
    """Date and time of day as ISO 8601 text, e.g. ``"2027-03-01T14:30:00"``.

    Reads a spreadsheet's own dates, ISO 8601 ("2027-03-01 14:30") and dates with dots,
    which are day.month.year wherever they are used; refuses "03/01/2027".

    Raises
    ------
    CellError
    """
    if isinstance(cell, Odd) and isinstance(cell.value, datetime):
        return cell.value.isoformat(timespec="seconds")
    if isinstance(cell, Odd) and cell.value is None:
        raise CellError(cell.problem, cell.remedy)
    text = shown(cell).strip()
    try:
        if re.match(r"\d{4}-\d{2}-\d{2}[ T]\d", text):
            return datetime.fromisoformat(text).isoformat(timespec="seconds")
        dotted = re.fullmatch(r"(\d{1,2})\.(\d{1,2})\.(\d{4}),? (\d{1,2}):(\d{2})(?::(\d{2}))?",
                              text)
        if dotted:
            day, month, year, *clock = (int(part or 0) for part in dotted.groups())
            return datetime(year, month, day, *clock).isoformat(timespec="seconds")
    except ValueError:  # a day or hour that does not exist: refused like any other text
        pass
    raise CellError("this is not a date with a time of day that can be read in one way only",
                  "Write it as 2027-03-01 14:30")

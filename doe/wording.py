"""How numbers and lists are written in sentences: one place, so that all of them agree."""

from __future__ import annotations

import math
from collections.abc import Iterable

__all__ = ["capitalise", "count", "decimals_for", "digits", "fixed", "harmless", "interval", "join",
           "p_value", "percent", "quantity", "raised", "short", "signed", "with_interval"]

MINUS = "−"
NOT_KNOWN = "not known"
# Control characters, and those that turn the direction of writing or end a line unseen.
_HIDDEN = {**{c: 0x2400 + c for c in range(32) if chr(c) not in "\n\t"}, 127: 0x2421,
           **{c: f"<U+{c:04X}>" for c in (
               *range(0x80, 0xA0), 0x061C, 0x200E, 0x200F, *range(0x2028, 0x202F),
               *range(0x2066, 0x206A), 0xFEFF, *range(0xD800, 0xE000))}}
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_GREATEST, _LEAST = 1e7, 1e-5


def decimals_for(size: float, n: int = 3) -> int:
    """Decimals that show `size` to at least `n` significant digits; never below 0."""
    if not math.isfinite(size) or size == 0:
        return 0
    rounded = float(f"{abs(size):.{n - 1}e}")  # 9.996 to three digits is 10.0, not 10.00
    return max(0, n - 1 - math.floor(math.log10(rounded)))


def fixed(value: float, decimals: int) -> str:
    """`value` with that many decimals, a true minus sign, and no "−0"."""
    if not math.isfinite(value):
        return NOT_KNOWN if math.isnan(value) else (MINUS if value < 0 else "") + "∞"
    text = f"{value:.{decimals}f}"
    if float(text) == 0:
        return text.lstrip("-")
    return text.replace("-", MINUS)


def digits(value: float, n: int = 3) -> str:
    """`value` to `n` significant digits, whole digits never blanked out.

    Parameters
    ----------
    value : float
    n : int
        Significant digits; more are shown only where they stand before the decimal point.

    Examples
    --------
    >>> digits(0.012345), digits(1234.5), digits(-2.0)
    ('0.0123', '1234', '−2.00')
    >>> digits(1.5e-7, 2), digits(float("nan"))
    ('1.5 × 10⁻⁷', 'not known')
    """
    if math.isfinite(value) and value != 0 and not _LEAST <= abs(value) < _GREATEST:
        mantissa, exponent = f"{value:.{n - 1}e}".split("e")
        return f"{mantissa.replace('-', MINUS)} × 10{raised(int(exponent))}"
    return fixed(value, decimals_for(value, n))


def short(value: float, n: int = 4) -> str:
    """`value` to at most `n` significant digits, without zeros that say nothing.

    For settings, limits and other numbers that were chosen; whole digits are never blanked out.

    Examples
    --------
    >>> short(800.0), short(0.25), short(12345.0), short(3.126e-7, 3)
    ('800', '0.25', '12345', '3.13 × 10⁻⁷')
    """
    text, times, power = digits(value, n).partition(" × ")
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return text + times + power


def raised(power: int) -> str:
    """A power in superscript: ``"²"``, ``"⁻⁷"``."""
    return str(power).translate(_SUPERSCRIPTS)


def signed(value: float, n: int = 3) -> str:
    """As `digits`, with a plus sign before gains."""
    return ("+" if value > 0 else "") + digits(value, n)


def interval(low: float, high: float, n: int = 2) -> str:
    """``"7.1 to 15.3"``: both ends with the decimals that show half the width to `n` digits."""
    if not (math.isfinite(low) and math.isfinite(high)):
        return f"{digits(low)} to {digits(high)}" if low == high else NOT_KNOWN
    greatest = max(abs(low), abs(high))
    if greatest and not _LEAST <= greatest < _GREATEST:
        return f"{digits(low)} to {digits(high)}"
    places = _places(low, high, n)
    start = fixed(low, places)
    # An end above zero that reads 0.00 would say that the interval holds zero.
    if low > 0 and float(start) == 0:
        start = digits(low, 1)
    return f"{start} to {fixed(high, places)}"


def with_interval(value: float, low: float, high: float, unit: str = "", *, sign: bool = False,
                  level: str = "95 %") -> str:
    """``"11.0 µm (95 % interval 7.1 to 15.3)"``: the value with no more decimals than its interval
    deserves; without the bracket where the interval is not known.

    Parameters
    ----------
    value, low, high : float
    unit : str
    sign : bool
        True writes a plus sign before gains.
    level : str
        Coverage of the interval, as it shall be written.
    """
    plus = "+" if sign and value > 0 else ""
    if not (math.isfinite(low) and math.isfinite(high)):
        return plus + quantity(value, unit)
    greatest = max(abs(low), abs(high))
    plain = not greatest or _LEAST <= greatest < _GREATEST
    text = fixed(value, _places(low, high, 2)) if plain else digits(value)
    return f"{plus}{text} {unit}".rstrip() + f" ({level} interval {interval(low, high)})"


def _places(low: float, high: float, n: int) -> int:
    """Decimals for both ends of an interval, at most six digits in all."""
    greatest = max(abs(low), abs(high))
    return min(decimals_for((high - low) / 2 or greatest, n), decimals_for(greatest, 6))


def quantity(value: float, unit: str = "", n: int = 3) -> str:
    """A number with its unit; the unit is left out where there is none."""
    return f"{digits(value, n)} {unit}".strip()


def percent(share: float, n: int = 2) -> str:
    """A share as a percentage: ``percent(0.256)`` is ``"26 %"``."""
    return f"{digits(100 * share, n)} %"


def p_value(p: float) -> str:
    """``"p = 0.012"``, or ``"p < 0.001"`` where more digits would claim too much."""
    if math.isnan(p):
        return "p not known"
    if p < 0.001:
        return "p < 0.001"
    return f"p = {fixed(p, 3 if p < 0.1 else 2)}"


def join(items: Iterable[object], last: str = "and") -> str:
    """``"a, b and c"``; an empty list gives an empty text."""
    texts = [str(i) for i in items]
    if len(texts) < 2:
        return "".join(texts)
    return f"{', '.join(texts[:-1])} {last} {texts[-1]}"


def count(number: int, noun: str, plural: str | None = None) -> str:
    """``"1 run"``, ``"3 runs"``, ``"no runs"``."""
    many = plural or noun + "s"
    return f"{number or 'no'} {noun if number == 1 else many}"


def capitalise(text: str) -> str:
    """The first letter as a capital, the rest untouched (unlike ``str.capitalize``)."""
    return text[:1].upper() + text[1:]


def harmless(text: str) -> str:
    """The text with what a terminal would obey instead of showing made visible.

    Examples
    --------
    >>> harmless("voids\\x1b[2J"), harmless("\\u202egnp.exe")
    ('voids␛[2J', '<U+202E>gnp.exe')
    """
    return text.translate(_HIDDEN)

"""Round numbers for axes and contour lines, and how settings are written."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from doe import wording
from doe.factors import Factor

__all__ = ["exponent", "factor_axis", "held_unit", "hover_format", "levels", "log_levels",
           "number", "quantity", "say_setting", "span", "times_ten", "to_noise", "value_axis"]

_HOLD = "\u00a0"
_SUPERSCRIPTS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")
_LABELS_APART = 0.12  # of an axis, for two labels to stand clear


def exponent(size: float) -> int:
    """Power of ten to take out of numbers of this size; 0 where they read well as they are."""
    if not math.isfinite(size) or size == 0 or 1e-3 <= abs(size) < 1e5:
        return 0
    return math.floor(math.log10(abs(size)))


def times_ten(power: int) -> str:
    """``" × 10⁻⁵"``, or nothing for the power 0."""
    return f"{_HOLD}×{_HOLD}10{str(power).translate(_SUPERSCRIPTS)}" if power else ""


def number(value: float) -> str:
    """A setting or limit as it is read: no trailing zeros, four digits unless it is whole."""
    whole = float(value).is_integer() and abs(value) < 1e7
    mantissa, times, power = wording.digits(value, 7 if whole else 4).partition(" × ")
    if "." in mantissa:
        mantissa = mantissa.rstrip("0").rstrip(".")
    return (mantissa + times + power).replace(" ", _HOLD)


def quantity(value: float, unit: str = "", n: int = 3) -> str:
    """A result to `n` digits with its unit, held together on one line.

    A power of ten is taken out sooner than in running text, since a chart has less room.
    """
    power = exponent(value)
    text = wording.digits(value / 10.0**power, n) + times_ten(power)
    return text + held_unit(unit)


def span(low: float, high: float) -> str:
    """``"7.1 to 15.3"``, a power of ten taken out of both ends together."""
    power = exponent(max(abs(low), abs(high)))
    text = wording.interval(low / 10.0**power, high / 10.0**power).replace(" ", _HOLD)
    return f"({text}){times_ten(power)}" if power else text


def to_noise(value: float, noise: float, unit: str = "", size: float | None = None) -> str:
    """A signed change with the decimals that its noise leaves meaningful.

    Parameters
    ----------
    noise : float
        Standard error; if missing or zero, one part in fifty of `size`.
    size : float, optional
        The greatest of the changes shown together, which share a power of ten.
    """
    size = abs(value) if size is None else abs(size)
    power = exponent(size)
    step = (noise / 2 if math.isfinite(noise) and noise > 0 else size / 100) / 10.0**power
    text = wording.fixed(value / 10.0**power, wording.decimals_for(step, 1))
    return f"{'+' if value > 0 else ''}{text}{times_ten(power)}{held_unit(unit)}"


def held_unit(unit: str) -> str:
    """The unit after a no-break space, or nothing where there is none."""
    return f"{_HOLD}{unit}" if unit else ""


def say_setting(factor: Factor, value: object) -> str:
    """``"time 120 s"``: a factor at a setting."""
    if not factor.is_numeric:
        return f"{factor.label} {value}"
    return f"{factor.label} {number(value)}{held_unit(factor.unit)}"


def hover_format(values: object) -> str:
    """A d3 format that shows values of this size to about four significant digits."""
    greatest = np.nanmax(np.abs(np.asarray(values, float)), initial=0)
    return ".3~e" if greatest and not 1e-4 <= greatest < 1e7 else ".4~r"


def levels(low: float, high: float, about: int = 8) -> list[float]:
    """Round levels inside a range, 1, 2, 2.5 or 5 times a power of ten apart."""
    span = high - low
    if not span > 1e-9 * max(abs(low), abs(high), 1e-300):
        return [low]
    raw = span / about
    unit = 10.0 ** math.floor(math.log10(raw))
    step = unit * min((1, 2, 2.5, 5, 10), key=lambda m: abs(math.log(m * unit / raw)))
    first, last = math.ceil(low / step - 1e-9), math.floor(high / step + 1e-9)
    return [float(f"{i * step:.12g}") for i in range(first, last + 1)] or [low]


def log_levels(low: float, high: float) -> list[float]:
    """Round levels for a range on a log scale, the first and last at or just outside it."""
    decades = math.log10(high / low)
    steps = ((1, 1.1, 1.2, 1.3, 1.4, 1.5, 1.6, 1.7, 1.8, 1.9, 2, 2.2, 2.4, 2.6, 2.8, 3, 3.25, 3.5,
              4, 4.5, 5, 5.5, 6, 6.5, 7, 8, 9) if decades < 0.3 else
             (1, 1.5, 2, 3, 5, 7) if decades < 1.2 else (1, 2, 5) if decades < 3 else (1,))
    start, stop = math.floor(math.log10(low)) - 1, math.ceil(math.log10(high)) + 1
    at = [float(f"{s}e{k}") for k in range(start, stop + 1) for s in steps]
    return at[max(i for i, v in enumerate(at) if v <= low * (1 + 1e-9)):
              min(i for i, v in enumerate(at) if v >= high * (1 - 1e-9)) + 1]


def value_axis(values: Sequence, *, log: bool = False, pad: float = 0.06) -> dict:
    """Axis properties that hold `values`: range, and on a log scale plain numbers as ticks.

    Plotly's own ticks on a log axis show bare digits between powers of ten, which read as
    values.
    """
    known = np.asarray(values, float)
    known = known[np.isfinite(known)]
    if log:
        known = known[known > 0]
    if not known.size:
        return {}
    low, high = float(known.min()), float(known.max())
    if not log:
        edge = pad * (high - low) if high > low else abs(high) / 10 or 1.0
        return {"type": "linear", "range": [low - edge, high + edge]}
    if high / low < 1 + 1e-9:
        low, high = low / 1.1, high * 1.1
    edge = (high / low) ** pad
    low, high = low / edge, high * edge
    ticks = _thinned([v for v in log_levels(low, high) if low <= v <= high], low, high)
    return {"type": "log", "range": [math.log10(low), math.log10(high)], "tickvals": ticks,
            "ticktext": [number(v) for v in ticks]}


def _thinned(ticks: list[float], low: float, high: float) -> list[float]:
    out: list[float] = []
    for v in ticks:
        if not out or math.log(v / out[-1]) >= _LABELS_APART * math.log(high / low):
            out.append(v)
    return out


def factor_axis(factor: Factor) -> dict:
    """Axis properties that put the ticks of an ordinal factor on its levels."""
    return {"tickvals": list(factor.levels), "ticktext": [number(v) for v in factor.levels]} \
        if factor.kind == "ordinal" else {}

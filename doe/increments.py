"""Rounding to what can be set."""

from __future__ import annotations

import math

import numpy as np

__all__ = ["to_increment", "to_increment_inside"]


def to_increment(values, increment: float):
    """Nearest multiples of `increment`, free of binary dust such as 0.30000000000000004."""
    digits = max(0, 12 - math.floor(math.log10(increment)))
    with np.errstate(over="ignore"):  # where so fine an increment is asked for, all is a multiple
        steps = np.asarray(values, float) / increment
    snapped = np.round(np.round(steps) * increment, min(digits, 15))
    return np.where(np.isfinite(steps), snapped, values)[()]


def to_increment_inside(values, increment: float, low, high):
    """Nearest multiples of `increment`, those of values from `low` to `high` within them too.

    Rounding must not push a setting out of a range it was in: 1/6 in steps of 0.01
    belongs at 0.17, not at 0.16. Where no multiple lies in the range, the nearest stands.
    """
    values = np.asarray(values, float)
    snapped = to_increment(values, increment)
    first = to_increment(np.ceil(low / increment - 1e-9) * increment, increment)
    last = to_increment(np.floor(high / increment + 1e-9) * increment, increment)
    inside = (values >= low - 1e-9) & (values <= high + 1e-9) & (first <= last)
    return np.where(inside, np.clip(snapped, first, last), snapped)

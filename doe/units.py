"""Fields that state their unit, and the check of their numbers."""

from __future__ import annotations

from dataclasses import field, fields

from doe.dial import as_table
from doe.errors import InputError, as_number

__all__ = ["check_numbers", "with_unit"]


def with_unit(unit: str, default: object = ...):
    """A field of a frozen dataclass whose unit stands in its metadata."""
    return (field(metadata={"unit": unit}) if default is ...
            else field(default=default, metadata={"unit": unit}))


def check_numbers(value: object, where: str, *, zero_allowed: tuple[str, ...] = ()) -> None:
    """Refuse fields with a unit that are not positive numbers, ranges or tables out of order.

    Fields whose default is None may be left out; those in `zero_allowed` may be 0.
    """
    for f in fields(value):
        given = getattr(value, f.name)
        if "unit" not in f.metadata or (given is None and f.default is None):
            continue
        name = f"{where}, {f.name}"
        if f.name.endswith("_range"):
            if not isinstance(given, (tuple, list)) or len(given) != 2:
                raise InputError(name, given, "a range needs two ends",
                                 f"Give (least, greatest) in {f.metadata['unit']}")
            low, high = (as_number(name, v, at_least=0) for v in given)
            if not low < high:
                raise InputError(name, given, "the ends are not in order",
                                 f"Give (least, greatest) in {f.metadata['unit']}")
            object.__setattr__(value, f.name, (low, high))
        elif f.name.endswith("_levels"):
            object.__setattr__(value, f.name, as_table(name, given))
        elif f.name in zero_allowed:
            object.__setattr__(value, f.name, as_number(name, given, at_least=0))
        else:
            object.__setattr__(value, f.name, as_number(name, given, above=0))

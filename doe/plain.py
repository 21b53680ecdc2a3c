"""Values as plain data (what JSON and SQLite can hold) and back, without pickles."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Any

from doe.constraints import Constraint
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.programme import Programme, Step
from doe.terms import Term

__all__ = ["from_plain", "to_plain"]

_NESTED = {
    (Region, "factors"): Factor,
    (Region, "constraints"): Constraint,
    (Programme, "steps"): Step,
}


def to_plain(value: Any) -> Any:
    """Nested dicts, lists, numbers and texts that say the same as `value`."""
    if isinstance(value, Term):
        return [name for name, power in value.powers for _ in range(power)]
    if dataclasses.is_dataclass(value):
        return {f.name: to_plain(getattr(value, f.name)) for f in dataclasses.fields(value)}
    if isinstance(value, (list, tuple)):
        return [to_plain(v) for v in value]
    if isinstance(value, dict):
        return {str(k): to_plain(v) for k, v in value.items()}
    return value.item() if hasattr(value, "item") else value


def from_plain(cls: type, data: Any) -> Any:
    """The value of class `cls` that `to_plain` wrote as `data`, validated anew.

    Raises
    ------
    InputError
        If a field is unknown, missing or cannot be used.
    """
    if cls is Term:
        return Term(*data)
    if not isinstance(data, Mapping):
        raise InputError(cls.__name__.lower(), data, "these are no named fields",
                         "Give a mapping of names to values")
    known = {f.name: f for f in dataclasses.fields(cls)}
    for name in data:
        if name not in known:
            raise InputError(f"{cls.__name__.lower()}, field", name, "no such field",
                             "Use: " + ", ".join(known))
    for name, f in known.items():
        optional = (f.default is not dataclasses.MISSING
                    or f.default_factory is not dataclasses.MISSING)
        if name not in data and not optional:
            raise InputError(f"{cls.__name__.lower()}, {name}", None, "it is missing",
                             "Add it" + (f", in {f.metadata['unit']}" if "unit" in f.metadata
                                         else ""))
    given = {}
    for name, value in data.items():
        part = _NESTED.get((cls, name))
        if part is not None:
            value = tuple(v if isinstance(v, str) else from_plain(part, v) for v in value)
        elif isinstance(value, list):
            value = tuple(value)
        given[name] = value
    return cls(**given)

"""What a run takes beside the mixing: time at the bench, and material to spare."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

from doe.errors import InputError, as_number
from doe.units import with_unit

__all__ = ["Bench"]


@dataclass(frozen=True)
class Bench:
    """Time at the bench and material beyond the fill, as far as they do not depend on the run.

    Parameters
    ----------
    handling, cleaning : float
        For each run, min: to weigh, load, balance, unload and measure; to clean.
    day : float
        Working time of a day, min.
    spare : float
        Material prepared beyond the fill, as a share of it.
    change : mapping of str to float
        Time to change the setting of a factor, min, by its name; those left out take none, such
        as speeds that are typed into the programme. Treat it as read-only.

    Raises
    ------
    InputError
        If a number cannot be used.
    """

    handling: float = with_unit("min", 10.0)
    cleaning: float = with_unit("min", 0.0)
    day: float = with_unit("min", 420.0)
    spare: float = with_unit("share", 0.0)
    change: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("handling", "cleaning", "spare"):
            value = as_number(f"bench, {name}", getattr(self, name), at_least=0)
            object.__setattr__(self, name, value)
        object.__setattr__(self, "day", as_number("bench, day", self.day, above=0))
        if not isinstance(self.change, Mapping):
            raise InputError("bench, change", self.change, "these are no times by name",
                             "Give a mapping of factors to minutes")
        object.__setattr__(self, "change", {
            name: as_number(f"bench, change of '{name}'", value, at_least=0)
            for name, value in self.change.items()})

    def change_of(self, names: Iterable[str]) -> dict[str, float]:
        """Time to change the settings of these factors, min; those without a time left out."""
        return {name: self.change[name] for name in names if name in self.change}

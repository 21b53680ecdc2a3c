"""The programme a mixer runs: its steps, and which settings belong to which step.

Settings named ``revolution``, ``rotation_ratio``, ``time`` and ``pressure`` make one step. With
a step's name in front, such as ``dispersion_time`` and ``degassing_time``, they make a step for
each name; a step without a setting of its own takes the common one.

A mixer whose dial shows levels has ``revolution_level`` in place of ``revolution``; the rotation
may be set as ``rotation`` in rpm or as ``rotation_level`` in place of ``rotation_ratio``.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

from doe.errors import InputError
from doe.units import check_numbers, with_unit

if TYPE_CHECKING:
    from doe.mixer import Material, Mixer, Vessel

__all__ = ["ATMOSPHERE", "FORMS", "GREATEST_AIR", "LEVELS", "QUANTITIES", "UNITS", "Programme",
           "Step", "in_words", "quantity_of", "setting_of", "source_of", "step_of", "steps_of"]

QUANTITIES = ("revolution", "rotation_ratio", "time", "pressure")
"""What a step has."""
LEVELS = ("revolution_level", "rotation_level")
FORMS = {"revolution": ("revolution", "revolution_level"),
         "rotation": ("rotation_ratio", "rotation", "rotation_level"),
         "time": ("time",), "pressure": ("pressure",)}
"""The settings that each of them can be set by."""
UNITS = {"revolution": "rpm", "revolution_level": "", "rotation_ratio": "", "rotation": "rpm",
         "rotation_level": "", "time": "s", "pressure": "kPa"}
"""Every setting of the mixer with its unit."""
ATMOSPHERE = 101.3
"""kPa."""

GREATEST_AIR = 109.0
"""Just above the greatest that is measured at the surface of the sea, kPa (from memory)."""


@lru_cache(maxsize=1024)  # asked for every column of every point that a search looks at
def quantity_of(name: str) -> str:
    """Which of the mixer's settings the name stands for; empty if none."""
    return next((q for q in UNITS if name == q or name.endswith("_" + q)), "")


def step_of(name: str, steps: Iterable[str] = ()) -> str:
    """The step that a setting belongs to; empty if it is a common one.

    A setting that is none of the mixer's own, such as ``degassing_vent``, belongs to the one of
    `steps` whose name stands in front.
    """
    quantity = quantity_of(name)
    if quantity:
        return name.removesuffix(quantity).removesuffix("_")
    return max((s for s in steps if s and name.startswith(s + "_")), key=len, default="")


def steps_of(names: Iterable[str], order: Sequence[str] = ()) -> list[str]:
    """The steps that settings of these names make; ``[""]`` for one step of common settings.

    Parameters
    ----------
    names : iterable of str
    order : sequence of str, optional
        Steps that come first, in their order; the others follow as their settings do.
    """
    found = dict.fromkeys(step_of(name) for name in names if quantity_of(name))
    return [s for s in dict.fromkeys([*order, *found]) if s in found and s] or [""]


def setting_of(names: Collection[str], step: str, quantity: str) -> str | None:
    """The setting that a step takes a quantity from: its own, else the common one, if any."""
    return next((n for n in (f"{step}_{quantity}", quantity) if n in names), None)


def source_of(names: Collection[str], step: str, what: str) -> str | None:
    """The setting that a step takes one of `FORMS` from: one of its own, else a common one."""
    return next((own for front in dict.fromkeys((f"{step}_" if step else "", ""))
                 for form in FORMS[what] if (own := front + form) in names), None)


def in_words(name: str, value: float | str) -> str:
    """A setting with its unit: ``"degassing time 90 s"``."""
    if isinstance(value, str):
        return f"{name.replace('_', ' ')} {value}"
    unit = UNITS.get(quantity_of(name), {"fill_mass": "g", "fill_volume": "mL"}.get(name, ""))
    return f"{name.replace('_', ' ')} {value:.6g} {unit}".rstrip()


@dataclass(frozen=True)
class Step:
    """One stage of a run.

    Parameters
    ----------
    revolution : float
        rpm.
    rotation_ratio : float
        Rotation ÷ revolution.
    time : float
        s.
    pressure : float
        Absolute, kPa.
    name : str
        Such as "degassing"; may be empty.
    assumed : str
        What is not known of its speeds and taken at its greatest, in words; mostly empty.
    """

    revolution: float = with_unit("rpm")
    rotation_ratio: float = with_unit("ratio")
    time: float = with_unit("s")
    pressure: float = with_unit("kPa", ATMOSPHERE)
    name: str = ""
    assumed: str = ""

    def __post_init__(self) -> None:
        if self.rotation_ratio == math.inf:
            raise InputError(f"step {self.name}".rstrip() + ", revolution", self.revolution,
                             "the vessel would turn on a carrier that stands still",
                             "Give a revolution above 0, or a rotation of 0")
        check_numbers(self, f"step {self.name}".rstrip(),
                      zero_allowed=("rotation_ratio", "revolution"))

    @property
    def rotation(self) -> float:
        """Speed of the cup about its own axis, rpm."""
        return self.revolution * self.rotation_ratio


@dataclass(frozen=True)
class Programme:
    """An ordered list of steps."""

    steps: tuple[Step, ...]

    def __post_init__(self) -> None:
        object.__setattr__(self, "steps", tuple(self.steps))
        if not self.steps:
            raise InputError("programme, steps", self.steps, "there are none", "Add a step")

    @property
    def time(self) -> float:
        """Total, s."""
        return sum(s.time for s in self.steps)

    def problems(self, mixer: Mixer, vessel: Vessel | None = None,
                 material: Material | None = None) -> list[str]:
        """Every limit of mixer, vessel and material that the programme breaks, in words."""
        out = []
        if len(self.steps) > mixer.steps_stored:
            out.append(f"{len(self.steps)} steps, but the mixer stores {mixer.steps_stored}")
        if self.time > mixer.greatest_time:
            out.append(f"{self.time:g} s in all, but the mixer runs at most "
                       f"{mixer.greatest_time:g} s")
        for i, s in enumerate(self.steps, 1):
            where = f"step {i} ({s.name})" if s.name else f"step {i}"
            if mixer.greatest_step_time is not None and s.time > mixer.greatest_step_time:
                out.append(f"{where}: {s.time:g} s, but a step lasts at most "
                           f"{mixer.greatest_step_time:g} s")
            limits = [("revolution", s.revolution, mixer.revolution_range, "rpm"),
                      ("rotation", s.rotation, mixer.rotation_range, "rpm")]
            if s.pressure < ATMOSPHERE - 1 and mixer.pressure_range is None:
                out.append(f"{where}: {s.pressure:g} kPa, but the mixer has no vacuum")
            elif s.pressure < ATMOSPHERE - 1:
                limits.append(("pressure", s.pressure, mixer.pressure_range, "kPa"))
            elif s.pressure > max(GREATEST_AIR, (mixer.pressure_range or (0, 0))[1]):
                out.append(f"{where}: {s.pressure:g} kPa absolute is above the pressure of the "
                           f"air, {ATMOSPHERE:g} kPa, which the mixer does not reach")
            for name, value, (low, high), unit in limits:
                if not low - 1e-9 <= value <= high + 1e-9:
                    out.append(f"{where}: {name} {value:g} {unit} is outside the mixer's "
                               f"{low:g} to {high:g} {unit}")
            force = mixer.greatest_acceleration(vessel, s.revolution)
            if vessel and vessel.rated_acceleration and force > vessel.rated_acceleration:
                out.append(f"{where}: {force:.4g} × g at the edge of its base, but the "
                           f"{vessel.kind} is rated for {vessel.rated_acceleration:g} × g"
                           + (f" ({s.assumed})" if s.assumed else ""))
            if material and material.vapour_pressure and s.pressure <= material.vapour_pressure:
                out.append(f"{where}: {s.pressure:g} kPa is at or below the vapour pressure "
                           f"{material.vapour_pressure:g} kPa of {material.name}: it will boil")
        return out

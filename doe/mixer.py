"""The mixer's envelope, what is put in it, and the programme it runs.

Every field states its unit in its metadata: ``fields(Mixer)[i].metadata["unit"]``.
Speeds are rpm, times s, pressures kPa absolute, temperatures °C, lengths mm, masses g;
accelerations are multiples of standard gravity (g).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields

import numpy as np
import pandas as pd

from doe.constraints import Constraint
from doe.errors import InputError, as_choice, as_number
from doe.factors import Factor, Region, to_increment, to_increment_inside
from doe.physics import relative_acceleration

__all__ = ["DEFAULT_FACTORS", "Material", "Mixer", "Programme", "Step", "Vessel",
           "default_region"]

VESSELS = ("cup", "jar", "tube", "bottle", "syringe barrel")
DEFAULT_FACTORS = ("revolution", "rotation_ratio", "time", "pressure")
ATMOSPHERE = 101.3


def _unit(unit: str, default: object = ...):
    return (field(metadata={"unit": unit}) if default is ...
            else field(default=default, metadata={"unit": unit}))


def _check_numbers(value: object, where: str, *, zero_allowed: tuple[str, ...] = ()) -> None:
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
        elif f.name in zero_allowed:
            object.__setattr__(value, f.name, as_number(name, given, at_least=0))
        else:
            object.__setattr__(value, f.name, as_number(name, given, above=0))


@dataclass(frozen=True)
class Mixer:
    """A machine's envelope.

    Parameters
    ----------
    name : str
        Whatever the laboratory calls it.
    carrier_radius : float
        From the central axis to the middle of the cup, mm.
    tilt : float
        Of the cup's axis from the vertical, degrees.
    revolution_range, rotation_range : (float, float)
        Speeds that can be set, rpm.
    revolution_increment, rotation_increment : float
        Least steps of the two speeds, rpm.
    pressure_range : (float, float) or None
        Absolute pressures that can be held, kPa; None for a mixer without vacuum.
    pressure_increment : float
        kPa.
    greatest_time, time_increment : float
        Of one programme, s.
    steps_stored : int
        Greatest number of steps in a programme.
    greatest_load : float
        Cup, adapter and contents together, g.
    imbalance_allowed : float
        Greatest difference between load and counterbalance that may be run, g.
    counterbalance_increment : float
        Least step of the counterbalance, g.
    """

    name: str
    carrier_radius: float = _unit("mm")
    tilt: float = _unit("degrees", 45.0)
    revolution_range: tuple[float, float] = _unit("rpm", (200.0, 2000.0))
    rotation_range: tuple[float, float] = _unit("rpm", (0.0, 2000.0))
    revolution_increment: float = _unit("rpm", 10.0)
    rotation_increment: float = _unit("rpm", 10.0)
    pressure_range: tuple[float, float] | None = _unit("kPa", None)
    pressure_increment: float = _unit("kPa", 0.1)
    greatest_time: float = _unit("s", 1800.0)
    time_increment: float = _unit("s", 1.0)
    steps_stored: int = _unit("steps", 5)
    greatest_load: float = _unit("g", 500.0)
    imbalance_allowed: float = _unit("g", 20.0)
    counterbalance_increment: float = _unit("g", 10.0)

    def __post_init__(self) -> None:
        where = f"mixer '{self.name}'"
        _check_numbers(self, where, zero_allowed=("tilt",))
        as_number(f"{where}, tilt", self.tilt, at_most=90)
        if self.steps_stored != int(self.steps_stored):
            raise InputError(f"{where}, steps_stored", self.steps_stored,
                             "a number of steps is whole", "Give a whole number")
        object.__setattr__(self, "steps_stored", int(self.steps_stored))

    def snap(self, settings: pd.DataFrame, region: Region | None = None) -> pd.DataFrame:
        """The nearest settings the mixer can be set to.

        Knows the columns ``revolution``, ``rotation_ratio``, ``time`` and ``pressure`` (or
        any name ending in one of them after an underscore: ``dispersion_time``); others
        pass. The ratio follows from the two speeds, each rounded to its own increment;
        with a `region`, its factors' own increments and levels are kept too, and rounding
        goes to the inside of their ranges.
        """
        out = settings.copy() if region is None else region.snap(settings)
        for column in settings.columns:
            _, quantity = _split(column)
            if quantity in ("revolution", "time", "pressure"):
                out[column] = _settle(region, column, out[column].to_numpy(float),
                                      getattr(self, f"{quantity}_increment"))
        for column in settings.columns:
            stem, quantity = _split(column)
            if quantity == "rotation_ratio":
                # A step without a speed of its own takes the common one.
                speed = next((c for c in (stem + "revolution", "revolution") if c in out), None)
                if speed is None:
                    continue
                revolution = out[speed].to_numpy(float)
                rotation = _settle(region, column, revolution * out[column].to_numpy(float),
                                   self.rotation_increment, revolution)
                out[column] = np.divide(rotation, revolution, where=revolution > 0,
                                        out=np.zeros_like(rotation))
        return out

    def rotation(self, settings: pd.DataFrame) -> np.ndarray:
        """Rotation speed to set, rpm; shape (n,)."""
        return to_increment(settings["revolution"].to_numpy(float)
                            * settings["rotation_ratio"].to_numpy(float), self.rotation_increment)

    def counterbalance(self, load: float) -> float:
        """Mass to fit opposite a load of cup, adapter and contents, g.

        Raises
        ------
        InputError
            If the load is beyond the mixer, or cannot be balanced closely enough.
        """
        as_number("load, g", load, above=0)
        if load > self.greatest_load:
            raise InputError("load, g", load, f"the mixer carries at most {self.greatest_load:g} g",
                             "Fill less, or use a lighter vessel or adapter")
        mass = float(to_increment(load, self.counterbalance_increment))
        if abs(mass - load) > self.imbalance_allowed:
            raise InputError("load, g", load, f"the nearest counterbalance is {mass:g} g, "
                             f"further off than the {self.imbalance_allowed:g} g allowed",
                             "Change the fill mass, or use a finer counterbalance")
        return mass


@dataclass(frozen=True)
class Vessel:
    """What holds the material: a cup, jar, tube, bottle or syringe barrel.

    Parameters
    ----------
    kind : {"cup", "jar", "tube", "bottle", "syringe barrel"}
    volume : float
        Nominal, mL.
    bore : float
        Inner diameter, mm.
    tare : float
        Empty, with lid and adapter, g.
    rated_acceleration : float or None
        Greatest it may be swung at, in multiples of standard gravity.
    temperature_limit : float or None
        °C.
    """

    kind: str
    volume: float = _unit("mL")
    bore: float = _unit("mm")
    tare: float = _unit("g")
    rated_acceleration: float | None = _unit("g", None)
    temperature_limit: float | None = _unit("°C", None)

    def __post_init__(self) -> None:
        as_choice("vessel, kind", self.kind, VESSELS)
        _check_numbers(self, f"vessel '{self.kind}'")


@dataclass(frozen=True)
class Material:
    """What is mixed.

    Parameters
    ----------
    name : str
    density, viscosity : float
        Of the fluid, g/cm³ and Pa·s (at the shear rate and temperature of mixing).
    filler_density, filler_diameter, filler_volume_fraction : float or None
        g/cm³, µm and a fraction from 0 to 1.
    vapour_pressure : float or None
        Of the most volatile part at the greatest temperature, kPa.
    temperature_limit : float or None
        °C.
    start_temperature : float
        °C.
    """

    name: str
    density: float = _unit("g/cm³")
    viscosity: float = _unit("Pa·s")
    filler_density: float | None = _unit("g/cm³", None)
    filler_diameter: float | None = _unit("µm", None)
    filler_volume_fraction: float | None = _unit("fraction", None)
    vapour_pressure: float | None = _unit("kPa", None)
    temperature_limit: float | None = _unit("°C", None)
    start_temperature: float = _unit("°C", 23.0)

    def __post_init__(self) -> None:
        where = f"material '{self.name}'"
        _check_numbers(self, where, zero_allowed=("vapour_pressure", "filler_volume_fraction"))
        if self.filler_volume_fraction is not None:
            as_number(f"{where}, filler_volume_fraction", self.filler_volume_fraction, at_most=0.74)


@dataclass(frozen=True)
class Step:
    """One stage of a run: revolution rpm, rotation ratio, time s, absolute pressure kPa."""

    revolution: float = _unit("rpm")
    rotation_ratio: float = _unit("ratio")
    time: float = _unit("s")
    pressure: float = _unit("kPa", ATMOSPHERE)

    def __post_init__(self) -> None:
        _check_numbers(self, "step", zero_allowed=("rotation_ratio", "revolution"))

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
            limits = [("revolution", s.revolution, mixer.revolution_range, "rpm"),
                      ("rotation", s.rotation, mixer.rotation_range, "rpm")]
            if s.pressure < ATMOSPHERE - 1:
                if mixer.pressure_range is None:
                    out.append(f"step {i}: {s.pressure:g} kPa, but the mixer has no vacuum")
                else:
                    limits.append(("pressure", s.pressure, mixer.pressure_range, "kPa"))
            for name, value, (low, high), unit in limits:
                if not low - 1e-9 <= value <= high + 1e-9:
                    out.append(f"step {i}: {name} {value:g} {unit} is outside the mixer's "
                               f"{low:g} to {high:g} {unit}")
            force = float(relative_acceleration(s.revolution, mixer.carrier_radius))
            if vessel and vessel.rated_acceleration and force > vessel.rated_acceleration:
                out.append(f"step {i}: {force:.0f} g, but the {vessel.kind} is rated for "
                           f"{vessel.rated_acceleration:g} g")
            if material and material.vapour_pressure and s.pressure <= material.vapour_pressure:
                out.append(f"step {i}: {s.pressure:g} kPa is at or below the vapour pressure "
                           f"{material.vapour_pressure:g} kPa of {material.name}: it will boil")
        return out


def default_region(mixer: Mixer, vessel: Vessel | None = None,
                   material: Material | None = None) -> Region:
    """The usual four factors over the mixer's middle range, with its limits as constraints.

    Rotation is usually set to about one third of revolution (common practice, no source):
    that is the centre of the default rotation ratio.
    """
    low, high = mixer.revolution_range
    if vessel and vessel.rated_acceleration:
        rated = vessel.rated_acceleration / relative_acceleration(1.0, mixer.carrier_radius)
        high = min(high, float(np.sqrt(rated)))
    if high <= low:
        raise InputError(f"vessel '{vessel.kind}', rated_acceleration", vessel.rated_acceleration,
                         f"the mixer's least revolution, {low:g} rpm, is already beyond it",
                         "Use another vessel")
    span = high - low
    step = mixer.revolution_increment
    longest = min(300.0, mixer.greatest_time)
    ends = [float(to_increment(low + share * span, step)) for share in (0.35, 0.85)]
    factors = [
        Factor("revolution", *ends, unit="rpm", increment=step),
        Factor("rotation_ratio", 1 / 6, 1 / 2),
        Factor("time", longest / 5, longest, unit="s", increment=mixer.time_increment),
    ]
    if mixer.pressure_range:
        least, most = mixer.pressure_range
        floor = max(least, min(2.0, most / 2))
        if material and material.vapour_pressure:
            floor = max(floor, 2 * material.vapour_pressure)
            if floor >= most:
                raise InputError(f"material '{material.name}', vapour_pressure",
                                 material.vapour_pressure, "it may boil below twice that, which "
                                 f"is beyond the mixer's {most:g} kPa",
                                 "Make a region without pressure, or mix colder")
        floor = float(to_increment(floor, mixer.pressure_increment))
        ceiling = min(max(50.0, 2 * floor), most)
        factors.append(Factor("pressure", floor, ceiling, unit="kPa",
                              increment=mixer.pressure_increment, hard_to_change=True,
                              label="absolute pressure"))
    return Region(tuple(factors), rotation_limits(mixer))


def rotation_limits(mixer: Mixer) -> Sequence[Constraint]:
    """The mixer's rotation range as a constraint on revolution × rotation ratio."""
    low, high = mixer.rotation_range
    product = ("revolution", "rotation_ratio")
    limits = [Constraint(((1.0, product),), high, "greatest rotation speed")]
    if low > 0:
        limits.append(Constraint(((-1.0, product),), -low, "least rotation speed"))
    return tuple(limits)


def _split(column: str) -> tuple[str, str]:
    for quantity in ("rotation_ratio", "revolution", "time", "pressure"):
        if column == quantity or column.endswith("_" + quantity):
            return column[: -len(quantity)], quantity
    return "", ""


def _settle(region: Region | None, column: str, asked: np.ndarray, step: float,
            scale: float | np.ndarray = 1.0) -> np.ndarray:
    """Multiples of `step`, inside the factor's range (times `scale`) if the region has it."""
    if region is None or column not in region.names or not region[column].is_numeric:
        return to_increment(asked, step)
    return to_increment_inside(asked, step, region[column].low * scale,
                               region[column].high * scale)

"""The mixer's envelope, and what is put in it.

Every field states its unit in its metadata: ``fields(Mixer)[i].metadata["unit"]``.
Speeds are rpm, times s, pressures kPa absolute, temperatures °C, lengths mm, masses g;
accelerations are multiples of standard gravity (g).
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.constraints import Constraint
from doe.errors import InputError, as_choice, as_number
from doe.factors import Factor, Region, to_increment, to_increment_inside
from doe.physics import relative_acceleration
from doe.programme import quantity_of, setting_of, step_of, steps_of
from doe.units import check_numbers, with_unit

__all__ = ["Material", "Mixer", "Vessel", "default_region", "rotation_limits"]

VESSELS = ("cup", "jar", "tube", "bottle", "syringe barrel")


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
    greatest_step_time : float or None
        Of one step of a programme, s; None if only the whole is limited.
    """

    name: str
    carrier_radius: float = with_unit("mm")
    tilt: float = with_unit("degrees", 45.0)
    revolution_range: tuple[float, float] = with_unit("rpm", (200.0, 2000.0))
    rotation_range: tuple[float, float] = with_unit("rpm", (0.0, 2000.0))
    revolution_increment: float = with_unit("rpm", 10.0)
    rotation_increment: float = with_unit("rpm", 10.0)
    pressure_range: tuple[float, float] | None = with_unit("kPa", None)
    pressure_increment: float = with_unit("kPa", 0.1)
    greatest_time: float = with_unit("s", 1800.0)
    time_increment: float = with_unit("s", 1.0)
    steps_stored: int = with_unit("steps", 5)
    greatest_load: float = with_unit("g", 500.0)
    imbalance_allowed: float = with_unit("g", 20.0)
    counterbalance_increment: float = with_unit("g", 10.0)
    greatest_step_time: float | None = with_unit("s", None)

    def __post_init__(self) -> None:
        where = f"mixer '{self.name}'"
        check_numbers(self, where, zero_allowed=("tilt",))
        as_number(f"{where}, tilt", self.tilt, at_most=90)
        if self.steps_stored != int(self.steps_stored):
            raise InputError(f"{where}, steps_stored", self.steps_stored,
                             "a number of steps is whole", "Give a whole number")
        object.__setattr__(self, "steps_stored", int(self.steps_stored))

    def snap(self, settings: pd.DataFrame, region: Region | None = None) -> pd.DataFrame:
        """The nearest settings the mixer can be set to.

        Knows the columns that set a step of a programme (see `doe.programme`); others pass.
        The ratio follows from the two speeds, each rounded to its own increment;
        with a `region`, its factors' own increments and levels are kept too, and rounding
        goes to the inside of their ranges.
        """
        out = settings.copy() if region is None else region.snap(settings)
        for column in settings.columns:
            quantity = quantity_of(column)
            if quantity in ("revolution", "time", "pressure"):
                out[column] = _settle(region, column, out[column].to_numpy(float),
                                      getattr(self, f"{quantity}_increment"))
        for column in settings.columns:
            if quantity_of(column) == "rotation_ratio":
                speed = setting_of(out.columns, step_of(column), "revolution")
                if speed is None:
                    continue
                revolution = out[speed].to_numpy(float)
                rotation = _settle(region, column, revolution * out[column].to_numpy(float),
                                   self.rotation_increment, revolution)
                out[column] = np.divide(rotation, revolution, where=revolution > 0,
                                        out=np.zeros_like(rotation))
        return out

    def check_memory(self, names: Iterable[str]) -> None:
        """Refuse settings that make more steps than a programme can have.

        Raises
        ------
        InputError
            Naming the steps.
        """
        steps = steps_of(names)
        if len(steps) > self.steps_stored:
            raise InputError("programme, steps", ", ".join(steps), f"these are {len(steps)} steps, "
                             f"but the mixer '{self.name}' stores {self.steps_stored}",
                             "Join steps into one, or give the mixer's steps_stored as it is")

    def rotation(self, settings: pd.DataFrame) -> np.ndarray:
        """Rotation speed to set, rpm; shape (n,)."""
        return to_increment(settings["revolution"].to_numpy(float)
                            * settings["rotation_ratio"].to_numpy(float), self.rotation_increment)

    def ratios(self, factor: Factor, revolution: float) -> np.ndarray:
        """The rotation ratios that can be set at one revolution, ascending; shape (n,).

        Each is a settable rotation speed over the revolution, within the factor's range; a
        factor with levels or an increment of its own keeps to those as closely as the mixer
        can. Where there is none, the one nearest to the middle of the range stands alone.

        Parameters
        ----------
        factor : Factor
            A rotation ratio.
        revolution : float
            rpm, above 0.
        """
        step = self.rotation_increment
        low, high = (v * revolution for v in (factor.low, factor.high))
        if factor.kind == "continuous" and factor.increment is None:
            speeds = step * np.arange(np.ceil(low / step - 1e-9), np.floor(high / step + 1e-9) + 1)
        else:
            count = 1 if factor.increment is None else (
                round((factor.high - factor.low) / factor.increment) + 1)
            speeds = factor.settings(count) * revolution
        least, most = self.rotation_range
        speeds = speeds[(speeds >= least - 1e-9) & (speeds <= most + 1e-9)]
        if not len(speeds):
            speeds = np.clip([(low + high) / 2], least, most)
        speeds = _settle(None, factor.name, speeds, step)
        return np.unique(speeds) / revolution

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
    volume: float = with_unit("mL")
    bore: float = with_unit("mm")
    tare: float = with_unit("g")
    rated_acceleration: float | None = with_unit("× g", None)
    temperature_limit: float | None = with_unit("°C", None)

    def __post_init__(self) -> None:
        as_choice("vessel, kind", self.kind, VESSELS)
        check_numbers(self, f"vessel '{self.kind}'")


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
    density: float = with_unit("g/cm³")
    viscosity: float = with_unit("Pa·s")
    filler_density: float | None = with_unit("g/cm³", None)
    filler_diameter: float | None = with_unit("µm", None)
    filler_volume_fraction: float | None = with_unit("fraction", None)
    vapour_pressure: float | None = with_unit("kPa", None)
    temperature_limit: float | None = with_unit("°C", None)
    start_temperature: float = with_unit("°C", 23.0)

    def __post_init__(self) -> None:
        where = f"material '{self.name}'"
        check_numbers(self, where, zero_allowed=("vapour_pressure", "filler_volume_fraction"))
        if self.filler_volume_fraction is not None:
            as_number(f"{where}, filler_volume_fraction", self.filler_volume_fraction, at_most=0.74)


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
    longest = min(300.0, mixer.greatest_time, mixer.greatest_step_time or np.inf)
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


def rotation_limits(mixer: Mixer, names: Iterable[str] = ("revolution", "rotation_ratio"),
                    held: Mapping[str, float] | None = None) -> tuple[Constraint, ...]:
    """The mixer's rotation range as constraints on revolution × rotation ratio of every step.

    Parameters
    ----------
    mixer : Mixer
    names : iterable of str
        Factors.
    held : mapping, optional
        Settings that are the same in every run.
    """
    held = held or {}
    known = [*names, *held]
    low, high = mixer.rotation_range
    limits = []
    for step in steps_of(known):
        product = tuple(setting_of(known, step, q) for q in ("revolution", "rotation_ratio"))
        if None in product:
            continue
        limits.append(Constraint(((1.0, product),), high, "greatest rotation speed"))
        if low > 0:
            limits.append(Constraint(((-1.0, product),), -low, "least rotation speed"))
    left = dict.fromkeys(limit.fix(held) for limit in limits)
    return tuple(limit for limit in left if limit is not None)


def _settle(region: Region | None, column: str, asked: np.ndarray, step: float,
            scale: float | np.ndarray = 1.0) -> np.ndarray:
    """Multiples of `step`, inside the factor's range (times `scale`) if the region has it."""
    if region is None or column not in region.names or not region[column].is_numeric:
        return to_increment(asked, step)
    return to_increment_inside(asked, step, region[column].low * scale,
                               region[column].high * scale)

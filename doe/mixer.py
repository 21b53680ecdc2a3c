"""The mixer's envelope: what it can be set to, and what it swings.

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
from doe.dial import Table, nearest_level, to_rpm
from doe.errors import InputError, as_number
from doe.factors import Factor, Region, to_increment, to_increment_inside
from doe.geometry import greatest_radius
from doe.physics import relative_acceleration
from doe.programme import ATMOSPHERE, LEVELS, Step, quantity_of, source_of, step_of, steps_of
from doe.speeds import Speeds, speed_terms
from doe.units import check_numbers, with_unit
from doe.vessel import Material, Vessel

__all__ = ["Material", "Mixer", "Vessel", "default_region", "rotation_limits"]


@dataclass(frozen=True)
class Mixer:
    """A machine's envelope.

    Parameters
    ----------
    name : str
        Whatever the laboratory calls it.
    carrier_radius : float
        From the central axis to the middle of the vessel, mm: the point on the vessel's own
        axis midway between inner base and rim (see `doe.geometry`). A shallower vessel that
        stands on the same floor has its middle further out.
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
    revolution_levels, rotation_levels : sequence or None
        Where a speed is set as a level of a dial, the rpm of levels 1, 2, 3 and so on, or pairs
        (level, rpm); kept as pairs. See `doe.dial`.
    vessels : int
        Carried at once: with 2 the second, of equal mass, is the counterbalance.
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
    revolution_levels: tuple[tuple[float, float], ...] | None = with_unit("rpm", None)
    rotation_levels: tuple[tuple[float, float], ...] | None = with_unit("rpm", None)
    vessels: int = with_unit("vessels", 1)

    def __post_init__(self) -> None:
        where = f"mixer '{self.name}'"
        check_numbers(self, where, zero_allowed=("tilt",))
        as_number(f"{where}, tilt", self.tilt, at_most=90)
        if self.steps_stored != int(self.steps_stored):
            raise InputError(f"{where}, steps_stored", self.steps_stored,
                             "a number of steps is whole", "Give a whole number")
        object.__setattr__(self, "steps_stored", int(self.steps_stored))
        if self.vessels not in (1, 2):
            raise InputError(f"{where}, vessels", self.vessels, "one vessel is balanced by a "
                             "counterbalance, two by each other", "Give 1 or 2")
        object.__setattr__(self, "vessels", int(self.vessels))
        for which in ("revolution", "rotation"):
            (low, high), table = getattr(self, f"{which}_range"), self.levels_of(which)
            for level, rpm in table or ():
                if not low - 1e-9 <= rpm <= high + 1e-9:
                    raise InputError(f"{where}, {which}_levels", rpm, f"level {level:g} is outside "
                                     f"the mixer's {low:g} to {high:g} rpm",
                                     f"Correct the table or {which}_range")

    def levels_of(self, quantity: str) -> Table | None:
        """The table of a speed, by the name of either: ``revolution`` or ``revolution_level``."""
        return getattr(self, f"{quantity.removesuffix('_level')}_levels")

    def rpm(self, name: str, values, between: bool = False) -> tuple[np.ndarray, str]:
        """Speeds that a setting of that name stands for, rpm, and what had to be assumed.

        With `between`, a level that the table lacks has a speed between those of its neighbours,
        as the points have that a plan starts from.

        Raises
        ------
        InputError
            If a level is not in the mixer's table.
        """
        quantity, values = quantity_of(name), np.asarray(values, float)
        if quantity not in LEVELS:
            return values, ""
        table, which = self.levels_of(quantity), quantity.removesuffix("_level")
        if table is not None:
            return (np.interp(values, *np.array(table).T) if between else
                    to_rpm(table, values, f"setting '{name}'")), ""
        greatest = getattr(self, f"{which}_range")[1]
        return np.full(values.shape, greatest), (
            f"the mixer has no table of {which} levels, so its greatest {which}, {greatest:g} rpm, "
            "is assumed")

    def speeds(self, settings: pd.DataFrame | Mapping, step: str = "",
               between: bool = False) -> Speeds:
        """Both speeds of a step, whichever way they are set; see `doe.programme.source_of`.

        `between` as in `rpm`.

        Raises
        ------
        InputError
            If a level is not in the mixer's table.
        """
        turning, spinning = (source_of(settings, step, what) for what in ("revolution", "rotation"))
        revolution, assumed = (None, "") if turning is None else self.rpm(
            turning, settings[turning], between)
        if spinning is None:
            return Speeds(revolution, None, None, assumed)
        if quantity_of(spinning) == "rotation_ratio":
            ratio = np.asarray(settings[spinning], float)
            if revolution is None:
                return Speeds(None, None, ratio)
            if assumed:
                ratio = np.minimum(ratio, self.rotation_range[1] / revolution)
            return Speeds(revolution, revolution * ratio, ratio, assumed)
        rotation, too = self.rpm(spinning, settings[spinning], between)
        assumed = "; ".join(filter(None, (assumed, too)))
        if revolution is None:
            return Speeds(None, rotation, None, assumed)
        ratio = np.divide(rotation, revolution, where=revolution > 0,
                          out=np.where(rotation > 0, np.inf, 0.0))
        return Speeds(revolution, rotation, ratio, assumed)

    def step(self, settings: Mapping, name: str = "") -> Step:
        """A step of the run with these settings; without a pressure at atmospheric pressure.

        Raises
        ------
        InputError
            If nothing sets a speed or the time, or a level is not in the mixer's table.
        """
        speeds = self.speeds(settings, name)
        time, pressure = (source_of(settings, name, what) for what in ("time", "pressure"))
        have = {"revolution": speeds.revolution, "rotation_ratio": speeds.ratio, "time": time}
        for quantity, value in have.items():
            if value is None:
                lacking = f"{name}_{quantity}" if name else quantity
                raise InputError(f"step, {lacking}", None, "it is neither a factor nor held, so "
                                 "the programme of a run is not complete",
                                 f"Add {lacking} to the held settings of the brief")
        return Step(float(speeds.revolution), float(speeds.ratio), float(settings[time]),
                    ATMOSPHERE if pressure is None else float(settings[pressure]), name,
                    speeds.assumed)

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
            if quantity in LEVELS:
                out[column] = self._settle_level(region, column, out[column].to_numpy(float))
            elif quantity and quantity != "rotation_ratio":
                out[column] = _settle(region, column, out[column].to_numpy(float),
                                      getattr(self, f"{quantity}_increment"))
        for column in settings.columns:
            if quantity_of(column) == "rotation_ratio":
                speed = source_of(out.columns, step_of(column), "revolution")
                if speed is None:
                    continue
                revolution, assumed = self.rpm(speed, out[speed])
                if assumed:
                    continue
                rotation = _settle(region, column, revolution * out[column].to_numpy(float),
                                   self.rotation_increment, revolution)
                out[column] = np.divide(rotation, revolution, where=revolution > 0,
                                        out=np.zeros_like(rotation))
        return out

    def _settle_level(self, region: Region | None, column: str, asked: np.ndarray) -> np.ndarray:
        """Levels of the table, or whole ones without a table, inside the factor's range."""
        table = self.levels_of(quantity_of(column))
        if table is None:
            return _settle(region, column, asked, 1.0)
        known = region is not None and column in region.names
        low, high = ((region[column].low, region[column].high) if known else (-np.inf, np.inf))
        return nearest_level(table, asked, low, high)

    def greatest_acceleration(self, vessel: Vessel | None, revolution: float) -> float:
        """Of the swing at the vessel's worst point, the edge of its base, in × g.

        ω² r at the radius of `doe.geometry.greatest_radius`; without a vessel at the carrier
        radius. What the vessel's own rotation adds is not in it: ratings are stated for the
        swing (common practice, no source).

        Parameters
        ----------
        vessel : Vessel or None
        revolution : float
            rpm.
        """
        radius = self.carrier_radius if vessel is None else greatest_radius(
            self.carrier_radius, self.tilt, vessel.volume, vessel.bore)
        return float(relative_acceleration(revolution, radius))

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

        Notes
        -----
        With two vessels the second, of the same mass, is the counterbalance.
        """
        as_number("load, g", load, above=0)
        if load > self.greatest_load:
            raise InputError("load, g", load, f"the mixer carries at most {self.greatest_load:g} g",
                             "Fill less, or use a lighter vessel or adapter")
        if self.vessels == 2:
            return float(load)
        mass = float(to_increment(load, self.counterbalance_increment))
        if abs(mass - load) > self.imbalance_allowed:
            raise InputError("load, g", load, f"the nearest counterbalance is {mass:g} g, "
                             f"further off than the {self.imbalance_allowed:g} g allowed",
                             "Change the fill mass, or use a finer counterbalance")
        return mass


def default_region(mixer: Mixer, vessel: Vessel | None = None,
                   material: Material | None = None) -> Region:
    """The usual four factors over the mixer's middle range, with its limits as constraints.

    Rotation is usually set to about one third of revolution (common practice, no source):
    that is the centre of the default rotation ratio.
    """
    low, high = mixer.revolution_range
    if vessel and vessel.rated_acceleration:
        rated = vessel.rated_acceleration / mixer.greatest_acceleration(vessel, 1.0)
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
        source = source_of(known, step, "rotation")
        terms = speed_terms(known, step, "rotation", mixer)
        if terms is None or quantity_of(source) != "rotation_ratio":
            continue  # a speed or level of its own has its limits in its range
        limits.append(Constraint(terms, high, "greatest rotation speed"))
        if low > 0:
            limits.append(Constraint(tuple((-c, names) for c, names in terms), -low,
                                     "least rotation speed"))
    left = dict.fromkeys(limit.fix(held) for limit in limits)
    return tuple(limit for limit in left if limit is not None)


def _settle(region: Region | None, column: str, asked: np.ndarray, step: float,
            scale: float | np.ndarray = 1.0) -> np.ndarray:
    """Multiples of `step`, inside the factor's range (times `scale`) if the region has it."""
    if region is None or column not in region.names or not region[column].is_numeric:
        return to_increment(asked, step)
    return to_increment_inside(asked, step, region[column].low * scale,
                               region[column].high * scale)

"""Limits on a whole programme: its time, and how much it may warm the material.

A heat budget is an *estimate*. It counts the heat that viscous flow makes in all steps, in
proportion to the square of the rotation and to the time, as `doe.physics` does, and lets none
of it out; it knows neither that a warm paste is thinner nor what friction, reaction or the
machine add. It keeps a plan clear of programmes that are plainly too hot. A thermometer and the
stop at the temperature limit keep the material safe.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping

import pandas as pd

from doe.constraints import Constraint
from doe.errors import InputError, as_number
from doe.factors import Region
from doe.mixer import Material, Mixer, Vessel
from doe.physics import dissipated_power, mean_shear_rate, temperature_rise
from doe.programme import quantity_of, setting_of, source_of, steps_of
from doe.speeds import speed_terms

__all__ = ["allowed_rise", "heat_budget", "heating_by_flow", "heating_of_run", "lengthened",
           "time_budget"]


def time_budget(greatest: float | Mixer, names: Iterable[str],
                held: Mapping[str, float] | None = None) -> Constraint | None:
    """The times of all steps together, at most `greatest`.

    Parameters
    ----------
    greatest : float or Mixer
        s; of a mixer, the longest programme it runs.
    names : iterable of str
        Factors.
    held : mapping, optional
        Settings that are the same in every run; their time is taken off.

    Returns
    -------
    Constraint or None
        None if no factor is a time.

    Raises
    ------
    InputError
        If the steps held take longer than that by themselves.

    Examples
    --------
    >>> str(time_budget(300, ["dispersion_time", "degassing_time"], {"wetting_time": 60}))
    'dispersion_time + degassing_time <= 240'
    """
    mixer = isinstance(greatest, Mixer)
    upper = greatest.greatest_time if mixer else as_number("greatest, s", greatest, above=0)
    held = held or {}
    known = [*names, *held]
    times = [setting_of(known, step, "time") for step in steps_of(known)]
    return _sum([(1.0, (t,)) for t in times if t], upper,
                "longest programme of the mixer" if mixer else "time of the whole programme", held)


def lengthened(region: Region, settings: Mapping[str, object]) -> dict[str, object]:
    """The settings with the time of each step in turn as long as the region allows."""
    out = dict(settings)
    for f in region.factors:
        if quantity_of(f.name) != "time" or f.kind != "continuous":
            continue
        longest = f.high
        for c in region.constraints:
            if max(names.count(f.name) for _, names in c.terms) == 1:
                rest = c.value({**out, f.name: 0.0})[0]
                slope = c.value({**out, f.name: 1.0})[0] - rest
                longest = min(longest, (c.upper - rest) / slope) if slope > 0 else longest
        trial = {**out, f.name: max(longest, out[f.name])}
        out = trial if region.contains(pd.DataFrame([trial]))[0] else out
    return out


def heat_budget(rise: float, heating: float, names: Iterable[str],
                held: Mapping[str, float] | None = None,
                mixer: Mixer | None = None) -> Constraint | None:
    """The estimated warming over all steps together, at most `rise`.

    Parameters
    ----------
    rise : float
        °C; see `allowed_rise`.
    heating : float
        °C per rpm² of rotation and s; see `heating_of_run` and `heating_by_flow`.
    names : iterable of str
        Factors.
    held : mapping, optional
        Settings that are the same in every run.
    mixer : Mixer, optional
        Needed for speeds set as levels: its table gives their rpm. Where the levels' steps are
        uneven, a straight line that lies nowhere below takes the table's place, and without a
        table the greatest speed does, so that the estimate is never too low.

    Returns
    -------
    Constraint or None
        Its sum is the estimated rise, °C. None if all speeds and times are held.

    Raises
    ------
    InputError
        If a number cannot be used, a step lacks its revolution, rotation ratio or time, or the
        settings held warm the material too much by themselves.

    Examples
    --------
    >>> budget = heat_budget(20, 2e-7, ["revolution", "time"], {"rotation_ratio": 0.5})
    >>> str(budget)
    '5e-08 * revolution * revolution * time <= 20'
    >>> float(budget.value({"revolution": 1000, "time": 300})[0].round(6))     # °C
    15.0
    """
    rise = as_number("rise, °C", rise, above=0)
    heating = as_number("heating", heating, above=0)
    held = held or {}
    known = [*names, *held]
    terms = []
    for step in steps_of(known):
        speed = speed_terms(known, step, "rotation", mixer, above=True)
        time = setting_of(known, step, "time")
        for quantity, lacking in (("revolution", speed is None and not source_of(
                known, step, "revolution")), ("rotation_ratio", speed is None), ("time", not time)):
            if lacking:
                name = f"{step}_{quantity}" if step else quantity
                raise InputError(f"heat budget, {name}", None, "it is neither a factor nor held, "
                                 "so the heat of its step cannot be estimated",
                                 f"Add {name} to the held settings")
        terms += [(heating * a * b, (*_grouped((*one, *other)), time))
                  for a, one in speed for b, other in speed]
    return _sum(terms, rise, "estimated warming in °C, no heat lost: measure it", held)


def allowed_rise(vessel: Vessel | None = None, material: Material | None = None,
                 start: float | None = None) -> float:
    """How much the material may warm, °C: from its start to the lower temperature limit.

    Parameters
    ----------
    vessel, material : optional
        At least one states a temperature limit.
    start : float, optional
        °C; the material's own if left out.

    Raises
    ------
    InputError
        If no limit is stated, or nothing is left below it.
    """
    limits = [v.temperature_limit for v in (vessel, material)
              if v is not None and v.temperature_limit is not None]
    if not limits:
        raise InputError("temperature_limit", None, "neither vessel nor material states one",
                         "Give it, from the safety data sheet or the vessel's maker")
    if start is None:
        start = 23.0 if material is None else material.start_temperature
    if start >= min(limits):
        raise InputError("start_temperature", start, f"the limit is {min(limits):g} °C already",
                         "Start colder")
    return min(limits) - start


def heating_of_run(rotation: float, time: float, rise: float) -> float:
    """°C per rpm² of rotation and s, from a run of one step whose warming was measured.

    Take a short one, that loses little heat, with the fill and vessel of the study: heat lost
    in it, and thinning on the way, make longer runs look cooler than they are, or hotter.

    Parameters
    ----------
    rotation : float
        rpm.
    time : float
        s.
    rise : float
        °C.
    """
    rotation = as_number("rotation, rpm", rotation, above=0)
    time = as_number("time, s", time, above=0)
    return as_number("rise, °C", rise, above=0) / (rotation**2 * time)


def heating_by_flow(material: Material, constant: float, heat_capacity: float) -> float:
    """°C per rpm² of rotation and s, from the material's viscosity.

    Parameters
    ----------
    material : Material
    constant : float
        Of vessel and fill, as in `doe.physics.mean_shear_rate`.
    heat_capacity : float
        J/(g·K).
    """
    power = dissipated_power(material.viscosity, mean_shear_rate(
        1.0, as_number("constant", constant, above=0)))
    return float(temperature_rise(power, 1.0, material.density, as_number(
        "heat_capacity", heat_capacity, above=0)))


def _grouped(names: tuple[str, ...]) -> list[str]:
    """The same names, those that are equal side by side."""
    return [n for name in dict.fromkeys(names) for n in names if n == name]


def _sum(terms: list[tuple[float, tuple[str, ...]]], upper: float, reason: str,
         held: Mapping[str, float]) -> Constraint | None:
    limit = Constraint(tuple(terms), upper, reason).fix(held) if terms else None
    if limit is not None and limit.upper <= 0:
        raise InputError(f"budget '{limit}'", dict(held), "the held settings leave nothing of it",
                         "Hold them elsewhere, or allow more")
    return limit

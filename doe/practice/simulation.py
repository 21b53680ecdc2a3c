"""The true responses of the simulated mixer, and readings of them with noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe import physics
from doe.brief import Brief
from doe.errors import InputError, as_number
from doe.factors import to_increment
from doe.practice.scenario import RUN_SD, demo_brief
from doe.programme import ATMOSPHERE, QUANTITIES

__all__ = ["simulate", "truth"]

# ---- the paste, beyond what the brief says of it
PACKING, INTRINSIC = 0.50, 4.0           # Krieger & Dougherty, for plates
THINNING_BY_HEAT = 0.03                  # fall of viscosity per °C
THINNING_BY_SHEAR, AT_SHEAR_RATE = 0.4, 100.0
SHEAR_CONSTANT = 2.0                     # mean shear rate ÷ angular speed of the cup
HEAT_CAPACITY, COOLING = 1.4, 500.0      # J/(g·K), s
VOIDS_AT_START, BUBBLE, BUBBLE_SPREAD = 6.0, 180.0, 2.0   # %, µm (median), geometric SD
SURFACE_TENSION = 30.0                   # mN/m
GAS_LEFT = 0.03                          # %, too fine to rise
FOAM, FOAMING_PRESSURE, FOAM_SPREAD, FOAM_FORCE = 1.2, 5.0, 0.30, 150.0   # %, kPa, –, g
AGGLOMERATE_AT_START, STRAIN_TO_BREAK = 160.0, 9000.0     # µm, –
PRIMARY, STRENGTH = 8.0, 600.0           # µm, µm·Pa^½
YIELD_FORCE, YIELD_SPREAD = 130.0, 30.0  # g
SLICE = 5.0                              # mm, cut from top and bottom for density


def truth(settings: pd.DataFrame, brief: Brief | None = None) -> pd.DataFrame:
    """Noise-free responses of the simulated mixer.

    Parameters
    ----------
    settings : DataFrame
        Columns ``revolution`` (rpm), ``rotation_ratio``, ``time`` (s) and ``pressure`` (kPa
        absolute), as far as the brief does not hold them; others are ignored.
    brief : Brief, optional
        Mixer, vessel, material and fill; `demo_brief` if left out. Another carrier radius
        or fill changes the truth as the physics says.

    Returns
    -------
    DataFrame
        ``voids`` (% by volume; median), ``largest_agglomerate`` (µm), ``temperature_rise``
        (°C) and ``settling`` (g/cm³), with the index of `settings`.

    Raises
    ------
    InputError
        If a setting is missing, or the material has no filler.
    """
    brief = brief or demo_brief()
    revolution, ratio, time, pressure = _columns(settings, brief)
    material = brief.material
    for name in ("filler_density", "filler_diameter", "filler_volume_fraction"):
        if getattr(material, name) is None:
            raise InputError(f"material '{material.name}', {name}", None,
                             "the simulated paste has a filler", f"Give its {name}")
    loading, density = material.filler_volume_fraction, brief.mixture_density
    depth = brief.fill_volume * 1e3 / (np.pi * brief.vessel.bore**2 / 4)
    paste = material.viscosity * physics.relative_viscosity(loading, PACKING, INTRINSIC)
    force = physics.axial_acceleration(revolution, brief.mixer.carrier_radius, brief.mixer.tilt)
    shear = np.maximum(physics.mean_shear_rate(revolution * ratio, SHEAR_CONSTANT), 1e-6)

    power = physics.dissipated_power(paste * (shear / AT_SHEAR_RATE) ** -THINNING_BY_SHEAR, shear)
    rise = physics.temperature_rise(power, time, density, HEAT_CAPACITY, COOLING)
    # the run is half as warm on average as at its end
    thinned = np.exp(-THINNING_BY_HEAT * rise / 2)

    finest = PRIMARY + STRENGTH / np.sqrt(paste * shear)
    agglomerate = finest + (AGGLOMERATE_AT_START - finest) * np.exp(-shear * time / STRAIN_TO_BREAK)

    beyond_yield = YIELD_SPREAD * np.logaddexp(0, (force - YIELD_FORCE) / YIELD_SPREAD)
    difference = material.filler_density - material.density
    sunk = physics.settling_number(material.filler_diameter, difference,
                                   material.viscosity * thinned, beyond_yield, time, depth, loading)
    settling = difference * loading * -np.expm1(-sunk * depth / SLICE)

    return pd.DataFrame({
        "voids": (_bubbles_left(pressure, density, paste * thinned, force, time, depth)
                  + _foam(pressure, force) + GAS_LEFT),
        "largest_agglomerate": agglomerate,
        "temperature_rise": rise,
        "settling": settling,
    }, index=settings.index)


def _columns(settings: pd.DataFrame, brief: Brief) -> list[np.ndarray]:
    out = []
    for name in QUANTITIES:
        if name in settings:
            values = pd.to_numeric(settings[name], errors="coerce").to_numpy(float)
        elif name in brief.held:
            values = np.full(len(settings), float(brief.held[name]))
        else:
            raise InputError("settings, column", name, "the simulated mixer needs this setting",
                             "Give a column for each of: " + ", ".join(QUANTITIES))
        bad = ~np.isfinite(values) | (values < 0) | ((values == 0) & (name == "pressure"))
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            given = settings[name].iloc[row] if name in settings else values[row]
            raise InputError(f"settings, row {row + 1}, column '{name}'", given,
                             "no mixer can be set to it", "Give a number above zero")
        out.append(values)
    return out


def _bubbles_left(pressure, density, viscosity, force, time, depth) -> np.ndarray:
    """% by volume that has not risen to the top, over a log-normal spread of sizes."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(15)
    diameter = BUBBLE * BUBBLE_SPREAD**nodes
    levels, place = np.unique(pressure, return_inverse=True)
    growth = physics.swelling(ATMOSPHERE, levels[:, None], diameter, SURFACE_TENSION) ** (1 / 3)
    swollen = diameter * growth[place]
    # fine filler stiffens the bubbles' surface: two thirds of a clean bubble's speed
    speed = physics.bubble_velocity(swollen, density, viscosity[:, None], force[:, None],
                                    viscosity_ratio=np.inf)
    return VOIDS_AT_START * np.exp(-speed * time[:, None] / depth) @ (weights / weights.sum())


def _foam(pressure, force) -> np.ndarray:
    """% by volume folded in by foam; the greater the force, the lower it may be evacuated."""
    onset = FOAMING_PRESSURE * np.sqrt(FOAM_FORCE / force)
    return FOAM / (1 + (pressure / onset) ** (1 / FOAM_SPREAD))


def simulate(settings: pd.DataFrame, *, seed: int, brief: Brief | None = None,
             noise: float = 1.0, day_sd: float = 0.0) -> pd.DataFrame:
    """Measurements as they would be read, run by run.

    Noise is normal, for voids log-normal, with the spread of `RUN_SD`. That of a run depends
    on `seed`, its number and its attempt alone: a subset of the runs, or the runs in
    another order, gives the same readings.

    Parameters
    ----------
    settings : DataFrame
        As in `truth`. A column ``run`` gives the runs' numbers (else they are counted from
        1), ``attempt`` the attempts (else 1), ``block`` the days.
    seed : int
        0 or more.
    brief : Brief, optional
        Its responses say resolution and detection limit.
    noise : float
        Multiple of `RUN_SD`; 0 leaves rounding alone.
    day_sd : float
        Standard deviation of a shift common to a block, in multiples of `RUN_SD`.

    Returns
    -------
    DataFrame
        One column a response of the brief. Readings are rounded to the resolution; at or
        below the detection limit they show that limit.

    Raises
    ------
    InputError
        If a setting is missing, or the brief has a response the simulation knows nothing of.
    """
    brief = brief or demo_brief()
    seed = int(as_number("seed", seed, at_least=0))
    noise = as_number("noise", noise, at_least=0)
    day_sd = as_number("day_sd", day_sd, at_least=0)
    exact = truth(settings, brief)
    for response in brief.responses:
        if response.name not in exact:
            raise InputError("response", response.name, "the simulated mixer does not measure it",
                             "Use: " + ", ".join(exact))
    count = len(settings)
    runs = settings["run"] if "run" in settings else np.arange(1, count + 1)
    attempts = settings["attempt"] if "attempt" in settings else np.ones(count, int)
    blocks = settings["block"] if "block" in settings else np.ones(count, int)
    # the last number keeps the streams of runs and days apart
    shift = noise * _draw([(seed, int(r), int(a), 0) for r, a in zip(runs, attempts, strict=True)])
    shift += day_sd * _draw([(seed, int(b), 0, 1) for b in blocks])

    readings = {}
    for response in brief.responses:
        sd = RUN_SD[response.name]
        moved = shift[:, list(RUN_SD).index(response.name)] * sd
        value = exact[response.name].to_numpy()
        value = value * np.exp(moved) if response.name == "voids" else value + moved
        least = max((v for v in (response.possible[0], response.detection_limit)
                     if v is not None), default=-np.inf)
        value = np.maximum(value, least)
        if response.resolution:
            value = to_increment(value, response.resolution)
        readings[response.name] = value
    return pd.DataFrame(readings, index=settings.index)


def _draw(keys: Sequence[tuple[int, ...]]) -> np.ndarray:
    """Standard normal numbers, a row a key, a column a response."""
    rows = [np.random.default_rng(key).standard_normal(len(RUN_SD)) for key in keys]
    return np.array(rows).reshape(len(keys), len(RUN_SD))

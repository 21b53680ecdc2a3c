"""Physics of a cup on a carrier: plain functions of numbers or arrays.

Every function broadcasts its arguments as numpy does. Speeds of machine parts are rpm,
times s, pressures kPa absolute, temperatures °C, lengths mm except the diameters of
particles and bubbles, which are µm; densities g/cm³, viscosities Pa·s, accelerations
multiples of standard gravity (g), velocities of particles and bubbles mm/s.

The formulas hold for what their sources assume (single spheres, creeping flow, Newtonian
fluid, heat that leaves through the wall in proportion to the temperature rise). A real
paste keeps to them in trend; use the numbers to rank settings and to choose ranges, and
measure before trusting them.

References
----------
Epstein, P. S. & Plesset, M. S. (1950). On the stability of gas bubbles in liquid–gas
solutions. *J. Chem. Phys.* 18, 1505–1509.

Hadamard, J. (1911). *C. R. Acad. Sci. Paris* 152, 1735–1738; Rybczynski, W. (1911).
*Bull. Acad. Sci. Cracovie* A, 40–46: the drop or bubble whose surface moves.

Krieger, I. M. & Dougherty, T. J. (1959). A mechanism for non-Newtonian flow in suspensions
of rigid spheres. *Trans. Soc. Rheol.* 3, 137–152.

Richardson, J. F. & Zaki, W. N. (1954). Sedimentation and fluidisation: Part I.
*Trans. Inst. Chem. Eng.* 32, 35–53.

Stokes, G. G. (1851). On the effect of the internal friction of fluids on the motion of
pendulums. *Trans. Camb. Phil. Soc.* 9, 8–106.
"""

from __future__ import annotations

import numpy as np

__all__ = [
    "acceleration_ratio",
    "axial_acceleration",
    "bubble_removal_number",
    "bubble_velocity",
    "dissipated_power",
    "dissolution_time",
    "hindrance",
    "mean_shear_rate",
    "particle_reynolds_number",
    "relative_acceleration",
    "relative_viscosity",
    "revolution_for",
    "reynolds_number",
    "richardson_zaki_exponent",
    "settling_number",
    "shear_rate_from_heating",
    "smallest_bubble_removed",
    "stokes_velocity",
    "swelling",
    "temperature_rise",
]

STANDARD_GRAVITY = 9.80665
"""m/s² (exact; ISO 80000-3, conventional value of 1901)."""


# ---- acceleration

def relative_acceleration(revolution, carrier_radius):
    """Centrifugal acceleration at the cup's middle, in multiples of standard gravity.

    Parameters
    ----------
    revolution : float or array
        rpm.
    carrier_radius : float or array
        mm.
    """
    return _angular(revolution) ** 2 * np.asarray(carrier_radius, float) * 1e-3 / STANDARD_GRAVITY


def revolution_for(acceleration, carrier_radius):
    """Revolution, rpm, that gives `acceleration` (g) at `carrier_radius` (mm)."""
    per_rpm2 = relative_acceleration(1.0, carrier_radius)
    return np.sqrt(np.asarray(acceleration, float) / per_rpm2)


def axial_acceleration(revolution, carrier_radius, tilt):
    """Steady acceleration along the cup's axis, towards its bottom, in g.

    In the turning cup only this part of centrifugal and gravitational force keeps its
    direction; the part across the axis goes round once a rotation and averages out.

    Parameters
    ----------
    revolution : float or array
        rpm.
    carrier_radius : float or array
        mm.
    tilt : float or array
        Of the cup's axis from the vertical, degrees; the cup's bottom points outwards.
    """
    angle = np.radians(tilt)
    return relative_acceleration(revolution, carrier_radius) * np.sin(angle) + np.cos(angle)


# ---- bubbles and particles

def stokes_velocity(diameter, density_difference, viscosity, acceleration=1.0):
    """Velocity of a single small solid sphere in a viscous fluid, mm/s (Stokes 1851).

    Positive when the sphere is denser than the fluid. Holds while the particle Reynolds
    number is well below 1, and far from walls and other particles.

    Parameters
    ----------
    diameter : float or array
        µm.
    density_difference : float or array
        Sphere less fluid, g/cm³.
    viscosity : float or array
        Pa·s.
    acceleration : float or array
        In multiples of standard gravity.
    """
    force = np.asarray(density_difference, float) * 1e3 * STANDARD_GRAVITY * acceleration
    return force * (np.asarray(diameter, float) * 1e-6) ** 2 / (18 * np.asarray(viscosity)) * 1e3


def bubble_velocity(diameter, density, viscosity, acceleration=1.0, *, viscosity_ratio=0.0):
    """Rise of a single small bubble or drop, mm/s (Hadamard 1911, Rybczynski 1911).

    Parameters
    ----------
    diameter : float or array
        µm.
    density : float or array
        Fluid less bubble, g/cm³; the fluid's own for a gas.
    viscosity : float or array
        Of the fluid, Pa·s.
    acceleration : float or array
        In multiples of standard gravity.
    viscosity_ratio : float or array
        Inside ÷ outside. 0 is a gas bubble with a clean surface; ``inf`` gives the rigid
        surface of Stokes, which surfactants and fine filler bring about: two thirds of it.
    """
    ratio = np.asarray(viscosity_ratio, float)
    # 3 (1 + k) / (2 + 3 k), written so that k = inf needs no case of its own
    mobility = 1 + 1 / (2 + 3 * ratio)
    return stokes_velocity(diameter, density, viscosity, acceleration) * mobility


def particle_reynolds_number(velocity, diameter, density, viscosity):
    """Velocity (mm/s) × diameter (µm) × density (g/cm³) ÷ viscosity (Pa·s), dimensionless."""
    return (np.abs(velocity) * 1e-3 * np.asarray(diameter, float) * 1e-6
            * np.asarray(density) * 1e3 / np.asarray(viscosity))


def richardson_zaki_exponent(reynolds=0.0, *, diameter_ratio=0.0):
    """Exponent n of hindered settling (Richardson & Zaki 1954), dimensionless.

    Five stretches as published, with small jumps where they meet: 4.65 for creeping flow
    (below 0.2), 2.39 from 500 on.

    Parameters
    ----------
    reynolds : float or array
        Particle Reynolds number at the velocity of a single particle.
    diameter_ratio : float or array
        Particle diameter ÷ bore of the vessel, for its wall's part.
    """
    re, k = np.broadcast_arrays(np.asarray(reynolds, float), np.asarray(diameter_ratio, float))
    safe = np.maximum(re, 0.2)
    return np.select(
        [re < 0.2, re < 1, re < 200, re < 500],
        [4.65 + 19.5 * k, (4.35 + 17.5 * k) * safe**-0.03, (4.45 + 18 * k) * safe**-0.1,
         4.45 * safe**-0.1],
        2.39)


def hindrance(volume_fraction, exponent=4.65):
    """Velocity in a suspension ÷ that of a single particle: (1 − φ)ⁿ (Richardson & Zaki 1954).

    Parameters
    ----------
    volume_fraction : float or array
        Of all particles, 0 to 1.
    exponent : float or array
        See `richardson_zaki_exponent`.
    """
    return (1 - np.asarray(volume_fraction, float)) ** exponent


def relative_viscosity(volume_fraction, maximum=0.64, intrinsic=2.5):
    """Viscosity of a suspension ÷ that of its fluid (Krieger & Dougherty 1959).

    Parameters
    ----------
    volume_fraction : float or array
        Of the filler, 0 to 1; at or above `maximum` the paste no longer flows: ``inf``.
    maximum : float or array
        Greatest packing; 0.64 for equal spheres at random, less for plates and fibres.
    intrinsic : float or array
        Intrinsic viscosity; 2.5 for spheres (Einstein 1906), more for plates and fibres.
    """
    room = 1 - np.asarray(volume_fraction, float) / np.asarray(maximum, float)
    flows = room > 0
    return np.where(flows, np.where(flows, room, 1.0) ** (-np.asarray(intrinsic) * maximum), np.inf)


def swelling(start_pressure, pressure, diameter=None, surface_tension=0.0):
    """Volume of a bubble after a change of pressure ÷ before, at one temperature.

    Boyle's law for the gas, whose pressure is the fluid's plus 4 σ/d (Young–Laplace).

    Parameters
    ----------
    start_pressure, pressure : float or array
        Absolute, kPa.
    diameter : float or array, optional
        At the start, µm; needed only with `surface_tension`.
    surface_tension : float or array
        mN/m.
    """
    start, end = np.asarray(start_pressure, float), np.asarray(pressure, float)
    if diameter is None:
        return start / end
    # 4 σ/d in kPa from mN/m and µm: 1e-3 / 1e-6 / 1e3 = 1
    excess = 4 * np.asarray(surface_tension, float) / np.asarray(diameter, float)
    growth = ((start + excess) / end) ** (1 / 3)
    # end·x³ + excess·x² is convex, and this start lies above the root: Newton cannot overshoot
    for _ in range(60):
        over = end * growth**3 + excess * growth**2 - (start + excess)
        change = over / (3 * end * growth**2 + 2 * excess * growth)
        growth = growth - change
        if np.all(np.abs(change) <= 1e-14 * growth):
            break
    return growth**3


def dissolution_time(diameter, diffusivity, solubility, saturation=0.0):
    """Time for a still bubble to dissolve, s (Epstein & Plesset 1950, no surface tension).

    Closed solution of their growth law for a bubble in fluid at rest, its transient part
    included. ``inf`` where the fluid is saturated or more: the bubble stays or grows.

    Parameters
    ----------
    diameter : float or array
        µm.
    diffusivity : float or array
        Of the gas in the fluid, mm²/s.
    solubility : float or array
        Gas dissolved at saturation ÷ gas density in the bubble (Ostwald coefficient).
    saturation : float or array
        Gas already dissolved ÷ that at saturation.
    """
    radius = np.asarray(diameter, float) * 1e-3 / 2
    drive = np.asarray(solubility, float) * (1 - np.asarray(saturation, float))
    shrinks = drive > 0
    drive = np.where(shrinks, drive, 1.0)
    gamma = np.sqrt(drive / (2 * np.pi))
    # complex roots: the same expression then serves gamma above 1, where acos turns into
    # acosh; the quotient is real and positive, but for the branch of the root
    lag = np.abs(np.arccos(gamma + 0j) / np.sqrt(1 - gamma**2 + 0j))
    steady = radius**2 / (2 * np.asarray(diffusivity, float) * drive)
    return np.where(shrinks, steady * np.exp(-2 * gamma * lag), np.inf)


# ---- shear and heat

def mean_shear_rate(rotation, constant):
    """Mean shear rate in the cup, 1/s: `constant` × angular speed of the cup on its carrier.

    Seen from the carrier the force stands still and the cup turns under it, so the paste
    is sheared at a rate proportional to the rotation.

    Parameters
    ----------
    rotation : float or array
        Of the cup about its own axis, rpm.
    constant : float or array
        Of the cup's shape and fill; measure it by `shear_rate_from_heating`.
    """
    return np.asarray(constant, float) * np.abs(_angular(rotation))


def dissipated_power(viscosity, shear_rate):
    """Heat made by viscous flow, W/m³: viscosity (Pa·s) × shear rate (1/s) squared."""
    return np.asarray(viscosity, float) * np.asarray(shear_rate, float) ** 2


def temperature_rise(power, time, density, heat_capacity, time_constant=np.inf):
    """Rise of the paste above its surroundings, °C, with one temperature throughout.

    Parameters
    ----------
    power : float or array
        Heat made, W/m³.
    time : float or array
        s.
    density : float or array
        g/cm³.
    heat_capacity : float or array
        J/(g·K).
    time_constant : float or array
        In which the paste would cool to 1/e of its rise through the wall, s; ``inf`` keeps
        all heat in.
    """
    rate = np.asarray(power, float) / (np.asarray(density, float) * heat_capacity * 1e6)
    return rate * _effective_time(time, time_constant)


def shear_rate_from_heating(rise, time, viscosity, density, heat_capacity, time_constant=np.inf):
    """Mean shear rate, 1/s, that explains a measured temperature rise (°C): a heat balance.

    Parameters as in `temperature_rise`; `viscosity` in Pa·s at that shear rate.
    """
    power = (np.asarray(rise, float) * np.asarray(density, float) * heat_capacity * 1e6
             / _effective_time(time, time_constant))
    return np.sqrt(power / np.asarray(viscosity, float))


# ---- numbers to keep when the mixer, the cup or the material changes

def acceleration_ratio(rotation_ratio, bore, carrier_radius):
    """Centrifugal acceleration at the wall from rotation ÷ from revolution, dimensionless.

    The cup's Froude number with the carrier's acceleration in gravity's place.

    Parameters
    ----------
    rotation_ratio : float or array
        Rotation ÷ revolution.
    bore, carrier_radius : float or array
        mm.
    """
    return (np.asarray(rotation_ratio, float) ** 2 * np.asarray(bore, float) / 2
            / np.asarray(carrier_radius, float))


def reynolds_number(rotation, bore, density, viscosity):
    """Reynolds number of the turning cup: density × angular speed × radius² ÷ viscosity.

    Parameters
    ----------
    rotation : float or array
        rpm.
    bore : float or array
        mm.
    density : float or array
        g/cm³.
    viscosity : float or array
        Pa·s.
    """
    radius = np.asarray(bore, float) * 1e-3 / 2
    return (np.asarray(density, float) * 1e3 * np.abs(_angular(rotation)) * radius**2
            / np.asarray(viscosity, float))


def bubble_removal_number(diameter, density, viscosity, acceleration, time, depth):
    """Way a bubble rises during the run ÷ depth of the fill; above 1 it gets out.

    Parameters
    ----------
    diameter : float or array
        At the run's pressure, µm; see `swelling`.
    density, viscosity : float or array
        Of the paste, g/cm³ and Pa·s.
    acceleration : float or array
        In multiples of standard gravity.
    time : float or array
        s.
    depth : float or array
        Of the fill, mm.
    """
    return bubble_velocity(diameter, density, viscosity, acceleration) * time / np.asarray(depth)


def settling_number(diameter, density_difference, viscosity, acceleration, time, depth,
                    volume_fraction=0.0):
    """Way the filler sinks during the run ÷ depth of the fill; keep it far below 1.

    Stokes settling, hindered as Richardson & Zaki found for creeping flow.

    Parameters
    ----------
    diameter : float or array
        Of the filler, µm.
    density_difference : float or array
        Filler less fluid, g/cm³.
    viscosity : float or array
        Of the fluid, Pa·s.
    acceleration : float or array
        In multiples of standard gravity.
    time : float or array
        s.
    depth : float or array
        Of the fill, mm.
    volume_fraction : float or array
        Of the filler.
    """
    single = stokes_velocity(diameter, density_difference, viscosity, acceleration)
    return single * hindrance(volume_fraction) * time / np.asarray(depth)


def smallest_bubble_removed(density, viscosity, acceleration, time, depth):
    """Diameter, µm, at the run's pressure, of the bubble that just rises the whole depth.

    Parameters as in `bubble_removal_number`.
    """
    return 1 / np.sqrt(bubble_removal_number(1.0, density, viscosity, acceleration, time, depth))


def _angular(speed):
    """rpm to rad/s."""
    return np.asarray(speed, float) * 2 * np.pi / 60


def _effective_time(time, time_constant):
    time, constant = np.asarray(time, float), np.asarray(time_constant, float)
    with np.errstate(invalid="ignore"):
        kept = -constant * np.expm1(-time / constant)
    return np.where(np.isinf(constant), time, kept)

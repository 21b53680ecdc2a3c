"""Where the parts of a swung vessel stand: its worst point, and the middle of what it holds.

The vessel is a cylinder of its bore, as deep as its nominal volume asks for, closed by a flat
base. Its axis is tilted by the angle τ from the central axis, base outwards; the carrier radius
R reaches from the central axis to the middle of the vessel: the point on its own axis midway
between inner base and rim.

Derivation. Take x outwards, z along the central axis, and the middle of the vessel at (R, 0, 0).
The vessel's axis points to the base along (sin τ, 0, −cos τ); across it lie (cos τ, 0, sin τ) and
(0, 1, 0). A point of the wall, at s along the axis and at the angle φ round it, on the radius
ρ = bore / 2, stands from the central axis at the square distance ::

    (A + ρ cos τ cos φ)² + (ρ sin φ)²     with A = R + s sin τ.

It grows with s, so the worst point is on the edge of the base, s = depth / 2, which the fill
covers however little there is of it. With c = cos φ it is A² + ρ² + 2 A ρ c cos τ − (ρ c sin τ)²,
a parabola in c with its top at c = A cos τ / (ρ sin² τ). A top at or beyond 1, as in all but
nearly level vessels, leaves φ = 0, the outer edge: ``R + depth / 2 · sin τ + ρ cos τ``.

Lengths mm, volumes mL, angles degrees. The wall itself and an adapter stand a little further out.
"""

from __future__ import annotations

import numpy as np

__all__ = ["depth_of", "greatest_radius", "radius_of_fill"]


def depth_of(volume, bore):
    """Depth, mm, that a volume (mL) takes in a cylinder of that bore (mm), flat on its base."""
    return np.asarray(volume, float) * 1e3 / (np.pi * np.asarray(bore, float) ** 2 / 4)


def greatest_radius(carrier_radius, tilt, volume, bore):
    """Distance of the vessel's worst point, on the edge of its base, from the central axis, mm.

    Parameters
    ----------
    carrier_radius : float or array
        To the middle of the vessel, mm.
    tilt : float or array
        Of the vessel's axis from the central axis, 0 to 90 degrees.
    volume : float or array
        Nominal, mL.
    bore : float or array
        mm.
    """
    angle, rho = np.radians(tilt), np.asarray(bore, float) / 2
    base = np.asarray(carrier_radius, float) + depth_of(volume, bore) / 2 * np.sin(angle)
    top = base * np.cos(angle)
    across = rho * np.sin(angle) ** 2
    c = np.where(top >= across, 1.0, top / np.where(across > 0, across, 1.0))
    return np.sqrt((base + rho * c * np.cos(angle)) ** 2 + rho**2 * (1 - c**2))


def radius_of_fill(carrier_radius, tilt, volume, bore, fill_volume):
    """Distance of the middle of the fill from the central axis, mm; parameters as above.

    The fill, mL, is taken to lie flat on the base, as it does at rest in an upright vessel.
    """
    below = (depth_of(volume, bore) - depth_of(fill_volume, bore)) / 2
    return np.asarray(carrier_radius, float) + below * np.sin(np.radians(tilt))

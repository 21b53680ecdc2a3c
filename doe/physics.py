"""Physics of a cup on a carrier: plain functions of numbers or arrays."""

from __future__ import annotations

import numpy as np

__all__ = ["relative_acceleration"]

STANDARD_GRAVITY = 9.80665
"""m/s² (exact; ISO 80000-3, conventional value of 1901)."""


def relative_acceleration(revolution, carrier_radius):
    """Centrifugal acceleration at the cup's middle, in multiples of standard gravity.

    Parameters
    ----------
    revolution : float or array
        rpm.
    carrier_radius : float or array
        mm.
    """
    omega = np.asarray(revolution, float) * 2 * np.pi / 60
    return omega**2 * np.asarray(carrier_radius, float) * 1e-3 / STANDARD_GRAVITY

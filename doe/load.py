"""What stands in the mixer in a run: its fill, its load, and what balances it.

A fill is a mass (``fill_mass``, g) or a volume without air (``fill_volume``, mL), as a factor or
held; where neither is, every run has the usual fill.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.mixer import Mixer
from doe.vessel import Material, Vessel

__all__ = ["FILLS", "fill_of", "fill_volume_of", "grams", "load_problems", "opposite"]

FILLS = {"fill_mass": "g", "fill_volume": "mL"}
"""Settings that say how much is in the vessel, with their units."""


def fill_of(settings: pd.DataFrame | Mapping, material: Material | None = None,
            usual: float | None = None) -> np.ndarray | float | None:
    """Mass of the fill at these settings, g; an array if the settings are columns.

    Parameters
    ----------
    settings : DataFrame or mapping
        Factors and what is held; names other than `FILLS` are passed over.
    material : Material, optional
        Its density turns a volume into a mass.
    usual : float, optional
        Fill of a run whose settings do not say, g.
    """
    if "fill_mass" in settings:
        return _plain(settings["fill_mass"])
    if "fill_volume" in settings:
        return None if material is None else (
            _plain(settings["fill_volume"]) * material.mixture_density)
    return usual


def fill_volume_of(mass, material: Material):
    """Volume of a fill without air, mL."""
    return mass / material.mixture_density


def _plain(values):
    return values.to_numpy(float) if isinstance(values, pd.Series) else (
        values.astype(float) if isinstance(values, np.ndarray) else float(values))


def grams(mass: float) -> str:
    """A mass as a balance shows it, to 0.01 g, without zeros at the end: ``"168.25 g"``."""
    return f"{mass:.2f}".rstrip("0").rstrip(".") + " g"


def opposite(mixer: Mixer, vessel: Vessel, fill: float) -> float:
    """Mass to fit opposite a vessel with this fill, g; NaN where none can be."""
    try:
        return mixer.counterbalance(vessel.tare + fill)
    except InputError:
        return float("nan")


def load_problems(mixer: Mixer | None, vessel: Vessel | None, material: Material | None,
                  fill: float | None) -> list[str]:
    """Every limit that a fill, g, breaks: of the load, its balance and the vessel; in words."""
    if vessel is None or fill is None:
        return []
    out = []
    if fill <= 0:
        return [f"a fill of {fill:g} g is no fill"]
    if mixer is not None:
        try:
            mixer.counterbalance(vessel.tare + fill)
        except InputError as error:
            out.append(f"{grams(error.value)} with the {vessel.kind}, but {error.problem}")
    if material is not None:
        volume = fill_volume_of(fill, material)
        if volume > vessel.volume * (1 + 1e-9):
            out.append(f"{grams(fill)} at {material.mixture_density:.3g} g/cm³ takes {volume:.4g} "
                       f"mL, but the {vessel.kind} holds {vessel.volume:g} mL")
    return out

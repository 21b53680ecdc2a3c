"""What a setting comes to at the mixer: its speeds as set and shown, its load and what balances it.

The card of a run, the run sheet and the recipe say the same of the same setting.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

from doe.factors import to_increment
from doe.load import grams, opposite
from doe.mixer import Mixer
from doe.physics import relative_acceleration
from doe.programme import LEVELS, quantity_of, source_of, steps_of
from doe.vessel import Vessel
from doe.wording import NOT_KNOWN, short

__all__ = ["load_lines", "speed_lines"]


def speed_lines(mixer: Mixer, vessel: Vessel | None, settings: Mapping[str, Any],
                steps: Sequence[str] = ()) -> list[tuple[str, str]]:
    """Speeds and accelerations that follow from the settings of a run, each with its name.

    Parameters
    ----------
    mixer : Mixer
    vessel : Vessel or None
    settings : mapping
        Of all factors, and what is held.
    steps : sequence of str
        Order of the programme's steps, as in `doe.programme.steps_of`.

    Returns
    -------
    list of (str, str)
        Such as ``("rotation", "400 rpm")``. What is set in rpm or as a ratio itself is not
        repeated; a speed that is set as a level without a table is said to be not known.
    """
    out = []
    for step in steps_of(settings, steps):
        front = f"{step} ".replace("_", " ").lstrip()
        speeds = mixer.speeds(settings, step)
        turning, spinning = (source_of(settings, step, what) for what in ("revolution", "rotation"))
        known = turning is not None and not speeds.assumed
        if turning is not None and quantity_of(turning) in LEVELS:
            out.append((front + "revolution", _rpm(mixer, turning, settings)))
        if spinning is not None and quantity_of(spinning) in LEVELS:
            out.append((front + "rotation", _rpm(mixer, spinning, settings)))
        if spinning is not None and quantity_of(spinning) == "rotation_ratio" and turning:
            rotation = float(to_increment(speeds.rotation, mixer.rotation_increment))
            out.append((front + "rotation", f"{short(rotation)} rpm" if known else NOT_KNOWN))
        elif known and speeds.ratio is not None:
            out.append((front + "rotation ratio", short(float(speeds.ratio), 3)))
        if known or (turning is not None and mixer.rpm(turning, settings[turning])[1] == ""):
            middle = float(relative_acceleration(speeds.revolution, mixer.carrier_radius))
            base = "" if vessel is None else (
                f", {mixer.greatest_acceleration(vessel, speeds.revolution):.0f} × g at the edge "
                "of the base")
            out.append((front + "acceleration", f"{middle:.0f} × g at the middle of the vessel"
                        + base))
    # A common setting makes the same of every step that takes it.
    return list(dict.fromkeys(out))


def load_lines(mixer: Mixer, vessel: Vessel, fill: float) -> list[tuple[str, str]]:
    """Fill, load and what stands opposite in a run, each with its name: ``("load", "170 g")``."""
    mass = opposite(mixer, vessel, fill)
    shown = (f"NONE FITS {grams(vessel.tare + fill)}: do not run" if math.isnan(mass) else
             f"{grams(mass)}, a second vessel filled alike" if mixer.vessels == 2 else
             grams(mass))
    return [("fill", grams(fill)), ("load", grams(vessel.tare + fill)), ("counterbalance", shown)]


def _rpm(mixer: Mixer, name: str, settings: Mapping[str, Any]) -> str:
    rpm, assumed = mixer.rpm(name, settings[name])
    return NOT_KNOWN if assumed else f"{short(float(rpm))} rpm"

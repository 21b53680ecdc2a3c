"""The usual cautions for running a planetary centrifugal mixer, with the case's own numbers.

They stand on every run sheet, recipe and report. They are reminders, not a risk
assessment: the mixer's manual, the safety data sheets, local codes and licensed practice
come first. The rules of thumb are common practice, no source.

References
----------
Richardson, J. F. & Zaki, W. N. (1954). Sedimentation and fluidisation: Part I.
*Trans. Inst. Chem. Eng.* 32, 35–53.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.geometry import depth_of, radius_of_fill
from doe.load import fill_volume_of, grams, load_problems, opposite
from doe.mixer import Mixer
from doe.physics import axial_acceleration, relative_acceleration, settling_number
from doe.programme import (
    ATMOSPHERE,
    FORMS,
    LEVELS,
    Programme,
    Step,
    quantity_of,
    source_of,
    steps_of,
)
from doe.vessel import Material, Vessel
from doe.wording import digits, percent

__all__ = ["cautions", "to_programmes"]

CLOSE_TO_BOILING = 2.0
"""Pressure over vapour pressure below which it is called close; common practice, no source."""
MUCH_SETTLED = 0.1
"""Way the filler sinks ÷ depth of the fill that is called much; common practice, no source."""


@dataclass(frozen=True)
class Stands:
    """What a vessel of some material stands where its maker does not say; common practice, no
    source: temperature °C, acceleration × g, least absolute pressure kPa, and why."""

    temperature: float
    acceleration: float
    pressure: float
    why: str


STANDS = {
    "paper": Stands(50.0, 100.0, ATMOSPHERE - 1, "its seam opens under vacuum, and its coating "
                    "softens when it is warm or wet with solvent"),
    "glass": Stands(60.0, 100.0, ATMOSPHERE - 1, "it breaks without warning from a scratch, a "
                    "sudden change of temperature or vacuum, so put it into a holder that keeps "
                    "splinters"),
}


@dataclass(frozen=True)
class Run:
    """One run as far as it is known: its programme and its fill, g."""

    programme: Programme | None
    fill: float | None

    @property
    def steps(self) -> tuple[Step, ...]:
        """Those of the programme; none if it is not known."""
        return () if self.programme is None else self.programme.steps


def to_programmes(settings: pd.DataFrame, order: Sequence[str] = (),
                  mixer: Mixer | None = None) -> list[Programme]:
    """The programme of each row of settings.

    Parameters
    ----------
    settings : DataFrame
        Columns that set a step (see `doe.programme`); others pass.
    order : sequence of str, optional
        Steps that come first, in their order; the others follow as their columns do.
    mixer : Mixer, optional
        Needed for speeds set as levels.

    Returns
    -------
    list of Programme
        Empty if a speed or the time is not among the columns, or a speed is a level and no
        mixer is given: then the factors alone do not make a programme.
    """
    steps = steps_of(settings.columns, order)
    for step in steps:
        sources = [source_of(settings.columns, step, what) for what in FORMS if what != "pressure"]
        if None in sources or (mixer is None and any(quantity_of(s) in LEVELS for s in sources)):
            return []
    mixer = mixer or Mixer("any", carrier_radius=1.0)
    return [Programme(tuple(mixer.step(row, step) for step in steps))
            for row in settings.to_dict("records")]


def cautions(mixer: Mixer | None = None, vessel: Vessel | None = None,
             material: Material | None = None,
             programmes: Programme | Iterable[Programme] = (), *,
             fill_mass: float | Sequence[float] | None = None) -> list[str]:
    """What to heed before running the programmes, each item opening with its topic.

    Parameters
    ----------
    mixer, vessel, material : optional
        What is not known is said to be not known.
    programmes : Programme or iterable of Programme
        Those to be run; the most severe step of all of them counts.
    fill_mass : float or sequence of float, optional
        Contents of the vessel, g: the same in every run, or that of each run.

    Returns
    -------
    list of str
        Plain text, e.g. ``"Balance: ..."``; broken limits come first. Escape it before it
        goes into HTML, since it carries the names the user gave.

    Raises
    ------
    InputError
        If there are fills for another number of runs than programmes.
    """
    runs = _runs(programmes, fill_mass)
    steps = [s for r in runs for s in r.steps]
    items = [_broken(mixer, vessel, material, runs), _balance(mixer, vessel, runs),
             _assumed(steps),
             "Lid: close and lock it, and never bypass its interlock; a vessel that leaves its "
             "holder is a projectile.",
             _rating(mixer, vessel, steps), _made_of(mixer, vessel, material, steps),
             _barrel(vessel), _heat(vessel, material),
             _vapour(mixer, vessel, material, steps, runs), _foam(vessel, material, runs),
             _settling(mixer, vessel, material, runs), _dust(material),
             "Opening: let the carrier stop fully and the vessel cool before the lid is touched; "
             "a warm closed vessel may hold pressure.",
             "Precedence: these lines do not replace the mixer's manual, the safety data sheets "
             "of every ingredient, local codes and licensed practice; where they differ, follow "
             "those."]
    return [item for item in items if item]


def _runs(programmes, fill_mass) -> list[Run]:
    known = [programmes] if isinstance(programmes, Programme) else list(programmes)
    if fill_mass is None or np.ndim(fill_mass) == 0:
        return [Run(p, fill_mass) for p in known or [None]]
    fills = [float(v) for v in fill_mass]
    if known and len(known) != len(fills):
        raise InputError("fill_mass", len(fills), f"there are {len(known)} programmes",
                         "Give one fill, or one for each programme")
    return [Run(p, f) for p, f in zip(known or [None] * len(fills), fills, strict=True)]


def _broken(mixer, vessel, material, runs) -> str:
    if mixer is None:
        return ""
    broken = []
    for i, run in enumerate(runs, 1):
        problems = [] if run.programme is None else run.programme.problems(mixer, vessel, material)
        # A single fill without a programme is told under Balance, where the remedy stands too.
        if run.programme is not None or len(runs) > 1:
            problems += load_problems(mixer, vessel, material, run.fill)
        if problems:
            broken.append((i, problems))
    if not broken:
        return ""
    first, problems = broken[0]
    which = ("this programme breaks" if len(runs) == 1 else
             f"{len(broken)} of {len(runs)} programmes break, programme {first} first,")
    return f"DO NOT RUN: {which} a stated limit: " + "; ".join(problems) + "."


def _balance(mixer, vessel, runs) -> str:
    pair = mixer is not None and mixer.vessels == 2
    text = ("Balance: weigh both closed vessels with their adapters before every run" if pair else
            "Balance: weigh the closed vessel with its adapter before every run")
    if mixer is None:
        return text + " and fit the counterbalance that the mixer's manual asks for."
    tolerance = f" to within {mixer.imbalance_allowed:g} g"
    alone = "; never swing one without a mass like it opposite." if pair else "."
    fills = sorted({r.fill for r in runs} - {None})
    if vessel is None or not fills:
        return text + (f" and match them{tolerance}{alone}" if pair else
                       f" and set the counterbalance{tolerance}.")
    loads = [vessel.tare + fill for fill in fills]
    masses = [m for m in (opposite(mixer, vessel, fill) for fill in fills) if not np.isnan(m)]
    if not masses:
        try:
            mixer.counterbalance(loads[-1])
        except InputError as error:
            return f"Balance: {grams(loads[-1])} cannot be run: {error.problem}. {error.remedy}."
    if len(loads) == 1:
        load = grams(loads[0])
        return text + (f"; about {load} each, one opposite the other, matched{tolerance}{alone}"
                       if pair else f"; about {load} calls for {grams(masses[0])} opposite, "
                       f"matched{tolerance}.")
    span, fitted = (f"{grams(min(m))} to {grams(max(m))}" for m in (loads, masses))
    return text + (f"; the loads differ, {span}: see each run, and match the second to the first"
                   f"{tolerance}{alone}" if pair else
                   f"; loads of {span} call for {fitted} opposite, matched{tolerance}: see each "
                   "run.")


def _assumed(steps) -> str:
    said = list(dict.fromkeys(s.assumed for s in steps if s.assumed))
    return "" if not said else (
        f"Speed: {'; '.join(said)} in every number here; give the mixer its table from level to "
        "rpm, from its manual or measured.")


def _rating(mixer, vessel, steps) -> str:
    inspect = "inspect it for cracks, and never use one that was dropped or swollen by solvent"
    if mixer is None or not steps:
        return f"Vessel: keep within its rated acceleration; {inspect}."
    speed = max(s.revolution for s in steps)
    middle = float(relative_acceleration(speed, mixer.carrier_radius))
    if vessel is None:
        return (f"Vessel: up to {middle:.0f} × g at {speed:g} rpm at its middle, more at its base, "
                f"and no rating is stated: ask its maker before running; {inspect}.")
    force = mixer.greatest_acceleration(vessel, speed)
    text = (f"Vessel: up to {force:.0f} × g at {speed:g} rpm at the edge of its base "
            f"({middle:.0f} × g at its middle)")
    if vessel.rated_acceleration is None:
        return f"{text}, and no rating is stated: ask its maker before running; {inspect}."
    share = force / vessel.rated_acceleration
    if share > 1:
        return (f"{text}, ABOVE the {vessel.rated_acceleration:g} × g that the {vessel.kind} is "
                "rated for: do not run.")
    return (f"{text}, {percent(share)} of the {vessel.rated_acceleration:g} × g that the "
            f"{vessel.kind} is rated for; {inspect}.")


def _made_of(mixer, vessel, material, steps) -> str:
    """What paper and glass stand, as far as the vessel's maker does not say."""
    stands = None if vessel is None else STANDS.get(vessel.made_of)
    if stands is None:
        return ""
    usual, beyond = [], []
    if vessel.rated_acceleration is None:
        usual.append(f"{stands.acceleration:g} × g")
        if mixer is not None and steps:
            force = mixer.greatest_acceleration(vessel, max(s.revolution for s in steps))
            beyond += [f"{force:.0f} × g"] if force > stands.acceleration else []
    if vessel.temperature_limit is None:
        usual.append(f"{stands.temperature:g} °C")
        limit = None if material is None else material.temperature_limit
        beyond += [f"up to {limit:g} °C"] if (limit or 0) > stands.temperature else []
    lowest = min((s.pressure for s in steps), default=ATMOSPHERE)
    beyond += [f"{lowest:g} kPa"] if lowest < stands.pressure else []
    text = f"{vessel.made_of.capitalize()}: {stands.why}"
    if usual:
        text += f". Without its maker's figures keep below {' and '.join(usual)}"
    text += (", and do not draw vacuum, unless its maker allows it (common practice, no source)"
             if usual else
             ". Do not draw vacuum unless its maker allows it (common practice, no source)")
    return text + (f". Here it meets {', '.join(beyond)}: use another vessel, or ask its maker "
                   "first." if beyond else ".")


def _barrel(vessel) -> str:
    if vessel is None or vessel.kind != "syringe barrel":
        return ""
    return ("Plunger: close the outlet with its cap and seat plunger and holder before the barrel "
            "is swung, so that neither is driven out; under vacuum trapped air lifts the plunger, "
            "so leave it out or vent below it.")


def _heat(vessel, material) -> str:
    text = "Heat: mixing warms the contents, and a reactive material may run away"
    limits = []
    if vessel is not None and vessel.temperature_limit is not None:
        limits.append((vessel.temperature_limit, vessel.kind))
    if material is not None and material.temperature_limit is not None:
        limits.append((material.temperature_limit, material.name))
    if limits:
        limit, whose = min(limits)
        text += f"; stop below {limit:g} °C, the limit of the {whose}"
        if material is not None:
            text += (f" ({limit - material.start_temperature:g} °C above the "
                     f"{material.start_temperature:g} °C it starts at)")
    else:
        text += "; no temperature limit is stated, so find it in the safety data sheet"
    return (text + ". Measure after every run. A bigger batch runs hotter: twice the mass has only "
            f"about {2 ** (2 / 3):.1f} times the surface to lose heat through, so step up in "
            "small moves.")


def _vapour(mixer, vessel, material, steps, runs) -> str:
    lowest = min((s.pressure for s in steps), default=ATMOSPHERE)
    if lowest >= ATMOSPHERE - 1:
        if steps or mixer is None or mixer.pressure_range is None:
            return ("Vapour: warm volatile parts raise the pressure in a closed vessel; vent it "
                    "slowly under extraction.")
        lowest = mixer.pressure_range[0]
    text = f"Vapour: at {lowest:g} kPa "
    known = material is not None and material.vapour_pressure is not None
    if not known:
        text += "volatile parts may boil or be stripped (their vapour pressure is not stated)"
    elif lowest <= material.vapour_pressure:
        text += (f"{material.name} BOILS (vapour pressure {material.vapour_pressure:g} kPa): "
                 "raise the pressure")
    elif lowest < CLOSE_TO_BOILING * material.vapour_pressure:
        text += (f"{material.name} is close to boiling (vapour pressure "
                 f"{material.vapour_pressure:g} kPa)")
    else:
        text += (f"the pressure stays above the vapour pressure of {material.name}, "
                 f"{material.vapour_pressure:g} kPa, unless it runs hotter than planned")
    text += "; lead the pump's exhaust to extraction, keep sources of ignition away"
    fills = [r.fill for r in runs if r.fill is not None]
    if vessel is not None and material is not None and fills:
        fill = percent(fill_volume_of(max(fills), material) / vessel.volume)
        return text + f", and leave room for foam ({fill} full)."
    return text + ", and leave room for foam."


def _foam(vessel, material, runs) -> str:
    """How much gas the head-space holds once it has swelled.

    Gas with vapour in it, both at the pressure p, is Boyle's gas at its own part of it, p less
    the vapour pressure.
    """
    if vessel is None or material is None:
        return ""
    vapour = material.vapour_pressure or 0.0
    worst = None
    for run in runs:
        lowest = min((s.pressure for s in run.steps), default=ATMOSPHERE)
        if run.fill is None or lowest >= ATMOSPHERE - 1:
            continue
        if lowest <= vapour:
            return (f"Foam: at {lowest:g} kPa, at or below the vapour pressure, vapour makes foam "
                    f"without end: stay above {CLOSE_TO_BOILING * vapour:g} kPa, "
                    f"{CLOSE_TO_BOILING:g} times the vapour pressure (common practice, no source).")
        swelling = (ATMOSPHERE - vapour) / (lowest - vapour)
        room = vessel.volume / fill_volume_of(run.fill, material) - 1
        if worst is None or room / swelling < worst[0]:
            worst = room / swelling, swelling, lowest
    if worst is None or worst[0] <= 0:
        return ""
    share, swelling, lowest = worst
    return (f"Foam: at {lowest:g} kPa gas takes {digits(swelling, 2)} times its volume at air "
            f"pressure "
            f"(Boyle's law{', vapour in it' if vapour else ''}); where no bubble breaks, gas of "
            f"{percent(share)} of the paste's volume fills the head-space, so lower the pressure "
            "slowly and in steps.")


def _settling(mixer, vessel, material, runs) -> str:
    """How far filler sinks along the vessel's axis in the worst run: Stokes, hindered."""
    if mixer is None or vessel is None or material is None:
        return ""
    filler = (material.filler_density, material.filler_diameter, material.filler_volume_fraction)
    if None in filler:
        return ""
    density, diameter, loading = filler
    worst = 0.0, 0.0
    for run in runs:
        if run.fill is None or not run.steps:
            continue
        volume = fill_volume_of(run.fill, material)
        depth = float(depth_of(volume, vessel.bore))
        radius = radius_of_fill(mixer.carrier_radius, mixer.tilt, vessel.volume, vessel.bore,
                                volume)
        share = sum(float(settling_number(
            diameter, abs(density - material.density), material.viscosity,
            axial_acceleration(s.revolution, radius, mixer.tilt), s.time, depth, loading))
            for s in run.steps)
        worst = max(worst, (share, share * depth))
    share, way = worst
    if not share:
        return ""
    moves = "sinks" if density > material.density else "rises"
    text = (f"Settling: the filler {moves} up to {digits(min(way, way / share), 2)} mm in a run, "
            f"{percent(min(share, 1.0))} of the depth of the fill (Stokes, hindered as Richardson "
            "and Zaki found in 1954, viscosity of the fluid)")
    if share < MUCH_SETTLED:
        return text + "."
    return (f"{text}, more than {percent(MUCH_SETTLED)} (common practice, no source): shorten or "
            "slow the run, and look for sediment on the base.")


def _dust(material) -> str:
    filled = material is None or material.filler_density is not None \
        or material.filler_volume_fraction or material.filler_diameter is not None
    opening = "Dust: weigh and charge powder" if filled else "Dust: if powder is added, charge it"
    return (opening + " under extraction with the protection its safety data sheet asks for; fine "
            "powder can be breathed in, and some can explode or charge up.")

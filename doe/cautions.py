"""The usual cautions for running a planetary centrifugal mixer, with the case's own numbers.

They stand on every run sheet, recipe and report. They are reminders, not a risk
assessment: the mixer's manual, the safety data sheets, local codes and licensed practice
come first. The rules of thumb are common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import pandas as pd

from doe.errors import InputError
from doe.mixer import Material, Mixer, Vessel
from doe.physics import relative_acceleration
from doe.programme import ATMOSPHERE, QUANTITIES, Programme, Step, setting_of, steps_of
from doe.wording import percent

__all__ = ["cautions", "to_programmes"]

CLOSE_TO_BOILING = 2.0
"""Pressure over vapour pressure below which it is called close; common practice, no source."""


def to_programmes(settings: pd.DataFrame, order: Sequence[str] = ()) -> list[Programme]:
    """The programme of each row of settings.

    Parameters
    ----------
    settings : DataFrame
        Columns that set a step (see `doe.programme`); others pass.
    order : sequence of str, optional
        Steps that come first, in their order; the others follow as their columns do.

    Returns
    -------
    list of Programme
        Empty if revolution, rotation ratio or time is not among the columns: then the
        factors alone do not make a programme.
    """
    columns = {}
    for step in steps_of(settings.columns, order):
        found = {q: setting_of(settings.columns, step, q) for q in QUANTITIES}
        if None in (found["revolution"], found["rotation_ratio"], found["time"]):
            return []
        columns[step] = {q: c for q, c in found.items() if c is not None}
    rows = settings.to_dict("records")
    return [Programme(tuple(Step(**{q: float(row[c]) for q, c in own.items()}, name=step)
                            for step, own in columns.items())) for row in rows]


def cautions(mixer: Mixer | None = None, vessel: Vessel | None = None,
             material: Material | None = None,
             programmes: Programme | Iterable[Programme] = (), *,
             fill_mass: float | None = None) -> list[str]:
    """What to heed before running the programmes, each item opening with its topic.

    Parameters
    ----------
    mixer, vessel, material : optional
        What is not known is said to be not known.
    programmes : Programme or iterable of Programme
        Those to be run; the most severe step of all of them counts.
    fill_mass : float, optional
        Contents of the vessel, g.

    Returns
    -------
    list of str
        Plain text, e.g. ``"Balance: ..."``; broken limits come first. Escape it before it
        goes into HTML, since it carries the names the user gave.
    """
    runs = [programmes] if isinstance(programmes, Programme) else list(programmes)
    steps = [s for p in runs for s in p.steps]
    items = [_broken(mixer, vessel, material, runs), _balance(mixer, vessel, fill_mass),
             _rating(mixer, vessel, steps), _heat(vessel, material),
             _vapour(mixer, vessel, material, steps, fill_mass), _dust(material),
             "Opening: let the carrier stop fully and the vessel cool before the lid is touched; "
             "a warm closed vessel may hold pressure.",
             "Precedence: these lines do not replace the mixer's manual, the safety data sheets "
             "of every ingredient, local codes and licensed practice; where they differ, follow "
             "those."]
    return [item for item in items if item]


def _broken(mixer, vessel, material, runs) -> str:
    if mixer is None:
        return ""
    broken = [(i, p.problems(mixer, vessel, material)) for i, p in enumerate(runs, 1)]
    broken = [(i, problems) for i, problems in broken if problems]
    if not broken:
        return ""
    first, problems = broken[0]
    which = ("this programme breaks" if len(runs) == 1 else
             f"{len(broken)} of {len(runs)} programmes break, programme {first} first,")
    return f"DO NOT RUN: {which} a stated limit: " + "; ".join(problems) + "."


def _balance(mixer, vessel, fill_mass) -> str:
    text = "Balance: weigh the closed vessel with its adapter before every run"
    if mixer is None:
        return text + " and fit the counterbalance that the mixer's manual asks for."
    tolerance = f" to within {mixer.imbalance_allowed:g} g"
    if vessel is None or fill_mass is None:
        return text + f" and set the counterbalance{tolerance}."
    load = vessel.tare + fill_mass
    try:
        mass = mixer.counterbalance(load)
    except InputError as error:
        return f"Balance: {load:g} g cannot be run: {error.problem}. {error.remedy}."
    return text + f"; about {load:g} g calls for {mass:g} g opposite, matched{tolerance}."


def _rating(mixer, vessel, steps) -> str:
    inspect = "inspect it for cracks, and never use one that was dropped or swollen by solvent"
    if mixer is None or not steps:
        return f"Vessel: keep within its rated acceleration; {inspect}."
    speed = max(s.revolution for s in steps)
    force = float(relative_acceleration(speed, mixer.carrier_radius))
    text = (f"Vessel: up to {force:.0f} × g at {speed:g} rpm (middle of the vessel; more at its "
            "base)")
    if vessel is None or vessel.rated_acceleration is None:
        return f"{text}, and no rating is stated: ask its maker before running; {inspect}."
    share = force / vessel.rated_acceleration
    if share > 1:
        return (f"{text}, ABOVE the {vessel.rated_acceleration:g} × g that the {vessel.kind} is "
                "rated for: do not run.")
    return (f"{text}, {percent(share)} of the {vessel.rated_acceleration:g} × g that the "
            f"{vessel.kind} is rated for; {inspect}.")


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


def _vapour(mixer, vessel, material, steps, fill_mass) -> str:
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
    if None not in (vessel, material, fill_mass):
        phi = material.filler_volume_fraction or 0.0
        density = material.density * (1 - phi) + (material.filler_density or 0.0) * phi
        if phi == 0.0 or material.filler_density is not None:
            fill = percent(fill_mass / density / vessel.volume)
            return text + f", and leave room for foam ({fill} full)."
    return text + ", and leave room for foam."


def _dust(material) -> str:
    filled = material is None or material.filler_density is not None \
        or material.filler_volume_fraction or material.filler_diameter is not None
    opening = "Dust: weigh and charge powder" if filled else "Dust: if powder is added, charge it"
    return (opening + " under extraction with the protection its safety data sheet asks for; fine "
            "powder can be breathed in, and some can explode or charge up.")

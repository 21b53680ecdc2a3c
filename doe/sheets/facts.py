"""What is said above the runs: whose sheet it is, what to heed, how to fill it in."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable

import numpy as np

from doe.card import load_lines, speed_lines
from doe.cautions import cautions
from doe.errors import InputError
from doe.factors import to_increment
from doe.load import grams
from doe.programme import ATMOSPHERE, Programme, in_words, quantity_of
from doe.responses import Response
from doe.sheets.layout import columns, derived, planned_runs, possible, stages, tidy
from doe.study import Study
from doe.wording import MINUS, count, digits, join, short

__all__ = ["INVENTED", "MARK", "grouping", "how_to_fill", "is_own_mark", "limits_in_words",
           "run_lines", "sheet_cautions", "sheet_facts", "sheet_mark"]

MARK = "sheet mark"
INVENTED = "INVENTED for training or demonstration: no real material, mixer or measurement."
HOW_TO_FILL = (
    "One row an attempt; planned settings stay as they are.",
    "Once a run was made, write 'done' in status; if it failed, write 'set aside' and the reason "
    "as remark, and enter the next attempt at it in a row of its own, with its number.",
    "Leave empty what was not measured; leave achieved settings empty where they are as planned.",
)


def how_to_fill(study: Study) -> tuple[str, ...]:
    """How the sheet is filled in, and what a group of runs asks for."""
    return (*HOW_TO_FILL, *filter(None, [grouping(study)]))


def grouping(study: Study) -> str:
    """What is set anew at the start of every group of runs; empty if runs are not grouped."""
    plan = planned_runs(study)
    labels = [tidy(f.label) for f in plan.region.factors if f.hard_to_change]
    if "whole_plot" not in plan.runs or not labels:
        return ""
    return (f"Set {join(labels)} anew before the first run of every group, also where the setting "
            "stays, and leave it alone within the group.")


def sheet_mark(study: Study) -> str:
    """What tells the study's sheets from those of any other, e.g. ``"20-3f9c0a41b2d87e65"``.

    The number of runs and a digest of title, author, mixer, material, factors and those
    runs' settings. Runs and responses added later leave the sheets already out in use.
    """
    return _mark(study, len(planned_runs(study).runs))


def is_own_mark(mark: str, study: Study) -> bool:
    """True if `sheet_mark` gave `mark` for this study, be it before runs were added."""
    runs, _, _ = mark.partition("-")
    return (runs.isdecimal() and len(runs) < 10
            and 0 < int(runs) <= len(planned_runs(study).runs)
            and mark == _mark(study, int(runs)))


def _mark(study: Study, runs: int) -> str:
    brief, region = study.brief, study.plan.region
    said = [brief.title, brief.author, brief.mixer.name, brief.material.name,
            [[f.name, f.unit] for f in region.factors]]
    digest = hashlib.sha256(json.dumps(said).encode())
    for f in region.factors:
        values = study.plan.runs[f.name].to_numpy()[:runs]
        # Adding 0.0 makes one of the two zeros.
        digest.update((np.round(values.astype("<f8"), 9) + 0.0).tobytes() if f.is_numeric
                      else json.dumps(values.tolist()).encode())
    return f"{runs}-{digest.hexdigest()[:16]}"


def sheet_cautions(study: Study) -> list[str]:
    """The cautions that stand on the sheet, with the planned runs' own numbers."""
    brief = study.brief
    return [tidy(c) for c in cautions(brief.mixer, brief.vessel, brief.material,
                                      _programmes(study),
                                      fill_mass=_fills(study))]


def run_lines(study: Study, run: int) -> list[tuple[str, str]]:
    """What to set, weigh and fit for one run, each with its name, for its card.

    Its planned settings and what is held, the speeds and accelerations that follow, and its own
    fill, load and counterbalance.

    Raises
    ------
    InputError
        If the plan has no such run.
    """
    brief, planned = study.brief, study.planned(run)
    every = {**brief.held, **planned}
    out = []
    for c in columns(study):
        if c.role != "planned":
            continue
        f, value = c.factor, planned[c.key]
        shown = value if isinstance(value, str) else (
            f"{value:.12g}" if c.decimals is None else short(round(float(value), c.decimals), 9))
        out.append((tidy(f.label), f"{tidy(shown)} {f.unit}".rstrip()))
    for name, value in brief.held.items():
        label = tidy(name.replace("_", " "))
        out.append((label, tidy(in_words(name, value).removeprefix(label).strip())))
    out += speed_lines(brief.mixer, brief.vessel, every, brief.steps)
    return [*out, *load_lines(brief.mixer, brief.vessel, float(brief.fill_of(planned)))]


def _fills(study: Study) -> list[float]:
    """Of the planned runs, g."""
    brief, runs = study.brief, planned_runs(study).settings
    return np.broadcast_to(brief.fill_of(runs), len(runs)).tolist()


def _programmes(study: Study) -> list[Programme]:
    """Those of the planned runs; none if speeds or times are neither factors nor held."""
    try:
        return [study.brief.programme(row)
                for row in planned_runs(study).settings.to_dict("records")]
    except InputError:
        return []


def sheet_facts(study: Study) -> dict[str, str]:
    """What stands above the runs, by topic."""
    brief, plan = study.brief, planned_runs(study)
    mixer, vessel = brief.mixer, brief.vessel
    follows = derived(study, plan.runs)
    fitted, loads = (np.unique(follows[key]) for key in ("counterbalance mass", "load mass"))
    same = len(loads) == 1
    facts = {
        "Plan": f"{plan.details.get('title', plan.family)}, {count(len(plan.runs), 'run')}, "
                f"run order drawn with seed {plan.seed}",
        "Mixer": f"{mixer.name}, carrier radius {mixer.carrier_radius:g} mm to the middle of the "
                 f"vessel, where accelerations are told, tilt {mixer.tilt:g}°",
        "Vessel": f"{vessel.kind}, {vessel.volume:g} mL, {vessel.tare:g} g empty with lid and "
                  "adapter" + (f", rated for {vessel.rated_acceleration:g} × g"
                               if vessel.rated_acceleration else ""),
        "Material": brief.material.name + (f", {grams(brief.fill_of({}))} in the vessel" if same
                                           else ""),
        "Load": (grams(loads[0]) if same else
                 f"differs, {grams(min(loads))} to {grams(max(loads))}: see each run"),
        "Counterbalance": ("a second vessel of the same mass" if mixer.vessels == 2 else
                           grams(fitted[0]) if same else
                           f"differs, {grams(np.nanmin(fitted))} to {grams(np.nanmax(fitted))}: "
                           "see each run")
                          + f", matched to within {mixer.imbalance_allowed:g} g",
    }
    facts |= _steps(study)
    held = [in_words(name, value) for name, value in brief.held.items()]
    held += [f"{s.named('rotation')} {follows[s.named('rotation speed')][0]:g} rpm"
             for s in stages(study) if s.revolution in brief.held and s.rotation in brief.held
             and s.named("rotation speed") in follows]
    held += [f"{s.named('revolution')} {follows[s.named('revolution speed')][0]:g} rpm"
             for s in stages(study) if s.revolution in brief.held
             and s.named("revolution speed") in follows]
    if not any(quantity_of(n) == "pressure" for n in (*plan.region.names, *brief.held)):
        held.append(f"atmospheric pressure ({ATMOSPHERE:g} kPa)")
    if held:
        facts["In every run"] = join(held)
    return {k: tidy(v) for k, v in facts.items()}


def _steps(study: Study) -> dict[str, str]:
    """What is set in each step, over all runs, if a run has several."""
    programmes = _programmes(study)
    if not programmes or len(programmes[0].steps) == 1:
        return {}
    each = [[p.steps[i] for p in programmes] for i in range(len(programmes[0].steps))]
    step = study.brief.mixer.rotation_increment
    return {f"Step {i}, {steps[0].name.replace('_', ' ')}": ", ".join(
        [f"revolution {_span(s.revolution for s in steps)} rpm",
         f"rotation {_span(to_increment([s.rotation for s in steps], step))} rpm",
         f"ratio {_span(s.rotation_ratio for s in steps)}",
         f"{_span(s.time for s in steps)} s", f"{_span(s.pressure for s in steps)} kPa"])
        for i, steps in enumerate(each, 1)}


def _span(values: Iterable[float]) -> str:
    values = [float(v) for v in values]
    low, high = (f"{v:.4g}" for v in (min(values), max(values)))
    return low if low == high else f"{low} to {high}"


def limits_in_words(response: Response) -> list[str]:
    """What can be entered for a response, each point a phrase."""
    least, greatest = possible(response)
    unit = f" {response.unit}" if response.unit else ""
    out = [response.reading] if response.reading else []
    if not out and (least is not None or greatest is not None):
        low, high = (v if v is None else f"{v:g}".replace("-", MINUS)
                     for v in (least, greatest))
        span = (f"from {low} to {high}" if None not in (low, high)
                else f"from {low}" if high is None else f"up to {high}")
        out.append(f"readings {span}{unit}")
    if response.resolution is not None:
        out.append(f"to the nearest {digits(response.resolution, 1)}{unit}")
    if response.detection_limit is not None:
        out.append(f"<{response.detection_limit:g} where nothing was detected")
    return [tidy(o) for o in out]

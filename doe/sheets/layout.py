"""The columns of a run sheet, and the sheet as a table."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.factors import Factor, to_increment
from doe.load import opposite
from doe.mixer import Mixer
from doe.physics import relative_acceleration
from doe.programme import ATMOSPHERE, LEVELS, quantity_of, source_of, steps_of
from doe.records import STATUS_WORDS, Record
from doe.responses import Response
from doe.study import Study
from doe.wording import decimals_for

__all__ = ["STATES", "Column", "columns", "derived", "possible", "sheet_table", "shown_remark",
           "stages"]

STATES = (STATUS_WORDS["done"], STATUS_WORDS["void"])
TIME_FORMAT = "YYYY-MM-DD HH:MM"
OVERSHOOT = 1.1
"""An achieved setting may pass the mixer's greatest by this much; more is a slip of the pen."""
MOST_ATTEMPTS = 999
_FINEST = 6


@dataclass(frozen=True)
class Column:
    """A column of the run sheet.

    Parameters
    ----------
    key : str
        Its name in `sheet_table`: a factor's or response's name; anything else either is
        reserved in a study (``run``, ``remark``, ...) or has a space in it.
    label, unit : str
        Together the heading.
    role : {"identity", "planned", "derived", "achieved", "measurement", "note"}
        Only the last three are filled in; the others are checked against the plan.
    kind : {"whole", "number", "text", "choice", "time"}
    least, greatest : float or None
        Entries outside are refused.
    choices : tuple of str
    decimals : int or None
        Shown; None for as many as there are.
    response, factor : optional
        What the column belongs to.
    ratio_to : str
        Where a speed is entered for a rotation ratio: the factor or held setting that it is
        to be divided by.
    """

    key: str
    label: str
    unit: str = ""
    role: str = "planned"
    kind: str = "number"
    least: float | None = None
    greatest: float | None = None
    choices: tuple[str, ...] = ()
    decimals: int | None = None
    response: Response | None = None
    factor: Factor | None = None
    ratio_to: str = ""

    @property
    def heading(self) -> str:
        """Label with its unit."""
        return f"{self.label} ({self.unit})" if self.unit else self.label

    @property
    def is_entry(self) -> bool:
        """True if it is filled in by whoever runs the mixer."""
        return self.role in ("achieved", "measurement", "note")

    @property
    def is_number(self) -> bool:
        """True if its cells are numbers."""
        return self.kind in ("whole", "number")


@dataclass(frozen=True)
class Stage:
    """A step of the programme: the factors or held settings that its speeds come from.

    ``revolution`` and ``rotation`` name them, whichever way they are set, and are None where the
    speed is not known: a level of a mixer without a table. ``ratio`` is that of the rotation where
    it is set as a ratio.
    """

    step: str
    revolution: str | None
    rotation: str | None

    @property
    def ratio(self) -> str | None:
        """The setting of the rotation ratio, if there is one."""
        return (self.rotation if self.rotation and quantity_of(self.rotation) == "rotation_ratio"
                else None)

    def named(self, quantity: str) -> str:
        """E.g. ``"wetting rotation"``."""
        return tidy(f"{self.step.replace('_', ' ')} {quantity}")


def columns(study: Study) -> list[Column]:
    """The columns of the study's run sheet, in their order.

    Raises
    ------
    InputError
        If the study has no plan yet.
    """
    plan = planned_runs(study)
    brief, names = study.brief, plan.region.names
    steps = stages(study)
    out = [Column("run", "run", role="identity", kind="whole", least=1),
           Column("attempt", "attempt", role="identity", kind="whole", least=1,
                  greatest=MOST_ATTEMPTS),
           Column("block", "block", role="identity", kind="whole")]
    if "whole_plot" in plan.runs:
        out.append(Column("whole_plot", "group", role="identity", kind="whole"))
    follows = derived(study, plan.runs)
    for f in plan.region.factors:
        out.append(_planned(f, plan.runs[f.name].to_numpy()))
        for step in steps:
            if f.name == next((n for n in reversed(names)
                               if n in (step.revolution, step.rotation)), None):
                out += _speeds(step, names, brief.mixer, follows)
    out += [Column(key, key.removesuffix(" mass"), "g", role="derived",
                   decimals=_decimals_of_mass(masses))
            for key, masses in follows.items() if key.endswith(" mass")]
    out += [_achieved(f, steps, brief.mixer) for f in plan.region.factors]
    out += [_measured(r) for r in brief.responses]
    out += [Column("status", "status", role="note", kind="choice", choices=STATES),
            Column("operator", "operator", role="note", kind="text"),
            Column("recorded_at", "run at", TIME_FORMAT, role="note", kind="time"),
            Column("remark", "remark", role="note", kind="text")]
    return _told_apart(out)


def sheet_table(study: Study) -> pd.DataFrame:
    """The run sheet as a table: planned runs and what is recorded so far.

    Returns
    -------
    DataFrame
        One row an attempt, in run order; a run not yet tried, or whose attempts are all
        set aside, has a row to fill in. Columns are the keys of `columns`; blanks are NaN in
        columns of numbers and "" in the others. ``attrs["units"]`` maps columns to units,
        ``attrs["headings"]`` to headings, and ``attrs["qualifiers"]`` responses to
        ``{row: "<"}`` where a reading is only known to lie below the number.

    Raises
    ------
    InputError
        If the study has no plan yet.
    """
    plan, layout = planned_runs(study), columns(study)
    attempts: dict[int, list[Record]] = {}
    for record in study.records:
        attempts.setdefault(record.run, []).append(record)
    rows: list[Record] = []
    for run in plan.runs["run"].tolist():
        tried = sorted(attempts.get(run, ()), key=lambda r: r.attempt)
        if all(r.status == "void" for r in tried):
            tried.append(Record(run, len(tried) + 1, "planned"))
        rows += tried
    planned = plan.runs.set_index("run").loc[[r.run for r in rows]].reset_index()
    was_tried = [r.status != "planned" for r in rows]
    known = {"attempt": [r.attempt for r in rows],
             "status": [STATUS_WORDS[r.status] if tried else "" for r, tried in zip(
                 rows, was_tried, strict=True)],
             "operator": [r.operator for r in rows],
             "recorded_at": [_local(r.time) if tried else "" for r, tried in zip(
                 rows, was_tried, strict=True)],
             "remark": [shown_remark(r) for r in rows],
             **derived(study, planned)}
    table = {}
    for c in layout:
        if c.role == "measurement":
            table[c.key] = np.array([r.measurements.get(c.key, math.nan) for r in rows], float)
        elif c.role == "achieved":
            table[c.key] = [_achieved_value(c, r, study) for r in rows]
        else:
            table[c.key] = known[c.key] if c.key in known else planned[c.key]
    table = pd.DataFrame(table)
    table.attrs["units"] = {c.key: c.unit for c in layout if c.unit and c.kind != "time"}
    table.attrs["headings"] = {c.key: c.heading for c in layout}
    table.attrs["qualifiers"] = {
        c.key: marks for c in layout if c.role == "measurement"
        and (marks := {i: r.qualifiers[c.key] for i, r in enumerate(rows)
                       if c.key in r.qualifiers})}
    return table


def shown_remark(record: Record) -> str:
    """Remark and, of an attempt set aside, the reason; each once."""
    parts = [record.remark, record.reason if record.status == "void" else ""]
    return "; ".join(dict.fromkeys(p for p in parts if p))


def possible(response: Response) -> tuple[float | None, float | None]:
    """What a reading can be: as stated, and what its kind implies."""
    least, greatest = response.possible
    if response.kind in ("count", "proportion") and least is None:
        least = 0.0
    if response.kind == "proportion" and greatest is None:
        greatest = response.whole
    return least, greatest


# ---- what the columns are made of

def planned_runs(study: Study):
    """The study's plan, or `InputError`."""
    if study.plan is None:
        raise InputError("study, plan", None, "there are no runs to put on a sheet",
                         "Make a plan and set it first")
    return study.plan


def stages(study: Study) -> list[Stage]:
    """The steps of the programme, in their order."""
    mixer, held = study.brief.mixer, study.brief.held
    known = [*study.plan.region.names, *held]
    return [Stage(step, *(
        name if name and (quantity_of(name) not in LEVELS or mixer.levels_of(quantity_of(name)))
        else None for name in (source_of(known, step, w) for w in ("revolution", "rotation"))))
        for step in steps_of(known, study.brief.steps)]


def derived(study: Study, runs: pd.DataFrame) -> dict[str, np.ndarray]:
    """What follows from the settings of each run, by key: speeds, accelerations, masses.

    Speeds are rpm; those set as levels of a dial are left out where the mixer has no table. A
    counterbalance is NaN where none fits.
    """
    brief = study.brief
    mixer, vessel = brief.mixer, brief.vessel
    out: dict[str, np.ndarray] = {}
    every = pd.DataFrame({**{n: [v] * len(runs) for n, v in brief.held.items()},
                          **{n: runs[n].to_numpy() for n in study.plan.region.names}})
    for step in stages(study):
        speeds = mixer.speeds(every, step.step)
        if step.revolution:
            if quantity_of(step.revolution) in LEVELS:
                out[step.named("revolution speed")] = speeds.revolution
            out[step.named("relative acceleration")] = relative_acceleration(
                speeds.revolution, mixer.carrier_radius)
        if step.ratio and step.revolution:
            out[step.named("rotation speed")] = to_increment(speeds.rotation,
                                                             mixer.rotation_increment)
        elif step.rotation and not step.ratio:
            if quantity_of(step.rotation) in LEVELS:
                out[step.named("rotation speed")] = speeds.rotation
            if step.revolution:
                out[step.named("rotation ratio")] = speeds.ratio
    fill = np.broadcast_to(brief.fill_of(every), len(runs)).astype(float)
    masses = {m: opposite(mixer, vessel, float(m)) for m in np.unique(fill)}
    if "fill_volume" in every:
        out["fill mass"] = fill
    out["load mass"] = vessel.tare + fill
    out["counterbalance mass"] = np.array([masses[m] for m in fill])
    return out


def tidy(text: str) -> str:
    """The text on one line, with single spaces."""
    return " ".join(text.split())


def _local(time: str) -> str:
    """Local time to the minute, with its offset: the sheet may be read elsewhere."""
    return (datetime.fromisoformat(time).astimezone().isoformat(" ", "minutes") if time else "")


def _planned(f: Factor, values: np.ndarray) -> Column:
    if f.is_numeric:
        exact = _exact(values.astype(float))
        return Column(f.name, tidy(f.label), f.unit, factor=f,
                      decimals=decimals_for(f.half_range, 3) if exact is None else exact)
    return Column(f.name, tidy(f.label), f.unit, kind="choice", choices=f.levels, factor=f)


def _speeds(step: Stage, factors: list[str], mixer: Mixer,
            follows: dict[str, np.ndarray]) -> Iterable[Column]:
    whole = _exact(np.array([mixer.rotation_increment])) or 0
    shown = [("revolution speed", "revolution", "rpm", 0),
             ("rotation speed", "rotation", "rpm", whole),
             ("rotation ratio", "rotation ratio", "", 3)]
    if step.revolution in factors:
        shown.append(("relative acceleration", "acceleration", "× g", 0))
    for key, label, unit, decimals in shown:
        if step.named(key) in follows:
            yield Column(step.named(key), step.named(label), unit, role="derived",
                         decimals=decimals)


def _decimals_of_mass(masses: np.ndarray) -> int:
    """As many as the masses have, up to two: a balance shows no more."""
    exact = _exact(masses[np.isfinite(masses)])
    return 2 if exact is None else min(2, exact)


def _achieved(f: Factor, steps: list[Stage], mixer: Mixer) -> Column:
    column = Column(f"achieved {f.name}", f"achieved {tidy(f.label)}", f.unit, role="achieved",
                    factor=f, kind="number" if f.is_numeric else "choice",
                    choices=() if f.is_numeric else f.levels)
    if not f.is_numeric:
        return column
    limits = {"revolution": mixer.revolution_range[1], "rotation": mixer.rotation_range[1],
              "time": mixer.greatest_time, "pressure": ATMOSPHERE}
    own = [s for s in steps if s.ratio == f.name and s.revolution
           and quantity_of(s.revolution) == "revolution"]
    if len(own) == 1:
        # A mixer shows the rotation in rpm, not as a ratio: what it shows is what is entered.
        return replace(column, label=f"achieved {own[0].named('rotation')}", unit="rpm", least=0.0,
                       greatest=OVERSHOOT * mixer.rotation_range[1], ratio_to=own[0].revolution)
    if quantity_of(f.name) in limits:
        return replace(column, least=0.0, greatest=OVERSHOOT * limits[quantity_of(f.name)])
    span = f.high - f.low
    return replace(column, least=f.low - span, greatest=f.high + span)


def _achieved_value(c: Column, record: Record, study: Study) -> Any:
    value = record.settings.get(c.factor.name)
    if value is None and c.ratio_to in record.settings:
        # The ratio was kept, so the rotation was not as planned: the sheet must say so.
        value = study.planned(record.run)[c.factor.name]
    if value is None:
        return math.nan if c.factor.is_numeric else ""
    if c.ratio_to:
        every = {**study.brief.held, **study.planned(record.run), **record.settings}
        return round(value * every[c.ratio_to], 9)
    return value


def _measured(r: Response) -> Column:
    least, greatest = possible(r)
    return Column(r.name, tidy(r.label), r.unit, role="measurement", response=r, least=least,
                  greatest=greatest, kind="whole" if r.kind in ("count", "ordinal") else "number")


def _exact(values: np.ndarray) -> int | None:
    """Decimals that show the values as they are; None if too many are needed."""
    return next((d for d in range(_FINEST + 1)
                 if np.allclose(np.round(values, d), values, rtol=1e-12, atol=1e-12)), None)


def _told_apart(layout: list[Column]) -> list[Column]:
    """The columns with headings that differ in more than case: labels need not."""
    taken = {c.heading.casefold() for c in layout if c.role in ("identity", "note")}
    out = []
    for c in layout:
        if c.role not in ("identity", "note"):
            for label in (c.label, f"{c.label}, {c.key}", f"{c.label}, {c.key}, {c.role}"):
                c = replace(c, label=label)
                if c.heading.casefold() not in taken:
                    break
            taken.add(c.heading.casefold())
        out.append(c)
    return out

"""What a study sets out to do, checked against what mixer, vessel and material allow."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from contextvars import ContextVar
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from doe import brief_toml, plain
from doe.bench import Bench
from doe.brief_extremes import extremes, neutral
from doe.budgets import time_budget
from doe.constraints import Constraint
from doe.errors import InputError, as_name, as_number, as_text
from doe.factors import Factor, Region
from doe.load import FILLS, fill_of, load_problems
from doe.mixer import Material, Mixer, Vessel, rotation_limits
from doe.programme import (
    ATMOSPHERE,
    FORMS,
    GREATEST_AIR,
    LEVELS,
    UNITS,
    Programme,
    quantity_of,
    source_of,
    steps_of,
)
from doe.responses import Response
from doe.wording import join, percent

if TYPE_CHECKING:
    import numpy as np
    import pandas as pd

__all__ = ["RESERVED_COLUMNS", "Brief"]

RESERVED_COLUMNS = ("run", "attempt", "block", "point", "standard", "whole_plot", "order",
                    "status", "operator", "remark", "reason", "recorded_at")
"""Column names that tables of a study use for themselves."""

GREATEST_FILL = {"without vacuum": 2 / 3, "under vacuum": 1 / 2}
"""Share of the vessel beyond which head-space is short (common practice, no source)."""

_ON_FILE = ContextVar("a brief is being read from a study file", default=False)
_UNITS = {**UNITS, **FILLS}
_PARTS = {"mixer": Mixer, "vessel": Vessel, "material": Material, "region": Region,
          "bench": Bench}


@dataclass(frozen=True)
class Brief:
    """The purpose of a study, its equipment and material, what it varies and measures.

    Parameters
    ----------
    title, purpose, author : str
        The title is needed.
    mixer : Mixer
    vessel : Vessel
    material : Material
    fill_mass : float
        Material in the vessel, g; where a factor ``fill_mass`` varies it, the usual one.
    region : Region
        The factors and their constraints.
    responses : sequence of Response
    invented : bool
        True for a scenario made up for demonstration or training.
    notes : str
    held : mapping of str to float or str
        Settings that are the same in every run, in the units of `doe.mixer`, e.g.
        ``{"pressure": 5.0}``. Treat it as read-only.
    steps : sequence of str
        Names of the programme's steps in their order; those left out follow as their factors
        and held settings do. See `doe.programme` for which setting belongs to which step.
    bench : Bench
        Time at the bench and spare material.

    Raises
    ------
    InputError
        If a field cannot be used, or a run inside the region could not be made: beyond
        the mixer's settings or load, the vessel's volume or rated acceleration.
        What can be run, but should be thought over, stands in `warnings`.
    """

    title: str
    purpose: str
    author: str
    mixer: Mixer
    vessel: Vessel
    material: Material
    fill_mass: float = field(metadata={"unit": "g"})
    region: Region
    responses: tuple[Response, ...]
    invented: bool = False
    notes: str = ""
    held: Mapping[str, float | str] = field(default_factory=dict)
    steps: tuple[str, ...] = ()
    bench: Bench = field(default_factory=Bench)

    def __post_init__(self) -> None:
        put = lambda key, value: object.__setattr__(self, key, value)  # noqa: E731
        for key in ("title", "purpose", "author", "notes"):
            as_text(f"brief, {key}", getattr(self, key))
        if not self.title.strip():
            raise InputError("brief, title", self.title, "the study has no title",
                             "Say in a few words what it is about")
        for key, cls in _PARTS.items():
            if not isinstance(getattr(self, key), cls):
                raise InputError(f"brief, {key}", getattr(self, key), f"this is no {cls.__name__}",
                                 f"Give a doe.{cls.__name__}")
        put("invented", bool(self.invented))
        put("fill_mass", as_number("brief, fill_mass", self.fill_mass, above=0))
        put("responses", tuple(self.responses))
        put("held", dict(self.held))
        put("steps", tuple(as_name("brief, steps", step) for step in self.steps))
        self._check_names()
        if not _ON_FILE.get():
            self._check_equipment()

    # ---- checks

    def _check_names(self) -> None:
        if not self.responses:
            raise InputError("brief, responses", self.responses, "there are none",
                             "Give at least one thing to measure")
        for response in self.responses:
            if not isinstance(response, Response):
                raise InputError("brief, responses", response, "this is no Response",
                                 "Give doe.Response values")
        taken = dict.fromkeys(RESERVED_COLUMNS, "a column that every table of a study has")
        for kind, names in (("factor", self.region.names), ("held setting", list(self.held)),
                            ("response", [r.name for r in self.responses])):
            for name in names:
                as_name(f"brief, {kind}", name)
                # Databases and spreadsheets do not tell 'Time' from 'time'.
                if name.lower() in taken:
                    raise InputError(f"brief, {kind}", name, "the name is taken by "
                                     + taken[name.lower()], "Choose another name, which may "
                                     "differ from the label")
                taken[name.lower()] = f"the {kind} '{name}'"
        recorded = (*self.region.names, *(r.name for r in self.responses))
        for response in self.responses:
            for key in ("exposure", "trials"):
                basis = getattr(response, key)
                if isinstance(basis, str) and basis not in recorded:
                    raise InputError(f"response '{response.name}', {key}", basis, "the study "
                                     "records nothing of this name", "Give a number if it is the "
                                     "same in every run, or the name of a factor or response")
        for name, value in self.held.items():
            if not isinstance(value, str) or quantity_of(name):
                self.held[name] = as_number(f"brief, held setting '{name}'", value)

    def _check_equipment(self) -> None:
        """Refuse what the mixer, the vessel or the material do not allow."""
        for factor in self.region.factors:
            self._check_setting(factor)
        self._check_steps()
        self._check_fill()
        self._check_envelope()

    def _check_steps(self) -> None:
        known = (*self.region.names, *self.held)
        steps = self.programme_steps
        for step in self.steps:
            if step not in steps:
                raise InputError("brief, steps", step, "no factor or held setting belongs to it",
                                 f"Add one such as {step}_time, or leave the step out")
        used = {source_of(known, step, what) for step in steps for what in FORMS}
        for name in known:
            if quantity_of(name) and name not in used:
                raise InputError("brief, region", name, "every step takes that from another "
                                 "setting, so this one would set nothing",
                                 "Give it the name of a further step in front, or leave it out")
        if set(FILLS) <= set(known):
            raise InputError("brief, region", list(FILLS), "the fill is given twice",
                             "Leave one of them out")
        self.mixer.check_memory(known)

    def _check_setting(self, factor: Factor) -> None:
        if factor.name == "fill":
            raise InputError("factor 'fill', name", factor.name, "a mass or a volume could be "
                             "meant, and the counterbalance follows from it",
                             "Name it fill_mass, in g, or fill_volume, in mL without air")
        quantity = quantity_of(factor.name) or (factor.name if factor.name in _UNITS else "")
        if not quantity:
            return
        where, unit = f"factor '{factor.name}'", _UNITS[quantity]
        if factor.nuisance:
            raise InputError(f"{where}, nuisance", True, "a factor of this name sets the mixer or "
                             "the load, so a recipe must say it", "Leave nuisance out")
        if not factor.is_numeric:
            raise InputError(f"{where}, kind", factor.kind, "a factor of this name sets the "
                             "mixer or the load, so it must be a number",
                             "Give it a range or numeric levels, or another name")
        if factor.unit != unit:
            raise InputError(f"{where}, unit", factor.unit, "a factor of this name is "
                             f"{f'in {unit}' if unit else 'a plain number'}, since it sets the "
                             f"mixer or the load", f"Give it with unit = '{unit}', or choose a "
                             f"name that does not end in {quantity}")
        if quantity in LEVELS and factor.kind != "ordinal":
            raise InputError(f"{where}, kind", factor.kind, "a dial has fixed levels",
                             "Give them as levels = [1, 2, 3]")
        self._check_reach(where, factor, quantity, unit)
        longest = self.mixer.greatest_step_time
        if quantity == "time" and longest is not None and factor.high > longest:
            raise InputError(f"{where}, high", factor.high, f"a step of the mixer lasts at most "
                             f"{longest:g} s", f"Give at most {longest:g} s, or divide the time "
                             "between two steps")

    def _check_reach(self, where: str, factor: Factor, quantity: str, unit: str) -> None:
        """Refuse a range that the mixer has nothing of at one end."""
        reach = getattr(self.mixer, f"{quantity}_range", None)
        if reach is None:
            return
        for end, beyond in (("low", factor.low < reach[0] - 1e-9),
                            ("high", factor.high > max(reach[1], GREATEST_AIR * (
                                quantity == "pressure")) + 1e-9)):
            if beyond:
                value = getattr(factor, end)
                raise InputError(f"{where}, {end}", value, f"{quantity} {value:g} {unit} is "
                                 f"outside the mixer's {reach[0]:g} to {reach[1]:g} {unit}",
                                 f"Give a range within that, in {unit}")

    def _check_fill(self) -> None:
        material, vessel = self.material, self.vessel
        if material.filler_volume_fraction and material.filler_density is None:
            raise InputError(f"material '{material.name}', filler_density", None,
                             "a loading is given, but not the density of the filler",
                             "Add it, in g/cm³, so that the fill volume can be reckoned")
        for mass in self.fill_range:
            for problem in load_problems(self.mixer, vessel, material, mass):
                raise InputError("brief, fill_mass", mass, f"it cannot be run: {problem}",
                                 "Change the fill, or use another vessel or counterbalance")
        if vessel.temperature_limit is not None and (
                material.start_temperature > vessel.temperature_limit):
            raise InputError(f"material '{material.name}', start_temperature",
                             material.start_temperature, f"the {vessel.kind} stands at most "
                             f"{vessel.temperature_limit:g} °C", "Start colder, or use another "
                             "vessel")

    def _check_envelope(self) -> None:
        for settings, _ in self._extremes:
            problems = self.problems(settings)
            if problems:
                limits = [f"'{c}'" for c in self._mixer_limits() if not c.holds(settings).all()]
                raise InputError("brief, region", settings, "a run at these settings cannot be "
                                 "made: " + "; ".join(problems), "Narrow the factors' ranges"
                                 + (f", or add the constraint {join(limits)}" if limits else ""))

    def _mixer_limits(self) -> list[Constraint]:
        """What the mixer's rotation and time leave to the factors."""
        limits = [*rotation_limits(self.mixer, self.region.names, self.held),
                  time_budget(self.mixer, self.region.names, self.held)]
        return [limit for limit in limits if limit is not None]

    # ---- what follows from the fields

    @cached_property
    def mixture_density(self) -> float:
        """Of fluid and filler together, without air, g/cm³."""
        return self.material.mixture_density

    def fill_of(self, settings: Mapping | pd.DataFrame) -> float | np.ndarray:
        """Fill of a run with these factor settings, g; an array of columns of settings."""
        held = {n: v for n, v in self.held.items() if n in FILLS}
        return fill_of({**held, **{n: settings[n] for n in FILLS if n in settings}},
                       self.material, self.fill_mass)

    @property
    def fill_range(self) -> tuple[float, float]:
        """Least and greatest fill, g: over the range of a factor that sets it, if there is one."""
        fills = [f for f in self.region.factors if f.name in FILLS]
        least, most = ({f.name: getattr(f, end) for f in fills} for end in ("low", "high"))
        return self.fill_of(least), self.fill_of(most)

    @property
    def fill_volume(self) -> float:
        """Of the usual fill without air, mL."""
        return self.fill_of({}) / self.mixture_density

    @property
    def load(self) -> float:
        """Vessel, adapter and usual fill together, g."""
        return self.vessel.tare + self.fill_of({})

    @property
    def counterbalance(self) -> float:
        """Mass to fit opposite the usual load, g."""
        return self.mixer.counterbalance(self.load)

    @property
    def units(self) -> dict[str, str]:
        """Unit of every factor and response, by name."""
        return {v.name: v.unit for v in (*self.region.factors, *self.responses)}

    def response(self, name: str) -> Response:
        """The response of that name, or `InputError`."""
        for response in self.responses:
            if response.name == name:
                return response
        raise InputError("response", name, "no such response",
                         "Use one of: " + ", ".join(r.name for r in self.responses))

    @cached_property
    def warnings(self) -> list[str]:
        """What can be run but should be thought over, in words."""
        try:
            self._check_equipment()
        except InputError as error:  # on file from a time when it was not checked
            return [f"Runs of this brief may break a limit. {error}"]
        out = []
        vacuum = any(s.pressure < ATMOSPHERE - 1 for _, p in self._extremes for s in p.steps)
        when = "under vacuum" if vacuum else "without vacuum"
        share = self.fill_range[1] / self.mixture_density / self.vessel.volume
        if share > GREATEST_FILL[when]:
            out.append(f"The fill takes {percent(share)} of the {self.vessel.kind}. At most "
                       f"{percent(GREATEST_FILL[when])} {when} is common practice, so that "
                       "material can turn over and foam can rise: fill less, or use a larger "
                       "vessel.")
        material = self.material
        if material.filler_density is not None and not material.filler_volume_fraction:
            out.append("A filler density is given without a loading, so the fill volume is "
                       "reckoned with the density of the fluid alone.")
        if self._extremes:
            for _, programme in self._extremes:
                limits = programme.problems(self.mixer, self.vessel)
                out += [f"Within the region, {text}." for text in
                        programme.problems(self.mixer, self.vessel, material)
                        if text not in limits]
        else:
            out.append("On a grid over the factors' ranges no setting keeps all the constraints: "
                       "little or nothing is left to run. Check them.")
        return list(dict.fromkeys(out))

    @property
    def programme_steps(self) -> list[str]:
        """Names of the steps of a run, in their order; ``[""]`` for a single one."""
        return steps_of((*self.region.names, *self.held), self.steps)

    def programme(self, settings: Mapping) -> Programme:
        """What the mixer is set to for a run with these factor settings.

        Which factor or held setting belongs to which step says `doe.programme`. Without any
        pressure a step runs at atmospheric pressure.

        Raises
        ------
        InputError
            If a speed, ratio or time is neither a factor nor held.
        """
        every = {**self.held, **settings}
        return Programme(tuple(self.mixer.step(every, step) for step in self.programme_steps))

    def problems(self, settings: Mapping) -> list[str]:
        """Every limit of mixer, load and vessel that a run at these settings breaks, in words.

        Quantities that are neither varied nor held are taken to be harmless.
        """
        return [*self._completed(settings).problems(self.mixer, self.vessel),
                *load_problems(self.mixer, self.vessel, self.material, self.fill_of(settings))]

    def _completed(self, settings: Mapping) -> Programme:
        return self.programme({**settings, **neutral(self, settings)})

    @cached_property
    def _extremes(self) -> list[tuple[dict, Programme]]:
        return [(settings, self._completed(settings)) for settings in extremes(self)]

    # ---- plain data

    def replace(self, **changes) -> Brief:
        """The same brief with some fields changed, validated anew."""
        return dataclasses.replace(self, **changes)

    def to_plain(self) -> dict:
        """Nested dicts, lists, numbers and texts (JSON-able)."""
        return plain.to_plain(self)

    @classmethod
    def from_plain(cls, data: Mapping) -> Brief:
        """The brief that `to_plain` wrote.

        What is on file opens, also where equipment is checked more closely now than when it was
        written: `warnings` says then what a new brief would be refused for, and `problems` of a
        run what it would break.
        """
        data = dict(data)
        for key, part in _PARTS.items():
            if isinstance(data.get(key), Mapping):
                data[key] = plain.from_plain(part, data[key])
        if "responses" in data:
            data["responses"] = tuple(plain.from_plain(Response, r) for r in data["responses"])
        token = _ON_FILE.set(True)
        try:
            return plain.from_plain(cls, data)
        finally:
            _ON_FILE.reset(token)

    @classmethod
    def from_toml(cls, source: str | Path) -> Brief:
        """Read a brief written by hand; `brief_toml.template_toml` shows the form.

        Parameters
        ----------
        source : str or Path
            The text itself, or the path of a file.

        Raises
        ------
        InputError
            If it is no TOML, a key is unknown, or a value cannot be used.
        """
        return plain.from_plain(cls, brief_toml.parse(source))

    def to_toml(self) -> str:
        """The brief as TOML, which `from_toml` reads back to an equal value."""
        return brief_toml.write(self.to_plain())

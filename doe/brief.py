"""What a study sets out to do, checked against what mixer, vessel and material allow."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path

from doe import brief_toml, plain
from doe.bench import Bench
from doe.brief_extremes import extremes, neutral
from doe.budgets import time_budget
from doe.constraints import Constraint
from doe.errors import InputError, as_name, as_number
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel, rotation_limits
from doe.programme import (
    ATMOSPHERE,
    GREATEST_AIR,
    QUANTITIES,
    UNITS,
    Programme,
    Step,
    quantity_of,
    setting_of,
    steps_of,
)
from doe.responses import Response
from doe.wording import join, percent

__all__ = ["RESERVED_COLUMNS", "Brief"]

RESERVED_COLUMNS = ("run", "attempt", "block", "point", "standard", "whole_plot", "order",
                    "status", "operator", "remark", "reason", "recorded_at")
"""Column names that tables of a study use for themselves."""

GREATEST_FILL = {"without vacuum": 2 / 3, "under vacuum": 1 / 2}
"""Share of the vessel beyond which head-space is short (common practice, no source)."""

_UNITS = {**UNITS, "fill_mass": "g"}
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
            if not isinstance(getattr(self, key), str):
                raise InputError(f"brief, {key}", getattr(self, key), "this is not a text",
                                 "Write it in quotes")
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
        put("steps", tuple(self.steps))
        self._check_names()
        self._check_steps()
        self._check_fill()
        self._check_envelope()

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
        for factor in self.region.factors:
            self._check_setting(factor)

    def _check_steps(self) -> None:
        known = (*self.region.names, *self.held)
        steps = self.programme_steps
        for step in self.steps:
            if step not in steps:
                raise InputError("brief, steps", step, "no factor or held setting belongs to it",
                                 f"Add one such as {step}_time, or leave the step out")
        for quantity in QUANTITIES:
            if quantity in known and all(s and setting_of(known, s, quantity) != quantity
                                         for s in steps):
                raise InputError("brief, region", quantity, "every step has a setting of its own "
                                 "for it, so this one would set nothing",
                                 "Give it the name of a further step in front, or leave it out")
        self.mixer.check_memory(known)

    def _check_setting(self, factor: Factor) -> None:
        quantity = quantity_of(factor.name) or (factor.name if factor.name in _UNITS else "")
        if not quantity:
            return
        where, unit = f"factor '{factor.name}'", _UNITS[quantity]
        if not factor.is_numeric:
            raise InputError(f"{where}, kind", factor.kind, "a factor of this name sets the "
                             "mixer or the load, so it must be a number",
                             "Give it a range or numeric levels, or another name")
        if factor.unit != unit:
            raise InputError(f"{where}, unit", factor.unit, "a factor of this name is "
                             f"{f'in {unit}' if unit else 'a plain number'}, since it sets the "
                             f"mixer or the load", f"Give it with unit = '{unit}', or choose a "
                             f"name that does not end in {quantity}")
        self._check_reach(where, factor, quantity, unit)
        longest = self.mixer.greatest_step_time
        if quantity == "time" and longest is not None and factor.high > longest:
            raise InputError(f"{where}, high", factor.high, f"a step of the mixer lasts at most "
                             f"{longest:g} s", f"Give at most {longest:g} s, or divide the time "
                             "between two steps")

    def _check_reach(self, where: str, factor: Factor, quantity: str, unit: str) -> None:
        """Refuse a range that the mixer has nothing of at one end."""
        reach = getattr(self.mixer, f"{quantity}_range", None)
        if quantity not in ("revolution", "pressure") or reach is None:
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
            self.mixer.counterbalance(vessel.tare + mass)
            volume = mass / self.mixture_density
            if volume > vessel.volume:
                raise InputError("brief, fill_mass", mass, f"at {self.mixture_density:.3g} g/cm³ "
                                 f"it takes {volume:.4g} mL, but the {vessel.kind} holds "
                                 f"{vessel.volume:g} mL", "Fill less, or use a larger vessel")
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
        loading = self.material.filler_volume_fraction or 0.0
        filler = self.material.filler_density or 0.0
        return (1 - loading) * self.material.density + loading * filler

    @property
    def fill_range(self) -> tuple[float, float]:
        """Least and greatest fill, g: the range of a factor ``fill_mass``, if there is one."""
        if "fill_mass" in self.region.names:
            factor = self.region["fill_mass"]
            return factor.low, factor.high
        return self.fill_mass, self.fill_mass

    @property
    def fill_volume(self) -> float:
        """Of the material without air, mL."""
        return self.fill_mass / self.mixture_density

    @property
    def load(self) -> float:
        """Vessel, adapter and material together, g."""
        return self.vessel.tare + self.fill_mass

    @property
    def counterbalance(self) -> float:
        """Mass to fit opposite, g."""
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
        steps = []
        for step in self.programme_steps:
            own = {q: every.get(setting_of(every, step, q)) for q in QUANTITIES}
            own["pressure"] = ATMOSPHERE if own["pressure"] is None else own["pressure"]
            for quantity, value in own.items():
                if value is None:
                    name = f"{step}_{quantity}" if step else quantity
                    raise InputError(f"step, {name}", None, "it is neither a factor nor held, so "
                                     "the programme of a run is not complete",
                                     f"Add {name} to the held settings of the brief")
            steps.append(Step(**{q: float(v) for q, v in own.items()}, name=step))
        return Programme(tuple(steps))

    def problems(self, settings: Mapping) -> list[str]:
        """Every limit of mixer and vessel that a run at these settings would break, in words.

        Quantities that are neither varied nor held are taken to be harmless.
        """
        return self._completed(settings).problems(self.mixer, self.vessel)

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
        """The brief that `to_plain` wrote, validated anew."""
        data = dict(data)
        for key, part in _PARTS.items():
            if isinstance(data.get(key), Mapping):
                data[key] = plain.from_plain(part, data[key])
        if "responses" in data:
            data["responses"] = tuple(plain.from_plain(Response, r) for r in data["responses"])
        return plain.from_plain(cls, data)

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

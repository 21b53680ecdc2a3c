"""What a plan asks of the laboratory: time, set-ups and material, per block and per day."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe.bench import Bench
from doe.cautions import to_programmes
from doe.errors import InputError
from doe.load import fill_of
from doe.planning.changes import set_ups
from doe.planning.plan import Plan
from doe.wording import count, digits, join, percent

if TYPE_CHECKING:
    from doe.brief import Brief

__all__ = ["Effort", "effort"]

_PARTS = ("programme", "handling", "set_up", "cleaning")


@dataclass(frozen=True, eq=False)
class Effort:
    """What a plan asks of the laboratory.

    Parameters
    ----------
    table : DataFrame
        One row a block and day: ``block``, ``day``, ``runs``, ``programme``, ``handling``,
        ``set_up``, ``cleaning`` and ``total`` (min), ``changes`` (settings set anew) and
        ``material`` (g; not a number where the fill is not known). Units in
        ``attrs["units"]``.
    runs : DataFrame
        The same for each run, with ``set``, the factors to be set before it.
    minutes : float
        All in all.
    material : float
        g; not a number where the fill is not known.
    days : int
    unknown : tuple of str
        What could not be reckoned, in words.
    """

    table: pd.DataFrame
    runs: pd.DataFrame
    minutes: float
    material: float
    days: int
    unknown: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """The effort in words."""
        total = self.table[list(_PARTS)].sum()
        shown = [f"{_words(name)} {percent(value / self.minutes)}"
                 for name, value in total.sort_values(ascending=False).items() if value > 0]
        said = (f"{count(len(self.runs), 'run')} take {_time(self.minutes)}"
                + (f" on {count(self.days, 'day')}" if self.days > 1 else "")
                + (f" ({join(shown)})" if shown else "") + ".")
        if np.isfinite(self.material):
            said += f" They use {_mass(self.material)} of material."
        return " ".join([said, *self.unknown])


def effort(plan: Plan, brief: Brief | None = None, *,
           change_minutes: Mapping[str, float] | None = None,
           handling_minutes: float | None = None, cleaning_minutes: float | None = None,
           day_minutes: float | None = None, spare: float | None = None) -> Effort:
    """Laboratory time and material that the runs of a plan take, in their order.

    Parameters
    ----------
    plan : Plan
    brief : Brief, optional
        Gives the programme of each run, held settings included, the fill, and with its ``bench``
        what is left out below (else that of a plain `doe.bench.Bench`). Without it the
        programme is read from the factors where they make one, else their times are added up,
        and material is reckoned only if ``fill_mass`` is a factor.
    change_minutes : mapping, optional
        Time to change the setting of a factor, min; factors left out take none, such as speeds
        that are typed into the programme.
    handling_minutes : float
        For each run: weigh, load, balance, unload, measure.
    cleaning_minutes : float
        For each run.
    day_minutes : float
        Working time of a day. A run that does not fit into the rest of a day is made on the
        next, and everything is set up anew there.
    spare : float
        Material prepared beyond the fill, as a share of it.

    Raises
    ------
    InputError
        If a number cannot be used, or a single run takes longer than a day.
    """
    bench = Bench() if brief is None else brief.bench
    given = {"handling": handling_minutes, "cleaning": cleaning_minutes, "day": day_minutes,
             "spare": spare}
    bench = replace(bench, **{name: v for name, v in given.items() if v is not None})
    if change_minutes is None:
        change_minutes = bench.change_of(plan.region.names)
    strip, unknown = set_ups(plan, change_minutes), []
    minutes = _programme_minutes(plan, brief)
    if minutes is None:
        minutes = np.zeros(len(plan))
        unknown.append("The time of the programme is neither a factor nor known from a brief; it "
                       "is left out.")
    if not change_minutes:
        unknown.append("No time was given for changing settings; it is left out.")
    runs = pd.DataFrame({"run": plan.runs["run"], "block": plan.runs["block"],
                         "set": strip["set"], "changes": strip["changes"],
                         "programme": minutes, "handling": bench.handling,
                         "set_up": strip["minutes"], "cleaning": bench.cleaning})
    _onto_days(plan, runs, change_minutes, bench.day)
    runs["total"] = runs[list(_PARTS)].sum(axis=1)
    runs["material"] = _fill(plan, brief) * (1 + bench.spare)
    table = runs.groupby(["block", "day"], as_index=False).agg(
        runs=("run", "size"), **{c: (c, "sum") for c in (*_PARTS, "total", "changes")},
        # The sum of a group must not pass over a run whose fill is not known.
        material=("material", lambda m: m.sum(skipna=False)))
    units = dict.fromkeys((*_PARTS, "total"), "min") | {"material": "g"}
    table.attrs["units"] = runs.attrs["units"] = units
    return Effort(table, runs, float(runs["total"].sum()),
                  float(runs["material"].sum(skipna=False)), int(runs["day"].max()),
                  tuple(unknown))


def _programme_minutes(plan: Plan, brief: Brief | None) -> np.ndarray | None:
    """Time of each run's programme, min; None if it cannot be reckoned."""
    settings = plan.settings
    if brief is not None:
        try:
            return np.array([brief.programme(row).time for row in settings.to_dict("records")]) / 60
        except InputError:  # a quantity other than the time may be missing from the programme
            settings = settings.assign(**{name: value for name, value in brief.held.items()
                                          if name not in settings})
    programmes = to_programmes(settings)
    if programmes:
        return np.array([p.time for p in programmes]) / 60
    times = [c for c in settings if c == "time" or c.endswith("_time")]
    return settings[times].to_numpy(float).sum(axis=1) / 60 if times else None


def _fill(plan: Plan, brief: Brief | None) -> np.ndarray:
    fill = fill_of(plan.settings) if brief is None else brief.fill_of(plan.settings)
    return np.full(len(plan), np.nan if fill is None else fill)


def _onto_days(plan: Plan, runs: pd.DataFrame, change_minutes: Mapping[str, float] | None,
               day: float) -> None:
    """Add the column ``day``; the first run of a day has all factors set anew."""
    everything = sum((change_minutes or {}).get(n, 0.0) for n in plan.region.names)
    own = runs[["programme", "handling", "cleaning"]].sum(axis=1).to_numpy()
    set_up = runs["set_up"].to_numpy().copy()
    longest = own.max() + everything
    if longest > day + 1e-9:
        raise InputError("day_minutes", day, f"one run takes up to {digits(longest)} min with its "
                         "set-ups, longer than the day", "Give a longer day")
    days, spent = [1], own[0] + set_up[0]
    for i in range(1, len(runs)):
        if spent + set_up[i] + own[i] > day + 1e-9:
            days.append(days[-1] + 1)
            set_up[i], spent = everything, 0.0
        else:
            days.append(days[-1])
        spent += set_up[i] + own[i]
    first = np.diff(days, prepend=0) > 0
    runs["set_up"] = set_up
    runs.loc[first, "changes"] = len(plan.region)
    runs.loc[first, "set"] = join(f.label for f in plan.region.factors)
    runs.insert(2, "day", days)


def _words(name: str) -> str:
    return {"programme": "mixing", "set_up": "set-ups"}.get(name, name)


def _time(minutes: float) -> str:
    return f"{digits(minutes, 2)} min" if minutes < 90 else f"{digits(minutes / 60, 2)} h"


def _mass(grams: float) -> str:
    return f"{digits(grams)} g" if grams < 1000 else f"{digits(grams / 1000)} kg"

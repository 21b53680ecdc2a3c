"""The best setting there truly is, and where one knob at a time leads instead."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.brief import Brief
from doe.errors import InputError
from doe.practice.scenario import RUN_SD, demo_brief
from doe.practice.simulation import truth
from doe.wording import digits, join, quantity

__all__ = ["Optimum", "one_knob_at_a_time", "optimum"]


@dataclass(frozen=True)
class Optimum:
    """The shortest true cycle that meets every specification.

    Parameters
    ----------
    settings : dict of str to float
    table : DataFrame
        A row a response: ``response``, ``true``, ``specification``, ``spare`` (distance to
        the nearest limit, in standard deviations between runs).
    sentence : str
    """

    settings: dict[str, float]
    table: pd.DataFrame
    sentence: str


def optimum(brief: Brief | None = None, *, spare: float = 0.0) -> Optimum:
    """The shortest setting whose true responses meet every specification, by search.

    Searches the settable grid of the brief's region (some 40 values a factor), shortest
    time first; among equally short settings the one with most to spare.

    Parameters
    ----------
    brief : Brief, optional
    spare : float
        Least distance to every limit, in standard deviations between runs.

    Raises
    ------
    InputError
        If no setting of the region meets every specification.
    """
    brief = brief or demo_brief()
    times = (brief.region["time"].settings(41) if "time" in brief.region.names
             else [brief.held.get("time")])
    for time in times:
        fixed = {"time": time} if "time" in brief.region.names else {}
        grid = brief.mixer.snap(brief.region.grid(41, fixed=fixed), brief.region)
        grid = grid[brief.region.contains(grid)]
        least = _spare(truth(grid, brief), brief).min(axis=1)
        if len(grid) and least.max() >= spare:
            best = grid.loc[[least.idxmax()]]
            return _as_optimum(best, brief)
    raise InputError("brief, region", brief.region.names, "no setting meets every specification",
                     "Widen the region or the specification")


def _as_optimum(row: pd.DataFrame, brief: Brief) -> Optimum:
    true = truth(row, brief)
    names = [r.name for r in brief.responses]
    table = pd.DataFrame({
        "response": names, "true": true[names].iloc[0].to_numpy(),
        "specification": [r.specification for r in brief.responses],
        "spare": _spare(true, brief)[names].iloc[0].to_numpy()})
    settings = {k: float(v) for k, v in row.iloc[0].items()}
    said = join(f"{brief.region[k].label} {quantity(v, brief.region[k].unit)}"
                for k, v in settings.items())
    nearest = table.loc[table["spare"].idxmin()]
    label = brief.response(nearest["response"]).label
    return Optimum(settings, table, f"In truth every specification is met at {said}; the "
                   f"nearest limit is that of {label}, {digits(nearest['spare'], 2)} standard "
                   "deviations between runs away.")


def _spare(true: pd.DataFrame, brief: Brief) -> pd.DataFrame:
    """Distance from the nearest limit in standard deviations; negative outside."""
    out = {}
    for response in brief.responses:
        scale = np.log if response.name == "voids" else lambda v: v
        value, sd = scale(true[response.name]), RUN_SD[response.name]
        room = [(scale(response.upper) - value) / sd] if response.upper is not None else []
        room += [(value - scale(response.lower)) / sd] if response.lower is not None else []
        out[response.name] = np.minimum.reduce(room) if room else np.full(len(true), np.inf)
    return pd.DataFrame(out, index=true.index)


def one_knob_at_a_time(brief: Brief | None = None, order: Sequence[str] = (), *,
                       count: int = 61) -> pd.DataFrame:
    """Where varying one setting at a time leads from the region's centre, without noise.

    Each factor in turn is moved to where the specifications are missed least, the others
    held; where several settings meet them all, to the one of shortest time.

    Parameters
    ----------
    brief : Brief, optional
    order : sequence of str
        The order in which the factors are taken; the region's if left out.
    count : int
        About how many settings of each factor are tried.

    Returns
    -------
    DataFrame
        The setting after each factor: ``moved``, the factors, the true responses and
        ``meets_all``.
    """
    brief = brief or demo_brief()
    region = brief.region
    at = region.middle()
    path = []
    for name in order or region.names:
        tried = region[name].settings(count)
        trial = pd.concat([at] * len(tried), ignore_index=True).assign(**{name: tried})
        trial = brief.mixer.snap(trial, region)
        trial = trial[region.contains(trial)].reset_index(drop=True)
        true = truth(trial, brief)
        missed = np.maximum(-_spare(true, brief).min(axis=1), 0)
        best = np.lexsort((trial["time"], missed))[0] if "time" in trial else missed.idxmin()
        at = trial.iloc[[best]]
        path.append(at.assign(moved=name, meets_all=missed[best] == 0, **true.iloc[best]))
    out = pd.concat(path, ignore_index=True)
    return out[["moved", *region.names, *true.columns, "meets_all"]]

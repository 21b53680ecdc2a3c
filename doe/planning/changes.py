"""What has to be set anew before each run of a plan, and how long that takes."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise

import numpy as np
import pandas as pd

from doe.errors import as_number
from doe.planning.plan import Plan
from doe.wording import join

__all__ = ["changed", "codes_of", "expected_cost", "minutes_of", "set_ups", "stretches"]


def set_ups(plan: Plan, change_minutes: Mapping[str, float] | None = None) -> pd.DataFrame:
    """What has to be set anew before each run, and how long that takes.

    Parameters
    ----------
    plan : Plan
        The factors that are hard to change are set anew at the start of every group, also
        where the setting stays.
    change_minutes : mapping, optional
        Time to change the setting of a factor, min; those left out take none.

    Returns
    -------
    DataFrame
        ``run``, ``block``, ``set`` (the factors in words), ``changes`` (how many) and
        ``minutes``; before the first run everything is set.
    """
    minutes = minutes_of(plan, change_minutes or {})
    new = changed(plan, np.arange(len(plan)))
    names = np.array([f.label for f in plan.region.factors], object)
    table = pd.DataFrame({
        "run": plan.runs["run"], "block": plan.runs["block"],
        "set": [join(names[row]) for row in new], "changes": new.sum(axis=1),
        "minutes": new @ minutes})
    table.attrs["units"] = {"minutes": "min"}
    return table


def changed(plan: Plan, order: np.ndarray) -> np.ndarray:
    """Which factors are set before each run; boolean, shape (n, k)."""
    codes = codes_of(plan)[order]
    new = np.vstack([np.ones(codes.shape[1], bool), codes[1:] != codes[:-1]])
    if "whole_plot" in plan.runs:
        plots = plan.runs["whole_plot"].to_numpy()[order]
        start = np.append(True, plots[1:] != plots[:-1])
        hard = np.array([f.hard_to_change for f in plan.region.factors])
        new |= start[:, None] & hard
    return new


def codes_of(plan: Plan) -> np.ndarray:
    """Settings as whole numbers, equal where they are the same; shape (n, k)."""
    return np.column_stack([
        np.unique(np.round(f.code(plan.runs[f.name]), 9) if f.is_numeric
                  else plan.runs[f.name].astype(str), return_inverse=True)[1]
        for f in plan.region.factors])


def minutes_of(plan: Plan, change_minutes: Mapping[str, float] | None) -> np.ndarray:
    """Cost of a change of each factor, shape (k,): in min, or if no times are given 1 for those
    hard to change and 0 for others, or 1 for all if none is hard to change."""
    if change_minutes is None:
        hard = np.array([f.hard_to_change for f in plan.region.factors])
        return hard.astype(float) if hard.any() else np.ones(len(plan.region))
    for name, value in change_minutes.items():
        as_number(f"change_minutes, {plan.region[name].name}", value, at_least=0)
    return np.array([float(change_minutes.get(n, 0.0)) for n in plan.region.names])


def stretches(labels: np.ndarray) -> list[np.ndarray]:
    """Places of equal neighbours."""
    return np.split(np.arange(len(labels)), np.flatnonzero(np.diff(labels)) + 1)


def expected_cost(plan: Plan, minutes: np.ndarray) -> float:
    """Mean cost of changes in a random order, blocks in turn; every run set up by itself."""
    codes, total = codes_of(plan), 0.0
    parts = stretches(plan.runs["block"].to_numpy())
    for part in parts:
        m = len(part)
        if m > 1:
            differ = (codes[part][:, None] != codes[part][None]).sum(axis=(0, 1)) / (m * (m - 1))
            total += (m - 1) * float(differ @ minutes)
    for one, two in pairwise(parts):
        total += float((codes[one][:, None] != codes[two][None]).mean(axis=(0, 1)) @ minutes)
    return total

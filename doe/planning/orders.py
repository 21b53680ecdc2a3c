"""The order in which runs are made: what it protects against, and what it costs in set-ups.

A random order spreads any drift over all effects like error. Where that asks for too many
set-ups, runs may be grouped, or put in the order with the fewest changes; where a drift is
expected (a seal that wears, a day that warms up), a trend-robust order keeps it out of the
effects.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice
from doe.planning.changes import changed, codes_of, expected_cost, minutes_of, stretches
from doe.planning.paths import shortest_path
from doe.planning.plan import Plan
from doe.planning.structure import as_count, as_seed, run_order
from doe.planning.trends import (
    TRENDS,
    OrderAppraisal,
    against_trend,
    appraise_order,
    as_degree,
)
from doe.wording import capitalise, join, percent

__all__ = ["ORDERS", "reorder"]

ORDERS = ("random", "grouped", "trend-robust", "fewest changes")
_STALE = ("In this order ", "Runs are grouped by ", "Grouping by ", "No group is repeated",
          "Run order: ")


def reorder(plan: Plan, how: str = "random", seed: int | None = None, *, degree: int = 1,
            change_minutes: Mapping[str, float] | None = None, first: int = 1,
            starts: int = 60) -> Plan:
    """The same runs in another order, blocks in turn.

    Parameters
    ----------
    plan : Plan
    how : {"random", "grouped", "trend-robust", "fewest changes"}
        * random: every run drawn; groups of the plan are dissolved;
        * grouped: groups drawn (those of the plan, else runs with the same settings of the
          factors hard to change), then the runs within them;
        * trend-robust: the effects are kept clear of a smooth drift, by exchanging pairs of runs
          (within groups, and whole groups, if the plan has them);
        * fewest changes: least time for set-ups, by `change_minutes`; groups stay together.
    seed : int, optional
        Drawn afresh if left out, recorded either way.
    degree : {1, 2, 3}
        Of the trend, for "trend-robust".
    change_minutes : mapping, optional
        Time to change the setting of a factor, min, for "fewest changes" and the remarks. If
        left out, each change of a factor hard to change counts alike, and others only where that
        leaves a choice; if none is hard to change, all count alike.
    first : int
        The first run that may move; those before are done already.
    starts : int
        Starts of the search: the first third at random, the others from the best so far, shaken.

    Returns
    -------
    Plan
        Its remarks say what the order protects against and costs; ``details["run_order"]`` has
        the numbers.

    Raises
    ------
    InputError
        If an option cannot be used.
    """
    as_choice("how", how, ORDERS)
    degree = as_degree(degree)
    seed = as_seed(seed)
    first = as_count("first", first, at_least=1)
    if first > len(plan):
        raise InputError("first", first, f"the plan has only {len(plan)} runs",
                         "Give the first run that may move")
    minutes = minutes_of(plan, change_minutes)
    group = _groups(plan, how)
    rng = np.random.default_rng(seed)
    stay = np.arange(len(plan)) < first - 1
    if group is not None:  # a group that is begun is finished as it stands
        stay |= np.isin(group, group[stay])
    block = plan.runs["block"].to_numpy()
    if (np.diff(block) < 0).any():
        raise InputError("plan, block", block.tolist(), "the blocks do not follow each other",
                         "Order the plan by blocks first")
    free = np.flatnonzero(~stay)
    drawn, _ = run_order(block[free], seed, None if group is None else group[free])
    order = np.concatenate([np.flatnonzero(stay), free[drawn]])
    order = order[np.argsort(block[order], kind="stable")]
    if how == "trend-robust":
        order = against_trend(plan, order, stay, group, degree, rng, starts)
    elif how == "fewest changes":
        order = _with_few_changes(plan, order, stay, group, minutes, rng, starts)
    runs = plan.runs.iloc[order].assign(run=np.arange(1, len(plan) + 1))
    runs = _regrouped(plan, runs, how, None if group is None else group[order])
    details = {k: v for k, v in plan.details.items() if k != "variance_ratios"}
    ratios = {k: v for k, v in plan.details.get("variance_ratios", {}).items() if k in runs}
    if ratios:
        details["variance_ratios"] = ratios
    moved = Plan(plan.region, runs, plan.terms, plan.family, seed, details)
    told = appraise_order(moved, degree=degree, change_minutes=change_minutes)
    details["seed_before"] = plan.seed
    details["run_order"] = {"how": how, "degree": degree, "changes": told.changes,
                            "minutes": told.minutes, "trend_efficiency": told.trend_efficiency}
    remarks = [r for r in plan.remarks if not r.startswith(_STALE)]
    remarks += _remarks(plan, moved, how, told, minutes)
    return Plan(plan.region, runs, plan.terms, plan.family, seed, details, tuple(remarks))


def _groups(plan: Plan, how: str) -> np.ndarray | None:
    if how == "random":
        return None
    if "whole_plot" in plan.runs:
        return plan.runs["whole_plot"].to_numpy()
    if how != "grouped":
        return None
    hard = [j for j, f in enumerate(plan.region.factors) if f.hard_to_change]
    if not hard:
        raise InputError("how", how, "no factor is marked hard to change",
                         "Mark one with hard_to_change=True, or choose another order")
    keys = pd.DataFrame(codes_of(plan)[:, hard]).assign(block=plan.runs["block"].to_numpy())
    return keys.groupby(list(keys)).ngroup().to_numpy() + 1


def _regrouped(plan: Plan, runs: pd.DataFrame, how: str,
               group: np.ndarray | None) -> pd.DataFrame:
    """The runs with their groups numbered anew, in run order."""
    runs = runs.drop(columns="whole_plot", errors="ignore")
    if group is None and how == "fewest changes":
        # Runs that follow each other at one setting of a hard factor share that set-up.
        hard = [f.name for f in plan.region.factors if f.hard_to_change]
        if hard:
            keys = runs[[*hard, "block"]]
            change = (keys != keys.shift()).any(axis=1).to_numpy()
            return runs.assign(whole_plot=np.cumsum(change))
    if group is None:
        return runs
    change = np.append(True, group[1:] != group[:-1])
    return runs.assign(whole_plot=np.cumsum(change))


def _with_few_changes(plan: Plan, order: np.ndarray, stay: np.ndarray,
                      group: np.ndarray | None, minutes: np.ndarray, rng: np.random.Generator,
                      starts: int) -> np.ndarray:
    codes = codes_of(plan)
    hold = plan.runs["block"].to_numpy() if group is None else group
    cost = minutes + 1e-3 * max(minutes.max(), 1.0)  # what takes no time should not change idly
    done: list[int] = []
    for part in stretches(hold[order]):
        rows = order[part]
        fixed, loose = rows[stay[rows]], rows[~stay[rows]]
        done += fixed.tolist()
        done += loose[shortest_path(codes[loose], cost, rng, starts,
                                    codes[done[-1]] if done else None)].tolist()
    return np.array(done, int)


# ---- in words --------------------------------------------------------------------------------

def _remarks(before: Plan, plan: Plan, how: str, told: OrderAppraisal,
             minutes: np.ndarray) -> list[str]:
    usual = expected_cost(before, minutes)
    labels = join(f.label for f in plan.region.factors if f.hard_to_change)
    texts = {
        "random": "drawn at random within blocks. Any drift, also one of unknown shape, is spread "
                  "over the effects like error.",
        "grouped": "groups of runs that share a set-up are drawn at random, then the runs within "
                   "them. A drift from run to run is spread over the effects like error; what "
                   f"differs between groups passes for an effect of {labels} unless groups are "
                   "repeated. Analyse it with the groups as a random effect.",
        "trend-robust": f"chosen against a {TRENDS[told.degree]} trend, not drawn at random. It "
                        "protects against a smooth drift only; a jump, or a drift of another "
                        "shape, can pass for an effect.",
        "fewest changes": "chosen for the fewest set-ups, not drawn at random. Any drift can pass "
                          "for an effect, above all of the factors that change seldom: use it "
                          "only where the process is known to stand still."}
    said = ["Run order: " + texts[how] + " " + told.sentence]
    if "whole_plot" in before.runs and how == "random":
        said.append(f"Run order: the groups of the plan are dissolved, so {labels} must be set "
                    "anew for every run; what is said above of groups no longer holds.")
    if how == "fewest changes" and "whole_plot" in plan.runs:
        said.append(f"Run order: {capitalise(labels)} stays set over runs that follow each other, "
                    "so these share its error. They are numbered as groups (column whole_plot) "
                    "for the analysis.")
    if how != "random":
        spent = float(changed(plan, np.arange(len(plan)))[1:].dot(minutes).sum())
        if abs(usual - spent) > 1e-9 and usual > 0:
            said.append(f"Run order: changes between runs cost {percent(spent / usual)} of what a "
                        "random order would cost on average.")
    return said

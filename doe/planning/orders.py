"""The order in which runs are made: what it protects against, and what it costs in set-ups.

A random order spreads any drift over all effects like error. Where that asks for too many
set-ups, runs may be grouped, or put in the order with the fewest changes; where a drift is
expected (a seal that wears, a day that warms up), a trend-robust order keeps it out of the
effects.

References
----------
Atkinson, A. C. & Donev, A. N. (1996). Experimental designs optimally balanced for trend.
*Technometrics* 38, 333–341.
Draper, N. R. & Stoneman, D. M. (1968). Factor changes and linear trends in eight-run two-level
factorial designs. *Technometrics* 10, 301–311.
Cheng, C.-S. & Jacroux, M. (1988). The construction of trend-free run orders of two-level
factorial designs. *Journal of the American Statistical Association* 83, 1152–1158.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.planning.aliases import column_labels
from doe.planning.paths import shortest_path
from doe.planning.plan import Plan
from doe.planning.settle import block_columns
from doe.planning.structure import as_count, as_seed, run_order
from doe.terms import model_matrix
from doe.wording import capitalise, count, digits, join, percent

__all__ = ["ORDERS", "OrderAppraisal", "appraise_order", "reorder", "set_ups"]

ORDERS = ("random", "grouped", "trend-robust", "fewest changes")
_STALE = ("In this order ", "Runs are grouped by ", "Grouping by ", "No group is repeated",
          "Run order: ")
_TRENDS = {1: "linear", 2: "linear and quadratic", 3: "linear, quadratic and cubic"}


@dataclass(frozen=True, eq=False)
class OrderAppraisal:
    """What a run order protects against and what it costs.

    Parameters
    ----------
    table : DataFrame
        One row a model column but the mean: ``term``, ``label``, ``time_count`` (sum of the
        column times the run's place; 0 for an effect that a linear trend does not touch, Draper
        & Stoneman 1968) and ``trend_share`` (share of what the runs tell about it that is lost
        if a trend has to be allowed for, the other terms aside).
    set_ups : DataFrame
        As from `set_ups`.
    trend_efficiency : float
        ``(|M with trend terms| / |M without|)^(1/r)``, 1 for an order in which the trend touches
        no effect (Atkinson & Donev 1996).
    degree : int
        Of the trend, in the place of the runs.
    changes : int
        Changes of setting between one run and the next, all factors.
    minutes : float
        Time for set-ups, the first included.
    """

    table: pd.DataFrame
    set_ups: pd.DataFrame
    trend_efficiency: float
    degree: int
    changes: int
    minutes: float

    @property
    def sentence(self) -> str:
        """The appraisal in words."""
        touched = self.table[self.table["trend_share"] > 1e-9]
        kind = _TRENDS[self.degree]
        said = (f"A {kind} trend over the runs touches no effect of the model." if touched.empty
                else f"Allowing for a {kind} trend over the runs costs less than 0.1 % of the "
                     "D-efficiency." if self.trend_efficiency > 0.999
                else f"If a {kind} trend over the runs has to be allowed for, "
                     f"{percent(self.trend_efficiency, 3)} of the D-efficiency is left; it touches "
                     f"{touched.loc[touched['trend_share'].idxmax(), 'label']} most.")
        return (f"{said} Settings change {count(self.changes, 'time')} between runs"
                + (f"; set-ups take {digits(self.minutes)} min." if self.minutes else "."))


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
        left out, all changes count alike.
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
    degree = _degree(degree)
    seed = as_seed(seed)
    first = as_count("first", first, at_least=1)
    if first > len(plan):
        raise InputError("first", first, f"the plan has only {len(plan)} runs",
                         "Give the first run that may move")
    minutes = _minutes(plan, change_minutes)
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
        order = _against_trend(plan, order, stay, group, degree, rng, starts)
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


def appraise_order(plan: Plan, *, degree: int = 1,
                   change_minutes: Mapping[str, float] | None = None) -> OrderAppraisal:
    """What the run order of a plan protects against and costs.

    Parameters
    ----------
    plan : Plan
    degree : {1, 2, 3}
        Of the trend that might run through the series.
    change_minutes : mapping, optional
        Time to change the setting of a factor, min; those left out take none.
    """
    degree = _degree(degree)
    X = model_matrix(plan.region, plan.settings, plan.terms)
    labels = column_labels(plan.region, plan.terms)
    centred = _centred(X.to_numpy(), plan)
    T = _trend(plan, degree)
    place = _centred(np.arange(1.0, len(plan) + 1)[:, None], plan)[:, 0]
    size = (centred**2).sum(axis=0)
    touched = ((T.T @ centred)**2).sum(axis=0)
    rows = [{"term": name, "label": labels[name],
             "time_count": float(np.round(place @ centred[:, j], 9)) + 0.0,
             "trend_share": float(touched[j] / size[j])}
            for j, name in enumerate(X) if size[j] > 1e-9]
    strip = set_ups(plan, change_minutes)
    U = _basis(centred)
    return OrderAppraisal(
        pd.DataFrame(rows, columns=["term", "label", "time_count", "trend_share"]), strip,
        float(_left(U.T @ T)**(1 / max(1, U.shape[1]))), degree,
        int(strip["changes"].iloc[1:].sum()), float(strip["minutes"].sum()))


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
    minutes = _minutes(plan, change_minutes or {})
    new = _changed(plan, np.arange(len(plan)))
    names = np.array([f.label for f in plan.region.factors], object)
    table = pd.DataFrame({
        "run": plan.runs["run"], "block": plan.runs["block"],
        "set": [join(names[row]) for row in new], "changes": new.sum(axis=1),
        "minutes": new @ minutes})
    table.attrs["units"] = {"minutes": "min"}
    return table


# ---- set-ups ---------------------------------------------------------------------------------

def _changed(plan: Plan, order: np.ndarray) -> np.ndarray:
    """Which factors are set before each run; boolean, shape (n, k)."""
    codes = _codes(plan)[order]
    new = np.vstack([np.ones(codes.shape[1], bool), codes[1:] != codes[:-1]])
    if "whole_plot" in plan.runs:
        plots = plan.runs["whole_plot"].to_numpy()[order]
        start = np.append(True, plots[1:] != plots[:-1])
        hard = np.array([f.hard_to_change for f in plan.region.factors])
        new |= start[:, None] & hard
    return new


def _codes(plan: Plan) -> np.ndarray:
    """Settings as whole numbers, equal where they are the same; shape (n, k)."""
    return np.column_stack([
        np.unique(np.round(f.code(plan.runs[f.name]), 9) if f.is_numeric
                  else plan.runs[f.name].astype(str), return_inverse=True)[1]
        for f in plan.region.factors])


def _minutes(plan: Plan, change_minutes: Mapping[str, float] | None) -> np.ndarray:
    if change_minutes is None:
        return np.ones(len(plan.region))
    for name, value in change_minutes.items():
        as_number(f"change_minutes, {plan.region[name].name}", value, at_least=0)
    return np.array([float(change_minutes.get(n, 0.0)) for n in plan.region.names])


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
    keys = pd.DataFrame(_codes(plan)[:, hard]).assign(block=plan.runs["block"].to_numpy())
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
    codes = _codes(plan)
    hold = plan.runs["block"].to_numpy() if group is None else group
    cost = minutes + 1e-3 * max(minutes.max(), 1.0)  # what takes no time should not change idly
    done: list[int] = []
    for part in _runs_of(hold[order]):
        rows = order[part]
        fixed, loose = rows[stay[rows]], rows[~stay[rows]]
        done += fixed.tolist()
        done += loose[shortest_path(codes[loose], cost, rng, starts,
                                    codes[done[-1]] if done else None)].tolist()
    return np.array(done, int)


def _runs_of(labels: np.ndarray) -> list[np.ndarray]:
    """Places of equal neighbours."""
    return np.split(np.arange(len(labels)), np.flatnonzero(np.diff(labels)) + 1)


# ---- trends ----------------------------------------------------------------------------------

def _degree(degree: int) -> int:
    if degree not in _TRENDS:
        raise InputError("degree", degree, "a trend is linear, quadratic or cubic",
                         "Give 1, 2 or 3")
    return int(degree)


def _centred(values: np.ndarray, plan: Plan) -> np.ndarray:
    """Columns with mean and block means taken out."""
    B = np.hstack([np.ones((len(plan), 1)), block_columns(plan.runs["block"])])
    return values - B @ np.linalg.lstsq(B, values, rcond=None)[0]


def _trend(plan: Plan, degree: int) -> np.ndarray:
    """Orthonormal trend columns in the place of the runs, blocks taken out; shape (n, t)."""
    place = np.linspace(-1, 1, len(plan))
    return _basis(_centred(np.column_stack([place**d for d in range(1, degree + 1)]), plan))


def _basis(columns: np.ndarray) -> np.ndarray:
    U, s, _ = np.linalg.svd(columns, full_matrices=False)
    return U[:, s > 1e-8 * max(1.0, s.max(initial=0.0))]


def _left(G: np.ndarray) -> np.ndarray:
    """``|M with trend| / |M without|`` from ``G = U'T``; (..., r, t) gives (...)."""
    return np.maximum(0.0, np.linalg.det(np.eye(G.shape[-1]) - G.swapaxes(-1, -2) @ G))


def _against_trend(plan: Plan, order: np.ndarray, stay: np.ndarray, group: np.ndarray | None,
                   degree: int, rng: np.random.Generator, starts: int) -> np.ndarray:
    """Best of several orders, each improved by the exchange that helps most until none does."""
    block = plan.runs["block"].to_numpy()
    hold = block if group is None else group
    U = _basis(_centred(model_matrix(plan.region, plan.settings, plan.terms).to_numpy(), plan))
    T = _trend(plan, degree)
    best, top = order, float(_left(U[order].T @ T))
    for i in range(starts):
        if top > 1 - 1e-9:
            break
        trial = (_drawn(order, block, hold, stay, rng) if i < starts / 3
                 else _shaken(best, hold, stay, rng))
        while True:
            value = float(_left(U[trial].T @ T))
            options = [_best_pair(trial, hold, stay, U, T)]
            if group is not None:
                options.append(_best_group_swap(trial, block, group, stay, U, T))
            after, new = max(options, key=lambda o: o[0])
            if after <= value + 1e-12:
                break
            trial = new
        if value > top - 1e-12:
            best, top = trial, value
    return best


def _shaken(order: np.ndarray, hold: np.ndarray, stay: np.ndarray,
            rng: np.random.Generator) -> np.ndarray:
    """The order with a few pairs exchanged at random."""
    new = order.copy()
    for _ in range(int(rng.integers(2, 5))):
        a = int(rng.integers(len(new)))
        b = rng.choice(np.flatnonzero(hold[new] == hold[new[a]]))
        if not (stay[new[a]] or stay[new[b]]):
            new[[a, b]] = new[[b, a]]
    return new


def _drawn(order: np.ndarray, block: np.ndarray, hold: np.ndarray, stay: np.ndarray,
           rng: np.random.Generator) -> np.ndarray:
    loose = order[~stay[order]]
    drawn, _ = run_order(block[loose], int(rng.integers(2**31)), hold[loose])
    new = np.concatenate([order[stay[order]], loose[drawn]])
    return new[np.argsort(block[new], kind="stable")]


def _best_pair(order: np.ndarray, hold: np.ndarray, stay: np.ndarray, U: np.ndarray,
               T: np.ndarray) -> tuple[float, np.ndarray]:
    a, b = np.triu_indices(len(order), 1)
    may = (hold[order[a]] == hold[order[b]]) & ~stay[order[a]] & ~stay[order[b]]
    a, b = a[may], b[may]
    if not len(a):
        return -1.0, order
    G = U[order].T @ T
    du, dt = U[order[a]] - U[order[b]], T[b] - T[a]
    cross = (du @ G)[:, :, None] * dt[:, None]
    square = (du**2).sum(axis=1)[:, None, None] * dt[:, :, None] * dt[:, None]
    left = np.linalg.det(np.eye(T.shape[1]) - G.T @ G - cross - cross.swapaxes(1, 2) - square)
    i = int(left.argmax())
    new = order.copy()
    new[[a[i], b[i]]] = new[[b[i], a[i]]]
    return float(left[i]), new


def _best_group_swap(order: np.ndarray, block: np.ndarray, group: np.ndarray, stay: np.ndarray,
                     U: np.ndarray, T: np.ndarray) -> tuple[float, np.ndarray]:
    parts = _runs_of(group[order])
    best, top = order, -1.0
    for i in range(len(parts)):
        for j in range(i):
            rows = order[np.concatenate([parts[i], parts[j]])]
            if stay[rows].any() or len(set(block[rows])) > 1:
                continue
            places = [*parts[:j], parts[i], *parts[j + 1:i], parts[j], *parts[i + 1:]]
            new = order[np.concatenate(places)]
            value = float(_left(U[new].T @ T))
            if value > top:
                best, top = new, value
    return top, best


# ---- in words --------------------------------------------------------------------------------

def _remarks(before: Plan, plan: Plan, how: str, told: OrderAppraisal,
             minutes: np.ndarray) -> list[str]:
    usual = _expected(before, minutes)
    labels = join(f.label for f in plan.region.factors if f.hard_to_change)
    texts = {
        "random": "drawn at random within blocks. Any drift, also one of unknown shape, is spread "
                  "over the effects like error.",
        "grouped": "groups of runs that share a set-up are drawn at random, then the runs within "
                   "them. A drift from run to run is spread over the effects like error; what "
                   f"differs between groups passes for an effect of {labels} unless groups are "
                   "repeated. Analyse it with the groups as a random effect.",
        "trend-robust": f"chosen against a {_TRENDS[told.degree]} trend, not drawn at random. It "
                        "protects against a smooth drift only; a jump, or a drift of another "
                        "shape, can pass for an effect.",
        "fewest changes": "chosen for the fewest set-ups, not drawn at random. Any drift can pass "
                          "for an effect, above all of the factors that change seldom: use it "
                          "only where the process is known to stand still."}
    said = ["Run order: " + texts[how] + " " + told.sentence]
    if "whole_plot" in before.runs and how == "random":
        said.append(f"Run order: the groups of the plan are dissolved, so {labels} must be set "
                    "anew for every run.")
    if how == "fewest changes" and "whole_plot" in plan.runs:
        said.append(f"Run order: {capitalise(labels)} stays set over runs that follow each other, "
                    "so these share its error. They are numbered as groups (column whole_plot) "
                    "for the analysis.")
    if how != "random":
        spent = float(_changed(plan, np.arange(len(plan)))[1:].dot(minutes).sum())
        if abs(usual - spent) > 1e-9 and usual > 0:
            said.append(f"Run order: changes between runs cost {percent(spent / usual)} of what a "
                        "random order would cost on average.")
    return said


def _expected(plan: Plan, minutes: np.ndarray) -> float:
    """Mean cost of changes in a random order, blocks in turn; every run set up by itself."""
    codes, total = _codes(plan), 0.0
    parts = _runs_of(plan.runs["block"].to_numpy())
    for part in parts:
        m = len(part)
        if m > 1:
            differ = (codes[part][:, None] != codes[part][None]).sum(axis=(0, 1)) / (m * (m - 1))
            total += (m - 1) * float(differ @ minutes)
    for one, two in pairwise(parts):
        total += float((codes[one][:, None] != codes[two][None]).mean(axis=(0, 1)) @ minutes)
    return total

"""How a drift over the runs touches the effects of a plan, and orders that keep it out.

References
----------
Atkinson, A. C. & Donev, A. N. (1996). Experimental designs optimally balanced for trend.
*Technometrics* 38, 333–341.
Cheng, C.-S. & Jacroux, M. (1988). The construction of trend-free run orders of two-level
factorial designs. *Journal of the American Statistical Association* 83, 1152–1158.
Draper, N. R. & Stoneman, D. M. (1968). Factor changes and linear trends in eight-run two-level
factorial designs. *Technometrics* 10, 301–311.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.planning.aliases import column_labels
from doe.planning.changes import set_ups, stretches
from doe.planning.plan import Plan
from doe.planning.settle import block_columns
from doe.planning.structure import run_order
from doe.terms import model_matrix
from doe.wording import count, digits, percent

__all__ = ["TRENDS", "OrderAppraisal", "against_trend", "appraise_order", "as_degree"]

TRENDS = {1: "linear", 2: "linear and quadratic", 3: "linear, quadratic and cubic"}


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
        kind = TRENDS[self.degree]
        said = (f"A {kind} trend over the runs touches no effect of the model." if touched.empty
                else f"Allowing for a {kind} trend over the runs costs less than 0.1 % of the "
                     "D-efficiency." if self.trend_efficiency > 0.999
                else f"If a {kind} trend over the runs has to be allowed for, "
                     f"{percent(self.trend_efficiency, 3)} of the D-efficiency is left; it touches "
                     f"{touched.loc[touched['trend_share'].idxmax(), 'label']} most.")
        return (f"{said} Settings change {count(self.changes, 'time')} between runs"
                + (f"; set-ups take {digits(self.minutes)} min." if self.minutes else "."))


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
    degree = as_degree(degree)
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


# ---- columns and search ----------------------------------------------------------------------

def as_degree(degree: int) -> int:
    if degree not in TRENDS:
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


def against_trend(plan: Plan, order: np.ndarray, stay: np.ndarray, group: np.ndarray | None,
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
    parts = stretches(group[order])
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

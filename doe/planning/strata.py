"""Runs that share an error: groups, and what the runs of a group together tell.

Runs of one group (a whole plot, or a block taken as random) share an error of variance
``ratio`` times that of a run. The runs' errors then have the covariance
``V = I + sum ratio Z Z'`` in units of the run variance, and the information of a plan on its
coefficients is ``X' V⁻¹ X`` (generalised least squares; Goos & Vandebroek 2003).

References
----------
Goos, P. & Vandebroek, M. (2003). D-optimal split-plot designs with given numbers and sizes of
whole plots. *Technometrics* 45, 235–245.
Letsinger, J. D., Myers, R. H. & Lentner, M. (1996). Response surface methods for
bi-randomization structures. *Journal of Quality Technology* 28, 381–397.
Schaalje, G. B., McBride, J. B. & Fellingham, G. W. (2002). Adequacy of approximations to
distributions of test statistics in complex mixed linear models. *Journal of Agricultural,
Biological, and Environmental Statistics* 7, 512–524.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from doe.errors import InputError, as_number
from doe.planning.plan import Plan
from doe.planning.settle import block_columns, rank

__all__ = ["GREATEST_RATIO", "GROUPINGS", "error_strata", "fixed_blocks", "group_names",
           "precision", "variance_ratios"]

GROUPINGS = ("block", "whole_plot")
"""Columns whose groups may differ at random, the coarser first."""

GREATEST_RATIO = 1e6
"""Of variances; groups that differ more leave nothing to be told of what they share."""


def variance_ratios(plan: Plan, ratios: Mapping[str, float] | None = None) -> dict[str, float]:
    """Variance between groups over the variance between runs, by the column of the groups.

    Parameters
    ----------
    plan : Plan
        Its ``details["variance_ratios"]`` hold if none are given.
    ratios : mapping, optional
        E.g. ``{"whole_plot": 1.0}``; a ratio for ``block`` makes the blocks random.

    Raises
    ------
    InputError
        If a column is unknown or a ratio negative.
    """
    given = plan.details.get("variance_ratios", {}) if ratios is None else ratios
    out = {}
    for name, value in given.items():
        if name not in GROUPINGS or name not in plan.runs:
            raise InputError("variance ratios", name, "the plan has no such groups",
                             "Use: " + ", ".join(n for n in GROUPINGS if n in plan.runs))
        out[name] = as_number(f"variance ratio of {name}", value, at_least=0,
                              at_most=GREATEST_RATIO)
    return {name: out[name] for name in GROUPINGS if name in out}


def precision(groups: Sequence[Sequence[int]], ratios: Sequence[float]) -> np.ndarray:
    """``V⁻¹`` of ``V = I + sum ratio Z Z'``; shape (n, n).

    Parameters
    ----------
    groups : sequence of sequences of int, each of length n
        Group of each run, for each kind of grouping.
    ratios : sequence of float
        Variance between groups over the variance between runs, for each kind.
    """
    n = len(groups[0])
    V = np.eye(n)
    for group, ratio in zip(groups, ratios, strict=True):
        group = np.asarray(group)
        V += ratio * (group[:, None] == group)
    return np.linalg.inv(V)


def fixed_blocks(plan: Plan, ratios: Mapping[str, float]) -> np.ndarray:
    """Columns of the block effects; none where the blocks differ at random."""
    return (np.empty((len(plan), 0)) if "block" in ratios
            else block_columns(plan.runs["block"]))


def error_strata(plan: Plan, X: np.ndarray, ratios: Mapping[str, float],
                 error_df: int) -> tuple[list[str], np.ndarray]:
    """What each model column is compared between, and the degrees of freedom that leaves.

    A column that is the same throughout every group is compared between groups, all others
    between the runs within them; degrees of freedom by containment (Schaalje, McBride &
    Fellingham 2002), exact where the strata are orthogonal.

    Parameters
    ----------
    plan : Plan
    X : ndarray, shape (n, p)
        Model columns in run order.
    ratios : mapping
        As from `variance_ratios`.
    error_df : int
        What is left where no runs are grouped.

    Returns
    -------
    stratum : list of str, length p
        ``"block"``, ``"whole_plot"`` or ``"run"``.
    df : ndarray of int, shape (p,)
    """
    n, p = X.shape
    levels = [name for name in GROUPINGS if name in plan.runs
              and (name == "whole_plot" or name in ratios)]
    stratum, df = ["run"] * p, np.full(p, error_df)
    if not levels:
        return stratum, df
    above = fixed_blocks(plan, ratios)
    open_ = np.ones(p, bool)
    for name in levels:
        group = plan.runs[name].to_numpy()
        table = pd.DataFrame(X).groupby(group)
        same = (table.max() - table.min()).max().to_numpy() < 1e-9
        firsts = np.unique(group, return_index=True)[1]
        left = len(firsts) - rank(np.hstack([X[:, same], above])[firsts])
        for j in np.flatnonzero(same & open_):
            stratum[j], df[j] = name, left
        open_ &= ~same
        above = (group[:, None] == np.unique(group)).astype(float)
    df[open_] = n - rank(np.hstack([X, above]))
    return stratum, df


def group_names(name: str) -> str:
    """How people call the groups of a column."""
    return {"block": "blocks", "whole_plot": "groups"}.get(name, "runs")

"""Fits where runs share errors: split plots, random blocks, repeated measurements of one cup."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pandas as pd

from doe.analysis.components import check_separable
from doe.analysis.estimable import Columns, estimable
from doe.analysis.fit import usable
from doe.analysis.groups import Grouping, read_groups
from doe.analysis.kenward_roger import METHODS
from doe.analysis.likelihood import Likelihood, indicator
from doe.analysis.mixed_model import MixedFit
from doe.analysis.readings import blocks_of, wanted_terms
from doe.analysis.reml import fit_reml
from doe.errors import as_choice
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["MixedFit", "fit_mixed"]

_CONSTANT = 0.9
"""Share of a column's own length between groups from which it counts as changing with them."""


def fit_mixed(data: pd.DataFrame, response: Response, region: Region,
              terms: Sequence[Term] | str | None = None, *,
              groups: str | Sequence[str] = "whole_plot", blocks: str | None = "block",
              method: str = METHODS[0]) -> MixedFit:
    """Fit a linear model whose runs share random effects, by restricted maximum likelihood.

    Parameters
    ----------
    data : DataFrame
        As for `doe.analysis.fit`, and the columns that tell the groups.
    response : Response
        ``scale="log"`` models the logarithm.
    region : Region
    terms : sequence of Term, formula or model name, optional
        By default the largest hierarchical model of second order that the settings support and
        that leaves something to judge each group's variance by.
    groups : str or sequence of str
        Columns whose groups differ at random: ``"whole_plot"``, ``("day", "whole_plot")``,
        ``"batch/cask"`` (casks within batches), ``("day", "operator")`` (crossed).
    blocks : str or None
        The column of the blocks, as fixed effects, unless it is among `groups`.
    method : {"kenward-roger", "satterthwaite"}
        Of the tests and intervals; see `doe.analysis.kenward_roger`.

    Returns
    -------
    MixedFit

    Raises
    ------
    InputError
        If a column is missing, a value cannot be used, or the runs cannot tell the variance
        components apart.

    Notes
    -----
    Rows with the same ``run`` (and ``attempt``, if there is one) are measurements of one run:
    they get a random effect of their run, unless `groups` says otherwise.

    Examples
    --------
    >>> from doe import Factor, Region, Response
    >>> region = Region([Factor("pressure", 2, 20, unit="kPa", hard_to_change=True),
    ...                  Factor("time", 30, 90, unit="s")])
    >>> data = pd.DataFrame({
    ...     "whole_plot": [1, 1, 2, 2, 3, 3, 4, 4], "pressure": [2, 2, 20, 20, 2, 2, 20, 20],
    ...     "time": [30, 90, 90, 30, 90, 30, 30, 90],
    ...     "voids": [4.1, 2.9, 6.9, 7.6, 4.4, 5.4, 6.5, 5.6]})
    >>> model = fit_mixed(data, Response("voids", unit="%"), region, "pressure + time")
    >>> model.table[["term", "effect", "df"]].round(2).values.tolist()
    [['1', 5.43, 2.0], ['pressure', 2.45, 2.0], ['time', -0.95, 3.0]]
    """
    as_choice("method", method, METHODS)
    used, y, remarks = usable(data, response, region)
    found = read_groups(used, groups)
    repeated = _repeated(used, found)
    if repeated is not None:
        found = (*found, repeated)
        remarks.append("Some runs were measured more than once. Their measurements are no "
                       "replicates of the run: the runs' own differences are a component "
                       f"({repeated.name}) of their own.")
    random = {name for g in found for name in g.columns}
    block = None if blocks in random else blocks_of(used, blocks)
    row = "measurement" if _is_of_runs(found) else "run"
    wanted, refused, said = wanted_terms(region, used, terms, block)
    remarks += said
    shift = float(np.sort(y)[len(y) // 2])  # as in `Fit.of`
    left_out: list[Term] = []
    while True:
        columns, aliased = estimable(region, used, wanted, block, refused)
        like = Likelihood(y - shift, columns.matrix.to_numpy(), [g.codes for g in found])
        worst = _in_the_way(like, columns, found) if terms is None else None
        if worst is None:
            break
        wanted = [t for t in wanted if t != worst]
        left_out.append(worst)
    check_separable(like, found, row)
    if left_out:
        names = ", ".join(t.label(region) for t in left_out)
        remarks.append(f"Left out, so that something is left to judge noise by: {names}. If they "
                       "have an effect, it is seen as noise or under other names.")
    return MixedFit(response, region, columns.terms, used, columns, aliased, tuple(remarks), block,
                    found, fit_reml(like), shift, row, method)


def _repeated(data: pd.DataFrame, groups: Sequence[Grouping]) -> Grouping | None:
    """The runs as groups, if some have several rows and no group is about runs yet."""
    keys = [name for name in ("run", "attempt") if name in data]
    if "run" not in keys or not data.duplicated(keys).any() or _is_of_runs(groups):
        return None
    new = replace(Grouping.of(data, keys), columns=("run",))
    same = any(len(g.levels) == len(new.levels) and new.refines(g) for g in groups)
    return None if same else new


def _is_of_runs(groups: Sequence[Grouping]) -> bool:
    return any("run" in g.columns for g in groups)


def _in_the_way(like: Likelihood, columns: Columns, groups: Sequence[Grouping]) -> Term | None:
    """The term to leave out first where nothing is left to judge a component by; None if all
    is well, or only main effects are left."""
    lost = like.inseparable()
    if not lost and like.residual_df > 0:
        return None
    group = groups[lost[0]] if lost and lost[0] < len(groups) else None
    matrix, terms = columns.matrix.to_numpy(), list(columns.terms)
    parents = {p for t in terms for p in t.parents()}
    free = [t for t in terms if t.order > 1 and t not in parents and (
        group is None or _changes_with(matrix[:, columns.places(t)], group))]
    return max(free, key=lambda t: (t.order, terms.index(t)), default=None)


def _changes_with(columns: np.ndarray, group: Grouping) -> bool:
    """True if the columns are all but constant within the groups."""
    own = columns - columns.mean(axis=0)
    sums = indicator(group.codes).T @ own
    between = float((sums**2 / np.bincount(group.codes)[:, None]).sum())
    return between >= _CONSTANT * float((own**2).sum())

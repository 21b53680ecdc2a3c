"""Where the variation comes from: variance components of groups, with intervals and in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.groups import Grouping, between_rows, read_groups
from doe.analysis.likelihood import Likelihood
from doe.analysis.reml import Reml, fit_reml
from doe.errors import InputError

__all__ = ["VarianceComponents", "check_separable", "components_table", "spread_text",
           "variance_components"]


@dataclass(frozen=True, eq=False)
class VarianceComponents:
    """Variance components of a measured quantity.

    Attributes
    ----------
    table : DataFrame
        See `components_table`.
    groups : tuple of Grouping
    reml : Reml
    mean : float
        Generalised least squares mean, in the value's unit.
    label, unit : str
        Of the value.
    remarks : tuple of str
    """

    table: pd.DataFrame
    groups: tuple[Grouping, ...]
    reml: Reml
    mean: float
    label: str
    unit: str
    remarks: tuple[str, ...] = ()

    @property
    def sentences(self) -> list[str]:
        """Each component with its interval, the largest first, and what was left out."""
        out = [f"{wording.capitalise(self.label)}, "
               f"{wording.count(self.reml.likelihood.rows, 'measurement')}, mean "
               f"{wording.quantity(self.mean, self.unit)}."]
        rows = self.table.sort_values("variance", ascending=False, kind="stable")
        for row in rows.itertuples():
            out.append(f"{wording.capitalise(row.between)}: standard deviation "
                       f"{spread_text(row.sd, row.sd_low, row.sd_high, self.unit)}"
                       f", {wording.percent(row.share)} of the variance.")
        return [*out, *self.remarks]

    @property
    def sentence(self) -> str:
        """The greatest source of variation."""
        top = self.table.loc[self.table["variance"].idxmax()]
        return (f"Most of the variation of {self.label} arises {top['between']}: "
                f"{wording.percent(top['share'])} of the variance, standard deviation "
                f"{spread_text(top['sd'], top['sd_low'], top['sd_high'], self.unit)}.")


def variance_components(data: pd.DataFrame, *, value: str, groups: str | Sequence[str],
                        unit: str = "") -> VarianceComponents:
    """Divide the variance of a measured quantity among groups, by restricted maximum likelihood.

    Parameters
    ----------
    data : DataFrame
        One row a measurement. Rows without a value are left out, and this is said.
    value : str
        Column of the measurements.
    groups : str or sequence of str
        E.g. ``"lot/cup"`` (cups within lots) or ``("day", "operator")``; see
        `doe.analysis.groups`.
    unit : str
        Of the measurements.

    Raises
    ------
    InputError
        If a column is missing or cannot be used, or the rows cannot tell the components apart.
    """
    used, y, remarks = measured(data, value)
    found = read_groups(used, groups)
    like = Likelihood(y, np.ones((len(y), 1)), [g.codes for g in found])
    check_separable(like, found, "measurement")
    reml = fit_reml(like)
    mean = float(reml.inverse.sum(axis=0) @ y / reml.inverse.sum())
    table = components_table(reml, found, "measurement", unit)
    return VarianceComponents(table, found, reml, mean, value.replace("_", " "), unit,
                              tuple(remarks))


def measured(data: pd.DataFrame, value: str) -> tuple[pd.DataFrame, np.ndarray, list[str]]:
    """Rows with a measurement, the measurements, and what was left out in words."""
    if value not in data:
        raise InputError("value", value, "the data have no such column",
                         "Use a column of the data: " + ", ".join(map(str, data.columns)))
    numbers = pd.to_numeric(data[value], errors="coerce")
    bad = data[value][(numbers.isna() & data[value].notna()) | np.isinf(numbers)]
    if len(bad):
        raise InputError(f"data, column '{value}'", bad.iloc[0], "this is not a finite number",
                         "Correct the measurement, or leave the cell empty")
    present = numbers.notna().to_numpy()
    if present.sum() < 3:
        raise InputError(f"data, column '{value}'", int(present.sum()), "fewer than three rows "
                         "have a measurement", "Measure more first")
    gaps = int((~present).sum())
    remarks = [f"{gaps} of {len(data)} rows {'has' if gaps == 1 else 'have'} no {value} and "
               f"{'is' if gaps == 1 else 'are'} left out."] if gaps else []
    return data.loc[present], numbers.to_numpy(float)[present], remarks


def check_separable(like: Likelihood, groups: Sequence[Grouping], row: str) -> None:
    """Raise `InputError` if the components cannot be estimated; `row` names what a row is."""
    lost = [j for j in like.inseparable() if j < len(groups)]
    if lost:
        g = groups[lost[0]]
        part = like.parts[lost[0]]
        if np.trace(like.w[part, part]) <= 1e-8 * like.rows:
            raise InputError("groups", g.name, f"the model's terms take up all differences between "
                             f"its {len(g.levels)} groups, so that nothing is left to judge them "
                             "by", "Leave out a term that only changes from group to group, or "
                             "repeat groups")
        raise InputError("groups", g.name, "these rows cannot tell its variance from that of the "
                         f"other groups or from noise between {row}s", "Leave it out")
    if like.residual_df < 1:
        raise InputError("groups", [g.name for g in groups], "the terms and the groups take up all "
                         f"differences between {row}s, so that no noise is left to judge by",
                         "Leave out terms or groups")
    if like.is_exact:
        raise InputError("groups", [g.name for g in groups], f"{row}s of the same group agree "
                         "exactly once the terms are taken into account, so that their noise "
                         "cannot be estimated", "Average them, or record more digits")


def components_table(reml: Reml, groups: Sequence[Grouping], row: str, unit: str = "",
                     level: float = 0.95) -> pd.DataFrame:
    """The components, one row each, the residual last.

    Parameters
    ----------
    reml : Reml
    groups : sequence of Grouping
    row : str
        What a row is, e.g. "run".
    unit : str
        Of a standard deviation.
    level : float
        Of the intervals.

    Returns
    -------
    DataFrame
        ``component`` (name of the grouping, or "residual"), ``label``, ``between`` (in words),
        ``groups`` (how many), ``variance``, ``sd`` with its profile-likelihood interval ``sd_low,
        sd_high``, and ``share`` of the total variance.
    """
    eye = np.eye(len(groups) + 1)
    ends = np.sqrt([reml.interval(row, level) for row in eye])
    table = pd.DataFrame({
        "component": [*(g.name for g in groups), "residual"],
        "label": [*(g.label for g in groups), "residual"],
        "between": [*(g.between for g in groups), between_rows(groups, row)],
        "groups": [*(len(g.levels) for g in groups), reml.likelihood.rows],
        "variance": reml.variances, "sd": np.sqrt(reml.variances),
        "sd_low": ends[:, 0], "sd_high": ends[:, 1],
        "share": reml.variances / reml.variances.sum(),
    })
    table.attrs["units"] = dict.fromkeys(("sd", "sd_low", "sd_high"), unit) | (
        {"variance": f"({unit})²"} if unit else {})
    return table


def spread_text(sd: float, low: float, high: float, unit: str = "", *, log: bool = False) -> str:
    """A standard deviation with its interval; relative where it is that of a logarithm."""
    if log:
        sd, low, high = 100 * np.expm1([sd, low, high])
        unit = "%"
    return wording.with_interval(float(sd), float(low), float(high), unit)

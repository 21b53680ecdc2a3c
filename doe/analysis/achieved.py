"""What difference it makes to fit the settings as achieved instead of as planned.

References
----------
Box, G. E. P. (1963). The effects of errors in the factor levels and experimental design.
*Technometrics* 5, 247–262 (settings that miss what was asked for: where they were read, the
readings belong in the model).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.kinds import fit_kind
from doe.analysis.refitting import (
    AnyFit,
    check_fit,
    effect_unit,
    effect_word,
    multiplies,
    refit,
    runs_of,
    subject,
)
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["AchievedDifference", "achieved_difference", "against_plan"]

NOTABLE = 0.25
"""Move of a coefficient, in its standard errors, from which it is told by name (common practice,
no source)."""

ROUNDING = 1e-9
"""Difference of a setting, in half-ranges, that is nothing but rounding."""

MANY, FEW = 6, 3
"""Up to so many runs are named, and so many differences told."""


@dataclass(frozen=True, eq=False)
class AchievedDifference:
    """One model fitted to the same readings at achieved and at planned settings.

    Attributes
    ----------
    achieved, planned : Fit, MixedFit or KindFit
    table : DataFrame
        One row a model column that both can estimate (blocks apart): ``term, label``;
        ``planned, achieved, difference`` of the coefficients on the model's scale (coded units);
        ``standard_error`` of the second, and the difference ``in_standard_errors`` (missing
        without degrees of freedom for error); ``effect_planned, effect_achieved,
        effect_difference`` in the response's unit (ratios where effects multiply);
        ``active_planned, active_achieved``: beyond noise.
    settings : DataFrame
        One row a factor that was not always met: ``factor, label, unit, runs`` (how many missed
        the plan), ``greatest`` (deviation, with sign; missing for a category) and ``of_range``
        (its share of the factor's range).
    moved : tuple
        The runs in which a setting differs from the plan.
    """

    achieved: AnyFit
    planned: AnyFit
    table: pd.DataFrame
    settings: pd.DataFrame
    moved: tuple

    @property
    def sentence(self) -> str:
        """Which settings differed, and what difference that makes to the effects."""
        n, name = len(runs_of(self.achieved)), self.achieved.response.label
        if not self.moved:
            return (f"All {wording.count(n, 'run')} with {name} measured were made at the planned "
                    "settings, as far as recorded; there is no difference to make.")
        named = (f"{'run' if len(self.moved) == 1 else 'runs'} {wording.join(self.moved)}"
                 if len(self.moved) <= MANY else f"{len(self.moved)} of {n} runs")
        missed = wording.join(self._missed(row) for row in self.settings.itertuples())
        return f"In {named} the settings differ from the plan ({missed}). {self._difference()}"

    @staticmethod
    def _missed(row) -> str:
        if np.isnan(row.greatest):
            return row.label
        by = ("up to " if row.runs > 1 else "") + wording.quantity(abs(row.greatest), row.unit)
        return f"{row.label} by {by}, {wording.percent(row.of_range)} of its range"

    def _difference(self) -> str:
        fit = self.achieved
        effects = [c for c, t in zip(fit.columns.matrix, fit.columns.owner, strict=True)
                   if t is not None and t.powers]
        rows = self.table[self.table["term"].isin(effects)]
        said = []
        lost = [t for t in fit.terms if t not in self.planned.terms]
        if lost:
            said.append("The planned settings could not tell "
                        f"{wording.join(t.label(fit.region) for t in lost)} from the other terms; "
                        "what the achieved ones say of it rests on their scatter alone.")
        turned = rows[rows["active_planned"] != rows["active_achieved"]]
        for row in turned.itertuples():
            here, there = (("beyond", "within") if row.active_achieved else ("within", "beyond"))
            said.append(f"By the achieved settings {row.label} is {here} noise, by the planned ones"
                        f" {there} it.")
        size = rows["in_standard_errors"].abs()
        told = rows[(size >= NOTABLE) & ~rows["term"].isin(turned["term"])]
        unit, kind = "" if multiplies(fit) else fit.response.unit, effect_word(fit)
        told = told.iloc[np.argsort(-size[told.index], kind="stable")]
        for row in told.head(FEW).itertuples():
            said.append(f"The {kind} of {row.label} is "
                        f"{wording.quantity(row.effect_achieved, unit)} by the achieved settings "
                        f"and {wording.quantity(row.effect_planned, unit)} by the planned ones "
                        f"({wording.digits(abs(row.in_standard_errors), 2)} standard errors).")
        if len(told) > FEW:
            rest = len(told) - FEW
            said.append(f"{wording.count(rest, 'further effect')} move{'s' * (rest == 1)} by up to "
                        f"{wording.digits(size[told.index].iloc[FEW], 2)} standard errors.")
        if said:
            return " ".join(said)
        used = {n for t in fit.terms for n in t.names}
        if not used & set(self.settings["factor"]):
            named = wording.join(self.settings["label"], "or")
            return f"The model of {subject(fit)} has no term in {named}, so nothing moves."
        if not np.isfinite(size).any():
            gap = rows["effect_difference"]
            at = (np.log(gap) if multiplies(fit) else gap).abs().idxmax()
            most = (f"a factor of {wording.digits(gap[at])}" if multiplies(fit)
                    else wording.quantity(abs(gap[at]), unit))
            return ("Fitting the achieved settings instead of the planned ones moves effects by "
                    f"{most} at most ({rows.loc[at, 'label']}).")
        return ("That makes no difference to speak of: fitting the achieved settings instead of "
                "the planned ones moves no effect by more than "
                f"{wording.percent(size.max())} of its standard error.")


def achieved_difference(data: pd.DataFrame, plan: Plan, response: Response,
                        region: Region | None = None,
                        terms: Sequence[Term] | str | None = None, *,
                        blocks: str | None = "block", selection: str = "") -> AchievedDifference:
    """Fit the same terms to the settings as achieved and as planned.

    Parameters
    ----------
    data : DataFrame
        As `doe.analysis.kinds.fit_kind` takes it, the settings as achieved; column ``run`` leads to
        the plan.
    plan : Plan
    response : Response
        Of any kind.
    region : Region, optional
        The plan's if not given.
    terms : sequence of Term, formula or model name, optional
        By default the largest model that the achieved settings support.
    blocks, selection : str
        As for `doe.analysis.fit`.

    Raises
    ------
    InputError
        If a run is not in the plan, or the data cannot be fitted.

    See Also
    --------
    against_plan : the same from a fit that was made already, a mixed model for instance.
    """
    region = plan.region if region is None else region
    return against_plan(fit_kind(data, response, region, terms, blocks=blocks,
                                 selection=selection), plan)


def against_plan(fit: AnyFit, plan: Plan) -> AchievedDifference:
    """Fit the readings and terms of a fit once more, to the settings as planned.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
        Of the settings as achieved; its data have the column ``run``.
    plan : Plan

    Raises
    ------
    InputError
        If a run is not in the plan, or the planned settings cannot be fitted.
    """
    check_fit(fit)
    there = refit(fit, data=_planned_settings(runs_of(fit), plan, fit.region))
    runs, factors = _moved(fit, there)
    return AchievedDifference(fit, there, _compared(fit, there), factors, runs)


def _planned_settings(data: pd.DataFrame, plan: Plan, region: Region) -> pd.DataFrame:
    """The data with the settings that the plan asked for."""
    if "run" not in data:
        raise InputError("data, column", "run", "it is missing, so that no run can be found in the "
                         "plan", "Give the column 'run' with the plan's numbers")
    wanted = plan.runs.set_index("run")
    unknown = data.loc[~data["run"].isin(wanted.index), "run"]
    if len(unknown):
        raise InputError("data, column 'run'", unknown.iloc[0], "the plan has no such run",
                         f"Use runs from 1 to {wanted.index.max()}, or leave the row out")
    return data.assign(**{n: wanted.loc[data["run"], n].to_numpy() for n in region.names})


def _moved(here: AnyFit, there: AnyFit) -> tuple[tuple, pd.DataFrame]:
    """The runs whose settings differ, and by how much in each factor."""
    data, asked = runs_of(here), runs_of(there)
    rows, anywhere = [], np.zeros(len(data), bool)
    for factor in here.region.factors:
        is_, was = data[factor.name].to_numpy(), asked[factor.name].to_numpy()
        gap, share = np.nan, np.nan
        if factor.is_numeric:
            apart = is_.astype(float) - was.astype(float)
            different = np.abs(apart) > ROUNDING * factor.half_range
            gap = float(apart[np.argmax(np.abs(apart))])
            share = abs(gap) / (2 * factor.half_range)
        else:
            different = is_ != was
        if different.any():
            rows.append((factor.name, factor.label, factor.unit, int(different.sum()), gap, share))
        anywhere |= different
    runs = dict.fromkeys(data.loc[anywhere, "run"].tolist())
    return tuple(runs), pd.DataFrame(rows, columns=["factor", "label", "unit", "runs", "greatest",
                                                    "of_range"])


def _compared(here: AnyFit, there: AnyFit) -> pd.DataFrame:
    both = here.table.merge(there.table, on=["term", "label", "source"], suffixes=("", "_planned"))
    difference = both["coefficient"] - both["coefficient_planned"]
    effects = both["effect"], both["effect_planned"]
    active_here, active_there = ({str(t) for t in f.active} for f in (here, there))
    table = pd.DataFrame({
        "term": both["term"], "label": both["label"], "planned": both["coefficient_planned"],
        "achieved": both["coefficient"], "difference": difference,
        "standard_error": both["standard_error"],
        "in_standard_errors": difference / both["standard_error"].where(
            both["standard_error"] > 0),
        "effect_planned": effects[1], "effect_achieved": effects[0],
        "effect_difference": effects[0] / effects[1] if multiplies(here)
        else effects[0] - effects[1],
        "active_planned": both["source"].isin(active_there),
        "active_achieved": both["source"].isin(active_here),
    })
    table.attrs["units"] = dict.fromkeys(
        ("effect_planned", "effect_achieved", "effect_difference"), effect_unit(here))
    return table

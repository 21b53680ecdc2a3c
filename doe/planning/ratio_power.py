"""Power over the size of an effect, for counts and shares.

Their noise follows from the mean, so an effect is a ratio (of means, or of odds) and its power
hangs on the mean or share expected. It is found by simulation with likelihood-ratio tests; see
`doe.planning.simulated_power`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe.errors import InputError
from doe.planning.plan import Plan
from doe.planning.simulated_power import PowerResult, simulated_power
from doe.planning.strata import fixed_blocks, variance_ratios
from doe.terms import model_matrix
from doe.wording import digits, percent

__all__ = ["RatioPower", "ratio_power"]

_SIZES = 7
_REACH = 5.0
"""Standard errors that the largest effect looked at measures, when reckoned without effects."""
_GREATEST = 50.0


@dataclass(frozen=True, eq=False)
class RatioPower:
    """How often the least precise main effect is found, by its size.

    Parameters
    ----------
    table : DataFrame
        ``ratio`` (1: no effect, so the share is of false alarms), ``power``, and ``low`` and
        ``high``, its 95 % interval from the number of simulated studies.
    label : str
        The factor's.
    kind : {"count", "proportion"}
    least : float or None
        The smallest ratio that is found with the power wanted, between those simulated; None if
        none of them is.
    wanted, alpha, baseline : float
    draws, seed : int
        Of each size.
    """

    table: pd.DataFrame
    label: str
    kind: str
    least: float | None
    wanted: float
    alpha: float
    baseline: float
    draws: int
    seed: int

    @property
    def sentences(self) -> tuple[str, ...]:
        """What it comes to, in words."""
        what = "mean" if self.kind == "count" else "odds"
        centre = (f"a mean count of {digits(self.baseline)}" if self.kind == "count"
                  else f"a share of {percent(self.baseline)}")
        if self.least is None:
            top = self.table.iloc[-1]
            found = (f"even a main effect that multiplies the {what} by {digits(top['ratio'], 2)} "
                     f"is found with {percent(top['power'])} power only")
        else:
            found = (f"a main effect that multiplies the {what} by {digits(self.least, 3)} from "
                     f"low to high is found with {percent(self.wanted)} power")
        scatter = ("Poisson variation" if self.kind == "count" else "binomial variation")
        return (f"With {centre} at the centre, {found}.",
                f"Simulated: {self.draws} studies for each of {len(self.table)} sizes (seed "
                f"{self.seed}), likelihood-ratio test at {percent(self.alpha)} of the least "
                f"precise main effect, {self.label}; {scatter} is assumed, and runs that scatter "
                "more lower the power.")

    @property
    def sentence(self) -> str:
        """All sentences in one text."""
        return " ".join(self.sentences)


def ratio_power(plan: Plan, kind: str, *, baseline: float, exposure=1.0, trials=None,
                wanted: float = 0.80, alpha: float = 0.05, draws: int = 500,
                seed: int = 1) -> RatioPower:
    """Power of the plan's least precise main effect over its size.

    Parameters
    ----------
    plan : Plan
    kind : {"count", "proportion"}
    baseline : float
        Mean count for one unit of exposure, or share (0 to 1), at the centre of the region.
    exposure, trials : number, or one a run in run order
        What is inspected for a count; how many are tried for a proportion.
    wanted, alpha : float
        Power wanted; level of the tests.
    draws, seed : int
        Simulated studies of each size.

    Raises
    ------
    InputError
        As `simulated_power`; if the plan has no main effect of two levels or numbers, too.
    """
    options = {"baseline": baseline, "exposure": exposure, "trials": trials, "alpha": alpha,
               "draws": draws, "seed": seed}
    none = simulated_power(plan, {}, kind, **options)
    term, label, error = _least_precise(plan, none, kind, options)
    top = min(float(np.exp(2 * error * _REACH)), _GREATEST)
    rows = [{"ratio": 1.0, **_of(none, term)}]
    for ratio in np.geomspace(1, top, _SIZES + 1)[1:]:
        found = simulated_power(plan, {term: ratio}, kind, **options)
        rows.append({"ratio": float(ratio), **_of(found, term)})
    table = pd.DataFrame(rows)
    # A power does not fall as the effect grows; where it seems to, that is the simulation's noise.
    rising = np.maximum.accumulate(table["power"].to_numpy())
    least = None
    if rising[-1] >= wanted:
        at = int(np.argmax(rising >= wanted))
        logs = np.log(table["ratio"].to_numpy())
        span = rising[at] - rising[at - 1]
        share = (wanted - rising[at - 1]) / span
        least = float(np.exp(logs[at - 1] + share * (logs[at] - logs[at - 1])))
    return RatioPower(table, label, kind, least, wanted, alpha, float(baseline), draws, seed)


def _of(found: PowerResult, term: str) -> dict:
    row = found.table.set_index("term").loc[term]
    return {k: float(row[k]) for k in ("power", "low", "high")}


def _least_precise(plan: Plan, none: PowerResult, kind: str,
                   options: dict) -> tuple[str, str, float]:
    """Column, label and standard error of its coefficient, where nothing has an effect."""
    X = model_matrix(plan.region, plan.settings, plan.terms)
    base = np.broadcast_to(np.asarray(options["exposure"] if kind == "count"
                                      else options["trials"], float), len(plan))
    share = options["baseline"]
    weight = base * (share if kind == "count" else share * (1 - share))
    F = np.hstack([X.to_numpy(), fixed_blocks(plan, variance_ratios(plan))])
    errors = pd.Series(np.sqrt(np.diag(np.linalg.inv((F.T * weight) @ F)))[:X.shape[1]],
                       index=X.columns)
    main = none.table[(none.table["effect_is"] == "low to high")
                      & ~none.table["term"].str.contains(":", regex=False)]
    if main.empty:
        raise InputError("plan, terms", ", ".join(none.table["term"]), "none is a main effect of "
                         "a factor with two ends", "Use doe.planning.simulated_power for others")
    term = errors[main["term"]].idxmax()
    return term, main.set_index("term").loc[term, "label"], float(errors[term])

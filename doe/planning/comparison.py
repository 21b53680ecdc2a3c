"""Plans side by side, on the same region and the same model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice
from doe.factors import Region
from doe.planning.appraisal import Appraisal, appraise
from doe.planning.appraisal_words import Effects
from doe.planning.candidates import Space
from doe.planning.continuous import ContinuousOptimum, continuous_optimum
from doe.planning.criteria import CRITERIA, criterion_for
from doe.planning.fraction_of_region import FractionOfRegion, fraction_of_region, information_of
from doe.planning.plan import Plan
from doe.planning.power import least_noncentrality, power_of
from doe.planning.structure import as_seed
from doe.responses import Response
from doe.terms import INTERCEPT, Term, model_matrix, read_terms
from doe.wording import capitalise, count, digits, join, percent

__all__ = ["Comparison", "compare", "greatest_correlation", "optimum_for"]

_MOST = 4
_TIE = 0.02
_POINTS = 61
_OPTIMUM_GAP = 1e-3
KINDS = ("main_effect", "interaction", "square")


@dataclass(frozen=True, eq=False)
class Comparison:
    """Plans side by side.

    Parameters
    ----------
    table : DataFrame
        One row a plan, indexed by its name: ``family``; ``runs``, ``blocks``, ``groups``;
        ``coefficients`` and ``estimable`` of the model; ``error_df``, ``pure_error_df``,
        ``lack_of_fit_df``; ``D``, ``A``, ``G`` (%) and ``I`` (sd²) as in
        `doe.planning.efficiencies`; ``D_of_optimum``, ... (% of what any plan for region and
        model could have per run); ``mean_variance`` and ``greatest_variance`` of a predicted
        mean over the region (sd²); ``detectable_main_effect``, ``detectable_interaction``,
        ``detectable_square`` (the worst term of its kind, in the unit of `sd`), ``power`` of the
        worst main effect of the size asked about; ``greatest_correlation`` between model columns
        and ``greatest_vif``. Not a number where the plan does not tell.
    curves : dict
        `FractionOfRegion` by plan; plans that cannot estimate the model have none.
    power : DataFrame
        ``plan``, ``effect``, ``power``: of the worst main effect.
    appraisals : dict
        `Appraisal` by plan.
    terms : tuple of Term
    choice : str
        The plan to take.
    sentences : tuple of str
        Which to take and why; then what speaks for each of the others.
    sd : float
        1 if none was given, effects then are multiples of it.
    """

    table: pd.DataFrame
    curves: dict[str, FractionOfRegion]
    power: pd.DataFrame
    appraisals: dict[str, Appraisal]
    terms: tuple[Term, ...]
    choice: str
    sentences: tuple[str, ...]
    sd: float

    @property
    def sentence(self) -> str:
        """All sentences in one text."""
        return " ".join(self.sentences)


def compare(plans: Mapping[str, Plan], *, terms: Sequence[Term] | str | None = None,
            model: str | None = None, sd: float | None = None, effect: float | None = None,
            power: float = 0.80, alpha: float = 0.05,
            ratios: Mapping[str, float] | None = None, against: Sequence[str] = ("D", "I"),
            response: Response | None = None, seed: int = 1) -> Comparison:
    """Compare two to four plans for the same region and model, and say which to take.

    The rules, in this order:

    1. A plan must estimate as many terms of the model as any other does.
    2. It must leave something to estimate error from, if any of these does.
    3. If an `effect` is given: of those that find the worst main effect of that size with the
       power asked for, the one with the fewest runs; if none does, the one with most power.
    4. Otherwise the one that predicts best for its size: least number of runs times mean
       prediction variance.
    5. Plans within 2 % of each other by rule 3 (power) or 4 are tied: fewest runs, then least
       mean prediction variance, then the order given.

    What speaks for the others is said after that.

    Parameters
    ----------
    plans : mapping of str to Plan
    terms : sequence of Term or str, optional
        The model; all terms that any of the plans was made for if neither it nor `model` is given.
    model : {"mean", "linear", "interactions", "quadratic"}, optional
    sd : float, optional
        Standard deviation between runs; effects are multiples of it if not given.
    effect : float, optional
        The smallest change from low to high that must be found.
    power, alpha : float
        Of the two-sided test of one coefficient.
    ratios : mapping, optional
        Variance between groups over that between runs, for the plans with such groups; see
        `appraise`.
    against : sequence of {"D", "A", "I"}
        Criteria whose continuous optimum the plans are held against; it can take seconds.
    response : Response, optional
        Its assumed standard deviation is taken if `sd` is not given, and the sentences tell
        effects in its unit, or as ratios where it is modelled on the log scale.
    seed : int
        Of the sample of the region.

    Raises
    ------
    InputError
        If there are fewer than two or more than four plans, or their regions differ.
    """
    plans = dict(plans)
    if not 2 <= len(plans) <= _MOST:
        raise InputError("plans", list(plans), f"from 2 to {_MOST} plans are compared",
                         "Give a mapping of names to plans")
    region = _common_region(plans)
    for criterion in against:
        as_choice("against", criterion, CRITERIA)
    every = sorted({t for plan in plans.values() for t in plan.terms},
                   key=lambda t: (t.order, t.powers))
    terms = read_terms(region, model if terms is None else terms, every)
    sd = response.assumed_sd if sd is None and response is not None else sd
    appraisals, curves, rows = {}, {}, {}
    for name, plan in plans.items():
        own = None if ratios is None else {k: v for k, v in ratios.items() if k in plan.runs}
        told = appraisals[name] = appraise(plan, terms=terms, sd=sd, power=power, alpha=alpha,
                                           effect=effect, ratios=own)
        if told.table["estimable"].all():
            curves[name] = fraction_of_region(plan, terms=terms, ratios=own, seed=as_seed(seed))
        rows[name] = _row(plan, told, curves.get(name), terms) | {
            f"{c}_of_optimum": _share(plan, terms, own, c) if name in curves else 0.0
            for c in against}
    table = pd.DataFrame.from_dict(rows, orient="index")
    table.index.name = "plan"
    unit = "sd" if sd is None else "" if response is None else response.unit
    table.attrs["units"] = {"I": "sd²", "mean_variance": "sd²", "greatest_variance": "sd²",
                            **{c: "%" for c in table if c in "DAG" or c.endswith("_of_optimum")},
                            **{f"detectable_{k}": unit for k in KINDS if unit}}
    choice, why = _choose(table, effect, power)
    scale = 1.0 if sd is None else float(sd)
    say = Effects(sd is not None, response, scale)
    return Comparison(table, curves, _power_curves(appraisals, power, alpha), appraisals, terms,
                      choice, (why, *_others(table, choice, say)), scale)


@lru_cache(maxsize=64)
def optimum_for(region: Region, terms: tuple[Term, ...], criterion: str) -> ContinuousOptimum:
    """The continuous optimum to within 0.1 %; kept, as several plans are held against it."""
    return continuous_optimum(region, terms=terms, criterion=criterion, tolerance=_OPTIMUM_GAP)


def greatest_correlation(plan: Plan, terms: Sequence[Term]) -> float:
    """The greatest correlation, in size, between two model columns that vary over the runs."""
    X = model_matrix(plan.region, plan.settings, [t for t in terms if t != INTERCEPT]).to_numpy()
    X = X[:, X.std(axis=0) > 1e-9]
    if X.shape[1] < 2:
        return 0.0
    r = np.abs(np.corrcoef(X, rowvar=False))
    return float(r[np.triu_indices(len(r), 1)].max())


def _common_region(plans: Mapping[str, Plan]) -> Region:
    def bare(region: Region):
        return ({(f.name, f.kind, f.low, f.high, f.levels) for f in region.factors},
                {str(c) for c in region.constraints})

    (first, plan), *rest = plans.items()
    for name, other in rest:
        if bare(other.region) != bare(plan.region):
            raise InputError("plans", name, f"its factors, ranges or constraints are not those of "
                             f"'{first}'", "Compare plans for the same region")
    return plan.region


def _share(plan: Plan, terms: tuple[Term, ...], ratios: Mapping[str, float] | None,
           criterion: str) -> float:
    """Merit per run in % of the continuous optimum's (of runs that are not grouped)."""
    judge = criterion_for(criterion, Space(plan.region, terms))
    merit = float(judge.merit(information_of(plan, terms, ratios))) / len(plan)
    return 100 * merit / optimum_for(plan.region, terms, criterion).merit


def _row(plan: Plan, told: Appraisal, curve: FractionOfRegion | None,
         terms: tuple[Term, ...]) -> dict:
    effects = told.table[told.table["effect_is"] != "overall mean"]
    vif = effects["vif"].max()
    kinds = worst_of_kind(told, "detectable_effect")
    main = worst_of_kind(told, "power", greatest=False)["main_effect"]
    return {
        "family": plan.family, "runs": len(plan), "blocks": plan.blocks,
        "groups": plan.runs["whole_plot"].nunique() if "whole_plot" in plan.runs else len(plan),
        "coefficients": len(told.table), "estimable": int(told.table["estimable"].sum()),
        "error_df": told.error_df, "pure_error_df": told.pure_error_df,
        "lack_of_fit_df": told.lack_of_fit_df, **told.efficiencies,
        "mean_variance": curve.mean if curve else np.nan,
        "greatest_variance": curve.greatest if curve else np.nan,
        **{f"detectable_{kind}": value for kind, value in kinds.items()}, "power": main,
        "greatest_correlation": greatest_correlation(plan, terms),
        "greatest_vif": float(vif) if len(effects) else np.nan,
    }


def worst_of_kind(told: Appraisal, column: str, *, greatest: bool = True) -> dict[str, float]:
    """The worst value of a column of the appraisal among main effects, interactions, squares.

    Not a number where there is no such term, or one of them has none.
    """
    table = told.table[told.table["effect_is"] != "overall mean"]
    kind = np.where(table["term"].str.contains(":", regex=False), "interaction",
                    np.where(table["term"].str.contains("**", regex=False), "square",
                             "main_effect"))
    out = {}
    for name in KINDS:
        values = table[column].to_numpy(float)[kind == name]
        known = len(values) and not np.isnan(values).any()
        out[name] = float(values.max() if greatest else values.min()) if known else np.nan
    return out


def _power_curves(appraisals: Mapping[str, Appraisal], wanted: float,
                  alpha: float) -> pd.DataFrame:
    """Power of the worst main effect over its size, for each plan that can test it."""
    steps = {}
    for name, told in appraisals.items():
        table = told.table[~told.table["term"].str.contains(r":|\*\*|^1$", regex=True)]
        least = table["detectable_effect"]
        if len(table) and least.notna().all():
            worst = table.loc[least.idxmax()]
            df = float(worst["error_df"])
            steps[name] = worst["detectable_effect"] / least_noncentrality(df, wanted, alpha), df
    if not steps:
        return pd.DataFrame({"plan": [], "effect": [], "power": []})
    # Seen as far as the last but one plan needs for near certainty: the weakest may run off.
    reaches = sorted(s * least_noncentrality(df, 0.95, alpha) for s, df in steps.values())
    reach = min(reaches[-1], 3 * reaches[0])
    sizes = np.linspace(0, reach, _POINTS)
    return pd.concat([pd.DataFrame({"plan": name, "effect": sizes,
                                    "power": [power_of(e / s, df, alpha) for e in sizes]})
                      for name, (s, df) in steps.items()], ignore_index=True)


# ---- which to take -----------------------------------------------------------------------

def _choose(table: pd.DataFrame, effect: float | None, wanted: float) -> tuple[str, str]:
    left = table[table["estimable"] == table["estimable"].max()]
    why = []
    whole = left["estimable"].iloc[0] == left["coefficients"].iloc[0]
    if len(left) < len(table):
        why.append(("it alone estimates" if len(left) == 1 else "it estimates")
                   + (" every term of the model" if whole else
                      f" most terms of the model ({int(left['estimable'].iloc[0])} of "
                      f"{int(left['coefficients'].iloc[0])})"))
    with_error = left[left["error_df"] > 0]
    if 0 < len(with_error) < len(left):
        left = with_error
        why.append("it leaves degrees of freedom to estimate error from")
    before = len(left)
    if effect is not None and left["power"].notna().any():
        left, said = _by_power(left, wanted)
    elif whole:
        left, said = _by_precision(left)
    else:
        said = "it has the fewest runs"
    if before > 1:
        why.append(said)
    left = left.sort_values(["runs", "mean_variance"], kind="stable")
    name = str(left.index[0])
    return name, f"Take {name} ({count(int(left['runs'].iloc[0]), 'run')}): " + join(why) + "."


def _by_power(left: pd.DataFrame, wanted: float) -> tuple[pd.DataFrame, str]:
    enough = left[left["power"] >= wanted]
    if len(enough):
        few = enough[enough["runs"] == enough["runs"].min()]
        said = ("it finds a main effect of the size asked about with "
                f"{percent(float(few['power'].max()))} power")
        return few, said + (", with the fewest runs of those that find it with "
                            f"{percent(wanted)}" if len(enough) > 1 else
                            f", and no other reaches {percent(wanted)}")
    best = left["power"].max()
    return left[left["power"] >= best - _TIE], (
        f"none finds a main effect of the size asked about with {percent(wanted)} power, and it "
        f"comes nearest with {percent(float(best))}")


def _by_precision(left: pd.DataFrame) -> tuple[pd.DataFrame, str]:
    cost = left["runs"] * left["mean_variance"]
    tied = left[cost <= cost.min() * (1 + _TIE)]
    if len(tied) == 1:
        rest = join(digits(v, 3) for v in cost.drop(tied.index).sort_values())
        return tied, ("it predicts best for its number of runs (runs × mean prediction variance "
                      f"{digits(cost.min(), 3)} sd² against {rest})")
    if tied["runs"].nunique() > 1:
        return tied, ("it predicts as well for its number of runs as any other, and has the "
                      "fewest runs of these")
    return tied, "it predicts as well as any other of its size"


def _others(table: pd.DataFrame, choice: str, say: Effects) -> list[str]:
    """What speaks for each plan that is not taken, in numbers."""
    mine, out = table.loc[choice], []
    for name, row in table.drop(index=choice).iterrows():
        good = []
        if row["runs"] < mine["runs"]:
            good.append(f"{count(int(mine['runs'] - row['runs']), 'run')} fewer")
        if row["estimable"] == row["coefficients"] == mine["estimable"]:
            a, b = (float(np.sqrt(r["mean_variance"])) for r in (row, mine))
            if a < 0.99 * b:
                good.append(f"a mean standard error of prediction of {digits(a, 2)} sd against "
                            f"{digits(b, 2)} sd")
            a, b = (float(np.sqrt(r["greatest_variance"])) for r in (row, mine))
            if a < 0.99 * b:
                good.append(f"a greatest one of {digits(a, 2)} sd against {digits(b, 2)} sd")
        for kind in KINDS:
            a, b = row[f"detectable_{kind}"], mine[f"detectable_{kind}"]
            if a < 0.99 * b or (np.isnan(b) and not np.isnan(a)):
                other = "none" if np.isnan(b) else say(pd.Series([b]))
                good.append(f"a smallest detectable {kind.replace('_', ' ')} of "
                            f"{say(pd.Series([a]))} against {other}")
        for key, words in (("pure_error_df", "pure error"), ("lack_of_fit_df", "lack of fit")):
            if row[key] > mine[key]:
                good.append(f"{int(row[key])} degrees of freedom for {words} against "
                            f"{int(mine[key])}")
        if row["greatest_correlation"] < mine["greatest_correlation"] - 0.02:
            good.append(f"a greatest correlation between terms of "
                        f"{digits(row['greatest_correlation'], 2)} against "
                        f"{digits(mine['greatest_correlation'], 2)}")
        lost = int(row["coefficients"] - row["estimable"])
        but = f", but cannot estimate {count(lost, 'coefficient')} of the model" if lost else ""
        extra = int(row["runs"] - mine["runs"])
        but += f", for {count(extra, 'run')} more" if extra > 0 and good else ""
        if good:
            out.append(f"{capitalise(str(name))} has {join(good)}{but}.")
        else:
            out.append(f"Nothing in the table speaks for {name}{but}.")
    return out

"""Which plan to take for a purpose: a short list, each with its reasons and its score in parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np
import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.aliases import alias_matrix, omitted_terms
from doe.planning.appraisal import Appraisal, appraise
from doe.planning.candidates import Space
from doe.planning.comparison import optimum_for, worst_of_kind
from doe.planning.criteria import criterion_for
from doe.planning.fraction_of_region import information_of
from doe.planning.optimal import optimal_plan
from doe.planning.plan import Plan
from doe.planning.split_plot import split_plot
from doe.planning.structure import as_count, has_middle
from doe.planning.suggest import make_plan, suggest_runs
from doe.terms import INTERCEPT, Term, exponents, model_matrix, standard_terms
from doe.wording import capitalise, count, digits, join, percent

__all__ = ["AIMS", "Advice", "advise"]

AIMS = {"screen": "linear", "model": "interactions", "optimise": "quadratic"}
"""The model each aim asks for."""

WEIGHTS = {
    "screen": {"precision": 2, "protection": 3, "checks": 1, "economy": 4},
    "model": {"precision": 3, "protection": 1, "checks": 2, "economy": 4},
    "optimise": {"precision": 4, "protection": 1, "checks": 2, "economy": 3},
}
"""Ours, by common practice; no source. Change them with `weights`."""

_POWER_WEIGHT = 4
_TWO_LEVEL = ("full factorial", "fractional factorial", "Plackett–Burman")
_CENTRE = 3
_MOST_REPLICATES = 4
_PER_FAMILY = 2
_STARTS = 30
_ENOUGH_DF = 3


@dataclass(frozen=True, eq=False)
class Advice:
    """A short list of plans, the best first.

    Parameters
    ----------
    table : DataFrame
        One row a plan: ``plan`` (its title), ``family``, ``options``, ``runs``, then the parts of
        the score, each from 0 to 1 — ``estimates``, ``precision``, ``protection``, ``checks``,
        ``power`` (where asked for), ``economy`` —, ``score`` (their weighted mean) and ``reason``.
    plans : tuple of Plan
        In the same order.
    weights : dict
        Of the parts in the score.
    left_out : DataFrame
        ``plan``, ``runs``, ``why``: what was looked at and is not in the list.
    aim : str
    sentences : tuple of str
    """

    table: pd.DataFrame
    plans: tuple[Plan, ...]
    weights: dict[str, float]
    left_out: pd.DataFrame
    aim: str
    sentences: tuple[str, ...]

    @property
    def sentence(self) -> str:
        """All sentences in one text."""
        return " ".join(self.sentences)


@dataclass(frozen=True)
class _Wanted:
    region: Region
    aim: str
    terms: tuple[Term, ...]
    runs: int | None
    sd: float
    effect: float | None
    power: float
    alpha: float
    ratio: float
    grouped: bool
    mixer: Mixer | None
    seed: int


def advise(region: Region, *, runs: int | None = None, aim: str = "screen",
           sd: float | None = None, smallest_effect: float | None = None, power: float = 0.80,
           alpha: float = 0.05, group_hard_to_change: bool | None = None, ratio: float = 1.0,
           mixer: Mixer | None = None, weights: Mapping[str, float] | None = None, most: int = 5,
           seed: int = 1) -> Advice:
    """A ranked short list of plans for an aim and a budget.

    Looked at are all plans of fixed size that fit the region (`suggest_runs`; two-level ones
    with three centre points where there is a middle and room), and plans optimal for the aim's
    model. If a smallest effect is given, plans are replicated, within the budget and up to four
    times, until they find it. A plan that cannot estimate the aim's model is left out, unless
    none of them can.

    The score is the weighted mean of these parts, each from 0 to 1:

    * ``estimates``: share of the model's coefficients that the runs determine;
    * ``precision``: efficiency per run against the continuous optimum, D, or I to optimise;
    * ``protection``: how little effects left out of the model shift main effects: 1 less the
      mean over main effects of the greatest shift, each at most 1. Looked at are effects of
      second order, and other aims than screening also ask about products of three factors;
    * ``checks``: whether error, lack of fit and, with groups, the error between these can be
      judged: mean of their degrees of freedom, each counted up to three, over three;
    * ``power``: of finding the smallest effect as the worst main effect; beyond the power
      wanted more does not add to the score;
    * ``economy``: fewest runs on the list over its own.

    Ties go to fewer runs. At most two plans of a family are listed. Where no plan can estimate
    the aim's model, this is said, and scores are multiplied by ``estimates``.

    Parameters
    ----------
    region : Region
    runs : int, optional
        The most that can be made.
    aim : {"screen", "model", "optimise"}
        Find the few factors that matter (main effects); know how they act together (with
        two-factor interactions); find the best setting (with squares too).
    sd : float, optional
        Standard deviation between runs; effects are multiples of it if not given.
    smallest_effect : float, optional
        The smallest change from low to high that must not be missed.
    power, alpha : float
        Power wanted for it, at that level of the test.
    group_hard_to_change : bool, optional
        Group runs that share the settings of factors hard to change; if left out, where there
        are such factors.
    ratio : float
        Variance between such groups over that between runs, as far as it can be guessed.
    mixer : Mixer, optional
        Settings are snapped to, and kept within, what it can do.
    weights : mapping, optional
        Of the parts; those not named keep the usual ones.
    most : int
        Plans on the list.
    seed : int
        Of searches and run orders: the same seed gives the same list.

    Raises
    ------
    InputError
        If an option cannot be used, or no plan fits.

    Examples
    --------
    >>> from doe import Factor
    >>> region = Region([Factor(n, 0, 1) for n in ("speed", "ratio", "time", "pressure", "fill")])
    >>> advice = advise(region, runs=20, aim="screen")
    >>> advice.table["family"].tolist()[0] in ("fractional factorial", "definitive screening")
    True
    """
    as_choice("aim", aim, tuple(AIMS))
    limit = None if runs is None else as_count("runs", runs, at_least=2)
    effect = None if smallest_effect is None else as_number("smallest_effect", smallest_effect,
                                                            above=0)
    hard = any(f.hard_to_change for f in region.factors)
    grouped = hard if group_hard_to_change is None else bool(group_hard_to_change)
    if grouped and not hard:
        raise InputError("group_hard_to_change", True, "no factor is marked hard to change",
                         "Mark one with hard_to_change=True, or leave the option out")
    wanted = _Wanted(region, aim, standard_terms(region, AIMS[aim]), limit,
                     1.0 if sd is None else as_number("sd", sd, above=0), effect,
                     as_number("power", power, above=0, at_most=0.9999),
                     as_number("alpha", alpha, above=0, at_most=0.5),
                     as_number("ratio", ratio, at_least=0), grouped, mixer,
                     as_count("seed", seed))
    share = _weights(aim, effect is not None, weights)
    found, left_out = _look(wanted)
    if not found:
        raise InputError("runs", runs, "no plan for these factors has so few",
                         f"Allow at least {len(exponents(region, wanted.terms)[1])} runs")
    best = max(f["estimates"] for f in found)
    whole = [f for f in found if f["estimates"] == best or best < 1]
    for f in found:
        if f["estimates"] < best == 1:
            left_out.append((f["plan"], f["runs"], f"it determines {percent(f['estimates'])} of "
                             "the coefficients"))
    fewest = min(f["runs"] for f in whole)
    for f in whole:
        f["economy"] = fewest / f["runs"]
        counted = {**f, "power": min(1.0, f["power"] / wanted.power)}
        f["score"] = f["estimates"] * sum(share[p] * counted[p] for p in share) / sum(
            share.values())
    whole.sort(key=lambda f: (-round(f["score"], 6), f["runs"], f["plan"]))
    listed: list[dict] = []
    for f in whole:
        if len(listed) == as_count("most", most, at_least=1):
            why = f"its score is {digits(f['score'], 2)}"
        elif sum(g["family"] == f["family"] for g in listed) >= _PER_FAMILY:
            why = f"two plans of its family are listed; its score is {digits(f['score'], 2)}"
        else:
            listed.append(f)
            continue
        left_out.append((f["plan"], f["runs"], why))
    for f in listed:
        f["reason"] = _reason(f, wanted, sd is not None)
    parts = ["estimates", *share, "score", "reason"]
    table = pd.DataFrame(listed)[["plan", "family", "options", "runs", *parts]]
    return Advice(table, tuple(f["_plan"] for f in listed), share,
                  pd.DataFrame(left_out, columns=["plan", "runs", "why"]), aim,
                  _sentences(listed, wanted, best))


def _weights(aim: str, with_power: bool, given: Mapping[str, float] | None) -> dict[str, float]:
    usual = {**WEIGHTS[aim], **({"power": _POWER_WEIGHT} if with_power else {})}
    for name, value in (given or {}).items():
        as_choice("weights", name, tuple(usual))
        usual[name] = as_number(f"weight of {name}", value, at_least=0)
    if not sum(usual.values()) > 0:
        raise InputError("weights", dict(given or {}), "all are zero", "Give at least one weight")
    return usual


# ---- what there is to choose from --------------------------------------------------------

def _look(wanted: _Wanted) -> tuple[list[dict], list[tuple[str, int, str]]]:
    """Every plan that can be made within the budget, judged; and those that cannot."""
    found, left_out, seen = [], [], set()
    for family, options, usual in _candidates(wanted):
        title = f"{family} ({', '.join(f'{k} {v}' for k, v in options.items())})" \
            if options else family
        if wanted.runs is not None and usual > wanted.runs:
            left_out.append((title, usual, f"it has more than {wanted.runs} runs"))
            continue
        try:
            judged = _judge(family, options, wanted)
        except InputError as error:
            left_out.append((title, usual, error.problem))
            continue
        if judged is None:
            left_out.append((title, usual, f"it has more than {wanted.runs} runs"))
        elif (judged["plan"], judged["runs"]) not in seen:
            seen.add((judged["plan"], judged["runs"]))
            found.append(judged)
    return found, left_out


def _candidates(wanted: _Wanted) -> list[tuple[str, dict, int]]:
    try:
        table = suggest_runs(wanted.region)
    except InputError:  # no family of fixed size fits; an optimal plan always does
        table = pd.DataFrame(columns=["family", "options", "runs"])
    out = [(r.family, dict(r.options), int(r.runs)) for r in table.itertuples()]
    p = len(exponents(wanted.region, wanted.terms)[1])
    sizes = {p + 5} if wanted.runs is None else {min(p + 5, wanted.runs), wanted.runs}
    criterion = "I" if wanted.aim == "optimise" else "D"
    for size in sorted(s for s in sizes if s >= p):
        options: dict = {"runs": size, "criterion": criterion}
        if not wanted.grouped:
            options["repeats"] = min(_ENOUGH_DF, (size - p) // 2)
        out.append(("split-plot" if wanted.grouped else "optimal", options, size))
    return out


def _judge(family: str, options: dict, wanted: _Wanted) -> dict | None:
    """The plan with its parts of the score; more replicates where they find the effect."""
    fixed = family in ("optimal", "split-plot")
    middle = any(has_middle(f) for f in wanted.region.factors)
    judged = None
    for replicates in range(1, 2 if fixed or wanted.effect is None else _MOST_REPLICATES + 1):
        again = {"replicates": replicates} if replicates > 1 else {}
        centre = {"centre_points": _CENTRE} if family in _TWO_LEVEL and middle else {}
        plan = None
        for extra in ([centre, {}] if centre else [{}]):
            trial = _make(family, {**options, **extra, **again}, wanted)
            if wanted.runs is None or len(trial) <= wanted.runs:
                plan, used = trial, {**options, **extra, **again}
                break
        if plan is None:
            break
        judged = _parts(plan, family, used, wanted)
        if wanted.effect is None or judged["power"] >= wanted.power:
            break
    return judged


def _make(family: str, options: dict, wanted: _Wanted) -> Plan:
    common: dict = {"seed": wanted.seed, "mixer": wanted.mixer}
    if family == "optimal":
        return optimal_plan(wanted.region, terms=wanted.terms, starts=_STARTS, **options, **common)
    if family == "split-plot":
        return split_plot(wanted.region, terms=wanted.terms, ratio=wanted.ratio, starts=_STARTS,
                          **options, **common)
    return make_plan(wanted.region, family, **options, **common,
                     **({"group_hard_to_change": True} if wanted.grouped else {}))


def _parts(plan: Plan, family: str, options: dict, wanted: _Wanted) -> dict:
    ratios = {"whole_plot": wanted.ratio} if "whole_plot" in plan.runs else None
    told = appraise(plan, terms=wanted.terms, sd=wanted.sd, power=wanted.power,
                    alpha=wanted.alpha, effect=wanted.effect, ratios=ratios)
    estimates = float(told.table["estimable"].mean())
    between = _between_df(told) if ratios else None
    checks = [min(df, _ENOUGH_DF) / _ENOUGH_DF
              for df in (told.pure_error_df, told.lack_of_fit_df, between) if df is not None]
    power = worst_of_kind(told, "power", greatest=False)["main_effect"]
    if np.isnan(power) and _only_levels(told):
        power = float(told.table["power"][1:].min())
    precision = 0.0
    if estimates == 1:
        criterion = "I" if wanted.aim == "optimise" else "D"
        judge = criterion_for(criterion, Space(plan.region, wanted.terms))
        merit = float(judge.merit(information_of(plan, wanted.terms, ratios))) / len(plan)
        precision = min(1.0, merit / optimum_for(plan.region, wanted.terms, criterion).merit)
    return {"plan": _title(plan, options), "family": family, "options": options,
            "runs": len(plan), "estimates": estimates, "precision": precision,
            "protection": _protection(plan, wanted), "checks": float(np.mean(checks)),
            "power": 0.0 if np.isnan(power) else power, "_plan": plan, "_told": told}


def _between_df(told: Appraisal) -> int:
    """Degrees of freedom of the tests between groups: the fewest of any term but the mean."""
    return int(told.table["error_df"][told.table["effect_is"] != "overall mean"].min())


def _only_levels(told: Appraisal) -> bool:
    return bool((told.table["effect_is"] == "level against the mean of levels").any())


def _title(plan: Plan, options: dict) -> str:
    title = capitalise(str(plan.details.get("title", plan.family)))
    centre, copies = int((plan.runs["point"] == "centre").sum()), options.get("replicates", 1)
    extra = [*([f"{copies} replicates"] if copies > 1 else []),
             *([count(centre, "centre point")] if centre else [])]
    size = f" in {len(plan)} runs" if plan.family in ("optimal", "split-plot") else ""
    return title + size + (f", with {join(extra)}" if extra else "")


def _protection(plan: Plan, wanted: _Wanted) -> float:
    """1 less the mean over main effects of their greatest shift by an effect left out."""
    region = plan.region
    left = set(omitted_terms(plan, wanted.terms, 2))
    if wanted.aim != "screen":
        left |= {Term(*names) for names in combinations(region.names, 3)}
    left = sorted(left - set(wanted.terms), key=lambda t: (t.order, t.powers))
    columns = exponents(region, [t for t in wanted.terms if t.order == 1])[1]
    varies = [t for t in left if model_matrix(region, plan.settings, [t]).to_numpy().any()]
    if not varies:
        return 1.0
    shift = alias_matrix(plan, wanted.terms, varies).loc[columns].abs().max(axis=1)
    return float(1 - np.minimum(shift, 1).mean())


# ---- in words ----------------------------------------------------------------------------

def _reason(f: dict, wanted: _Wanted, sd_given: bool) -> str:
    told, p = f["_told"], len(f["_told"].table)
    said = [f"estimates all {p} coefficients" if f["estimates"] == 1 else
            f"determines {round(f['estimates'] * p)} of {p} coefficients"]
    if f["estimates"] == 1:
        said.append(f"has {percent(f['precision'])} of the "
                    f"{'I' if wanted.aim == 'optimise' else 'D'}-efficiency possible per run"
                    + " without groups" * ("whole_plot" in f["_plan"].runs))
    left = "effects of second order left out" if wanted.aim == "screen" else \
        "interactions of up to three factors left out"
    said.append(f"keeps main effects clear of {left}" if f["protection"] > 0.995 else
                f"lets {left} shift a main effect by {percent(1 - f['protection'])} of their size "
                "(the worst for each, on average)")
    if told.error_df:
        said.append(f"leaves {count(told.error_df, 'degree')} of freedom for error, "
                    f"{told.pure_error_df or 'none'} of them from repeated settings")
    else:
        said.append("leaves nothing to estimate error from")
    if wanted.effect is not None:
        size = digits(wanted.effect, 2) + ("" if sd_given else " sd")
        said.append(f"finds a main effect of {size} with {percent(f['power'])} power")
    if "whole_plot" in f["_plan"].runs:
        left = count(_between_df(told), "degree")
        said.append(f"sets the factors hard to change {f['_plan'].runs['whole_plot'].nunique()} "
                    f"times, with {left} of freedom to test them")
    return f"{count(f['runs'], 'run')}: " + join(said) + "."


def _sentences(listed: list[dict], wanted: _Wanted, best: float) -> tuple[str, ...]:
    model = {"screen": "main effects", "model": "main effects and two-factor interactions",
             "optimise": "main effects, two-factor interactions and squares"}[wanted.aim]
    first, out = listed[0], []
    out.append(f"To {wanted.aim}, which asks for {model}: {first['plan']} comes first. "
               f"{first['reason']}")
    if best < 1:
        p = len(exponents(wanted.region, [t for t in wanted.terms if t != INTERCEPT])[1]) + 1
        out.append(f"No plan looked at, of at most {wanted.runs} runs, can estimate all {p} "
                   "coefficients: allow more runs, or aim lower.")
    if wanted.effect is not None and max(f["power"] for f in listed) < wanted.power:
        out.append(f"None of these finds the smallest effect with {percent(wanted.power)} power; "
                   "more runs or a smaller standard deviation would be needed.")
    if len(listed) > 1 and listed[0]["score"] - listed[1]["score"] < 0.02:
        out.append(f"{listed[1]['plan']} is as good within what such a score can tell.")
    return tuple(out)

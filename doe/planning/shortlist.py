"""What there is to choose a plan from for a purpose, each judged in parts (for `advise`)."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from doe.errors import InputError
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.aliases import alias_matrix, omitted_terms
from doe.planning.appraisal import Appraisal, appraise
from doe.planning.candidates import Space
from doe.planning.comparison import optimum_for, worst_of_kind
from doe.planning.criteria import Criterion, criterion_for
from doe.planning.fraction_of_region import information_of
from doe.planning.plan import Plan
from doe.planning.suggest import make_plan, suggest_runs, usual_centre_points
from doe.terms import Term, exponents, standard_terms
from doe.wording import capitalise, count, join

__all__ = ["Candidate", "Choice", "Wanted", "candidates"]

_SEARCHED = ("optimal", "split-plot")
_MOST_REPLICATES = 4
_STARTS = 30
_ENOUGH_DF = 3
_SPARE = 5
_QUICK = 28
"""With more coefficients, optimal plans and the continuous optimum take too long to look up."""
_FEW_FACTORS = 15
"""With more, likewise."""
_WORTH_MORE = 1.2
"""A searched plan of the whole budget is looked at too if that is so many times its usual size."""


@dataclass(frozen=True)
class Wanted:
    """What is asked of a plan; see `doe.planning.advise`."""

    region: Region
    aim: str
    model: str
    runs: int | None
    sd: float
    effect: float | None
    power: float
    alpha: float
    ratio: float
    grouped: bool
    mixer: Mixer | None
    seed: int

    @property
    def terms(self) -> tuple[Term, ...]:
        return standard_terms(self.region, self.model)

    @property
    def coefficients(self) -> int:
        return len(exponents(self.region, self.terms)[1])

    @property
    def criterion(self) -> str:
        return "I" if self.aim == "optimise" else "D"


@dataclass(frozen=True, eq=False)
class Candidate:
    """A plan and the parts of its score that need no other plan.

    `options` make it again with `make_plan`, the seed and the mixer added; `merit` is that of the
    criterion per run, 0 if the plan cannot estimate the model.
    """

    title: str
    family: str
    options: dict
    plan: Plan
    told: Appraisal
    estimates: float
    merit: float
    protection: float
    checks: float
    power: float

    @property
    def runs(self) -> int:
        return len(self.plan)

    @property
    def groups(self) -> int | None:
        """Groups of runs that share the settings of factors hard to change, if there are any."""
        return self.plan.runs["whole_plot"].nunique() if "whole_plot" in self.plan.runs else None

    @property
    def between_df(self) -> int:
        """Degrees of freedom of the tests between groups: the fewest of any term but the mean."""
        return _between_df(self.told)


@dataclass(frozen=True, eq=False)
class Choice:
    """What can be made within the budget.

    Parameters
    ----------
    found : list of Candidate
    left_out : list of tuple
        Title, runs, and why.
    best_merit : float
        Of the continuous optimum; where that takes too long to find, of the best plan found.
    certified : bool
        Whether it is the optimum's.
    """

    found: list[Candidate]
    left_out: list[tuple[str, int, str]]
    best_merit: float
    certified: bool


def candidates(wanted: Wanted) -> Choice:
    """Every plan that can be made within the budget, judged."""
    found: list[Candidate] = []
    left_out: list[tuple[str, int, str]] = []
    judge = criterion_for(wanted.criterion, Space(wanted.region, wanted.terms, wanted.mixer),
                          wanted.seed)
    quick = wanted.coefficients <= _QUICK and len(wanted.region) <= _FEW_FACTORS
    for family, options, usual in _kinds(wanted):
        title = f"{family} ({', '.join(f'{k} {v}' for k, v in options.items())})" \
            if options else family
        too_many = title, usual, f"it has more than {wanted.runs} runs"
        if wanted.runs is not None and usual > wanted.runs:
            left_out.append(too_many)
            continue
        if family in _SEARCHED and not quick:
            left_out.append((title, usual, f"with {wanted.coefficients} coefficients in "
                             f"{count(len(wanted.region), 'factor')} the search takes long: ask "
                             "for this plan by itself"))
            continue
        try:
            judged = _fitting(family, options, wanted, judge)
        except InputError as error:
            left_out.append((title, usual, error.problem))
            continue
        if judged is None:
            left_out.append(too_many)
        elif (judged.title, judged.runs) not in {(c.title, c.runs) for c in found}:
            found.append(judged)
    merit = max((c.merit for c in found), default=0.0)
    certified = quick and merit > 0
    return Choice(found, left_out, _optimum(wanted, found) if certified else merit, certified)


def _optimum(wanted: Wanted, found: list[Candidate]) -> float:
    for c in found:
        if c.family == "optimal":  # held against the optimum when it was made: seconds saved
            return c.merit / c.plan.details["efficiency"]
    return optimum_for(wanted.region, wanted.terms, wanted.criterion).merit


def _kinds(wanted: Wanted) -> Iterator[tuple[str, dict, int]]:
    """Family, options and the usual number of runs; plans searched for come first."""
    p = wanted.coefficients
    usual = p + _SPARE
    sizes = [usual] if wanted.runs is None else [min(usual, wanted.runs)]
    if wanted.runs is not None and wanted.runs >= _WORTH_MORE * usual:
        sizes.append(wanted.runs)
    for size in sizes:
        if size < p:
            continue
        options: dict = {"runs": size, "criterion": wanted.criterion, "model": wanted.model}
        if wanted.grouped:
            yield "split-plot", options | {"ratio": wanted.ratio}, size
        else:
            yield "optimal", options | {"repeats": min(_ENOUGH_DF, (size - p) // 2)}, size
    try:
        table = suggest_runs(wanted.region)
    except InputError:  # no family of fixed size fits
        return
    for row in table[~table["family"].isin(_SEARCHED)].itertuples():
        yield row.family, dict(row.options), int(row.runs)
    k = len(wanted.region)
    regular = (table["family"] == "fractional factorial").any()
    if regular and k > 4 and (table["family"] != "Plackett–Burman").all():
        # Between the sizes of regular fractions, with main effects that no one effect aliases.
        yield "Plackett–Burman", {}, 12 if k < 12 else 20


def _fitting(family: str, options: dict, wanted: Wanted, judge: Criterion) -> Candidate | None:
    """The plan with centre points where there is room, and as many replicates as find the effect;
    none if it does not fit the budget."""
    centre = usual_centre_points(family, wanted.region)
    most = 1 if family in _SEARCHED or wanted.effect is None else _MOST_REPLICATES
    judged = None
    for replicates in range(1, most + 1):
        again = {"replicates": replicates} if replicates > 1 else {}
        for extra in ([centre, {}] if centre else [{}]):
            used = {**options, **extra, **again}
            plan, used = _make(family, used, wanted)
            if wanted.runs is None or len(plan) <= wanted.runs:
                break
        else:
            break
        judged = _judged(plan, family, used, wanted, judge)
        if wanted.effect is None or judged.power >= wanted.power:
            break
    return judged


def _make(family: str, options: dict, wanted: Wanted) -> tuple[Plan, dict]:
    if family in _SEARCHED:
        options = options | {"starts": _STARTS}
    elif wanted.grouped:
        options = options | {"group_hard_to_change": True}
    return make_plan(wanted.region, family, **options, seed=wanted.seed,
                     mixer=wanted.mixer), options


def _judged(plan: Plan, family: str, options: dict, wanted: Wanted,
            judge: Criterion) -> Candidate:
    ratios = {"whole_plot": wanted.ratio} if "whole_plot" in plan.runs else None
    told = appraise(plan, terms=wanted.terms, sd=wanted.sd, power=wanted.power,
                    alpha=wanted.alpha, effect=wanted.effect, ratios=ratios)
    estimates, merit = float(told.table["estimable"].mean()), 0.0
    if estimates == 1:
        merit = float(judge.merit(information_of(plan, wanted.terms, ratios))) / len(plan)
    dfs = [told.pure_error_df, told.lack_of_fit_df, *([_between_df(told)] if ratios else [])]
    power = worst_of_kind(told, "power", greatest=False)["main_effect"]
    return Candidate(_title(plan, options), family, options, plan, told, estimates, merit,
                     _protection(plan, wanted),
                     float(np.mean([min(df / _ENOUGH_DF, 1) for df in dfs])),
                     0.0 if np.isnan(power) else power)


def _between_df(told: Appraisal) -> int:
    return int(told.table["error_df"][told.table["effect_is"] != "overall mean"].min())


def _title(plan: Plan, options: dict) -> str:
    title = capitalise(str(plan.details.get("title", plan.family)))
    centre, copies = int((plan.runs["point"] == "centre").sum()), options.get("replicates", 1)
    extra = [*([f"{copies} replicates"] if copies > 1 else []),
             *([count(centre, "centre point")] if centre else [])]
    size = f" in {len(plan)} runs" if plan.family in _SEARCHED else ""
    return title + size + (f", with {join(extra)}" if extra else "")


def _protection(plan: Plan, wanted: Wanted) -> float:
    """1 less the mean over main effects of their greatest shift by an effect left out."""
    region, terms = plan.region, wanted.terms
    left = set(omitted_terms(plan, terms, 2))
    if wanted.aim != "screen":
        left |= {Term(*names) for names in combinations(region.names, 3)}
    left = sorted(left - set(terms), key=lambda t: (t.order, t.powers))
    columns = exponents(region, [t for t in terms if t.order == 1])[1]
    if not left:
        return 1.0
    shift = alias_matrix(plan, terms, left).loc[columns].abs().max(axis=1)
    return float(1 - np.minimum(shift, 1).mean())

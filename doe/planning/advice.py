"""Which plan to take for a purpose: a short list, each with its reasons and its score in parts."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import exp, log

import pandas as pd

from doe.errors import InputError, as_choice, as_number
from doe.factors import Region
from doe.mixer import Mixer
from doe.planning.plan import Plan
from doe.planning.shortlist import Candidate, Choice, Wanted, candidates
from doe.planning.strata import GREATEST_RATIO
from doe.planning.structure import as_count, as_runs, as_seed
from doe.responses import Response
from doe.wording import count, digits, join, percent

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
_PER_FAMILY = 2
_TIE = 0.02


@dataclass(frozen=True, eq=False)
class Advice:
    """A short list of plans, the best first.

    Parameters
    ----------
    table : DataFrame
        One row a plan: ``plan`` (its title), ``family``, ``options``, ``runs``, then the parts of
        the score, each from 0 to 1 — ``estimates``, ``precision``, ``protection``, ``checks``,
        ``economy``, and ``power`` where asked for —, ``score`` and ``reason``. `make_plan` makes
        the plan again from family and options, with the seed and the mixer.
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


def advise(region: Region, *, runs: int | None = None, aim: str = "screen",
           sd: float | None = None, smallest_effect: float | None = None, power: float = 0.80,
           alpha: float = 0.05, group_hard_to_change: bool | None = None, ratio: float = 1.0,
           mixer: Mixer | None = None, weights: Mapping[str, float] | None = None, most: int = 5,
           response: Response | None = None, seed: int = 1) -> Advice:
    """A ranked short list of plans for an aim and a budget.

    Looked at are all plans of fixed size that fit the region (`suggest_runs`, and one of Plackett
    & Burman; two-level ones with three centre points where there is a middle and room), and plans
    optimal for the aim's model, with runs grouped where they must be. If a smallest effect is
    given, plans are replicated, within the budget and up to four times, until they find it. A
    plan that cannot estimate the aim's model is left out, unless none of them can.

    The score is the weighted mean of these parts, each from 0 to 1:

    * ``estimates``: share of the model's coefficients that the runs determine;
    * ``precision``: efficiency per run against the continuous optimum, D, or I to optimise; with
      more than 28 coefficients against the best plan looked at, as the optimum would take long;
    * ``protection``: how little effects left out of the model shift main effects: 1 less the
      mean over main effects of the greatest shift, each at most 1. Looked at are effects of
      second order, and other aims than screening also ask about products of three factors;
    * ``checks``: whether error, lack of fit and, with groups, the error between these can be
      judged: mean of their degrees of freedom, each counted up to three, over three;
    * ``power``: of finding the smallest effect as the worst main effect, over the power wanted,
      at most 1;
    * ``economy``: fewest runs of any plan that can estimate the model, over its own.

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
        The smallest change from low to high that must not be missed, in the unit of `sd`; for a
        `response` modelled on the log scale a ratio, such as 1.5 or 0.67.
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
    response : Response, optional
        What the smallest effect is a change of. Its assumed standard deviation is taken if `sd`
        is not given.
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
    limit = None if runs is None else as_runs("runs", runs, at_least=2)
    effect = None if smallest_effect is None else as_number("smallest_effect", smallest_effect,
                                                            above=0)
    ratios = response is not None and response.scale == "log"
    if effect is not None and ratios:
        if effect == 1:
            raise InputError("smallest_effect", effect, f"{response.label} is modelled on the log "
                             "scale, where an effect is a ratio, and 1 is no effect",
                             "Give a ratio such as 1.5")
        if sd is None and response.assumed_sd is None:
            raise InputError("sd", None, "a ratio can only be judged against the standard "
                             "deviation between runs", "Give it as a share of the response, such "
                             "as 0.1")
        effect = abs(log(effect))
    sd = response.assumed_sd if sd is None and response is not None else sd
    size = ("" if effect is None else f"× {digits(exp(effect), 3)}" if ratios else
            f"{digits(effect, 2)} {_unit(response, sd)}".rstrip())
    hard = any(f.hard_to_change for f in region.factors)
    grouped = hard if group_hard_to_change is None else bool(group_hard_to_change)
    if grouped and not hard:
        raise InputError("group_hard_to_change", True, "no factor is marked hard to change",
                         "Mark one with hard_to_change=True, or leave the option out")
    wanted = Wanted(region, aim, AIMS[aim], limit,
                    1.0 if sd is None else as_number("sd", sd, above=0), effect,
                    as_number("power", power, above=0, at_most=0.9999),
                    as_number("alpha", alpha, above=0, at_most=0.5),
                    as_number("ratio", ratio, at_least=0, at_most=GREATEST_RATIO), grouped,
                    mixer, as_seed(seed))
    most = as_count("most", most, at_least=1)
    share = _weights(aim, effect is not None, weights)
    choice = candidates(wanted)
    found, left_out = choice.found, list(choice.left_out)
    if not found:
        raise InputError("runs", runs, "no plan for these factors has so few",
                         f"Allow at least {wanted.coefficients} runs")
    best = max(c.estimates for c in found)
    able = [c for c in found if c.estimates == best or best < 1]
    left_out += [(c.title, c.runs, f"it determines {_share_of_model(c)}")
                 for c in found if c.estimates < best == 1]
    listed, others = _shortened(_scored(able, share, wanted, choice), most)
    left_out += [(s.of.title, s.of.runs, why) for s, why in others]
    table = pd.DataFrame([_row(s, wanted, choice, size) for s in listed])
    return Advice(table, tuple(s.of.plan for s in listed), share,
                  pd.DataFrame(left_out, columns=["plan", "runs", "why"]), aim,
                  _sentences(table, wanted, best, choice.certified))


def _weights(aim: str, with_power: bool, given: Mapping[str, float] | None) -> dict[str, float]:
    usual = {**WEIGHTS[aim], **({"power": _POWER_WEIGHT} if with_power else {})}
    for name, value in (given or {}).items():
        as_choice("weights", name, tuple(usual))
        usual[name] = as_number(f"weight of {name}", value, at_least=0)
    if not sum(usual.values()) > 0:
        raise InputError("weights", dict(given or {}), "all are zero", "Give at least one weight")
    return usual


# ---- scores ------------------------------------------------------------------------------

@dataclass(frozen=True, eq=False)
class _Scored:
    """A candidate with its score, and the parts that it is the mean of."""

    of: Candidate
    parts: dict[str, float]
    score: float


def _scored(able: list[Candidate], weights: Mapping[str, float], wanted: Wanted,
            choice: Choice) -> list[_Scored]:
    """The best first; of equals, those with fewer runs."""
    fewest, out = min(c.runs for c in able), []
    for c in able:
        every = {"precision": min(1.0, c.merit / choice.best_merit) if c.merit else 0.0,
                 "protection": c.protection, "checks": c.checks,
                 "power": min(1.0, c.power / wanted.power), "economy": fewest / c.runs}
        parts = {name: every[name] for name in weights}
        mean = sum(weights[name] * part for name, part in parts.items()) / sum(weights.values())
        out.append(_Scored(c, parts, c.estimates * mean))
    return sorted(out, key=lambda s: (-round(s.score, 6), s.of.runs, s.of.title))


def _shortened(ranked: list[_Scored], most: int) -> tuple[list[_Scored],
                                                          list[tuple[_Scored, str]]]:
    listed: list[_Scored] = []
    others = []
    for s in ranked:
        if len(listed) == most:
            others.append((s, f"its score is {digits(s.score, 2)}"))
        elif sum(t.of.family == s.of.family for t in listed) == _PER_FAMILY:
            others.append((s, f"{_PER_FAMILY} plans of its family are listed; its score is "
                              f"{digits(s.score, 2)}"))
        else:
            listed.append(s)
    return listed, others


def _unit(response: Response | None, sd: float | None) -> str:
    return "sd" if sd is None else "" if response is None else response.unit


def _row(s: _Scored, wanted: Wanted, choice: Choice, size: str) -> dict:
    c = s.of
    return {"plan": c.title, "family": c.family, "options": c.options, "runs": c.runs,
            "estimates": c.estimates, **s.parts, "score": s.score,
            "reason": _reason(s, wanted, choice, size)}


# ---- in words ----------------------------------------------------------------------------

def _reason(s: _Scored, wanted: Wanted, choice: Choice, size: str) -> str:
    c, told, p = s.of, s.of.told, len(s.of.told.table)
    said = [f"estimates all {p} coefficients" if c.estimates == 1 else
            f"determines {_share_of_model(c)}"]
    if c.estimates == 1:
        said.append(f"has {percent(min(1.0, c.merit / choice.best_merit))} of the "
                    f"{wanted.criterion}-efficiency per run "
                    + ("that is possible" if choice.certified else "of the best plan looked at")
                    + " without groups" * (c.groups is not None and choice.certified))
    left = "effects of second order left out" if wanted.aim == "screen" else \
        "interactions of up to three factors left out"
    said.append(f"keeps main effects clear of {left}" if c.protection > 0.995 else
                f"lets {left} shift a main effect by {percent(1 - c.protection)} of their size "
                "(the worst for each, on average)")
    if told.error_df:
        said.append(f"leaves {count(told.error_df, 'degree')} of freedom for error, "
                    f"{told.pure_error_df or 'none'} of them from repeated settings")
    else:
        said.append("leaves nothing to estimate error from")
    if wanted.effect is not None:
        said.append(f"finds a main effect of {size} with {percent(c.power)} power")
    if c.groups is not None:
        said.append(f"sets the factors hard to change {c.groups} times, with "
                    f"{count(c.between_df, 'degree')} of freedom to test them")
    return f"{count(c.runs, 'run')}: " + join(said) + "."


def _share_of_model(c: Candidate) -> str:
    p = len(c.told.table)
    return f"{round(c.estimates * p) or 'none'} of {p} coefficients"


def _sentences(table: pd.DataFrame, wanted: Wanted, best: float,
               certified: bool) -> tuple[str, ...]:
    model = {"screen": "main effects", "model": "main effects and two-factor interactions",
             "optimise": "main effects, two-factor interactions and squares"}[wanted.aim]
    first = table.iloc[0]
    out = [f"To {wanted.aim}, which asks for {model}: {first['plan']} comes first. "
           f"{first['reason']}"]
    if best < 1:
        limit = "" if wanted.runs is None else f", of at most {wanted.runs} runs,"
        out.append(f"No plan looked at{limit} can estimate all {wanted.coefficients} "
                   "coefficients: allow more runs, or aim lower.")
    elif not certified:
        out.append(f"With {wanted.coefficients} coefficients in "
                   f"{count(len(wanted.region), 'factor')}, optimal plans were not looked at, as "
                   "the search takes long; one of as many runs may be better.")
    instead = None
    if wanted.effect is not None and table["power"].max() < 1:
        out.append(f"None of these finds the smallest effect with {percent(wanted.power)} power; "
                   "more runs or a smaller standard deviation would be needed.")
    elif wanted.effect is not None and first["power"] < 1:
        instead = table.loc[table["power"].ge(1).idxmax(), "plan"]
        out.append(f"It falls short of {percent(wanted.power)} power for the smallest effect: if "
                   f"that must not be missed, take {instead}.")
    second = table.iloc[1] if len(table) > 1 else None
    if second is not None and first["score"] - second["score"] < _TIE \
            and second["plan"] != instead:
        out.append(f"{second['plan']} is as good within what such a score can tell.")
    return tuple(out)

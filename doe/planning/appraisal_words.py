"""What an appraisal says of a plan, in words."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from doe.planning.plan import Plan
from doe.planning.strata import group_names
from doe.responses import Response
from doe.wording import count, digits, fixed, join, percent

__all__ = ["Effects", "all_sentences"]

_HIGH_VIF = 5.0


@dataclass(frozen=True)
class Effects:
    """Sizes of effects in words, on the scale that a response is modelled on."""

    sd_given: bool
    response: Response | None
    sd: float

    @property
    def ratio(self) -> bool:
        return self.sd_given and self.response is not None and self.response.scale == "log"

    def __call__(self, values: pd.Series) -> str:
        low, high = values.min(), values.max()
        if self.ratio:
            low, high = np.exp(low), np.exp(high)
        low, high = (digits(v, 3 if self.ratio else 2) for v in (low, high))
        text = low if low == high else f"{low} to {high}"
        unit = "" if self.response is None or self.ratio else self.response.unit
        text = f"× {text}" if self.ratio else (
            f"{text} {unit if self.sd_given else 'standard deviations'}".rstrip())
        return text if low == high else f"{text} (by factor)"

    @property
    def assumed(self) -> str:
        if not self.sd_given:
            return ""
        unit = "" if self.response is None else self.response.unit
        sd = percent(self.sd) if self.ratio else f"{digits(self.sd)} {unit}".rstrip()
        return f" at the assumed standard deviation of {sd}"


def all_sentences(plan: Plan, model, between: np.ndarray, sd_given: bool,
                  response: Response | None, parts: dict) -> tuple[str, ...]:
    """What a plan can and cannot tell, in words.

    Parameters
    ----------
    plan : Plan
    model : object
        ``X, names, blocks, projector, ratios`` as `doe.planning.appraisal` has them.
    between : ndarray of bool, shape (p,)
        Coefficients that are judged between groups of runs.
    sd_given : bool
        False if effects are multiples of the standard deviation.
    response : Response or None
        Whose unit and scale effects are told on.
    parts : dict
        What the `Appraisal` is made of.
    """
    say = Effects(sd_given, response, parts["sd"])
    table, df, pure = parts["table"], parts["error_df"], parts["pure_error_df"]
    b = model.blocks.shape[1]
    out = [f"{count(len(plan), 'run')} for {count(len(model.names), 'coefficient')}"
           + (f" and {count(b, 'block effect')}" if b else "")
           + f": {count(df, 'degree of freedom', 'degrees of freedom')} for error"
           + (f", {pure or 'none'} from repeated settings and {df - pure or 'none'} for lack of "
              "fit." if df else ".")]
    out.append(_separable(model, table))
    out += _detectable(table[~between], say, parts)
    if between.any():
        out += _grouped(table[between], say, model.ratios, parts)
    if df and not pure:
        out.append("As no setting is repeated" + " within a block" * bool(b) + ", error is "
                   "estimated from effects left out of the model; if these are real, it comes "
                   "out too large.")
    high = table[np.isfinite(table["vif"]) & (table["vif"] > _HIGH_VIF)]
    if len(high):
        worst = high.loc[high["vif"].idxmax()]
        out.append(f"{count(len(high), 'term is', 'terms are')} hard to tell from others (variance "
                   f"inflation above {_HIGH_VIF:g}); the worst is {worst['label']} with "
                   f"{digits(worst['vif'], 2)}.")
    e = parts["efficiencies"]
    if e["D"] > 0:
        curved = any(p > 1 for t in model.terms for _, p in t.powers)
        several = any(not f.is_numeric and len(f.levels) > 2 and f.name in t.names
                      for t in model.terms for f in model.region.factors)
        why = join(["squares"] * curved + ["categories of three levels or more"] * several, "or")
        out.append(f"D-efficiency {fixed(e['D'], 0)} %, A {fixed(e['A'], 0)} %, "
                   f"G {fixed(e['G'], 0)} %"
                   + f" (models with {why} never come near 100 % in D and A)" * bool(why)
                   + "; a predicted mean has on average "
                   + f"{digits(np.sqrt(e['I']), 2)} times the standard deviation of a run.")
    return tuple(out)


def _separable(model, table: pd.DataFrame) -> str:
    lost = table.index[~table["estimable"]].to_numpy()
    if not len(lost):
        return "Every term of the model can be estimated."
    off = np.abs(np.eye(len(model.projector)) - model.projector) > 1e-7
    _, group = connected_components(csr_array(off), directed=False)
    sets = []
    for g in dict.fromkeys(group[lost].tolist()):
        inside = np.flatnonzero(group == g)
        own = [table["label"][j] for j in inside if j < len(table)]
        sets.append(join(own + ["the blocks"] * bool((inside >= len(table)).any())))
    return "The runs cannot separate " + "; nor ".join(sets) + "."


def _main_effects(table: pd.DataFrame) -> pd.DataFrame:
    """Estimable main effects; of numeric and two-level factors, if there are any."""
    shown = table[table["estimable"] & (table["effect_is"] != "overall mean")]
    for part in (shown[shown["effect_is"] == "low to high"], shown):
        main = part[~part["term"].str.contains(":", regex=False)]
        if len(main) or len(part):
            return main if len(main) else part
    return shown


def _meant(table: pd.DataFrame) -> str:
    """What the effects shown are changes of, to be put after their size."""
    kinds = table["effect_is"].unique()
    return "from low to high" if list(kinds) == ["low to high"] else f"({join(kinds, 'or')})"


def _detectable(table: pd.DataFrame, say: Effects, parts: dict) -> list[str]:
    shown = _main_effects(table)
    if shown.empty:
        return []
    wanted = f"{100 * parts['wanted_power']:g} %"
    if (shown["error_df"] == 0).all():
        known = say(shown["detectable_if_sd_known"])
        return ["Nothing is left to estimate error from, so no size of effect can be promised. "
                "A half-normal plot with Lenth's method (1989) can still point out effects that "
                "stand out from many small ones. Only if the standard deviation were known for "
                f"sure would a change of {known} {_meant(shown)} be found with {wanted} "
                f"power{say.assumed}."]
    low, high = (_as_power(v) for v in (shown["power"].min(), shown["power"].max()))
    found = (low if low == high else f"{low} or more" if high.startswith("more")
             else f"{low} to {high}")
    return [f"A main effect of {say(shown['detectable_effect'])} {_meant(shown)} is found with "
            f"{wanted} power{say.assumed} (two-sided test at {100 * parts['alpha']:g} %); one of "
            f"{say(pd.Series([parts['effect']]))} with {found}."]


def _grouped(table: pd.DataFrame, say: Effects, ratios: Mapping[str, float],
             parts: dict) -> list[str]:
    said = [f"It is assumed that {group_names(c)} vary {digits(r, 2)} times as much (variance) as "
            "the runs within them." for c, r in ratios.items()]
    table = table[table["effect_is"] != "overall mean"]
    if table.empty:
        return said
    shown, labels = _main_effects(table), join(table["label"])
    df = int(table["error_df"].iloc[0])
    if not df:
        return [*said, f"Runs are grouped, and nothing is left to compare groups with: there is "
                f"no test of {labels} in this plan."]
    left = count(df, "degree of freedom", "degrees of freedom")
    reach = say(shown["detectable_effect"])
    reach = reach if ratios else f"at best {reach}, and more the more groups differ for other " \
                                 "reasons"
    return [*said, f"Runs are grouped: {labels} can only be compared between groups, with {left}."
            + (f" Found with {100 * parts['wanted_power']:g} % power is {reach}." if len(shown)
               else "")]


def _as_power(value: float) -> str:
    return "more than 99 %" if value > 0.99 else percent(value)

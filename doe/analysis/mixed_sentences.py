"""A mixed model in plain words: where the variation lies, what is tested against what, and what
taking every run as independent would have claimed.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

import numpy as np

from doe import wording
from doe.analysis import matters
from doe.analysis.components import spread_text
from doe.analysis.diagnostics import beyond_noise
from doe.analysis.groups import between_rows
from doe.analysis.sentences import WIDE_BELOW, aliases, lean, stand_apart

if TYPE_CHECKING:
    from doe.analysis.mixed_model import MixedFit

__all__ = ["all_sentences", "headline", "summary"]

_NOTABLE = 1.25
"""Ratio of interval widths from which it is worth a sentence."""


def all_sentences(fit: MixedFit) -> list[str]:
    """Everything worth saying, in reading order."""
    return [summary(fit), *components(fit), *errors(fit), *matters.matters(fit),
            *matters.noise(fit), *as_if_randomised(fit), *aliases(fit), *trust(fit), *fit.remarks,
            method(fit)]


def headline(fit: MixedFit) -> str:
    """The summary, what is beyond noise, and what full randomisation would have claimed."""
    names = wording.join(t.label(fit.region) for t in fit.active)
    verdict = f"Beyond noise: {names}." if names else "No term is beyond noise."
    return " ".join([summary(fit), verdict, *as_if_randomised(fit)[:1]])


def summary(fit: MixedFit) -> str:
    """What was fitted, and how much single runs differ."""
    terms = sum(1 for t in fit.terms if t.powers)
    groups = wording.join(g.counted for g in fit.groups)
    scale = ", on a logarithmic scale" if fit.log_scale else ""
    new = f"a new {fit.groups[0].last}" if len(fit.groups) == 1 else "new groups"
    sd = (wording.percent(np.expm1(fit.sigma)) if fit.log_scale
          else wording.quantity(fit.sigma, fit.response.unit))
    return (f"{wording.capitalise(fit.response.label)}: {wording.count(len(fit.data), fit.row)} in "
            f"{groups}, {wording.count(terms, 'term')}{scale}. The noise of one new {fit.row} in "
            f"{new} has a standard deviation of {sd}.")


def within(fit: MixedFit) -> str:
    """Where the residual variation lies."""
    return between_rows(fit.groups, fit.row)


def components(fit: MixedFit) -> list[str]:
    """The share and size of each component, and which of them is estimated as nothing."""
    unit, out = fit.response.unit, []
    for c in fit.variance_components.itertuples():
        if c.variance == 0:
            reach = (wording.percent(np.expm1(c.sd_high)) if fit.log_scale
                     else wording.quantity(c.sd_high, unit))
            out.append(f"No variation {c.between} shows beyond what noise within explains: its "
                       f"variance is estimated as 0, though a standard deviation of up to {reach} "
                       "is not excluded (95 %). It stays in the model, and terms that rest on it "
                       "keep its few degrees of freedom.")
        else:
            size = spread_text(c.sd, c.sd_low, c.sd_high, unit, log=fit.log_scale)
            out.append(f"Variation {c.between}: standard deviation {size}, "
                       f"{wording.percent(c.share)} of the variance of one {fit.row}.")
    return out


def degrees(values: Iterable[float]) -> str:
    """``"6.0 to 7.1 effective degrees of freedom"``."""
    known = [v for v in values if np.isfinite(v)]
    if not known:
        return "effective degrees of freedom not known"
    low, high = (wording.digits(v, 2) for v in (min(known), max(known)))
    low, high = (v.removesuffix(".0") for v in (low, high))
    noun = "degree" if low == high == "1" else "degrees"
    return f"{low if low == high else f'{low} to {high}'} effective {noun} of freedom"


def errors(fit: MixedFit) -> list[str]:
    """Which terms are tested against which error, with how many degrees of freedom."""
    return [fit.anova.sentence] if len(fit.anova.table) else []


def as_if_randomised(fit: MixedFit) -> list[str]:
    """What the usual analysis of fully randomised runs would have claimed of these data."""
    if not len(fit.anova.table):
        return []
    one = fit.anova.table.set_index("term")["p"]
    other = fit.randomised.anova.table.set_index("term")["p"]
    rows = fit.anova.table.set_index("term")["source"]

    def named(terms: list[str]) -> str:
        texts = []
        for t in terms:
            ours = wording.p_value(one[t]).removeprefix("p ").removeprefix("= ")
            texts.append(f"{rows[t]} ({wording.p_value(other[t])} instead of {ours})")
        return wording.join(texts)

    false = [t for t in one.index if other[t] < 0.05 <= one[t]]
    missed = [t for t in one.index if one[t] < 0.05 <= other[t]]
    as_if, claims, out = f"Taking every {fit.row} as independent would", [], []
    if false:
        claims.append(f"have claimed more than these {fit.row}s support, calling beyond noise: "
                      f"{named(false)}")
    if missed:
        claims.append(f"have missed: {named(missed)}")
    if claims:
        out.append(f"{as_if} {'; and would '.join(claims)}.")
    widths = _widths(fit)
    narrow = widths[widths > _NOTABLE]
    if len(narrow):
        worst = narrow.idxmax()
        label = fit.table.set_index("term").loc[worst, "label"]
        text = (f"made the interval of {label} {wording.digits(narrow[worst], 2)} times too "
                "narrow.")
        out.append(f"It would also have {text}" if out else f"{as_if} have {text}")
    if not out:
        out.append(f"{as_if} have led to the same verdicts here.")
    return [" ".join(out)]


def _widths(fit: MixedFit):
    """Widths of the coefficients' intervals relative to those of independent runs."""
    ours, theirs = (f.table.set_index("term") for f in (fit, fit.randomised))
    ratio = (ours["high"] - ours["low"]) / (theirs["high"] - theirs["low"])
    return ratio.drop("1", errors="ignore")


def trust(fit: MixedFit) -> list[str]:
    """Few degrees of freedom; runs and groups that stand out or steer the fit."""
    out, table = [], fit.anova.table
    few = table["error_df"] < WIDE_BELOW - 1e-6
    between = np.array([bool(fit.errors[t].groups) for t in fit.terms if t.powers], bool)
    for which, advice in ((between, "More groups would help, more runs within them would not."),
                          (~between, "More runs would help.")):
        rows = table[few & which]
        if len(rows):
            stand = "stand" if rows["error_df"].max() > 1.05 else "stands"
            out.append(f"Only {degrees(rows['error_df'])} {stand} behind "
                       f"{wording.join(rows['source'])}: intervals are wide and a real effect is "
                       f"easily missed. {advice}")
    lost = table[table["error_df"].isna()]
    if len(lost):
        out.append(f"No test could be made of {wording.join(lost['source'])}: too few groups stand "
                   "behind it for the approximation to hold.")
    out += stand_apart(fit.diagnostics, "what all others predict") + lean(fit.diagnostics)
    for group in fit.groups:
        rows = fit.random_effects[fit.random_effects["component"] == group.name]
        odd = rows.loc[beyond_noise(rows), "group"]
        if len(odd):
            out.append(f"{_named(group.label, odd)} further from the rest than groups usually "
                       "differ: look for what was special there.")
    return out


def _named(noun: str, items) -> str:
    verb = "lies" if len(items) == 1 else "lie"
    return f"{wording.capitalise(noun)} {wording.join(items)} {verb}"


def method(fit: MixedFit) -> str:
    """How it was computed."""
    name = ("Kenward & Roger (1997)" if fit.method == "kenward-roger" else
            "Satterthwaite's approximation (Giesbrecht & Burns 1985, Fai & Cornelius 1996)")
    return (f"Variances by restricted maximum likelihood, their intervals from its profile; tests "
            f"and other intervals by {name}.")

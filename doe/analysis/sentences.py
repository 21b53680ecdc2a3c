"""A fit in plain words: sizes, units and intervals first, warnings where they belong.

Every function takes a fit and returns sentences made from its numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis import matters
from doe.analysis.diagnostics import FULL_LEVERAGE, LARGE_COOK, beyond_noise, outlier_limit
from doe.analysis.estimable import GREATEST_INFLATION
from doe.terms import Term

if TYPE_CHECKING:
    from doe.analysis.model import Fit

__all__ = ["all_sentences", "drift", "headline", "lean", "named_runs", "stand_apart", "summary"]

WIDE_BELOW = 4
"""Below so many degrees of freedom, intervals are said to be wide (common practice, no source)."""

PREDICTION_GAP = 0.2
"""Greatest difference of adjusted and predicted R² let pass (common practice, no source)."""


def all_sentences(fit: Fit) -> list[str]:
    """Everything worth saying, in reading order."""
    return [summary(fit), *matters.matters(fit), *matters.noise(fit), *aliases(fit), *form(fit),
            *trust(fit), *fit.remarks]


def summary(fit: Fit) -> str:
    """What was fitted and how well, in one or two sentences."""
    name = wording.capitalise(fit.response.label)
    terms = sum(1 for t in fit.terms if t.powers)
    what = f"{name}: {wording.count(len(fit.data), 'run')}, {wording.count(terms, 'term')}"
    if fit.log_scale:
        what += ", on a logarithmic scale"
    if not fit.df_error:
        return (what + "; the model is saturated: it passes through every run, so nothing is left "
                "to judge noise by but the effects' own spread.")
    text = f"{what}; R² {_share(fit.r2)}"
    if np.isfinite(fit.r2_predicted):
        text += f", predicted R² {_share(fit.r2_predicted)}"
    noise_size = (f"{wording.percent(np.expm1(fit.sigma))}" if fit.log_scale
                  else wording.quantity(fit.sigma, fit.response.unit))
    text += (f". Noise has a standard deviation of {noise_size} on "
             f"{wording.count(fit.df_error, 'degree')} of freedom.")
    if fit.selection:
        text += (f" The terms were chosen from the data ({fit.selection}), so intervals and "
                 "p-values are after selection and look better than they are.")
    return text


def headline(fit: Fit) -> str:
    """The summary, and which terms are beyond noise."""
    names = wording.join(t.label(fit.region) for t in fit.active)
    if names:
        return f"{summary(fit)} Beyond noise: {names}."
    return summary(fit) + (" No term is beyond noise." if fit.df_error or fit.lenth else "")


def _share(value: float) -> str:
    return wording.fixed(value, 2 if value < 0.995 else 3)


def aliases(fit: Fit) -> list[str]:
    """What is aliased with what."""
    out = []
    asked, unasked = fit.aliased[fit.aliased["asked"]], fit.aliased[~fit.aliased["asked"]]
    if len(asked):
        nearly = asked["aliased_with"].str.startswith("nearly ")
        for some, can, last in ((asked[~nearly], "cannot", "nor"), (asked[nearly], "can hardly",
                                                                    "and")):
            pairs = [f"{r.label} from {r.aliased_with.removeprefix('nearly ')}"
                     for r in some.itertuples()]
            if pairs:
                out.append(f"These runs {can} tell {wording.join(pairs, last)}; what is reported "
                           "under the second name may be the first, or both.")
    if len(unasked):
        pairs = [f"{r.label} with {r.aliased_with}".replace("with nearly ", "(nearly) with ")
                 for r in unasked.itertuples()]
        out.append(f"Not in the model, but aliased with what is: {wording.join(pairs)}.")
    return out


def form(fit: Fit) -> list[str]:
    """Lack of fit and curvature."""
    out = []
    lack, bend = fit.anova.lack_of_fit, fit.anova.curvature
    if bend is not None and np.isfinite(bend.p):
        out.append(_curvature(fit, bend))
    if lack is not None and np.isfinite(lack.p):
        sd = (wording.percent(np.expm1(lack.pure_sd)) if fit.log_scale
              else wording.quantity(lack.pure_sd, fit.response.unit))
        if lack.p < 0.05:
            out.append(f"The model does not fit well enough: its misfit is larger than repeated "
                       f"runs explain ({wording.p_value(lack.p)}; their standard deviation is "
                       f"{sd}). Add terms, or doubt the repeats.")
        else:
            out.append(f"Repeated runs show no lack of fit ({wording.p_value(lack.p)}; their "
                       f"standard deviation is {sd} on "
                       f"{wording.count(lack.df_pure, 'degree')} of freedom).")
    return out


def _curvature(fit: Fit, bend) -> str:
    if bend.p >= 0.05:
        return (f"The centre points show no curvature ({wording.p_value(bend.p)}); that does not "
                "rule out bends that cancel.")
    size, low, high = bend.size, bend.low, bend.high
    if fit.log_scale:
        text = (wording.with_interval(np.exp(size), np.exp(low), np.exp(high))
                + " times what the model expects there")
    elif size > 0:
        text = (wording.with_interval(size, low, high, fit.response.unit)
                + " above what the model expects there")
    else:
        text = (wording.with_interval(-size, -high, -low, fit.response.unit)
                + " below what the model expects there")
    return (f"The response is curved: the centre points are {text} ({wording.p_value(bend.p)}). "
            "These runs do not show which factor bends it; axial runs would.")


def trust(fit: Fit) -> list[str]:
    """Few degrees of freedom, terms hardly told apart, runs that stand out or steer the fit,
    order in time, weak prediction."""
    out, table = [], fit.diagnostics
    inflated = {t: v for t, v in fit.inflation.items() if v > GREATEST_INFLATION}
    if inflated:
        labels = wording.join(t.label(fit.region) for t in inflated)
        out.append(f"These runs hardly tell some terms from the others: {labels} (variance "
                   f"inflated up to {wording.digits(max(inflated.values()), 2)} times). Trust the "
                   "predictions near the data rather than these terms' sizes and signs.")
    if 0 < fit.df_error < WIDE_BELOW:
        out.append(f"Only {wording.count(fit.df_error, 'degree')} of freedom for error: intervals "
                   "are wide and a real effect is easily missed.")
        if fit.lenth is not None:
            out.append("By Lenth's method: " + fit.lenth.sentence)
    pinned = table.loc[table["leverage"] >= FULL_LEVERAGE, "run"]
    if len(pinned) and fit.df_error:
        out.append(f"The fit passes through {named_runs(pinned)} whatever was measured there; "
                   "an error in such a measurement could not be seen.")
    out += stand_apart(table) + lean(table) + drift(fit.serial_correlation)
    out += _held(fit)
    gap = fit.r2_adjusted - fit.r2_predicted
    if fit.df_error and gap > PREDICTION_GAP:
        out.append(f"The model fits its own runs better (adjusted R² {_share(fit.r2_adjusted)}) "
                   f"than it foretells runs left out (predicted R² {_share(fit.r2_predicted)}): it "
                   "may have too many terms, or lean on single runs.")
    return out


def _held(fit: Fit) -> list[str]:
    """Factors that were not reset between runs, though their tests take it that they were."""
    out, order = [], np.argsort(fit.diagnostics["order"].to_numpy())
    for factor in fit.region.factors:
        if not factor.hard_to_change or Term(factor.name) not in fit.terms:
            continue
        values = pd.factorize(fit.data[factor.name])[0][order]
        n, sizes = len(values), np.bincount(values)
        expected = (n - 1) * (1 - np.sum(sizes * (sizes - 1)) / (n * (n - 1)))
        changes = int(np.count_nonzero(np.diff(values)))
        if changes < expected / 2:
            out.append(f"{wording.capitalise(factor.label)} was reset only "
                       f"{wording.count(changes, 'time')} in {n} runs, so its runs share whatever "
                       "else differed between settings; its interval is likely too narrow.")
    return out


def stand_apart(table: pd.DataFrame, what: str = "the fit", noun: str = "run") -> list[str]:
    """Runs further from the fit than noise explains, from the diagnostics of any fit.

    Parameters
    ----------
    table : DataFrame
    what : str
        What their residuals are taken from.
    noun : str
        What a row is.
    """
    far = beyond_noise(table)
    if not far.any():
        return []
    limits = outlier_limit(table)[far]
    low, high = (wording.digits(v, 2) for v in (limits.min(), limits.max()))
    names = wording.capitalise(named_runs(table.loc[far, "run"], noun))
    return [f"{names} {'lies' if far.sum() == 1 else 'lie'} further from {what} than "
            "noise explains (studentised residual beyond "
            f"{low if low == high else f'{low} to {high}'}): check the record."]


def lean(table: pd.DataFrame, noun: str = "run") -> list[str]:
    """Runs that steer the fit, from the diagnostics of any fit."""
    heavy = table.loc[table["cooks_distance"] > LARGE_COOK, "run"]
    if not len(heavy):
        return []
    return [f"The fit leans on {named_runs(heavy, noun)}: leaving "
            f"{'it' if len(heavy) == 1 else 'any'} out would move it notably (Cook's distance "
            f"above {LARGE_COOK:g})."]


def drift(serial) -> list[str]:
    """Residuals that go together in time; `serial` as of `Fit.serial_correlation`."""
    if serial is None or not serial.p < 0.05:
        return []
    kind = "alike" if serial.statistic < 2 else "alternating"
    return [f"Residuals next to each other in time are {kind} (Durbin–Watson "
            f"{wording.fixed(serial.statistic, 2)}, {wording.p_value(serial.p)}): something "
            "not recorded may have drifted during the study."]


def named_runs(runs, noun: str = "run") -> str:
    """``"runs 3 and 8"``."""
    return f"{noun if len(runs) == 1 else noun + 's'} {wording.join(runs)}"

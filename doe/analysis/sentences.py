"""A fit in plain words: sizes, units and intervals first, warnings where they belong.

Every function takes a fit and returns sentences made from its numbers.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis.diagnostics import FULL_LEVERAGE
from doe.factors import Factor
from doe.terms import Term

if TYPE_CHECKING:
    from doe.analysis.model import Fit

__all__ = ["all_sentences", "summary"]

WIDE_BELOW = 4
"""Below so many degrees of freedom, intervals are said to be wide (common practice, no source)."""

LARGE_COOK = 1.0
"""Cook's distance above which one run moves the fit notably (Cook & Weisberg 1982)."""

PREDICTION_GAP = 0.2
"""Greatest difference of adjusted and predicted R² let pass (common practice, no source)."""


def all_sentences(fit: Fit) -> list[str]:
    """Everything worth saying, in reading order."""
    return [summary(fit), *matters(fit), *noise(fit), *aliases(fit), *form(fit), *trust(fit),
            *fit.remarks]


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


def _share(value: float) -> str:
    return wording.fixed(value, 2 if value < 0.995 else 3)


# -- effects -------------------------------------------------------------------------


def matters(fit: Fit) -> list[str]:
    """A sentence for each term beyond noise, the largest first within each order."""
    active = sorted(fit.active, key=lambda t: (t.order, -_size(fit, t)))
    out = []
    if not fit.df_error:
        out.append(fit.lenth.sentence if fit.lenth is not None else "With so few effects nothing "
                   "can be said about noise; repeat some runs.")
    for term in active:
        if term.order == 1:
            out.append(_main_effect(fit, term, active))
        elif len(term.names) == 1 and term.order == 2:
            out.append(_bend(fit, term))
        elif term.order == 2 and (text := _interplay(fit, term)):
            out.append(text)
        else:
            out.append(_other(fit, term))
    if not active and fit.df_error:
        out.append("No term is beyond noise at the 5 % level.")
    return out


def _size(fit: Fit, term: Term) -> float:
    rows = fit.table[fit.table["source"] == str(term)]
    return float(rows["coefficient"].abs().max())


def _main_effect(fit: Fit, term: Term, active: list[Term]) -> str:
    factor = fit.region[term.names[0]]
    partners = [n for t in active if len(t.names) > 1 and factor.name in t.names
                for n in t.names if n != factor.name]
    partners = [fit.region[n] for n in dict.fromkeys(partners)]
    middle = wording.join(f.label for f in partners if f.is_numeric)
    average = wording.join(f.label for f in partners if not f.is_numeric)
    where = wording.join([*([f"with {middle} at mid-range"] if middle else []),
                          *([f"on average over {average}"] if average else [])])
    text = _change(fit, factor)
    if text is None:
        text = _levels(fit, factor)
    return wording.capitalise(f"{where}, {text}" if where else text) + "."


def _change(fit: Fit, factor: Factor) -> str | None:
    """``"raising a from 1 to 2 s lowers y by 3 µm (95 % interval 2 to 4)"``; None for three
    categories or more."""
    if not factor.is_numeric and len(factor.levels) > 2:
        return None
    verb = "raising" if factor.is_numeric else "changing"
    return f"{verb} {factor.label} {_move(factor)} {_moves(fit, _effect(fit, factor, {}))}"


def _move(factor: Factor) -> str:
    """``"from 1 to 2 s"``, end to end."""
    first, last = _ends(factor)
    return f"from {_setting(factor, first, unit=False)} to {_setting(factor, last)}"


def _ends(factor: Factor) -> tuple:
    return (factor.low, factor.high) if factor.is_numeric else (factor.levels[0], factor.levels[-1])


def _effect(fit: Fit, factor: Factor, held: dict) -> pd.Series:
    """Change of the response when a factor goes from end to end, as `Fit.compare` gives it."""
    first, last = _ends(factor)
    return _compare(fit, _settings(fit, {**held, factor.name: first}),
                    _settings(fit, {**held, factor.name: last}))


def _moves(fit: Fit, row: pd.Series) -> str:
    """``"lowers y by 3 µm (95 % interval 2 to 4)"`` from a row of `Fit.compare`."""
    y, unit = fit.response.label, fit.response.unit
    change, low, high = row["change"], row["low"], row["high"]
    if fit.log_scale:
        doubt = ", within noise" if low <= 1 <= high else ""
        return f"multiplies {y} by {wording.digits(change)}{_interval(low, high)}{doubt}"
    if low <= 0 <= high:
        return (f"changes {y} by {wording.signed(change)} {unit}".rstrip()
                + f"{_interval(low, high)}, within noise")
    if change < 0:
        change, low, high = -change, -high, -low
        return f"lowers {y} by {wording.quantity(change, unit)}{_interval(low, high)}"
    return f"increases {y} by {wording.quantity(change, unit)}{_interval(low, high)}"


def _interval(low: float, high: float) -> str:
    if not (np.isfinite(low) and np.isfinite(high)):
        return ""
    return f" (95 % interval {wording.interval(low, high)})"


def _settings(fit: Fit, given: dict) -> pd.DataFrame:
    """One setting: the given factors, the others at mid-range or averaged over levels."""
    row = {f.name: [given.get(f.name, f.centre if f.is_numeric else f.levels[0])]
           for f in fit.region.factors}
    table = pd.DataFrame(row)
    table.attrs["given"] = tuple(given)
    return table


def _compare(fit: Fit, before: pd.DataFrame, after: pd.DataFrame) -> pd.Series:
    """As `Fit.compare`, averaged over the levels of categorical factors not given."""
    free = [f for f in fit.region.factors
            if not f.is_numeric and f.name not in before.attrs["given"]]
    contrast = fit.average_rows(after, free) - fit.average_rows(before, free)
    return fit.contrast(contrast).iloc[0]


def _setting(factor: Factor, value: object, *, unit: bool = True) -> str:
    if not factor.is_numeric:
        return str(value)
    text = f"{value:.6g}".replace("-", wording.MINUS)
    return f"{text} {factor.unit}".rstrip() if unit else text


def _levels(fit: Fit, factor: Factor) -> str:
    """A categorical factor with three levels or more: its extremes and their difference."""
    tables = {v: _settings(fit, {factor.name: v}) for v in factor.levels}
    free = [f for f in fit.region.factors if not f.is_numeric and f.name != factor.name]
    means = {v: (fit.average_rows(t, free) @ fit.coefficients).item() for v, t in tables.items()}
    least, most = min(means, key=means.get), max(means, key=means.get)
    return (f"{factor.label} matters: changing it from {least} to {most}, its extremes, "
            f"{_moves(fit, _compare(fit, tables[least], tables[most]))}")


def _bend(fit: Fit, term: Term) -> str:
    factor = fit.region[term.names[0]]
    row = fit.table[fit.table["source"] == str(term)].iloc[0]
    x, y, unit = factor.label, fit.response.label, fit.response.unit
    middle = f"halfway between {_setting(factor, factor.low, unit=False)} and " \
             f"{_setting(factor, factor.high)}"
    if fit.log_scale:
        size, low, high = (np.exp(-row[k]) for k in ("coefficient", "high", "low"))
        return (f"The response to {x} is curved: {middle}, {y} is {wording.digits(size)} times"
                f"{_interval(low, high)} the mean of its values at the two ends.")
    size, low, high = row["coefficient"], row["low"], row["high"]
    side = "below"
    if size < 0:
        size, low, high, side = -size, -high, -low, "above"
    return (f"The response to {x} is curved: {middle}, {y} is {wording.quantity(size, unit)}"
            f"{_interval(low, high)} {side} the mean of its values at the two ends.")


def _interplay(fit: Fit, term: Term) -> str | None:
    """A two-factor interaction: the effect of one at the ends of the other."""
    factors = [fit.region[n] for n in fit.region.names if n in term.names]
    movable = [f for f in factors if f.is_numeric or len(f.levels) == 2]
    if not movable:
        return None
    mover = max(movable, key=lambda f: _size(fit, Term(f.name)) if Term(f.name) in fit.terms else 0)
    other = next(f for f in factors if f is not mover)
    ends = (other.low, other.high) if other.is_numeric else other.levels
    what = [f"at {other.label} = {_setting(other, v)} it "
            f"{_moves(fit, _effect(fit, mover, {other.name: v}))}" for v in ends]
    return (f"The effect of {mover.label}, {_move(mover)}, depends on {other.label}: "
            f"{'; '.join(what)}.")


def _other(fit: Fit, term: Term) -> str:
    rows = fit.table[fit.table["source"] == str(term)]
    label = wording.capitalise(term.label(fit.region))
    if len(rows) > 1:
        p = fit.anova.table.set_index("term").loc[str(term), "p"]
        return f"{label} is beyond noise ({wording.p_value(p)})."
    row = rows.iloc[0]
    size = (f"a factor of {wording.digits(row['effect'])}" if fit.log_scale
            else wording.quantity(row["effect"], fit.response.unit))
    return (f"{label} is beyond noise: its effect is {size}"
            f"{_interval(row['effect_low'], row['effect_high'])}.")


def noise(fit: Fit) -> list[str]:
    """Terms that the runs cannot tell from noise, and how large they could still be."""
    quiet = [t for t in fit.terms if t.powers and t not in fit.active]
    if not quiet or (not fit.active and not fit.df_error):
        return []
    names = wording.join(t.label(fit.region) for t in quiet)
    text = f"Within noise: {names}"
    if not fit.df_error:
        return [text + "."]
    rows = fit.table[fit.table["source"].isin([str(t) for t in quiet])]
    ends = rows[["effect_low", "effect_high"]].to_numpy()
    if fit.log_scale:
        most = np.exp(np.abs(np.log(ends)).max())
        reach = f"could still be a factor of {wording.digits(most)}"
    else:
        reach = f"could still be {wording.quantity(np.abs(ends).max(), fit.response.unit)}"
    return [f"{text}. {'Its effect' if len(quiet) == 1 else 'The largest of these effects'} "
            f"{reach}, by the 95 % intervals: within noise is not the same as absent."]


# -- warnings ------------------------------------------------------------------------


def aliases(fit: Fit) -> list[str]:
    """What is aliased with what."""
    out = []
    asked, unasked = fit.aliased[fit.aliased["asked"]], fit.aliased[~fit.aliased["asked"]]
    if len(asked):
        pairs = [f"{r.label} from {r.aliased_with}" for r in asked.itertuples()]
        out.append(f"These runs cannot tell {wording.join(pairs, 'nor')}; what is reported under "
                   "the second name may be the first, or both.")
    if len(unasked):
        pairs = [f"{r.label} with {r.aliased_with}" for r in unasked.itertuples()]
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
    if fit.log_scale:
        size = (f"{wording.digits(np.exp(bend.size))} times"
                f"{_interval(np.exp(bend.low), np.exp(bend.high))} what the model expects there")
    else:
        low, high = (bend.low, bend.high) if bend.size > 0 else (-bend.high, -bend.low)
        size = (f"{wording.quantity(abs(bend.size), fit.response.unit)}{_interval(low, high)} "
                f"{'above' if bend.size > 0 else 'below'} what the model expects there")
    return (f"The response is curved: the centre points are {size} ({wording.p_value(bend.p)}). "
            "These runs do not show which factor bends it; axial runs would.")


def trust(fit: Fit) -> list[str]:
    """Few degrees of freedom, runs that stand out or steer the fit, order, weak prediction."""
    out, table = [], fit.diagnostics
    if 0 < fit.df_error < WIDE_BELOW:
        out.append(f"Only {wording.count(fit.df_error, 'degree')} of freedom for error: intervals "
                   "are wide and a real effect is easily missed.")
        if fit.lenth is not None:
            out.append("By Lenth's method: " + fit.lenth.sentence)
    pinned = table.loc[table["leverage"] >= FULL_LEVERAGE, "run"]
    if len(pinned) and fit.df_error:
        out.append(f"The fit passes through {_runs(pinned)} whatever was measured there; an error "
                   "in such a measurement could not be seen.")
    limit = _outlier_limit(len(table), fit.df_error)
    far = table.loc[table["studentised"].abs() > limit, "run"]
    if len(far):
        out.append(f"{wording.capitalise(_runs(far))} "
                   f"{'lies' if len(far) == 1 else 'lie'} further from the fit than noise "
                   "explains (studentised residual beyond "
                   f"{wording.digits(limit, 2)}): check the record.")
    heavy = table.loc[table["cooks_distance"] > LARGE_COOK, "run"]
    if len(heavy):
        out.append(f"The fit leans on {_runs(heavy)}: leaving {'it' if len(heavy) == 1 else 'any'} "
                   "out would move it notably (Cook's distance above 1).")
    serial = fit.serial_correlation
    if serial is not None and serial.p < 0.05:
        kind = "alike" if serial.statistic < 2 else "alternating"
        out.append(f"Residuals next to each other in time are {kind} (Durbin–Watson "
                   f"{wording.fixed(serial.statistic, 2)}, {wording.p_value(serial.p)}): something "
                   "not recorded may have drifted during the study.")
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


def _outlier_limit(n: int, df_error: int) -> float:
    """Bonferroni limit at 5 % for the largest of n externally studentised residuals."""
    return float(stats.t.ppf(1 - 0.05 / (2 * n), df_error - 1)) if df_error > 1 else np.inf


def _runs(runs: pd.Series) -> str:
    return f"{'run' if len(runs) == 1 else 'runs'} {wording.join(runs)}"

"""What matters and what does not, in words: sizes with units and intervals."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats

from doe import wording
from doe.analysis.anova import SAME_SETTING
from doe.factors import Factor
from doe.terms import Term

if TYPE_CHECKING:
    from doe.analysis.model import Fit

__all__ = ["matters", "noise"]


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
    return (f"{verb} {factor.label} {_move(factor)} {_moves(fit, _effect(fit, factor, {}))}"
            f"{_beyond(fit, factor, {})}")


def _move(factor: Factor) -> str:
    """``"from 1 to 2 s"``, end to end."""
    first, last = _ends(factor)
    return f"from {_setting(factor, first, unit=False)} to {_setting(factor, last)}"


def _ends(factor: Factor) -> tuple:
    return (factor.low, factor.high) if factor.is_numeric else (factor.levels[0], factor.levels[-1])


def _effect(fit: Fit, factor: Factor, held: dict) -> pd.Series:
    """Change of the response when a factor goes from end to end, as `Fit.compare` gives it."""
    first, last = _ends(factor)
    change = _rows(fit, {**held, factor.name: last}) - _rows(fit, {**held, factor.name: first})
    return fit.contrast(change).iloc[0]


def _beyond(fit: Fit, factor: Factor, held: dict) -> str:
    """A warning if going from end to end leaves the region or the settings that were run."""
    ends = pd.concat([_settings(fit, {**held, factor.name: v}) for v in _ends(factor)])
    if not fit.region.contains(ends, SAME_SETTING).all():
        return ", partly at settings that may not be run"
    return ", partly beyond the settings that were run" if fit.outside_data(ends).any() else ""


def _moves(fit: Fit, row: pd.Series) -> str:
    """``"lowers y by 3 µm (95 % interval 2 to 4)"`` from a row of `Fit.compare`."""
    y, unit = fit.response.label, fit.response.unit
    change, low, high = row["change"], row["low"], row["high"]
    if fit.log_scale:
        doubt = ", within noise" if low <= 1 <= high else ""
        return f"multiplies {y} by {wording.with_interval(change, low, high)}{doubt}"
    if low <= 0 <= high:
        size = wording.with_interval(change, low, high, unit, sign=True)
        return f"changes {y} by {size}, within noise"
    if change < 0:
        return f"lowers {y} by {wording.with_interval(-change, -high, -low, unit)}"
    return f"increases {y} by {wording.with_interval(change, low, high, unit)}"


def _settings(fit: Fit, given: dict) -> pd.DataFrame:
    """One setting: the given factors, numeric ones at mid-range, others at their first level."""
    return pd.DataFrame({f.name: [given.get(f.name, f.centre if f.is_numeric else f.levels[0])]
                         for f in fit.region.factors})


def _rows(fit: Fit, given: dict) -> np.ndarray:
    """Model columns of that setting, averaged over the levels of categories not given; (1, p)."""
    free = [f for f in fit.region.factors if not f.is_numeric and f.name not in given]
    return fit.average_rows(_settings(fit, given), free)


def _setting(factor: Factor, value: object, *, unit: bool = True) -> str:
    if not factor.is_numeric:
        return str(value)
    text = f"{value:.6g}".replace("-", wording.MINUS)
    return f"{text} {factor.unit}".rstrip() if unit else text


def _levels(fit: Fit, factor: Factor) -> str:
    """A categorical factor with three levels or more: its extremes and their difference."""
    rows = {v: _rows(fit, {factor.name: v}) for v in factor.levels}
    means = {v: (row @ fit.coefficients).item() for v, row in rows.items()}
    least, most = min(means, key=means.get), max(means, key=means.get)
    row = fit.contrast(rows[most] - rows[least]).iloc[0]
    if fit.df_error:
        row = _widened(fit, row, len(factor.levels))
    return (f"{factor.label} matters: changing it from {least} to {most}, its extremes, "
            f"{_moves(fit, row)}")


def _widened(fit: Fit, row: pd.Series, levels: int) -> pd.Series:
    """The comparison with an interval that allows for having picked the extremes of all levels
    (Tukey's studentised range; Tukey & Kramer where levels differ in precision)."""
    ratio = (stats.studentized_range.ppf(0.95, levels, fit.df_error) / np.sqrt(2)
             / stats.t.ppf(0.975, fit.df_error))
    if fit.log_scale:
        return np.exp(np.log(row["change"]) + ratio * (np.log(row) - np.log(row["change"])))
    return row["change"] + ratio * (row - row["change"])


def _bend(fit: Fit, term: Term) -> str:
    factor = fit.region[term.names[0]]
    row = fit.table[fit.table["source"] == str(term)].iloc[0]
    x, y, unit = factor.label, fit.response.label, fit.response.unit
    middle = f"halfway between {_setting(factor, factor.low, unit=False)} and " \
             f"{_setting(factor, factor.high)}"
    if fit.log_scale:
        size = wording.with_interval(*(np.exp(-row[k]) for k in ("coefficient", "high", "low")))
        return (f"The response to {x} is curved: {middle}, {y} is the geometric mean of its values "
                f"at the two ends times {size}.")
    size, low, high = row["coefficient"], row["low"], row["high"]
    side = "below"
    if size < 0:
        size, low, high, side = -size, -high, -low, "above"
    return (f"The response to {x} is curved: {middle}, {y} is "
            f"{wording.with_interval(size, low, high, unit)} {side} the mean of its values at the "
            "two ends.")


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
            f"{_moves(fit, _effect(fit, mover, {other.name: v}))}"
            f"{_beyond(fit, mover, {other.name: v})}" for v in ends]
    return (f"The effect of {mover.label}, {_move(mover)}, depends on {other.label}: "
            f"{'; '.join(what)}.")


def _other(fit: Fit, term: Term) -> str:
    rows = fit.table[fit.table["source"] == str(term)]
    label = wording.capitalise(term.label(fit.region))
    if len(rows) > 1:
        p = fit.anova.table.set_index("term").loc[str(term), "p"]
        return f"{label} is beyond noise ({wording.p_value(p)})."
    row = rows.iloc[0]
    ends = row[["effect", "effect_low", "effect_high"]]
    size = (f"a factor of {wording.with_interval(*ends)}" if fit.log_scale
            else wording.with_interval(*ends, fit.response.unit))
    return f"{label} is beyond noise: its effect is {size}."


MANY = 8
"""With more terms than this within noise, interactions and squares are counted, not named."""


def _named(fit: Fit, terms: Sequence[Term]) -> str:
    """The terms in words; of many only those of single factors, and how many others there are."""
    if len(terms) <= MANY:
        return wording.join(t.label(fit.region) for t in terms)
    main = [t.label(fit.region) for t in terms if t.order == 1]
    squares = sum(len(t.names) == 1 and t.order == 2 for t in terms)
    rest = len(terms) - len(main) - squares
    every = {k: len([t for t in fit.terms if t.powers and kind(t)]) for k, kind in (
        ("interaction", lambda t: len(t.names) > 1),
        ("square", lambda t: len(t.names) == 1 and t.order == 2))}
    told = [f"{'all ' if n > 1 and n == every[noun] else ''}{wording.count(n, noun)}"
            for noun, n in (("interaction", rest), ("square", squares)) if n]
    return wording.join([*main, *told]) + " (all named in the table of effects)"


def noise(fit: Fit) -> list[str]:
    """Terms that the runs cannot tell from noise, and how large they could still be."""
    quiet = [t for t in fit.terms if t.powers and t not in fit.active]
    if not quiet or (not fit.active and not fit.df_error):
        return []
    text = f"Within noise: {_named(fit, quiet)}"
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

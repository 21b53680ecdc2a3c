"""How far each factor can move a prediction: ends, crossings of limits, turns, cuts.

Along one numeric factor, the others held, the model of every kind of fit is a polynomial on its
own scale, and the way to the response's scale is monotone. So the turns are the roots of the
derivative, and between two of them a limit is crossed at most once.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.polynomial import Polynomial
from scipy.optimize import brentq

from doe.constraints import Constraint
from doe.decision.surface import Stack, Surface, rotations, same_region
from doe.errors import InputError, as_choice
from doe.factors import Factor, Region

__all__ = ["full_setting", "leeway", "predicted_at", "predictions"]

COLUMNS = ["response", "factor", "mark", "setting", "setting_unit", "predicted", "unit", "why"]
_NONE = 1e-9  # of a half-range, or of the greatest value: no distance at all
_TOUCH = 1e-6  # half-ranges from an end within which a line reaches a limit but crosses none


def leeway(fits: Sequence, settings: Mapping[str, object]) -> pd.DataFrame:
    """Where one factor at a time takes each predicted mean, the others kept at a setting.

    Parameters
    ----------
    fits : sequence of Fit, MixedFit or KindFit
        One a response, over one region.
    settings : mapping
        A value for each factor, natural units; nuisance factors left out are averaged over.

    Returns
    -------
    DataFrame
        One row a mark: ``response, factor, mark, setting, setting_unit, predicted, unit, why``,
        in the order of the settings. ``mark`` is

        - ``"low"``, ``"high"``: the least and greatest setting that may be run, reached from the
          present one without leaving the region; ``why`` is the constraint that ends it there,
          empty at the end of the factor's range. Missing where nothing may be run.
        - ``"crossing"``: a specification limit is crossed; ``why`` is "lower limit" or "upper
          limit".
        - ``"turn"``: between the ends, a "lowest" or "highest" prediction, as ``why`` says.
        - ``"level"``: one of a categorical factor's levels.

    Raises
    ------
    InputError
        If the fits do not go together, or a setting is missing or outside its range.
    """
    here, stack = full_setting(fits, settings)
    region, rows = stack.region, []
    for factor in region.factors:
        low, high, why = _reach(region, factor, here) if factor.is_numeric else (None, None, {})
        for surface, response in zip(stack.surfaces, stack.responses, strict=True):
            if not factor.is_numeric:
                marks = _levels(surface, factor, here)
            elif np.isnan(low):
                marks = [("low", np.nan, np.nan, why["low"]), ("high", np.nan, np.nan, why["low"])]
            else:
                marks = _marks(surface, response, factor, here, (low, high), why)
            rows += [(response.name, factor.name, mark, setting, factor.unit, value, response.unit,
                      reason) for mark, setting, value, reason in marks]
    return pd.DataFrame(rows, columns=COLUMNS)


def predicted_at(fits: Sequence, settings: Mapping[str, object],
                 level: float = 0.95) -> pd.DataFrame:
    """The prediction at a setting, as `leeway` treats it; one row a fit.

    Returns
    -------
    DataFrame
        ``response, unit, mean, mean_low, mean_high, low, high, beyond``: the mean, its confidence
        interval, that of one new run, and whether the setting lies beyond the runs.
    """
    here, _ = full_setting(fits, settings)
    rows = [{"response": fit.response.name, "unit": fit.response.unit, **table.iloc[0]}
            for fit, table in zip(fits, predictions(fits, pd.DataFrame([here]), level),
                                  strict=True)]
    return pd.DataFrame(rows)


def predictions(fits: Sequence, settings: pd.DataFrame, level: float = 0.95) -> list[pd.DataFrame]:
    """What each fit predicts at settings, averaged over the nuisance factors not among them.

    Returns
    -------
    list of DataFrame
        ``mean, mean_low, mean_high, low, high, beyond``; a row a setting. A setting is beyond
        the runs if it is at any level that is averaged over.
    """
    stack = Stack(fits, over=[n for n in same_region(fits).nuisances if n not in settings])
    settings = settings.reset_index(drop=True)
    averaged = len(stack.mixes.columns) > 0
    every = settings.merge(stack.mixes, how="cross") if averaged else settings
    each = len(stack.mixes) if averaged else 1
    out = []
    for fit, surface in zip(fits, stack.surfaces, strict=True):
        own = fit.predict(every, level=level)
        far = (own["extrapolated"] | own.get("remote", False)).to_numpy(bool)
        table = surface.predicted(stack.region.encode(settings), level) if averaged else own
        out.append(table[["mean", "mean_low", "mean_high", "low", "high"]].assign(
            beyond=far.reshape(len(settings), each).any(axis=1)))
    return out


def full_setting(fits: Sequence, settings: Mapping[str, object]) -> tuple[dict, Stack]:
    """The settings checked, without a rotation that follows from them, and the surfaces averaged
    over the nuisance factors that are not among them."""
    region = same_region(fits)
    follows = {rotation for rotation, _, _ in rotations(region.names)}
    for name in settings.keys() - follows:
        as_choice("settings, factor", name, tuple(region.names))
    stack = Stack(fits, over=[n for n in region.nuisances if n not in settings])
    here = {}
    for f in stack.region.factors:
        if f.name not in settings:
            raise InputError("settings", f.name, "this factor is missing",
                             "Give a setting for each of: " + ", ".join(stack.region.names))
        value = settings[f.name]
        here[f.name] = float(value) if f.is_numeric else as_choice(f.name, value, f.levels)
        if f.is_numeric and not abs(f.code([value])[0]) <= 1 + _NONE:
            raise InputError(f"settings, '{f.name}'", value,
                             f"it is outside {f.low:g} to {f.high:g}", "Set it inside the range")
    return here, stack


def _polynomial(surface: Surface, factor: Factor, here: dict) -> Polynomial:
    """The model along a numeric factor, in its coded units, on the model's scale."""
    place = surface.region.encoded_names.index(factor.name)
    held = surface.powers.copy()
    held[:, place] = 0
    point = surface.region.encode(pd.DataFrame([here]))[0]
    size = (surface.beta * np.prod(point**held, axis=1))
    out = np.zeros(surface.powers[:, place].max(initial=0) + 1)
    np.add.at(out, surface.powers[:, place], size)
    return Polynomial(out)


def _marks(surface: Surface, response, factor: Factor, here: dict, ends: tuple[float, float],
           why: dict) -> list[tuple]:
    line = _polynomial(surface, factor, here)

    def value(x: float) -> float:
        return float(surface.response_scale(np.array([line(x)]))[0])

    low, high = factor.code(ends)
    stops = [low, *_turns(line, low, high), high]
    out = [("low", low, value(low), why["low"])]
    for before, at, after in zip(stops, stops[1:], stops[2:], strict=False):
        kind = "highest" if line(at) > max(line(before), line(after)) else "lowest"
        out.append(("turn", at, value(at), kind))
    for side, limit in (("lower limit", response.lower), ("upper limit", response.upper)):
        if limit is None:
            continue
        for a, b in pairwise(stops):
            if (value(a) - limit) * (value(b) - limit) < 0:
                x = brentq(lambda x, limit=limit: value(x) - limit, a, b, xtol=1e-12)
                if low + _TOUCH < x < high - _TOUCH:
                    out.append(("crossing", x, limit, side))
    out.append(("high", high, value(high), why["high"]))
    out.sort(key=lambda row: row[1])
    return [(mark, float(factor.decode([x])[0]), y, reason) for mark, x, y, reason in out]


def _turns(line: Polynomial, low: float, high: float) -> list[float]:
    """Where the slope changes its sign inside the range."""
    slope = line.deriv().trim(_NONE * max(np.abs(line.coef).max(), 1e-300))
    if slope.degree() < 1:
        return []
    at = sorted(r.real for r in slope.roots() if abs(r.imag) < _NONE)
    inside = [x for x in at if low + _TOUCH < x < high - _TOUCH]
    edges = [low, *inside, high]
    return [x for before, x, after in zip(edges, inside, edges[2:], strict=False)
            if slope((before + x) / 2) * slope((x + after) / 2) < 0]


def _levels(surface: Surface, factor: Factor, here: dict) -> list[tuple]:
    table = pd.DataFrame([here | {factor.name: level} for level in factor.levels])
    columns = surface.columns(surface.region.encode(table))
    values = surface.response_scale(columns @ surface.beta)
    return [("level", level, float(v), "") for level, v in zip(factor.levels, values, strict=True)]


def _reach(region: Region, factor: Factor, here: dict) -> tuple[float, float, dict]:
    """The settings that may be run around the present one, or nearest to it, and what ends them;
    missing, with the reason, if none may be run."""
    present, low, high = here[factor.name], factor.low, factor.high
    limits = [(c, _along(c, factor, here)) for c in region.constraints]
    roots = {float(r.real) for _, line in limits if line.degree() for r in line.roots()
             if abs(r.imag) < _NONE * factor.half_range}
    edges = [low, *sorted(r for r in roots if low < r < high), high]
    open_ = [(a, b) for a, b in pairwise(edges)
             if b > a and all(line((a + b) / 2) <= 0 for _, line in limits)]
    if not open_:
        broken = [c.said for c, line in limits if line(present) > 0]
        return np.nan, np.nan, {"low": ", ".join(broken)}
    joined = [list(open_[0])]
    for a, b in open_[1:]:
        if a == joined[-1][1]:
            joined[-1][1] = b
        else:
            joined.append([a, b])
    low, high = min(joined, key=lambda part: max(part[0] - present, present - part[1], 0.0))

    def ended_by(at: float, outside: float) -> str:
        if at in (factor.low, factor.high):
            return ""
        beyond = at + outside * 1e-6 * factor.half_range
        return ", ".join(c.said for c, line in limits if line(beyond) > 0)
    return low, high, {"low": ended_by(low, -1), "high": ended_by(high, 1)}


def _along(constraint: Constraint, factor: Factor, here: dict) -> Polynomial:
    """How far a constraint is broken along a factor, natural units: above 0 it is."""
    out = np.zeros(1 + max(names.count(factor.name) for _, names in constraint.terms))
    for c, names in constraint.terms:
        others = np.prod([here[n] for n in names if n != factor.name])
        out[names.count(factor.name)] += c * others
    out[0] -= constraint.upper
    return Polynomial(out).trim()

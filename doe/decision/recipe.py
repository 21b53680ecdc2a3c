"""The recipe: one settable setting that serves all responses, with its evidence.

References
----------
Derringer, G. & Suich, R. (1980). Simultaneous optimization of several response variables.
*Journal of Quality Technology* 12(4), 214–219.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from doe.card import load_lines, speed_lines
from doe.cautions import cautions, to_programmes
from doe.decision.desirability import overall
from doe.decision.merit import Merit
from doe.decision.recipe_words import LEAST_SHORTFALL, recipe_sentences
from doe.decision.search import local_search, maximise, reach
from doe.decision.space import Space
from doe.decision.surface import Stack, Surface, rotations, same_region
from doe.decision.tolerances import tolerances
from doe.errors import InputError, as_number
from doe.factors import to_increment
from doe.load import fill_of
from doe.mixer import Material, Mixer, Vessel
from doe.wording import join, percent

__all__ = ["LEAST_SHORTFALL", "Recipe", "best_setting"]

DISTINCT = 0.25
"""Least distance between alternatives, in half-ranges of the factor that differs most."""
WORTH_TELLING = 0.5
"""Share of the best overall desirability below which a setting is no alternative."""
_ROUNDING = 1e-9


@dataclass(frozen=True, eq=False)
class Recipe:
    """The chosen setting, with its predictions, tolerances, alternatives and cautions.

    Attributes
    ----------
    settings : dict
        One settable value a factor, in natural units, and what was held; with revolution and
        rotation ratio also ``rotation``, rpm. Nuisance factors are not among them.
    table : DataFrame
        One row a response: ``response, label, unit, predicted`` (mean; median on a log
        scale), ``mean_low, mean_high`` (confidence interval), ``low, high`` (prediction
        interval for one new run), ``specification, meets`` (words), ``mean_inside,
        interval_inside`` (None where there is no interval), ``desirability, ends`` (where it
        is 0 and 1), ``extrapolated, remote``.
    overall : float
        Overall desirability, 0 to 1.
    meets_all : bool
        Whether every predicted mean (with `secure`: every prediction interval) is within
        its specification.
    alternatives : DataFrame
        ``choice``, settings, ``overall``, a predicted mean for each response, ``shortfall``
        (by how much limits are missed, in spans of desirability, weighted by importance),
        ``meets_all``; the chosen one first.
    tolerances : DataFrame
        See `doe.decision.tolerances.tolerances`.
    sentences : list of str
    cautions : list of str
    level : float
        Of the intervals.
    seed : int
    set_up : list of (str, str)
        What the settings come to at this mixer, by name: speeds, accelerations, fill, load and
        counterbalance, as far as mixer, vessel and fill are known.
    averaged : dict
        Of each nuisance factor the levels run, over whose mixes the predictions are averaged.
    """

    settings: dict
    table: pd.DataFrame
    overall: float
    meets_all: bool
    alternatives: pd.DataFrame
    tolerances: pd.DataFrame
    sentences: list[str]
    cautions: list[str]
    level: float
    seed: int
    set_up: list[tuple[str, str]] = field(default_factory=list)
    averaged: dict = field(default_factory=dict)

    @property
    def sentence(self) -> str:
        """The recipe and what it promises, in words."""
        return " ".join(self.sentences)


def best_setting(fits: Sequence, *, mixer: Mixer | None = None, vessel: Vessel | None = None,
                 material: Material | None = None, fill_mass: float | None = None,
                 fixed: Mapping[str, object] | None = None,
                 held: Mapping[str, object] | None = None, steps: Sequence[str] = (),
                 prefer_short: bool = False,
                 give: float = 0.10, secure: bool = False, level: float = 0.95, count: int = 5,
                 seed: int = 1) -> Recipe:
    """The settable setting inside the region with the greatest overall desirability.

    Individual desirabilities of the predicted means are joined to a geometric mean weighted
    by importance (Derringer & Suich 1980). Where no setting meets every specification, the
    one with the least shortfall is returned, and what cannot be met is said.

    Parameters
    ----------
    fits : sequence of Fit, MixedFit or KindFit
        One a response, over one region.
    mixer : Mixer, optional
        Its increments are kept, so that rotation, too, is a speed that can be set.
    vessel, material : optional
        For the cautions, the load and the counterbalance.
    fill_mass : float, optional
        g, where the settings do not say it as ``fill_mass`` or ``fill_volume``.
    fixed : mapping, optional
        Factors held at one setting. Nuisance factors that are not held are averaged over, with
        equal weights on every mix of their levels run; the variance between these is part of
        the prediction interval, which is for a new run at any one of them.
    held : mapping, optional
        Settings that are no factors and were the same in every run, natural units: they belong
        to the programme that the cautions look at.
    steps : sequence of str, optional
        Order of the programme's steps, where the names of settings do not give it.
    prefer_short : bool
        Choose the shortest time (factors named ``time`` or ``*_time``) among the settings
        that meet every specification and come within `give` of the greatest desirability.
        Otherwise that setting is told as an alternative.
    give : float
        Share of the greatest overall desirability given up for a shorter time, 0 to 1.
    secure : bool
        Ask for the whole prediction interval, not only the predicted mean, to be within
        the specification.
    level : float
        Of confidence and prediction intervals.
    count : int
        Greatest number of alternatives beside the chosen setting.
    seed : int
        Of the sample that the search starts from; the same seed gives the same recipe.

    Returns
    -------
    Recipe

    Raises
    ------
    InputError
        If fits do not go together, a held setting cannot be made, no setting may be run, or
        `secure` is asked of a model without degrees of freedom for error.
    """
    as_number("give", give, at_least=0, at_most=1)
    if not 0 < as_number("level", level) < 1:
        raise InputError("level", level, "it must lie between 0 and 1", "Use 0.95")
    fits = list(fits)
    over = [n for n in same_region(fits).nuisances if n not in (fixed or {})]
    stack = Stack(fits, level, over)
    for f in fits:
        if secure and not f.df_error:
            raise InputError("secure", f.response.name, "its model leaves no degrees of freedom "
                             "for error, so there is no prediction interval",
                             "Add runs, drop terms, or use secure=False")
    space = Space(stack.region, mixer, fixed)
    sample = space.sample(seed)
    reaches = reach(space, stack, seed=seed, sample=sample)
    merit = Merit(stack, reaches, secure)
    found = maximise(space, merit.exact, merit.smooth, seed=seed, sample=sample)
    best = _Point(*(part[0] for part in found))
    short = _shortest(space, merit, best, sample, give, seed)
    chosen, other = (short, best) if prefer_short and short else (best, short)
    points = [(chosen, "chosen")]
    if other and not np.array_equal(other.encoded, chosen.encoded):
        points.append((other, "shortest time" if other is short else "most desirable"))
    points += [(p, "near the best") for p in
               _apart(space, merit, [p for p, _ in points], sample, count + 1 - len(points))]
    alternatives = _alternatives(space, merit, points)
    factors = alternatives.iloc[0][stack.region.names].to_dict()
    every = {**factors, **(held or {})}
    settings = _with_rotation(every, mixer)
    table = _table(fits, merit, pd.DataFrame([factors]), level)
    meets_all = bool(chosen.merit >= 0)
    fill = fill_of(every, material, fill_mass)
    set_up = _set_up(mixer, vessel, every, steps, fill)
    sentences = recipe_sentences(stack, merit, reaches, settings, table, chosen, short, level,
                                 space, set_up)
    items = cautions(mixer, vessel, material, to_programmes(pd.DataFrame([every]), steps, mixer),
                     fill_mass=fill)
    if table["extrapolated"].any() or table["remote"].any():
        items.insert(0, "Extrapolation: no run was made near this setting; heat, foaming and "
                     "bursting may differ from all that was seen, so approach it step by step.")
    return Recipe(settings, table, float(overall(table["desirability"], merit.weights)), meets_all,
                  alternatives, tolerances(fits, {**every, **settings}), sentences, items, level,
                  seed, set_up, {n: list(v.unique()) for n, v in stack.mixes.items()})


@dataclass(frozen=True, eq=False)
class _Point:
    values: np.ndarray
    mix: int
    encoded: np.ndarray
    merit: float


def _shortest(space: Space, merit: Merit, best: _Point, sample, give: float, seed: int
              ) -> _Point | None:
    """The shortest setting that comes within `give` of the best; None without a time to save."""
    times = [j for j, f in enumerate(space.free) if f.name == "time" or f.name.endswith("_time")]
    if not times or best.merit <= 0:
        return None
    columns = [space.region.encoded_names.index(space.free[j].name) for j in times]
    half = np.array([space.free[j].half_range for j in times])
    enough = (1 - give) * best.merit - _ROUNDING

    def saved(encoded):
        return (1 - encoded[:, columns]) @ half / (2 * half.sum())

    def score(encoded, _owner):
        merits = merit.exact(encoded)
        good = (merits >= enough) & (merits >= 0)
        return np.where(good, 1 + saved(encoded) + 1e-4 * merits, merits - enough)

    def guard(encoded):
        return merit.smooth(encoded) - np.log(max(enough, 1e-6))

    values, mixes, encoded = sample
    with_best = (np.vstack([best.values[None], values]), np.append(best.mix, mixes),
                 np.vstack([best.encoded[None], encoded]))
    found = maximise(space, score, saved, guard=guard, seed=seed, count=3, sample=with_best)
    near = local_search(space, best.values[None], np.array([best.mix]), np.zeros(1, int), score)
    ends = [(found[0][0], found[1][0], found[2][0], found[3][0]),
            (near[0][0], best.mix, near[1][0], near[2][0])]
    values, mix, encoded, _ = max(ends, key=lambda end: end[3])
    return _Point(values, mix, encoded, float(merit.exact(encoded[None])[0]))


def _apart(space: Space, merit: Merit, chosen: list[_Point], sample, count: int) -> list[_Point]:
    """Settings as good as possible that differ from those chosen and from each other."""
    values, mixes, encoded = sample
    best = chosen[0].merit
    taken, out = list(chosen), []
    while len(out) < count:
        def score(code, _owner):
            far = np.ones(len(code), bool)
            for p in taken:
                far &= np.abs(code - p.encoded).max(axis=1, initial=0) >= DISTINCT
            return np.where(far, merit.exact(code), -np.inf)

        ranked = score(encoded, None)
        i = int(ranked.argmax())
        if not np.isfinite(ranked[i]):
            break
        found = local_search(space, values[i][None], mixes[i][None], np.zeros(1, int), score,
                             first=4)
        point = _Point(found[0][0], mixes[i], found[1][0], float(found[2][0]))
        if best >= 0 and point.merit < WORTH_TELLING * best:
            break
        taken.append(point)
        out.append(point)
    return out


def _with_rotation(settings: dict, mixer: Mixer | None) -> dict:
    out = {n: v if isinstance(v, str) else float(v) for n, v in settings.items()}
    for rotation, revolution, ratio in rotations(settings):
        speed = out[revolution] * out[ratio]
        out[rotation] = float(to_increment(speed, mixer.rotation_increment) if mixer
                              else round(speed, 6))
    return out


def _set_up(mixer: Mixer | None, vessel: Vessel | None, settings: Mapping, steps: Sequence[str],
            fill: float | None) -> list[tuple[str, str]]:
    if mixer is None:
        return []
    loads = [] if vessel is None or fill is None else load_lines(mixer, vessel, float(fill))
    return [*speed_lines(mixer, vessel, settings, steps), *loads]


def _alternatives(space: Space, merit: Merit, points) -> pd.DataFrame:
    region, responses = space.region, merit.stack.responses
    settings = space.snap(space.frame(np.array([p.values for p, _ in points]),
                                      np.array([p.mix for p, _ in points])))
    codes = np.array([p.encoded for p, _ in points])
    means = merit.stack.means(codes)
    table = settings[region.names].copy()
    units = {f.name: f.unit for f in region.numeric} | {r.name: r.unit for r in responses}
    for rotation, revolution, ratio in rotations(region.names):
        table[rotation] = (table[revolution] * table[ratio]).round(6)
        units[rotation] = "rpm"
    table.insert(0, "choice", [why for _, why in points])
    table["overall"] = overall(merit.parts(means), merit.weights)
    for r, response in enumerate(responses):
        table[response.name] = means[:, r]
    table["shortfall"] = merit.shortfalls(codes) @ merit.weights
    table["meets_all"] = [p.merit >= 0 for p, _ in points]
    table.attrs["units"] = units
    return table


def _table(fits, merit: Merit, settings: pd.DataFrame, level: float) -> pd.DataFrame:
    rows = []
    for f, surface, wanted in zip(fits, merit.stack.surfaces, merit.ends, strict=True):
        r, p = f.response, _prediction(f, surface, merit.stack.mixes, settings, level)
        known = not np.isnan(p["low"])
        interval_inside = bool(r.meets(p["low"]) and r.meets(p["high"])) if known else None
        rows.append({
            "response": r.name, "label": r.label, "unit": r.unit, "predicted": p["mean"],
            "mean_low": p["mean_low"], "mean_high": p["mean_high"], "low": p["low"],
            "high": p["high"], "specification": r.specification,
            "meets": _meets(r, p["mean"], p["low"], p["high"], level),
            "mean_inside": r.meets(p["mean"]), "interval_inside": interval_inside,
            "desirability": float(wanted.of(p["mean"])), "ends": _ends_text(r, wanted),
            "extrapolated": bool(p["extrapolated"]), "remote": bool(p["remote"])})
    return pd.DataFrame(rows)


def _prediction(fit, surface: Surface, mixes: pd.DataFrame, settings: pd.DataFrame,
                level: float) -> pd.Series:
    """The fit's own prediction, or that averaged over nuisance factors: far from the runs at one
    of their levels is far."""
    if not len(mixes.columns):
        return fit.predict(settings, level=level).iloc[0]
    each = fit.predict(settings.merge(mixes, how="cross"), level=level)
    out = surface.predicted(surface.region.encode(settings), level).iloc[0]
    return pd.concat([out, each[["extrapolated", "remote"]].any()])


def _ends_text(response, wanted) -> str:
    losing = {"minimise": [response.upper], "maximise": [response.lower],
              "target": [response.lower, response.upper]}[response.goal]
    notes = ["1 is at the best in the region"] if response.target is None else []
    if None in losing:
        notes.append("0 is at the worst in the region")
    return wanted.sentence + (f" ({join(notes)})" if notes else "")


def _meets(response, mean: float, low: float, high: float, level: float) -> str:
    if response.lower is None and response.upper is None:
        return "no limits"
    if response.upper is not None and mean > response.upper:
        return "no: the predicted mean is above the upper limit"
    if response.lower is not None and mean < response.lower:
        return "no: the predicted mean is below the lower limit"
    if np.isnan(low):
        return "on average; no interval without degrees of freedom for error"
    crossed = [name for name, out in (
        ("lower", response.lower is not None and low < response.lower),
        ("upper", response.upper is not None and high > response.upper)) if out]
    if crossed:
        return (f"on average; the {percent(level)} prediction interval crosses the "
                f"{join(crossed)} limit" + ("s" if len(crossed) > 1 else ""))
    return f"yes: the {percent(level)} prediction interval is within the limits"

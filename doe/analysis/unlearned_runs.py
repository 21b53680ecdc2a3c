"""What the runs of a fit leave open: ranges not reached, bends not seen, readings not known, noise
beyond what was assumed.

References
----------
Cook, R. D. & Weisberg, S. (1982). *Residuals and Influence in Regression*. Chapman & Hall
(settings whose leverage exceeds that of every run are far from the data).
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd
from scipy import stats
from scipy.stats import qmc

from doe import wording
from doe.analysis.anova import groups_of_replicates
from doe.analysis.kinds import (
    CensoredFit,
    CountFit,
    DispersionFit,
    GradeFit,
    KindFit,
    ProportionFit,
)
from doe.analysis.mixed import MixedFit
from doe.analysis.model import Fit
from doe.analysis.refitting import AnyFit, multiplies, runs_of
from doe.analysis.unlearned_terms import FEW, Question, square_p
from doe.factors import Factor, Region
from doe.responses import Response
from doe.terms import Term

if TYPE_CHECKING:
    from doe.planning.plan import Plan

__all__ = ["run_questions"]

REACHED = 0.9
"""Share of a planned range below which it is said not to be reached (common practice, no
source)."""

SAME = 0.01
"""Share of a range within which settings count as one."""

WORTH_SAYING = 0.01
"""Least share of the region that is worth a line."""

DRAWS = 4096


def run_questions(fit: AnyFit, plan: Plan | None, noise: float | None,
                  known: set[str]) -> list[Question]:
    """What is open about noise, settings and readings.

    Parameters
    ----------
    fit : Fit, MixedFit or KindFit
    plan : Plan or None
    noise : float or None
        Assumed standard deviation on the model's scale.
    known : set of str
        Labels of the terms that are estimated or spoken of.
    """
    return [*_noise(fit, noise), *_groups(fit), *_ranges(fit, plan), *_curvature(fit, known),
            *_beyond(fit), *_missing(fit, plan), *_grades(fit), *_detection(fit)]


def _noise(fit: AnyFit, noise: float | None) -> list[Question]:
    """Noise beyond what was assumed, by the lower end of its one-sided 95 % interval."""
    if isinstance(fit, (CountFit, ProportionFit)):
        return _scatter(fit)
    if noise is None or isinstance(fit, (GradeFit, DispersionFit)):
        return []
    least = _least_sigma(fit)
    if not least > noise:
        return []
    log = multiplies(fit)
    found, assumed = (wording.percent(np.expm1(v)) if log else wording.quantity(
        v, fit.response.unit) for v in (fit.sigma, noise))
    return [Question("noise", "small effects", f"Noise was {found}, not {assumed} as assumed, so "
                     "that effects the plan counted on can go unseen.", float(fit.sigma / noise))]


def _least_sigma(fit: Fit | MixedFit | CensoredFit) -> float:
    """Lower end of the one-sided 95 % interval of the noise of one new run."""
    if isinstance(fit, MixedFit):
        return float(np.sqrt(fit.reml.interval(np.ones(len(fit.groups) + 1), 0.90)[0]))
    df = fit.df_reference if isinstance(fit, CensoredFit) else fit.df_error
    df = df if np.isfinite(df) else fit.df_error
    return fit.sigma * np.sqrt(df / stats.chi2.ppf(0.95, df)) if df else np.nan


def _scatter(fit: CountFit | ProportionFit) -> list[Question]:
    """Counts or shares that scatter more than their law has it, which plans go by."""
    if not fit.overdispersion.found:
        return []
    law = "Poisson" if isinstance(fit, CountFit) else "binomial"
    ratio = fit.overdispersion.ratio
    return [Question("noise", "small effects", f"Runs scattered with {wording.digits(ratio, 2)} "
                     f"times the variance of {law} noise, so that effects a plan counts on for "
                     "such noise can go unseen.", float(np.sqrt(ratio)))]


# -- settings ------------------------------------------------------------------------


def _ranges(fit: AnyFit, plan: Plan | None) -> list[Question]:
    rows = []
    for f in fit.region.factors:
        seen = fit.data[f.name]
        meant = plan.settings[f.name] if plan is not None and f.name in plan.settings else None
        if not f.is_numeric:
            wanted = set(f.levels if meant is None else meant)
            absent = [v for v in f.levels if v in wanted - set(seen)]
            if absent:
                text = f"Never run with {wording.join(absent, 'or')}."
                rows.append(Question("range", f.label, text, seen.nunique() / len(f.levels)))
            continue
        low, high = (f.low, f.high) if meant is None else (float(meant.min()), float(meant.max()))
        if not high > low:
            low, high = f.low, f.high
        share = float((seen.max() - seen.min()) / (high - low))
        if share <= SAME:
            at = wording.quantity(float(seen.median()), f.unit)
            rows.append(Question("range", f.label, f"Never varied: {at} in every run.", share))
        elif share < REACHED:
            text = (f"Run from {_range(seen.min(), seen.max(), f.unit)} only, "
                    f"{wording.percent(share)} of the planned {_range(low, high, f.unit)}.")
            rows.append(Question("range", f.label, text, share))
    return rows


def _range(low: float, high: float, unit: str) -> str:
    return f"{low:.4g} to {high:.4g} {unit}".rstrip().replace("-", wording.MINUS)


def _curvature(fit: AnyFit, known: set[str]) -> list[Question]:
    """Numeric factors whose squares are neither estimated nor aliased with a named term."""
    straight, unclear = [], []  # factors
    for f in fit.region.numeric:
        levels = groups_of_replicates(f.code(fit.data[f.name])[:, None]).max() + 1
        if Term(f.name, f.name).label(fit.region) in known or levels == 1:
            continue
        (straight if levels == 2 else unclear).append(f)
    rows = []
    if straight:
        rows.append(Question("curvature", _named(straight), "Run at two settings only, so "
                             "that a bend between them would not show."))
    if unclear:
        one = len(unclear) == 1
        p = _bend(fit, unclear)
        if not np.isfinite(p):
            text = (f"These runs cannot tell {'whether it' if one else 'which of them'} bends the "
                    "response" + ("." if one else ", if any."))
        elif p < 0.05:
            text = ("The response is curved, but these runs do not show "
                    f"{'whether this' if one else 'which of them'} bends it.")
        else:
            text = "The centre points show no curvature; that does not rule out bends that cancel."
        rows.append(Question("curvature", _named(unclear), text))
    return rows


def _named(factors: Sequence[Factor]) -> str:
    return wording.join(f.label for f in factors)


def _bend(fit: AnyFit, unclear: Sequence[Factor]) -> float:
    """p-value of curvature by the centre points: they see the sum of all bends, for which any one
    square can stand."""
    if isinstance(fit, Fit):
        return np.nan if fit.anova.curvature is None else fit.anova.curvature.p
    return square_p(fit, unclear[0].name)


def _beyond(fit: AnyFit) -> list[Question]:
    settings = _spread(fit.region)
    if settings.empty:
        return []
    outside = fit.outside_data(settings)
    remote = _remote(fit, settings) & ~outside
    rows = []
    for hit, why in ((outside, "beyond the range of settings that was run"),
                     (remote, "within each factor's range, yet further from the middle of the runs "
                              "than any of them (by leverage)")):
        share = float(hit.mean())
        if share >= WORTH_SAYING:
            rows.append(Question("beyond the data", f"{wording.percent(share)} of the region",
                         f"Lies {why}: predictions there are extrapolated.", share))
    return rows


def _remote(fit: AnyFit, settings: pd.DataFrame) -> np.ndarray:
    """Which settings have more leverage than any run, as ``remote`` of `predict`, which would take
    long for its intervals; boolean, shape (n,)."""
    x = fit.columns.matrix.to_numpy()
    c = np.linalg.inv(x.T @ x) if isinstance(fit, KindFit) else fit.covariance
    here, seen = (np.einsum("ij,jk,ik->i", rows, c, rows)
                  for rows in (fit.design_rows(settings), fit.design_rows(fit.data)))
    return here > seen.max() * (1 + 1e-6)


def _spread(region: Region) -> pd.DataFrame:
    """Settings spread evenly over those that may be run."""
    unit = qmc.Sobol(len(region), seed=1).random(DRAWS)
    columns = {}
    for f, u in zip(region.factors, unit.T, strict=True):
        columns[f.name] = (f.low + (f.high - f.low) * u if f.is_numeric else
                           np.asarray(f.levels, object)[(u * len(f.levels)).astype(int)])
    settings = pd.DataFrame(columns)
    return settings[region.contains(settings)]


# -- readings ------------------------------------------------------------------------


def _missing(fit: AnyFit, plan: Plan | None) -> list[Question]:
    data = runs_of(fit)
    if plan is None or "run" not in data:
        return []
    lost = sorted(set(plan.runs["run"]) - set(data["run"]))
    if not lost:
        return []
    named = (wording.count(len(lost), "run") if len(lost) > FEW else
             f"{'run' if len(lost) == 1 else 'runs'} {wording.join(lost)}")
    return [Question("missing", named, "Without a measurement, so that nothing is known at "
                     f"{'its' if len(lost) == 1 else 'their'} settings.", float(len(lost)))]


def _detection(fit: AnyFit) -> list[Question]:
    """Readings that say only "at most" or "at least"."""
    response, n = fit.response, len(runs_of(fit))
    if isinstance(fit, CensoredFit):
        below, above = np.isinf(fit.low), np.isinf(fit.high)
        between = ~(fit.exact | below | above)
        what = "which the model allows for."
    elif isinstance(fit, KindFit) and not isinstance(fit, DispersionFit):
        return []  # counts, shares and grades are known in full
    else:
        below, above = _marked(runs_of(fit), response)
        between, what = np.zeros(n, bool), "and effects there are understated."
    limit = ("" if response.detection_limit is None else
             f" ({wording.quantity(response.detection_limit, response.unit)})")
    rows = []
    for hit, text in ((below, f"At or below the detection limit{limit}: how far is not known"),
                      (above, "Beyond what could be read: how far is not known"),
                      (between, "Known only to lie between two ends")):
        if hit.any():
            rows.append(Question("detection", f"{int(hit.sum())} of {n} readings",
                                 f"{text}, {what}", float(hit.sum())))
    return rows


def _marked(data: pd.DataFrame, response: Response) -> tuple[np.ndarray, np.ndarray]:
    marks = data.attrs.get("qualifiers", {}).get(response.name, {})
    marked = data.index.map(lambda i: marks.get(i, "")).to_numpy(object)
    below = marked == "<"
    if response.detection_limit is not None:
        below |= data[response.name].to_numpy(float) <= response.detection_limit
    return below, marked == ">"


def _grades(fit: AnyFit) -> list[Question]:
    """Grades that no run was given, and effects that may differ between grades."""
    if not isinstance(fit, GradeFit):
        return []
    every = range(1, len(fit.response.grades) + 1)
    never = [fit.grade_name(g) for g in every if g not in fit.seen]
    rows = [Question("grades", wording.join(never), "Given to no run: nothing is known of what "
                     "leads to it.", float(len(never)))] if never else []
    p = fit.parallel.set_index("term")["p"]
    if p.isna().any():
        rows.append(Question("grades", "thresholds", "Too few runs to check whether effects are "
                             "the same at every threshold (proportional odds)."))
    named = [t.label(fit.region) for t in fit.terms if t.powers and p.get(str(t), np.nan) < 0.05]
    if named:
        rows.append(Question("grades", wording.join(named), "Differs between thresholds, against "
                             "the model's assumption (proportional odds): what it does to each "
                             "grade is not known."))
    return rows


def _groups(fit: AnyFit) -> list[Question]:
    """Components of variance that these groups cannot show, or set no limit to."""
    rows = []
    for c in fit.variance_components.itertuples() if isinstance(fit, MixedFit) else ():
        if c.variance > 0 and np.isfinite(c.sd_high):
            continue
        reach = ("any size" if not np.isfinite(c.sd_high) else wording.percent(np.expm1(c.sd_high))
                 if fit.log_scale else wording.quantity(c.sd_high, fit.response.unit))
        start = "None shows" if c.variance == 0 else "They show"
        rows.append(Question("groups", f"differences {c.between}", f"{start}, but their standard "
                             f"deviation could be {'of' if reach == 'any size' else 'up to'} "
                             f"{reach} (95 %): more groups would tell, more runs within them "
                             "would not.", float(c.sd_high)))
    return rows

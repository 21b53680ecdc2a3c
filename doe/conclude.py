"""From a study to its models and its recipe, by the usual choices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from doe.analysis import Fit, MixedFit, backward, fit_mixed
from doe.analysis.kinds import KindFit, fit_kind
from doe.brief import Brief
from doe.decision import Recipe, best_setting
from doe.responses import Response
from doe.study import Study
from doe.terms import Term

__all__ = ["fit_all", "fit_response", "recommend"]

FEW_DEGREES = 5
"""With fewer degrees of freedom for error than this the terms within noise are left out, so
that what they used up can tell noise from effect (common practice, no source)."""


def fit_response(study: Study, response: Response, terms: Sequence[Term] | str | None = None):
    """The model that a response's kind and the plan's structure call for.

    Runs grouped by settings that were not reset (``whole_plot``) get a mixed model; counts,
    shares, grades and readings beyond a detection limit the model of their kind; all others
    least squares.

    Returns
    -------
    Fit, MixedFit or KindFit
    """
    data = study.table()
    region = study.brief.region if study.plan is None else study.plan.region
    beyond = response.name in data.attrs.get("qualifiers", {})
    if response.kind == "continuous" and not beyond:
        measured = data[data[response.name].notna()]
        if "whole_plot" in measured and measured["whole_plot"].nunique() < len(measured):
            return fit_mixed(data, response, region, terms)
    return fit_kind(data, response, region, terms)


def fit_all(study: Study) -> dict[str, Fit | MixedFit | KindFit]:
    """By response, the model that its measurements support, where there are any.

    That is the largest estimable one; where a model by least squares leaves too few degrees
    of freedom for error, backward elimination takes out what is within noise, and the fit
    says so.
    """
    data = study.table()
    fits = {r.name: fit_response(study, r) for r in study.brief.responses
            if data[r.name].notna().sum() >= 2}
    return {name: backward(f) if isinstance(f, Fit) and f.df_error < FEW_DEGREES else f
            for name, f in fits.items()}


def recommend(brief: Brief, fits: Mapping[str, Fit | MixedFit | KindFit], *,
              seed: int = 1) -> Recipe:
    """The shortest cycle that serves all responses, for the brief's mixer, vessel and material.

    Settings whose prediction intervals for one new run keep every specification are looked
    for first; where there is none, or a model leaves no degrees of freedom for error, those
    whose predicted means do.
    """
    options = {"mixer": brief.mixer, "vessel": brief.vessel, "material": brief.material,
               "fill_mass": brief.fill_mass, "held": brief.held, "steps": brief.steps,
               "prefer_short": True, "seed": seed}
    usable = list(fits.values())
    if all(f.df_error for f in usable):
        recipe = best_setting(usable, secure=True, **options)
        if recipe.meets_all:
            return recipe
    return best_setting(usable, **options)

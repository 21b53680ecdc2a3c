"""From a study to its models and its recipe, by the usual choices."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from numbers import Real

from doe.analysis import Fit, MixedFit, backward, fit_mixed
from doe.analysis.kinds import KindFit, fit_kind
from doe.brief import Brief
from doe.decision import Recipe, best_setting
from doe.errors import InputError
from doe.responses import Response
from doe.study import Study
from doe.terms import Term
from doe.wording import capitalise, count, short

__all__ = ["Fits", "fit_all", "fit_response", "recommend"]

FEW_DEGREES = 5
"""With fewer degrees of freedom for error than this the terms within noise are left out, so
that what they used up can tell noise from effect (common practice, no source)."""


class Fits(dict):
    """Fits by the name of their response; ``unfitted`` says why others have none, in a sentence
    each, likewise by name."""

    def __init__(self, fits: Mapping[str, Fit | MixedFit | KindFit],
                 unfitted: Mapping[str, str]) -> None:
        super().__init__(fits)
        self.unfitted = dict(unfitted)


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


def fit_all(study: Study) -> Fits:
    """By response, the model that its measurements support, where there is one.

    That is the largest estimable one; where a model by least squares leaves too few degrees
    of freedom for error, backward elimination takes out what is within noise, and the fit
    says so. A response that none can be fitted to, such as a count that was zero in every
    run, is no obstacle to the others: ``unfitted`` says why.
    """
    data = study.table()
    fits, unfitted = {}, {}
    for r in study.brief.responses:
        measured = int(data[r.name].notna().sum())
        if measured < 2:
            unfitted[r.name] = (f"{capitalise(r.label)}: measured in {count(measured, 'run')}, too "
                                "few for a model.")
            continue
        try:
            f = fit_response(study, r)
            fits[r.name] = (backward(f) if isinstance(f, Fit) and f.df_error < FEW_DEGREES else f)
        except InputError as error:
            unfitted[r.name] = (f"{capitalise(r.label)}: no model could be fitted "
                                f"({_reason(r, error)}). {error.remedy}.")
    return Fits(fits, unfitted)


def _reason(response: Response, error: InputError) -> str:
    value = error.value
    if value == response.name:
        return error.problem
    shown = short(float(value)) if isinstance(value, Real) else str(value)
    return f"{shown}: {error.problem}"


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

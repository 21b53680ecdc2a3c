"""From a study to its models and its recipe, by the usual choices."""

from __future__ import annotations

from collections.abc import Mapping

from doe.analysis import Fit, backward, fit
from doe.decision import Recipe, best_setting
from doe.study import Study

__all__ = ["fit_all", "recommend"]


FEW_DEGREES = 5
"""With fewer degrees of freedom for error than this the terms within noise are left out, so
that what they used up can tell noise from effect (common practice, no source)."""


def fit_all(study: Study) -> dict[str, Fit]:
    """By response, the model that its measurements support, where there are any.

    That is the largest estimable one; where it leaves too few degrees of freedom for error,
    backward elimination takes out what is within noise, and the fit says so.
    """
    data, region = study.table(), study.brief.region if study.plan is None else study.plan.region
    fits = {r.name: fit(data, r, region) for r in study.brief.responses
            if data[r.name].notna().sum() >= 2}
    return {name: backward(f) if f.df_error < FEW_DEGREES else f for name, f in fits.items()}


def recommend(study: Study, fits: Mapping[str, Fit], *, seed: int = 1) -> Recipe:
    """The shortest cycle that serves all responses, for this study's mixer, vessel and material.

    Settings whose prediction intervals for one new run keep every specification are looked
    for first; where there is none, those whose predicted means do.
    """
    brief = study.brief
    options = {"mixer": brief.mixer, "vessel": brief.vessel, "material": brief.material,
               "fill_mass": brief.fill_mass, "prefer_short": True, "seed": seed}
    safe = best_setting(list(fits.values()), secure=True, **options)
    return safe if safe.meets_all else best_setting(list(fits.values()), **options)

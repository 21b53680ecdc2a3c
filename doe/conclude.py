"""From a study to its models and its recipe, by the usual choices."""

from __future__ import annotations

from collections.abc import Mapping

from doe.analysis import Fit, fit
from doe.decision import Recipe, best_setting
from doe.study import Study

__all__ = ["fit_all", "recommend"]


def fit_all(study: Study) -> dict[str, Fit]:
    """By response, the largest model that its measurements support, where there are any."""
    data, region = study.table(), study.brief.region if study.plan is None else study.plan.region
    return {r.name: fit(data, r, region) for r in study.brief.responses
            if data[r.name].notna().sum() >= 2}


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

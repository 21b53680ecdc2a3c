"""How each kind of fit is made from data, and with which options a fit was made."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
import pandas as pd

from doe.analysis.fit import fit
from doe.analysis.kinds import (
    CensoredFit,
    CountFit,
    DispersionFit,
    GradeFit,
    ProportionFit,
    dispersion_effects,
    fit_kind,
)
from doe.analysis.kinds.censored import bounds
from doe.analysis.mixed import MixedFit, fit_mixed
from doe.analysis.model import Fit
from doe.analysis.readings import numbers
from doe.analysis.refitting import AnyFit, group_texts
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["KINDS", "make", "options_of"]

KINDS = {"least squares": Fit, "mixed": MixedFit, "counts": CountFit, "shares": ProportionFit,
         "grades": GradeFit, "censored": CensoredFit, "spread": DispersionFit}
"""Kinds of fit, by the name they are kept under."""

_OPTIONS = {"least squares": (), "mixed": ("method", "groups"), "counts": ("method", "exposure"),
            "shares": ("method", "trials"), "grades": ("method",),
            "censored": ("method", "qualifiers"), "spread": ("method",)}


def options_of(fit: AnyFit) -> tuple[dict[str, Any], list[str]]:
    """With which options a fit was made, as plain data; and the names of those that no column of
    its data (or the marks kept with them) can give back.

    Exposures and trials are None where the response says them itself, else one number or a
    column's name.
    """
    if isinstance(fit, Fit):
        return {}, []
    options, given = {"method": fit.method}, []
    if isinstance(fit, MixedFit):
        options["groups"] = group_texts(fit)
    for name, cls in (("exposure", CountFit), ("trials", ProportionFit)):
        if isinstance(fit, cls):
            known, options[name] = _source(fit, name)
            given += [] if known else [name]
    if isinstance(fit, CensoredFit) and not _same_marks(fit):
        given.append("qualifiers")
    return options, given


def _source(fit: CountFit | ProportionFit, name: str) -> tuple[bool, float | str | None]:
    """Where the exposures or trials come from, and whether that is known."""
    values, own = getattr(fit, name), getattr(fit.response, name)
    counted = not isinstance(fit, ProportionFit) or fit.counted
    if isinstance(own, str) and own in fit.data:
        own = numbers(fit.data, own)
    if not counted or np.array_equal(values, np.broadcast_to(
            1.0 if own is None or isinstance(own, str) else own, values.shape)):
        return True, None
    if np.ptp(values) == 0:
        return True, float(values[0])
    for column in fit.data.select_dtypes("number"):
        if np.array_equal(fit.data[column].to_numpy(float, na_value=np.nan), values):
            return True, str(column)
    return False, None


def _same_marks(fit: CensoredFit) -> bool:
    """True if the marks that the data carry, with the detection limit, are those of the fit."""
    name = fit.response.name
    marks = fit.data.attrs.get("qualifiers", {}).get(name, {})
    places = {i: marks[label] for i, label in enumerate(fit.data.index) if label in marks}
    found = bounds(numbers(fit.data, name), places, fit.response.detection_limit, name)
    return np.array_equal(found, (fit.low, fit.high), equal_nan=True)


def make(kind: str, data: pd.DataFrame, response: Response, region: Region,
         terms: Sequence[Term], blocks: str | None, selection: str,
         options: Mapping[str, Any]) -> AnyFit:
    """Fit the data as `options_of` says.

    Parameters
    ----------
    kind : str
        One of `KINDS`.
    data : DataFrame
    response : Response
    region : Region
    terms : sequence of Term
    blocks : str or None
        The column of the blocks.
    selection : str
        How the terms were chosen.
    options : mapping

    Returns
    -------
    Fit, MixedFit or KindFit
        Not always of that kind, for data without a reading beyond a limit.

    Raises
    ------
    InputError
        If an option is unknown or of the wrong type, or the data cannot be fitted.
    """
    for name, value in options.items():
        if name not in _OPTIONS[kind] or (name == "groups" and not isinstance(value, list)):
            raise InputError(f"model, options, {name}", value, f"this is no option of {kind}",
                             "Keep the model anew")
    options = {**options, "blocks": blocks}
    if kind == "mixed":
        return fit_mixed(data, response, region, terms, **options)
    if kind == "spread":
        return dispersion_effects(data, response, region, terms, **options)
    fitted = fit if kind == "least squares" else fit_kind
    return fitted(data, response, region, terms, selection=selection, **options)

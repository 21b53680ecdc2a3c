"""Fits for every kind of response: each gets the model that its readings call for.

`fit_kind` is the one way in. Counts get a Poisson, quasi-Poisson or negative binomial model,
proportions a binomial one, grades proportional odds, readings beyond a detection limit a
censored normal one; plain readings the linear model of `doe.analysis.fit`.
`dispersion_effects` and `screen_dispersion` ask what changes the spread, and `power_transform`
on which scale a linear model should stand.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd

from doe.analysis.fit import fit
from doe.analysis.kinds.censored import CensoredFit, bounds, fit_censored
from doe.analysis.kinds.counts import CountFit, fit_counts
from doe.analysis.kinds.dispersion import (
    DispersionFit,
    DispersionScreening,
    dispersion_effects,
    screen_dispersion,
)
from doe.analysis.kinds.face import KindFit
from doe.analysis.kinds.ordinal import GradeFit, fit_grades
from doe.analysis.kinds.power_transform import PowerTransform, power_transform
from doe.analysis.kinds.proportions import (
    ProportionFit,
    check_shares,
    fit_proportions,
    successes,
    whole,
)
from doe.analysis.kinds.rows import prepare
from doe.analysis.model import Fit
from doe.analysis.readings import numbers, readings
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["CensoredFit", "CountFit", "DispersionFit", "DispersionScreening", "GradeFit", "KindFit",
           "PowerTransform", "ProportionFit", "dispersion_effects", "fit_kind", "power_transform",
           "screen_dispersion"]


EVENTS_PER_RUN = 5


def fit_kind(data: pd.DataFrame, response: Response, region: Region,
             terms: Sequence[Term] | str | None = None, *,
             exposure: float | str | Sequence[float] | None = None,
             trials: float | str | Sequence[float] | None = None,
             qualifiers: Mapping | None = None, blocks: str | None = "block",
             method: str = "auto", selection: str = "") -> Fit | KindFit:
    """Fit the model that the response's kind calls for.

    Parameters
    ----------
    data : DataFrame
        A column for each factor (natural units, as achieved), one for the response, and if there
        are any ``block``, ``run``, ``order``; as `doe.study.Study.table` gives it. Rows without a
        measurement are left out, and this is said.
    response : Response
    region : Region
    terms : sequence of Term, formula or model name, optional
        By default the largest hierarchical model of second order that the settings support,
        and main effects alone where the readings say too little for it.
    exposure : float, str or sequence of float, optional
        For counts: what was inspected, as one number, a column's name, or a number for each
        row; by default `response.exposure`, else 1.
    trials : float, str or sequence of float, optional
        For proportions: how many were tried, likewise; by default `response.trials`.
    qualifiers : mapping, optional
        ``"<"``, ``">"`` or ``(low, high)`` by row label, for readings beyond a limit or between
        two; by default those in ``data.attrs["qualifiers"]``. A value at or below
        `response.detection_limit` counts as below it.
    blocks : str or None
        The column of the blocks; fixed effects. None ignores them.
    method : str
        "auto", or one of ``COUNT_METHODS``, ``PROPORTION_METHODS``, ``GRADE_METHODS``,
        ``CENSORED_METHODS`` in the modules of these kinds.
    selection : str
        How the terms were chosen, if the data chose them.

    Raises
    ------
    InputError
        If a column is missing, a value cannot be used, no run is left, or the method does
        not go with the kind.

    Examples
    --------
    >>> from doe import Factor, Region, Response
    >>> region = Region([Factor("time", 30, 90, unit="s"), Factor("speed", 500, 1500, unit="rpm")])
    >>> data = pd.DataFrame({"time": [30, 90, 30, 90, 60], "speed": [500, 500, 1500, 1500, 1000],
    ...                      "specks": [41, 22, 19, 11, 20]})
    >>> response = Response("specks", kind="count", exposure=25, exposure_unit="cm²")
    >>> model = fit_kind(data, response, region, "time + speed")
    >>> model.table[["term", "effect"]].round(3).values.tolist()
    [['1', 0.825], ['time', 0.548], ['speed', 0.474]]
    """
    for name, given, kind in (("exposure", exposure, "count"), ("trials", trials, "proportion")):
        if given is not None and response.kind != kind:
            raise InputError(name, given, f"it goes with responses of kind '{kind}', and "
                             f"'{response.name}' is of kind '{response.kind}'", "Leave it out")
    marks = _marks(data, response, qualifiers)
    if response.kind in ("continuous", "censored"):
        return _fit_readings(data, response, region, terms, marks, blocks, method, selection)
    if marks:
        raise InputError(f"response '{response.name}', qualifiers", marks, f"a {response.kind} "
                         "cannot be known only in part here", "Give it in full, or leave it empty")
    if response.kind == "ordinal":
        used, y, remarks = readings(data, response)
        informative = len(y) - int(np.unique(y, return_counts=True)[1].max())
        return _kept(fit_grades(prepare(used, response, region, terms, blocks, remarks,
                                        informative, selection), y, method), method)
    if response.kind == "count":
        amount = _basis(data, response, "exposure", exposure)
        present = ~np.isnan(numbers(data, response.name))
        used, y, remarks = readings(data, response)
        rows = prepare(used, response, region, terms, blocks, remarks, _worth(len(y), y.sum()),
                       selection)
        return _kept(fit_counts(rows, y, np.ones(len(y)) if amount is None else amount[present],
                                method), method)
    return _fit_shares(data, response, region, terms, trials, blocks, method, selection)


def _kept(fit: KindFit, method: str) -> KindFit:
    """The fit with the method that was asked for."""
    return dataclasses.replace(fit, method=method)


def _worth(runs: int, events: float) -> int:
    """Runs' worth of information in so many runs with so many events (common practice, no
    source: ten events for each column of a model, which takes two runs)."""
    return int(min(runs, events / EVENTS_PER_RUN))


def _fit_shares(data, response, region, terms, trials, blocks, method, selection) -> ProportionFit:
    m = _basis(data, response, "trials", trials)
    present = ~np.isnan(numbers(data, response.name))
    used, share, remarks = readings(data, response)
    where = f"data, column '{response.name}'"
    if m is None:
        check_shares(share, response.unit, where)
        y, tried = share / whole(response.unit), np.ones(len(share))
        counted = bool(np.isin(y, (0.0, 1.0)).all())
    else:
        tried, counted = m[present], True
        y = successes(share, tried, response.unit, where)
    rarer = min(y.sum(), (tried - y).sum()) if counted else np.inf
    rows = prepare(used, response, region, terms, blocks, remarks, _worth(len(y), rarer), selection)
    return _kept(fit_proportions(rows, y, tried, counted=counted, method=method), method)


def _fit_readings(data, response, region, terms, marks, blocks, method,
                  selection) -> Fit | CensoredFit:
    values = numbers(data, response.name)
    known = ~np.isnan(values)
    limit = response.detection_limit
    known |= np.array([isinstance(marks.get(i), (tuple, list)) for i in range(len(data))], bool)
    below = known & (values <= limit) if limit is not None else np.zeros(len(data), bool)
    if not below.any() and not any(known[i] for i in marks):
        if method != "auto":
            raise InputError("method", method, "no reading is beyond a limit, so that the model is "
                             "the linear one", "Leave the method out")
        return fit(data, dataclasses.replace(response, kind="continuous"), region, terms,
                   blocks=blocks, selection=selection)
    used, y, remarks = readings(data, response, known)
    place = {old: new for new, old in enumerate(np.flatnonzero(known))}
    low, high = bounds(y, {place[i]: m for i, m in marks.items() if i in place}, limit,
                       f"data, column '{response.name}'")
    rows = prepare(used, response, region, terms, blocks, remarks, int((low == high).sum()),
                   selection)
    return _kept(fit_censored(rows, low, high, method), method)


def _marks(data: pd.DataFrame, response: Response,
           qualifiers: Mapping | None) -> dict[int, object]:
    """Qualifiers by place, from those by row label."""
    if qualifiers is None:
        qualifiers = data.attrs.get("qualifiers", {}).get(response.name, {})
    places = {label: i for i, label in enumerate(data.index)}
    if qualifiers and len(places) < len(data):
        raise InputError("data, index", "", "row labels are not unique, so that qualifiers cannot "
                         "be told apart", "Reset the index before qualifiers are given")
    # Rows that a filter took away keep their qualifiers in the table's attributes.
    return {places[label]: mark for label, mark in qualifiers.items() if label in places}


def _basis(data: pd.DataFrame, response: Response, name: str,
           given: float | str | Sequence[float] | None) -> np.ndarray | None:
    """Exposure or trials for every row of the data; None if nothing was said."""
    value = getattr(response, name) if given is None else given
    if value is None:
        return None
    if isinstance(value, str):
        return numbers(data, value)
    try:
        out = np.asarray(value, float)
    except (TypeError, ValueError):
        raise InputError(name, value, "these are no numbers",
                         "Give a number, a column's name, or a number for each row") from None
    if out.ndim and out.shape != (len(data),):
        raise InputError(name, value, f"there are {len(data)} rows of data",
                         "Give one number for each")
    return np.broadcast_to(out, len(data))

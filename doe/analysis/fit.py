"""From a table of runs to a fitted model: what is used, what is left out, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe import wording
from doe.analysis.model import Fit
from doe.analysis.readings import blocks_of, readings, wanted_terms
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["Fit", "fit", "usable"]


def fit(data: pd.DataFrame, response: Response, region: Region,
        terms: Sequence[Term] | str | None = None, *, blocks: str | None = "block",
        selection: str = "") -> Fit:
    """Fit a linear model by least squares.

    Parameters
    ----------
    data : DataFrame
        A column for each factor (natural units, as achieved), one for the response, and
        if there are any ``block``, ``run``, ``order``. Rows without a measurement are left out, and
        this is said.
    response : Response
        ``scale="log"`` models the logarithm.
    region : Region
    terms : sequence of Term, formula or model name, optional
        E.g. ``"(a + b)**2"`` or ``"quadratic"``. By default the largest hierarchical model of
        second order that the settings support.
    blocks : str or None
        The column of the blocks; fixed effects that sum to zero. None ignores them.
    selection : str
        How the terms were chosen, if the data chose them.

    Raises
    ------
    InputError
        If a column is missing, a value cannot be used, or no run is left.

    Examples
    --------
    >>> from doe import Factor, Region, Response
    >>> region = Region([Factor("time", 30, 90, unit="s"), Factor("speed", 500, 1500, unit="rpm")])
    >>> data = pd.DataFrame({"time": [30, 90, 30, 90, 60, 60], "speed": [500, 500, 1500, 1500,
    ...                      1000, 1000], "voids": [9.0, 7.1, 5.2, 3.0, 6.0, 6.2]})
    >>> model = fit(data, Response("voids", unit="%"), region, "time + speed")
    >>> model.table[["term", "effect"]].round(2).values.tolist()
    [['1', 6.08], ['time', -2.05], ['speed', -3.95]]
    """
    used, y, remarks = usable(data, response, region)
    block = blocks_of(used, blocks)
    wanted, refused, said = wanted_terms(region, used, terms, block)
    return Fit.of(used, y, response, region, wanted, block, [*remarks, *said], selection, refused)


def usable(data: pd.DataFrame, response: Response, region: Region
           ) -> tuple[pd.DataFrame, np.ndarray, list[str]]:
    """Rows with a measurement, the response on the scale of a linear model, and remarks."""
    for name in [response.name, *region.names]:
        if name not in data:
            raise InputError("data, column", name, "it is missing",
                             "The data have: " + ", ".join(map(str, data.columns)))
    used, y, remarks = readings(data, response)
    if y.min() == y.max():
        remarks.append(f"Every run gave the same {response.label}: there is nothing to explain.")
    if response.kind != "continuous":
        remarks.append(f"{wording.capitalise(response.label)} is a {response.kind}, fitted here "
                       "like a continuous measurement with the same noise everywhere.")
    if response.detection_limit is not None and (low := int((y <= response.detection_limit).sum())):
        remarks.append(f"{low} of {len(y)} measurements of {response.label} are at or below the "
                       f"detection limit ({response.detection_limit:g} {response.unit}); they are "
                       "taken as they are written, which understates effects there.")
    if response.scale == "log":
        if (y <= 0).any():
            raise InputError(f"data, column '{response.name}'", y[y <= 0][0], "it has no logarithm",
                             "Use scale='identity', or give zeros as half the detection limit")
        y = np.log(y)
    return used, y, remarks

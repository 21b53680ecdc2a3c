"""From a table of runs to a fitted model: what is used, what is left out, and why."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe import terms as model_terms
from doe import wording
from doe.analysis.estimable import largest_model
from doe.analysis.model import Fit
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["Fit", "fit"]


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
    used, y, remarks = _usable(data, response, region)
    block = _blocks(used, blocks)
    refused = []
    if terms is None:
        wanted, refused, said = largest_model(region, used, block)
        remarks += said
    elif isinstance(terms, str):
        wanted = (model_terms.standard_terms(region, terms) if terms in model_terms.MODELS
                  else model_terms.parse(terms, region))
    else:
        wanted = tuple(terms)
    return Fit.of(used, y, response, region, wanted, block, remarks, selection, refused)


def _usable(data: pd.DataFrame, response: Response, region: Region
            ) -> tuple[pd.DataFrame, np.ndarray, list[str]]:
    """Rows with a measurement, the response on the model's scale, and remarks."""
    for name in [response.name, *region.names]:
        if name not in data:
            raise InputError("data, column", name, "it is missing",
                             "The data have: " + ", ".join(map(str, data.columns)))
    try:
        measured = data[response.name].to_numpy(float, na_value=np.nan)
    except (TypeError, ValueError):
        readable = pd.to_numeric(data[response.name], errors="coerce").notna()
        bad = data[response.name][~readable & data[response.name].notna()].iloc[0]
        raise InputError(f"data, column '{response.name}'", bad, "this is not a number",
                         "Give measurements as numbers, or leave the cell empty") from None
    present = ~np.isnan(measured)
    used, y = data.loc[present], measured[present]
    remarks = []
    if not present.all():
        gaps = int((~present).sum())
        have, are = ("has", "is") if gaps == 1 else ("have", "are")
        remarks.append(f"{gaps} of {len(data)} runs {have} no measurement of {response.label} "
                       f"and {are} left out.")
    if len(y) < 2:
        raise InputError(f"data, column '{response.name}'", len(y), "fewer than two runs have a "
                         "measurement", "Record more runs first")
    if np.isinf(y).any():
        raise InputError(f"data, column '{response.name}'", y[np.isinf(y)][0], "this is not finite",
                         "Correct the measurement, or leave the cell empty")
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


def _blocks(data: pd.DataFrame, column: str | None) -> pd.Series | None:
    if column is None or column not in data:
        return None
    blocks = data[column]
    if blocks.isna().any():
        raise InputError(f"data, column '{column}'", None, "a run has no block",
                         "Fill it in, or pass blocks=None")
    return blocks if blocks.nunique() > 1 else None

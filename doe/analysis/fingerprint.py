"""What a model rests on, as one number: a SHA-256 of its data, written in one fixed way."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping, Sequence
from numbers import Real

import numpy as np
import pandas as pd

from doe.analysis.kinds import CensoredFit, CountFit, ProportionFit
from doe.analysis.mixed import MixedFit
from doe.analysis.refitting import AnyFit, blocks_column, runs_of
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response

__all__ = ["columns_of", "data_fingerprint", "fingerprint"]


def data_fingerprint(data: pd.DataFrame, response: Response, region: Region,
                     *others: str | None, further: Mapping[str, Sequence] | None = None) -> str:
    """SHA-256 of the data a model rests on, written as CSV in one fixed way.

    The columns are the factors in the region's order, the response, `others` (blocks, groups) and
    `further`; numbers have as many digits as it takes to read them back exactly. Rows are sorted,
    so that their order does not matter; other columns do not count.

    Parameters
    ----------
    data : DataFrame
    response : Response
    region : Region
    others : str
        Further columns of the data; None is passed over.
    further : mapping of str to sequence, optional
        Columns that are not in the data, by their heading, such as exposures.

    Raises
    ------
    InputError
        If a column is missing.
    """
    columns = [*region.names, response.name, *(name for name in others if name is not None)]
    for name in columns:
        if name not in data:
            raise InputError("data, column", name, "it is missing",
                             "The data have: " + ", ".join(map(str, data.columns)))
    further = {} if further is None else further
    texts = [[_cell(v) for v in values]
             for values in (*(data[name] for name in columns), *further.values())]
    rows = sorted(zip(*texts, strict=True))
    buffer = io.StringIO()
    writer = csv.writer(buffer, lineterminator="\n")
    writer.writerow([*columns, *further])
    writer.writerows(rows)
    return hashlib.sha256(buffer.getvalue().encode()).hexdigest()


def _cell(value: object) -> str:
    """A number by its value, however it is stored: 3, 3.0 and numpy's 3 are all ``3.0``."""
    return repr(float(value) + 0.0) if isinstance(value, (Real, np.bool_)) else str(value)


def fingerprint(fit: AnyFit) -> str:
    """`data_fingerprint` of all that a fit of any kind was made from."""
    return data_fingerprint(runs_of(fit), fit.response, fit.region, *_others(fit),
                            further=_further(fit))


def columns_of(fit: AnyFit) -> list[str]:
    """The headings of what goes into `fingerprint`."""
    return [*fit.region.names, fit.response.name, *_others(fit), *_further(fit)]


def _others(fit: AnyFit) -> list[str]:
    names = [blocks_column(fit)]
    if isinstance(fit, MixedFit):
        names += [c for g in fit.groups for c in g.columns]
        # Attempts tell runs apart where runs are groups.
        names += ["attempt"] if "run" in names and "attempt" in fit.data else []
    return list(dict.fromkeys(n for n in names if n is not None))


def _further(fit: AnyFit) -> dict[str, np.ndarray]:
    """What each reading refers to, or leaves possible."""
    name = fit.response.name
    if isinstance(fit, CountFit):
        return {f"{name}, exposure": fit.exposure}
    if isinstance(fit, ProportionFit) and fit.counted:
        return {f"{name}, trials": fit.trials}
    if isinstance(fit, CensoredFit):
        return {f"{name}, at least": fit.low, f"{name}, at most": fit.high}
    return {}

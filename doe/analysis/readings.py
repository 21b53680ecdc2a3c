"""From a table of runs to what a model is fitted to: readings, blocks, and the terms asked for."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from doe import terms as model_terms
from doe.analysis.estimable import largest_model
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["blocks_of", "numbers", "readings", "wanted_terms"]

_FAR = 1e100


def numbers(data: pd.DataFrame, name: str) -> np.ndarray:
    """A column as floats, NaN where empty; shape (n,).

    Raises
    ------
    InputError
        If the column is missing or a value is no number.
    """
    if name not in data:
        raise InputError("data, column", name, "it is missing",
                         "The data have: " + ", ".join(map(str, data.columns)))
    try:
        values = data[name].to_numpy(float, na_value=np.nan)
    except (TypeError, ValueError):
        readable = pd.to_numeric(data[name], errors="coerce").notna()
        bad = data[name][~readable & data[name].notna()].iloc[0]
        raise InputError(f"data, column '{name}'", bad, "this is not a number",
                         "Give measurements as numbers, or leave the cell empty") from None
    if np.isinf(values).any():
        raise InputError(f"data, column '{name}'", values[np.isinf(values)][0],
                         "this is not finite", "Correct the measurement, or leave the cell empty")
    return values


def readings(data: pd.DataFrame, response: Response,
             present: np.ndarray | None = None) -> tuple[pd.DataFrame, np.ndarray, list[str]]:
    """Rows with a reading, the readings, and a remark if rows were left out.

    Parameters
    ----------
    data : DataFrame
    response : Response
    present : ndarray of bool, optional
        The rows to use, where that is more than having a number.
    """
    values = numbers(data, response.name)
    if present is None:
        present = ~np.isnan(values)
    remarks = []
    if not present.all():
        gaps = int((~present).sum())
        have, are = ("has", "is") if gaps == 1 else ("have", "are")
        remarks.append(f"{gaps} of {len(data)} runs {have} no measurement of {response.label} "
                       f"and {are} left out.")
    if present.sum() < 2:
        raise InputError(f"data, column '{response.name}'", int(present.sum()), "fewer than two "
                         "runs have a measurement", "Record more runs first")
    if response.scale != "log":
        _refuse_beyond_reckoning(response, values[present])
    return data.loc[present], values[present], remarks


def _refuse_beyond_reckoning(response: Response, values: np.ndarray) -> None:
    """Refuse readings whose squares, and sums of these, the computer's numbers do not hold."""
    far = values[np.abs(values).argmax()]
    if abs(far) > _FAR or 0 < abs(far) < 1 / _FAR:
        raise InputError(f"data, column '{response.name}'", float(far), "its square is beyond what "
                         "can be reckoned with", "Correct the measurement, or give it in another "
                         "unit or on the log scale")


def blocks_of(data: pd.DataFrame, column: str | None) -> pd.Series | None:
    """The column of the blocks; None if there is none, or one block only.

    Raises
    ------
    InputError
        If a run has no block.
    """
    if column is None or column not in data:
        return None
    blocks = data[column]
    if blocks.isna().any():
        raise InputError(f"data, column '{column}'", None, "a run has no block",
                         "Fill it in, or pass blocks=None")
    return blocks if blocks.nunique() > 1 else None


def wanted_terms(region: Region, data: pd.DataFrame, terms: Sequence[Term] | str | None,
                 blocks: pd.Series | None) -> tuple[Sequence[Term], Sequence[Term], list[str]]:
    """The terms asked for, by themselves, a formula or a model's name; None asks for as many as the
    settings support.

    Returns
    -------
    wanted, refused, remarks
        As of `doe.analysis.estimable.largest_model`; the last two are empty for terms given.
    """
    if terms is None:
        return largest_model(region, data, blocks)
    if not isinstance(terms, str) and not len(terms):
        return (), [], []  # the mean alone
    return model_terms.read_terms(region, terms), [], []

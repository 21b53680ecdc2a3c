"""The runs a model is fitted to: readings, model columns, and what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import terms as model_terms
from doe.analysis.estimable import Columns, estimable, largest_model
from doe.errors import InputError
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["Rows", "numbers", "prepare", "readings"]

RUNS_PER_COLUMN = 2
"""Informative runs for each model column that a model chosen unasked must leave (common practice,
no source)."""


@dataclass(frozen=True, eq=False)
class Rows:
    """Runs with a reading, and the model's columns for them.

    Attributes
    ----------
    response : Response
    region : Region
    data : DataFrame
        The rows used.
    columns : Columns
        The model's columns in coded units, block columns included.
    aliased : DataFrame
        See `doe.analysis.estimable.estimable`.
    blocks : Series or None
    remarks : tuple of str
        What happened to rows and terms on the way.
    selection : str
        How the terms were chosen from the data, if they were.
    """

    response: Response
    region: Region
    data: pd.DataFrame
    columns: Columns
    aliased: pd.DataFrame
    blocks: pd.Series | None
    remarks: tuple[str, ...]
    selection: str

    @property
    def matrix(self) -> np.ndarray:
        """The model's columns; shape (n, p)."""
        return self.columns.matrix.to_numpy()


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
    return data.loc[present], values[present], remarks


def prepare(data: pd.DataFrame, response: Response, region: Region,
            terms: Sequence[Term] | str | None, blocks: str | None, remarks: Sequence[str],
            informative: int, selection: str = "") -> Rows:
    """Model columns for the rows; terms that cannot be estimated are left out and said.

    Parameters
    ----------
    data : DataFrame
        Rows with a reading.
    terms : sequence of Term, formula, model name or None
        None takes the largest hierarchical model of second order that the settings support, or
        main effects alone where there would be fewer than two informative runs a column.
    blocks : str or None
        Column of the blocks.
    informative : int
        How many runs' worth of information there is, at most.
    """
    remarks = list(remarks)
    block = _blocks(data, blocks)
    refused: Sequence[Term] = []
    if terms is None:
        wanted, refused, said = largest_model(region, data, block)
        powers, _ = model_terms.exponents(region, wanted)
        simple = model_terms.standard_terms(region, "linear")
        if informative < RUNS_PER_COLUMN * len(powers) and len(wanted) > len(simple):
            wanted, refused, said = simple, [], [
                "Main effects only: the runs say too little for interactions or squares. Name the "
                "terms to have others."]
        remarks += said
    elif isinstance(terms, str):
        wanted = (model_terms.standard_terms(region, terms) if terms in model_terms.MODELS
                  else model_terms.parse(terms, region))
    else:
        wanted = tuple(terms)
    columns, aliased = estimable(region, data, wanted, block, refused)
    return Rows(response, region, data, columns, aliased, block, tuple(remarks), selection)


def _blocks(data: pd.DataFrame, column: str | None) -> pd.Series | None:
    if column is None or column not in data:
        return None
    blocks = data[column]
    if blocks.isna().any():
        raise InputError(f"data, column '{column}'", None, "a run has no block",
                         "Fill it in, or pass blocks=None")
    return blocks if blocks.nunique() > 1 else None

"""The runs a model is fitted to: readings, model columns, and what was left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from doe import terms as model_terms
from doe.analysis.estimable import Columns, estimable
from doe.analysis.readings import blocks_of, wanted_terms
from doe.factors import Region
from doe.responses import Response
from doe.terms import Term

__all__ = ["Rows", "prepare"]

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
    block = blocks_of(data, blocks)
    wanted, refused, said = wanted_terms(region, data, terms, block)
    if terms is None:
        powers, _ = model_terms.exponents(region, wanted)
        simple = model_terms.standard_terms(region, "linear")
        if informative < RUNS_PER_COLUMN * len(powers) and len(wanted) > len(simple):
            wanted, refused, said = simple, [], [
                "Main effects only: the runs say too little for interactions or squares. Name the "
                "terms to have others."]
    columns, aliased = estimable(region, data, wanted, block, refused)
    return Rows(response, region, data, columns, aliased, block, (*remarks, *said),
                selection)

"""What the tests of response kinds share."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from doe import Factor, Region

REFERENCES = Path(__file__).parent / "references"


def reference(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCES / f"{name}.csv", comment="#")


def coded(*names: str) -> Region:
    return Region([Factor(n, -1, 1) for n in names])


def factorial(names: str, replicates: int = 1) -> pd.DataFrame:
    """Runs at all corners of the coded region, in standard order."""
    corners = [row[::-1] for row in product([-1.0, 1.0], repeat=len(names))]
    return pd.DataFrame(corners * replicates, columns=list(names))


def column(model, name: str, intervals: str = "profile") -> np.ndarray:
    """A column of the coefficients' table."""
    return model.coefficient_table(intervals)[name].to_numpy()


WARPBREAKS = Region([Factor.categorical("wool", ["A", "B"]),
                     Factor.categorical("tension", ["L", "M", "H"])])

"""Columns of many rows are told apart by their triangle: the same verdicts as from all rows."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doe import Factor, Region, Response
from doe.analysis import estimable as module
from doe.analysis import fit
from doe.analysis.estimable import estimable
from doe.terms import parse

REGION = Region([Factor("a", -1, 1), Factor("b", -1, 1), Factor("c", -1, 1),
                 Factor.categorical("cup", ["steel", "glass", "polymer"])])


def many(rows: int = 3000) -> pd.DataFrame:
    """c is nearly a times b; no run has glass and a high a together."""
    rng = np.random.default_rng(1)
    data = pd.DataFrame({"a": rng.choice([-1.0, 1.0], rows), "b": rng.choice([-1.0, 1.0], rows)})
    data["c"] = data["a"] * data["b"]
    data["cup"] = np.where(data["a"] > 0, rng.choice(["steel", "polymer"], rows),
                           rng.choice(["steel", "glass", "polymer"], rows))
    data["block"] = rng.integers(1, 4, rows)
    return data


@pytest.mark.parametrize("formula", ["(a + b + c)**2", "(a + b + c + cup)**2 + a:a",
                                     "a + b + cup"])
def test_the_triangle_tells_the_same_as_all_rows(formula, monkeypatch):
    data = many()
    terms = parse(formula, REGION)
    short, aliased = estimable(REGION, data, terms, data["block"])
    monkeypatch.setattr(module, "MANY_ROWS", len(data) + 1)
    whole, every = estimable(REGION, data, terms, data["block"])
    assert short.owner == whole.owner
    pd.testing.assert_frame_equal(short.matrix, whole.matrix)
    pd.testing.assert_frame_equal(aliased, every)
    assert len(aliased)


def test_a_fit_of_many_rows_is_that_of_least_squares():
    data = many().drop(columns="block")
    rng = np.random.default_rng(2)
    data["y"] = 3 + data["a"] - 2 * data["b"] + rng.normal(size=len(data))
    model = fit(data, Response("y"), REGION, "a + b + c")
    x = np.column_stack([np.ones(len(data)), data[["a", "b", "c"]]])
    np.testing.assert_allclose(model.coefficients, np.linalg.lstsq(x, data["y"], rcond=None)[0],
                               rtol=1e-10)

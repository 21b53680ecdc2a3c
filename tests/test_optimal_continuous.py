"""The continuous optimum, against what is known in closed form or solved another way."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.polynomial import Legendre
from scipy.optimize import minimize

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning.candidates import Space
from doe.planning.continuous import continuous_optimum, optimum_over
from doe.planning.criteria import Criterion, criterion_for, moments
from doe.terms import INTERCEPT, Term, model_matrix, standard_terms


def cube(k, constraints=()):
    return Region([Factor(c, -1, 1) for c in "abcdefgh"[:k]], constraints)


def information(region, optimum, terms):
    X = model_matrix(region, optimum.table, terms).to_numpy()
    return (X.T * optimum.table["weight"].to_numpy()) @ X


# ---- one factor: closed forms ---------------------------------------------------------------

# Polynomial of degree d on [-1, 1]: equal weights at the zeros of (1 − x²) P'_d(x), P_d
# Legendre (Guest 1958, Hoel 1958; Fedorov 1972, section 2.3). d = 2: 1/3 at −1, 0, 1.
@pytest.mark.parametrize("degree", [1, 2, 3, 4, 5])
def test_polynomial_in_one_factor(degree):
    terms = [INTERCEPT, *(Term(*"a" * i) for i in range(1, degree + 1))]
    optimum = continuous_optimum(cube(1), terms=terms, tolerance=1e-6)
    table = optimum.table.sort_values("a")
    inner = Legendre.basis(degree).deriv().roots()
    assert table["a"].to_numpy() == pytest.approx(np.sort([-1, *inner, 1]), abs=2e-3)
    assert table["weight"].to_numpy() == pytest.approx(1 / (degree + 1), abs=1e-3)
    assert optimum.gap <= 1e-6


# a + b x + c x² on [-1, 1]: A-optimal weights 1/4, 1/2, 1/4 (Atkinson, Donev & Tobias 2007,
# section 10; from memory). Both criteria solved here again as a problem in one weight.
@pytest.mark.parametrize("criterion", ["A", "I"])
def test_quadratic_in_one_factor_for_mean_variances(criterion):
    X = np.vander([-1.0, 0.0, 1.0], 3, increasing=True)
    W = np.eye(3) if criterion == "A" else np.array([[1, 0, 1 / 3], [0, 1 / 3, 0],
                                                     [1 / 3, 0, 1 / 5]])

    def trace(w):
        return np.trace(W @ np.linalg.inv((X.T * [w[0], 1 - 2 * w[0], w[0]]) @ X))

    w = minimize(trace, [0.3], bounds=[(0.05, 0.45)], tol=1e-12)
    optimum = continuous_optimum(cube(1), criterion=criterion, tolerance=1e-8)
    weights = optimum.table.sort_values("a")["weight"].to_numpy()
    assert weights == pytest.approx([w.x[0], 1 - 2 * w.x[0], w.x[0]], abs=1e-4)
    assert 1 / optimum.merit == pytest.approx(w.fun, rel=1e-6)
    assert w.x[0] == pytest.approx(0.25, abs=1e-4)


# ---- cubes ----------------------------------------------------------------------------------

@pytest.mark.parametrize("model", ["linear", "interactions"])
def test_factorial_is_optimal_without_squares(model):
    optimum = continuous_optimum(cube(4), model=model)
    assert optimum.merit == pytest.approx(1, abs=1e-9)
    assert optimum.gap < 1e-9
    assert (optimum.table[list("abcd")].abs() == 1).all(axis=None)


def by_orbits(k):
    """|M|^(1/p) of the best weights on the k + 1 kinds of points of the 3^k lattice.

    By symmetry the optimum may be taken to weigh all points with the same number of zeros alike
    (Kiefer 1961). M then has only the moments u = E x_i² and v = E x_i² x_j², and |M| is
    u^k v^(k (k − 1) / 2) (u − v)^(k − 1) (u + (k − 1) v − k u²): a problem in k + 1 weights
    for a general-purpose optimiser.
    """
    s = np.arange(k + 1)

    def loss(w):
        u, v = w @ s / k, w @ (s * (s - 1)) / (k * (k - 1))
        parts = np.maximum([u, v, u - v, u + (k - 1) * v - k * u * u], 1e-12)
        return -np.log(parts) @ [k, k * (k - 1) / 2, k - 1, 1]

    best = minimize(loss, np.full(k + 1, 1 / (k + 1)), bounds=[(0, 1)] * (k + 1), tol=1e-12,
                    constraints={"type": "eq", "fun": lambda w: w.sum() - 1})
    return np.exp(-best.fun / ((k + 1) * (k + 2) / 2))


@pytest.mark.parametrize("k", [2, 3, 4, 5, 7])
def test_quadratic_on_cube(k):
    optimum = continuous_optimum(cube(k))
    assert optimum.merit == pytest.approx(by_orbits(k), rel=2e-5)


def test_quadratic_on_square_has_published_weights():
    # 0.1458 on each corner, 0.0802 on each edge middle, 0.0962 at the centre, |M| = 0.01143
    # (Atkinson, Donev & Tobias 2007, section 11.5; from memory; they agree with `by_orbits`).
    optimum = continuous_optimum(cube(2), tolerance=1e-8)
    table = optimum.table
    zeros = (table[["a", "b"]].abs() < 1e-6).sum(axis=1)
    weights = [table["weight"][zeros == z].mean() for z in range(3)]
    assert weights == pytest.approx([0.1458, 0.0802, 0.0962], abs=2e-4)
    assert optimum.merit**6 == pytest.approx(0.01143, abs=5e-6)


def test_categories_are_weighed_alike():
    region = Region([Factor.categorical("cup", ["jar", "tube", "bottle"]), Factor("a", 0, 5)])
    table = continuous_optimum(region, model="linear").table
    assert table.groupby("cup")["weight"].sum().to_numpy() == pytest.approx(1 / 3, abs=1e-4)
    assert set(table["a"]) == {0.0, 5.0}


# ---- balls and simplices --------------------------------------------------------------------

@pytest.mark.parametrize("k", [2, 3])
def test_quadratic_in_a_ball(k):
    # 1 / p on the centre, the rest spread evenly over the sphere (Kiefer 1961; Atkinson, Donev &
    # Tobias 2007, section 11.5). Over the unit sphere x_i² has mean 1/k and x_i² x_j² mean
    # 1/(k (k + 2)), x_i⁴ three times as much; |M| as in `by_orbits`, but for x_i⁴.
    p = (k + 1) * (k + 2) // 2
    u, v = (1 - 1 / p) / k, (1 - 1 / p) / (k * (k + 2))
    det = u**k * v ** (k * (k - 1) / 2) * (2 * v) ** (k - 1) * ((k + 2) * v - k * u * u)
    names = "abc"[:k]
    region = cube(k, [" + ".join(f"{c} * {c}" for c in names) + " <= 1"])
    optimum = continuous_optimum(region)
    radius = np.sqrt((optimum.table[list(names)] ** 2).sum(axis=1))
    assert optimum.merit == pytest.approx(det ** (1 / p), rel=1e-6)
    assert optimum.table["weight"][radius < 1e-3].sum() == pytest.approx(1 / p, abs=1e-5)
    assert radius[radius > 1e-3].min() > 0.99999


def test_quadratic_on_disc_by_a_rule_known_as_function_only():
    # As above; any equally spaced five points or more have the circle's moments.
    angle = 2 * np.pi * np.arange(7) / 7
    x, y = np.cos(angle), np.sin(angle)
    X = np.column_stack([np.ones(7), x, y, x * x, y * y, x * y])
    M = 5 / 6 * X.T @ X / 7
    M[0, 0] += 1 / 6
    optimum = continuous_optimum(cube(2), allowed=lambda s: (s.a**2 + s.b**2 <= 1).to_numpy())
    radius = np.hypot(optimum.table["a"], optimum.table["b"])
    assert optimum.merit == pytest.approx(np.linalg.det(M) ** (1 / 6), rel=1e-5)
    assert optimum.table["weight"][radius < 1e-3].sum() == pytest.approx(1 / 6, abs=1e-3)
    assert (radius <= 1).all()
    assert radius[radius > 1e-3].min() > 0.999


def test_simplex_vertices_for_the_linear_model():
    region = Region([Factor(c, 0, 1) for c in "abc"], ["a + b + c <= 1"])
    table = continuous_optimum(region, model="linear", tolerance=1e-8).table.sort_values("a")
    assert len(table) == 4
    assert table["weight"].to_numpy() == pytest.approx(1 / 4, abs=1e-4)
    assert table[["a", "b", "c"]].sum().to_numpy() == pytest.approx(1, abs=1e-5)


def test_simplex_lattice_for_the_quadratic_model():
    # Scheffé's {3, 2} lattice, vertices and middles of edges alike (Kiefer 1961).
    region = Region([Factor(c, 0, 1) for c in "ab"], ["a + b <= 1"])
    table = continuous_optimum(region, tolerance=1e-7).table
    found = {(round(a, 2), round(b, 2)) for a, b in zip(table["a"], table["b"], strict=True)}
    assert found == {(0, 0), (1, 0), (0, 1), (0.5, 0), (0, 0.5), (0.5, 0.5)}
    assert table["weight"].to_numpy() == pytest.approx(1 / 6, abs=2e-3)


# ---- the certificate ------------------------------------------------------------------------

CONSTRAINTS = st.lists(st.sampled_from(
    ["a + b <= 0.5", "a * b >= -0.4", "a - c <= 0.8", "b * c <= 0.3", "2 a + b + c >= -2"]),
    max_size=2, unique=True)


@settings(max_examples=8)
@given(CONSTRAINTS, st.sampled_from(["D", "A", "I"]),
       st.sampled_from(["linear", "interactions", "quadratic"]), st.integers(0, 99))
def test_equivalence_theorem(constraints, criterion, model, seed):
    """No point inside has more than the mean sensitivity, but for the gap that is stated."""
    region = cube(3, constraints)
    terms = standard_terms(region, model)
    optimum = continuous_optimum(region, terms=terms, criterion=criterion, tolerance=1e-4)
    M = information(region, optimum, terms)
    inverse = np.linalg.inv(M)
    space = Space(region, terms)
    W = {"D": M, "A": np.eye(len(M)), "I": moments(space)}[criterion]
    B = inverse @ W @ inverse
    assert float(Criterion(criterion, None if criterion == "D" else W).merit(M)) == pytest.approx(
        optimum.merit)
    rows = space.rows(space.scatter(2000, seed))
    sensitivity = np.einsum("ni,ij,nj->n", rows, B, rows)
    assert sensitivity.max() <= np.trace(W @ inverse) / (1 - optimum.gap) * (1 + 1e-9)
    assert optimum.gap <= 1e-4
    assert optimum.table["weight"].sum() == pytest.approx(1)
    assert region.contains(optimum.table).all()


@settings(max_examples=10)
@given(CONSTRAINTS, st.integers(0, 10**6))
def test_no_plan_passes_the_bound(constraints, seed):
    region = cube(3, constraints)
    space = Space(region, standard_terms(region, "quadratic"))
    criterion = criterion_for("D", space)
    optimum = optimum_over(space, criterion, tolerance=1e-3)
    plans = space.scatter(400, seed % 97)[np.random.default_rng(seed).integers(0, 400, (50, 14))]
    rows = space.rows(plans)
    merits = criterion.merit(rows.swapaxes(1, 2) @ rows) / 14
    assert merits.max() <= optimum.merit / (1 - optimum.gap)


def test_runs_that_stay_are_reckoned_with():
    # One factor, straight line, all runs but a share at x = 1: what is left goes to x = −1 until
    # both ends weigh the same.
    space = Space(cube(1), standard_terms(cube(1), "linear"))
    f = np.array([1.0, 1.0])
    optimum = optimum_over(space, Criterion("D"), fixed=0.3 * np.outer(f, f), share=0.7)
    weights = dict(zip(optimum.table["a"], optimum.table["weight"], strict=True))
    assert weights[-1.0] * 0.7 == pytest.approx(0.5, abs=1e-3)
    assert optimum.merit == pytest.approx(1.0, rel=1e-4)


def test_terms_that_cannot_be_told_apart_are_named():
    region = Region([Factor.settable("a", [0, 1]), Factor("b", 0, 1)])
    with pytest.raises(InputError, match=r"a \*\* 2.*cannot be told apart"):
        continuous_optimum(region, terms="a + b + I(a**2)")


def test_empty_region_is_refused():
    with pytest.raises(InputError, match="may be run"):
        continuous_optimum(cube(2), allowed=lambda s: (s.a > 2).to_numpy())


def test_sentence_states_the_gap():
    optimum = continuous_optimum(cube(2, ["a + b <= 0.7"]), tolerance=1e-3)
    assert "no plan can be" in optimum.sentence
    assert f"{len(optimum.table)} points" in optimum.sentence

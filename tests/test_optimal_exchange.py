"""Exchanges: update formulas against direct inverses, results against enumeration."""

from itertools import combinations_with_replacement, product

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.factors import Factor, Region
from doe.planning.candidates import Space
from doe.planning.criteria import after_swap, criterion_for, moments, prior_precision
from doe.planning.exchange import exchange_coordinates, exchange_rows
from doe.planning.settle import block_columns
from doe.terms import parse, standard_terms


def cube(k, constraints=()):
    return Region([Factor(c, -1, 1) for c in "abcdef"[:k]], constraints)


def case(k, model, constraints=()):
    region = cube(k, constraints)
    space = Space(region, standard_terms(region, model))
    return space, space.lattice(space.coarse(), 10**5)


# ---- formulas -------------------------------------------------------------------------------

@given(st.integers(0, 10**6), st.integers(1, 7), st.integers(0, 5))
def test_update_is_the_direct_inverse(seed, p, spare):
    rng = np.random.default_rng(seed)
    X = rng.normal(size=(3, p + spare + 1, p))
    M = X.swapaxes(1, 2) @ X + 0.1 * np.eye(p)
    add, drop = rng.normal(size=(3, p)), X[:, 0]
    W = np.diag(rng.uniform(size=p))
    D = np.linalg.inv(M)
    inverse, gradient, ratio = after_swap(D, add, drop, D @ W @ D)
    new = M + add[:, :, None] * add[:, None] - drop[:, :, None] * drop[:, None]
    expected = np.linalg.inv(new)
    scale = np.abs(expected).max()
    assert np.allclose(inverse, expected, atol=1e-8 * scale, rtol=1e-7)
    assert np.allclose(gradient, expected @ W @ expected, atol=1e-8 * scale**2, rtol=1e-6)
    assert np.allclose(ratio, np.linalg.det(new) / np.linalg.det(M), rtol=1e-7)


@given(st.integers(0, 10**6))
def test_model_row_along_one_factor(seed):
    """The row rebuilt from a factor's basis is the row."""
    rng = np.random.default_rng(seed)
    region = Region([Factor("a", 0, 4), Factor.categorical("cup", ["x", "y", "z"]),
                     Factor("b", -3, 9)])
    space = Space(region, parse("(a + cup + b)**3 + I(a**2) + I(b**3) + I(a**2):b", region))
    points = np.column_stack([rng.uniform(-1, 1, 5), rng.integers(0, 3, 5),
                              rng.uniform(-1, 1, 5)])
    encoded = space.encode(points)
    for j, along in enumerate(space.along):
        others = np.prod(encoded[:, along.picks], axis=2)
        rebuilt = along.basis(points[:, j]) @ along.mask * others
        assert np.allclose(rebuilt, space.rows(points))


def test_model_rows_agree_with_the_ground_floor():
    from doe.terms import model_matrix

    region = Region([Factor("a", 2, 4), Factor.categorical("cup", ["x", "y", "z"]),
                     Factor.settable("b", [1, 2, 5])])
    terms = standard_terms(region, "quadratic")
    space = Space(region, terms)
    settings = region.grid(4)
    assert np.allclose(space.rows(space.points(settings)),
                       model_matrix(region, settings, terms).to_numpy())
    assert space.settings(space.points(settings)).equals(settings)


def test_moments_are_the_mean_over_the_region():
    region = Region([Factor("a", 2, 4), Factor.categorical("cup", ["x", "y", "z"]),
                     Factor.settable("b", [1, 2, 5])])
    space = Space(region, standard_terms(region, "quadratic"))
    nodes, weights = np.polynomial.legendre.leggauss(5)
    points = np.array(list(product(nodes, range(3), region["b"].code([1, 2, 5]))))
    mass = np.repeat(weights / 2, 9) / 9
    rows = space.rows(points)
    assert np.allclose(moments(space), (rows.T * mass) @ rows)
    rule = Space(region, space.terms, allowed=lambda s: np.ones(len(s), bool))
    assert np.allclose(moments(rule), moments(space), atol=0.02)


# ---- enumeration ----------------------------------------------------------------------------

# Every multiset of n of the 3^2 lattice's points; saturated and nearly so.
@pytest.mark.parametrize(("runs", "name"), [(6, "D"), (7, "D"), (6, "I"), (6, "A")])
def test_best_of_all_plans_on_nine_points(runs, name):
    space, points = case(2, "quadratic")
    criterion = criterion_for(name, space)
    rows = space.rows(points)
    every = np.array(list(combinations_with_replacement(range(9), runs)))
    X = rows[every]
    best = criterion.merit(X.swapaxes(1, 2) @ X).max()
    start = np.random.default_rng(1).integers(0, 9, (60, runs))
    zero = np.zeros((6, 6))
    for found in (
        points[exchange_rows(rows, start, zero, weights=criterion.weights)],
        exchange_coordinates(space, points[start], zero, lambda here, j: space.coarse()[j],
                             weights=criterion.weights),
    ):
        X = space.rows(found)
        assert criterion.merit(X.swapaxes(1, 2) @ X).max() == pytest.approx(best, rel=1e-9)


def test_best_of_all_blocked_plans():
    """Two blocks of two and three runs, three factors to be found from all 8^5 assignments."""
    space, points = case(2, "linear")
    tails, block = block_columns([0, 1]), np.array([0, 0, 1, 1, 1])
    rows = space.rows(points)
    every = np.array(list(product(range(4), repeat=5)))
    X = np.concatenate([rows[every], np.broadcast_to(tails[block], (len(every), 5, 1))], axis=2)
    best = np.linalg.det(X.swapaxes(1, 2) @ X).max()
    start = np.random.default_rng(2).integers(0, 4, (40, 5))
    zero = np.zeros((4, 4))
    for found in (
        points[exchange_rows(rows, start, zero, tails=tails, block=block)],
        exchange_coordinates(space, points[start], zero, lambda here, j: space.coarse()[j],
                             tails=tails[block]),
    ):
        X = np.concatenate([space.rows(found), np.broadcast_to(tails[block], (40, 5, 1))], axis=2)
        assert np.linalg.det(X.swapaxes(1, 2) @ X).max() == pytest.approx(best, rel=1e-9)


@pytest.mark.parametrize("name", ["D", "I", "A"])
def test_result_cannot_be_bettered_by_one_exchange(name):
    space, points = case(3, "quadratic", ["a + b <= 0.6"])
    criterion = criterion_for(name, space)
    rows = space.rows(points)
    kept = rows[:2].T @ rows[:2]
    start = np.random.default_rng(3).integers(0, len(points), (5, 12))
    found = exchange_rows(rows, start, kept, weights=criterion.weights)
    X = rows[found]
    M = X.swapaxes(1, 2) @ X + kept
    merit = criterion.merit(M)
    began = rows[start]
    assert (merit >= criterion.merit(began.swapaxes(1, 2) @ began + kept)).all()
    swapped = (M[:, None, None] - (X[..., :, None] * X[..., None, :])[:, :, None]
               + rows[:, :, None] * rows[:, None, :])
    assert (criterion.merit(swapped).max(axis=(1, 2)) <= merit * (1 + 1e-6)).all()


def test_saturated_plan_of_box_and_draper():
    # Six runs, full quadratic in two factors, any setting in the square: the best known has the
    # points below (Box & Draper 1971, from memory). Polishing must reach it.
    from doe.planning import optimal

    s = (4 - np.sqrt(13)) / 3
    space, _ = case(2, "quadratic")
    published = space.rows(np.array([[-1, -1], [1, -1], [-1, 1], [-s, -s], [1, 3 * s],
                                     [3 * s, 1]]))
    plan = optimal.optimal_plan(cube(2), runs=6, seed=1)
    rows = space.rows(plan.settings.to_numpy())
    ratio = (np.linalg.det(rows.T @ rows) / np.linalg.det(published.T @ published)) ** (1 / 6)
    assert ratio == pytest.approx(1, abs=2e-5)


def test_coordinates_stay_inside():
    space, points = case(3, "quadratic", ["a * b <= 0.3", "a + b + c >= -1.5"])

    def levels(here, j):
        return np.linspace(-1, 1, 11)

    start = points[np.random.default_rng(5).integers(0, len(points), (8, 11))]
    found = exchange_coordinates(space, start, np.zeros((10, 10)), levels)
    assert space.feasible(found).all()
    assert not np.array_equal(found, start)


# ---- prior ----------------------------------------------------------------------------------

def test_prior_scales_potential_columns_to_a_range_of_one():
    # DuMouchel & Jones (1994): residuals of the potential columns on the primary ones, over the
    # candidates, divided by their range; precision 1 / tau² each.
    region = cube(2)
    space = Space(region, standard_terms(region, "quadratic"))
    rows = space.rows(space.lattice(space.coarse(), 100))
    primary = [0, 1, 2]
    prior = prior_precision(space, 3, 2.0, rows)
    # Over the 3^2 lattice, ab has range 2 and mean 0; a² has range 1 about its mean.
    assert np.allclose(np.diag(prior), [0, 0, 0, 4 / 4, 1 / 4, 1 / 4])
    assert np.count_nonzero(prior) == 3
    # Same determinant as in the scaled columns themselves, up to the constant |T|².
    first, rest = rows[:, primary], rows[:, 3:]
    Z = rest - first @ np.linalg.lstsq(first, rest, rcond=None)[0]
    U = np.hstack([first, Z / np.ptp(Z, axis=0)])
    plan = np.random.default_rng(0).integers(0, 9, (4, 7))
    ours = np.linalg.det(rows[plan].swapaxes(1, 2) @ rows[plan] + prior)
    theirs = np.linalg.det(U[plan].swapaxes(1, 2) @ U[plan] + np.diag([0, 0, 0, 1, 1, 1]) / 4)
    assert np.allclose(ours / theirs, ours[0] / theirs[0])

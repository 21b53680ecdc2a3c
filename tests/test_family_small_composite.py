"""Small composite plans and their cubes."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import appraise, central_composite
from doe.planning.composite import small_composite
from doe.planning.cubes import small_cube
from doe.planning.hadamard import balanced_columns
from doe.terms import model_matrix
from doe.wording import digits


def plain_region(k):
    return Region([Factor(f"x{j}", -1, 1) for j in range(k)])


def interactions(X):
    a, b = np.triu_indices(X.shape[1], 1)
    return X[:, a] * X[:, b]


# Cube and axial points, Hartley (1959) for 3, 4 and 6 factors, Draper & Lin (1990) for 5 and 7
# (before they leave out repeated points; from memory). The other sizes are derived: the cube
# needs at least as many runs as there are interactions.
@pytest.mark.parametrize(("k", "points"), [(3, 10), (4, 16), (5, 22), (6, 28), (7, 38), (8, 48),
                                           (9, 58), (10, 68)])
def test_sizes_and_that_every_term_can_be_estimated(k, points):
    plan = small_composite(plain_region(k), centre_points=1, seed=1)
    assert (plan.runs["point"] != "centre").sum() == points
    assert appraise(plan).table["estimable"].all()
    assert points >= (k + 1) * (k + 2) // 2 - 1
    X = small_cube(k).columns()
    assert np.linalg.matrix_rank(interactions(X)) == k * (k - 1) // 2
    assert np.array_equal(X.T @ X, len(X) * np.eye(k))
    assert not X.sum(axis=0).any()
    assert plan.family == "small composite"


@pytest.mark.parametrize("k", [3, 4, 6])
def test_regular_cubes_have_words_of_three_but_none_of_four(k):
    lengths = [word.bit_count() for word, _ in small_cube(k).words]
    assert 3 in lengths
    assert 4 not in lengths
    X = small_cube(k).columns()
    P = interactions(X)
    assert np.array_equal(P.T @ P, len(X) * np.eye(P.shape[1]))  # resolution III*


def test_five_factors_take_the_best_columns_of_the_twelve_run_plan():
    H = balanced_columns(12)
    best = max(np.linalg.det(interactions(H[:, c]).T @ interactions(H[:, c]))
               for c in map(list, combinations(range(11), 5)))
    P = interactions(small_cube(5).columns())
    assert np.linalg.det(P.T @ P) == pytest.approx(best)


@pytest.mark.parametrize("k", [7, 8, 9, 10])
def test_no_exchange_of_one_column_is_better(k):
    cube = small_cube(k)
    H = balanced_columns(cube.runs)

    def size(columns):
        P = interactions(H[:, columns])
        return np.linalg.slogdet(P.T @ P)[1]

    own = size(list(cube.chosen))
    rng = np.random.default_rng(k)
    for _ in range(60):
        other = list(cube.chosen)
        other[rng.integers(k)] = rng.choice(np.setdiff1d(np.arange(cube.runs - 1), other))
        assert size(other) <= own + 1e-9


@pytest.mark.parametrize("axial", ["face-centred", "spherical", 1.5])
def test_standard_errors_are_those_of_the_appraisal(axial):
    plan = small_composite(plain_region(4), axial=axial, seed=1)
    error = appraise(plan).table.set_index("term")["standard_error"]
    main = error[[f"x{j}" for j in range(4)]].max()
    pairs = error.filter(like=":").max()
    assert any(f"{digits(main, 2)} (main effects) and {digits(pairs, 2)} (interactions)" in r
               for r in plan.remarks)
    usual = appraise(central_composite(plain_region(4), axial="face-centred", seed=1)).table
    assert main > 1.5 * usual.set_index("term")["standard_error"]["x0"]


def test_blocks_can_be_orthogonal():
    plan = small_composite(plain_region(5), axial="orthogonal blocks", blocks=2, seed=1)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()[:, 1:]
    means = pd.DataFrame(X).groupby(plan.runs["block"].to_numpy()).mean().to_numpy()
    assert np.abs(means - means[0]).max() < 1e-9


def test_mixer_and_limits():
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    region = default_region(mixer)
    plan = small_composite(region, mixer=mixer, seed=2)
    assert region.contains(plan.settings).all()
    assert appraise(plan).table["estimable"].all()


@pytest.mark.parametrize(("k", "options", "problem"), [
    (2, {}, "3 to 10"), (11, {}, "3 to 10"), (4, {"axial": "rotatable"}, "cannot be rotatable"),
    (4, {"blocks": 3}, "at most"), (4, {"axial": "round"}, "known choice")])
def test_what_cannot_be_made(k, options, problem):
    with pytest.raises(InputError, match=problem):
        small_composite(plain_region(k), **options)


def test_without_centre_points_it_is_still_a_plan():
    plan = small_composite(plain_region(4), axial="spherical", centre_points=0, seed=1)
    assert any("cannot separate" in r for r in plan.remarks)

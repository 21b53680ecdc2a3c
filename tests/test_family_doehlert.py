"""Doehlert's uniform shell."""

from itertools import permutations

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.distance import cdist

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import appraise, prediction_variance
from doe.planning.doehlert import doehlert_shell, shell
from doe.wording import digits


def plain_region(k):
    return Region([Factor(f"x{j}", -1, 1) for j in range(k)])


def rows(points):
    return {tuple(r) for r in (np.round(points, 3) + 0.0)}


def test_two_factors_make_the_published_hexagon():
    # Doehlert (1970): (±1, 0) and (±0.5, ±0.866).
    assert rows(shell(2)) == rows([(1, 0), (-1, 0), *((x, y) for x in (-0.5, 0.5)
                                                      for y in (-0.866, 0.866))])


def test_three_factors_make_the_published_cuboctahedron():
    # Doehlert (1970), as tabulated in textbooks (from memory): 0, 0.5, 1; 0.289, 0.577, 0.866;
    # 0.816.
    half = [(1, 0, 0), (0.5, 0.866, 0), (0.5, 0.289, 0.816), (0.5, -0.866, 0),
            (0.5, -0.289, -0.816), (0, 0.577, -0.816)]
    assert rows(shell(3)) == rows(half + [tuple(-v for v in p) for p in half])


@pytest.mark.parametrize("k", range(2, 9))
def test_every_point_and_the_centre_are_one_apart(k):
    points = np.vstack([np.zeros(k), shell(k)])
    assert len(points) == k * k + k + 1
    distance = cdist(points, points)
    np.fill_diagonal(distance, np.inf)
    assert distance.min() == pytest.approx(1)
    assert distance.min(axis=1) == pytest.approx(1)
    assert np.linalg.norm(points[1:], axis=1) == pytest.approx(1)
    # All angles are those between differences of two unit vectors of k + 1 dimensions.
    gram = np.round(2 * shell(k) @ shell(k).T)
    roots = np.array([a - b for a, b in permutations(np.eye(k + 1), 2)])
    assert np.array_equal(np.unique(gram, return_counts=True)[1],
                          np.unique(roots @ roots.T, return_counts=True)[1])


@pytest.mark.parametrize("k", range(2, 9))
def test_size_settings_and_reach(k):
    plan = doehlert_shell(plain_region(k), centre_points=1, seed=1)
    assert len(plan) == k * k + k + 1
    counts = plan.settings.round(9).nunique().to_list()
    assert counts == [5] + [7] * (k - 2) + [3]
    assert plan.settings.max().to_numpy() == pytest.approx(1)
    assert plan.settings.min().to_numpy() == pytest.approx(-1)
    assert appraise(plan).table["estimable"].all()


def test_the_hexagon_knows_the_distance_alone():
    plan = doehlert_shell(plain_region(2), seed=1)
    angle = np.linspace(0, 2 * np.pi, 23)
    for radius in (0.4, 0.9):
        around = pd.DataFrame({"x0": radius * np.cos(angle),
                               "x1": radius * np.sin(angle) / np.sqrt(0.75)})
        variance = prediction_variance(plan, around)
        assert np.ptp(variance) < 1e-9 * variance.max()


def test_the_corners_are_said_to_be_extrapolated():
    plan = doehlert_shell(plain_region(3), seed=1)
    corners = pd.DataFrame([(a, b, c) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1)],
                           columns=plan.region.names, dtype=float)
    worst = np.sqrt(prediction_variance(plan, corners).max())
    inside = np.sqrt(prediction_variance(plan, plan.settings).max())
    assert any(f"up to {digits(worst, 2)} times" in r and f"against {digits(inside, 2)} at" in r
               for r in plan.remarks)


def test_factors_that_are_hard_to_change_get_few_settings():
    region = Region((Factor("pressure", 2, 50, hard_to_change=True), *plain_region(2).factors,
                     Factor.settable("gap", [1, 2, 3])))
    plan = doehlert_shell(region, seed=1)
    assert plan.details["order"] == ["gap", "x0", "x1", "pressure"]
    assert plan.runs["pressure"].nunique() == 3
    turned = doehlert_shell(plain_region(3), order=["x2", "x0", "x1"], seed=1)
    assert turned.settings.round(9).nunique().to_dict() == {"x0": 7, "x1": 3, "x2": 5}
    assert any("x1 at 3 settings, x2 at 5 settings and x0 at 7 settings" in r
               for r in turned.remarks)


def test_mixer_limits_blocks_and_seed():
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    region = default_region(mixer)
    plan = doehlert_shell(region, mixer=mixer, replicates=2, blocks=2, centre_points=4, seed=5)
    assert region.contains(plan.settings).all()
    assert plan.blocks == 2
    assert len(plan) == 2 * 20 + 4
    assert plan == doehlert_shell(region, mixer=mixer, replicates=2, blocks=2, centre_points=4,
                                  seed=5)


@pytest.mark.parametrize(("region", "options", "problem"), [
    (plain_region(1), {}, "2 to 10"), (plain_region(11), {}, "2 to 10"),
    (plain_region(3), {"blocks": 2}, "as many blocks as replicates"),
    (plain_region(3), {"centre_points": 0}, "at least 1"),
    (plain_region(3), {"order": ["x0", "x1"]}, "every factor once"),
    (Region((*plain_region(2).factors, Factor.categorical("cup", ["P", "Q"]))), {}, "cup"),
    (Region((*plain_region(2).factors, Factor.settable("gap", [1, 2]))), {}, "gap")])
def test_what_cannot_be_made(region, options, problem):
    with pytest.raises(InputError, match=problem):
        doehlert_shell(region, **options)


def test_settings_are_counted_as_they_can_be_made():
    fine = [Factor("a", 0, 1), Factor("b", 0, 1)]
    coarse = Region([*fine, Factor("time", 60, 63, increment=2)])
    plan = doehlert_shell(coarse, seed=1)
    assert plan.settings["time"].nunique() == 2
    assert "time at 2 settings" in plan.remarks[0]
    assert not any("standard error" in r for r in plan.remarks)   # the model cannot be estimated
    assert "standard error" in doehlert_shell(Region(fine), seed=1).remarks[1]

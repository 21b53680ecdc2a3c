"""Central composite and Box–Behnken plans."""

import numpy as np
import pandas as pd
import pytest
from pyDOE3 import bbdesign

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning import appraise, box_behnken, central_composite, prediction_variance
from doe.planning.surface import axial_distance
from doe.terms import model_matrix


def plain_region(k):
    return Region([Factor(c, -1, 1) for c in "ABCDEFGHJK"[:k]])


def coded(plan, reach=1.0):
    return reach * plan.region.encode(plan.runs.sort_values("standard"))


# NIST/SEMATECH e-Handbook 5.3.3.6.1, table 3.23 (from memory): k, cube runs, α.
@pytest.mark.parametrize(("k", "cube", "alpha"), [
    (2, 4, 1.414), (3, 8, 1.682), (4, 16, 2.000), (5, 16, 2.000), (5, 32, 2.378),
    (6, 32, 2.378), (6, 64, 2.828)])
def test_rotatable_distance_as_in_handbook(k, cube, alpha):
    assert axial_distance("rotatable", factors=k, cube=cube) == pytest.approx(alpha, abs=6e-4)


# Orthogonal plans with one centre point: 1.000, 1.216 (1.215), 1.414 for k = 2, 3, 4
# (Box & Wilson 1951; Khuri & Cornell 1996, ch. 4; from memory).
@pytest.mark.parametrize(("k", "cube", "alpha"), [(2, 4, 1.0), (3, 8, 1.2154), (4, 16, 1.4142)])
def test_orthogonal_distance_as_published(k, cube, alpha):
    found = axial_distance("orthogonal", factors=k, cube=cube, cube_centre=1)
    assert found == pytest.approx(alpha, abs=1e-4)


# Orthogonal blocks (Box & Hunter 1957, table; from memory): centre points with all cube
# blocks and with the axial block, α.
@pytest.mark.parametrize(("k", "cube", "with_cube", "with_axial", "alpha"), [
    (2, 4, 3, 3, 1.4142), (3, 8, 4, 2, 1.6330), (4, 16, 4, 2, 2.0), (5, 16, 6, 1, 2.0)])
def test_distance_for_orthogonal_blocks_as_published(k, cube, with_cube, with_axial, alpha):
    found = axial_distance("orthogonal blocks", factors=k, cube=cube, cube_centre=with_cube,
                           axial_centre=with_axial)
    assert found == pytest.approx(alpha, abs=1e-4)


@pytest.mark.parametrize("k", [2, 3, 4, 5, 6])
@pytest.mark.parametrize("replicates", [1, 2])
def test_rotatable_plans_know_the_distance_alone(k, replicates):
    plan = central_composite(plain_region(k), replicates=replicates, seed=1)
    rng = np.random.default_rng(k)
    directions = rng.normal(size=(40, k))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    for radius in (0.3, 0.7, 1.0):
        points = pd.DataFrame(radius * directions, columns=plan.region.names)
        variance = prediction_variance(plan, points)
        assert np.ptp(variance) < 1e-9 * variance.max()


@pytest.mark.parametrize("k", [3, 4, 5])
def test_orthogonal_squares_are_uncorrelated(k):
    plan = central_composite(plain_region(k), axial="orthogonal", centre_points=4, replicates=2,
                             seed=1)
    squares = coded(plan)**2
    r = np.corrcoef(squares, rowvar=False)
    assert np.abs(r - np.eye(k)).max() < 1e-9


@pytest.mark.parametrize(("k", "blocks"), [(2, 2), (3, 2), (3, 3), (4, 2), (4, 3), (6, 3)])
def test_orthogonal_blocks_leave_the_model_alone(k, blocks):
    plan = central_composite(plain_region(k), axial="orthogonal blocks", blocks=blocks, seed=1)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()[:, 1:]
    means = pd.DataFrame(X).groupby(plan.runs["block"].to_numpy()).mean().to_numpy()
    assert np.abs(means - means[0]).max() < 1e-9
    assert any("Blocks are orthogonal" in r for r in plan.remarks)
    axial = plan.runs["point"] == "axial"
    assert set(plan.runs["block"][axial]) == {blocks}


def test_blocks_that_are_not_orthogonal_are_said_to_be():
    plan = central_composite(plain_region(3), blocks=2, centre_points=4, seed=1)
    assert any("not quite orthogonal" in r for r in plan.remarks)


@pytest.mark.parametrize(("k", "cube", "resolution"),
                         [(4, 16, None), (5, 16, 5), (6, 32, 6), (7, 64, 7), (8, 64, 5)])
def test_cube_is_the_smallest_of_resolution_five(k, cube, resolution):
    plan = central_composite(plain_region(k), seed=1)
    assert plan.details["cube_runs"] == cube
    assert plan.details["cube_resolution"] == resolution
    assert appraise(plan).table["estimable"].all()
    assert (plan.runs["point"] == "axial").sum() == 2 * k


def test_inside_keeps_the_limits_and_says_how():
    plan = central_composite(plain_region(3), seed=1)
    X = coded(plan)
    assert np.abs(X).max() == pytest.approx(1)
    corners = X[(plan.runs.sort_values("standard")["point"] == "factorial").to_numpy()]
    assert np.abs(corners) == pytest.approx(1 / 8**0.25)
    assert any("±0.595" in r for r in plan.remarks)
    assert central_composite(plain_region(3), axial="inscribed", seed=1).runs.equals(plan.runs)


def test_face_centred_points():
    plan = central_composite(plain_region(3), axial="face-centred", seed=1)
    assert set(np.unique(coded(plan))) == {-1, 0, 1}
    assert len(plan) == 8 + 6 + 3


SPEEDS = Region((Factor("revolution", 800, 1200, unit="rpm", increment=10),
                 Factor("rotation_ratio", 0.3, 0.4),
                 Factor("time", 120, 200, unit="s", increment=1)))
MIXER = Mixer("mixer", 150.0)


def test_beyond_widens_the_region():
    plan = central_composite(SPEEDS, scale="beyond", mixer=MIXER, seed=1)
    cube = plan.runs[plan.runs["point"] == "factorial"]
    assert set(cube["revolution"]) == {800, 1200}
    assert set(cube["time"]) == {120, 200}
    axial = plan.runs[plan.runs["point"] == "axial"]
    # Axial points at 1000 ± 1.682 · 200 rpm and 160 ± 1.682 · 40 s, in steps of 10 rpm and 1 s.
    assert {660, 1340} <= set(axial["revolution"])
    assert {93, 227} <= set(axial["time"])
    assert plan.region["revolution"].high == 1340
    assert plan.region.contains(plan.settings).all()
    assert not SPEEDS.contains(plan.settings).all()
    assert any("Axial points lie beyond" in r for r in plan.remarks)


@pytest.mark.parametrize(("factor", "problem"), [
    (Factor("revolution", 800, 1900, unit="rpm"), "the mixer cannot be set"),
    (Factor("time", 40, 400, unit="s"), "would be -"),
    (Factor("time", 700, 1700, unit="s"), "the mixer cannot be set"),
    (Factor.settable("pressure", [2, 20, 100], unit="kPa"), "outermost levels"),
])
def test_beyond_is_refused_where_it_cannot_be_set(factor, problem):
    region = Region((Factor("rotation_ratio", 0.3, 0.4), factor))
    with pytest.raises(InputError, match=problem):
        central_composite(region, scale="beyond", mixer=MIXER)


@pytest.mark.parametrize(("options", "problem"), [
    ({"axial": "round"}, "known choice"), ({"axial": 0.5}, "at least 1"),
    ({"axial": "inscribed", "scale": "beyond"}, "inscribed"),
    ({"axial": "orthogonal blocks"}, "one block"),
    ({"blocks": 4}, "in 3 blocks cannot be made. Use 2 or 3 blocks"),
    ({"blocks": 5}, "two-factor interaction"), ({"cube": "half"}, "known choice"),
])
def test_central_composite_options_that_cannot_be_used(options, problem):
    with pytest.raises(InputError, match=problem):
        central_composite(plain_region(3), **options)


@pytest.mark.parametrize("family", [central_composite, box_behnken])
@pytest.mark.parametrize("factor", [Factor.categorical("cup", ["P", "Q"]),
                                    Factor.settable("pressure", [2, 100])])
def test_factors_without_a_middle_are_refused(family, factor):
    with pytest.raises(InputError, match=factor.name):
        family(Region((*plain_region(3).factors, factor)))


# ---- Box–Behnken -----------------------------------------------------------------------

# Edge runs and usual centre points, Box & Behnken (1960), table 4 (from memory).
@pytest.mark.parametrize(("k", "edges", "centre"),
                         [(3, 12, 3), (4, 24, 3), (5, 40, 6), (6, 48, 6), (7, 56, 6)])
def test_sizes_as_published(k, edges, centre):
    plan = box_behnken(plain_region(k), seed=1)
    counts = plan.runs["point"].value_counts()
    assert counts["edge"] == edges
    assert counts["centre"] == centre
    assert appraise(plan).table["estimable"].all()


@pytest.mark.parametrize("k", [3, 4, 5])
def test_pairs_as_in_pydoe3(k):
    ours = {tuple(r) for r in coded(box_behnken(plain_region(k), seed=1))}
    assert ours == {tuple(r) for r in bbdesign(k)}


def test_triples_for_six_and_seven_factors():
    # pyDOE3 takes all pairs here (60 and 84 edge runs); Box & Behnken took triples: each factor
    # in 3 of them; for 7 the Fano plane, in which each pair of factors meets exactly once.
    for k, meetings in ((6, {1, 2}), (7, {1})):
        X = coded(box_behnken(plain_region(k), centre_points=1, seed=1))
        edges = X[np.abs(X).sum(axis=1) > 0]
        sets = {tuple(np.flatnonzero(r)) for r in edges}
        assert {len(s) for s in sets} == {3}
        assert all(sum(j in s for s in sets) == 3 for j in range(k))
        pairs = [sum(i in s and j in s for s in sets) for i in range(k) for j in range(i)]
        assert set(pairs) == meetings
        assert len(edges) == 8 * len(sets) == len({tuple(r) for r in edges})
        names = pd.DataFrame(edges)
        assert not (names.T @ names - np.diag(np.full(k, 24.0))).to_numpy().any()


@pytest.mark.parametrize("k", [4, 7])
def test_rotatable_box_behnken_plans(k):
    # Box & Behnken (1960): the designs for 4 and 7 factors are rotatable.
    plan = box_behnken(plain_region(k), seed=1)
    rng = np.random.default_rng(0)
    directions = rng.normal(size=(30, k))
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    variance = prediction_variance(plan, pd.DataFrame(directions, columns=plan.region.names))
    assert np.ptp(variance) < 1e-9 * variance.max()


@pytest.mark.parametrize(("k", "blocks"), [(4, 3), (5, 2), (6, 2), (7, 2)])
def test_published_blocks_are_orthogonal(k, blocks):
    plan = box_behnken(plain_region(k), blocks=blocks, seed=1)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    means = pd.DataFrame(X).groupby(plan.runs["block"].to_numpy()).mean().to_numpy()
    assert np.abs(means - means[0]).max() < 1e-12
    assert plan.runs.groupby("block").size().nunique() == 1


def test_other_blocks_and_sizes_are_refused():
    with pytest.raises(InputError, match="1 or 3"):
        box_behnken(plain_region(4), blocks=2)
    with pytest.raises(InputError, match="3 to 7"):
        box_behnken(plain_region(8))
    with pytest.raises(InputError, match="centre_points"):
        box_behnken(plain_region(3), centre_points=0)
    assert box_behnken(plain_region(3), replicates=2, blocks=2, seed=1).blocks == 2


def test_three_levels_of_an_ordinal_factor():
    region = Region((*plain_region(2).factors, Factor.settable("pressure", [2, 20, 100])))
    plan = box_behnken(region, seed=1)
    assert plan.runs["pressure"].value_counts().to_dict() == {20: 4 + 3, 2: 4, 100: 4}
    # 20 lies at (20 − 51) / 49 = −0.63 in coded units; the ideal middle is 0.
    assert any("by at most 0.63 in coded units (pressure)" in r for r in plan.remarks)

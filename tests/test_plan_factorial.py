"""Full and fractional factorial plans."""

import json

import numpy as np
import pytest

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    FAMILIES,
    Plan,
    fractional_factorial,
    full_factorial,
    make_plan,
    suggest_runs,
)
from doe.planning.generators import choose_fraction, parse_generators
from doe.terms import Term, exponents

MIXER = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))


def plain_region(k, **options):
    return Region([Factor(c, -1, 1, **options) for c in "ABCDEFGHJKL"[:k]])


def coded(plan):
    return plan.region.encode(plan.runs.sort_values("standard"))


def test_full_factorial_has_every_combination_once():
    plan = full_factorial(plain_region(4), seed=1)
    assert {tuple(r) for r in coded(plan)} == {
        (a, b, c, d) for a in (-1, 1) for b in (-1, 1) for c in (-1, 1) for d in (-1, 1)}
    assert len(plan) == 16
    # Standard (Yates) order: the first factor alternates fastest.
    assert coded(plan)[:4, :2].tolist() == [[-1, -1], [1, -1], [-1, 1], [1, 1]]


@pytest.mark.parametrize(("k", "runs"), [(5, 8), (6, 16), (7, 16), (8, 64), (11, 128), (11, 16)])
def test_regular_fractions_are_orthogonal(k, runs):
    plan = fractional_factorial(plain_region(k), runs=runs, seed=1)
    X = coded(plan)
    assert np.array_equal(X.T @ X, runs * np.eye(k))


def test_more_levels_and_categories():
    region = Region([Factor("time", 60, 300, unit="s"), Factor.categorical("cup", ["A", "B", "C"]),
                     Factor.settable("pressure", [2, 20, 100], unit="kPa")])
    plan = full_factorial(region, levels={"time": 4, "pressure": 3}, seed=1)
    assert len(plan) == 4 * 3 * 3
    assert sorted(plan.runs["time"].unique()) == [60, 140, 220, 300]
    assert plan.runs.groupby(["time", "cup", "pressure"]).size().eq(1).all()
    assert Term("time", "time") in plan.terms
    assert Term("pressure", "pressure") in plan.terms
    two = full_factorial(region, seed=1)
    assert sorted(two.runs["pressure"].unique()) == [2, 100]
    assert Term("time", "time") not in two.terms


def test_user_generators_by_name():
    region = Region([Factor("revolution", 800, 1600), Factor("rotation_ratio", 0.2, 0.5),
                     Factor("time", 60, 300), Factor("pressure", 2, 50)])
    plan = fractional_factorial(region, generators="pressure = revolution * rotation_ratio × time",
                                seed=1)
    X = coded(plan)
    assert np.allclose(X[:, 3], X[:, 0] * X[:, 1] * X[:, 2])
    minus = fractional_factorial(region, generators="pressure=-revolution:rotation_ratio:time",
                                 seed=1)
    X = coded(minus)
    assert np.allclose(X[:, 3], -X[:, 0] * X[:, 1] * X[:, 2])
    assert set(plan.runs["rotation_ratio"]) == {0.2, 0.5}  # the very ends, no binary dust
    assert minus.details["defining_words"] == [
        {"factors": ["revolution", "rotation_ratio", "time", "pressure"], "sign": -1}]


def test_letters_may_stand_together():
    fraction = parse_generators("D=AB, E=AC, F=BC, G=ABC", plain_region(7))
    # Box, Hunter & Hunter (2005) ch. 6: 2^(7−4), resolution III, 7 words of 3, 7 of 4, 1 of 7.
    assert fraction.word_lengths == (0, 0, 7, 7, 0, 0, 1)


@pytest.mark.parametrize(("text", "problem"), [
    ("D = A * Q", "no such factor"),
    ("D = __import__('os')", "form|no such factor"),
    ("D", "not of the form"),
    ("D = A", "always move together"),
    ("C = AB, D = AB", "always move together"),
    ("D = AB, D = AC", "itself set"),
    ("C = AB, D = AC", "itself set"),
    ("D = AAB", "each on"),
])
def test_generators_that_cannot_be_used(text, problem):
    with pytest.raises(InputError, match=problem):
        fractional_factorial(plain_region(4), generators=text)


@pytest.mark.parametrize(("options", "problem"), [
    ({"runs": 12}, "power of 2"), ({"runs": 64}, "power of 2"), ({"runs": 4}, "at most 3 factors"),
    ({"runs": 8, "resolution": 4}, "resolution III"), ({"resolution": 2}, "main effects"),
    ({"blocks": 3}, "blocks"), ({"replicates": 0}, "at least 1"),
    ({"centre_points": 1.5}, "whole number"), ({"seed": -1}, "at least 0"),
    ({"generators": "E = AB", "runs": 8}, "16 runs"),
    ({"generators": "E = AB", "resolution": 4}, "resolution III"),
    ({"group_hard_to_change": True}, "hard to change"),
])
def test_options_that_cannot_be_used(options, problem):
    with pytest.raises(InputError, match=problem):
        fractional_factorial(plain_region(5), **options)


def test_categories_beyond_two_levels_are_refused_with_a_way_out():
    region = Region([Factor("time", 60, 300), Factor.categorical("cup", ["A", "B", "C"])])
    with pytest.raises(InputError, match="full factorial"):
        fractional_factorial(region)


def test_smallest_plan_of_a_resolution():
    assert choose_fraction(5, resolution=3).runs == 8
    assert choose_fraction(5).runs == 16
    assert choose_fraction(11, resolution=5).runs == 128
    assert choose_fraction(3).runs == 8  # no half of 2^3 has resolution IV: the full factorial
    assert not choose_fraction(3).generators


def test_model_holds_what_is_clear():
    five = fractional_factorial(plain_region(5), runs=16, seed=1)
    assert sum(t.order == 2 for t in five.terms) == 10
    assert not any(t.order == 2 for t in fractional_factorial(plain_region(4), runs=8,
                                                              seed=1).terms)
    # 2^(7−2), E... of least aberration: 15 of 21 two-factor interactions are clear
    # (Wu & Hamada 2009, table 5A.3; from memory).
    seven = fractional_factorial(plain_region(7), runs=32, seed=1)
    assert sum(t.order == 2 for t in seven.terms) == 15


def test_centre_points_are_spread_over_categories_and_blocks():
    region = Region([*plain_region(3).factors, Factor.categorical("cup", ["P", "Q"])])
    plan = full_factorial(region, centre_points=4, blocks=2, seed=1)
    centre = plan.runs[plan.runs["point"] == "centre"]
    assert (centre[["A", "B", "C"]] == 0).all().all()
    assert centre.groupby(["block", "cup"]).size().tolist() == [1, 1, 1, 1]
    assert any("Cup has no middle setting" in r for r in plan.remarks)
    with pytest.raises(InputError, match="no factor has a middle"):
        full_factorial(Region([Factor.categorical("cup", ["P", "Q"])]), centre_points=1)


def test_replicates_as_blocks_confound_nothing():
    plan = full_factorial(plain_region(3), replicates=2, blocks=2, seed=1)
    for _, block in plan.runs.groupby("block"):
        assert len(block) == 8
        assert not block[["A", "B", "C"]].duplicated().any()
    assert plan.details["block_generators"] == []
    four = full_factorial(plain_region(3), replicates=2, blocks=4, seed=1)
    assert four.details["block_generators"] == [["A", "B", "C"]]
    assert four.runs.groupby("block").size().tolist() == [4] * 4


def test_the_half_that_can_be_run_is_taken():
    # The corner of high speed and high ratio is barred: of the two halves of 2^(3−1) one has
    # it with time low, one with time high; a second limit bars the latter only.
    region = Region([Factor("A", -1, 1), Factor("B", -1, 1), Factor("C", -1, 1)],
                    ("A + B + C <= 2.5",))
    plan = fractional_factorial(region, runs=4, seed=1)
    assert not any("pulled" in r for r in plan.remarks)
    assert any("Not the principal fraction" in r for r in plan.remarks)
    assert plan.details["generators"] == ["C = -A * B"]


def test_constraints_and_their_cost_are_said_with_numbers():
    region = default_region(MIXER)
    tight = Region(region.factors, ("revolution * rotation_ratio <= 700",))
    plan = full_factorial(tight, mixer=MIXER, seed=1)
    assert tight.contains(plan.settings).all()
    text = " ".join(plan.remarks)
    assert "4 of 16 points were outside what can be run" in text
    assert "(revolution × rotation ratio ≤ 700)" in text
    assert "% of the D-efficiency" in text
    # Time and pressure stand in no broken limit and stay at their ends.
    assert set(plan.runs["time"]) == {60.0, 300.0}
    assert (plan.runs["revolution"] * plan.runs["rotation_ratio"]).max() > 650


def test_same_seed_same_plan_and_another_order_otherwise():
    one, two = (fractional_factorial(plain_region(5), seed=11) for _ in range(2))
    assert one == two
    other = fractional_factorial(plain_region(5), seed=12)
    assert one.runs["standard"].tolist() != other.runs["standard"].tolist()
    fresh = fractional_factorial(plain_region(5))
    assert fractional_factorial(plain_region(5), seed=fresh.seed) == fresh


def test_plan_survives_json():
    region = Region([*default_region(MIXER).factors, Factor.categorical("cup", ["P", "Q"])])
    plan = fractional_factorial(region, runs=8, centre_points=2, mixer=MIXER,
                                group_hard_to_change=True)
    again = Plan.from_plain(json.loads(json.dumps(plan.to_plain())))
    assert again == plan
    assert again.runs.equals(plan.runs)
    assert again.terms == plan.terms


@pytest.mark.parametrize("missing", ["region", "runs", "terms", "family", "seed"])
def test_plan_from_incomplete_data_names_the_field(missing):
    data = full_factorial(plain_region(2), seed=1).to_plain()
    del data[missing]
    with pytest.raises(InputError, match=missing):
        Plan.from_plain(data)


def test_plans_by_name():
    region = plain_region(4)
    assert make_plan(region, "Full Factorial", seed=3) == full_factorial(region, seed=3)
    assert make_plan(region, "box-behnken", seed=3).family == "Box–Behnken"
    with pytest.raises(InputError, match="no such family"):
        make_plan(region, "latin square")
    with pytest.raises(InputError, match="centre_points"):
        make_plan(region, "full factorial", center=3)


def test_every_suggestion_can_be_made_as_announced():
    for region in (plain_region(2), plain_region(5),
                   Region([*plain_region(3).factors, Factor.categorical("cup", ["P", "Q"])]),
                   Region([*plain_region(2).factors, Factor.categorical("cup", ["P", "Q", "R"])],
                          ("A + B <= 0.5",))):
        table = suggest_runs(region)
        assert set(table["family"]) <= set(FAMILIES)
        for row in table.itertuples():
            plan = make_plan(region, row.family, seed=1, **row.options)
            assert len(plan) == row.runs
            assert len(exponents(region, plan.terms)[1]) == row.coefficients


def test_worked_example_in_the_docs():
    import doctest

    import doe.planning

    assert doctest.testmod(doe.planning).failed == 0
    assert doctest.testmod(doe.planning).attempted > 3


@pytest.mark.parametrize(("k", "options", "remedy"), [
    (1, {"blocks": 2}, "no blocks. Replicate"), (2, {"blocks": 4}, "into 2 blocks"),
    (4, {"blocks": 3}, "into 2, 4 or 8 blocks")])
def test_numbers_of_blocks_that_there_are_are_named(k, options, remedy):
    with pytest.raises(InputError, match=remedy):
        full_factorial(plain_region(k), **options)

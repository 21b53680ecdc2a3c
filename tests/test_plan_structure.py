"""What every plan must hold, whatever the region: settable, inside, repeatable, kept."""

import json

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.constraints import Constraint
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    Plan,
    box_behnken,
    central_composite,
    fractional_factorial,
    full_factorial,
    make_plan,
)
from doe.planning.settle import feasible, outside_mixer, sample, settable, settle
from doe.planning.structure import centre_rows, run_order, spread
from doe.terms import INTERCEPT, Term

MIXER = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))


@st.composite
def regions(draw, least=2, most=4):
    """Continuous and settable factors, increments, and now and then a corner cut off."""
    factors = []
    for name in "abcd"[:draw(st.integers(least, most))]:
        low = draw(st.floats(0.0, 50.0))
        high = low + draw(st.floats(1.0, 100.0))
        if draw(st.integers(0, 4)) == 0:
            factors.append(Factor.settable(name, [low, low + 0.4 * (high - low), high]))
        else:
            share = draw(st.sampled_from([None, 0.03, 0.11]))
            factors.append(Factor(name, low, high,
                                  increment=share and round(share * (high - low), 4)))
    cut = draw(st.sampled_from([None, 0.3, 0.6]))
    constraints = ()
    if cut is not None:
        a, b = factors[:2]
        # a/half + b/half <= centre + cut: the corner (+, +) is out, the centre is in.
        terms = ((1 / a.half_range, ("a",)), (1 / b.half_range, ("b",)))
        constraints = (Constraint(terms, a.centre / a.half_range + b.centre / b.half_range
                                  + 2 * cut),)
    return Region(tuple(factors), constraints)


def plans(region, seed):
    yield full_factorial(region, centre_points=2, seed=seed)
    if len(region) > 2:
        yield fractional_factorial(region, resolution=3, centre_points=1, seed=seed)
        yield box_behnken(region, seed=seed)
    yield central_composite(region, seed=seed)
    yield central_composite(region, axial="face-centred", blocks=2, seed=seed)


@settings(max_examples=30)
@given(regions(), st.integers(0, 2**31))
def test_every_run_can_be_made_and_lies_inside(region, seed):
    for plan in plans(region, seed):
        assert plan.region.contains(plan.settings).all()
        again = plan.region.snap(plan.settings)
        np.testing.assert_allclose(again.to_numpy(float), plan.settings.to_numpy(float),
                                   rtol=0, atol=1e-9)
        assert plan.runs["run"].tolist() == list(range(1, len(plan) + 1))
        assert sorted(plan.runs["standard"]) == list(range(1, len(plan) + 1))
        assert plan.runs["block"].is_monotonic_increasing
        kept = Plan.from_plain(json.loads(json.dumps(plan.to_plain())))
        assert kept == plan


@settings(max_examples=8)
@given(regions(), st.integers(0, 2**31))
def test_same_seed_same_plan(region, seed):
    for one, two in zip(plans(region, seed), plans(region, seed), strict=True):
        assert one == two


@settings(max_examples=40)
@given(st.integers(0, 2**20), st.floats(400, 900), st.sampled_from([0.5, 2.5, 10.0, 25.0]))
def test_settling_on_a_mixer_is_settled(seed, limit, increment):
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0), rotation_increment=increment)
    region = default_region(mixer)
    region = Region(region.factors, (f"revolution * rotation_ratio <= {limit:.1f}",))
    rng = np.random.default_rng(seed)
    ideal = region.decode(rng.uniform(-1, 1, (12, 4)))
    once = settle(region, ideal, mixer)
    assert feasible(region, once.settings, mixer).all()
    twice = settle(region, once.settings, mixer)
    np.testing.assert_allclose(twice.settings.to_numpy(), once.settings.to_numpy(), rtol=1e-12)
    assert not twice.pulls.any()
    # Rotation speed is a whole number of increments.
    steps = once.settings["revolution"] * once.settings["rotation_ratio"] / increment
    assert np.abs(steps - steps.round()).max() < 1e-6


def test_pulled_points_lie_on_the_limit_and_nearest_to_it():
    region = Region((Factor("a", -1, 1), Factor("b", -1, 1), Factor("c", -1, 1)), ("a + b <= 1",))
    settled = settle(region, pd.DataFrame({"a": [1.0, -1], "b": [1.0, 1], "c": [1.0, 1]}))
    # On the line to the centre the limit is met at a = b = 1/2; c does not stand in it.
    assert settled.settings.iloc[0].to_numpy() == pytest.approx([0.5, 0.5, 1.0], abs=1e-3)
    assert settled.settings.iloc[0][["a", "b"]].sum() <= 1 + 1e-9
    assert settled.settings.iloc[1].tolist() == [-1, 1, 1]
    assert settled.limits == ("a + b ≤ 1",)


def test_centre_outside_the_constraints_is_replaced_by_the_middle_of_what_can_be_run():
    region = Region((Factor("a", 0, 10), Factor("b", 0, 10)), ("a + b <= 6",))
    plan = full_factorial(region, centre_points=1, seed=1)
    assert region.contains(plan.settings).all()
    centre = plan.runs[plan.runs["point"] == "centre"].iloc[0]
    assert centre["a"] + centre["b"] == pytest.approx(6, abs=0.05)


def test_region_in_which_nothing_can_be_run_is_refused():
    region = Region((Factor("a", 0, 10), Factor("b", 0, 10)), ("a + b <= -1",))
    with pytest.raises(InputError, match="constraints"):
        full_factorial(region)
    fast = Region((Factor("revolution", 2500, 3000, unit="rpm"),))
    with pytest.raises(InputError, match="can be run"):
        full_factorial(fast, mixer=MIXER)


@pytest.mark.parametrize(("row", "column"), [
    ({"revolution": 2100.0}, "revolution"),
    ({"revolution": 1900.0, "rotation_ratio": 1.2}, "rotation_ratio"),
    ({"time": 1900.0}, "time"), ({"mix_time": 1000.0, "degas_time": 900.0}, "degas_time"),
    ({"pressure": 1.0}, "pressure"), ({"degas_revolution": 100.0}, "degas_revolution"),
])
def test_limits_of_the_mixer(row, column):
    assert column in outside_mixer(pd.DataFrame([row]), MIXER)
    plain = Mixer("no vacuum", 150.0)
    assert "pressure" in outside_mixer(pd.DataFrame({"pressure": [50.0]}), plain)
    assert not outside_mixer(pd.DataFrame({"pressure": [101.3], "time": [60.0]}), plain)


def test_sample_fills_the_region_evenly():
    region = Region((Factor("a", -1, 1), Factor("b", -1, 1), Factor.settable("c", [1, 2, 4]),
                     Factor.categorical("d", ["P", "Q"])), ("a + b <= 0",))
    points = sample(region, 1000, seed=3)
    assert len(points) == 1000
    assert region.contains(points).all()
    # Mean of a over the triangle a + b <= 0 is −1/3.
    assert points["a"].mean() == pytest.approx(-1 / 3, abs=0.03)
    assert points["c"].value_counts().min() > 300
    assert points["d"].value_counts().min() > 450
    assert points.equals(sample(region, 1000, seed=3))


def test_run_order_is_random_within_blocks_and_groups():
    block = [1] * 8 + [2] * 8
    order, _ = run_order(block, 5)
    assert sorted(order[:8]) == list(range(8))
    assert order[:8].tolist() != list(range(8))
    group = [0, 1] * 8
    order, plots = run_order(block, 5, group)
    assert sorted(order) == list(range(16))
    assert plots.tolist() == [1] * 4 + [2] * 4 + [3] * 4 + [4] * 4
    for plot in range(1, 5):
        assert len({group[i] for i in order[plots == plot]}) == 1


def test_every_order_is_about_equally_likely():
    # 3 runs have 6 orders; 600 seeds give each 100 on average, standard deviation about 9.
    counts = pd.Series([tuple(run_order([1, 1, 1], seed)[0]) for seed in range(600)])
    assert counts.value_counts().between(60, 140).all()
    assert counts.nunique() == 6


def test_groups_of_hard_to_change_settings():
    region = default_region(MIXER)
    plan = full_factorial(region, replicates=2, blocks=2, centre_points=2, seed=1, mixer=MIXER,
                          group_hard_to_change=True)
    plots = plan.runs.groupby("whole_plot")
    assert plots["pressure"].nunique().eq(1).all()
    assert plots["block"].nunique().eq(1).all()
    assert plan.runs["whole_plot"].nunique() == 6
    text = " ".join(plan.remarks)
    assert "split-plot" in text
    assert "6 groups" in text
    single = full_factorial(region, seed=1, group_hard_to_change=True)
    assert any("No group is repeated" in r for r in single.remarks)
    loose = full_factorial(region, seed=1)
    changes = int((loose.runs["pressure"].diff().iloc[1:] != 0).sum())
    assert any(f"changes {changes} times in 16 runs" in r for r in loose.remarks)


def test_centre_rows_alternate_between_opposite_mixes():
    region = Region((Factor("a", 0, 10), Factor.categorical("cup", ["P", "Q"]),
                     Factor.settable("pressure", [2, 100])))
    rows, remarks = centre_rows(region, 4)
    assert rows["a"].tolist() == [5] * 4
    assert list(zip(rows["cup"], rows["pressure"], strict=True)) == [
        ("P", 2), ("Q", 100), ("P", 100), ("Q", 2)]
    assert "4 of the 4 combinations" in remarks[0]
    assert centre_rows(region, 0)[1] == ()


@given(st.integers(0, 50), st.integers(1, 9))
def test_spread_is_even(count, parts):
    shares = spread(count, parts)
    assert sum(shares) == count
    assert max(shares) - min(shares) <= 1


def test_plan_checks_its_columns():
    region = Region((Factor("a", 0, 1),))
    runs = pd.DataFrame({"run": [1], "standard": [1], "block": [1], "point": ["factorial"],
                         "a": [0.0]})
    terms = (INTERCEPT, Term("a"))
    assert len(Plan(region, runs, terms, "full factorial", 1)) == 1
    with pytest.raises(InputError, match="missing"):
        Plan(region, runs.drop(columns="block"), terms, "full factorial", 1)
    with pytest.raises(InputError, match="point"):
        Plan(region, runs.assign(point="corner"), terms, "full factorial", 1)
    with pytest.raises(InputError, match="none"):
        Plan(region, runs.iloc[:0], terms, "full factorial", 1)


def test_snapping_is_taken_from_the_mixer():
    region = default_region(MIXER)
    plan = full_factorial(region, mixer=MIXER, seed=1)
    assert settable(region, plan.settings, MIXER).equals(plan.settings)
    rotation = plan.runs["revolution"] * plan.runs["rotation_ratio"]
    assert np.allclose(rotation % 10, 0, atol=1e-6) | np.allclose(rotation % 10, 10, atol=1e-6)


def test_too_few_kinds_of_points_for_the_model_are_said():
    region = Region((Factor("a", -1, 1), Factor("b", -1, 1)))
    # Rotatable in two factors without centre points: all eight points on one circle, so mean
    # and squares cannot be told apart (Box & Hunter 1957).
    plan = central_composite(region, centre_points=0, seed=1)
    assert any("cannot separate all 6 coefficients" in r for r in plan.remarks)
    assert not any("cannot separate" in r for r in central_composite(region, seed=1).remarks)


def test_what_is_said_of_the_plan_as_designed_is_said_to_be_that():
    free = [Factor(n, 0, 10) for n in "abc"]
    said = "true of the plan before its points were moved"
    moved = make_plan(Region(free, ["a + b <= 15"]), "Plackett–Burman", seed=1)
    assert sum(said in r for r in moved.remarks) == 1
    for region in (Region(free), Region([*free[:2], Factor("c", 0, 10, increment=0.01)])):
        assert not any(said in r for r in make_plan(region, "Plackett–Burman", seed=1).remarks)

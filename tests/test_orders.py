"""Run orders: trends, set-ups, groups, and what is said of them."""

import dataclasses
from itertools import permutations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import fold_over, fractional_factorial, full_factorial, split_plot
from doe.planning.changes import set_ups
from doe.planning.orders import ORDERS, reorder
from doe.planning.paths import path_cost, shortest_path
from doe.planning.trends import appraise_order
from doe.terms import model_matrix, standard_terms


def cube(k, hard=""):
    return Region([Factor(c, -1, 1, hard_to_change=c in hard) for c in "abcdef"[:k]])


def plan_of(k, model="linear", hard="", **options):
    plan = full_factorial(cube(k, hard), seed=1, **options)
    return dataclasses.replace(plan, terms=standard_terms(plan.region, model))


def runs_of(plan):
    return sorted(plan.settings.itertuples(index=False, name=None))


# ---- trends ---------------------------------------------------------------------------------

def by_hand(X, degree):
    """|M with trend| / |M without|, by bordering the model with the trend (Atkinson & Donev)."""
    t = np.arange(1.0, len(X) + 1)
    T = np.column_stack([(t - t.mean())**d for d in range(1, degree + 1)])
    T = T - T.mean(axis=0)
    M = np.block([[X.T @ X, X.T @ T], [T.T @ X, T.T @ T]])
    return np.linalg.det(M) / np.linalg.det(T.T @ T) / np.linalg.det(X.T @ X)


@pytest.mark.parametrize(("degree", "k"), [(1, 3), (2, 4), (3, 4)])
def test_efficiency_is_that_of_the_bordered_matrix(degree, k):
    plan = plan_of(k, "interactions")
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    told = appraise_order(plan, degree=degree)
    assert told.trend_efficiency**len(told.table) == pytest.approx(by_hand(X, degree))
    t = np.arange(1, 2**k + 1)
    counts = told.table.set_index("term")["time_count"]
    assert counts["a"] == plan.settings["a"] @ t  # Draper & Stoneman (1968)
    assert counts["a:b"] == (plan.settings["a"] * plan.settings["b"]) @ t


@pytest.mark.parametrize(("k", "degree"), [(3, 1), (4, 1), (4, 2)])
def test_trend_free_orders_are_found_where_they_exist(k, degree):
    # In standard order an effect of more than d factors is free of a trend of degree d; naming
    # the factors after k independent ones of these makes all main effects so (Cheng & Jacroux
    # 1988).
    standard = np.array(list(product([-1, 1], repeat=k)))
    words = {3: ["ab", "ac", "abc"], 4: ["abc", "abd", "acd", "bcd"]}[k]
    X = np.column_stack([np.ones(2**k)] + [
        standard[:, ["abcd".index(c) for c in w]].prod(axis=1) for w in words])
    assert np.linalg.matrix_rank(X) == k + 1
    assert by_hand(X, degree) == pytest.approx(1)
    assert len({tuple(x) for x in X[:, 1:]}) == 2**k
    plan = reorder(plan_of(k), "trend-robust", seed=2, degree=degree, starts=100)
    assert plan.details["run_order"]["trend_efficiency"] == pytest.approx(1)
    assert (appraise_order(plan).table["time_count"] == 0).all()
    assert runs_of(plan) == runs_of(plan_of(k))
    assert "touches no effect" in " ".join(plan.remarks)


def test_no_order_of_eight_runs_is_better():
    # All 8! orders of the 2^3 with all pairs in the model: none keeps all six effects clear.
    region = cube(3)
    X = model_matrix(region, pd.DataFrame(list(product([-1, 1], repeat=3)), columns=list("abc")),
                     standard_terms(region, "interactions")).to_numpy()[:, 1:] / np.sqrt(8)
    t = np.arange(8) - 3.5
    t /= np.sqrt(t @ t)
    lost = np.zeros(40320)
    for j in range(6):
        lost += (X[np.array(list(permutations(range(8)))), j] @ t)**2
    best = (1 - lost.min())**(1 / 6)
    assert best < 1
    plan = reorder(plan_of(3, "interactions"), "trend-robust", seed=4)
    assert plan.details["run_order"]["trend_efficiency"] == pytest.approx(best)


def test_a_trend_that_hides_an_effect_leaves_nothing():
    plan = plan_of(3, "interactions")  # seven columns, and two more for the trend: more than runs
    assert appraise_order(plan, degree=2).trend_efficiency == pytest.approx(0, abs=1e-6)


def test_a_trend_free_order_keeps_a_drift_out():
    plan = reorder(plan_of(4), "trend-robust", seed=2, degree=2, starts=100)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    drift = 3.0 * np.arange(16) - 0.2 * np.arange(16)**2
    assert np.allclose(np.linalg.lstsq(X, drift, rcond=None)[0][1:], 0)


def test_trends_in_blocks_and_groups():
    plan = plan_of(4, blocks=2)
    robust = reorder(plan, "trend-robust", seed=1)
    assert robust.runs["block"].is_monotonic_increasing
    for block in (1, 2):
        assert runs_of_block(robust, block) == runs_of_block(plan, block)
    assert robust.details["run_order"]["trend_efficiency"] == pytest.approx(1)
    split = split_plot(cube(3, "a"), whole_plots=6, runs=18, seed=1, starts=3)
    before = appraise_order(split).trend_efficiency
    after = reorder(split, "trend-robust", seed=1)
    assert after.details["run_order"]["trend_efficiency"] > before
    assert after.details["variance_ratios"] == {"whole_plot": 1.0}
    groups = [sorted(map(tuple, g[["a", "b", "c"]].to_numpy()))
              for _, g in after.runs.groupby("whole_plot")]
    assert sorted(groups) == sorted(
        sorted(map(tuple, g[["a", "b", "c"]].to_numpy()))
        for _, g in split.runs.groupby("whole_plot"))


def runs_of_block(plan, block):
    part = plan.runs[plan.runs["block"] == block]
    return sorted(map(tuple, part[plan.region.names].to_numpy()))


# ---- set-ups --------------------------------------------------------------------------------

@pytest.mark.parametrize("k", [2, 3, 5, 6])
def test_a_factorial_can_change_one_setting_at_a_time(k):
    # A reflected Gray code: 2^k − 1 changes, one between each two runs; there cannot be fewer.
    plan = reorder(plan_of(k), "fewest changes", seed=1, starts=4)
    assert plan.details["run_order"]["changes"] == 2**k - 1
    dear = reorder(plan_of(k), "fewest changes", seed=1, starts=4,
                   change_minutes={"b": 30.0, "a": 5.0})
    strip = set_ups(dear, {"b": 30.0, "a": 5.0})
    # b changes once, and a once in each half.
    assert strip["minutes"].iloc[1:].sum() == 30 + 2 * 5


@given(st.integers(2, 7), st.integers(1, 3), st.integers(0, 10**6), st.booleans())
@settings(max_examples=30, deadline=None)
def test_no_order_of_a_few_runs_is_cheaper(n, k, seed, led):
    rng = np.random.default_rng(seed)
    codes, cost = rng.integers(0, 3, (n, k)), rng.integers(1, 9, k).astype(float)
    before = rng.integers(0, 3, k) if led else None
    C = ((codes[:, None] != codes[None]) * cost).sum(axis=2)
    lead = np.zeros(n) if before is None else ((codes != before) * cost).sum(axis=1)
    order = shortest_path(codes, cost, rng, 20, before)
    assert sorted(order) == list(range(n))
    least = min(path_cost(np.array(p), C, lead) for p in permutations(range(n)))
    assert path_cost(order, C, lead) == pytest.approx(least)


def test_set_ups_count_changes_and_groups_set_anew():
    region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     Factor.categorical("cup", ["jar", "tube"])])
    split = split_plot(region, whole_plots=[2, 2, 2, 2], runs=8, model="interactions", seed=3,
                       starts=5)
    strip = set_ups(split, {"pressure": 12.0, "cup": 1.5})
    assert strip["minutes"].iloc[0] == 13.5
    pressure = strip["set"].str.contains("pressure")
    assert pressure.tolist() == [True, False] * 4  # anew, also where the setting stays
    changed = split.runs["cup"] != split.runs["cup"].shift()
    assert strip["minutes"].sum() == pytest.approx(4 * 12 + 1.5 * changed.sum())
    assert strip.attrs["units"] == {"minutes": "min"}


def test_neighbours_at_one_hard_setting_become_a_group():
    plan = reorder(plan_of(3, hard="c"), "fewest changes", seed=1, change_minutes={"c": 20.0})
    assert plan.runs["whole_plot"].tolist() == [1] * 4 + [2] * 4
    assert "share its error" in " ".join(plan.remarks)
    assert "can pass for an effect" in " ".join(plan.remarks)


def test_without_times_factors_hard_to_change_come_first():
    plan = reorder(plan_of(4, hard="c"), "fewest changes", seed=1)
    # Set once and changed once; the other three change one at a time, eight runs each: 7 + 7,
    # and none where the hard one does.
    strip = set_ups(plan)
    assert strip["set"].str.contains(r"\bc\b").sum() == 2
    assert strip["changes"].iloc[1:].sum() == 15
    assert "changes between runs cost 12 % of what a random order" in " ".join(plan.remarks)


def test_cost_is_told_against_a_random_order():
    # In a random order of the 2^2 a factor differs between neighbours with probability 2/3:
    # 2 · 3 · 2/3 = 4 changes on average, against 3 at least.
    plan = reorder(plan_of(2), "fewest changes", seed=1)
    assert "cost 75 % of what a random order" in " ".join(plan.remarks)
    mean = np.mean([reorder(plan_of(2), seed=s).details["run_order"]["changes"]
                    for s in range(100)])
    assert mean == pytest.approx(4, abs=0.25)


# ---- what all orders hold -------------------------------------------------------------------

@settings(max_examples=25, deadline=None)
@given(st.sampled_from(ORDERS), st.integers(0, 2**31), st.integers(1, 3), st.integers(1, 6))
def test_runs_blocks_and_seeds_are_kept(how, seed, degree, first):
    plan = full_factorial(cube(3, "a"), blocks=2, centre_points=4, seed=5)
    options = {"degree": degree, "first": first, "starts": 2}
    new = reorder(plan, how, seed, **options)
    assert runs_of(new) == runs_of(plan)
    assert new.runs["run"].tolist() == list(range(1, 13))
    assert new.runs["block"].tolist() == plan.runs["block"].tolist()
    before = plan.runs.set_index("standard")[["block", "point", "a", "b", "c"]].sort_index()
    assert before.equals(new.runs.set_index("standard")[before.columns].sort_index())
    if how != "grouped":  # there the groups begun are finished first
        assert new.settings[:first - 1].equals(plan.settings[:first - 1])
    assert reorder(plan, how, seed, **options) == new
    assert new.details["seed_before"] == 5


def test_random_order_dissolves_groups_and_grouping_makes_them():
    plan = full_factorial(cube(3, "a"), replicates=2, blocks=2, seed=1)
    grouped = reorder(plan, "grouped", seed=2)
    assert grouped.runs.groupby("whole_plot")["a"].nunique().eq(1).all()
    assert grouped.runs["whole_plot"].nunique() == 4
    split = split_plot(cube(2, "a"), whole_plots=5, runs=10, seed=1, starts=3)
    loose = reorder(split, "random", seed=2)
    assert "whole_plot" not in loose.runs
    assert "variance_ratios" not in loose.details
    assert "set anew for every run" in " ".join(loose.remarks)
    assert not any("changes" in r and r.startswith("In this order") for r in grouped.remarks)


def test_runs_already_done_stay_where_they_are():
    plan = fold_over(fractional_factorial(cube(4), runs=8, seed=1), factors=["a"],
                     seed=2)
    new = reorder(plan, "trend-robust", seed=3, first=9)
    assert new.settings[:8].equals(plan.settings[:8])
    assert new.runs["block"].tolist() == [1] * 8 + [2] * 8


@pytest.mark.parametrize(("options", "match"), [
    ({"how": "sorted"}, "how"), ({"how": "grouped"}, "hard to change"), ({"degree": 4}, "degree"),
    ({"first": 30}, "first"), ({"change_minutes": {"z": 3}}, "no such factor"),
    ({"change_minutes": {"a": -1}}, "change_minutes")])
def test_one_clear_error(options, match):
    with pytest.raises(InputError, match=match):
        reorder(plan_of(3), **options)


def test_a_random_order_says_that_groups_are_gone():
    region = Region([Factor("pressure", 2, 50, hard_to_change=True), Factor("time", 60, 300)])
    plan = reorder(split_plot(region, seed=1, starts=3), "random", seed=1)
    assert "whole_plot" not in plan.runs
    assert "what is said above of groups no longer holds" in plan.remarks[-1]

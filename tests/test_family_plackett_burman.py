"""Plackett–Burman plans, and the orthogonal matrices they and others come from."""

import re
from itertools import combinations

import numpy as np
import pytest
from pyDOE3 import pbdesign
from scipy.linalg import hadamard

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer
from doe.planning import alias_matrix, appraise, plackett_burman
from doe.planning.hadamard import balanced_columns, conference_matrix, has_conference


def plain_region(k):
    return Region([Factor(f"x{j}", -1, 1) for j in range(k)])


def coded(plan):
    return plan.region.encode(plan.runs.sort_values("standard"))


def triples(A):
    """Values and counts of |sum x_i x_j x_k|, the same for all ways of writing one plan."""
    words = np.array(list(combinations(range(A.shape[1]), 3)))
    return np.unique(np.abs(np.prod(A[:, words], axis=2).sum(axis=0)).round(), return_counts=True)


# ---- columns ---------------------------------------------------------------------------

@pytest.mark.parametrize("runs", range(4, 49, 4))
def test_columns_are_an_orthogonal_array_of_strength_two(runs):
    X = balanced_columns(runs)
    assert X.shape == (runs, runs - 1)
    for a, b in combinations(X.T, 2):
        assert sorted(np.unique(a + 2 * b, return_counts=True)[1]) == [runs // 4] * 4
    square = np.hstack([X, np.ones((runs, 1))])
    assert abs(np.linalg.slogdet(square)[1] - runs / 2 * np.log(runs)) < 1e-8  # Hadamard's bound


# First rows as published by Plackett & Burman (1946), table for N = 8 to 44 (from memory).
@pytest.mark.parametrize(("runs", "row"), [
    (8, "+++-+--"), (12, "++-+++---+-"), (20, "++--++++-+-+----++-"),
    (24, "+++++-+-++--++--+-+----"), (36, "-+-+++---+++++-+++--+----+-+-++--+-"),
    (44, "++--+-+--+++-+++++---+-+++-----+---++-+-++-")])
def test_cyclic_plans_are_the_published_ones(runs, row):
    X = balanced_columns(runs)
    first = np.array([1.0 if sign == "+" else -1.0 for sign in row])
    shifts = {tuple(np.roll(first, s)) for s in range(runs - 1)} | {(-1.0,) * (runs - 1)}
    assert np.array_equal(X[0], first)
    assert {tuple(r) for r in X} == shifts


def test_same_aliasing_as_reference_libraries():
    for runs in (12, 20):  # pyDOE3 doubles for 24, with full aliases that the cyclic plan avoids
        for ours, theirs in zip(triples(balanced_columns(runs)), triples(pbdesign(runs - 1)),
                                strict=True):
            assert np.array_equal(ours, theirs)
    for ours, theirs in zip(triples(balanced_columns(16)), triples(hadamard(16)[:, 1:]),
                            strict=True):
        assert np.array_equal(ours, theirs)


@pytest.mark.parametrize(("runs", "sizes"), [(12, {4}), (20, {4, 12}), (24, {0, 8}), (28, {4, 12}),
                                             (32, {0, 8}), (36, {4, 12}), (44, {4, 12}),
                                             (48, {0, 8, 16})])
def test_no_triple_is_fully_aliased(runs, sizes):
    assert set(triples(balanced_columns(runs))[0]) == sizes


@pytest.mark.parametrize("order", range(4, 31, 2))
def test_conference_matrices(order):
    if order == 22:  # 21 is no sum of two squares (Belevitch 1950)
        assert not any((21 - a * a)**0.5 % 1 == 0 for a in range(5))
        assert not has_conference(order)
        with pytest.raises(ValueError, match="no conference matrix"):
            conference_matrix(order)
        return
    C = conference_matrix(order)
    assert np.array_equal(C.T @ C, (order - 1) * np.eye(order))
    assert np.array_equal(np.abs(C), 1 - np.eye(order))
    assert np.array_equal(C.T, C if order % 4 == 2 else -C)


# ---- plans -----------------------------------------------------------------------------

@pytest.mark.parametrize(("k", "runs"), [(5, 12), (11, 12), (12, 20), (19, 20), (20, 24), (23, 24),
                                         (24, 28), (28, 32), (33, 36), (47, 48)])
def test_smallest_plan_that_carries_the_factors(k, runs):
    X = coded(plackett_burman(plain_region(k), seed=1))
    assert X.shape == (runs, k)
    assert np.array_equal(X.T @ X, runs * np.eye(k))
    assert not X.sum(axis=0).any()


@pytest.mark.parametrize(("k", "runs"), [(6, 12), (8, 20), (7, 24), (9, 28)])
def test_partial_aliases_by_brute_force(k, runs):
    plan = plackett_burman(plain_region(k), runs=runs, seed=1)
    X = coded(plan)
    A = alias_matrix(plan)
    for i in range(k):
        for a, b in combinations(range(k), 2):
            by_hand = (X[:, i] * X[:, a] * X[:, b]).sum() / runs
            assert A.loc[f"x{i}", f"x{a}:x{b}"] == pytest.approx(by_hand, abs=1e-12)
            assert abs(by_hand) in ({0} if i in (a, b) else {0, 4 / runs, 8 / runs, 12 / runs})


@pytest.mark.parametrize(("runs", "words"), [
    (12, "by 1/3 with all of these"), (20, "by 1/5 with all of these"),
    # 8 runs: a 2^(6−3) of resolution III has four words of three (Box & Hunter 1961).
    (24, r"by 1/3 with .* % and not at all with"), (16, "clear of each other and of two-factor"),
    (8, "regular fraction: in 4 of 20 sets"), (40, "clear of each other and of two-factor")])
def test_aliasing_in_words(runs, words):
    plan = plackett_burman(plain_region(6), runs=runs, seed=1)
    assert any(re.search(words, r) for r in plan.remarks), plan.remarks


@pytest.mark.parametrize(("k", "runs"), [(5, 20), (8, 20), (6, 24), (8, 16), (20, 40), (38, 40)])
def test_chosen_columns_are_no_worse_than_the_first(k, runs):
    def three(A):
        sizes, counts = triples(A)
        return ((sizes / runs)**2 * counts).sum()

    X = coded(plackett_burman(plain_region(k), runs=runs, seed=1))
    assert three(X) <= three(balanced_columns(runs)[:, :k]) + 1e-9
    if (k, runs) in ((5, 20), (8, 16), (20, 40)):
        # 20 runs: every triple of some five columns at 1/5; 16 and 40: half as many factors as
        # runs can be had in mirror images, which is resolution IV (Box & Wilson 1951).
        assert triples(X)[0].max() == (4 if runs == 20 else 0)
    if runs == 40:
        assert triples(X)[0].max() < runs


def test_mirror_images_clear_main_effects():
    region = plain_region(6)
    alone = alias_matrix(plackett_burman(region, seed=1))
    assert abs(alone.loc["x0", "x1:x2"]) == pytest.approx(1 / 3)
    plan = plackett_burman(region, mirrored=True, blocks=2, seed=1)
    assert len(plan) == 24
    assert np.abs(alias_matrix(plan).drop("1").to_numpy()).max() < 1e-12
    halves = [part[region.names].to_numpy() for _, part in plan.runs.groupby("block")]
    assert {tuple(r) for r in halves[0]} == {tuple(-r) for r in halves[1]}


def test_a_column_left_free_makes_two_blocks():
    plan = plackett_burman(plain_region(9), blocks=2, centre_points=2, seed=1)
    X = plan.region.encode(plan.runs)
    first = (plan.runs["block"] == 1).to_numpy()
    assert first.sum() == 7
    assert not X[first].sum(axis=0).any()
    assert not X[~first].sum(axis=0).any()
    assert appraise(plan).table["vif"].iloc[1:].to_numpy() == pytest.approx(1)


def test_what_it_tells():
    a = appraise(plackett_burman(plain_region(7), centre_points=3, seed=1))
    assert (a.error_df, a.pure_error_df) == (7, 2)
    assert a.table["vif"].iloc[1:].to_numpy() == pytest.approx(1)
    assert any("is shifted by" in s for s in a.alias_sentences)


def test_mixer_limits_and_two_kinds_of_lid():
    region = Region((Factor("revolution", 600, 1600, unit="rpm"),
                     Factor("rotation_ratio", 0.3, 0.7), Factor("time", 60, 300, unit="s"),
                     Factor.categorical("lid", ["plain", "vented"]),
                     Factor.settable("pressure", [2, 100], unit="kPa")),
                    ("revolution * rotation_ratio <= 1000",))
    plan = plackett_burman(region, mixer=Mixer("mixer", 150.0, pressure_range=(2.0, 101.0)), seed=4)
    assert region.contains(plan.settings).all()
    assert plan.runs["lid"].value_counts().to_dict() == {"plain": 6, "vented": 6}
    assert any("pulled towards the centre" in r for r in plan.remarks)
    assert plan.seed == 4


@pytest.mark.parametrize(("k", "options", "problem"), [
    (48, {}, "2 to 47"), (5, {"runs": 18}, "8, 12, 16"), (12, {"runs": 12}, "16, 20, 24"),
    (11, {"blocks": 2}, "mirrored"), (5, {"blocks": 4}, "fewer factors")])
def test_what_cannot_be_made(k, options, problem):
    with pytest.raises(InputError, match=problem):
        plackett_burman(plain_region(k), **options)
    with pytest.raises(InputError, match="two-level plan"):
        plackett_burman(Region((*plain_region(3).factors,
                                Factor.categorical("cup", ["P", "Q", "R"]))))

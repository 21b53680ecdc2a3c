"""Definitive screening plans."""

from itertools import combinations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import alias_matrix, appraise
from doe.planning.definitive import definitive_screening
from doe.terms import Term, model_matrix, standard_terms
from doe.wording import digits


def plain_region(k, two=0):
    return Region([*(Factor(f"x{j}", -1, 1) for j in range(k)),
                   *(Factor.categorical(f"c{j}", ["p", "q"]) for j in range(two))])


def coded(plan):
    return plan.region.encode(plan.runs.sort_values("standard"))


def correlations(plan, model="quadratic"):
    X = model_matrix(plan.region, plan.settings, standard_terms(plan.region, model)[1:])
    return X.corr()


def mains_and_squares(region):
    return [t for t in standard_terms(region, "quadratic") if t.order < 2 or t.powers[0][1] > 1]


# Runs with one centre point: 2m + 1, m the factors or the next order there is (Jones &
# Nachtsheim 2011 for the size, Xiao, Lin & Bai 2012 for odd numbers; none of order 22).
@pytest.mark.parametrize(("k", "runs"), [(3, 9), (4, 9), (5, 13), (6, 13), (7, 17), (10, 21),
                                         (12, 25), (16, 33), (21, 49), (22, 49), (24, 49),
                                         (29, 61), (30, 61)])
def test_runs_and_structure(k, runs):
    plan = definitive_screening(plain_region(k), seed=1)
    X = coded(plan)
    assert X.shape == (runs, k)
    order = (runs - 1) // 2
    assert set(np.unique(X)) == {-1, 0, 1}
    assert np.array_equal(X.T @ X, 2 * (order - 1) * np.eye(k))
    assert ((X == 0).sum(axis=0) == 3).all()            # its own pair and the centre
    rows = {tuple(r) for r in X}
    assert rows == {tuple(-r) for r in X}
    assert len(rows) == runs
    assert ((X[:-1] == 0).sum(axis=1) <= 1).all()
    assert {"edge", "centre"} <= set(plan.runs["point"])


@pytest.mark.parametrize("options", [{}, {"fake_factors": 2}, {"centre_points": 4},
                                     {"replicates": 2}, {"blocks": 3}])
@pytest.mark.parametrize("k", [5, 6])
def test_main_effects_are_clear_of_every_second_order_effect(k, options):
    plan = definitive_screening(plain_region(k), seed=1, **options)
    shift = alias_matrix(plan, omitted=[t for t in standard_terms(plan.region, "quadratic")
                                        if t.order == 2])
    assert np.abs(shift.drop("1").to_numpy()).max() < 1e-12
    a = appraise(plan)
    assert a.table["vif"].iloc[1:].to_numpy() == pytest.approx(1)
    assert "No term of the model but the mean is shifted" in a.alias_sentences[0]


@pytest.mark.parametrize("k", [4, 6, 8, 10, 14])
def test_correlations_among_second_order_effects_as_published(k):
    # Jones & Nachtsheim (2011): squares are correlated by 1/3 − 1/(k − 1), and a square is not
    # correlated with an interaction that contains it (from memory; derived from counts of zeros:
    # in 2k + 1 runs a square is 0 in 3, two squares in 1).
    n = 2 * k + 1
    derived = ((n - 5) - (n - 3)**2 / n) / ((n - 3) - (n - 3)**2 / n)
    assert derived == pytest.approx(1 / 3 - 1 / (k - 1))
    r = correlations(definitive_screening(plain_region(k), seed=1))
    squares = [f"I(x{j} ** 2)" for j in range(k)]
    among = r.loc[squares, squares].to_numpy()[~np.eye(k, dtype=bool)]
    assert among == pytest.approx(derived, abs=1e-12)
    for i, j in combinations(range(k), 2):
        both = str(Term(f"x{i}", f"x{j}"))
        assert r.loc[[squares[i], squares[j]], both].abs().max() < 1e-12


def test_all_squares_beside_the_main_effects():
    plan = definitive_screening(plain_region(7), seed=1)
    terms = mains_and_squares(plan.region)
    a = appraise(plan, terms=terms)
    assert a.table["estimable"].all()
    worst = a.table.set_index("term")["standard_error"].filter(like="**").max()
    assert any(f"standard error of {worst:.2f} times" in r for r in plan.remarks)


@pytest.mark.parametrize(("options", "free"), [
    ({}, 0), ({"fake_factors": 2}, 2), ({"fake_factors": 2, "centre_points": 4}, 5),
    ({"centre_points": 3}, 2), ({"replicates": 2}, 12), ({"blocks": 2, "centre_points": 4}, 2)])
def test_degrees_of_freedom_untouched_by_second_order_effects(options, free):
    # Jones & Nachtsheim (2017): one for each fake factor, one for each centre point but the
    # first; six factors take all twelve mirrored runs, a replicate gives another twelve.
    plan = definitive_screening(plain_region(6), seed=1, **options)
    words = [r for r in plan.remarks if "untouched" in r]
    assert words[0].startswith(f"{free} " if free else "No degree")
    every = appraise(plan, terms=standard_terms(plan.region, "quadratic"))
    assert every.error_df == free


@pytest.mark.parametrize(("k", "two"), [(3, 1), (4, 2), (5, 1), (6, 4), (3, 5)])
@pytest.mark.parametrize("centre", [2, 4])
def test_two_setting_factors_keep_main_effects_clear(k, two, centre):
    plan = definitive_screening(plain_region(k, two), centre_points=centre, seed=1)
    X = coded(plan)
    assert set(np.unique(X[:, k:])) == {-1, 1}
    r = correlations(plan)
    names = [f"x{j}" for j in range(k)] + [f"c{j}[q]" for j in range(two)]
    assert np.abs(r.loc[names].drop(columns=names).to_numpy()).max() < 1e-12
    among = np.abs(r.loc[names, names].to_numpy() - np.eye(k + two)).max()
    assert 0 < among < 0.26
    assert any(f"by at most {digits(among, 2)}" in r for r in plan.remarks)
    # A factor with two settings costs a main effect little: within 15 % of orthogonal columns.
    error = appraise(plan).table["standard_error"].iloc[1:]
    assert (error < 1.15 / np.sqrt((X**2).sum(axis=0))).all()


def test_signs_are_the_best_there_are():
    plan = definitive_screening(plain_region(3, 3), seed=1)
    X = coded(plan)
    best = 0.0
    half = X[:-2].reshape(-1, 2, 6)[:, 0]
    for bits in range(2**6):
        signs = np.array([1 if bits >> i & 1 else -1 for i in range(6)])
        A = half.copy()
        for j in range(3):
            A[3 + j, 3 + j] = signs[j]
        e = np.concatenate([np.zeros(3), signs[3:]])
        best = max(best, np.linalg.det(2 * A.T @ A + 2 * np.outer(e, e)))
    assert np.linalg.det(X.T @ X) == pytest.approx(best)


def test_an_odd_centre_point_is_owned_up_to():
    plan = definitive_screening(plain_region(4, 2), centre_points=3, seed=1)
    r = correlations(plan)
    mains = ["x0", "x1", "x2", "x3", "c0[q]", "c1[q]"]
    shift = np.abs(r.loc[mains].drop(columns=mains).to_numpy()).max()
    assert any(f"by at most {digits(shift, 2)}: an odd number" in r for r in plan.remarks)


@settings(max_examples=15, deadline=None)
@given(st.integers(3, 9), st.integers(0, 3), st.integers(1, 3), st.integers(0, 4))
def test_blocks_are_orthogonal_to_main_effects(k, fake, blocks, extra):
    plan = definitive_screening(plain_region(k), fake_factors=fake, blocks=blocks,
                                centre_points=blocks + extra, seed=1)
    X = pd.DataFrame(plan.region.encode(plan.runs))
    assert np.abs(X.groupby(plan.runs["block"].to_numpy()).sum().to_numpy()).max() < 1e-12
    assert plan.blocks == blocks
    assert plan.runs.groupby("block").size().max() - plan.runs.groupby("block").size().min() <= 3
    terms = mains_and_squares(plan.region)
    assert appraise(plan, terms=terms).table["estimable"].all()


def test_too_few_centre_points_for_the_blocks_are_said_to_be():
    plan = definitive_screening(plain_region(6), blocks=3, centre_points=1, seed=1)
    assert any("Not all squares can be estimated" in r for r in plan.remarks)


def test_mixer_and_limits():
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    region = default_region(mixer)
    plan = definitive_screening(region, mixer=mixer, centre_points=3, seed=8)
    assert region.contains(plan.settings).all()
    shift = correlations(plan)
    worst = np.abs(shift.loc[region.names].drop(columns=region.names).to_numpy()).max()
    assert 0 < worst < 0.1
    assert any(f"by at most {digits(worst, 2)}: settings and limits" in r for r in plan.remarks)
    assert Term(region.names[0]) in plan.terms
    again = definitive_screening(region, mixer=mixer, centre_points=3, seed=8)
    assert again == plan


@pytest.mark.parametrize(("region", "options", "problem"), [
    (plain_region(2), {}, "at least three"), (plain_region(31), {}, "3 to 30"),
    (plain_region(2, 4), {}, "2 of them"), (plain_region(4), {"centre_points": 0}, "at least 1"),
    (plain_region(20), {"fake_factors": 11}, "at most 10"), (plain_region(4), {"blocks": 5},
                                                             "4 mirrored pairs"),
    (Region((*plain_region(3).factors, Factor.categorical("cup", ["P", "Q", "R"]))), {},
     "two levels only")])
def test_what_cannot_be_made(region, options, problem):
    with pytest.raises(InputError, match=problem):
        definitive_screening(region, **options)


def test_too_few_settings_are_said_to_be_the_cause():
    region = Region([*plain_region(2).factors, Factor("time", 60, 63, increment=2)])
    said = " ".join(definitive_screening(region, seed=1).remarks)
    assert "leaves time fewer than three settings" in said

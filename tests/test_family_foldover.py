"""Fold-over and semi-fold-over of plans already made."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from pyDOE3 import fold

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    alias_matrix,
    appraise,
    fractional_factorial,
    full_factorial,
    plackett_burman,
)
from doe.planning.definitive import definitive_screening
from doe.planning.foldover import fold_choices, fold_over, semi_fold_over
from doe.terms import Term


def plain_region(k):
    return Region([Factor(c, -1, 1) for c in "ABCDEFGHJKLMNOPQ"[:k]])


def coded(plan, added=False):
    runs = plan.runs[plan.runs["point"] == "added"] if added else plan.runs
    return plan.region.encode(runs.sort_values("standard"))


def pairs(plan):
    return {t.names for t in plan.terms if len(t.names) == 2}


def clear_by_brute_force(X, block):
    """Effects of one or two factors not in the span of all the others, mean and blocks too."""
    k = X.shape[1]
    effects = [(j,) for j in range(k)] + list(combinations(range(k), 2))
    F = np.column_stack([np.prod(X[:, e], axis=1) for e in effects])
    rest = (block[:, None] == np.unique(block)).astype(float)
    full = np.hstack([F, rest])
    rank = np.linalg.matrix_rank(full)
    return [e for i, e in enumerate(effects)
            if np.linalg.matrix_rank(np.delete(full, i, axis=1)) < rank]


# ---- whole fold-over -------------------------------------------------------------------

def test_mirror_image_of_a_saturated_plan_clears_all_main_effects():
    # e-Handbook 5.3.3.8.1: a 2^(7−4) of resolution III and its mirror image make resolution IV.
    first = fractional_factorial(plain_region(7), runs=8, seed=1)
    assert np.abs(alias_matrix(first).drop("1").to_numpy()).max() == pytest.approx(1)
    both = fold_over(first, seed=2)
    assert len(both) == 16
    assert np.abs(alias_matrix(both).drop("1").to_numpy()).max() < 1e-12
    assert not pairs(both)
    assert "Of 7 main effects, none could be told" in both.remarks[0]
    assert "7 can now: new are A, B, C, D, E, F and G." in both.remarks[0]
    # 21 interactions in 7 sets of three, as in every 2^(7−3) of resolution IV with 7 words.
    still = next(r for r in both.remarks if r.startswith("Still aliased"))
    assert still.count(" = ") == 14
    assert still.count(";") == 6


def test_same_runs_as_a_reference_library():
    first = fractional_factorial(plain_region(5), runs=8, seed=1)
    ours = {tuple(r) for r in coded(fold_over(first, seed=2))}
    assert ours == {tuple(r) for r in fold(coded(first))}
    one = {tuple(r) for r in coded(fold_over(first, factors=["B", "C"], seed=2))}
    assert one == {tuple(r) for r in fold(coded(first), columns=[1, 2])}


def test_on_one_factor_its_main_effect_and_interactions_come_clear():
    # e-Handbook 5.3.3.8.2, alternative fold-over of a 2^(7−4).
    first = fractional_factorial(plain_region(7), runs=8, seed=1)
    both = fold_over(first, factors=["D"], seed=2)
    assert pairs(both) == {tuple(sorted(("D", o))) for o in "ABCEFG"}
    shift = alias_matrix(both)
    assert np.abs(shift.loc["D"]).max() < 1e-12
    assert appraise(both).table["estimable"].all()
    assert any("1 can now: new is D." in r for r in both.remarks)


def test_old_runs_come_first_as_they_were():
    first = fractional_factorial(plain_region(5), runs=8, centre_points=3, blocks=2, seed=4)
    both = fold_over(first, centre_points=2, seed=9)
    old = both.runs.iloc[:len(first)]
    assert old.equals(first.runs)
    new = both.runs.iloc[len(first):]
    assert set(new["block"]) == {3}
    assert new["point"].value_counts().to_dict() == {"added": 8, "centre": 2}
    assert both.runs["run"].tolist() == list(range(1, 22))
    assert both.runs["standard"].is_unique
    assert (both.seed, both.details["seed_before"]) == (9, 4)
    assert type(both).from_plain(both.to_plain()) == both
    assert fold_over(first, centre_points=2, seed=9) == both
    assert "folded over on all factors: 21 runs, 5 of them at the centre" in both.sentence


@settings(max_examples=20, deadline=None)
@given(st.sampled_from([(5, 8), (6, 8), (6, 16), (7, 8), (5, 12), (7, 12)]), st.data())
def test_what_comes_clear_by_brute_force(size, data):
    k, runs = size
    region = plain_region(k)
    first = (plackett_burman if runs == 12 else fractional_factorial)(region, runs=runs, seed=1)
    factors = data.draw(st.lists(st.sampled_from(region.names), min_size=1, unique=True))
    half = data.draw(st.sampled_from([None, *region.names]))
    old = region.encode(first.runs)
    new = old * np.where(np.isin(region.names, factors), -1, 1)
    new = new if half is None else new[old[:, region.names.index(half)] > 0]
    assume(not {tuple(r) for r in new} <= {tuple(r) for r in old})
    both = (fold_over(first, factors=factors, seed=1) if half is None else
            semi_fold_over(first, factors=factors, half=half, seed=1))
    X, block = region.encode(both.runs), both.runs["block"].to_numpy()
    clear = clear_by_brute_force(X, block)
    assert pairs(both) == {tuple(region.names[j] for j in e) for e in clear if len(e) == 2}
    mains = sum(len(e) == 1 for e in clear)
    assert f"before, {mains or 'none'} can now" in both.remarks[0]
    assert len(both) == len(first) * (2 if half is None else 1.5)


# ---- half of the runs ------------------------------------------------------------------

def test_twelve_runs_tell_all_interactions_of_four_factors():
    # Barnett et al. (1997), and Montgomery, Design and Analysis of Experiments (from memory):
    # 2^(4−1) of resolution IV and half of its fold-over estimate all main effects and
    # two-factor interactions.
    both = semi_fold_over(fractional_factorial(plain_region(4), runs=8, seed=1), seed=2)
    assert len(both) == 12
    assert len(pairs(both)) == 6
    assert appraise(both).table["estimable"].all()


@pytest.mark.parametrize(("k", "runs"), [(4, 8), (6, 16), (7, 16), (8, 16)])
def test_half_tells_as_many_interactions_as_the_whole(k, runs):
    # Mee & Peralta (2000), for plans of resolution IV and fold-over on one factor.
    first = fractional_factorial(plain_region(k), runs=runs, seed=1)
    table = fold_choices(first)
    whole, half = table[table["half"] == ""], table[table["half"] != ""]
    assert half["interactions"].max() == whole["interactions"].max()
    assert set(half["runs"]) == {runs // 2}
    best = semi_fold_over(first, seed=1)
    assert len(pairs(best)) == half["interactions"].max()
    assert table["interactions"].is_monotonic_decreasing


def test_choices_agree_with_the_plans_they_announce():
    first = fractional_factorial(plain_region(5), runs=8, seed=1)
    for row in fold_choices(first).iloc[::6].itertuples():
        made = (semi_fold_over(first, factors=row.factors, half=row.half, seed=1) if row.half
                else fold_over(first, factors=row.factors, seed=1))
        assert len(made) == len(first) + row.runs
        assert len(pairs(made)) == row.interactions
        assert f"before, {row.main_effects or 'none'} can now" in made.remarks[0]


def test_the_other_end():
    first = fractional_factorial(plain_region(4), runs=8, seed=1)
    low = semi_fold_over(first, factors=["A"], half="B", at="low", seed=1)
    assert set(low.runs["B"][low.runs["point"] == "added"]) == {-1}
    assert "runs with B low only" in low.sentence


# ---- real regions ----------------------------------------------------------------------

def test_levels_limits_and_groups():
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    usual = default_region(mixer)
    region = Region((*usual.factors, Factor.categorical("lid", ["plain", "vented"])),
                    usual.constraints)
    first = fractional_factorial(region, runs=8, mixer=mixer, group_hard_to_change=True, seed=3)
    both = fold_over(first, mixer=mixer, seed=4)
    assert region.contains(both.settings).all()
    assert both.runs["lid"].value_counts().to_dict() == {"plain": 8, "vented": 8}
    new = both.runs.iloc[8:]
    assert new["whole_plot"].min() == first.runs["whole_plot"].max() + 1
    assert new.groupby("whole_plot")["pressure"].nunique().max() == 1
    assert new["whole_plot"].is_monotonic_increasing
    assert any("moved to the nearest settings" in r for r in both.remarks)


def test_snapping_does_not_pass_for_telling_apart():
    # Snapped by up to 0.04 in coded units, aliased columns are no longer quite the same.
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    region = Region(default_region(mixer).factors)
    first = fractional_factorial(region, runs=8, mixer=mixer, seed=1)
    assert first.runs["rotation_ratio"].round(9).nunique() > 2
    ideal = fold_choices(fractional_factorial(plain_region(4), runs=8, seed=1))
    actual = fold_choices(first)
    assert actual["interactions"].tolist() == ideal["interactions"].tolist()
    with pytest.raises(InputError, match="only repeat old ones"):
        fold_over(full_factorial(region, mixer=mixer, seed=1), mixer=mixer)
    seven = Region((*region.factors, *plain_region(3).factors))
    saturated = fractional_factorial(seven, runs=8, mixer=mixer, seed=1)
    one = fold_over(saturated, factors=["time"], mixer=mixer, seed=1)
    assert len(pairs(one)) == 6
    assert all("time" in pair for pair in pairs(one))
    assert "1 can now: new is time." in one.remarks[0]
    assert any(r.startswith("Still aliased: ") for r in one.remarks)


def test_squares_already_in_the_model_stay():
    first = definitive_screening(plain_region(4), seed=1)
    both = fold_over(first, factors=["A"], seed=1)
    assert Term("A") in both.terms
    with pytest.raises(InputError, match="only repeat old ones"):
        fold_over(first)


@pytest.mark.parametrize(("make", "options", "problem"), [
    (fold_over, {"factors": ["Z"]}, "no such factor"), (fold_over, {"factors": "A"}, "no list"),
    (fold_over, {"factors": []}, "no list"), (semi_fold_over, {"half": "Z"}, "no half"),
    (semi_fold_over, {"factors": ["A"], "half": "Z"}, "no such factor"),
    (semi_fold_over, {"factors": ["A"], "at": "top"}, "known choice")])
def test_what_cannot_be_folded(make, options, problem):
    with pytest.raises(InputError, match=problem):
        make(fractional_factorial(plain_region(5), runs=8, seed=1), **options)


def test_repeats_and_factors_without_another_end_are_refused():
    with pytest.raises(InputError, match="only repeat old ones"):
        fold_over(full_factorial(plain_region(3), seed=1))
    with pytest.raises(InputError, match="no half of the runs"):
        semi_fold_over(full_factorial(plain_region(3), seed=1))
    region = Region((*plain_region(2).factors, Factor.categorical("cup", ["P", "Q", "R"])))
    with pytest.raises(InputError, match="no other end"):
        fold_over(full_factorial(region, seed=1))

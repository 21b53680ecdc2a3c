"""Mixed-level fractions and the orthogonal arrays they come from."""

from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import appraise, full_factorial, mixed_levels
from doe.planning.arrays import fitting_array, is_orthogonal_array
from doe.planning.mixed import level_counts, usual_size
from doe.terms import Term, model_matrix


def cups(*levels):
    """Categorical factors of so many levels."""
    return Region([Factor.categorical("ABCDEFGH"[i], [f"{v}" for v in range(s)])
                   for i, s in enumerate(levels)])


PASTE = Region((Factor.categorical("cup", ["P", "Q", "R"]), Factor("time", 60, 300, unit="s"),
                Factor("speed", 800, 1600, unit="rpm", increment=10),
                Factor.categorical("lid", ["plain", "vented"])))


def pairs_occur_equally(table):
    return all(len(set(counts := table.groupby(list(pair)).size())) == 1
               and len(counts) == table[list(pair)].nunique().prod()
               for pair in combinations(table, 2))


# ---- arrays ----------------------------------------------------------------------------

# Runs of the smallest arrays as published: L9, L18, L16, L25, L36 and L54 (Hedayat, Sloane &
# Stufken 1999, tables 12.1 and 12.4; from memory).
@pytest.mark.parametrize(("levels", "runs"), [
    ([3] * 4, 9), ([2, *[3] * 7], 18), ([6, *[3] * 6], 18), ([3, 2, 3, 3], 18), ([4] * 5, 16),
    ([4, *[2] * 12], 16), ([4, 4, *[2] * 9], 16), ([5] * 6, 25), ([2] * 11 + [3] * 12, 36),
    ([3] * 13, 27), ([2, *[3] * 25], 54), ([4] * 9 + [2], 32)])
def test_smallest_arrays_as_published(levels, runs):
    array = fitting_array(levels)
    assert array.shape == (runs, len(levels))
    assert (array.max(axis=0) + 1).tolist() == list(levels)
    assert is_orthogonal_array(array)


@settings(max_examples=40, deadline=None)
@given(st.lists(st.sampled_from([2, 2, 3, 3, 4, 5, 6]), min_size=2, max_size=6),
       st.integers(0, 30))
def test_every_array_has_strength_two(levels, least):
    array = fitting_array(levels, least=least)
    if array is None:
        return
    assert len(array) >= least
    for i, j in combinations(range(len(levels)), 2):
        counts = np.unique(array[:, [i, j]], axis=0, return_counts=True)[1]
        assert len(counts) == levels[i] * levels[j]
        assert (counts == len(array) / (levels[i] * levels[j])).all()


def test_the_check_of_strength_can_fail():
    good = fitting_array([3, 3, 3])
    bad = good.copy()
    bad[0, 0] = (bad[0, 0] + 1) % 3
    assert is_orthogonal_array(good)
    assert not is_orthogonal_array(bad)
    assert fitting_array([7, 2]) is None


def aliasing(array):
    """A₃ by brute force: squared alias coefficients of orthonormal contrasts (Xu & Wu 2001)."""
    contrasts = []
    for column in array.T:
        s = column.max() + 1
        basis = np.linalg.qr(np.column_stack([np.ones(s), np.eye(s)[:, 1:]]))[0][:, 1:] * s**0.5
        contrasts.append(basis[column])
    return sum((np.einsum("na,nb,nc->abc", a, b, c) / len(array)).__pow__(2).sum()
               for a, b, c in combinations(contrasts, 3))


@pytest.mark.parametrize(("levels", "least"), [
    ([3, 3, 3], 2.0), ([3] * 4, 8.0), ([2, 3, 3, 3], 0.5), ([4, 2, 2, 2], 0.0)])
def test_columns_with_little_aliasing(levels, least):
    # 3^(3−1): one word of three, counted twice; 3^(4−2): four such words (Xu & Wu 2001).
    # 4×2³ in 16 of 32 runs: a half with a word of four.
    assert aliasing(fitting_array(levels)) == pytest.approx(least, abs=1e-9)


# ---- plans -----------------------------------------------------------------------------

def test_an_orthogonal_array_where_there_is_one():
    plan = mixed_levels(PASTE, seed=1)
    assert len(plan) == 18
    assert plan.details["array"]
    assert plan.details["title"] == "Mixed-level fraction 3×3×3×2"
    assert pairs_occur_equally(plan.settings)
    assert {Term("time", "time"), Term("speed", "speed"), Term("cup")} <= set(plan.terms)
    assert Term("lid", "lid") not in plan.terms
    assert sorted(set(plan.runs["speed"])) == [800, 1200, 1600]
    a = appraise(plan)
    assert a.table["estimable"].all()
    error = a.table.set_index("term")["standard_error"]
    assert error["time"] == pytest.approx(1 / np.sqrt(12))   # 12 of 18 runs at an end
    assert error["lid[vented]"] == pytest.approx(1 / np.sqrt(18))


def test_search_finds_the_array_that_the_tables_lack():
    # 4×2⁴ in 8 runs is an orthogonal array (a full 4×2 with three products), not in the tables.
    assert fitting_array([4, 2, 2, 2], 8) is None
    plan = mixed_levels(cups(4, 2, 2, 2), runs=8, seed=1)
    assert not plan.details["array"]
    assert plan.details["efficiency"] == pytest.approx(1, abs=1e-6)
    assert pairs_occur_equally(plan.settings)


def test_search_is_as_good_as_it_says():
    region = cups(3, 3, 2, 2)
    plan = mixed_levels(region, runs=12, seed=1)

    def per_run(p):
        X = model_matrix(region, p.settings, [t for t in p.terms if t.order < 2]).to_numpy()
        return np.linalg.det(X.T @ X / len(X)) ** (1 / X.shape[1])

    ratio = per_run(plan) / per_run(full_factorial(region, seed=1))
    assert plan.details["efficiency"] == pytest.approx(ratio, abs=1e-3)
    assert 0.9 < ratio < 1
    assert any(f"per run {100 * ratio:.1f} % of the D-efficiency that an orthogonal array" in r
               for r in plan.remarks)


def test_levels_that_occur_unequally_are_said_to():
    plan = mixed_levels(cups(3, 3, 2), runs=7, seed=1)
    said = next(r for r in plan.remarks if r.startswith("Levels do not all occur"))
    times = plan.runs["A"].value_counts().sort_values(ascending=False).astype(str)
    assert f"A {'/'.join(times)}" in said


def test_all_levels_asked_for_are_used():
    region = Region((Factor.settable("pressure", [2, 10, 20, 50, 100], unit="kPa"),
                     Factor("time", 60, 300), Factor.categorical("cup", ["P", "Q"])))
    plan = mixed_levels(region, levels={"pressure": 5, "time": 3}, runs=15, seed=1)
    assert plan.runs["pressure"].nunique() == 5
    assert set(plan.runs["time"]) == {60, 180, 300}
    assert level_counts(region, 9) == {"pressure": 5, "time": 9, "cup": 2}
    assert level_counts(region, {"pressure": 3}) == {"pressure": 3, "time": 2, "cup": 2}


def test_limits_send_it_searching_among_what_can_be_run():
    region = Region(PASTE.factors, ("time + 0.2 speed <= 500",))
    plan = mixed_levels(region, seed=1)
    assert not plan.details["array"]
    assert region.contains(plan.settings).all()
    assert set(plan.runs["time"]) == {60, 180, 300}
    assert set(plan.runs["speed"]) == {800, 1200, 1600}
    assert any("that any choice within the limits could have" in r for r in plan.remarks)
    assert not any("pulled" in r for r in plan.remarks)


def test_mixer_centre_points_and_seed():
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    usual = default_region(mixer)
    region = Region((*usual.factors[:3], Factor.settable("pressure", [2, 20, 100], unit="kPa"),
                     Factor.categorical("cup", ["P", "Q"])), usual.constraints)
    plan = mixed_levels(region, mixer=mixer, centre_points=2, seed=6)
    assert region.contains(plan.settings).all()
    assert plan.runs["point"].value_counts().to_dict() == {"factorial": len(plan) - 2, "centre": 2}
    assert appraise(plan).table["estimable"].all()
    assert plan == mixed_levels(region, mixer=mixer, centre_points=2, seed=6)


@pytest.mark.parametrize(("options", "blocks", "runs"), [
    ({"blocks": 2}, 2, 18), ({"blocks": 3}, 3, 18), ({"replicates": 2, "blocks": 2}, 2, 18)])
def test_blocks_are_orthogonal_to_main_effects(options, blocks, runs):
    plan = mixed_levels(cups(3, 3, 3), seed=1, **({"runs": 9} if "replicates" in options else {}),
                        **options)
    assert (len(plan), plan.blocks) == (runs, blocks)
    for name in "ABC":
        assert len(set(plan.runs.groupby(["block", name]).size())) == 1


def test_usual_sizes():
    assert usual_size({"a": 3, "b": 3, "c": 3}) == 9
    assert usual_size({"a": 3, "b": 3, "c": 3, "d": 3}) == 18     # 9 leave no run to spare
    assert usual_size({"a": 2, "b": 3, "c": 3}) == 12             # 18 would be all of them
    assert usual_size({"a": 2, "b": 2, "c": 2, "d": 2, "e": 3}) == 12


@pytest.mark.parametrize(("region", "options", "problem"), [
    (cups(2, 2, 2), {}, "two levels"), (cups(3, 3), {"runs": 9}, "a full factorial has 9"),
    (cups(3, 3, 3), {"runs": 6}, "take 7 runs"),
    (PASTE, {"levels": {"depth": 3}}, "no such factor"),
    (PASTE, {"levels": 1}, "at least 2"),
    (Region((Factor("a", 0, 1, increment=0.5), *cups(3, 3).factors)), {"levels": 5},
     "fewer different settings")])
def test_what_cannot_be_made(region, options, problem):
    with pytest.raises(InputError, match=problem):
        mixed_levels(region, **options)


def test_what_limits_or_few_levels_rule_out_is_said_in_the_terms_of_this_plan():
    a, b, c = (Factor(n, 0, 10) for n in "abc")
    with pytest.raises(InputError, match="3 combinations, and effects of all levels take 3 runs"):
        mixed_levels(Region([a]))
    for limits in (["a + b + c <= 4.9"], ["a + b + c <= 12.4", "a + b + c >= 11"]):
        with pytest.raises(InputError, match="the limits leave too few of their combinations"):
            mixed_levels(Region([a, b, c], limits))

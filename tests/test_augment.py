"""Runs added to plans: for larger models, for aliases, for lost runs, for wider ranges."""

import json
from itertools import combinations_with_replacement, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import (
    Plan,
    appraise,
    central_composite,
    fold_over,
    fractional_factorial,
    full_factorial,
    semi_fold_over,
    split_plot,
)
from doe.planning.augment import add_axial, augment
from doe.planning.optimal import optimal_plan
from doe.planning.resolve import repair, resolve
from doe.planning.standing import as_run, standing
from doe.practice import demo_brief
from doe.store import open_study
from doe.terms import model_matrix, parse, standard_terms


def cube(k, constraints=(), **options):
    return Region([Factor(c, -1, 1, **options) for c in "abcdefg"[:k]], constraints)


def matrix(plan, terms, blocks=True):
    X = model_matrix(plan.region, plan.settings, terms).to_numpy()
    label = plan.runs["block"].to_numpy()
    extra = [label == b for b in np.unique(label)[1:]] if blocks else []
    return np.column_stack([X, *extra]).astype(float)


def told(X, j):
    """True if coefficient j is determined by the rows (its unit vector is in the row space)."""
    unit = np.eye(X.shape[1])[j]
    return np.allclose(unit @ np.linalg.pinv(X) @ X, unit, atol=1e-8)


def first_runs_kept(new, plan):
    assert new.runs.iloc[:len(plan)].equals(plan.runs)
    assert new.runs["run"].tolist() == list(range(1, len(new) + 1))
    assert sorted(new.runs["standard"]) == list(range(1, len(new) + 1))
    assert Plan.from_plain(json.loads(json.dumps(new.to_plain()))) == new


# ---- aliases --------------------------------------------------------------------------------

PAIRS = "a:b + a:c + a:d + b:c + b:d + c:d"


def test_half_a_fold_over_is_found_for_the_half_fraction():
    # Of the 2^(4−1) of resolution IV a whole fold-over (8 runs) separates all pairs; half of one
    # does too (Mee & Peralta 2000), and fewer cannot: three pairs of aliases and the block.
    plan = fractional_factorial(cube(4), runs=8, seed=1)
    pairs = parse(PAIRS, plan.region)
    new = resolve(plan, PAIRS, seed=1)
    first_runs_kept(new, plan)
    assert (new.details["added"], new.details["least_runs"]) == (4, 4)
    model = standard_terms(plan.region, "interactions")
    folded = fold_over(plan, factors=["a"], seed=1)
    half = semi_fold_over(plan, factors=["a"], half="b", seed=1)
    for other, runs in ((new, 12), (half, 12), (folded, 16)):
        X = matrix(other, model)
        assert len(other) == runs
        assert all(told(X, model.index(t)) for t in pairs)
    assert not all(told(matrix(plan, model), model.index(t)) for t in pairs)
    assert (new.runs["point"].iloc[8:] == "added").all()
    assert (new.runs["block"].iloc[8:] == 2).all()
    assert "Fewer than 4 runs cannot do it" in " ".join(new.remarks)


@pytest.mark.parametrize(("terms", "against", "new_block"), [
    ("a:b", None, False), ("a:b", None, True), ("a:b + a:c", None, False),
    ("a:b", "a + b + c + d + c:d", True), ("a:b", "a + b + c + d + c:d", False)])
def test_no_smaller_choice_of_corners_does(terms, against, new_block):
    plan = fractional_factorial(cube(4), runs=8, seed=1)
    new = resolve(plan, terms, against=against, new_block=new_block, seed=2)
    named = parse(terms, plan.region)[1:]
    others = (standard_terms(plan.region, "interactions") if against is None
              else parse(against, plan.region))
    model = (*named, *(t for t in others if t not in named))

    def does(corners):
        every = pd.concat([plan.settings, pd.DataFrame(corners, columns=list("abcd"))])
        X = model_matrix(plan.region, every, model).to_numpy()
        if new_block:
            X = np.column_stack([X, np.arange(len(X)) >= 8])
        return all(told(X, j) for j in range(len(named)))

    corners = list(product([-1.0, 1.0], repeat=4))
    added = [tuple(x) for x in new.settings.iloc[8:].to_numpy()]
    assert does(added)
    assert new.details["least_runs"] <= len(added)
    assert not any(does(choice)
                   for choice in combinations_with_replacement(corners, len(added) - 1))


def test_what_need_not_be_resolved():
    plan = full_factorial(cube(3), seed=1)
    with pytest.raises(InputError, match="can tell them already"):
        resolve(plan, "a:b")
    with pytest.raises(InputError, match="there are none"):
        resolve(plan, "1")
    with pytest.raises(InputError, match="no choice of 1 run"):
        resolve(fractional_factorial(cube(4), runs=8, seed=1), PAIRS, most=1)


def test_added_runs_keep_limits_and_increments():
    region = cube(5, ("a + b + c <= 1.4",), increment=0.3)
    plan = fractional_factorial(region, runs=8, seed=3)
    new = resolve(plan, "b:c", seed=1)
    assert region.contains(new.settings).all()
    assert np.allclose(region.snap(new.settings).to_numpy(), new.settings.to_numpy())
    X = matrix(new, tuple(dict.fromkeys([*standard_terms(region, "interactions")])))
    assert told(X, standard_terms(region, "interactions").index(parse("b:c", region)[1]))


# ---- larger models --------------------------------------------------------------------------

def test_screening_becomes_a_response_surface():
    plan = fractional_factorial(cube(3), runs=4, seed=1)
    new = augment(plan, runs=10, criterion="D", seed=1, starts=60)
    first_runs_kept(new, plan)
    assert len(new) == 14
    assert new.terms == standard_terms(plan.region, "quadratic")
    assert appraise(new).table["estimable"].all()
    assert new.details["rank_before"] == 4
    assert new.details["efficiency_given_kept"] > 0.85
    assert "Of 10 coefficients of the model, 4 could be told apart before" in " ".join(new.remarks)


def test_the_best_single_run_is_where_the_variance_is_greatest():
    # |M + f f'| = |M| (1 + f' M⁻¹ f): the next D-optimal run is where the prediction variance is
    # greatest (Wynn 1970; Atkinson, Donev & Tobias 2007, section 11.2).
    plan = optimal_plan(cube(2), runs=7, seed=1, starts=30)
    new = augment(plan, runs=1, new_block=False, seed=1, starts=60)
    X = matrix(plan, plan.terms)
    grid = np.linspace(-1, 1, 41)
    points = pd.DataFrame(list(product(grid, grid)), columns=["a", "b"])
    F = model_matrix(plan.region, points, plan.terms).to_numpy()
    variance = (F @ np.linalg.inv(X.T @ X) * F).sum(axis=1)
    f = model_matrix(plan.region, new.settings.iloc[[-1]], plan.terms).to_numpy()[0]
    assert f @ np.linalg.inv(X.T @ X) @ f >= variance.max() * (1 - 1e-6)


def test_axial_runs_complete_a_composite():
    # The cube with its centre points, then axial runs as a block: the plan of Box & Hunter (1957).
    factorial = full_factorial(cube(3), centre_points=3, seed=1)
    new = add_axial(factorial, seed=2)
    first_runs_kept(new, factorial)
    ready = central_composite(cube(3), axial="face-centred", blocks=2, centre_points=6, seed=1)
    sort = lambda p: sorted(map(tuple, p.settings.round(9).to_numpy()))  # noqa: E731
    assert sort(new) == sort(ready)
    assert new.runs["point"].iloc[11:].value_counts().to_dict() == {"axial": 6, "centre": 3}
    assert appraise(new).table["estimable"].all()


def test_orthogonal_axial_block_in_a_wider_region():
    # Box & Hunter (1957): α² = F (2k + n₀ₐ) / (2 (F + n₀_c)) makes the blocks orthogonal.
    plan = full_factorial(cube(3), centre_points=4, seed=1)
    with pytest.raises(InputError, match="outside its range"):
        add_axial(plan, axial="orthogonal blocks", seed=1)
    wide = dict.fromkeys("abc", (-2.0, 2.0))
    new = add_axial(plan, axial="orthogonal blocks", centre_points=2, ranges=wide, seed=1)
    alpha = np.sqrt(8 * (6 + 2) / (2 * (8 + 4)))
    assert new.details["axial_distance"] == pytest.approx(alpha)
    assert new.settings["a"].max() == pytest.approx(alpha)
    assert "Blocks are orthogonal" in " ".join(new.remarks)
    X = model_matrix(new.region, new.settings, new.terms).to_numpy()
    means = [X[new.runs["block"] == b].mean(axis=0) for b in (1, 2)]
    assert np.allclose(*means)


def test_axial_runs_say_what_the_cube_still_hides():
    new = add_axial(fractional_factorial(cube(4), runs=8, seed=1), seed=1)
    assert "still cannot separate 3 coefficients" in " ".join(new.remarks)
    with pytest.raises(InputError, match="no axial points"):
        add_axial(full_factorial(Region([*cube(2).factors, Factor.categorical("cup", "PQ")])))


def test_wider_ranges():
    plan = full_factorial(Region([Factor("speed", 800, 1200, unit="rpm", increment=10),
                                  Factor("time", 60, 180, unit="s")]), centre_points=2, seed=1)
    new = augment(plan, ranges={"speed": (600, 1600)}, runs=6, seed=1, starts=40)
    first_runs_kept(new, plan)
    assert (new.region["speed"].low, new.region["speed"].high) == (600, 1600)
    assert {600, 1600} <= set(new.settings["speed"])
    assert appraise(new).table["estimable"].all()
    with pytest.raises(InputError, match="only a continuous factor"):
        augment(full_factorial(Region([Factor("a", 0, 1), Factor.categorical("cup", "PQ")])),
                ranges={"cup": (0, 1)})


def test_blocks_or_none():
    plan = full_factorial(cube(2), seed=1)
    apart = augment(plan, runs=6, seed=1, starts=40)
    joint = augment(plan, runs=6, new_block=False, seed=1, starts=40, centre_points=2)
    assert (apart.blocks, joint.blocks) == (2, 1)
    assert (joint.runs["point"] == "centre").sum() == 2
    assert "taken out of every effect" in apart.remarks[0]
    assert "would pass for an effect" in joint.remarks[0]


def test_groups_are_added_to_a_split_plot():
    region = Region([Factor("p", -1, 1, hard_to_change=True), *cube(2).factors])
    plan = split_plot(region, whole_plots=4, runs=8, model="linear", seed=1, starts=5)
    new = augment(plan, runs=8, whole_plots=4, seed=1, starts=10)
    first_runs_kept(new, plan)
    after = new.runs.iloc[8:]
    assert after["whole_plot"].tolist() == [5, 5, 6, 6, 7, 7, 8, 8]
    assert after.groupby("whole_plot")["p"].nunique().eq(1).all()
    assert new.details["variance_ratios"] == {"whole_plot": 1.0}
    assert appraise(new).table["estimable"].all()
    with pytest.raises(InputError, match="no groups of runs"):
        augment(full_factorial(cube(2)), whole_plots=2)


# ---- what was achieved, and what was lost ---------------------------------------------------

def test_achieved_settings_are_what_counts():
    plan = full_factorial(cube(2), seed=1)
    records = plan.runs[["run", "a", "b"]].copy()
    records.loc[2, "a"] = 0.25
    now = standing(plan, records)
    assert now.settings["a"].tolist() == records["a"].tolist()
    assert now.off_run == 3
    assert now.off == pytest.approx(abs(0.25 - plan.runs["a"][2]))
    run = as_run(plan, records)
    assert run.settings["a"][2] == 0.25
    assert appraise(run).efficiencies["D"] < appraise(plan).efficiencies["D"]
    assert plan.settings["a"][2] != 0.25
    repeated = pd.concat([records, records.iloc[[0]]])
    assert standing(plan, repeated).run.tolist() == [1, 1, 2, 3, 4]


def test_a_factorial_that_lost_a_run():
    # 2^3 less one run: X'X = 8 I − f f', so |M|^(1/p) / 8 = (1 − p/8)^(1/p) (from the matrix
    # determinant lemma); the main-effect model keeps half of |M|.
    region = cube(3)
    plan = full_factorial(region, seed=1)
    kept = plan.runs.drop(index=4)
    share = 0.5**0.25
    whole = repair(plan, kept, terms="a + b + c", efficiency=share * 0.999, seed=1)
    assert whole.details["information"]["without"] == pytest.approx(share)
    assert whole.runs.equals(plan.runs)
    assert "no run needs to be added" in whole.remarks[-1]
    mended = repair(plan, kept, terms="a + b + c", efficiency=0.99, seed=1)
    assert mended.details["added"] == 1
    lost = tuple(plan.settings.iloc[4])
    assert tuple(mended.settings.iloc[8]) == lost  # the one place that restores all of it
    assert mended.details["information"]["with"] == pytest.approx(1)
    assert mended.details["lost"] == [5]
    assert len(as_run(mended)) == 8
    first_runs_kept(mended, plan)


def test_estimability_comes_back_with_the_fewest_runs():
    plan = optimal_plan(cube(3), runs=12, seed=1, starts=60)
    kept = plan.runs.drop(index=[0, 3, 5, 7])
    new = repair(plan, kept, efficiency=0.3, seed=1, starts=20)
    assert new.details["information"]["without"] == 0
    assert new.details["added"] == 2  # eight runs are left for ten coefficients
    assert appraise(as_run(new)).table["estimable"].all()
    assert "can no longer be estimated" in " ".join(new.remarks)


def test_replacements_go_where_runs_were_lost():
    plan = full_factorial(cube(3), blocks=2, seed=1)
    lost = plan.runs.index[plan.runs["block"] == 2][:2]
    new = repair(plan, plan.runs.drop(index=lost), terms="a + b + c", efficiency=0.99, seed=1)
    assert (new.runs["block"].iloc[8:] == 2).all()
    apart = repair(plan, plan.runs.drop(index=lost), terms="a + b + c", efficiency=0.8,
                   new_block=True, seed=1)
    assert (apart.runs["block"].iloc[8:] == 3).all()


@settings(max_examples=12, deadline=None)
@given(st.integers(0, 2**31), st.lists(st.integers(0, 10), max_size=4, unique=True),
       st.floats(0, 0.3))
def test_old_runs_stay_whatever_happened(seed, gone, off):
    plan = full_factorial(cube(3), centre_points=3, seed=5)
    records = plan.runs.drop(index=gone).reset_index(drop=True)
    rng = np.random.default_rng(seed)
    records[["a", "b", "c"]] += off * rng.uniform(-1, 1, (len(records), 3))
    new = repair(plan, records, terms="a + b + c", efficiency=0.8, seed=seed, starts=10)
    assert new.runs.iloc[:len(plan)].equals(plan.runs)
    share = new.details["information"]
    assert share["with"] >= 0.8
    X, full = matrix(as_run(new, pd.concat([records, new.runs.iloc[len(plan):]])),
                     parse("a + b + c", plan.region)), matrix(plan, parse("a + b + c",
                                                                          plan.region))
    found = (np.linalg.det(X.T @ X) / np.linalg.det(full.T @ full))**0.25
    assert found == pytest.approx(share["with"])


@pytest.mark.parametrize(("call", "match"), [
    (lambda p: augment(p, runs=1), "at least"), (lambda p: augment(p, records=p.runs[["a"]]),
                                                 "'run' is missing"),
    (lambda p: augment(p, lost=[99]), "no such run"),
    (lambda p: augment(p, lost=[1, 2, 3, 4]), "no run is left"),
    (lambda p: repair(p, p.runs.iloc[:1], most=1), "reach"),
    (lambda p: repair(p, p.runs, terms="a + I(a**2)"), "even as planned"),
    (lambda p: add_axial(p, axial="star"), "axial")])
def test_one_clear_error(call, match):
    with pytest.raises(InputError, match=match):
        call(full_factorial(cube(2), seed=1))


# ---- in the study ---------------------------------------------------------------------------

def test_a_study_takes_the_runs_as_an_amendment(tmp_path):
    brief = demo_brief()
    plan = fractional_factorial(brief.region, runs=8, seed=1, mixer=brief.mixer)
    with open_study(tmp_path / "a.study", create=brief) as file:
        file.set_plan(plan)
        name = brief.responses[0].name
        low = brief.region.names[0]
        for run in range(1, 8):
            made = {low: float(plan.settings[low][run - 1]) + 1.0} if run == 2 else None
            file.record(run, {name: 0.5 + run / 10}, settings=made)
        file.record(8, {name: 0.7})
        file.void(8, "lid came off", operator="Kim")
        table = file.read().table()
        assert table["run"].tolist() == list(range(1, 8))
        new = augment(plan, records=table, lost=[8], runs=12, mixer=brief.mixer, seed=2, starts=10)
        file.set_plan(new, reason="from screening to response surface")
        study = file.read()
        assert study.plan == new
        assert study.pending[-12:] == list(range(9, 21))
        assert new.details["lost"] == [8]
        assert standing(new, table, lost=[8]).off_run == 2

"""Optimal plans: known optima, limits kept, options, and what the plan says of itself."""

import json
from itertools import pairwise, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import appraise, efficiencies, make_plan
from doe.planning.optimal import optimal_plan
from doe.planning.plan import Plan
from doe.planning.settle import feasible, settable
from doe.terms import Term, model_matrix, standard_terms


def cube(k, constraints=(), **options):
    return Region([Factor(c, -1, 1, **options) for c in "abcdefgh"[:k]], constraints)


def quick(region, **options):
    return optimal_plan(region, **{"seed": 1, "starts": 60, **options})


def coded(plan):
    return plan.region.encode(plan.settings)


# ---- known optima ---------------------------------------------------------------------------

@pytest.mark.parametrize("criterion", ["D", "A", "I"])
def test_factorial_for_the_interaction_model(criterion):
    # With 2^k runs the factorial has M = n I, which no plan can pass (Kiefer & Wolfowitz 1960).
    plan = quick(cube(3), terms="(a + b + c)**3", runs=8, criterion=criterion)
    assert plan.details["efficiency"] == pytest.approx(1, abs=1e-6)
    assert {tuple(x) for x in coded(plan)} == set(product([-1, 1], repeat=3))
    assert (plan.runs["point"] == "factorial").all()


@pytest.mark.parametrize(("k", "runs"), [(3, 4), (4, 8), (7, 8), (5, 12)])
def test_orthogonal_array_for_main_effects(k, runs):
    plan = quick(cube(k), model="linear", runs=runs)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    assert np.allclose(X.T @ X, runs * np.eye(k + 1))


def test_three_factor_interaction_gives_the_blocks():
    # 2^3 in two blocks of four: the model of all pairs is free of the block effect only if abc
    # is what the blocks confound (Box, Hunter & Hunter 2005, chapter 5).
    plan = quick(cube(3), model="interactions", runs=8, blocks=2)
    sign = coded(plan).prod(axis=1)
    assert plan.details["efficiency"] == pytest.approx(1, abs=1e-6)
    for block in (1, 2):
        assert len(set(sign[plan.runs["block"] == block])) == 1


def test_balanced_categories():
    region = Region([Factor.categorical("cup", ["jar", "tube", "bottle"]), Factor("a", 0, 5),
                     Factor("b", 0, 1)])
    plan = quick(region, model="linear", runs=12)
    assert plan.details["efficiency"] == pytest.approx(1, abs=1e-4)
    assert set(plan.runs["cup"].value_counts()) == {4}


def test_three_factors_fourteen_runs():
    # |M|^(1/p) = 0.4630 for the best plan on three levels (search of the 3^3 lattice by
    # `exchange_rows` from 100 000 starts; Mitchell 1974 gives 46 %, from memory).
    plan = optimal_plan(cube(3), runs=14, starts=300, seed=2)
    assert plan.details["efficiencies"]["D"] == pytest.approx(46.30, abs=0.05)


def test_main_effects_are_kept_clear_of_pairs_that_may_matter():
    # DuMouchel & Jones (1994, section 4): with main effects primary and pairs potential, eight
    # runs in four factors are the half fraction of resolution IV.
    region = cube(4)
    plan = quick(region, model="linear", potential="(a + b + c + d)**2", runs=8)
    x = coded(plan)
    pairs = np.column_stack([x[:, i] * x[:, j] for i in range(4) for j in range(i)])
    assert np.allclose(x.T @ x, 8 * np.eye(4))
    assert np.allclose(x.T @ pairs, 0)
    assert plan.terms == standard_terms(region, "linear")
    assert any("prior" in r for r in plan.remarks)


def test_nothing_potential_is_the_ordinary_plan():
    ordinary = quick(cube(2), runs=7)
    assert quick(cube(2), runs=7, potential=(), tau=0.3) == ordinary
    assert quick(cube(2), runs=7, potential="a + I(a**2)") == ordinary  # in the model already


def test_a_wide_prior_is_no_prior():
    region = cube(2)
    wide = quick(region, model="linear", potential="a:b + I(a**2) + I(b**2)", tau=1e3, runs=8)
    plain = quick(region, model="quadratic", runs=8)

    def size(plan):
        X = model_matrix(region, plan.settings, standard_terms(region, "quadratic")).to_numpy()
        return np.linalg.det(X.T @ X) ** (1 / 6)

    assert size(wide) == pytest.approx(size(plain), rel=1e-3)


# ---- limits ---------------------------------------------------------------------------------

LIMITS = ["a + b <= 0.4", "a * b <= 0.3", "b * c >= -0.5", "a - b + c <= 1.1"]


@settings(max_examples=10)
@given(st.lists(st.sampled_from(LIMITS), max_size=3, unique=True),
       st.sampled_from([None, 0.01, 0.07, 0.25]), st.sampled_from(["D", "I"]), st.booleans(),
       st.integers(0, 9))
def test_limits_are_kept(limits, increment, criterion, ruled, seed):
    region = cube(3, limits, increment=increment)
    allowed = (lambda s: ((s.a**2 + s.c**2) <= 1.2).to_numpy()) if ruled else None
    plan = optimal_plan(region, runs=13, starts=6, seed=seed, criterion=criterion,
                        allowed=allowed, forbidden=[{"a": (0.5, 1), "b": -1.0}])
    s = plan.settings
    assert region.contains(s).all()
    assert np.allclose(region.snap(s).to_numpy(), s.to_numpy(), atol=1e-12)
    assert not ((s.a >= 0.5) & (s.b == -1)).any()
    assert allowed is None or allowed(s).all()
    assert 0.5 < plan.details["efficiency"] <= 1 / (1 - plan.details["optimum_gap"])


def test_many_factors_are_searched_by_coordinates_within_limits():
    region = cube(8, ["a + b + c <= 1", "d * e <= 0.5"])
    plan = optimal_plan(region, model="linear", runs=16, blocks=4, starts=20, seed=1)
    assert plan.details["exchanged"] == "coordinates"
    assert region.contains(plan.settings).all()
    assert plan.details["efficiency"] > 0.85


MIXER = Mixer("bench", 140.0, pressure_range=(1.0, 101.3), rotation_increment=25.0,
              revolution_increment=50.0, time_increment=15.0)


def test_mixer_can_be_set_to_every_run():
    region = default_region(MIXER)
    region = Region(region.factors, (*region.constraints, "revolution * rotation_ratio <= 520",
                                     "revolution * time <= 360000"))
    plan = quick(region, runs=20, mixer=MIXER)
    s = plan.settings
    assert feasible(region, s, MIXER).all()
    assert np.allclose(settable(region, s, MIXER).to_numpy(), s.to_numpy())
    rotation = s["revolution"] * s["rotation_ratio"]
    assert np.allclose(rotation % 25, 0) or np.allclose(rotation / 25, (rotation / 25).round())
    before, after = (plan.details[f"efficiency_{w}_snapping"] for w in ("before", "after"))
    said = next(r for r in plan.remarks if r.startswith("Setting the runs"))
    assert before > after > before - 0.05
    assert f"{100 * (1 - after / before):.1f} %" in said


def test_loss_is_not_claimed_where_nothing_was_snapped():
    assert not any(r.startswith("Setting") for r in quick(cube(2), runs=8).remarks)


def test_forbidden_categories():
    region = Region([Factor.categorical("cup", ["jar", "tube"]), Factor("a", 0, 10)])
    plan = quick(region, model="interactions", runs=8, forbidden=[{"cup": "tube", "a": (5, 10)}])
    tube = plan.settings[plan.settings["cup"] == "tube"]
    assert len(tube) >= 2
    assert (tube["a"] < 5).all()


# ---- options --------------------------------------------------------------------------------

def test_seed_draws_the_same_plan_again():
    region = cube(3, ["a + b <= 0.5"])
    first, again = (quick(region, runs=12, seed=5) for _ in range(2))
    assert first == again
    assert quick(region, runs=12, seed=6) != first
    assert Plan.from_plain(json.loads(json.dumps(first.to_plain()))) == first


def test_seed_is_recorded_when_drawn():
    plan = optimal_plan(cube(2), runs=8, starts=10)
    assert optimal_plan(cube(2), runs=8, starts=10, seed=plan.seed) == plan


def test_kept_runs_stay_and_are_completed():
    region = cube(2)
    kept = pd.DataFrame({"a": [-1, 1, 0.123456, 0.2], "b": [-1, 1, 0.2, 0.123456]})
    plan = quick(region, runs=9, keep=kept)
    assert np.array_equal(plan.settings.to_numpy()[:4], kept.to_numpy())
    assert (plan.runs["point"].iloc[4:] == "added").all()
    assert plan.details["kept"] == 4
    assert plan.details["efficiency"] < plan.details["efficiency_given_kept"] <= 1
    # No worse than completing with any of some thousand random choices.
    terms = standard_terms(region, "quadratic")
    random = np.random.default_rng(1).choice([-1.0, 0, 1], (4000, 5, 2))
    full = np.concatenate([np.broadcast_to(kept.to_numpy(), (4000, 4, 2)), random], axis=1)
    X = model_matrix(region, pd.DataFrame(full.reshape(-1, 2), columns=["a", "b"]),
                     terms).to_numpy().reshape(4000, 9, 6)
    ours = model_matrix(region, plan.settings, terms).to_numpy()
    assert np.linalg.det(ours.T @ ours) >= np.linalg.det(X.swapaxes(1, 2) @ X).max() * 0.999


def test_kept_runs_as_a_block_of_their_own():
    kept = pd.DataFrame({"a": [-1.0, 1, -1, 1], "b": [-1.0, -1, 1, 1], "block": 1})
    plan = quick(cube(2), runs=10, blocks=[4, 6], keep=kept)
    assert plan.runs["block"].tolist() == [1] * 4 + [2] * 6
    assert (plan.runs["point"].iloc[:4] == "factorial").all()


def test_centre_points_repeats_and_replicates():
    plan = quick(cube(3), runs=16, centre_points=2, repeats=3)
    same = plan.settings.duplicated(keep=False).sum()
    assert len(plan) == 16
    assert (plan.runs["point"] == "centre").sum() >= 2
    assert plan.settings.duplicated().sum() >= 4
    assert same >= 5
    twice = quick(cube(3), model="interactions", runs=8, replicates=2, blocks=2)
    assert len(twice) == 16
    assert twice.blocks == 4
    assert (twice.settings.value_counts() == 2).all()


def test_repeats_are_in_the_block_of_the_run_they_repeat():
    plan = quick(cube(3), runs=20, blocks=[8, 12], repeats=4)
    assert plan.runs.duplicated(["a", "b", "c", "block"]).sum() >= 4
    assert plan.runs["block"].value_counts().to_dict() == {1: 8, 2: 12}


def test_every_start_is_told_and_a_stop_keeps_the_best():
    told = []
    whole = quick(cube(3), runs=11, starts=600, progress=lambda *a: told.append(a))
    assert [d for d, _, _ in told] == sorted(d for d, _, _ in told)
    assert told[-1][:2] == (600, 600)
    assert all(b <= c for (_, _, b), (_, _, c) in pairwise(told))
    assert told[-1][2] <= whole.details["efficiency"] + 1e-9
    stopped = quick(cube(3), runs=11, starts=600, stop=lambda: True)
    assert stopped.details["starts_done"] < 600
    assert stopped.details["efficiency"] > 0.7
    assert any("stopped" in r for r in stopped.remarks)


def test_an_interrupt_keeps_the_best_so_far():
    def interrupt(done, starts, best):
        told.append(best)
        if len(told) == 2:
            raise KeyboardInterrupt

    told = []
    plan = quick(cube(3), runs=11, starts=2000, progress=interrupt)
    assert 0 < plan.details["starts_done"] < 2000
    assert plan.details["efficiency"] >= told[-1] - 1e-9
    assert any("stopped" in r for r in plan.remarks)


def test_an_interrupt_before_there_is_a_plan_is_one():
    def rule(settings):
        asked.append(len(settings))
        if len(asked) > 3:
            raise KeyboardInterrupt
        return np.ones(len(settings), bool)

    asked = []
    with pytest.raises(KeyboardInterrupt):
        quick(cube(2), runs=8, allowed=rule)


def test_efficiencies_agree_with_the_appraisal():
    plan = quick(cube(3, ["a + b <= 0.5"]), runs=14, blocks=2, criterion="A")
    theirs, ours = efficiencies(plan), plan.details["efficiencies"]
    assert ours["D"] == pytest.approx(theirs["D"], rel=1e-9)
    assert ours["A"] == pytest.approx(theirs["A"], rel=1e-9)
    assert ours["G"] <= theirs["G"] * (1 + 1e-9)  # theirs says it is an upper bound
    assert ours["I"] == pytest.approx(theirs["I"], rel=0.02)


def test_each_criterion_is_best_at_its_own():
    region = cube(2, ["a + b <= 0.8"])
    plans = {c: quick(region, runs=9, criterion=c, starts=200) for c in "DIA"}
    value = {c: p.details["efficiencies"] for c, p in plans.items()}
    assert value["D"]["D"] == max(v["D"] for v in value.values())
    assert value["A"]["A"] == max(v["A"] for v in value.values())
    assert value["I"]["I"] == min(v["I"] for v in value.values())


def test_saturated_and_unrepeated_plans_say_so():
    assert any("as many runs as coefficients" in r for r in quick(cube(2), runs=6).remarks)
    assert any("none of them from repeated" in r for r in quick(cube(3), runs=12).remarks)


def test_runs_left_out():
    assert len(quick(cube(3))) == 14
    assert len(quick(cube(3), blocks=[7, 8])) == 15


# ---- refusals -------------------------------------------------------------------------------

KEPT = pd.DataFrame({"a": [0.0] * 4, "b": [0.0] * 4})


@pytest.mark.parametrize(("options", "message"), [
    ({"runs": 5}, "model has 6 coefficients"),
    ({"runs": 6, "repeats": 1}, "repeats do not help"),
    ({"runs": 6, "blocks": 2}, "7 coefficients"),
    ({"runs": 8.5}, "whole number"),
    ({"runs": 9, "criterion": "E"}, "not a known choice"),
    ({"runs": 9, "model": "cubic"}, "not a known choice"),
    ({"runs": 9, "terms": ""}, "right-hand side"), ({"runs": 9, "terms": ()}, "there are none"),
    ({"runs": 9, "terms": "a + z"}, "only factors"),
    ({"runs": 9, "blocks": [4, 4]}, "do not make up 9"),
    ({"runs": 9, "blocks": 0}, "at least 1"),
    ({"runs": 9, "keep": KEPT.assign(block=[1, 1, 1, 2])}, "more kept runs"),
    ({"runs": 9, "keep": KEPT[["a"]]}, "missing"),
    ({"runs": 4, "keep": KEPT}, "kept included"),
    ({"runs": 9, "keep": KEPT, "replicates": 2}, "cannot be replicated"),
    ({"runs": 9, "centre_points": 5, "repeats": 4}, "leave none to be chosen"),
    ({"runs": 9, "forbidden": [{"z": 1}]}, "no such factor"),
    ({"runs": 9, "forbidden": [{"a": "high"}]}, "neither a number nor a range"),
    ({"runs": 9, "forbidden": [{"a": (1, -1)}]}, "not in order"),
    ({"runs": 9, "forbidden": [{}]}, "names no factor"),
    ({"runs": 9, "allowed": lambda s: True}, "one True or False"),
    ({"runs": 9, "allowed": lambda s: (s.a > 3).to_numpy()}, "may be run"),
    ({"runs": 9, "centre_points": 1, "allowed": lambda s: (s.a.abs() > 0.5).to_numpy()},
     "centre may not be run"),
    ({"runs": 9, "tau": 0}, "greater than 0"),
    ({"runs": 9, "starts": 0}, "at least 1"),
    ({"runs": 9, "seed": -1}, "at least 0"),
])
def test_bad_options_are_refused(options, message):
    with pytest.raises(InputError, match=message):
        optimal_plan(cube(2), **{"starts": 5, "seed": 1, **options})


def test_terms_as_values():
    plan = quick(cube(2), terms=[Term(), Term("a"), Term("b"), Term("a", "a")], runs=8)
    assert plan.details["model"] == "a + b + I(a ** 2)"


def test_potential_terms_by_the_name_of_a_model():
    options = {"model": "linear", "runs": 8, "seed": 1, "starts": 20}
    named = optimal_plan(cube(3), potential="interactions", **options)
    spelt = optimal_plan(cube(3), potential="a:b + a:c + b:c", **options)
    assert named.details["potential"] == spelt.details["potential"] == ["a:b", "a:c", "b:c"]
    assert named.runs.equals(spelt.runs)


def test_repeats_in_different_blocks_are_counted_as_the_appraisal_does():
    plan = optimal_plan(cube(2), runs=11, blocks=2, seed=3, starts=300)
    assert appraise(plan).pure_error_df == 1
    assert not any("none of them from repeated settings" in r for r in plan.remarks)


def test_kept_runs_outside_may_beat_the_optimum_inside():
    keep = pd.DataFrame({"a": [-1.0, 1.0, 2.5], "b": [-1.0, 1.0, -1.0]})
    plan = optimal_plan(cube(2), runs=9, keep=keep, seed=1, starts=20)
    assert plan.details["efficiency"] > 1
    assert "than that inside the region" in plan.remarks[0]
    assert any(r.startswith("1 kept run lies outside the region") for r in plan.remarks)


# ---- narrow regions -------------------------------------------------------------------------

@pytest.mark.parametrize(("low", "high", "model"), [(0.98, 1.02, "quadratic"),
                                                    (0.995, 1.005, "interactions")])
def test_a_sum_that_is_all_but_fixed(low, high, model):
    # Sought again by exchange on a fine list of the band's own, with rows made orthonormal, so
    # that nothing depends on how little a coefficient is known.
    region = Region([Factor(n, 0, 1) for n in "abc"],
                    [f"a + b + c <= {high}", f"a + b + c >= {low}"])
    plan = optimal_plan(region, model=model, runs=14, seed=1, starts=200)
    assert region.contains(plan.settings).all()
    assert plan.details["efficiency"] > 0.9
    axis = np.linspace(0, 1, 11)
    grid = pd.DataFrame([(a, b, s - a - b) for a in axis for b in axis for s in (low, high)
                         if -1e-9 <= s - a - b <= 1 + 1e-9], columns=list("abc"))
    F = model_matrix(region, grid, plan.terms).to_numpy()
    Q, R = np.linalg.qr(F)
    own = model_matrix(region, plan.settings, plan.terms).to_numpy() @ np.linalg.inv(R)
    rng, best = np.random.default_rng(1), -np.inf
    for _ in range(10):
        rows = rng.choice(len(Q), 14)
        for _ in range(6):
            for r in range(14):
                M = np.delete(Q[rows], r, axis=0)
                M = M.T @ M + 1e-9 * np.eye(Q.shape[1])
                rows[r] = np.einsum("ij,jk,ik->i", Q, np.linalg.inv(M), Q).argmax()
        best = max(best, np.linalg.slogdet(Q[rows].T @ Q[rows])[1])
    assert np.linalg.slogdet(own.T @ own)[1] / Q.shape[1] > best / Q.shape[1] - 0.01


def test_a_band_that_the_lattice_misses_is_not_refused():
    region = Region([Factor("revolution_1", 800, 1600, increment=10),
                     Factor("rotation_ratio_1", 0.2, 0.5), Factor("time_1", 30, 120, increment=1),
                     Factor("revolution_2", 400, 1000, increment=10),
                     Factor("time_2", 30, 180, increment=1)],
                    ["time_1 + time_2 <= 200", "time_1 + time_2 >= 190"])
    plan = optimal_plan(region, model="interactions", mixer=Mixer("mixer", 150.0), seed=1,
                        starts=10)
    assert np.linalg.matrix_rank(model_matrix(region, plan.settings, plan.terms)) == 16
    assert plan.details["efficiency"] > 0.85
    with pytest.raises(InputError, match=r"time_1 \+ time_2|told apart"):
        optimal_plan(Region(region.factors, ["time_1 + time_2 <= 60"]), seed=1)


@pytest.mark.parametrize("family", ["optimal", "split-plot"])
def test_more_runs_than_memory_holds_are_refused_before_the_search(family):
    region = Region([Factor("pressure", 2, 20, unit="kPa", hard_to_change=True),
                     Factor("time", 60, 240, unit="s")])
    with pytest.raises(InputError, match="at most 10000"):
        make_plan(region, family, starts=1e9, seed=1)
    with pytest.raises(InputError, match="a plan has at most 2,000 runs"):
        make_plan(region, family, runs=100_000, seed=1)

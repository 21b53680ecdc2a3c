"""Plans whose runs share errors: information, exchange, closed forms, enumeration, appraisal."""

import json
from dataclasses import replace
from itertools import combinations_with_replacement, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, default_region
from doe.planning import (
    Plan,
    appraise,
    full_factorial,
    make_plan,
    random_blocks,
    split_plot,
    suggest_runs,
)
from doe.planning.candidates import Space
from doe.planning.criteria import criterion_for
from doe.planning.optimal import optimal_plan
from doe.planning.split_exchange import GroupedTask, _Batch
from doe.planning.strata import precision
from doe.planning.suggest import options_of
from doe.terms import exponents, model_matrix, parse, standard_terms


def region_of(hard, easy, constraints=(), **options):
    return Region([*(Factor(f"w{i}", -1, 1, hard_to_change=True, **options) for i in range(hard)),
                   *(Factor(f"s{i}", -1, 1, **options) for i in range(easy))], constraints)


def covariance(plots, ratio):
    """V written out, as in Goos & Vandebroek (2003), equation 2."""
    return np.array([[float(a == b) + ratio * (p == q) for b, q in enumerate(plots)]
                     for a, p in enumerate(plots)])


def information(plan, ratio=None, terms=None):
    ratio = plan.details["variance_ratios"]["whole_plot"] if ratio is None else ratio
    X = model_matrix(plan.region, plan.settings, terms or plan.terms).to_numpy()
    return X.T @ np.linalg.inv(covariance(plan.runs["whole_plot"], ratio)) @ X


# ---- the arithmetic -------------------------------------------------------------------------

@given(st.lists(st.integers(1, 5), min_size=1, max_size=5), st.floats(0, 50))
def test_precision_is_the_inverse_of_v(sizes, ratio):
    # V⁻¹ of a group of m runs is I − ratio / (1 + m ratio) 11' (Sherman & Morrison 1950).
    plots = np.repeat(np.arange(len(sizes)), sizes)
    expected = np.eye(len(plots))
    for g, m in enumerate(sizes):
        inside = plots == g
        expected -= ratio / (1 + m * ratio) * np.outer(inside, inside)
    assert np.allclose(precision([plots], [ratio]), expected)
    assert np.allclose(precision([plots], [ratio]) @ covariance(plots, ratio), np.eye(len(plots)))


@pytest.mark.parametrize("criterion", ["D", "I", "A"])
def test_each_step_gains_what_the_update_says(criterion):
    region = region_of(1, 2)
    space = Space(region, standard_terms(region, "quadratic"))
    plot = np.repeat(np.arange(4), 4)
    task = GroupedTask(space, criterion_for(criterion, space), plot, (0,),
                       precision([plot], [0.7]), np.empty((16, 0)), np.zeros((10, 10)), 16)
    rng = np.random.default_rng(5)
    start = rng.choice([-1.0, 0.0, 1.0], (6, 16, 3))
    start[:, :, 0] = rng.choice([-1.0, 0.0, 1.0], (6, 4))[:, plot]
    # The determinant of a start that cannot estimate the model would be rounding alone.
    assert (np.linalg.cond(task.full(start)) < 1e3).all()
    batch = _Batch(task, start.copy(), 1e-9)
    batch.refresh()
    batch.invert()
    values = np.linspace(-1, 1, 5)
    before = task.merit(batch.at)

    def levels(here, j):
        return np.tile(values, (len(here), 1))

    for r, j in ((0, 1), (5, 2), (15, 1)):
        best = []
        for plan in batch.at:
            trial = np.repeat(plan[None], 6, axis=0)
            trial[:5, r, j] = values
            best.append(task.merit(trial).max())
        batch.move_run(r, j, levels)
        assert np.allclose(task.merit(batch.at), best, rtol=1e-4)
        assert (task.merit(batch.at) >= before * (1 - 1e-9)).all()
        before = task.merit(batch.at)
    batch.move_group(np.arange(4, 8), 0, levels)
    assert (task.merit(batch.at) >= before * (1 - 1e-9)).all()
    assert np.allclose(batch.M - 1e-6 * np.eye(10), task.full(batch.at))
    batch.invert()
    assert np.allclose(batch.inverse @ batch.M, np.eye(10), atol=1e-6)


# ---- known optima ---------------------------------------------------------------------------

@pytest.mark.parametrize("ratio", [0.0, 0.5, 10.0])
@pytest.mark.parametrize(("hard", "easy", "groups", "size"), [(1, 1, 4, 2), (2, 1, 4, 2),
                                                              (1, 2, 4, 4), (2, 2, 8, 2)])
def test_two_level_split_plot_reaches_hadamards_bound(hard, easy, groups, size, ratio):
    # No diagonal of X'V⁻¹X can pass n within groups, n / (1 + m ratio) between them, and |M| not
    # the product of the diagonal; the balanced split-plot factorial has equality, and
    # generalised least squares is ordinary least squares (Letsinger, Myers & Lentner 1996).
    region = region_of(hard, easy)
    names = region.names
    if (hard, easy) == (2, 2):
        terms = " + ".join(names)
        between = 3
    else:
        terms = f"({' + '.join(names)})**{len(names)}"
        between = 2**hard
    plan = split_plot(region, whole_plots=groups, runs=groups * size, ratio=ratio, terms=terms,
                      seed=1, starts=30)
    M, n, p = information(plan), groups * size, len(plan.terms)
    bound = n**p / (1 + size * ratio) ** between
    assert np.linalg.det(M) == pytest.approx(bound, rel=1e-9)
    assert np.allclose(M, np.diag(np.diag(M)))
    for row in plan.details["strata"]:
        assert row["efficiency"] == pytest.approx(1, abs=1e-9)
    assert sum(r["stratum"] == "whole_plot" for r in plan.details["strata"]) == between


@pytest.mark.parametrize(("ratio", "criterion"), [(0.2, "D"), (1.0, "D"), (1.0, "A"), (1.0, "I"),
                                                  (5.0, "I")])
def test_nothing_in_all_plans_on_three_levels_is_better(ratio, criterion):
    # Quadratic in one factor of each kind, four groups of two: all 5985 choices of four groups.
    region = Region([Factor.settable("w", [-1, 0, 1], hard_to_change=True),
                     Factor.settable("s", [-1, 0, 1])])
    plan = split_plot(region, whole_plots=4, runs=8, ratio=ratio, criterion=criterion, seed=2,
                      starts=60)
    groups = [(w, pair) for w in (-1, 0, 1)
              for pair in combinations_with_replacement((-1, 0, 1), 2)]
    single, inverse = [], np.linalg.inv(covariance([0, 0], ratio))
    for w, pair in groups:
        X = np.array([[1, w, s, w * s, w * w, s * s] for s in pair], float)
        single.append(X.T @ inverse @ X)
    single = np.array(single)
    M = np.array([single[list(c)].sum(axis=0)
                  for c in combinations_with_replacement(range(len(groups)), 4)])
    M = M[np.linalg.matrix_rank(M, hermitian=True) == 6]
    order = "1 + w + s + w:s + I(w ** 2) + I(s ** 2)"
    grid = pd.DataFrame(list(product((-1, 0, 1), repeat=2)), columns=["w", "s"])
    F = model_matrix(region, grid, parse(order, region)).to_numpy()
    W = {"A": np.eye(6), "I": F.T @ F / 9}.get(criterion)
    X = model_matrix(region, plan.settings, parse(order, region)).to_numpy()
    own = X.T @ np.linalg.inv(covariance(plan.runs["whole_plot"], ratio)) @ X
    if criterion == "D":
        assert np.linalg.det(own) == pytest.approx(np.linalg.det(M).max(), rel=1e-6)
    else:
        least = np.trace(W @ np.linalg.inv(M), axis1=1, axis2=2).min()
        assert np.trace(W @ np.linalg.inv(own)) == pytest.approx(least, rel=1e-6)


@pytest.mark.parametrize("ratio", [0.0, 2.0])
def test_groups_of_one_run_are_the_randomised_plan(ratio):
    region = region_of(1, 1)
    plan = split_plot(region, whole_plots=9, runs=9, ratio=ratio, seed=1, starts=40)
    free = optimal_plan(region, runs=9, seed=1, starts=100)
    size = np.linalg.det(information(plan)) ** (1 / 6) * (1 + ratio)
    assert 100 * size / 9 == pytest.approx(free.details["efficiencies"]["D"], rel=1e-4)
    assert plan.details["efficiency_of_randomised"] == pytest.approx(1, rel=1e-3)


def test_a_large_ratio_leaves_what_is_told_within_groups():
    # As the ratio grows, X'V⁻¹X tends to the information of the runs about their group means,
    # and the determinant splits into a part within, which stays, and one between, which falls.
    region = region_of(1, 2)
    plan = split_plot(region, whole_plots=6, runs=18, ratio=1.0, seed=1, starts=20)
    X = model_matrix(region, plan.settings, plan.terms)
    plots = plan.runs["whole_plot"].to_numpy()
    within = X - X.groupby(plots).transform("mean")
    M = information(plan, ratio=1e7)
    assert np.allclose(M, within.T @ within, atol=1e-4)
    easy = [c for c in X if "s" in c]
    inside = within[easy].to_numpy()
    error = [r["standard_error"] for r in appraise(
        plan, ratios={"whole_plot": 1e6}).table.set_index("term").loc[easy].to_dict("records")]
    assert np.allclose(np.square(error), np.diag(np.linalg.inv(inside.T @ inside)), rtol=1e-3)


def test_split_plots_can_outdo_plans_that_are_set_up_anew_every_run():
    # Goos & Vandebroek (2004): with a variance between groups as large as that of a run, D-optimal
    # split-plot plans beat the completely randomised plan whose every run is set up anew.
    plan = split_plot(region_of(1, 2), whole_plots=7, runs=21, seed=1, starts=30)
    assert 0.5 < plan.details["efficiency_of_randomised"] < 0.95


def test_least_squares_agree_with_a_balanced_composite():
    # Vining, Kowalski & Montgomery (2005), Journal of Quality Technology 37, 115–129: in a
    # balanced split-plot composite whose axial runs keep to groups of their own, with centre
    # runs in the groups, ordinary and generalised least squares give the same estimates.
    region = region_of(1, 1)
    w = np.repeat([-1, 1, -1, 1, 0, 0, 0], 4)
    s = np.array([-1, 1, -1, 1] * 2 + [0] * 8 + [-1, 1, -1, 1] + [0] * 8)
    plots = np.repeat(np.arange(1, 8), 4)
    X = model_matrix(region, pd.DataFrame({"w0": w, "s0": s}),
                     standard_terms(region, "quadratic")).to_numpy(float)
    y = np.random.default_rng(1).normal(size=28)
    weights = precision([plots], [3.0])
    gls = np.linalg.solve(X.T @ weights @ X, X.T @ weights @ y)
    assert np.allclose(gls, np.linalg.lstsq(X, y, rcond=None)[0])


# ---- random blocks --------------------------------------------------------------------------

def test_random_blocks_tend_to_one_block_and_to_fixed_blocks():
    region = region_of(0, 3)
    free = optimal_plan(region, runs=14, seed=1, starts=200).details["efficiencies"]["D"]
    small = random_blocks(region, blocks=2, runs=14, ratio=1e-6, seed=1, starts=40)
    assert appraise(small).efficiencies["D"] == pytest.approx(free, rel=2e-3)
    large = random_blocks(region, blocks=2, runs=14, ratio=1e4, seed=1, starts=10)
    fixed = appraise(large, ratios={}).table.set_index("term")["standard_error"].drop("1")
    loose = appraise(large).table.set_index("term")["standard_error"].drop("1")
    assert np.allclose(fixed, loose, rtol=1e-3)
    assert appraise(large).table["error_df"].iloc[0] == 1  # two blocks, one mean
    assert "whole_plot" not in large.runs


def test_blocks_that_differ_little_cost_little():
    region = region_of(0, 2)
    errors = [appraise(random_blocks(region, blocks=4, runs=12, ratio=r, seed=1, starts=30),
                       ).efficiencies["D"] for r in (0.0, 0.5, 5.0)]
    assert errors[0] > errors[1] > errors[2]


# ---- structure and limits -------------------------------------------------------------------

@settings(max_examples=4, deadline=None)
@given(st.sampled_from([(), ("w0 + s0 <= 0.6",), ("w0 * s0 <= 0.4", "s0 + s1 >= -1.2")]),
       st.sampled_from([None, 0.08]), st.sampled_from(["D", "I"]), st.integers(1, 2),
       st.integers(0, 2**31))
def test_groups_limits_and_seeds(limits, increment, criterion, blocks, seed):
    region = region_of(1, 2, limits, increment=increment)
    options = {"whole_plots": 6, "runs": 16, "criterion": criterion, "starts": 3, "seed": seed,
               "blocks": blocks}
    plan = split_plot(region, **options)
    plots = plan.runs.groupby("whole_plot")
    assert plots["w0"].nunique().eq(1).all()
    assert plots["block"].nunique().eq(1).all()
    assert plan.runs["whole_plot"].is_monotonic_increasing
    assert sorted(plots.size()) == [2, 2, 3, 3, 3, 3]
    assert region.contains(plan.settings).all()
    assert np.allclose(region.snap(plan.settings).to_numpy(float),
                       plan.settings.to_numpy(float))
    assert appraise(plan).table["estimable"].all()
    assert split_plot(region, **options) == plan
    assert Plan.from_plain(json.loads(json.dumps(plan.to_plain()))) == plan


def test_the_mixer_is_asked_and_rules_are_kept():
    mixer = Mixer("mixer", 150.0, pressure_range=(2.0, 101.0))
    region = default_region(mixer)  # its pressure is marked hard to change
    plan = split_plot(region, whole_plots=6, runs=20, mixer=mixer, seed=1, starts=3,
                      forbidden=[{"pressure": (0, 10), "time": (250, 300)}])
    again = mixer.snap(plan.settings, region)
    assert np.allclose(again.to_numpy(float), plan.settings.to_numpy(float))
    assert region.contains(plan.settings).all()
    assert not ((plan.runs["pressure"] <= 10) & (plan.runs["time"] >= 250)).any()
    assert plan.runs.groupby("whole_plot")["pressure"].nunique().eq(1).all()


def test_categories_between_groups():
    region = Region([Factor.categorical("lot", ["P", "Q", "R"], hard_to_change=True),
                     Factor("time", 60, 300)])
    plan = split_plot(region, whole_plots=6, runs=12, model="interactions", seed=1, starts=20)
    lots = plan.runs.groupby("whole_plot")["lot"].agg(["nunique", "first"])
    assert lots["nunique"].eq(1).all()
    assert set(lots["first"].value_counts()) == {2}
    assert plan.runs.groupby("whole_plot")["time"].nunique().eq(2).all()


@pytest.mark.parametrize(("options", "match"), [
    ({"whole_plots": 2, "runs": 14}, "between the groups"),
    ({"whole_plots": [4, 4], "runs": 9}, "do not make up"),
    ({"whole_plots": 6, "runs": 8}, "coefficients to estimate"),
    ({"whole_plots": 6, "runs": 14, "ratio": -1}, "ratio"),
    ({"whole_plots": 6, "runs": 14, "block_ratio": 1.0}, "only one block"),
    ({"whole_plots": 6, "runs": 14, "criterion": "G"}, "criterion")])
def test_one_clear_error(options, match):
    with pytest.raises(InputError, match=match):
        split_plot(region_of(1, 2), seed=1, starts=2, **options)


def test_no_hard_factor_is_refused():
    with pytest.raises(InputError, match="hard to change"):
        split_plot(region_of(0, 2))


def test_by_name_with_what_is_usual():
    region = region_of(1, 2)
    plan = make_plan(region, "split-plot", seed=1, starts=5)
    assert (len(plan), plan.runs["whole_plot"].nunique()) == (14, 6)
    assert make_plan(region, "random blocks", seed=1, starts=5, blocks=3).blocks == 3


def test_split_plots_are_offered_where_a_factor_is_hard_to_change():
    region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
                     Factor("time", 60, 300, unit="s"), Factor("ratio", 0.2, 0.5)])
    table = suggest_runs(region)
    offered = table[table["family"] == "split-plot"]
    # 1, P and P²: three coefficients between groups, and three groups more. Interactions: 7 + 4
    # runs, but two a group; quadratic: 10 + 4.
    assert offered["runs"].tolist() == [11, 14]
    assert [t.rpartition(", ")[2] for t in offered["tells"]] == [
        "with pressure set 5 times only", "with pressure set 6 times only"]
    for row in offered.itertuples():
        plan = make_plan(region, row.family, seed=1, starts=2, **row.options)
        assert (len(plan), len(exponents(region, plan.terms)[1])) == (row.runs, row.coefficients)
    easy = Region([replace(f, hard_to_change=False) for f in region.factors])
    assert "split-plot" not in set(suggest_runs(easy)["family"])
    assert {"whole_plots", "ratio"} <= set(options_of("Split-Plot"))
    assert "centre_points" not in options_of("random blocks")


# ---- appraisal ------------------------------------------------------------------------------

def test_appraisal_by_generalised_least_squares():
    plan = split_plot(region_of(1, 2), whole_plots=7, runs=21, ratio=0.8, seed=1, starts=10)
    told = appraise(plan)
    M = information(plan)
    assert np.allclose(told.table["standard_error"], np.sqrt(np.diag(np.linalg.inv(M))))
    assert told.efficiencies["D"] == pytest.approx(100 * np.linalg.det(M) ** 0.1 / 21)
    assert told.leverages["leverage"].sum() == pytest.approx(10)
    strata = {r["term"]: r["standard_error"] for r in plan.details["strata"]}
    assert np.allclose(told.table["standard_error"], [strata[t] for t in told.table["term"]])
    between = told.table[told.table["term"].isin(["w0", "I(w0 ** 2)"])]
    assert set(between["error_df"]) == {4}  # seven groups, three coefficients
    assert set(told.table["error_df"]) == {4, 7}  # 21 runs − 7 groups − 7 coefficients within
    assert "groups vary 0.80 times" in told.sentence


def test_a_ratio_can_be_tried_out():
    plan = full_factorial(region_of(1, 2), replicates=2, blocks=2, seed=1,
                          group_hard_to_change=True)
    plain, tried = appraise(plan), appraise(plan, ratios={"whole_plot": 1.0})
    table = plain.table.set_index("term")["standard_error"]
    after = tried.table.set_index("term")["standard_error"]
    # Four groups of four: the hard factor's variance is (1 + 4 · 1) / 16, the others' 1 / 16.
    assert table["w0"] == pytest.approx(0.25)
    assert after["w0"] == pytest.approx(np.sqrt(5) / 4)
    assert after["s0"] == pytest.approx(0.25)
    assert after["s0:w0"] == pytest.approx(0.25)
    with pytest.raises(InputError, match="no such groups"):
        appraise(plan, ratios={"day": 1.0})


def test_runs_are_judged_in_their_strata_by_simulation():
    # The standard errors are those of weighted estimates from data with both kinds of error.
    plan = split_plot(region_of(1, 1), whole_plots=5, runs=15, ratio=2.0, seed=4, starts=10)
    X = model_matrix(plan.region, plan.settings, plan.terms).to_numpy()
    plots = plan.runs["whole_plot"].to_numpy()
    rng = np.random.default_rng(7)
    y = rng.normal(size=(15, 20_000)) + np.sqrt(2) * rng.normal(size=(5, 20_000))[plots - 1]
    weights = np.linalg.inv(covariance(plots, 2.0))
    found = np.linalg.solve(X.T @ weights @ X, X.T @ weights @ y).std(axis=1)
    assert np.allclose(found, appraise(plan).table["standard_error"], rtol=0.03)


def test_terms_that_no_plan_can_tell_apart_are_refused():
    # In steps of 10 the range from 1000 to 1014 has two settings, so no square.
    coarse = [Factor("speed", 1000, 1014, increment=10, hard_to_change=True), Factor("time", 1, 9)]
    with pytest.raises(InputError, match=r"speed \*\* 2.*cannot be told apart"):
        split_plot(Region(coarse), seed=1)
    with pytest.raises(InputError, match=r"speed \*\* 2.*cannot be told apart"):
        random_blocks(Region(coarse), seed=1)
    assert len(split_plot(Region(coarse), model="interactions", seed=1, starts=5)) == 10

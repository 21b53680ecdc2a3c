"""Lenth's method against an independent simulation, published tables and its limits."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from doe.analysis import critical_values, judge_effects, pseudo_standard_error
from doe.errors import InputError

effects_lists = st.lists(st.floats(-1e6, 1e6).filter(lambda v: v == 0 or abs(v) > 1e-6),
                         min_size=3, max_size=31)


def test_pseudo_standard_error_against_r():
    """R: pse <- function(c) { a <- abs(c); s0 <- 1.5*median(a); 1.5*median(a[a < 2.5*s0]) }
    pse(c(1.2, -0.3, 5, 0.1, -2.2, 0.7, 0.4))"""
    assert pseudo_standard_error([1.2, -0.3, 5, 0.1, -2.2, 0.7, 0.4]) == pytest.approx(0.825)


@given(effects_lists)
def test_pseudo_standard_error_as_the_paper_words_it(effects):
    sizes = np.abs(effects)
    first = 1.5 * np.median(sizes)
    small = sizes[sizes < 2.5 * first]
    expected = 1.5 * np.median(small) if len(small) else 0.0
    assert pseudo_standard_error(effects) == pytest.approx(expected, rel=1e-12)


@given(effects_lists, st.floats(1e-3, 1e3), st.randoms(use_true_random=False))
def test_scale_sign_and_order_carry_over(effects, scale, random):
    moved = [scale * e * random.choice([-1, 1]) for e in effects]
    random.shuffle(moved)
    assert pseudo_standard_error(moved) == pytest.approx(scale * pseudo_standard_error(effects),
                                                         rel=1e-9)


@pytest.mark.parametrize(("m", "one", "any_"), [
    # Ye & Hamada (2000), from memory, to what simulation resolves; and an own simulation in R:
    # z <- replicate(2e5, {c <- rnorm(m); abs(c) / pse(c)})
    # quantile(z, .95); quantile(apply(z, 2, max), .95) after set.seed(42)
    (7, 2.30, 4.87), (7, 2.299, 4.877),
    (15, 2.16, 4.24), (15, 2.156, 4.224),
])
def test_critical_values(m, one, any_):
    found = critical_values(m)
    assert found[0] == pytest.approx(one, abs=0.01)
    assert found[1] == pytest.approx(any_, rel=0.01)


def test_critical_values_for_many_effects():
    """With ever more effects the standard error becomes certain: 1.5 times the median of
    standard normal sizes below 2.5 times 1.5 times their median."""
    first = 1.5 * stats.norm.ppf(0.75)
    below = stats.norm.cdf(2.5 * first) - 0.5
    pse = 1.5 * stats.norm.ppf(0.5 + below / 2)
    found, _ = critical_values(1001, draws=2000)
    assert found == pytest.approx(stats.norm.ppf(0.975) / pse, abs=0.01)


def test_lenths_own_approximation_is_near_for_any_one_effect():
    """Lenth (1989): Student's t on m/3 degrees of freedom, which Ye & Hamada found too large."""
    for m in (15, 31):
        assert 0.75 < critical_values(m)[0] / stats.t.ppf(0.975, m / 3) < 1


def test_seed_decides_and_is_recorded():
    assert critical_values(9, draws=2000, seed=1) == critical_values(9, draws=2000, seed=1)
    assert critical_values(9, draws=2000, seed=1) != critical_values(9, draws=2000, seed=2)
    result = judge_effects(range(1, 10), seed=7, draws=2000)
    assert (result.seed, result.draws) == (7, 2000)
    assert (result.critical, result.critical_simultaneous) == critical_values(9, 0.05, 2000, 7)


def test_noise_alone_rarely_stands_out():
    rng = np.random.default_rng(20)
    hits = [judge_effects(rng.standard_normal(15)).table for _ in range(400)]
    share = np.mean([t["active"].mean() for t in hits])
    any_ = np.mean([t["surely_active"].any() for t in hits])
    assert share == pytest.approx(0.05, abs=0.015)
    assert any_ == pytest.approx(0.05, abs=0.035)


def test_unequal_precision_is_put_on_one_footing():
    """Effects twice as uncertain as others, and twice as large, are judged alike."""
    rng = np.random.default_rng(3)
    z = rng.standard_normal(12)
    scales = np.repeat([1.0, 2.0], 6)
    even, uneven = judge_effects(z), judge_effects(z * scales, scales=scales)
    names = {r.term: (r.active, r.margin / abs(r.effect)) for r in even.table.itertuples()}
    for r in uneven.table.itertuples():
        assert names[r.term] == (r.active, pytest.approx(r.margin / abs(r.effect)))
    assert even.equal_precision
    assert not uneven.equal_precision
    assert "rough" in uneven.sentence


def test_too_few_effects_are_refused():
    with pytest.raises(InputError, match="at least 3 effects"):
        judge_effects([1.0, 2.0])


def test_sentence():
    quiet = judge_effects([1, -1, 1.1, 0.9, -1.05, 0.95, 1.02], unit="µm")
    assert quiet.sentence.startswith("No effect stands out from the spread of the 7 effects "
                                     "(pseudo standard error 1.50 µm")
    loud = judge_effects([10, -1, 1.1, 0.9, -1.05, 0.95, 1.02], labels=list("abcdefg"))
    assert loud.sentence.startswith("A stands out")

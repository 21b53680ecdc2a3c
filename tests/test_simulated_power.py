"""Power by simulation, against exact sums, noncentral t and statsmodels."""

import numpy as np
import pytest
import statsmodels.api as sm
from scipy import stats
from scipy.special import xlogy
from statsmodels.stats.power import TTestIndPower

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import full_factorial, plackett_burman, ratio_power, simulated_power, split_plot
from doe.planning.likelihood_tests import likelihood_ratio_p
from doe.power_study import by_kind, by_mixed_model

TIME = Region([Factor("time", 60, 300)])
PAIR = Region([Factor("pressure", 2, 50, hard_to_change=True), Factor("time", 60, 300)])


def row(result, term="time"):
    return result.table.set_index("term").loc[term]


def agrees(result, exact, term="time"):
    """Within four Monte Carlo standard errors of the exact power."""
    error = np.sqrt(exact * (1 - exact) / result.draws)
    return abs(row(result, term)["power"] - exact) < 4 * error


# ---- the tests that simulated studies are put to ---------------------------------------------

@pytest.mark.parametrize("shares", [False, True])
def test_tests_of_counts_and_shares_are_those_of_statsmodels(shares):
    # McCullagh & Nelder (1989): deviance differences, and the quasi-likelihood F.
    rng = np.random.default_rng(2)
    X = np.column_stack([np.ones(12), rng.standard_normal((12, 2))])
    base = rng.integers(5, 30, 12).astype(float)
    y = (rng.binomial(base.astype(int), 0.3, (6, 12)) if shares
         else rng.poisson(2 * base, (6, 12))).astype(float)

    def fitted(reading, columns):
        family = sm.families.Binomial() if shares else sm.families.Poisson()
        out = np.column_stack([reading, base - reading]) if shares else reading
        return sm.GLM(out, X[:, columns], family=family,
                      exposure=None if shares else base).fit(tol=1e-12)

    plain = likelihood_ratio_p(X, 3, y, base, shares=shares, scattered=False)
    quasi = likelihood_ratio_p(X, 3, y, base, shares=shares, scattered=True)
    for i, reading in enumerate(y):
        full = fitted(reading, [0, 1, 2])
        for j in range(3):
            gain = fitted(reading, [c for c in range(3) if c != j]).deviance - full.deviance
            assert plain[i, j] == pytest.approx(stats.chi2.sf(gain, 1), rel=1e-5, abs=1e-12)
            assert quasi[i, j] == pytest.approx(
                stats.f.sf(gain / (full.pearson_chi2 / 9), 1, 9), rel=1e-5, abs=1e-12)


# ---- exact powers ----------------------------------------------------------------------------

@pytest.mark.parametrize("effect", [0.0, 1.2, 2.0])
def test_readings_against_the_two_sample_t_test(effect):
    plan = full_factorial(TIME, replicates=6, seed=1)
    result = simulated_power(plan, {"time": effect}, sd=1.0, draws=4000, seed=3)
    exact = 0.05 if not effect else TTestIndPower().power(effect, 6, 0.05)
    assert row(result)["by_formula"] == pytest.approx(exact, abs=1e-9)
    assert agrees(result, exact)


def two_totals(first, second, deviance):
    """Exact power of a test of two totals at 5 %, their distributions given as (values, mass)."""
    (a, p), (b, q) = first, second
    found = deviance(a[:, None], b[None, :]) > stats.chi2.isf(0.05, 1)
    return float((p[:, None] * q[None, :])[found].sum())


@pytest.mark.parametrize("ratio", [1.0, 1.6])
def test_counts_against_the_sum_over_all_totals(ratio):
    # Four runs at each end: the likelihood ratio depends on the two Poisson totals alone.
    plan = full_factorial(TIME, replicates=4, seed=1)
    result = simulated_power(plan, {"time": ratio}, "count", baseline=5, draws=4000, seed=4)
    n = np.arange(120)
    means = 4 * 5 * np.sqrt(ratio) ** np.array([-1, 1])

    def deviance(a, b):
        half = np.maximum((a + b) / 2, 1e-300)
        return 2 * (xlogy(a, a / half) + xlogy(b, b / half))

    exact = two_totals(*((n, stats.poisson.pmf(n, m)) for m in means), deviance)
    assert agrees(result, exact)


@pytest.mark.parametrize("ratio", [1.0, 3.0])
def test_shares_against_the_sum_over_all_totals(ratio):
    plan = full_factorial(TIME, replicates=3, seed=1)
    result = simulated_power(plan, {"time": ratio}, "proportion", baseline=0.3, trials=12,
                             draws=4000, seed=5)
    n = np.arange(37)
    odds = 0.3 / 0.7 * np.sqrt(ratio) ** np.array([-1, 1])

    def log_likelihood(hits, share):
        return stats.binom.logpmf(hits, 36, share)

    def deviance(a, b):
        half = (a + b) / 72
        apart = log_likelihood(a, a / 36) + log_likelihood(b, b / 36)
        return 2 * (apart - log_likelihood(a, half) - log_likelihood(b, half))

    exact = two_totals(*((n, stats.binom.pmf(n, 36, o / (1 + o))) for o in odds), deviance)
    assert agrees(result, exact)


def by_strata(plan, ratio, effects, df):
    """Power of both main effects of a balanced split plot by noncentral t, from the textbook.

    Variance of a coefficient: (ratio + 1/m) / groups between groups of m runs, 1/n within.
    """
    groups = plan.runs["whole_plot"].nunique()
    n = len(plan)
    out = {}
    for term, variance in (("pressure", (ratio + groups / n) / groups), ("time", 1 / n)):
        t, shift = stats.t.isf(0.025, df[term]), effects[term] / 2 / np.sqrt(variance)
        out[term] = stats.nct.sf(t, df[term], shift) + stats.nct.cdf(-t, df[term], shift)
    return out


def test_split_plots_with_a_ratio_taken_as_known():
    plan = split_plot(PAIR, whole_plots=8, runs=16, model="interactions", ratio=2.0, seed=1)
    effects = {"pressure": 3.0, "time": 1.5}
    result = simulated_power(plan, effects, draws=4000, seed=6)
    exact = by_strata(plan, 2.0, effects, {"pressure": 12, "time": 12})
    for term, power in exact.items():
        assert row(result, term)["by_formula"] == pytest.approx(power, abs=1e-9)
        assert agrees(result, power, term)


def test_split_plots_with_the_ratio_estimated():
    # Balanced, so that Kenward–Roger is the classical analysis of variance: the hard factor
    # against groups within settings (8 − 2), the easy one against what is left (16 − 8 − 2).
    plan = split_plot(PAIR, whole_plots=8, runs=16, model="interactions", ratio=4.0, seed=1)
    effects = {"pressure": 5.0, "time": 2.0}
    result = simulated_power(plan, effects, analyse=by_mixed_model, draws=200, seed=7)
    exact = by_strata(plan, 4.0, effects, {"pressure": 6, "time": 6})
    for term, power in exact.items():
        assert row(result, term)["by_formula"] == pytest.approx(power, abs=1e-9)
        assert agrees(result, power, term)


# ---- the draws -------------------------------------------------------------------------------

@pytest.mark.parametrize(("kind", "options", "mean", "variance"), [
    ("count", {"baseline": 4.0, "extra": 0.5}, 4.0, 4.0 + 0.5 * 4.0**2),
    ("proportion", {"baseline": 0.2, "trials": 10, "extra": 0.3}, 2.0, 1.6 * (1 + 9 * 0.3))])
def test_extra_scatter_has_the_variance_stated(kind, options, mean, variance):
    # Negative binomial and beta-binomial (McCullagh & Nelder 1989, sections 6.2.3 and 4.5).
    drawn = []

    def keep(what, y):
        drawn.append(y)
        return np.ones((len(y), len(what.names)))

    plan = full_factorial(TIME, replicates=5, seed=1)
    simulated_power(plan, {}, kind, analyse=keep, draws=4000, seed=8, **options)
    y = np.concatenate(drawn).ravel()
    assert y.mean() == pytest.approx(mean, rel=0.03)
    assert y.var() == pytest.approx(variance, rel=0.05)


def test_the_fits_of_the_analysis_find_what_the_quick_ones_find():
    plan = full_factorial(TIME, replicates=4, seed=1)
    options = {"kind": "count", "baseline": 5, "draws": 60, "seed": 9}
    quick = simulated_power(plan, {"time": 1.6}, **options)
    slow = simulated_power(plan, {"time": 1.6}, analyse=by_kind, **options)
    assert abs(row(quick)["power"] - row(slow)["power"]) < 0.05


# ---- what is said ----------------------------------------------------------------------------

def test_the_worst_of_many_terms_without_effect_is_judged_as_that():
    # Exact tests, eleven terms without effect: one beyond its own 95 % interval is no surprise.
    region = Region([Factor(n, 0, 1) for n in "abcd"])
    plan = full_factorial(region, replicates=2, seed=1)
    said = [simulated_power(plan, {"a": 1.0}, draws=1000, seed=s).sentence for s in range(20)]
    assert sum("do not keep their level" in s for s in said) <= 4
    worst = [simulated_power(plan, {"a": 1.0}, draws=1000, seed=s).table for s in range(20)]
    alone = [(t["low"][t["effect"] == 0] > 0.05).any() for t in worst]
    assert sum("do not keep their level" in s for s in said) < sum(alone)


def test_a_test_that_finds_too_much_is_told():
    def keen(what, y):
        return np.full((len(y), len(what.names)), 0.04)

    plan = full_factorial(TIME, replicates=4, seed=1)
    said = simulated_power(plan, {}, analyse=keen, draws=200, seed=1).sentence
    assert "do not keep their level: time, which has no effect, was found in 100 %" in said


def test_saturated_plans_promise_nothing():
    said = simulated_power(full_factorial(PAIR, seed=1), {"time": 2}, draws=50, seed=1).sentences
    assert said == ("None of 50 simulated studies could be analysed: there are as many runs as "
                    "coefficients, so nothing is left to estimate error from. Add runs, or leave "
                    "terms out.",)


@pytest.mark.parametrize(("effects", "options", "match"), [
    ({"speed": 1}, {}, "only factors"), ({"time": -1}, {"kind": "count", "baseline": 2}, "effect"),
    ({"time": 2}, {"kind": "count"}, "mean count"), ({"time": 2}, {"kind": "ordinal"}, "kind"),
    ({"time": 2}, {"kind": "proportion", "baseline": 1.2, "trials": 3}, "below 1"),
    ({"time": 2}, {"kind": "proportion", "baseline": 0.2}, "trials"),
    ({"time": 2}, {"kind": "proportion", "baseline": 0.2, "trials": 2.5}, "whole numbers"),
    ({"time": 2}, {"kind": "count", "baseline": 2, "exposure": [1, 2]}, "one for each of 8 runs"),
    ({"time": 2}, {"terms": "time + I(time**2)"}, "cannot separate")])
def test_one_clear_error(effects, options, match):
    with pytest.raises(InputError, match=match):
        simulated_power(full_factorial(TIME, replicates=4, seed=1), effects, draws=10, seed=1,
                        **options)


# ---- power over the size of an effect --------------------------------------------------------

def poisson_power(ratio, runs, mean):
    """Exact, of the likelihood-ratio test of two Poisson totals."""
    n = np.arange(400)
    means = runs * mean * np.sqrt(ratio) ** np.array([-1, 1])

    def deviance(a, b):
        half = np.maximum((a + b) / 2, 1e-300)
        return 2 * (xlogy(a, a / half) + xlogy(b, b / half))

    return two_totals(*((n, stats.poisson.pmf(n, m)) for m in means), deviance)


def test_the_ratio_found_with_the_power_wanted_has_that_power():
    plan = full_factorial(TIME, replicates=4, seed=1)
    found = ratio_power(plan, "count", baseline=5, draws=3000, seed=6)
    assert poisson_power(found.least, 4, 5) == pytest.approx(0.80, abs=0.03)
    for r in found.table.itertuples():
        error = max(np.sqrt(r.power * (1 - r.power) / 3000), 1e-3)
        assert abs(r.power - poisson_power(r.ratio, 4, 5)) < 4 * error
    assert found.table["ratio"][0] == 1.0
    assert found.label == "time"
    assert "a mean count of 5" in found.sentence


def test_a_hopeless_plan_is_told_to_be_one():
    found = ratio_power(full_factorial(TIME, replicates=2, seed=1), "proportion", baseline=0.01,
                        trials=3, draws=200)
    assert found.least is None
    assert "only" in found.sentence


def test_the_least_precise_main_effect_is_looked_at():
    region = Region([Factor("a", 0, 1), Factor("b", 0, 1), Factor("c", 0, 1)])
    plan = plackett_burman(region, runs=12, seed=1)
    less = plan.settings["b"].to_numpy() > 0.5
    exposure = np.where(less & (plan.settings["a"] > 0.5), 30.0, 1.0)
    found = ratio_power(plan, "count", baseline=2, exposure=exposure, draws=50)
    X = np.column_stack([np.ones(12), 2 * plan.settings[["a", "b", "c"]] - 1])
    errors = np.diag(np.linalg.inv((X.T * exposure) @ X))[1:]
    assert found.label == "abc"[int(np.argmax(errors))]

"""Posterior probabilities against sums over all sets, other integrals, and published examples.

The examples of Box & Meyer (1986) are from memory; that published effects come out shows that they
were remembered right.
"""

from __future__ import annotations

from itertools import combinations, product

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import active_effects, active_factors, fit
from doe.analysis.posterior import effect_probabilities

few = settings(max_examples=30, deadline=None)

CORNERS = pd.DataFrame([p[::-1] for p in product((-1, 1), repeat=4)], columns=list("ABCD"))

# Box & Meyer (1986), four 16-run examples in standard order, from memory: advance of a drill
# (Daniel 1976), tensile strength of welds (Taguchi & Wu 1980), shrinkage in injection moulding
# (Box, Hunter & Hunter 1978), yield of isatin (Davies 1954).
DRILL = np.log([1.68, 1.98, 3.28, 3.44, 4.98, 5.70, 9.97, 9.07,
                2.07, 2.44, 4.09, 4.53, 7.77, 9.43, 11.75, 16.30])
WELDS = [43.7, 40.2, 42.4, 44.7, 42.4, 45.9, 42.2, 40.6,
         42.4, 45.5, 43.6, 40.6, 44.0, 40.2, 42.5, 46.5]
SHRINKAGE = [14.0, 16.8, 15.0, 15.4, 27.6, 24.0, 27.4, 22.6,
             22.3, 17.1, 21.5, 17.5, 15.9, 21.9, 16.7, 20.3]
ISATIN = [0.08, 0.04, 0.53, 0.43, 0.31, 0.09, 0.12, 0.36,
          0.79, 0.68, 0.73, 0.08, 0.77, 0.38, 0.49, 0.23]


def saturated(y) -> object:
    region = Region([Factor(n, -1, 1) for n in "ABCD"])
    return fit(CORNERS.assign(y=y), Response("y"), region, "A*B*C*D")


def sum_over_sets(effects: np.ndarray, alpha: float, k: float, rest: float = 0.0,
                  df: int = 0) -> tuple[np.ndarray, dict[tuple, float]]:
    """Box & Meyer (1986), the formula of the paper: a set of r active effects has weight
    [α / (k (1 − α))]^r [1 − φ S_r / S]^(−ν/2), φ = 1 − 1/k²."""
    m, squares = len(effects), np.square(effects)
    total, weight = squares.sum() + rest, {}
    for r in range(m + 1):
        for chosen in combinations(range(m), r):
            inside = 1 - (1 - 1 / k**2) * squares[list(chosen)].sum() / total
            weight[chosen] = (alpha / (k * (1 - alpha))) ** r * inside ** (-(m + df) / 2)
    whole = sum(weight.values())
    weight = {s: w / whole for s, w in weight.items()}
    return np.array([sum(w for s, w in weight.items() if j in s) for j in range(m)]), weight


@few
@given(st.integers(0, 2**32 - 1), st.integers(3, 9), st.floats(0.05, 0.45), st.floats(2, 20),
       st.sampled_from([(0.0, 0), (3.0, 4)]))
def test_one_integral_gives_the_sum_over_all_sets(seed, m, alpha, k, error):
    rng = np.random.default_rng(seed)
    effects = rng.normal(0, np.where(rng.random(m) < 0.3, 8, 1))
    found = effect_probabilities(effects, alpha, k, *error)
    np.testing.assert_allclose(found, sum_over_sets(effects, alpha, k, *error)[0], rtol=1e-8)


def test_fifteen_effects_of_a_published_example_by_the_paper_s_formula():
    """All 32,768 sets, one by one."""
    model = saturated(DRILL)
    found = active_effects(model)
    effects = found.table.set_index("term")["effect"]
    expected, sets = sum_over_sets(effects.to_numpy(), 0.2, 10)
    np.testing.assert_allclose(found.table["probability"], expected, rtol=1e-9)
    best = max(sets, key=sets.get)
    assert found.models["label"][0] == "B, C and D"
    assert {effects.index[j] for j in best} == {"B", "C", "D"}
    assert found.models["probability"][0] == pytest.approx(sets[best], rel=1e-9)
    assert found.covered == pytest.approx(1, abs=1e-9)


def test_by_an_integral_of_scipy():
    """Normal densities written out, adaptive integration over σ with its prior 1/σ."""
    effects, alpha, k = np.array([21.6, 3.1, -9.9, 14.6, 0.1, 1.9, -1.1]), 0.2, 10.0

    def density(sigma, active=None):
        quiet = (1 - alpha) * stats.norm.pdf(effects, 0, sigma)
        loud = alpha * stats.norm.pdf(effects, 0, k * sigma)
        terms = quiet + loud
        if active is not None:
            terms[active] = loud[active]
        return np.prod(terms) / sigma

    options = {"epsabs": 0, "epsrel": 1e-10, "limit": 500}
    whole = sum(integrate.quad(density, lo, hi, **options)[0]
                for lo, hi in ((1e-3, 1), (1, 5), (5, 50), (50, np.inf)))
    for j, p in enumerate(effect_probabilities(effects, alpha, k)):
        part = sum(integrate.quad(density, lo, hi, args=(j,), **options)[0]
                   for lo, hi in ((1e-3, 1), (1, 5), (5, 50), (50, np.inf)))
        assert p == pytest.approx(part / whole, rel=1e-6)


@pytest.mark.parametrize(("y", "effects", "active"), [
    # Effects as published with the data: drill B, C, D of log advance; welds 2.15 and 3.10;
    # shrinkage −5.5, 4.6, 3.8; isatin A −0.19, D 0.27, AD −0.16, BD −0.25, none of which convinces.
    (DRILL, {"B": 0.580, "C": 1.154, "D": 0.327}, {"B", "C", "D"}),
    (WELDS, {"B:C:D": 2.15, "A:B:C:D": 3.10}, {"B:C:D", "A:B:C:D"}),
    (SHRINKAGE, {"C:D": -5.5, "C": 4.6, "A:C:D": 3.8}, {"C:D", "C", "A:C:D"}),
    (ISATIN, {"A": -0.191, "D": 0.274, "A:D": -0.161, "B:D": -0.251}, set()),
])
def test_published_examples(y, effects, active):
    """Box & Meyer (1986), α = 0.20, k = 10: what stands out in three, nothing in the fourth."""
    found = active_effects(saturated(y))
    table = found.table.set_index("term")
    for term, value in effects.items():
        assert table.loc[term, "effect"] == pytest.approx(value, abs=6e-4), term
    assert set(table.index[table["probability"] > 0.5]) == active
    if active:
        assert table.loc[sorted(active), "probability"].min() > 0.95
        assert table.drop(sorted(active))["probability"].max() < 0.3
    else:
        assert table["probability"].max() < 0.4
        assert found.models["label"][0] == "none"
        assert "no effect is more probably active than not" in found.sentence
        assert "It depends on these assumptions for D (10 % to 88 %)" in found.sentence


def test_range_over_priors():
    table = active_effects(saturated(ISATIN)).table
    effects = table["effect"].to_numpy()
    every = [effect_probabilities(effects, a, k) for a in (0.1, 0.2, 0.3) for k in (5, 10, 15)]
    np.testing.assert_allclose(table["least"], np.min(every, axis=0), rtol=1e-9)
    np.testing.assert_allclose(table["most"], np.max(every, axis=0), rtol=1e-9)


def test_degrees_of_freedom_for_error_count_as_noise():
    """Replicates add a sum of squares that is noise for certain."""
    rng = np.random.default_rng(1)
    twice = pd.concat([CORNERS, CORNERS]).assign(y=lambda d: 2 * d.A + rng.normal(0, 1, 32))
    region = Region([Factor(n, -1, 1) for n in "ABCD"])
    model = fit(twice, Response("y"), region, "A*B*C*D")
    found = active_effects(model)
    scaled = 2 * model.table.set_index("term")["coefficient"].iloc[1:] * np.sqrt(32) / 2
    expected, _ = sum_over_sets(scaled.to_numpy()[:15], 0.2, 10, float(model.results.ssr), 16)
    by_term = dict(zip(scaled.index, expected, strict=True))
    for row in found.table.itertuples():
        assert row.probability == pytest.approx(by_term[row.term], rel=1e-8)
    assert found.df == 16
    assert found.table["term"][0] == "A"
    assert found.equal_precision


@few
@given(st.integers(0, 2**32 - 1), st.floats(1e-3, 1e3))
def test_unit_sign_and_order_do_not_matter(seed, scale):
    rng = np.random.default_rng(seed)
    effects = rng.normal(0, 1, 15) * np.where(rng.random(15) < 0.2, 10, 1)
    order = rng.permutation(15)
    moved = scale * effects[order] * rng.choice([-1, 1], 15)
    np.testing.assert_allclose(effect_probabilities(moved), effect_probabilities(effects)[order],
                               rtol=1e-6)


def test_effects_without_a_fit_and_errors():
    found = active_effects([10.0, 0.3, -0.2, 0.5, -0.1, 0.2, 0.4], list("abcdefg"))
    assert found.table["label"][0] == "a"
    assert "a (over 99 %) is more probably active than not" in found.sentence
    many = active_effects(np.r_[50.0, np.random.default_rng(1).normal(0, 1, 126)])
    assert many.table["label"][0] == "effect 1"
    assert many.covered < 1
    for bad, message in [(lambda: active_effects([1.0, 2.0]), "three effects"),
                         (lambda: active_effects([0.0, 0.0, 0.0]), "three effects"),
                         (lambda: active_effects([1.0, 2, 3], alpha=1.0), "alpha"),
                         (lambda: active_effects([1.0, 2, 3], inflation=1.0), "inflation")]:
        with pytest.raises(InputError, match=message):
            bad()


# -- factors ------------------------------------------------------------------------------

# Box, Hunter & Hunter (1978), reactor example, 2^5 in standard order, % reacted; from memory.
REACTOR = [61, 53, 63, 61, 53, 56, 54, 61, 69, 61, 94, 93, 66, 60, 95, 98,
           56, 63, 70, 65, 59, 55, 67, 65, 44, 45, 78, 77, 49, 42, 81, 82]


def reactor_screening() -> tuple[pd.DataFrame, Region]:
    """The 12 of its runs that form the Plackett–Burman plan of Box & Meyer (1993)."""
    row = [1, -1, 1, -1, -1, -1, 1, 1, 1, -1, 1]
    plan = [[row[(j - i) % 11] for j in range(11)] for i in range(11)] + [[-1] * 11]
    data = pd.DataFrame(plan, columns=list("ABCDEFGHIJK"))
    places = ((data[list("ABCDE")] + 1) / 2 @ [1, 2, 4, 8, 16]).astype(int)
    return data.assign(y=np.array(REACTOR)[places]), Region(
        [Factor(n, -1, 1) for n in "ABCDEFGHIJK"])


def test_reactor_data_are_those_of_the_paper():
    """The 12 responses as printed in Box & Meyer (1993), from memory, out of the 2^5."""
    assert reactor_screening()[0]["y"].tolist() == [
        56, 93, 67, 60, 77, 65, 95, 49, 44, 63, 63, 61]


def test_active_factors_of_the_reactor():
    """Box & Meyer (1993): B, D and E are active, as the whole 2^5 confirms, though the main effect
    of E is small; ordinary analysis of main effects misses it."""
    data, region = reactor_screening()
    model = fit(data, Response("y"), region, "linear")
    assert "E" not in {str(t) for t in model.active}
    for found in (active_factors(model), active_factors(model, gamma=2.0)):
        assert set(found.table["factor"][:3]) == {"B", "D", "E"}
        assert found.table["probability"][2] > 4 * found.table["probability"][3]
        assert found.models["label"][0] == "B, D and E"
        assert "The most probable set is B, D and E" in found.sentence
    assert (found.table["probability"][:3] > 0.5).all()
    assert "depends on the assumed spread of effects for E" in found.sentence
    whole = pd.DataFrame(list(product((-1, 1), repeat=5)), columns=list("EDCBA"))
    everything = active_factors(fit(whole.assign(y=REACTOR), Response("y"),
                                    Region(region.factors[:5]), "linear"))
    assert everything.models["label"][0] == "B, D and E"
    assert everything.table["probability"][2] > 0.95


@pytest.mark.parametrize("gamma", [0.7, 2.0])
@pytest.mark.parametrize("blocks", [False, True])
def test_factor_probabilities_by_matrices_of_the_responses(gamma, blocks):
    """Independently: evidence of each model from the covariance of contrasts free of the mean and
    blocks, I + γ² Z'XX'Z, with plain determinants and inverses."""
    data, region = reactor_screening()
    region = Region(region.factors[:5])
    data = data.assign(block=np.repeat([1, 2, 3], 4)) if blocks else data
    model = fit(data, Response("y"), region, "linear")
    found = active_factors(model, gamma=gamma, order=2, most=3, prior=0.3)
    base = np.ones((12, 1))
    if blocks:
        base = np.column_stack([data["block"] == b for b in (1, 2, 3)]).astype(float)
    q, _ = np.linalg.qr(np.hstack([base, np.eye(12)]))
    z = q[:, base.shape[1]:]
    t, chance = z.T @ data["y"].to_numpy(float), {}
    for size in range(4):
        for chosen in combinations("ABCDE", size):
            columns = [data[n].to_numpy(float) for n in chosen]
            columns += [data[a].to_numpy(float) * data[b] for a, b in combinations(chosen, 2)]
            v = np.eye(len(t))
            if columns:
                x = z.T @ np.column_stack(columns)
                v = v + gamma**2 * x @ x.T
            chance[chosen] = ((0.3 / 0.7) ** size * np.linalg.det(v) ** -0.5
                              * (t @ np.linalg.inv(v) @ t) ** (-len(t) / 2))
    whole = sum(chance.values())
    for row in found.table.itertuples():
        expected = sum(w for s, w in chance.items() if row.factor in s) / whole
        assert row.probability == pytest.approx(expected, rel=1e-8)
    assert found.null == pytest.approx(chance[()] / whole, rel=1e-8)


def test_spread_is_chosen_to_make_nothing_active_least_probable():
    data, region = reactor_screening()
    model = fit(data, Response("y"), region, "linear")
    found = active_factors(model)
    others = [active_factors(model, gamma=g).null for g in (0.5, 1.0, 2.0, 4.0)]
    assert found.null <= min(others) + 1e-3
    narrow = active_factors(model, most=1)
    assert (narrow.models["factors"] <= 1).all()
    assert Term("A") in model.terms


def test_factor_errors():
    data, region = reactor_screening()
    model = fit(data, Response("y"), region, "linear")
    for options, field in [({"prior": 1.0}, "prior"), ({"gamma": 0.0}, "gamma"),
                           ({"order": 0}, "order"), ({"most": True}, "most")]:
        with pytest.raises(InputError, match=field):
            active_factors(model, **options)

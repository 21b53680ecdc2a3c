"""Counted tests against the procedures' own definitions."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from statsmodels.stats.multitest import multipletests

from doe import Factor, InputError, Region, Response
from doe.analysis import fit, multiplicity, search

Y = Response("y", unit="mm")


def study(seed: int, size: float = 1.0, n: int = 24) -> tuple[pd.DataFrame, Region]:
    rng = np.random.default_rng(seed)
    region = Region([Factor(c, -1, 1) for c in "abcd"])
    data = pd.DataFrame(rng.uniform(-1, 1, (n, 4)), columns=list("abcd"))
    data["y"] = size * (2 * data.a + data.b) + rng.normal(0, 0.8, n)
    return data, region


def holm(p: np.ndarray) -> np.ndarray:
    """Holm (1979): the j-th smallest times m − j + 1, made monotone, at most 1."""
    order, out, running = np.argsort(p), np.empty(len(p)), 0.0
    for j, i in enumerate(order):
        running = max(running, min(1.0, (len(p) - j) * p[i]))
        out[i] = running
    return out


def benjamini_hochberg(p: np.ndarray) -> np.ndarray:
    """Benjamini & Hochberg (1995): the j-th smallest times m / j, made monotone from above."""
    order, out, running = np.argsort(p)[::-1], np.empty(len(p)), 1.0
    for j, i in enumerate(order):
        running = min(running, p[i] * len(p) / (len(p) - j))
        out[i] = running
    return out


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32 - 1), st.floats(0, 1), st.sampled_from([0.01, 0.05, 0.2]))
def test_adjusted_p_values(seed, size, alpha):
    data, region = study(seed, size)
    model = fit(data, Y, region, "interactions")
    table = multiplicity(model, alpha=alpha).table
    p = table["p"].to_numpy()
    np.testing.assert_allclose(table["p_holm"], holm(p), rtol=1e-12)
    np.testing.assert_allclose(table["p_discovery"], benjamini_hochberg(p), rtol=1e-12)
    assert (table["surely"] <= table["mostly"]).all()
    assert (table["mostly"] <= table["alone"]).all()
    own = model.anova.table.set_index("term")["p"]
    assert all(row.p == own[row.term] for row in table.itertuples())
    assert table["p"].is_monotonic_increasing
    assert (table["surely"] == (table["p_holm"] <= alpha)).all()


def test_published_example():
    """Benjamini & Hochberg (1995), section 3.2: 15 tests of thrombolysis (from memory). Holm keeps
    three at 5 %, their procedure four."""
    p = np.array([0.0001, 0.0004, 0.0019, 0.0095, 0.0201, 0.0278, 0.0298, 0.0344, 0.0459,
                  0.3240, 0.4262, 0.5719, 0.6528, 0.7590, 1.0])
    assert (holm(p) <= 0.05).sum() == 3
    assert (benjamini_hochberg(p) <= 0.05).sum() == 4
    np.testing.assert_allclose(multipletests(p, method="fdr_bh")[1], benjamini_hochberg(p))


def test_false_alarms_come_no_more_often_than_said():
    """Noise alone, ten orthogonal terms: some term stands out in nearly 40 % of studies (Šidák's
    bound), and after Holm in 5 %. The fit's own F-tests, for many responses at once."""
    corners = pd.DataFrame(list(np.ndindex(2, 2, 2, 2)), columns=list("abcd")) * 2.0 - 1
    data = pd.concat([corners] * 3, ignore_index=True)
    region = Region([Factor(c, -1, 1) for c in "abcd"])
    model = fit(data.assign(y=np.arange(48.0) ** 0.5), Y, region, "interactions")
    x = model.columns.matrix.to_numpy()
    y = np.random.default_rng(1).normal(size=(48, 4000))
    b = x.T @ y / 48
    ms = np.sum((y - x @ b) ** 2, axis=0) / 37
    p = stats.f.sf(48 * b[1:] ** 2 / ms, 1, 37)
    chance = float(re.search(r"up to (\d+) %", multiplicity(model).sentence)[1]) / 100
    assert chance == 0.40
    assert 0.34 < (p.min(axis=0) < 0.05).mean() < 0.40
    assert np.mean([holm(q).min() < 0.05 for q in p.T]) == pytest.approx(0.05, abs=0.012)


def test_what_is_said():
    data, region = study(3)
    model = fit(data, Y, region, "interactions")
    found = multiplicity(model)
    assert "10 terms tested at 5 %" in found.sentence
    assert "with a chance of up to 40 %" in found.sentence
    assert "With all tests counted (Holm), a" in found.sentence
    chosen = multiplicity(search(model).fit)
    assert chosen.selected
    assert "those left out are not counted" in chosen.sentence
    noise, region = study(11, 0.0)
    assert "no term is beyond noise" in multiplicity(fit(noise, Y, region, "linear")).sentence


def test_a_term_that_stands_out_alone_only_is_named():
    for seed in range(50):
        data, region = study(seed, 0.0)
        found = multiplicity(fit(data, Y, region, "interactions"))
        weak = found.table[found.table["alone"] & ~found.table["mostly"]]
        if len(weak) == 1:
            assert "stands out only if tested alone" in found.sentence
            assert weak["label"].iloc[0].capitalize()[0] in found.sentence
            return
    pytest.fail("no such study among fifty")


def test_a_category_counts_as_one_test():
    rng = np.random.default_rng(1)
    region = Region([Factor.categorical("cup", ["steel", "polymer", "glass"]), Factor("a", -1, 1)])
    data = pd.DataFrame({"cup": np.resize(["steel", "polymer", "glass"], 18),
                         "a": rng.uniform(-1, 1, 18), "y": rng.normal(size=18)})
    assert multiplicity(fit(data, Y, region, "linear")).table["term"].tolist().count("cup") == 1


def test_no_tests_to_count():
    corners = pd.DataFrame({"a": [-1.0, 1, -1, 1], "b": [-1.0, -1, 1, 1], "y": [1.0, 3, 2, 5]})
    region = Region([Factor("a", -1, 1), Factor("b", -1, 1)])
    with pytest.raises(InputError, match="saturated"):
        multiplicity(fit(corners, Y, region, "a*b"))
    with pytest.raises(InputError, match="no terms"):
        multiplicity(fit(corners, Y, region, "mean"))
    with pytest.raises(InputError, match="alpha"):
        multiplicity(fit(corners, Y, region, "a"), alpha=0)

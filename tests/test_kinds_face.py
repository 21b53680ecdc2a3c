"""One face for every kind: same columns, same questions, from a study's own table."""

from __future__ import annotations

import dataclasses
from itertools import product

import numpy as np
import pandas as pd
import pytest
from kind_cases import coded, factorial
from scipy import stats
from study_cases import random_plan, template_brief

from doe import InputError, Region, Response
from doe.analysis import Fit
from doe.analysis.kinds import KindFit, dispersion_effects, fit_kind
from doe.records import Record
from doe.study import Study

REGION = coded("a", "b")
TABLE = ["term", "label", "coefficient", "standard_error", "p", "low", "high", "effect",
         "effect_low", "effect_high", "source"]
RESPONSES = {
    "count": Response("specks", kind="count", exposure=2, exposure_unit="cm²"),
    "proportion": Response("passed", unit="%", kind="proportion", trials=20),
    "share": Response("passed", unit="%", kind="proportion"),
    "ordinal": Response("surface", kind="ordinal", grades=("pitted", "dull", "smooth")),
    "censored": Response("voids", unit="%", kind="censored", detection_limit=1.0),
    "censored log": Response("voids", unit="%", kind="censored", detection_limit=1.0, scale="log"),
}


def runs() -> pd.DataFrame:
    rng, data = np.random.default_rng(12), factorial("ab", 6)
    lean = 0.7 * data["a"] - 0.3 * data["b"]
    data["specks"] = rng.poisson(np.exp(2 + lean))
    data["passed"] = 5.0 * rng.binomial(20, 1 / (1 + np.exp(-lean)))
    data["surface"] = np.clip(np.round(2 + lean + 0.7 * rng.normal(size=24)), 1, 3)
    data["voids"] = np.maximum(np.exp(0.4 + lean + 0.3 * rng.normal(size=24)), 1.0)
    data["block"] = np.tile([1, 2], 12)[rng.permutation(24)]
    return data


def fitted(kind: str, **options) -> KindFit:
    return fit_kind(runs(), RESPONSES[kind], REGION, "a + b", **options)


@pytest.fixture(scope="module", params=RESPONSES)
def model(request) -> KindFit:
    return fitted(request.param)


def test_tables_have_one_shape(model):
    table = model.table
    statistic = "z" if np.isinf(model.df_reference) else "t"
    assert list(table.columns) == [*TABLE[:4], statistic, *TABLE[4:]]
    assert list(table["source"][-2:]) == ["a", "b"]
    assert ((table["low"] < table["coefficient"]) & (table["coefficient"] < table["high"])).all()
    assert (table["standard_error"] > 0).all()
    assert table.attrs["units"]["effect"] == (
        "%" if model.response.kind == "censored" and not model.ratio else model.effect_name)
    change = 2 * table["coefficient"].iloc[-2:]
    np.testing.assert_allclose(table["effect"].iloc[-2:], np.exp(change) if model.ratio else change)
    # p below 5 % and an interval that leaves out 0 are the same finding
    excludes = (table["low"] > 0) | (table["high"] < 0)
    assert ((table["p"] < 0.05) == excludes).all()
    tests = model.tests.set_index("term")
    np.testing.assert_allclose(tests.loc[["a", "b"], "p"], table["p"].iloc[-2:], rtol=1e-6)
    assert set(model.tests["test"]) == {"chi-squared" if statistic == "z" else "F"}
    assert {str(t) for t in model.active} == {t for t in "ab" if tests.loc[t, "p"] < 0.05}


def test_wald_and_profile_intervals_agree_in_large_samples_only(model):
    wald, profile = (model.coefficient_table(kind) for kind in ("wald", "profile"))
    np.testing.assert_allclose(wald["coefficient"], profile["coefficient"])
    np.testing.assert_allclose(wald["low"].iloc[-2:], profile["low"].iloc[-2:], atol=0.25)
    many = fit_kind(pd.concat([runs()] * 200, ignore_index=True), model.response, REGION, "a + b",
                    blocks=None)
    wald, profile = (many.coefficient_table(kind) for kind in ("wald", "profile"))
    np.testing.assert_allclose(wald[["low", "high"]], profile[["low", "high"]], atol=1e-3)
    wide = model.coefficient_table(level=0.99)
    assert (wide["high"] > model.table["high"]).all()
    with pytest.raises(InputError, match="'wald'"):
        model.coefficient_table("exact")


def test_predictions_have_one_shape(model):
    settings = pd.DataFrame({"a": [-1.0, 0.0, 1.5], "b": [1.0, 0.0, 0.0]}, index=[7, 8, 9])
    out = model.predict(settings)
    assert list(out.columns) == ["mean", "mean_low", "mean_high", "low", "high", "extrapolated",
                                 "leverage", "remote"]
    assert list(out.index) == [7, 8, 9]
    assert list(out["extrapolated"]) == [False, False, True]
    assert ((out["mean_low"] < out["mean"]) & (out["mean"] < out["mean_high"])).all()
    assert ((out["low"] <= out["mean"]) & (out["mean"] <= out["high"])).all()
    assert (out["high"] - out["low"] > 0).all()
    wide = model.predict(settings, 0.999)
    assert (wide["mean_high"] > out["mean_high"]).all()
    assert (wide["high"] >= out["high"]).all()
    for call, message in ((lambda: model.predict(settings, 95), "level"),
                          (lambda: model.predict(settings[["a"]]), "b")):
        with pytest.raises(InputError, match=message):
            call()


def test_contrasts_repeat_the_table(model):
    low, high = ({"a": [v], "b": [0.0]} for v in (-1.0, 1.0))
    row = model.compare(pd.DataFrame(low), pd.DataFrame(high)).iloc[0]
    effect = model.table.set_index("term").loc["a", ["effect", "effect_low", "effect_high"]]
    np.testing.assert_allclose(row.to_numpy(float), effect.to_numpy(float), rtol=1e-6)
    none = model.compare(pd.DataFrame(low), pd.DataFrame(low)).iloc[0]
    np.testing.assert_allclose(none, 1.0 if model.ratio else 0.0)
    both = model.design_rows(pd.DataFrame({"a": [1.0], "b": [1.0]}))
    both[0, 0] = 0.0
    profile, wald = (model.contrast(both, intervals=i).iloc[0] for i in ("profile", "wald"))
    scale = np.log if model.ratio else np.asarray
    np.testing.assert_allclose(scale(profile), scale(wald), atol=0.3)
    # With the intercept in it: what the intercept itself is over a region centred there.
    there = Region([dataclasses.replace(REGION["a"], low=0, high=2),
                    dataclasses.replace(REGION["b"], low=-4, high=-2)])
    moved = fit_kind(runs(), model.response, there, "a + b")
    rows = model.design_rows(pd.DataFrame({"a": [1.0], "b": [-3.0]}))
    np.testing.assert_allclose(model.limits(rows[0]), moved.limits(np.eye(len(rows[0]))[0]),
                               rtol=1e-5)
    half = scale(model.contrast(np.eye(len(rows[0]))[[-2]]).iloc[0].to_numpy(float))
    np.testing.assert_allclose(half, scale(effect.to_numpy(float)) / 2, rtol=1e-6)


def test_words_are_whole_sentences(model):
    for text in [*model.sentences, model.sentence]:
        assert text[0].isupper() or text[0].isdigit()
        assert text.endswith(".")
        assert "nan" not in text
        assert "  " not in text
        assert ".." not in text
    assert model.sentence.startswith(model.response.label.capitalize())
    assert "Beyond noise: a" in model.sentence


@pytest.mark.parametrize("kind", ["count", "proportion", "ordinal", "censored"])
def test_blocks_and_selection(kind):
    free = fitted(kind, blocks=None)
    model = fitted(kind, selection="backward elimination")
    assert len(model.coefficients) == len(free.coefficients) + 1
    assert list(model.table["term"]) == list(free.table["term"])  # blocks stay apart
    assert "blocks" in set(model.tests["source"])
    assert "chosen from the data (backward elimination)" in model.sentences[0]
    gain = 2 * (model.log_likelihood - free.log_likelihood)
    assert model.tests.set_index("source").loc["blocks", "likelihood_ratio"] == pytest.approx(
        gain, abs=1e-6)


@pytest.mark.parametrize("kind", ["count", "proportion", "ordinal", "censored"])
def test_order_of_rows(kind):
    data = runs().sample(frac=1, random_state=3)
    one, other = fitted(kind), fit_kind(data, RESPONSES[kind], REGION, "a + b")
    np.testing.assert_allclose(other.coefficients, one.coefficients, atol=1e-6)
    np.testing.assert_allclose(other.table["high"], one.table["high"], atol=1e-5)
    assert other.sentence == one.sentence


def test_units_of_the_factors():
    moved = runs().assign(a=lambda d: 300 + 20 * d["a"])
    region = Region([dataclasses.replace(REGION["a"], low=280, high=320), REGION["b"]])
    for kind, response in RESPONSES.items():
        one, other = fitted(kind), fit_kind(moved, response, region, "a + b")
        np.testing.assert_allclose(other.coefficients, one.coefficients, atol=1e-7)


def test_missing_readings_aliases_and_default_terms_are_said():
    data = runs().assign(specks=lambda d: d["specks"].where(d.index > 1))
    model = fit_kind(data, RESPONSES["count"], REGION)
    assert [str(t) for t in model.terms] == ["1", "a", "b", "a:b"]
    assert any("2 of 24 runs have no measurement of specks" in s for s in model.sentences)
    half = data[data["a"] * data["b"] > 0]
    model = fit_kind(half, RESPONSES["count"], REGION, "a + b")
    assert any("cannot tell b from a" in s for s in model.sentences)
    few = runs().assign(specks=lambda d: (d.index == 2) + 2 * (d.index == 9) + (d["a"] > 0))
    model = fit_kind(few, RESPONSES["count"], REGION)
    assert [str(t) for t in model.terms] == ["1", "a", "b"]
    assert any(s.startswith("Main effects only") for s in model.sentences)


def test_plain_readings_get_the_linear_model():
    for kind in ("continuous", "censored"):
        model = fit_kind(runs(), Response("voids", kind=kind), REGION, "a + b")
        assert isinstance(model, Fit)
        assert not any("is a censored" in s for s in model.sentences)
    with pytest.raises(InputError, match="kind 'count'"):
        fit_kind(runs(), Response("voids"), REGION, exposure=3)


def test_a_study_of_every_kind():
    """From records, as entered, to a fit of each response."""
    brief = template_brief(responses=(
        Response("specks", kind="count", exposure="area"), Response("area", unit="cm²"),
        Response("passed", unit="%", kind="proportion", trials=10), RESPONSES["ordinal"],
        Response("voids", unit="%", kind="censored", detection_limit=0.5, scale="log")))
    plan, rng = random_plan(brief, 20), np.random.default_rng(4)
    code = brief.region["time"].code(plan.settings["time"])
    records = []
    for run, x in enumerate(code, 1):
        voids = float(np.exp(-0.5 * x + 0.3 * rng.normal()))
        area = float(rng.choice([10, 20]))
        measured = {"specks": float(rng.poisson(area * np.exp(-0.5 * x))), "area": area,
                    "passed": 10.0 * rng.binomial(10, 1 / (1 + np.exp(-x))),
                    "surface": float(np.clip(np.round(2 + x + rng.normal() / 2), 1, 3)),
                    "voids": max(voids, 0.8)}
        records.append(Record(run, 1, measurements=measured, time="2031-05-17T08:00:00+00:00",
                              qualifiers={"voids": "<"} if voids < 0.8 else {}))
    table = Study(brief, plan, records).table()
    models = {name: fit_kind(table, brief.response(name), brief.region, "linear")
              for name in ("specks", "passed", "surface", "voids")}
    assert len(table.attrs["qualifiers"]["voids"]) == (~models["voids"].exact).sum() > 0
    effects = {name: m.table.set_index("term").loc["time"] for name, m in models.items()}
    assert {name: e["p"] < 0.05 for name, e in effects.items()} == dict.fromkeys(models, True)
    assert [bool(e["effect"] > 1) for e in effects.values()] == [False, True, True, False]
    np.testing.assert_array_equal(models["specks"].exposure, table["area"])


def test_the_spread_has_the_same_face():
    data = runs().assign(voids=np.random.default_rng(1).normal(size=24))
    model = dispersion_effects(data, Response("voids", unit="%"), REGION, blocks=None)
    assert list(model.table.columns) == [*TABLE[:4], "z", *TABLE[4:]]
    out = model.predict(factorial("ab"))
    assert list(out.columns) == ["mean", "mean_low", "mean_high", "low", "high", "extrapolated",
                                 "leverage", "remote"]
    assert out.attrs["units"]["mean"] == "%"


def test_the_mean_of_several_runs_follows_the_law_of_their_sum():
    """With the mean known for sure: scipy's Poisson and binomial, and all outcomes listed."""
    centre, sure, ends = np.array([0.2, -0.5]), np.zeros(2), np.array([0.025, 0.975])
    counts = fitted("count", method="Poisson")
    limits = counts.limits_at(centre, sure, 0.95, runs=3)
    law = stats.poisson.ppf(ends[:, None], 3 * counts.mean_at(centre)) / 3
    np.testing.assert_allclose(limits, law)
    shares = fitted("proportion", method="binomial")
    limits = shares.limits_at(centre, sure, 0.95, runs=3)
    law = 100 * stats.binom.ppf(ends[:, None], 60, shares.mean_at(centre) / 100) / 60
    np.testing.assert_allclose(limits, law)
    grades = fitted("ordinal")
    chances = grades._cells_at(centre)
    assert grades.mean_at(centre) == pytest.approx(chances @ [1, 2, 3])
    for i in range(2):
        outcomes = {}
        for one in product(range(3), repeat=3):
            total = sum(one) / 3 + 1
            outcomes[total] = outcomes.get(total, 0) + np.prod(chances[i][list(one)])
        below = np.cumsum([outcomes[t] for t in sorted(outcomes)])
        limits = grades.limits_at(centre[i:i + 1], sure[:1], 0.95, runs=3)
        assert [end[0] for end in limits] == pytest.approx(
            np.array(sorted(outcomes))[np.searchsorted(below, ends)])

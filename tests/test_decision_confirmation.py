"""Confirmation runs against statsmodels' prediction intervals and against simulation."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from decision_cases import design, known_fit

from doe.analysis import fit
from doe.decision import best_setting, confirmation
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.responses import Response

REGION = Region([Factor("a", 0, 10, increment=1), Factor("b", 0, 10, increment=1)])
VOIDS = Response("voids", "%", goal="minimise", upper=4)
LUMPS = Response("lumps", "µm", goal="minimise", upper=30, scale="log")


def study(sd=0.5, seed=0):
    fits = [known_fit(REGION, VOIDS, {"1": 4, "a": -1, "b": -0.5}, sd=sd, seed=seed,
                      model="linear"),
            known_fit(REGION, LUMPS, {"1": 3, "a": -0.3, "b": 0.2}, sd=0.1, seed=seed + 1,
                      model="linear")]
    return best_setting(fits), fits


def test_interval_for_one_run_is_statsmodels_prediction_interval():
    recipe, fits = study()
    data = fits[0].data
    peer = smf.ols("voids ~ a + b", data).fit().get_prediction(
        pd.DataFrame([recipe.settings])).summary_frame(alpha=0.10).iloc[0]
    row = confirmation(recipe, fits, pd.DataFrame({"voids": [2.0]}), level=0.90).table.iloc[0]
    assert (row["low"], row["high"]) == pytest.approx((peer["obs_ci_lower"], peer["obs_ci_upper"]))


def test_interval_for_a_mean_is_that_of_weighted_least_squares():
    # A run of weight m has the variance of a mean of m runs: statsmodels' own interval for it.
    recipe, fits = study()
    data = fits[0].data
    peer = smf.wls("voids ~ a + b", data, weights=np.ones(len(data))).fit()
    for m in (2, 5):
        want = peer.get_prediction(pd.DataFrame([recipe.settings]), weights=float(m)
                                   ).summary_frame(alpha=0.05).iloc[0]
        runs = pd.DataFrame({"voids": [2.0] * m})
        row = confirmation(recipe, fits, runs).table.iloc[0]
        assert row["runs"] == m
        assert (row["low"], row["high"]) == pytest.approx((want["obs_ci_lower"],
                                                           want["obs_ci_upper"]))


def test_interval_covers_as_often_as_it_says():
    # 200 studies with three confirmation runs each; 95 % ± 3 standard errors (0.0154 each)
    rng = np.random.default_rng(5)
    data, hits = design(REGION), 0
    at = pd.DataFrame({"a": [8.0], "b": [9.0]})
    recipe = replace(study()[0], settings={"a": 8.0, "b": 9.0})
    truth = 4 - REGION["a"].code(at["a"])[0] - 0.5 * REGION["b"].code(at["b"])[0]
    for _ in range(200):
        data["voids"] = (4 - REGION["a"].code(data["a"]) - 0.5 * REGION["b"].code(data["b"])
                         + 0.5 * rng.standard_normal(len(data)))
        model = fit(data, VOIDS, REGION, "linear")
        seen = pd.DataFrame({"voids": truth + 0.5 * rng.standard_normal(3)})
        hits += confirmation(recipe, [model], seen).confirmed
    assert abs(hits / 200 - 0.95) < 0.047


def test_log_scale_compares_geometric_means():
    recipe, fits = study()
    row = confirmation(recipe, fits, pd.DataFrame({"lumps": [10.0, 20.0, 40.0]})).table.iloc[1]
    assert row["observed"] == pytest.approx(20.0)
    assert row["low"] * row["high"] == pytest.approx(row["predicted"] ** 2)


def test_verdict_per_response_and_specification():
    recipe, fits = study()
    good = recipe.table.set_index("response")["predicted"]
    runs = pd.DataFrame({"voids": good["voids"] + np.array([0.1, -0.1, 0.0]),
                         "lumps": good["lumps"] * np.array([1.05, 1.0, 0.95])})
    found = confirmation(recipe, fits, runs)
    assert found.confirmed is True
    assert found.meets_all
    assert "The models are confirmed" in found.sentence
    assert "3 of 3 runs meet the specification (at most 4 %)" in found.sentence

    bad = confirmation(recipe, fits, runs.assign(lumps=[90.0, 20.0, 95.0]))
    assert bad.confirmed is False
    assert bad.table["confirmed"].tolist() == [True, False]
    assert bad.table["runs_inside"].tolist() == [3, 1]
    assert "Lumps: the mean of 3 runs gave 55.5 µm" in bad.sentence
    assert "1 of 3 runs meets the specification (at most 30 µm)" in bad.sentence
    assert "The model of lumps is not confirmed" in bad.sentence
    assert "9.8 % of confirmations" in bad.sentence         # 1 − 0.95² = 0.0975
    assert not bad.meets_all


def test_what_was_not_measured_stays_open():
    recipe, fits = study()
    value = recipe.table["predicted"].iloc[0]
    found = confirmation(recipe, fits, pd.DataFrame({"voids": [value, np.nan, value]}))
    assert found.table["runs"].tolist() == [2, 0]
    assert found.table["confirmed"].tolist() == [True, None]
    assert not found.meets_all
    assert "What could be judged is confirmed" in found.sentence
    assert "Whether lumps meets its specification is still open" in found.sentence


def test_achieved_settings_are_used_and_told_when_elsewhere():
    recipe, fits = study()
    at = {n: recipe.settings[n] for n in REGION.names}
    there = pd.DataFrame([at, at]).assign(voids=3.0)
    same = confirmation(recipe, fits, there)
    assert same.table["low"].iloc[0] == pytest.approx(
        confirmation(recipe, fits, there[["voids"]]).table["low"].iloc[0])
    assert "away from the recipe" not in same.sentence
    moved = there.assign(a=[0.0, 4.0])
    found = confirmation(recipe, fits, moved)
    # the mean of a linear model at two settings is the model at their mean
    want = fits[0].predict(pd.DataFrame([at | {"a": 2.0}]))["mean"].iloc[0]
    assert found.table["predicted"].iloc[0] == pytest.approx(want)
    off = max(abs(at["a"] - v) for v in (0, 4)) / 10
    assert f"up to {100 * off:.0f} %" in found.sentence or f"{100 * off:.1f} %" in found.sentence


def test_saturated_models_cannot_be_judged():
    data = pd.DataFrame({"a": [0, 10, 0, 10.0], "b": [0, 0, 10, 10.0]})
    full = known_fit(REGION, VOIDS, {"1": 4, "a": -1}, data=data, model="interactions")
    recipe = best_setting([full])
    found = confirmation(recipe, [full], pd.DataFrame({"voids": [3.0]}))
    assert found.confirmed is None
    assert "cannot be judged" in found.sentence


@pytest.mark.parametrize(("observed", "words"), [
    (pd.DataFrame({"weight": [1.0]}), "no response"),
    (pd.DataFrame({"voids": [np.nan]}), "no response"),
    (pd.DataFrame({"voids": ["2,5"]}), "not a number"),
    (pd.DataFrame({"voids": [np.inf]}), "not finite"),
    (pd.DataFrame({"lumps": [0.0]}), "no logarithm"),
])
def test_bad_measurements_are_named(observed, words):
    recipe, fits = study()
    with pytest.raises(InputError, match=words):
        confirmation(recipe, fits, observed)

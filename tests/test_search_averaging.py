"""Averages over models against their definition, and over simulated studies."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import average, fit, search

Y = Response("y", unit="mm")
REGION = Region([Factor("a", -1, 1), Factor("b", 10, 30, unit="s")])


def study(seed: int, n: int = 20, noise: float = 0.8) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    data = pd.DataFrame({"a": rng.uniform(-1, 1, n), "b": rng.uniform(10, 30, n),
                         "block": np.arange(n) % 2 + 1})
    data["y"] = 5 + data.a + 0.8 * data.a**2 + 2 * data.block + rng.normal(0, noise, n)
    return data


def test_against_the_definition_model_by_model():
    """Burnham & Anderson (2002), sections 2.6 and 4.3: weights exp(−Δ/2), the variance with the
    squared distance from the average, Student's t for each model's own variance."""
    model = fit(study(1), Y, REGION, "quadratic")
    found = search(model, show=100)
    averaged = average(found)
    delta = found.table["delta"].to_numpy()
    near = delta <= 10
    weight = np.exp(-delta[near] / 2) / np.exp(-delta[near] / 2).sum()
    fits = [model.refit(m) for m, there in zip(found.models, near, strict=True) if there]
    at = pd.DataFrame({"a": [0.0, -0.7, 1.0], "b": [20.0, 12.0, 30.0]})
    each = np.array([f.predict(at)["mean"] for f in fits])
    t = np.array([stats.t.ppf(0.95, f.df_error) for f in fits])[:, None]
    leverage = np.array([f.predict(at)["leverage"] for f in fits])
    sigma = np.array([f.sigma for f in fits])[:, None]
    mean = weight @ each
    apart = (each - mean) ** 2
    half = np.sqrt(weight @ (t**2 * sigma**2 * leverage + 1.6448536269514722**2 * apart))
    wide = np.sqrt(weight @ (t**2 * sigma**2 * (1 + leverage) + 1.6448536269514722**2 * apart))
    out = averaged.predict(at, level=0.9)
    for name, value in {"mean": mean, "mean_low": mean - half, "mean_high": mean + half,
                        "low": mean - wide, "high": mean + wide,
                        "spread": np.sqrt(weight @ apart)}.items():
        np.testing.assert_allclose(out[name], value, rtol=1e-8, err_msg=name)
    assert len(fits) > 3
    np.testing.assert_allclose(averaged.models["weight"], weight, rtol=1e-8)
    for row in averaged.table.itertuples():
        has = sum(w for w, f in zip(weight, fits, strict=True)
                  if row.term in {str(t) for t in f.terms})
        assert row.weight == pytest.approx(has, rel=1e-8)
    total = np.exp(-delta / 2).sum()
    assert averaged.covered == pytest.approx(np.exp(-delta[near] / 2).sum() / total, rel=1e-8)
    assert out.attrs["units"]["mean"] == "mm"


def test_one_model_alone_predicts_as_its_fit():
    """Where one model has nearly all the weight, the average is that model."""
    data = study(2, noise=0.01)
    found = search(fit(data, Y, REGION, "linear"), keep=[Term("a")])
    averaged = average(found, within=0.1)
    assert len(averaged.weights) == 1
    at = pd.DataFrame({"a": [0.3, 2.0], "b": [15.0, 20.0]})
    columns = ["mean", "mean_low", "mean_high", "low", "high", "extrapolated"]
    np.testing.assert_allclose(averaged.predict(at)[columns].to_numpy(float),
                               found.fit.predict(at)[columns].to_numpy(float), rtol=1e-9)
    assert averaged.sentence.startswith("1 model is averaged")


def test_logarithmic_scale_is_averaged_as_modelled():
    data = study(3)
    logs = average(search(fit(data, Y, REGION, "quadratic")))
    powers = data.assign(y=np.exp(data["y"]))
    found = average(search(fit(powers, Response("y", unit="mm", scale="log"), REGION,
                               "quadratic")))
    at = pd.DataFrame({"a": [0.3], "b": [15.0]})
    for name in ("mean", "mean_low", "high"):
        assert np.log(found.predict(at)[name][0]) == pytest.approx(logs.predict(at)[name][0])
    assert found.predict(at).attrs["statistic"] == "median"


def test_wider_than_the_chosen_model_where_others_are_as_good():
    """Intervals after selection pretend that the terms were known; the average does not.

    Over simulated studies with a weak effect, 95 % intervals for the mean at a corner cover the
    truth less often when the best model is taken for granted.
    """
    at, truth = pd.DataFrame({"a": [1.0], "b": [30.0]}), 5 + 1 + 0.8 + 3
    chosen, averaged, wider = 0, 0, 0
    for seed in range(60):
        data = study(seed, 14, 1.0)
        found = search(fit(data, Y, REGION, "quadratic"))
        one, many = found.fit.predict(at).iloc[0], average(found).predict(at).iloc[0]
        chosen += one["mean_low"] <= truth <= one["mean_high"]
        averaged += many["mean_low"] <= truth <= many["mean_high"]
        wider += many["mean_high"] - many["mean_low"] > one["mean_high"] - one["mean_low"]
    assert averaged > chosen + 3
    assert averaged >= 48
    assert wider >= 45


def test_sentence_names_what_is_sure_and_what_is_not():
    found = average(search(fit(study(5), Y, REGION, "quadratic")))
    table = found.table.set_index("label")["weight"]
    assert f"They agree on {table.index[0]}" in found.sentence
    assert table.is_monotonic_decreasing
    assert f"the best has weight {found.weights[0]:.2f}" in found.sentence


@pytest.mark.parametrize(("options", "message"), [
    ({"method": "forward"}, "exhaustive"), ({"criterion": "r2_predicted"}, "aicc")])
def test_weights_need_all_models_and_a_likelihood(options, message):
    with pytest.raises(InputError, match=message):
        average(search(fit(study(6), Y, REGION, "quadratic"), **options))

"""A gauge's scatter in plans and predictions: sums of variances, and coverage by simulation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from doe import Factor, InputError, Region, Response, appraise, make_plan
from doe.analysis import fit, gauge_study, noise_parts, run_sd

GAUGE_SD, RUN_SD = 3.0, 2.0
REGION = Region([Factor("a", -1, 1), Factor("b", -1, 1), Factor("c", -1, 1)])
SIZE = Response("size", unit="µm")


def gauge(unit: str = "µm", scale: float = 1.0):
    """Thirty parts, one operator, three readings: repeatability `GAUGE_SD` times `scale`."""
    rng = np.random.default_rng(4)
    part, person, _ = np.indices((30, 2, 3)).reshape(3, -1)
    value = 50 + 8 * rng.normal(size=30)[part] + scale * GAUGE_SD * rng.normal(size=len(part))
    return gauge_study(pd.DataFrame({"part": part, "operator": person, "reading": value}),
                       part="part", operator="operator", value="reading", unit=unit)


GAUGE = gauge()


def data(seed: int = 1, response: str = "size", replicates: int = 2) -> pd.DataFrame:
    rng = np.random.default_rng(seed)
    plan = make_plan(REGION, "full factorial", replicates=replicates, seed=1)
    noise = np.hypot(GAUGE_SD, RUN_SD) * rng.normal(size=len(plan))
    return plan.runs.assign(**{response: 50 + 4 * plan.runs["a"] + noise})


def test_variances_add_and_readings_divide_only_the_gauges_part():
    assert run_sd(GAUGE, RUN_SD) == pytest.approx(np.hypot(RUN_SD, GAUGE.sd))
    mean = GAUGE.variance("operator", "interaction") + GAUGE.variance("repeatability") / 4
    assert run_sd(GAUGE, RUN_SD, readings=4) == pytest.approx(np.sqrt(RUN_SD**2 + mean))
    plan = make_plan(REGION, "full factorial", replicates=2, seed=1)
    effects = [appraise(plan, sd=run_sd(GAUGE, RUN_SD, readings=m)).table["detectable_effect"][1]
               for m in (1, 4)]
    assert effects[0] / effects[1] == pytest.approx(
        run_sd(GAUGE, RUN_SD) / run_sd(GAUGE, RUN_SD, readings=4))


@pytest.mark.parametrize(("replicates", "narrower"), [(2, 1.0), (10, 0.8)])
def test_intervals_for_a_runs_own_value_hold_what_they_promise(replicates, narrower):
    """True values of new runs: 95 % of them inside, in intervals never wider than for readings."""
    rng, studies = np.random.default_rng(2), 150
    at = pd.DataFrame({"a": [0.5], "b": [-0.5], "c": [0.0]})
    inside, width = [], []
    for seed in range(studies):
        f = fit(data(seed, replicates=replicates), SIZE, REGION, "a + b + c")
        own, reading = noise_parts(f, GAUGE).predict(at).iloc[0], f.predict(at).iloc[0]
        true = 52.0 + RUN_SD * rng.normal()
        inside.append(own["low"] <= true <= own["high"])
        width.append((own["high"] - own["low"]) / (reading["high"] - reading["low"]))
    assert np.mean(inside) > 0.95 - 2 * np.sqrt(0.95 * 0.05 / studies)
    assert max(width) <= 1 + 1e-12
    assert np.median(width) <= narrower


def test_a_noise_free_gauge_changes_nothing():
    f = fit(data(), SIZE, REGION, "a + b + c")
    parts = noise_parts(f, gauge(scale=1e-3))
    at = pd.DataFrame({"a": [1.0], "b": [0.0], "c": [0.0]})
    np.testing.assert_allclose(parts.predict(at)[["low", "high"]], f.predict(at)[["low", "high"]],
                               rtol=1e-5)
    assert parts.share < 1e-5
    assert "help little" in parts.sentence


def test_a_gauge_that_explains_all_is_said_so():
    f = fit(data(), SIZE, REGION, "a + b + c")
    parts = noise_parts(f, gauge(scale=4.0))
    assert parts.process_sd == 0
    assert parts.share == 1
    assert "the gauge alone explains" in parts.sentence


def test_on_a_log_scale_the_gauge_counts_relative_to_the_mean():
    voids = Response("voids", unit="%", scale="log")
    rows = data(response="voids")
    f = fit(rows, voids, REGION, "a + b + c")
    parts = noise_parts(f, gauge("%"))
    assert parts.gauge_sd == pytest.approx(gauge("%").sd / rows["voids"].mean())
    at = pd.DataFrame({"a": [0.0], "b": [0.0], "c": [0.0]})
    own, reading = parts.predict(at).iloc[0], f.predict(at).iloc[0]
    assert reading["low"] <= own["low"] < own["mean"] < own["high"] <= reading["high"]
    assert own["high"] / own["mean"] == pytest.approx(own["mean"] / own["low"])


def test_refusals():
    f = fit(data(), SIZE, REGION, "a + b + c")
    with pytest.raises(InputError, match="in its unit"):
        noise_parts(f, gauge("mm"))
    with pytest.raises(InputError, match="between"):
        run_sd(GAUGE, -1.0)

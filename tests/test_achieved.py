"""Achieved against planned settings: a known truth, explicit fits, and what is said of it."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from doe import Factor, InputError, Plan, Region, Response
from doe.analysis import fit, fit_mixed
from doe.analysis.achieved import achieved_difference, against_plan
from doe.analysis.kinds import dispersion_effects, fit_kind
from doe.terms import parse
from doe.wording import digits

REGION = Region([Factor("time", 30, 90, unit="s"), Factor("speed", 500, 1500, unit="rpm"),
                 Factor.categorical("cup", ["short", "tall"])])
VOIDS = Response("voids", unit="%")
TERMS = "time + speed + time:speed"


def plan() -> Plan:
    runs = pd.DataFrame(list(product((30.0, 90.0), (500.0, 1500.0), ("short", "tall")))
                        + [(60.0, 1000.0, "short")] * 3, columns=["time", "speed", "cup"])
    n = len(runs)
    runs = runs.assign(run=range(1, n + 1), standard=range(1, n + 1), block=1,
                       point=["factorial"] * 8 + ["centre"] * 3)
    return Plan(REGION, runs, parse(TERMS, REGION), "full factorial", 1)


def truth(data: pd.DataFrame) -> pd.Series:
    return 9 - 0.05 * data["time"] - 0.004 * data["speed"]


def as_run(noise: float, **moved: dict[int, object]) -> pd.DataFrame:
    """The plan's runs, some settings not met, measured at what was achieved."""
    data = plan().runs.set_index("run", drop=False)
    for name, changes in moved.items():
        for run, value in changes.items():
            data.loc[run, name] = value
    return data.assign(voids=truth(data) + np.random.default_rng(2).normal(0, noise, len(data)))


def test_the_achieved_settings_find_the_truth_and_the_planned_ones_do_not():
    data = as_run(1e-9, time={5: 81.0, 6: 84.0, 9: 66.0}, speed={4: 1400.0})
    found = achieved_difference(data, plan(), VOIDS, terms=TERMS)
    table = found.table.set_index("term")
    # half-ranges are 30 s and 500 rpm
    assert table.loc["time", "achieved"] == pytest.approx(-1.5, abs=1e-6)
    assert table.loc["speed", "achieved"] == pytest.approx(-2.0, abs=1e-6)
    assert abs(table.loc["time", "planned"] + 1.5) > 0.01
    assert found.moved == (4, 5, 6, 9)


def test_both_fits_against_statsmodels():
    data = as_run(0.2, time={5: 81.0, 9: 66.0}, speed={4: 1400.0})
    found = achieved_difference(data, plan(), VOIDS, terms=TERMS)
    asked = plan().runs
    for column, frame in (("achieved", data), ("planned", asked)):
        coded = pd.DataFrame({"time": (frame["time"].to_numpy() - 60) / 30,
                              "speed": (frame["speed"].to_numpy() - 1000) / 500,
                              "voids": data["voids"].to_numpy()})
        reference = smf.ols("voids ~ " + TERMS, coded).fit()
        np.testing.assert_allclose(found.table.set_index("term").loc[
            ["1", "time", "speed"], column], reference.params.iloc[:3], rtol=1e-9)
        if column == "achieved":
            np.testing.assert_allclose(found.table.set_index("term").loc[
                ["1", "time", "speed"], "standard_error"], reference.bse.iloc[:3], rtol=1e-9)
    table = found.table
    np.testing.assert_allclose(table["in_standard_errors"] * table["standard_error"],
                               table["achieved"] - table["planned"])
    np.testing.assert_allclose(table["effect_difference"][1:], 2 * table["difference"][1:])


def test_a_large_move_is_told_with_its_size():
    data = as_run(0.1, time=dict.fromkeys((5, 6, 7, 8), 75.0))
    found = achieved_difference(data, plan(), VOIDS, terms=TERMS)
    row = found.table.set_index("term").loc["time"]
    assert abs(row["in_standard_errors"]) > 1
    assert ("In runs 5, 6, 7 and 8 the settings differ from the plan (time by up to 15.0 s, 25 % "
            "of its range). ") in found.sentence
    assert (f"The effect of time is −{abs(row['effect_achieved']):.2f} % by the achieved settings "
            f"and −{abs(row['effect_planned']):.2f} % by the planned ones") in found.sentence


def test_a_small_move_makes_no_difference_and_says_how_little():
    found = achieved_difference(as_run(0.5, time={9: 60.5}), plan(), VOIDS, terms=TERMS)
    most = found.table.loc[found.table["term"] != "1", "in_standard_errors"].abs().max()
    assert 0 < most < 0.25
    assert "settings differ from the plan (time by 0.500 s, 0.83 % of" in found.sentence
    assert "That makes no difference to speak of" in found.sentence
    said = float(found.sentence.rsplit("more than ")[1].split(" %")[0])
    assert said == pytest.approx(100 * most, rel=0.05)


def test_a_conclusion_that_turns():
    # Speed slips where time was long, so that by the plan the loss seems to be time's.
    data = as_run(0.0, speed={5: 350, 6: 350, 7: 1200, 8: 1200})
    data["voids"] = 9 - 0.004 * data["speed"] + np.resize([0.05, -0.04, 0.03, -0.05], len(data))
    found = achieved_difference(data, plan(), VOIDS, terms="time + speed")
    row = found.table.set_index("term").loc["time"]
    assert (row["active_planned"], row["active_achieved"]) == (True, False)
    assert ("By the achieved settings time is within noise, by the planned ones beyond it."
            in found.sentence)


def test_many_moves_are_counted_and_not_all_told():
    data = as_run(0.05, time={r: 90.0 - 4 * r for r in (5, 6, 7, 8)},
                  speed={r: 500.0 + 60 * r for r in (1, 2, 5, 6)})
    found = achieved_difference(data, plan(), VOIDS, terms="time*speed + time*cup + speed*cup")
    size = found.table.iloc[1:]["in_standard_errors"].abs().sort_values(ascending=False)
    turned = found.table["active_planned"] != found.table["active_achieved"]
    told = size[(size >= 0.25) & ~turned[size.index]]
    assert len(told) > 3
    assert found.sentence.count("by the planned ones (") == 3
    rest = len(told) - 3
    assert (f"{rest} further effect{'s' * (rest > 1)} move{'s' * (rest == 1)} by up to "
            f"{digits(told.iloc[3], 2)} standard errors." in found.sentence)


def test_every_setting_met():
    found = achieved_difference(as_run(0.1), plan(), VOIDS)
    assert found.moved == ()
    assert found.settings.empty
    assert (found.table["difference"] == 0).all()
    assert found.sentence.startswith("All 11 runs with voids measured were made at the planned")


def test_a_factor_that_is_not_in_the_model():
    found = achieved_difference(as_run(0.1, cup={2: "short"}), plan(), VOIDS, terms="time + speed")
    assert found.moved == (2,)
    assert found.sentence.endswith("(cup). The model of voids has no term in cup, so nothing "
                                   "moves.")


def test_log_scale_gives_ratios():
    response = replace(VOIDS, scale="log")
    data = as_run(0.0, time={5: 81.0, 6: 84.0})
    data["voids"] = np.exp(truth(data) / 4 + np.resize([0.02, -0.01, -0.02], len(data)))
    table = achieved_difference(data, plan(), response, terms=TERMS).table.set_index("term")
    assert table.loc["time", "effect_difference"] == pytest.approx(
        np.exp(2 * table.loc["time", "difference"]))
    assert table.attrs["units"]["effect_difference"] == "ratio"


def test_a_term_that_only_the_scatter_of_the_settings_can_estimate():
    data = as_run(0.1, time={1: 33.0, 5: 84.0, 8: 87.0}, speed={2: 540.0})
    data = data[data["point"] == "factorial"]
    found = achieved_difference(data, plan(), VOIDS, terms=TERMS + " + I(time**2)")
    assert "I(time ** 2)" not in set(found.table["term"])
    assert "could not tell time² from the other terms" in found.sentence


def test_runs_that_are_not_measured_are_left_out_of_both():
    data = as_run(0.1, time={5: 81.0, 9: 66.0})
    data.loc[5, "voids"] = np.nan
    found = achieved_difference(data, plan(), VOIDS, terms=TERMS)
    assert found.moved == (9,)
    assert len(found.planned.data) == len(found.achieved.data) == 10


def test_same_numbers_as_a_plain_fit():
    data = as_run(0.3, time={5: 81.0})
    found = achieved_difference(data, plan(), VOIDS, terms=TERMS)
    same = fit(data, VOIDS, REGION, TERMS)
    np.testing.assert_allclose(found.table["achieved"], same.coefficients)


def test_bad_input():
    data = as_run(0.1)
    with pytest.raises(InputError, match="run"):
        achieved_difference(data.drop(columns="run"), plan(), VOIDS)
    with pytest.raises(InputError, match="no such run"):
        achieved_difference(data.assign(run=data["run"] + 5), plan(), VOIDS)


# -- other kinds of fit ----------------------------------------------------------------

MISSED = {"time": {5: 81.0, 6: 84.0, 9: 66.0}, "speed": {4: 1400.0, 8: 1430.0}}


def in_coded_units(frame: pd.DataFrame, **columns) -> pd.DataFrame:
    return pd.DataFrame({"time": (frame["time"].to_numpy() - 60) / 30,
                         "speed": (frame["speed"].to_numpy() - 1000) / 500, **columns})


def test_counts_against_statsmodels():
    data = as_run(0.0, **MISSED)
    data["area"] = np.resize([2.0, 3.0], len(data))
    data["specks"] = np.random.default_rng(4).poisson(data["area"] * np.exp(data["voids"] / 3))
    response = Response("specks", kind="count", exposure="area", exposure_unit="cm²")
    found = achieved_difference(data, plan(), response, terms="time + speed")
    for column, frame in (("achieved", data), ("planned", plan().runs)):
        coded = in_coded_units(frame, specks=data["specks"].to_numpy())
        reference = smf.glm("specks ~ time + speed", coded, family=sm.families.Poisson(),
                            offset=np.log(data["area"].to_numpy())).fit()
        np.testing.assert_allclose(found.table[column], reference.params, rtol=1e-7)
    np.testing.assert_allclose(found.table["effect_difference"][1:],
                               np.exp(2 * found.table["difference"][1:]))
    assert found.table.attrs["units"]["effect_achieved"] == "rate ratio"
    assert found.moved == (4, 5, 6, 8, 9)
    assert "The rate ratio of time is " in found.sentence


def test_grades_name_no_threshold_among_the_effects():
    data = as_run(0.3, **MISSED)
    data["grade"] = 1 + np.digitize(data["voids"], (1.5, 4.0))
    data = pd.concat([data, data.assign(grade=np.roll(data["grade"], 1))])
    found = achieved_difference(data, plan(), Response("grade", kind="ordinal",
                                                       grades=("a", "b", "c")), terms="time")
    assert set(found.table["term"]) == {"at least 2", "at least 3", "time"}
    assert "at least" not in found.sentence


def test_readings_below_a_limit_stay_below_it():
    data = as_run(0.4, **MISSED)
    response = Response("voids", unit="%", kind="censored", detection_limit=2.0)
    found = achieved_difference(data, plan(), response, terms="time + speed")
    asked = fit_kind(data.assign(**{n: plan().runs[n].to_numpy() for n in REGION.names}), response,
                     REGION, "time + speed")
    np.testing.assert_array_equal(found.planned.high, found.achieved.high)
    np.testing.assert_allclose(found.table["planned"], asked.coefficients, rtol=1e-9)


def test_a_mixed_model_keeps_its_groups():
    data = as_run(0.3, **MISSED).assign(whole_plot=np.resize([1, 1, 2, 2, 3, 3, 4, 4], 11))
    made = fit_mixed(data, VOIDS, REGION, "time + speed")
    found = against_plan(made, plan())
    asked = fit_mixed(data.assign(**{n: plan().runs[n].to_numpy() for n in REGION.names}), VOIDS,
                      REGION, "time + speed")
    assert found.achieved is made
    np.testing.assert_allclose(found.table["planned"], asked.coefficients, rtol=1e-9)
    np.testing.assert_allclose(found.table["achieved"], made.coefficients)


def test_spreads_by_planned_settings_have_all_their_repeats():
    runs = pd.concat([plan().runs[plan().runs["point"] == "factorial"]] * 3, ignore_index=True)
    runs = runs.assign(run=range(1, 25), standard=range(1, 25))
    made = Plan(REGION, runs, parse("time + speed", REGION), "full factorial", 1)
    data = runs.assign(voids=np.random.default_rng(6).normal(5, 1 + (runs["time"] > 60)))
    data.loc[[4, 5], "time"] += 6
    found = against_plan(dispersion_effects(data, VOIDS, REGION, "time + speed"), made)
    asked = dispersion_effects(runs.assign(voids=data["voids"]), VOIDS, REGION, "time + speed")
    assert found.planned.groups["runs"].tolist() == [3] * 8
    np.testing.assert_allclose(found.table["planned"], asked.coefficients)
    assert found.moved == (5, 6)


def test_no_fit_and_no_plan():
    with pytest.raises(InputError, match="no fit"):
        against_plan("voids ~ time", plan())

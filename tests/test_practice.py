"""The simulated mixer: sensible, repeatable, and hard enough to be worth a plan."""

import csv
import dataclasses
import shutil
from itertools import permutations, product
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.analysis import fit
from doe.errors import InputError
from doe.physics import revolution_for
from doe.planning import make_plan
from doe.practice import (
    RUN_SD,
    demo_brief,
    demo_study,
    demo_surface,
    one_knob_at_a_time,
    open_practice,
    optimum,
    perform_due,
    simulate,
    surface_brief,
    truth,
    write_demo,
)
from doe.practice.replacing import MAKER
from doe.practice.studies import SEED
from doe.programme import ATMOSPHERE
from doe.store import open_study

BRIEF = demo_brief()
REGION = BRIEF.region
NAMES = list(RUN_SD)
CENTRE = REGION.centre()


def moved(name, values, **held):
    """The centre with one factor at several values, and others held elsewhere."""
    table = pd.concat([CENTRE.assign(**held)] * len(values), ignore_index=True)
    return truth(table.assign(**{name: np.asarray(values, float)}), BRIEF)


inside = st.tuples(*[st.floats(f.low, f.high) for f in REGION.factors]).map(
    lambda v: dict(zip(REGION.names, v, strict=True)))


# ---- the brief

def test_the_scenario_is_marked_as_invented_and_within_every_limit():
    for brief in (BRIEF, surface_brief()):
        assert brief.invented
        assert "nvented" in brief.notes
        assert brief.warnings == []
        assert {r.name for r in brief.responses} == set(RUN_SD)
        assert type(brief).from_plain(brief.to_plain()) == brief


# ---- the truth behaves

@given(inside, st.floats(1.02, 1.3))
def test_directions_of_the_truth(settings, factor):
    """More speed, ratio, time: each does what a mixing engineer expects of it."""
    at = pd.DataFrame([settings])
    base = truth(at, BRIEF).iloc[0]
    faster, steeper, longer = (truth(at.assign(**{n: at[n] * factor}), BRIEF).iloc[0]
                               for n in ("revolution", "rotation_ratio", "time"))
    for more in (faster, steeper, longer):
        assert more["voids"] < base["voids"]
        assert more["largest_agglomerate"] < base["largest_agglomerate"]
        assert more["temperature_rise"] > base["temperature_rise"]
        assert more["settling"] > base["settling"]


@given(inside)
def test_truth_is_possible(settings):
    values = truth(pd.DataFrame([settings]), BRIEF).iloc[0]
    assert 0 < values["voids"] < 10
    assert 0 < values["largest_agglomerate"] < 200
    assert 0 < values["temperature_rise"] < BRIEF.vessel.temperature_limit - 23
    # no more can settle than the filler there is
    loading = BRIEF.material.filler_volume_fraction
    assert 0 <= values["settling"] < loading * (2.27 - 1.10)


def test_voids_have_a_minimum_over_pressure_where_foam_begins():
    pressure = np.geomspace(2, ATMOSPHERE, 60)
    voids = moved("pressure", pressure)["voids"].to_numpy()
    least = voids.argmin()
    assert 5 < pressure[least] < 20
    assert (np.diff(voids[: least + 1]) < 0).all()
    assert (np.diff(voids[least:]) > 0).all()
    others = moved("pressure", pressure).drop(columns="voids")
    assert (others.max() - others.min() < 0.3 * pd.Series(RUN_SD)[others.columns]).all()


@pytest.mark.parametrize(("response", "one", "other"), [
    ("settling", "revolution", "time"),
    ("largest_agglomerate", "rotation_ratio", "time"),
    ("temperature_rise", "rotation_ratio", "revolution"),
])
def test_interactions_are_real(response, one, other):
    low, high = REGION[one].low, REGION[one].high
    effect = [np.diff(moved(one, [low, high], **{other: v})[response])[0]
              for v in (REGION[other].low, REGION[other].high)]
    assert abs(effect[1] - effect[0]) > 2 * RUN_SD[response]


def test_agglomerates_depend_on_the_rotation_alone_at_a_given_time():
    # shear comes from rotation = revolution × ratio, whichever way it is made up
    table = pd.DataFrame({"revolution": [1000.0, 1250.0], "rotation_ratio": [0.45, 0.36],
                          "time": 120.0, "pressure": 20.0})
    a, b = truth(table, BRIEF)["largest_agglomerate"]
    assert a == pytest.approx(b, rel=1e-12)


def test_nothing_happens_in_no_time():
    start = moved("time", [1e-6]).iloc[0]
    assert start["voids"] == pytest.approx(6.0, rel=0.05)          # whipped-in air
    assert start["largest_agglomerate"] == pytest.approx(160.0)
    assert start["temperature_rise"] == pytest.approx(0.0, abs=1e-6)
    assert start["settling"] == pytest.approx(0.0, abs=1e-6)


def test_another_mixer_at_the_same_force_and_rotation_does_the_same():
    # transfer by equal acceleration: halve the radius, raise revolution, keep the rotation
    small = BRIEF.replace(mixer=dataclasses.replace(BRIEF.mixer, carrier_radius=55.0))
    force_kept = CENTRE.assign(revolution=CENTRE["revolution"] * np.sqrt(2),
                               rotation_ratio=CENTRE["rotation_ratio"] / np.sqrt(2))
    assert revolution_for(100, 55) == pytest.approx(np.sqrt(2) * revolution_for(100, 110))
    pd.testing.assert_frame_equal(truth(force_kept, small), truth(CENTRE, BRIEF))
    # whereas equal revolution leaves more bubbles in
    assert truth(CENTRE, small)["voids"].iloc[0] > truth(CENTRE, BRIEF)["voids"].iloc[0]


def test_a_held_setting_stands_for_a_column():
    pressure = float(CENTRE["pressure"].iloc[0])
    held = BRIEF.replace(region=REGION.hold({"pressure": pressure}), held={"pressure": pressure})
    pd.testing.assert_frame_equal(truth(CENTRE.drop(columns="pressure"), held),
                                  truth(CENTRE, BRIEF))


@pytest.mark.parametrize(("change", "words"), [
    (lambda t: t.drop(columns="time"), "'time': the simulated mixer needs this setting"),
    (lambda t: t.assign(time=np.nan), "row 1, column 'time'"),
    (lambda t: t.assign(time="long"), "'long'"),
    (lambda t: t.assign(pressure=0.0), "column 'pressure'"),
    (lambda t: t.assign(revolution=-5.0), "column 'revolution'"),
])
def test_settings_no_mixer_can_have_are_refused(change, words):
    with pytest.raises(InputError) as caught:
        truth(change(CENTRE), BRIEF)
    assert words in str(caught.value)


def test_a_brief_the_simulation_knows_nothing_of_is_refused():
    odd = dataclasses.replace(BRIEF.responses[0], name="haze")
    with pytest.raises(InputError, match="does not measure it"):
        simulate(CENTRE, seed=1, brief=BRIEF.replace(responses=(odd,)))
    bare = dataclasses.replace(BRIEF.material, filler_diameter=None)
    with pytest.raises(InputError, match="has a filler"):
        truth(CENTRE, BRIEF.replace(material=bare))


# ---- noise

RUNS = pd.concat([CENTRE] * 400, ignore_index=True).assign(run=range(1, 401))


def test_readings_repeat_by_seed_run_and_attempt_alone():
    readings = simulate(RUNS, seed=5)
    pd.testing.assert_frame_equal(simulate(RUNS, seed=5), readings)
    part = RUNS.sample(50, random_state=1)
    pd.testing.assert_frame_equal(simulate(part, seed=5), readings.loc[part.index])
    assert not simulate(RUNS, seed=6).equals(readings)
    assert not simulate(RUNS.assign(attempt=2), seed=5).equals(readings)
    # without numbers the runs are counted from 1
    pd.testing.assert_frame_equal(simulate(RUNS.drop(columns="run"), seed=5), readings)


def test_noise_has_the_spread_that_is_stated():
    readings, exact = simulate(RUNS, seed=11), truth(RUNS).iloc[0]
    n = len(RUNS)
    for name, sd in RUN_SD.items():
        values, centre = readings[name], exact[name]
        if name == "voids":
            values, centre = np.log(values), np.log(centre)
        assert values.std() == pytest.approx(sd, rel=4 / np.sqrt(2 * n))     # 4 standard errors
        assert values.mean() == pytest.approx(centre, abs=4 * sd / np.sqrt(n))
    logs = readings.assign(voids=np.log(readings["voids"]))
    between = np.corrcoef(logs.to_numpy().T) - np.eye(len(NAMES))
    assert np.abs(between).max() < 4 / np.sqrt(n)


def test_without_noise_only_rounding_is_left():
    readings, exact = simulate(RUNS[:1], seed=1, noise=0).iloc[0], truth(RUNS[:1]).iloc[0]
    for response in BRIEF.responses:
        assert abs(readings[response.name] - exact[response.name]) <= response.resolution / 2 + 1e-9


def test_readings_are_rounded_and_stop_at_the_detection_limit():
    voids = dataclasses.replace(BRIEF.responses[0], detection_limit=0.75)
    brief = BRIEF.replace(responses=(voids, *BRIEF.responses[1:]))
    readings = simulate(RUNS, seed=2, brief=brief)
    assert readings["voids"].min() == 0.75
    assert (readings["voids"] > 0.75).any()
    for response in brief.responses:
        steps = readings[response.name] / response.resolution
        np.testing.assert_allclose(steps, steps.round(), atol=1e-6)


def test_a_day_shifts_all_its_runs_alike():
    blocks = RUNS.assign(block=np.repeat([1, 2, 3, 4], 100))
    quiet = simulate(blocks, seed=3, noise=0, day_sd=3.0)
    for name in NAMES:
        assert quiet.groupby(blocks["block"])[name].nunique().eq(1).all()
        assert quiet[name].nunique() >= 3              # rounding may bring two days together
    # and leaves the runs' own noise as it was
    np.testing.assert_allclose(
        np.log(simulate(blocks, seed=3)["voids"]) - np.log(simulate(blocks, seed=3, noise=0)
                                                          ["voids"]),
        np.log(simulate(blocks, seed=3, day_sd=3.0)["voids"]) - np.log(quiet["voids"]), atol=0.04)


# ---- the puzzle is worth solving

def meets_all(settings):
    true = truth(settings, BRIEF)
    return np.all([[r.meets(v) for v in true[r.name]] for r in BRIEF.responses], axis=0)


def test_a_good_region_exists_inside_the_ranges():
    grid = REGION.grid({"revolution": 11, "rotation_ratio": 12, "time": 13, "pressure": 17})
    good = grid[meets_all(grid)]
    assert 0.005 < len(good) / len(grid) < 0.05
    for factor in REGION.factors:
        assert good[factor.name].min() > factor.low or good[factor.name].max() < factor.high


def test_the_optimum_is_the_shortest_by_a_search_of_another_kind():
    best = optimum(BRIEF)
    at = pd.DataFrame([best.settings])
    assert meets_all(at).all()
    assert REGION.contains(at).all()
    pd.testing.assert_frame_equal(BRIEF.mixer.snap(at, REGION), at)
    for factor in REGION.factors:                     # an inner point
        assert factor.low < best.settings[factor.name] < factor.high
    # random settings with less time: none meets them all
    random = np.random.default_rng(0)
    shorter = pd.DataFrame({f.name: random.uniform(f.low, f.high, 60_000) for f in REGION.factors})
    shorter["time"] = random.uniform(REGION["time"].low, best.settings["time"] - 5, len(shorter))
    assert not meets_all(shorter).any()


def test_one_knob_at_a_time_misses_or_takes_far_longer():
    shortest = optimum(BRIEF).settings["time"]
    ends = [one_knob_at_a_time(BRIEF, order).iloc[-1] for order in permutations(REGION.names)]
    met = [end["time"] for end in ends if end["meets_all"]]
    assert len(met) < len(ends) / 2                    # most orders never meet every limit
    assert min(met) > 1.2 * shortest                   # and the luckiest takes a fifth longer


def test_a_path_of_one_knob_moves_one_knob():
    path = one_knob_at_a_time(BRIEF, ["time", "pressure", "revolution", "rotation_ratio"])
    assert path["moved"].tolist() == ["time", "pressure", "revolution", "rotation_ratio"]
    before = CENTRE.iloc[0]
    for _, row in path.iterrows():
        changed = [n for n in REGION.names if not np.isclose(row[n], before[n], atol=0.01)]
        assert set(changed) <= {row["moved"]}
        before = row
    assert bool(path["meets_all"].iloc[-1]) == meets_all(path[REGION.names].iloc[[-1]])[0]


def test_spare_costs_time():
    tight, safe = optimum(BRIEF), optimum(BRIEF, spare=1.0)
    assert (tight.table["spare"] >= 0).all()
    assert (safe.table["spare"] >= 1.0).all()
    assert tight.settings["time"] < safe.settings["time"]
    assert f"time {safe.settings['time']:.0f} s" in safe.sentence
    hurried = dataclasses.replace(REGION["time"], low=80.0, high=90.0)
    brief = BRIEF.replace(region=REGION.replace([hurried if f.name == "time" else f
                                                 for f in REGION.factors]))
    with pytest.raises(InputError, match="no setting meets every specification"):
        optimum(brief)


def test_an_eleven_run_screening_finds_the_main_effects():
    # true main effects from all 16 corners; those of 4 standard deviations must be found by
    # eight runs and three centre points in nine studies of ten
    corners = REGION.decode(np.array(list(product([-1, 1], repeat=4))))
    signs = REGION.encode(corners)
    exact = truth(corners, BRIEF).assign(voids=lambda t: np.log(t["voids"]))
    effects = {(r, f): (exact[r] * signs[:, j]).mean() * 2 / RUN_SD[r]
               for r in NAMES for j, f in enumerate(REGION.names)}
    large = {key for key, e in effects.items() if abs(e) >= 4}
    assert len(large) >= 9
    assert {f for _, f in large} == set(REGION.names)
    found = dict.fromkeys(large, 0)
    studies = 10
    for seed in range(studies):
        plan = make_plan(REGION, "fractional factorial", runs=8, centre_points=3, seed=seed,
                         mixer=BRIEF.mixer)
        data = pd.concat([plan.runs, simulate(plan.runs, seed=seed, brief=BRIEF)], axis=1)
        for response in BRIEF.responses:
            # main effects alone: in a fraction of resolution IV they are clear of interactions
            table = fit(data, response, REGION, " + ".join(REGION.names)).table.set_index("term")
            for name in REGION.names:
                if (response.name, name) in large:
                    row = table.loc[name]
                    right_way = row["coefficient"] * effects[response.name, name] > 0
                    found[response.name, name] += bool(row["p"] < 0.05 and right_way)
    assert {key: n for key, n in found.items() if n < 0.9 * studies} == {}


# ---- ready-made studies

def test_screening_study_is_complete_and_has_its_two_mishaps(tmp_path):
    study = demo_study(tmp_path / "s.study", seed=4)
    assert len(study.plan) == 11
    assert not study.pending
    assert len(study.done) == 11
    (voided,) = study.void
    assert "lid" in voided.reason
    assert [r.status for r in study.attempts(voided.run)] == ["void", "done"]
    (leak,) = [r for r in study.records if r.settings]
    assert leak.settings["pressure"] == study.planned(leak.run)["pressure"] + 1.5
    table = study.table()
    assert table.loc[table["run"] == leak.run, "pressure"].item() == leak.settings["pressure"]
    # the readings are those of the achieved settings
    expected = simulate(table, seed=4, brief=study.brief)
    pd.testing.assert_frame_equal(table[NAMES], expected, check_names=False)
    times = [r.time for r in study.records]
    assert times == sorted(times)


def test_surface_study_follows_on_the_same_truth(tmp_path):
    study = demo_surface(tmp_path / "s.study", seed=4)
    first, second = demo_brief(), study.brief
    assert (second.mixer, second.vessel, second.material, second.fill_mass) == (
        first.mixer, first.vessel, first.material, first.fill_mass)
    assert not study.pending
    assert study.plan.family == "central composite"
    table = study.table()
    exact = truth(table, first)
    off = (np.log(table["voids"]) - np.log(exact["voids"])) / RUN_SD["voids"]
    assert off.abs().max() < 4
    # the screening's optimum lies inside the smaller region
    assert second.region.contains(pd.DataFrame([optimum(first).settings])).all()


def test_a_quadratic_model_is_good_enough_for_the_surface_stage():
    brief = surface_brief()
    coded = np.random.default_rng(2).uniform(-1, 1, (500, 4))
    settings = brief.region.decode(coded)
    exact = truth(settings, brief)
    columns = [np.ones(500), *coded.T, *(coded[:, i] * coded[:, j]
                                         for i in range(4) for j in range(i, 4))]
    x = np.column_stack(columns)
    for name, sd in RUN_SD.items():
        y = np.log(exact[name]) if name == "voids" else exact[name].to_numpy()
        misfit = y - x @ np.linalg.lstsq(x, y, rcond=None)[0]
        assert misfit.std() < 0.7 * sd


def test_written_files_repeat(tmp_path):
    first = write_demo(tmp_path / "a", seed=9)
    write_demo(tmp_path / "b", seed=9)
    write_demo(tmp_path / "b", seed=9)                # over what is there
    assert [p.name for p in first] == ["first_screening.study", "first_screening.csv",
                                       "second_surface.study", "second_surface.csv"]
    for path in first:
        if path.suffix == ".csv":
            assert path.read_bytes() == (tmp_path / "b" / path.name).read_bytes()
            with path.open(newline="") as lines:
                rows = list(csv.DictReader(lines))
            with open_study(path.with_suffix(".study"), read_only=True) as study_file:
                table = study_file.read().table()
            assert [float(r["voids"]) for r in rows] == table["voids"].tolist()


@pytest.mark.parametrize("name", ["first_screening", "second_surface"])
def test_the_files_that_are_handed_out_hold_what_the_simulation_gives(tmp_path, name):
    source = Path(__file__).parents[1] / "data_demo" / f"{name}.study"
    path = shutil.copy(source, tmp_path)               # reading leaves nothing beside the original
    with open_study(path, read_only=True) as study_file:
        study = study_file.read()
    table = study.table()
    assert study.brief == {"first_screening": demo_brief, "second_surface": surface_brief}[name]()
    noise = SEED + (name == "second_surface")
    expected = simulate(table, seed=noise, brief=study.brief)
    pd.testing.assert_frame_equal(table[NAMES], expected, check_names=False)
    told = pd.read_csv(source.with_suffix(".csv"))
    pd.testing.assert_frame_equal(told[NAMES], table[NAMES], check_dtype=False)
    assert f"Seed {SEED} " in (source.parent / "README.md").read_text()


# ---- practice keeps out of real work

@pytest.mark.parametrize("brief", [
    BRIEF.replace(invented=False), BRIEF,
    BRIEF.replace(author=MAKER, invented=False)], ids=["real", "copied brief", "author alone"])
def test_practice_writes_nothing_into_a_file_it_did_not_make(tmp_path, brief):
    path = tmp_path / "real.study"
    with open_study(path, create=brief) as file:
        file.set_plan(make_plan(REGION, "fractional factorial", runs=8, seed=1,
                                mixer=brief.mixer))
        before = file.read()
        with pytest.raises(InputError, match="not made by open_practice"):
            perform_due(file)
        for stage in ("briefed", "planned", "run", "surface"):
            with pytest.raises(InputError, match=r"real\.study.*Open your own study"):
                open_practice(path, stage)
        after = file.read()
    assert not after.records
    assert after.trail.equals(before.trail)


def test_a_file_made_for_practice_goes_on_where_it_was(tmp_path):
    path = tmp_path / "a.study"
    for stage, done in (("briefed", 0), ("planned", 0), ("run", 11), ("planned", 11)):
        with open_practice(path, stage) as file:
            assert len(file.read().done) == done
    with open_practice(tmp_path / "b.study", "surface") as file:
        assert len(file.read().done) == 28
        assert perform_due(file) == 0


def test_a_practice_study_that_turns_real_is_left_alone(tmp_path):
    with open_practice(tmp_path / "a.study", "planned") as file:
        file.set_brief(file.read().brief.replace(invented=False))
        with pytest.raises(InputError, match="not made by open_practice"):
            perform_due(file)
        assert not file.read().records

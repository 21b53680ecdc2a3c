"""Plans over programmes of several steps: limits on the whole programme, settings by step."""

import numpy as np
import pandas as pd
import pytest

from doe import sheets
from doe.brief import Brief
from doe.cautions import to_programmes
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel
from doe.planning import appraise, augment, effort, make_plan, reorder, split_plot
from doe.planning.optimal import optimal_plan
from doe.planning.settle import feasible, outside_mixer
from doe.responses import Response
from doe.sheets.facts import sheet_facts
from doe.store import open_study

MIXER = Mixer("bench", 150.0, pressure_range=(1.0, 101.0), greatest_time=600.0,
              revolution_increment=50.0, rotation_increment=20.0, time_increment=5.0)
TIMES = "dispersion_time + degassing_time <= 400"
HEAT = "dispersion_revolution * dispersion_revolution * dispersion_time <= 400000000"
ROTATION = "dispersion_revolution * dispersion_rotation_ratio <= 700"


def two_steps(**changes):
    """An invented brief: disperse at atmospheric pressure, then degas under vacuum."""
    region = Region((
        Factor("dispersion_revolution", 800, 1600, unit="rpm"),
        Factor("dispersion_rotation_ratio", 0.2, 0.6),
        Factor("dispersion_time", 60, 300, unit="s"),
        Factor("degassing_time", 60, 300, unit="s"),
        Factor("degassing_pressure", 2, 50, unit="kPa", hard_to_change=True)),
        (TIMES, HEAT, ROTATION))
    return Brief(**{
        "title": "Two steps", "purpose": "", "author": "", "mixer": MIXER,
        "vessel": Vessel("cup", 300, 70, 80, rated_acceleration=600),
        "material": Material("invented paste", 1.1, 5.0), "fill_mass": 100.0, "region": region,
        "responses": (Response("voids", unit="%"),), "invented": True,
        "held": {"degassing_revolution": 700, "degassing_rotation_ratio": 0.4}, **changes})


def totals(plan):
    s = plan.settings
    return (s["dispersion_time"] + s["degassing_time"],
            s["dispersion_revolution"]**2 * s["dispersion_time"],
            s["dispersion_revolution"] * s["dispersion_rotation_ratio"])


def holds(brief, plan):
    """Every limit of the whole programme, and every setting one that its step can be given."""
    time, heat, rotation = totals(plan)
    assert (time <= 400 + 1e-9).all()
    assert (heat <= 4e8 * (1 + 1e-9)).all()
    assert (rotation <= 700 + 1e-6).all()
    s = plan.settings
    assert np.allclose(s["dispersion_revolution"] % 50, 0)
    assert np.allclose(rotation / 20, (rotation / 20).round())
    assert np.allclose(s["dispersion_time"] % 5, 0)
    assert np.allclose(s["degassing_time"] % 5, 0)
    assert np.allclose(s["degassing_pressure"] * 10, (s["degassing_pressure"] * 10).round())
    assert not any(brief.problems(row) for row in s.to_dict("records"))


@pytest.fixture(scope="module")
def optimal():
    brief = two_steps()
    return optimal_plan(brief.region, runs=24, model="interactions", mixer=brief.mixer, seed=1,
                        starts=5)


def test_optimal_plan_over_two_steps(optimal):
    brief = two_steps()
    holds(brief, optimal)
    assert appraise(optimal).table["estimable"].all()
    assert optimal.details["efficiency"] > 0.8
    # The limit on the whole programme is used, not kept away from: both steps are run long, in
    # turn, and some runs lie on it.
    time, _, _ = totals(optimal)
    assert time.max() >= 390
    assert optimal.settings["degassing_time"].max() >= 295
    steps = to_programmes(optimal.settings.assign(**brief.held))
    assert {len(p.steps) for p in steps} == {2}
    assert np.allclose([p.time for p in steps], time)


@pytest.mark.parametrize("family", ["fractional factorial", "central composite",
                                    "definitive screening"])
def test_families_of_fixed_shape_are_brought_inside(family):
    brief = two_steps()
    plan = make_plan(brief.region, family, mixer=brief.mixer, seed=1)
    holds(brief, plan)
    assert any("pulled towards the centre" in r and "dispersion time + degassing time" in r
               for r in plan.remarks)


def test_vacuum_is_set_once_a_group_over_both_steps():
    brief = two_steps()
    plan = split_plot(brief.region, whole_plots=5, runs=20, model="interactions",
                      mixer=brief.mixer, seed=1, starts=3)
    holds(brief, plan)
    assert plan.runs.groupby("whole_plot")["degassing_pressure"].nunique().eq(1).all()
    strict = reorder(plan, "grouped", seed=2)
    told = effort(strict, brief, change_minutes={"degassing_pressure": 15}, handling_minutes=10)
    time, _, _ = totals(strict)
    assert told.table["programme"].sum() == pytest.approx(time.sum() / 60)
    assert told.runs["set"].str.contains("degassing pressure").sum() >= 5
    assert told.material == 20 * 100


def test_the_whole_job_with_two_steps(optimal, tmp_path):
    brief = two_steps()
    with open_study(tmp_path / "two.study", create=brief) as file:
        file.set_plan(optimal)
        file.record(1, {"voids": 2.0}, settings={"dispersion_time": 175.0})
        table = file.read().table()
        assert table["dispersion_time"].tolist() == [175.0]
        new = augment(optimal, records=table, runs=4, mixer=brief.mixer, terms=optimal.terms,
                      seed=1, starts=1)
        holds(brief, new)
        file.set_plan(new, reason="four more runs")
        study = file.read()
    sheet = sheets.sheet_table(study)
    assert len(sheet) == 28
    np.testing.assert_allclose(sheet["dispersion rotation speed"],
                               sheet["dispersion_revolution"] * sheet["dispersion_rotation_ratio"])
    facts = sheet_facts(study)
    # What is held is said once, above the runs: 700 rpm × 0.4.
    assert facts["Step 2, degassing"].startswith(
        "revolution 700 rpm, rotation 280 rpm, ratio 0.4, 60 to 300 s, ")
    assert facts["Step 1, dispersion"].endswith(" s, 101.3 kPa")


def test_three_steps_share_the_mixer_time():
    # No limit is stated for the sum; the mixer's own, 600 s, binds all three steps together.
    region = Region((Factor("wetting_time", 30, 300, unit="s"),
                     Factor("dispersion_time", 30, 300, unit="s"),
                     Factor("degassing_time", 30, 300, unit="s"),
                     Factor("degassing_pressure", 2, 50, unit="kPa")))
    plan = optimal_plan(region, runs=18, mixer=MIXER, seed=1, starts=3)
    total = plan.settings[["wetting_time", "dispersion_time", "degassing_time"]].sum(axis=1)
    assert total.max() <= 600
    assert total.max() >= 590
    assert appraise(plan).table["estimable"].all()
    with pytest.raises(InputError, match="900 s in all"):
        two_steps(region=region, held={"revolution": 900, "rotation_ratio": 0.4})
    limit = Region(region.factors, ("wetting_time + dispersion_time + degassing_time <= 600",))
    brief = two_steps(region=limit, held={"revolution": 900, "rotation_ratio": 0.4})
    assert len(brief.programme(plan.settings.iloc[0].to_dict()).steps) == 3
    assert not any(brief.problems(row) for row in plan.settings.to_dict("records"))


def test_a_common_speed_turns_each_steps_ratio_into_rotation():
    region = Region((Factor("revolution", 800, 1600, unit="rpm"),
                     Factor("wetting_rotation_ratio", 0.1, 0.9),
                     Factor("degassing_rotation_ratio", 0.1, 0.9)))
    mixer = Mixer("bench", 150.0, rotation_range=(0.0, 1000.0), rotation_increment=50.0,
                  revolution_increment=50.0)
    plan = make_plan(region, "central composite", mixer=mixer, seed=1)
    for step in ("wetting", "degassing"):
        rotation = plan.settings["revolution"] * plan.settings[f"{step}_rotation_ratio"]
        assert np.allclose(rotation / 50, (rotation / 50).round())
        assert rotation.max() <= 1000 + 1e-6
    point = pd.DataFrame({"revolution": [1600.0], "wetting_rotation_ratio": [0.2],
                          "degassing_rotation_ratio": [0.7]})
    assert set(outside_mixer(point, mixer)) == {"revolution", "degassing_rotation_ratio"}
    assert not feasible(region, point, mixer)[0]
    # A step with a speed of its own is judged by that one.
    own = outside_mixer(point.assign(degassing_revolution=900.0), mixer)
    assert not own

"""Speeds set as levels of a dial, or as rotation in rpm: every check and every number goes on."""

import dataclasses

import numpy as np
import pandas as pd
import pytest
from study_cases import random_plan, template_brief

from doe.brief import Brief
from doe.brief_tables import equipment_tables
from doe.budgets import heat_budget
from doe.cautions import to_programmes
from doe.decision import best_setting
from doe.dial import as_table, line_above, nearest_level, to_rpm
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Mixer, rotation_limits
from doe.planning.settle import feasible, outside_mixer
from doe.responses import Response
from doe.sheets.facts import run_lines, sheet_cautions, sheet_facts
from doe.sheets.layout import columns, sheet_table
from doe.study import Study

UNEVEN = (400, 600, 900, 1300, 1500)
SPIN = ((1, 100), (3, 300), (6, 700))
TIME = Factor("time", 60, 240, unit="s", increment=5)
LEVEL = Factor.settable("revolution_level", [2, 3, 4, 5])
TURN = Factor.settable("rotation_level", [1, 3, 6])


def dial_mixer(**changes):
    return dataclasses.replace(template_brief().mixer, **{
        "revolution_levels": UNEVEN, "rotation_levels": SPIN, **changes})


def dial_brief(*factors, held=None, mixer=None, limits=(), **changes):
    return template_brief().replace(
        mixer=mixer or dial_mixer(), region=Region(factors or (LEVEL, TURN, TIME), limits),
        held={"pressure": 5.0} if held is None else held, **changes)


# ---- the table


def test_a_table_is_given_as_rpm_or_as_pairs():
    mixer = dial_mixer()
    assert mixer.revolution_levels == ((1, 400), (2, 600), (3, 900), (4, 1300), (5, 1500))
    assert mixer.rotation_levels == ((1, 100), (3, 300), (6, 700))
    assert to_rpm(mixer.revolution_levels, [5, 1]).tolist() == [1500, 400]
    assert nearest_level(mixer.rotation_levels, [1.9, 4.6, 9]).tolist() == [1, 6, 6]
    shown = equipment_tables(dial_brief())["Mixer"].set_index("property")["value"]
    assert shown["rotation levels"] == "level 1: 100, level 3: 300, level 6: 700"


@pytest.mark.parametrize(("given", "problem"), [
    ([400], "at least two levels"), ("fast", "at least two levels"),
    ([400, 400], "level 2 with 400 rpm is not above level 1"),
    ([[1, 400], [1, 500]], "is not above level 1"), ([[1, 2, 3], [4, 5, 6]], "one speed"),
    ([400, "x"], "not a finite number"), ([400, 1900], "outside the mixer's 200 to 1800 rpm")])
def test_a_table_that_is_none(given, problem):
    with pytest.raises(InputError, match=problem):
        dial_mixer(revolution_levels=given)


def test_a_level_that_the_table_lacks():
    with pytest.raises(InputError, match=r"lacks this level\. Use one of: 1, 2, 3, 4, 5"):
        dial_brief(Factor.settable("revolution_level", [2, 7]), TURN, TIME)
    with pytest.raises(InputError, match="lacks this level"):
        dial_brief(LEVEL, TIME, held={"rotation_level": 2, "pressure": 5})
    with pytest.raises(InputError, match=r"fixed levels. Give them as levels"):
        dial_brief(Factor("revolution_level", 2, 5), TURN, TIME)


def test_a_straight_line_above_an_uneven_table():
    # Slope (1500 − 400) / 4 = 275; the table less the line: 125, 50, 75, 200, 125: start 200.
    assert line_above(as_table("t", UNEVEN)) == (200, 275)
    # Even steps are their own line: 300 + 100 · level.
    assert line_above(as_table("t", [400, 500, 600])) == (300, 100)


def test_toml_and_file_keep_the_table():
    brief = dial_brief()
    assert Brief.from_toml(brief.to_toml()) == brief
    assert Brief.from_plain(brief.to_plain()) == brief


# ---- the speeds of a run


@pytest.mark.parametrize(("given", "revolution", "rotation"), [
    ({"revolution_level": 4, "rotation_level": 3}, 1300, 300),
    ({"revolution_level": 4, "rotation_ratio": 0.5}, 1300, 650),
    ({"revolution": 1000, "rotation_level": 6}, 1000, 700),
    ({"revolution": 1000, "rotation": 250}, 1000, 250),
    ({"revolution": 1000, "rotation_ratio": 0.3}, 1000, 300),
    ({"revolution": 0, "rotation_level": 1}, None, None)])
def test_both_speeds_whichever_way_they_are_set(given, revolution, rotation):
    mixer = dial_mixer()
    if revolution is None:
        with pytest.raises(InputError, match="carrier that stands still"):
            mixer.step({**given, "time": 60})
        return
    step = mixer.step({**given, "time": 60})
    assert (step.revolution, step.rotation) == (revolution, pytest.approx(rotation))
    [programme] = to_programmes(pd.DataFrame([{**given, "time": 60.0}]), mixer=mixer)
    assert programme.steps == (step,)


def test_steps_have_levels_of_their_own():
    brief = dial_brief(
        Factor.settable("wetting_revolution_level", [1, 2]),
        Factor.settable("degassing_revolution_level", [3, 4]), TIME,
        held={"rotation": 300, "degassing_pressure": 5.0}, steps=("wetting", "degassing"))
    wetting, degassing = brief.programme({"wetting_revolution_level": 2, "time": 60,
                                          "degassing_revolution_level": 4}).steps
    assert (wetting.revolution, wetting.rotation) == (600, pytest.approx(300))
    assert (degassing.revolution, degassing.pressure) == (1300, 5)
    with pytest.raises(InputError, match="this one would set nothing"):
        dial_brief(LEVEL, TURN, TIME, held={"revolution": 900})


def test_levels_without_a_table_are_the_greatest_speed_and_say_so():
    bare = dial_mixer(revolution_levels=None, rotation_levels=None)
    with pytest.raises(InputError, match="no table of revolution levels, so its greatest "
                                         "revolution, 1800 rpm, is assumed"):
        dial_brief(mixer=bare)    # 1800 rpm is 562 × g at the base, and the cup is rated for 400
    strong = dataclasses.replace(template_brief().vessel, rated_acceleration=600)
    study = Study(brief := dial_brief(mixer=bare, vessel=strong), random_plan(brief, 4))
    said = sheet_cautions(study)
    assert any("1800 rpm at the edge of its base" in c for c in said)
    assert any(c.startswith("Speed: ") and "rotation, 800 rpm, is assumed" in c for c in said)
    assert ("revolution", "not known") in run_lines(study, 1)
    assert not [c.key for c in columns(study) if "speed" in c.key or "accel" in c.key]
    # A ratio of a speed assumed is no reason to call the rotation too fast.
    step = bare.step({"revolution_level": 9, "rotation_ratio": 0.9, "time": 60})
    assert step.rotation == pytest.approx(800)


# ---- limits


def test_rotation_as_a_factor_has_the_mixers_limits():
    mixer = Mixer("m", 100, rotation_range=(0, 2000), pressure_range=(1, 102))
    spin = lambda high: Factor("rotation", 200, high, unit="rpm", increment=10)  # noqa: E731
    speed = Factor("revolution", 800, 1200, unit="rpm")
    brief = template_brief().replace(mixer=mixer, region=Region((speed, spin(1500), TIME)))
    with pytest.raises(InputError, match="rotation 3000 rpm is outside the mixer's 0 to 2000 rpm"):
        brief.replace(region=Region((speed, spin(3000), TIME)))
    with pytest.raises(InputError, match="is in rpm"):
        brief.replace(region=Region((speed, Factor("rotation", 2, 3, unit="1/s"), TIME)))
    assert brief.problems({"revolution": 1000, "rotation": 2500, "time": 60}) == [
        "step 1: rotation 2500 rpm is outside the mixer's 0 to 2000 rpm"]
    asked = pd.DataFrame({"revolution": [1003.0], "rotation": [2404.0], "time": [60.0]})
    assert mixer.snap(asked).iloc[0].to_dict() == {"revolution": 1000, "rotation": 2400, "time": 60}
    assert list(outside_mixer(asked, mixer)) == ["rotation"]


def test_a_plan_keeps_a_ratio_of_a_level_within_the_rotation_range():
    # Level 5 turns at 1500 rpm, and 1500 · 0.6 = 900 rpm is beyond 800; level 4: 780 rpm.
    asked = pd.DataFrame({"revolution_level": [5.0, 4.0, 5.0, 3.5],
                          "rotation_ratio": [0.6, 0.6, 0.5, 0.6]})
    assert outside_mixer(asked, dial_mixer())["rotation_ratio"].tolist() == [
        True, False, False, False]
    region = Region((Factor.settable("revolution_level", [3, 4, 5, 6]),
                     Factor("rotation_ratio", 0.2, 0.6)))
    beyond = pd.DataFrame({"revolution_level": [6.0], "rotation_ratio": [0.2]})
    assert not feasible(region, beyond, dial_mixer()).any()


def test_snapping_goes_to_levels_and_to_whole_rotations():
    asked = pd.DataFrame({"revolution_level": [3.4, 4.6], "rotation_ratio": [0.333, 0.333]})
    made = dial_mixer().snap(asked)
    assert made["revolution_level"].tolist() == [3, 5]
    # 900 · 0.333 = 299.7 goes to 300 rpm, 1500 · 0.333 = 499.5 to 500 rpm.
    assert (made["rotation_ratio"] * [900, 1500]).tolist() == pytest.approx([300, 500])


def test_an_even_table_makes_the_rotation_limit_a_constraint():
    # rpm = 200 + 200 · level, times the ratio at most 800.
    even = dial_mixer(revolution_levels=[400, 600, 800, 1000, 1200])
    names = ["revolution_level", "rotation_ratio"]
    [limit] = rotation_limits(even, names)
    assert str(limit) == "200 * rotation_ratio + 200 * revolution_level * rotation_ratio <= 800"
    assert rotation_limits(dial_mixer(), names) == ()
    assert [str(c) for c in rotation_limits(even, ["rotation_ratio"], {"revolution_level": 3})] == [
        "800 * rotation_ratio <= 800"]


@pytest.mark.parametrize("table", [SPIN, (100, 200, 300, 400, 500, 600)])
def test_the_heat_of_levels_is_never_estimated_too_low(table):
    mixer = dial_mixer(rotation_levels=table)
    budget = heat_budget(1e4, 1e-6, ["revolution_level", "rotation_level", "time"], mixer=mixer)
    even = not isinstance(table[0], tuple)
    for level, rpm in mixer.rotation_levels:
        told = budget.value({"revolution_level": 3, "rotation_level": level, "time": 100})[0]
        own = 1e-6 * rpm**2 * 100
        assert told == pytest.approx(own) if even else told >= own * (1 - 1e-12)
    # Set in rpm it is exact: 1e-6 · 300² · 100 = 9.
    plain = heat_budget(1e4, 1e-6, ["revolution", "rotation", "time"])
    assert plain.value({"revolution": 9, "rotation": 300, "time": 100})[0] == pytest.approx(9)
    # Without a table the greatest rotation, 800 rpm, counts: 1e-6 · 800² · 100 = 64.
    bare = heat_budget(1e4, 1e-6, ["revolution_level", "rotation_level", "time"],
                       mixer=dial_mixer(rotation_levels=None))
    assert bare.value({"rotation_level": 1, "time": 100})[0] == pytest.approx(64)


def test_extremes_know_the_speed_of_a_level():
    # (2π · 1500/60)² · 0.15504 m / 9.80665 m/s² = 390 × g at the base, see test_study_brief.
    with pytest.raises(InputError, match=r"390\.1 × g at the edge of its base"):
        dial_brief(vessel=dataclasses.replace(template_brief().vessel, rated_acceleration=380))


# ---- sheet and recipe


def test_the_sheet_shows_level_rpm_ratio_and_acceleration():
    study = Study(brief := dial_brief(), random_plan(brief, 6))
    table = sheet_table(study)
    rpm = dict(enumerate(UNEVEN, 1))
    assert table["revolution speed"].tolist() == [rpm[v] for v in table["revolution_level"]]
    assert table["rotation speed"].tolist() == [dict(SPIN)[v] for v in table["rotation_level"]]
    np.testing.assert_allclose(table["rotation ratio"] * table["revolution speed"],
                               table["rotation speed"])
    # 1.118e-5 · 12 cm · rpm² (rule of centrifugation, from memory)
    np.testing.assert_allclose(table["relative acceleration"],
                               1.118e-5 * 12 * table["revolution speed"]**2, rtol=5e-4)
    shown = [c.heading for c in columns(study)]
    for heading in ("revolution level", "revolution (rpm)", "rotation level", "rotation (rpm)",
                    "rotation ratio", "acceleration (× g)"):
        assert heading in shown
    # With a rotation held as a level it stands above the runs.
    held = dial_brief(LEVEL, TIME, held={"rotation_level": 3, "pressure": 5})
    assert "rotation speed" in sheet_table(Study(held, random_plan(held, 4)))
    both = dial_brief(TIME, held={"rotation_level": 3, "revolution_level": 2, "pressure": 5})
    said = sheet_facts(Study(both, random_plan(both, 4)))["In every run"]
    assert "rotation 300 rpm" in said
    assert "revolution 600 rpm" in said


def test_what_was_achieved_of_a_ratio_of_a_level_is_a_ratio():
    study = Study(brief := dial_brief(LEVEL, Factor("rotation_ratio", 0.2, 0.5), TIME),
                  random_plan(brief, 4))
    achieved = next(c for c in columns(study) if c.key == "achieved rotation_ratio")
    assert (achieved.unit, achieved.ratio_to) == ("", "")


def test_a_recipe_in_levels_tells_the_speeds():
    from decision_cases import known_fit

    region = Region((LEVEL, TURN, TIME))
    fit = known_fit(region, Response("voids", "%", goal="minimise"),
                    {"1": 5, "revolution_level": -1, "rotation_level": -1, "time": -0.1}, sd=0.05,
                    model="linear")
    brief = dial_brief()
    recipe = best_setting([fit], mixer=brief.mixer, vessel=brief.vessel, material=brief.material,
                          fill_mass=60, held=brief.held)
    assert recipe.settings["revolution_level"] == 5
    assert dict(recipe.set_up) == {
        "revolution": "1500 rpm", "rotation": "700 rpm", "rotation ratio": "0.467",
        "acceleration": "302 × g at the middle of the vessel, 390 × g at the edge of the base",
        "fill": "60 g", "load": "155 g", "counterbalance": "155 g"}
    assert "revolution 1500 rpm; rotation 700 rpm" in recipe.sentence
    assert any("98 % of the 400 × g" in c for c in recipe.cautions)

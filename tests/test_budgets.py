"""Limits on whole programmes against values worked out by hand; plans that keep them."""

import dataclasses

import numpy as np
import pandas as pd
import pytest

from doe.analysis import fit
from doe.bench import Bench
from doe.brief import Brief
from doe.budgets import (
    allowed_rise,
    heat_budget,
    heating_by_flow,
    heating_of_run,
    time_budget,
)
from doe.cautions import to_programmes
from doe.decision import best_setting
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel, rotation_limits
from doe.planning import appraise, make_plan
from doe.planning.optimal import optimal_plan
from doe.planning.settle import outside_mixer
from doe.programme import Programme, Step, quantity_of, setting_of, step_of, steps_of
from doe.sheets.facts import sheet_facts
from doe.study import Study

# An invented paste: wet slowly, disperse hard, degas under vacuum.
TEXT = """
title = "Three steps"
invented = true
fill_mass = 100
steps = ["wetting", "dispersion", "degassing"]
constraints = ["dispersion_time + degassing_time <= 300"]

[mixer]
name = "bench"
carrier_radius = 150
revolution_increment = 50
rotation_increment = 20
pressure_range = [1, 101]
time_increment = 5
greatest_time = 400
greatest_step_time = 240
steps_stored = 3

[vessel]
kind = "cup"
volume = 300
bore = 70
tare = 80
temperature_limit = 60

[material]
name = "invented paste"
density = 1.1
viscosity = 5
temperature_limit = 45
start_temperature = 25

[temperature_budget]
test_rotation = 500
test_time = 120
test_rise = 6

[bench]
handling = 12

[bench.change]
dispersion_revolution = 1

[bench.change.degassing]
pressure = 15

[held]
degassing_rotation_ratio = 0.4

[held.wetting]
revolution = 400
rotation_ratio = 0.5
time = 60

[[factor]]
step = "dispersion"
name = "revolution"
low = 800
high = 1600
unit = "rpm"

[[factor]]
step = "dispersion"
name = "rotation_ratio"
low = 0.2
high = 0.5

[[factor]]
step = "dispersion"
name = "time"
low = 60
high = 240
unit = "s"

[[factor]]
step = "degassing"
name = "revolution"
low = 700
high = 1200
unit = "rpm"

[[factor]]
step = "degassing"
name = "time"
low = 60
high = 240
unit = "s"

[[factor]]
step = "degassing"
name = "pressure"
low = 2
high = 50
unit = "kPa"

[[response]]
name = "voids"
unit = "%"
"""


@pytest.fixture(scope="module")
def brief():
    return Brief.from_toml(TEXT)


# ---- names

def test_settings_and_their_steps():
    names = ["time", "dispersion_time", "degassing_rotation_ratio", "degassing_vent", "revolution"]
    assert [quantity_of(n) for n in names] == ["time", "time", "rotation_ratio", "", "revolution"]
    assert steps_of(names) == ["dispersion", "degassing"]
    assert steps_of(names, ["degassing", "storing"]) == ["degassing", "dispersion"]
    assert steps_of(["time", "lot"]) == [""]
    assert setting_of(names, "dispersion", "time") == "dispersion_time"
    assert setting_of(names, "degassing", "time") == "time"
    assert setting_of(names, "degassing", "pressure") is None
    assert step_of("degassing_vent", steps_of(names)) == "degassing"
    assert step_of("lot", steps_of(names)) == ""


# ---- time

def test_time_of_the_whole_programme():
    mixer = Mixer("bench", 150, greatest_time=600)
    names = ["wetting_time", "dispersion_revolution", "dispersion_time"]
    assert str(time_budget(mixer, names)) == "wetting_time + dispersion_time <= 600"
    assert str(time_budget(300, names[1:], {"wetting_time": 60})) == "dispersion_time <= 240"
    # Two steps of the same, common time.
    assert str(time_budget(300, ["time", "a_revolution", "b_revolution"])) == "2 * time <= 300"
    assert time_budget(300, ["revolution"], {"time": 60}) is None
    with pytest.raises(InputError, match="the held settings break it"):
        time_budget(50, ["revolution"], {"time": 60})
    with pytest.raises(InputError, match="greatest, s = 0"):
        time_budget(0, names)


# ---- heat

def test_heat_of_a_measured_run_scales_with_rotation_squared_and_time():
    heating = heating_of_run(500, 120, 6.0)
    assert heating == pytest.approx(2e-7)  # 6 / (500² × 120)
    names = ["dispersion_revolution", "dispersion_rotation_ratio", "dispersion_time",
             "degassing_time"]
    budget = heat_budget(20, heating, names,
                         {"degassing_revolution": 700, "degassing_rotation_ratio": 0.4})
    # 2e-7 × (600² × 100 + 280² × 300) = 7.2 + 4.704 °C
    point = {"dispersion_revolution": 1500, "dispersion_rotation_ratio": 0.4,
             "dispersion_time": 100, "degassing_time": 300}
    assert budget.value(point)[0] == pytest.approx(11.904)
    assert budget.upper == 20
    assert "measure it" in budget.reason
    # Held steps take their part: 2e-7 × 280² × 300 = 4.704 of 20 °C.
    held = {"degassing_revolution": 700, "degassing_rotation_ratio": 0.4, "degassing_time": 300}
    assert heat_budget(20, heating, names[:3], held).upper == pytest.approx(15.296)
    with pytest.raises(InputError, match="the held settings leave nothing of it"):
        heat_budget(4, heating, names[:3], held)


def test_heat_by_viscous_flow():
    # 600 rpm is 62.832 rad/s; with a constant of 2 the mean shear rate is 125.66 1/s, and
    # 10 Pa·s × 125.66² = 157.9 kW/m³ warm 1.2 g/cm³ × 1.5 J/(g·K) by 0.08773 °C/s.
    heating = heating_by_flow(Material("paste", 1.2, 10.0), constant=2.0, heat_capacity=1.5)
    assert heating * 600**2 == pytest.approx(0.087730, rel=1e-4)


def test_what_is_left_below_the_temperature_limits():
    cup, paste = Vessel("cup", 100, 50, 80, temperature_limit=60), Material("p", 1, 1)
    assert allowed_rise(cup, paste) == 37  # from 23 °C
    assert allowed_rise(cup, dataclasses.replace(paste, temperature_limit=45)) == 22
    assert allowed_rise(cup, start=50) == 10
    with pytest.raises(InputError, match="neither vessel nor material"):
        allowed_rise(Vessel("cup", 100, 50, 80), paste)
    with pytest.raises(InputError, match=r"start_temperature = 60.*Start colder"):
        allowed_rise(cup, paste, start=60)


@pytest.mark.parametrize(("make", "said"), [
    (lambda: heat_budget(20, 2e-7, ["dispersion_time", "dispersion_revolution"]),
     "heat budget, dispersion_rotation_ratio = None.*Add dispersion_rotation_ratio"),
    (lambda: heat_budget(0, 2e-7, ["revolution"]), "rise, °C = 0"),
    (lambda: heating_of_run(500, 120, 0), "rise, °C = 0"),
])
def test_a_budget_that_cannot_be_made(make, said):
    with pytest.raises(InputError, match=said):
        make()


# ---- what the mixer can do

def test_rotation_range_of_every_step():
    mixer = Mixer("bench", 150, rotation_range=(100, 900))
    names = ["a_revolution", "a_rotation_ratio", "b_rotation_ratio"]
    assert [str(c) for c in rotation_limits(mixer, names, {"b_revolution": 600})] == [
        "a_revolution * a_rotation_ratio <= 900", "-a_revolution * a_rotation_ratio <= -100",
        "600 * b_rotation_ratio <= 900", "-600 * b_rotation_ratio <= -100"]
    # A common speed goes with the ratio of each step; a common ratio is limited once.
    assert [c.terms[0][1] for c in rotation_limits(
        Mixer("bench", 150), ["revolution", "a_rotation_ratio", "b_rotation_ratio"])] == [
        ("revolution", "a_rotation_ratio"), ("revolution", "b_rotation_ratio")]
    assert len(rotation_limits(Mixer("bench", 150), ["revolution", "rotation_ratio", "a_time",
                                                     "b_time"])) == 1


def test_memory_of_the_mixer(brief):
    names = ["a_time", "b_time", "c_time"]
    Mixer("bench", 150, steps_stored=3).check_memory(names)
    two = Mixer("bench", 150, steps_stored=2)
    with pytest.raises(InputError, match=r"programme, steps = 'a, b, c'.*3 steps.*stores 2.*Join"):
        two.check_memory(names)
    region = Region([Factor(n, 60, 120, unit="s") for n in names])
    for family in ("full factorial", "central composite"):
        with pytest.raises(InputError, match="stores 2"):
            make_plan(region, family, mixer=two, seed=1)
    with pytest.raises(InputError, match="stores 2"):
        optimal_plan(region, runs=8, model="interactions", mixer=two, seed=1)
    # The brief counts steps that are held, too.
    with pytest.raises(InputError, match=r"'dispersion, degassing, wetting'.*stores 2"):
        brief.replace(mixer=dataclasses.replace(brief.mixer, steps_stored=2))


def test_longest_step_of_the_mixer():
    mixer = Mixer("bench", 150, greatest_step_time=120)
    points = pd.DataFrame({"a_time": [120.0, 125.0], "b_time": [60.0, 60.0]})
    assert {n: bad.tolist() for n, bad in outside_mixer(points, mixer).items()} == {
        "a_time": [False, True]}
    programme = Programme((Step(900, 0.3, 60, name="a"), Step(900, 0.3, 150, name="b")))
    assert programme.problems(mixer) == ["step 2 (b): 150 s, but a step lasts at most 120 s"]
    assert programme.problems(Mixer("bench", 150)) == []
    region = Region([Factor("a_time", 60, 240, unit="s"), Factor("b_time", 60, 120, unit="s")])
    plan = make_plan(region, "full factorial", mixer=mixer, seed=1)
    assert plan.settings["a_time"].max() == 120
    assert any("the mixer's limits on a time" in r for r in plan.remarks)
    with pytest.raises(InputError, match="greatest_step_time = 0"):
        Mixer("bench", 150, greatest_step_time=0)


# ---- briefs

def test_a_brief_of_three_steps(brief):
    assert brief.programme_steps == ["wetting", "dispersion", "degassing"]
    assert brief.region.names == [
        "dispersion_revolution", "dispersion_rotation_ratio", "dispersion_time",
        "degassing_revolution", "degassing_time", "degassing_pressure"]
    run = {"dispersion_revolution": 1000, "dispersion_rotation_ratio": 0.4,
           "dispersion_time": 100, "degassing_revolution": 700, "degassing_time": 150,
           "degassing_pressure": 5}
    assert brief.programme(run) == Programme((
        Step(400, 0.5, 60, name="wetting"), Step(1000, 0.4, 100, name="dispersion"),
        Step(700, 0.4, 150, 5, name="degassing")))
    assert to_programmes(pd.DataFrame([run]).assign(**brief.held), brief.steps) == [
        brief.programme(run)]
    # 20 °C up to the paste's 45 °C, less 2e-7 × 200² × 60 = 0.48 °C of the wetting that is held;
    # this run: 2e-7 × (400² × 100 + 280² × 150) = 3.2 + 2.352 °C.
    time, heat = brief.region.constraints
    assert heat.upper == pytest.approx(19.52)
    assert heat.value(run)[0] == pytest.approx(5.552)
    assert str(time) == "dispersion_time + degassing_time <= 300"
    assert brief.bench == Bench(handling=12, change={"dispersion_revolution": 1,
                                                     "degassing_pressure": 15})
    again = Brief.from_toml(brief.to_toml())
    assert again == brief
    assert Brief.from_plain(brief.to_plain()) == brief


@pytest.mark.parametrize(("old", "new", "said"), [
    ('steps = ["wetting", ', 'steps = ["storing", "wetting", ',
     "brief, steps = 'storing'.*Add one such as storing_time"),
    ("steps_stored = 3", "steps_stored = 2", "stores 2"),
    ("[held.wetting]", "[held.degassing]\nrotation_ratio = 0.3\n[held.wetting]",
     "degassing_rotation_ratio = 0.3: it is given twice"),
    ('step = "dispersion"\nname = "time"', 'step = 2\nname = "time"',
     r"\[\[factor\]\] 3, step = 2: this is not a text"),
    ("test_time = 120", "", "test_time = None: it is missing. Run one short step"),
    ("test_time = 120", "test_times = 120", "Did you mean 'test_time'"),
    ("[bench.change.degassing]", "[bench.change.wetting]",
     r"\[bench.change\] = 'wetting_pressure': no factor or held setting"),
    ("handling = 12", "handle = 12", r"\[bench\], key = 'handle'"),
    ("handling = 12", "handling = -1", "bench, handling = -1"),
    ("test_rise = 6", "test_rise = 6\nrise = 0", "rise, °C = 0"),
    ("<= 300", "<= 350", "brief, region = .*410 s in all, but the mixer runs at most 400 s.*"
     r"add the constraint 'dispersion_time \+ degassing_time <= 340'"),
    ("greatest_step_time = 240", "greatest_step_time = 200",
     "factor 'dispersion_time', high = 240.0: a step of the mixer lasts at most 200 s"),
])
def test_a_brief_that_cannot_be_run(old, new, said):
    assert old in TEXT
    with pytest.raises(InputError, match=said):
        Brief.from_toml(TEXT.replace(old, new))


def test_without_an_order_steps_come_as_their_settings_do():
    brief = Brief.from_toml(TEXT.replace('steps = ["wetting", "dispersion", "degassing"]', ""))
    assert brief.programme_steps == ["dispersion", "degassing", "wetting"]
    assert brief.steps == ()


def test_the_usual_factors_can_have_a_temperature_budget():
    text = TEXT[:TEXT.index("[bench]")] + TEXT[TEXT.index("[[response]]"):]
    text = text.replace('steps = ["wetting", "dispersion", "degassing"]', "").replace(
        'constraints = ["dispersion_time + degassing_time <= 300"]', "")
    *_, heat = Brief.from_toml(text).region.constraints
    assert heat.names == ["revolution", "rotation_ratio", "time"]
    assert heat.upper == 20


# ---- plans

def plans(brief):
    yield make_plan(brief.region, "fractional factorial", runs=16, mixer=brief.mixer, seed=1)
    yield make_plan(brief.region, "central composite", axial="face-centred", mixer=brief.mixer,
                    seed=1)
    yield optimal_plan(brief.region, runs=26, model="interactions", mixer=brief.mixer, seed=1,
                       starts=2)


def test_plans_over_three_steps_keep_every_limit_of_the_programme(brief):
    for plan in plans(brief):
        assert appraise(plan).table["estimable"].all()
        for row in plan.settings.to_dict("records"):
            programme = brief.programme(row)
            assert programme.problems(brief.mixer, brief.vessel) == []
            wetting, dispersion, degassing = programme.steps
            assert wetting == Step(400, 0.5, 60, name="wetting")
            assert dispersion.time + degassing.time <= 300
            # The heat of all three steps, reckoned anew from the test run.
            warmed = sum(6 * (s.rotation / 500)**2 * s.time / 120 for s in programme.steps)
            assert warmed <= 20 + 1e-6
            for s in programme.steps:
                assert np.isclose(s.rotation / 20, round(s.rotation / 20))
                assert s.revolution % 50 == 0
                assert s.time % 5 == 0


def test_the_run_sheet_says_what_is_set_in_each_step(brief):
    plan = make_plan(brief.region, "fractional factorial", runs=16, mixer=brief.mixer, seed=1)
    facts = sheet_facts(Study(brief, plan))
    assert facts["Step 1, wetting"] == (
        "revolution 400 rpm, rotation 200 rpm, ratio 0.5, 60 s, 101.3 kPa")
    s = plan.settings
    low, high = s["degassing_time"].min(), s["degassing_time"].max()
    assert f", {low:g} to {high:g} s, 2 to 50 kPa" in facts["Step 3, degassing"]
    rotation = s["dispersion_revolution"] * s["dispersion_rotation_ratio"]
    assert f"rotation {rotation.min():g} to {rotation.max():g} rpm" in facts["Step 2, dispersion"]


def test_a_recipe_of_three_steps_keeps_the_limits_of_the_programme(brief):
    wanted = dataclasses.replace(brief.responses[0], goal="minimise", upper=4.0)
    plan = make_plan(brief.region, "fractional factorial", runs=32, mixer=brief.mixer, seed=1)
    s = plan.settings
    noise = np.random.default_rng(3).normal(0, 0.02, len(s))
    data = s.assign(voids=6 - 0.01 * s["degassing_time"] - 0.002 * s["dispersion_time"]
                    + 0.02 * s["degassing_pressure"] + noise)
    linear = fit(data, wanted, brief.region, " + ".join(brief.region.names))
    recipe = best_setting([linear], mixer=brief.mixer, seed=1, prefer_short=False)
    # Of the 300 s for both steps degassing makes the better use, five to one, up to its 240 s.
    chosen = recipe.settings
    assert (chosen["degassing_time"], chosen["dispersion_time"]) == (240, 60)
    assert chosen["degassing_pressure"] == 2
    assert brief.problems(chosen) == []
    assert all(c.holds(chosen).all() for c in brief.region.constraints)

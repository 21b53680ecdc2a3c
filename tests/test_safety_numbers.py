"""Every number of cautions, sheets and recipes, worked once more by hand or by another way.

The arithmetic stands beside each. Acceleration is ω² r (any textbook of mechanics); masses add up;
gas follows Boyle; settling is Stokes (1851), hindered as Richardson & Zaki (1954).
"""

import dataclasses
import re

import numpy as np
import pandas as pd
import pytest
from decision_cases import known_fit
from hypothesis import given
from hypothesis import strategies as st
from study_cases import random_plan, template_brief

from doe.card import load_lines
from doe.cautions import cautions
from doe.decision import best_setting
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.load import fill_of, grams, load_problems
from doe.mixer import Material, Mixer, Vessel
from doe.programme import ATMOSPHERE, Programme, Step
from doe.responses import Response
from doe.sheets import write_csv
from doe.sheets.facts import run_lines, sheet_cautions, sheet_facts
from doe.sheets.layout import sheet_table
from doe.sheets.printable import sheet_html
from doe.study import Study, check_plan

TIME = Factor("time", 60, 240, unit="s", increment=5)
SPEED = Factor("revolution", 800, 1400, unit="rpm", increment=10)
FILL = Factor("fill_mass", 20, 80, unit="g", increment=10)
HELD = {"rotation_ratio": 0.4, "pressure": 20.0}


def item(lines, topic):
    [line] = [line for line in lines if line.startswith(topic + ":")]
    return line


def number(text, pattern):
    return float(re.search(pattern, text).group(1))


def filled(*factors, held=None, **changes):
    return template_brief().replace(region=Region((SPEED, TIME, *factors)),
                                    held=HELD if held is None else held, **changes)


def study_of(brief, runs=8):
    return Study(brief, random_plan(brief, runs))


# ---- load and counterbalance: each run's own


def test_each_run_has_its_own_load_and_counterbalance():
    study = study_of(filled(FILL))
    table = sheet_table(study)
    fills = table["fill_mass"].to_numpy()
    assert len(set(fills)) > 2
    # Tare 95 g, counterbalance in steps of 5 g, fills in steps of 10 g: exact.
    np.testing.assert_allclose(table["load mass"], 95 + fills)
    np.testing.assert_allclose(table["counterbalance mass"], 95 + fills)
    low, high = 95 + fills.min(), 95 + fills.max()
    balance = item(sheet_cautions(study), "Balance")
    assert f"loads of {low:g} g to {high:g} g call for {low:g} g to {high:g} g opposite" in balance
    assert balance.endswith("see each run.")
    assert sheet_facts(study)["Counterbalance"].startswith(
        f"differs, {low:g} g to {high:g} g: see each run")
    for run, fill in zip(table["run"], fills, strict=True):
        card = dict(run_lines(study, run))
        assert card["counterbalance"] == card["load"] == f"{95 + fill:g} g"
        assert card["fill"] == f"{fill:g} g"
    assert "counterbalance" in sheet_html(study)


def test_a_fill_by_volume_goes_through_the_density():
    # 0.7 · 1.15 + 0.3 · 2.2 = 1.465 g/cm³; 40 mL are 58.6 g; with 95 g 153.6 g, so 155 g opposite.
    brief = filled(held={**HELD, "fill_volume": 40.0})
    assert brief.fill_of({}) == pytest.approx(58.6)
    assert "153.6 g calls for 155 g opposite" in item(sheet_cautions(study_of(brief)), "Balance")
    varied = study_of(filled(Factor("fill_volume", 20, 60, unit="mL", increment=10)))
    table = sheet_table(varied)
    np.testing.assert_allclose(table["fill mass"], table["fill_volume"] * 1.465)
    np.testing.assert_allclose(table["load mass"], 95 + table["fill_volume"] * 1.465)
    assert (table["counterbalance mass"] % 5 == 0).all()
    assert (abs(table["counterbalance mass"] - table["load mass"]) <= 2.5 + 1e-9).all()


def test_masses_are_not_rounded_away():
    # 45 mL · 1.465 = 65.925 g; 1168.25 g must not read 1168 g.
    assert grams(1168.25) == "1168.25 g"
    assert [grams(v) for v in (170.0, 168.2, 100.0, 65.925)] == ["170 g", "168.2 g", "100 g",
                                                                "65.92 g"]


def test_a_run_that_no_counterbalance_fits_cannot_be_planned():
    # Steps of 20 g and 4 g allowed: 160 and 180 g can be balanced, 170 g is 10 g off.
    coarse = dataclasses.replace(template_brief().mixer, counterbalance_increment=20,
                                 imbalance_allowed=4)
    brief = filled(dataclasses.replace(FILL, low=65, high=85, increment=5), mixer=coarse)
    at = {"revolution": 1000, "time": 60}
    assert brief.problems({**at, "fill_mass": 65}) == []
    [problem] = brief.problems({**at, "fill_mass": 75})
    assert problem == ("170 g with the cup, but the nearest counterbalance is 160 g, further off "
                       "than the 4 g allowed")
    plan = random_plan(brief, 8)
    with pytest.raises(InputError, match="nearest counterbalance"):
        check_plan(plan, Study(brief))
    said = sheet_cautions(Study(brief, plan))
    assert said[0].startswith("DO NOT RUN: ")
    loads = 95 + plan.runs["fill_mass"]
    broken = int((abs(loads - 20 * (loads / 20).round()) > 4).sum())
    assert f"{broken} of 8 programmes break" in said[0]
    assert dict(load_lines(coarse, brief.vessel, 75))["counterbalance"] == (
        "NONE FITS 170 g: do not run")


def test_load_and_volume_are_checked_in_every_run():
    mixer, vessel = Mixer("m", 100, greatest_load=200), Vessel("jar", 50, 40, 90)
    water = Material("water", 1.0, 1e-3)
    assert load_problems(mixer, vessel, water, 50) == []          # 140 g and 50 mL: just full
    assert load_problems(mixer, vessel, water, 50.1) == [
        "50.1 g at 1 g/cm³ takes 50.1 mL, but the jar holds 50 mL"]
    both = load_problems(mixer, vessel, water, 110.5)
    assert both[0] == "200.5 g with the jar, but the mixer carries at most 200 g"
    assert len(both) == 2
    programme = Programme((Step(1000, 0.3, 60),))
    said = cautions(mixer, vessel, water, [programme] * 3, fill_mass=[40, 110.5, 30])
    assert said[0].startswith("DO NOT RUN: 1 of 3 programmes break, programme 2 first, a stated "
                              "limit: 200.5 g with the jar")
    with pytest.raises(InputError, match="there are 3 programmes"):
        cautions(mixer, vessel, water, [programme] * 3, fill_mass=[40, 30])


def test_a_recipe_names_its_own_counterbalance():
    # The usual fill is 95 g, so 190 g; the recipe fills 75 g: 95 + 75 = 170 g opposite.
    region = Region((SPEED, TIME, dataclasses.replace(FILL, low=75, high=95, increment=5)))
    voids = Response("voids", "%", goal="minimise", upper=9)
    fit = known_fit(region, voids, {"1": 5, "fill_mass": 1, "time": -0.5, "revolution": -0.3},
                    sd=0.05, model="linear")
    brief = template_brief()
    options = {"mixer": brief.mixer, "vessel": brief.vessel, "material": brief.material,
               "fill_mass": 95, "held": HELD}
    recipe = best_setting([fit], **options)
    assert recipe.settings["fill_mass"] == 75
    assert "load 170 g; counterbalance 170 g" in recipe.sentence
    assert "about 170 g calls for 170 g opposite" in item(recipe.cautions, "Balance")
    light = dataclasses.replace(brief.mixer, greatest_load=165)
    recipe = best_setting([fit], **{**options, "mixer": light})
    assert recipe.cautions[0] == (
        "DO NOT RUN: this programme breaks a stated limit: 170 g with the cup, but the mixer "
        "carries at most 165 g.")
    assert dict(recipe.set_up)["counterbalance"] == "NONE FITS 170 g: do not run"
    # The other end of the range, where more is better: 190 g.
    other = known_fit(region, dataclasses.replace(voids, goal="maximise", upper=None),
                      {"1": 5, "fill_mass": 1}, sd=0.05, model="linear")
    assert "190 g calls for 190 g opposite" in item(best_setting([other], **options).cautions,
                                                   "Balance")


def test_a_fill_is_said_once_and_by_its_own_name():
    with pytest.raises(InputError, match="the fill is given twice"):
        filled(FILL, held={**HELD, "fill_volume": 30.0})
    with pytest.raises(InputError, match="is in mL"):
        filled(Factor("fill_volume", 20, 60, unit="g"))
    with pytest.raises(InputError, match="mL, but the cup holds 100 mL"):
        filled(Factor("fill_volume", 20, 101, unit="mL"))
    with pytest.raises(InputError, match="Name it fill_mass, in g, or fill_volume"):
        filled(Factor("fill", 20, 60, unit="g"))
    table = pd.DataFrame({"fill_volume": [10.0, 20.0]})
    assert fill_of(table, Material("m", 1.5, 1)).tolist() == [15, 30]
    assert fill_of({}, None, 42) == 42


def test_two_vessels_balance_each_other():
    mixer = dataclasses.replace(template_brief().mixer, vessels=2)
    study = study_of(filled(mixer=mixer, fill_mass=58.0))
    balance = item(sheet_cautions(study), "Balance")
    # 95 + 58 = 153 g, and no step of a counterbalance rounds it.
    assert "about 153 g each, one opposite the other, matched to within 10 g" in balance
    assert "never swing one without a mass like it opposite" in balance
    assert sheet_facts(study)["Counterbalance"].startswith("a second vessel of the same mass")
    assert (sheet_table(study)["counterbalance mass"] == 153).all()


# ---- rating: at the worst point


@pytest.mark.parametrize(("radius", "vessel", "rpm", "middle", "base"), [
    # 60 mL in 45 mm: 60 000/(π·22.5²) = 37.73 mm deep; 200 + (18.86 + 22.5)·sin 45° = 229.25 mm.
    # (2π·1402/60)² = 21 555 1/s²; · 0.200/9.80665 = 439.6; · 0.22925/9.80665 = 503.9.
    (200, Vessel("jar", 60, 45, 150, rated_acceleration=500), 1402, 440, 504),
    # 30 mL in 23 mm: 72.21 mm deep; 150 + (36.10 + 11.5)·0.70711 = 183.66 mm.
    # (2π·1346/60)² = 19 868 1/s²; · 0.150/9.80665 = 303.9; · 0.18366/9.80665 = 372.1.
    (150, Vessel("syringe barrel", 30, 23, 60, rated_acceleration=350), 1346, 304, 372),
])
def test_a_vessel_over_its_rating_at_the_base_is_refused(radius, vessel, rpm, middle, base):
    mixer = Mixer("m", radius)
    step = Step(rpm, 0.3, 60)
    assert mixer.greatest_acceleration(vessel, rpm) == pytest.approx(base, abs=0.5)
    lines = cautions(mixer, vessel, None, Programme((step,)))
    assert lines[0].startswith("DO NOT RUN: ")
    rating = item(lines, "Vessel")
    assert f"up to {base} × g at {rpm} rpm at the edge of its base ({middle} × g at" in rating
    assert f"ABOVE the {vessel.rated_acceleration:g} × g" in rating
    slower = Step(rpm * 0.9, 0.3, 60)      # 0.81 of it: 408 of 500, 301 of 350
    rating = item(cautions(mixer, vessel, None, Programme((slower,))), "Vessel")
    share = round(100 * 0.81 * base / vessel.rated_acceleration)
    assert f"{share} % of the {vessel.rated_acceleration:g} × g" in rating


# ---- heat


def test_twice_the_mass_has_two_to_the_two_thirds_of_the_surface():
    """Surfaces of bodies of one shape, measured: a cylinder as wide as deep, and a sphere."""
    def cylinder(volume):
        radius = (volume / (2 * np.pi)) ** (1 / 3)
        return 2 * np.pi * radius**2 + 2 * np.pi * radius * 2 * radius

    def sphere(volume):
        return 4 * np.pi * (3 * volume / (4 * np.pi)) ** (2 / 3)

    told = number(item(cautions(), "Heat"), r"only about ([\d.]+) times the surface")
    for surface in (cylinder, sphere):
        ratio = surface(2 * 37.0) / surface(37.0)
        assert ratio == pytest.approx(4 ** (1 / 3))
        assert told == round(ratio, 1)


# ---- vapour and foam


CUP = Vessel("cup", 150.0, 60.0, 80.0)
PASTE = Material("paste (invented)", 1.0, 10.0, vapour_pressure=1.3)


def test_foam_follows_boyles_law():
    # At 11.3 kPa the gas itself is at 11.3 − 1.3 = 10 kPa, before at 101.3 − 1.3 = 100 kPa: 10×.
    # 60 g are 60 mL of 150 mL, which leaves 150/60 − 1 = 1.5 of the paste's volume for gas: 15 % of
    # it, ten times swelled, fills the cup.
    step = Step(1000, 0.3, 60, 11.3)
    foam = item(cautions(Mixer("m", 100, pressure_range=(1, 101.3)), CUP, PASTE,
                         Programme((step,)), fill_mass=60), "Foam")
    assert "at 11.3 kPa gas takes 10 times its volume at air pressure" in foam
    assert "gas of 15 % of the paste's volume" in foam
    # 120 g leave 0.25: 2.5 %. Of several runs the worst counts.
    foam = item(cautions(None, CUP, PASTE, [Programme((step,))] * 2, fill_mass=[60, 120]), "Foam")
    assert "gas of 2.5 % of the paste's volume" in foam


def test_below_the_vapour_pressure_foam_has_no_limit():
    foam = item(cautions(None, CUP, PASTE, Programme((Step(1000, 0.3, 60, 1.2),)), fill_mass=60),
                "Foam")
    assert "stay above 2.6 kPa, 2 times the vapour pressure" in foam
    assert not any(c.startswith("Foam") for c in cautions(
        None, CUP, PASTE, Programme((Step(1000, 0.3, 60, ATMOSPHERE),)), fill_mass=60))


@given(st.floats(2, 90), st.floats(20, 140))
def test_gas_at_the_limit_just_fills_the_vessel(pressure, fill):
    lines = cautions(None, CUP, PASTE, Programme((Step(1000, 0.3, 60, pressure),)), fill_mass=fill)
    share = number(item(lines, "Foam"), r"gas of ([\d.]+) %") / 100
    gas = share * fill                                     # mL at air pressure, in 1 g/cm³ paste
    swelled = gas * (101.3 - 1.3) / (pressure - 1.3)
    assert fill + swelled == pytest.approx(150, abs=0.06 * (150 - fill) + 0.5)


# ---- settling


def test_settling_of_a_run_worked_by_hand():
    # d = 20 µm, Δρ = 4000 − 1000 kg/m³, η = 1 Pa·s: Stokes under 1 g:
    # 3000 · 9.80665 · (20e-6)² / 18 = 6.538e-7 m/s. Hindered at 20 %: 0.8^4.65 = 0.3543:
    # 2.316e-7 m/s = 2.316e-4 mm/s.
    # Cup of 150 mL, bore 60 mm: 53.05 mm deep. Fill: 0.8 · 1 + 0.2 · 4 = 1.6 g/cm³, 96 g = 60 mL,
    # 21.22 mm deep; its middle is (53.05 − 21.22)/2 · sin 45° = 11.25 mm further out: 111.25 mm.
    # At 1200 rpm: 15 791 1/s² · 0.11125 m / 9.80665 = 179.1 g; along the axis · sin 45° + cos 45° =
    # 127.4 g. In 100 s: 2.316e-4 · 127.4 · 100 = 2.951 mm, 13.9 % of 21.22 mm.
    filled_resin = Material("resin", 1.0, 1.0, filler_density=4.0, filler_diameter=20,
                            filler_volume_fraction=0.2)
    run = Programme((Step(1200, 0.3, 100),))
    text = item(cautions(Mixer("m", 100), CUP, filled_resin, run, fill_mass=96), "Settling")
    assert "sinks up to 3.0 mm in a run, 14 % of the depth of the fill" in text
    assert "more than 10 % (common practice, no source)" in text
    # Half the time: half the way, and no more than 10 %. Two steps of it: the sum.
    half = Step(1200, 0.3, 50)
    text = item(cautions(Mixer("m", 100), CUP, filled_resin, Programme((half,)), fill_mass=96),
                "Settling")
    assert "1.5 mm in a run, 7.0 % of the depth" in text
    assert "common practice" not in text
    twice = item(cautions(Mixer("m", 100), CUP, filled_resin, Programme((half, half)),
                          fill_mass=96), "Settling")
    assert "3.0 mm in a run, 14 %" in twice


def test_filler_cannot_sink_further_than_the_fill_is_deep():
    sand = Material("slurry", 1.0, 1e-2, filler_density=4.0, filler_diameter=50,
                    filler_volume_fraction=0.2)
    text = item(cautions(Mixer("m", 100), CUP, sand, Programme((Step(1200, 0.3, 100),)),
                         fill_mass=96), "Settling")
    assert "21 mm in a run, 100 % of the depth" in text
    light = dataclasses.replace(sand, filler_density=0.6)
    assert "the filler rises" in item(cautions(Mixer("m", 100), CUP, light, Programme(
        (Step(1200, 0.3, 100),)), fill_mass=96), "Settling")


# ---- lid, plunger, paper and glass


def test_lid_plunger_and_what_the_vessel_is_made_of():
    run = Programme((Step(1000, 0.3, 60, 20.0),))
    lines = cautions(Mixer("m", 100, pressure_range=(1, 101)), Vessel("cup", 60, 45, 20), None, run)
    assert "never bypass its interlock" in item(lines, "Lid")
    assert not any(c.startswith(("Plunger", "Paper", "Glass")) for c in lines)
    barrel = cautions(None, Vessel("syringe barrel", 30, 23, 60))
    assert "cap" in item(barrel, "Plunger")
    # (2π·1000/60)² · (100 + (18.86 + 22.5)·0.70711)/1000 / 9.80665 = 144.5 g
    mixer = Mixer("m", 100, pressure_range=(1, 101))
    warm = Material("hot melt", 1.0, 5.0, temperature_limit=90)
    paper = item(cautions(mixer, Vessel("cup", 60, 45, 20, made_of="paper"), warm, run), "Paper")
    assert "keep below 100 × g and 50 °C" in paper
    assert "common practice, no source" in paper
    assert "Here it meets 145 × g, up to 90 °C, 20 kPa: use another vessel" in paper
    stated = Vessel("jar", 60, 45, 150, rated_acceleration=300, temperature_limit=120,
                    made_of="glass")
    glass = item(cautions(mixer, stated, warm, run), "Glass")
    assert "keep below" not in glass                  # the maker's own figures count
    assert "Here it meets 20 kPa" in glass
    gentle = item(cautions(mixer, dataclasses.replace(stated), warm,
                           Programme((Step(500, 0.3, 60),))), "Glass")
    assert "Here it meets" not in gentle
    with pytest.raises(InputError, match="made_of"):
        Vessel("jar", 60, 45, 150, made_of="clay")


def test_every_caution_defers_to_manual_and_data_sheet():
    for vessel in (Vessel("jar", 60, 45, 150, made_of="glass"),
                   Vessel("syringe barrel", 30, 23, 60), None):
        last = cautions(Mixer("m", 100), vessel)[-1]
        for word in ("manual", "safety data sheet", "local codes", "licensed practice"):
            assert word in last


# ---- the sheet in a file


def test_the_sheet_in_a_file_has_the_masses_of_each_run(tmp_path):
    study = study_of(filled(FILL))
    path = tmp_path / "runs.csv"
    write_csv(study, path)
    lines = path.read_text("utf-8-sig").splitlines()
    head = next(i for i, line in enumerate(lines) if line.startswith("run,"))
    columns = lines[head].split(",")
    for line in lines[head + 1:head + 9]:
        row = dict(zip(columns, line.split(","), strict=False))
        assert float(row["counterbalance (g)"]) == 95 + float(row["fill mass (g)"])

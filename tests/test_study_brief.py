"""The brief: what it refuses, what it warns of, and the programmes it makes of settings."""

from __future__ import annotations

import math

import pytest
from study_cases import template_brief

from doe.brief import RESERVED_COLUMNS, Brief
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel
from doe.programme import ATMOSPHERE, Programme, Step
from doe.responses import Response


def region(*factors: Factor, limits=()) -> Region:
    return Region(factors, limits)


SPEED = Factor("revolution", 800, 1500, unit="rpm", increment=10)
RATIO = Factor("rotation_ratio", 0.2, 0.5)
TIME = Factor("time", 60, 240, unit="s")


def changed(value, **changes):
    return type(value)(**{**value.__dict__, **changes})


@pytest.fixture(scope="module")
def brief():
    return template_brief()


def test_the_template_is_a_brief_without_reproach(brief):
    assert brief.warnings == []
    assert brief.invented
    assert "time" in brief.region.names  # the factor's name is not taken by a column


def test_what_follows_from_fill_and_material(brief):
    # By hand: 0.70 · 1.15 + 0.30 · 2.2 = 1.465 g/cm³; 60 g / 1.465 = 40.956 mL; 95 g + 60 g.
    assert brief.mixture_density == pytest.approx(1.465)
    assert brief.fill_volume == pytest.approx(40.956, abs=5e-4)
    assert brief.load == 155
    assert brief.counterbalance == 155


@pytest.mark.parametrize("name", RESERVED_COLUMNS)
def test_columns_of_the_tables_are_not_free(brief, name):
    with pytest.raises(InputError, match="a column that every table"):
        brief.replace(responses=(Response(name),))
    with pytest.raises(InputError, match="a column that every table"):
        brief.replace(region=region(Factor(name, 0, 1)))


@pytest.mark.parametrize(("responses", "held", "taken"), [
    (("voids", "voids"), {}, "the response 'voids'"),
    (("voids", "Voids"), {}, "the response 'voids'"),
    (("time",), {}, "the factor 'time'"),
    (("TIME",), {}, "the factor 'time'"),
    (("voids",), {"time": 5.0}, "the factor 'time'"),
    (("voids",), {"voids": 5.0}, "the held setting 'voids'"),
])
def test_a_name_means_one_thing(brief, responses, held, taken):
    with pytest.raises(InputError, match="the name is taken by " + taken):
        brief.replace(responses=tuple(Response(n) for n in responses), held=held)


@pytest.mark.parametrize(("changes", "field"), [
    ({"title": "  "}, "brief, title"),
    ({"purpose": None}, "brief, purpose"),
    ({"fill_mass": math.nan}, "brief, fill_mass"),
    ({"fill_mass": 0}, "brief, fill_mass"),
    ({"responses": ()}, "brief, responses"),
    ({"responses": ("voids",)}, "brief, responses"),
    ({"mixer": "the blue one"}, "brief, mixer"),
    ({"held": {"pressure_": True}}, "brief, held setting 'pressure_'"),
    ({"held": {"degassing_pressure": "low"}}, "brief, held setting 'degassing_pressure'"),
    ({"held": {"two words": 1}}, "brief, held setting"),
    ({"region": region(Factor.categorical("wetting_time", ("short", "long")))},
     "factor 'wetting_time', kind"),
])
def test_errors_name_the_field(brief, changes, field):
    with pytest.raises(InputError) as caught:
        brief.replace(**changes)
    assert caught.value.field == field


def test_a_load_the_mixer_cannot_carry_or_balance(brief):
    with pytest.raises(InputError, match="carries at most 150 g"):
        brief.replace(mixer=changed(brief.mixer, greatest_load=150))
    with pytest.raises(InputError, match="nearest counterbalance is 160 g"):
        brief.replace(mixer=changed(brief.mixer, counterbalance_increment=20,
                                    imbalance_allowed=4))


def test_a_fill_that_does_not_fit(brief):
    with pytest.raises(InputError, match=r"takes 102.4 mL, but the cup holds 100 mL"):
        brief.replace(fill_mass=150)
    with pytest.raises(InputError, match="not the density of the filler"):
        brief.replace(material=changed(brief.material, filler_density=None))


@pytest.mark.parametrize(("pressure", "share", "warned"), [
    (5.0, 0.49, False), (5.0, 0.51, True), (ATMOSPHERE, 0.51, False), (ATMOSPHERE, 0.66, False),
    (ATMOSPHERE, 0.68, True),
])
def test_head_space_counts_for_more_under_vacuum(brief, pressure, share, warned):
    mixer = changed(brief.mixer, pressure_range=(1, 102))
    case = brief.replace(mixer=mixer, region=region(SPEED, TIME), fill_mass=146.5 * share,
                         held={"pressure": pressure, "rotation_ratio": 0.4})
    assert any("foam can rise" in w for w in case.warnings) is warned


def test_a_loading_without_filler_is_remarked(brief):
    case = brief.replace(material=changed(brief.material, filler_volume_fraction=None))
    assert case.mixture_density == brief.material.density
    assert any("without a loading" in w for w in case.warnings)


def test_a_corner_beyond_the_rotation_range(brief):
    # 1500 rpm × 0.6 = 900 rpm of a mixer that turns the cup at most 800 rpm.
    wide = (SPEED, Factor("rotation_ratio", 0.2, 0.6), TIME)
    with pytest.raises(InputError, match="rotation 900 rpm is outside the mixer's 0 to 800 rpm"):
        brief.replace(region=region(*wide))
    kept = brief.replace(region=region(*wide, limits=["revolution * rotation_ratio <= 800"]))
    assert kept.problems({"revolution": 1500, "rotation_ratio": 0.6, "time": 60}) == [
        "step 1: rotation 900 rpm is outside the mixer's 0 to 800 rpm"]
    assert kept.problems({"revolution": 1500, "rotation_ratio": 0.5, "time": 60}) == []


def test_a_constraint_that_does_not_help_is_seen_through(brief):
    wide = (SPEED, Factor("rotation_ratio", 0.2, 0.6), TIME)
    with pytest.raises(InputError, match="cannot be made: step 1: rotation"):
        brief.replace(region=region(*wide, limits=["revolution + time <= 1700"]))


def test_a_speed_the_cup_is_not_rated_for(brief):
    # By hand: 100 mL in a bore of 52 mm are 47.09 mm deep, so at 45° the edge of the base is
    # 120 + (23.54 + 26) · 0.7071 = 155.03 mm out, and (2π · 1500 / 60)² · 0.15503 m / 9.80665 m/s²
    # = 390.1 g. The middle of the cup, at 120 mm, meets 301.9 g.
    with pytest.raises(InputError, match=r"390\.1 × g at the edge of its base, but the cup "
                                         "is rated for 389 × g"):
        brief.replace(vessel=changed(brief.vessel, rated_acceleration=389))
    assert brief.replace(vessel=changed(brief.vessel, rated_acceleration=391)).warnings == []


def test_a_brief_on_file_opens_though_it_would_be_refused_now(brief):
    # Its region was accepted by the acceleration at the middle of the cup, 302 × g.
    old = brief.to_plain()
    old["vessel"]["rated_acceleration"] = 350
    for added in ("revolution_levels", "rotation_levels", "vessels"):
        del old["mixer"][added]
    del old["vessel"]["made_of"]
    for factor in old["region"]["factors"]:
        del factor["nuisance"]
    opened = Brief.from_plain(old)
    assert opened.region == brief.region
    [warning] = opened.warnings
    assert "may break a limit" in warning
    assert "390.1 × g at the edge of its base" in warning
    fast = {"revolution": 1500, "rotation_ratio": 0.3, "time": 60, "pressure": 5}
    assert "rated for 350 × g" in opened.problems(fast)[0]
    assert opened.problems(fast | {"revolution": 1400}) == []
    with pytest.raises(InputError, match=r"390\.1 × g"):
        opened.replace(title="a new brief")


@pytest.mark.parametrize(("factors", "problem"), [
    ((Factor("revolution", 100, 1000, unit="rpm"),), "revolution 100 rpm is outside"),
    ((Factor("revolution", 900, 1900, unit="rpm"),), "revolution 1900 rpm is outside"),
    ((Factor("time", 60, 1801, unit="s"),), "1801 s in all"),
    ((Factor("wetting_time", 60, 1000, unit="s"), Factor("degassing_time", 60, 1000, unit="s")),
     "2000 s in all"),
    ((Factor("pressure", 0.5, 50, unit="kPa"),), "pressure 0.5 kPa is outside"),
    ((Factor.settable("pressure", (0.5, 50), unit="kPa"),), "pressure 0.5 kPa is outside"),
    (tuple(Factor(f"{n}_time", 10, 20, unit="s") for n in "abcdef"),
     "6 steps, but the mixer '.*' stores 5"),
])
def test_settings_the_mixer_does_not_have(brief, factors, problem):
    with pytest.raises(InputError, match=problem):
        brief.replace(region=region(*factors))


def test_held_settings_are_checked_too(brief):
    with pytest.raises(InputError, match=r"pressure 0\.2 kPa is outside"):
        brief.replace(region=region(SPEED, RATIO, TIME), held={"pressure": 0.2})
    with pytest.raises(InputError, match="the mixer has no vacuum"):
        brief.replace(mixer=changed(brief.mixer, pressure_range=None))


def test_boiling_is_a_warning_not_an_error(brief):
    case = brief.replace(material=changed(brief.material, vapour_pressure=2.5))
    assert case.warnings == ["Within the region, step 1: 2 kPa is at or below the vapour pressure "
                             "2.5 kPa of Filled epoxy, part A: it will boil."]


def test_a_material_hotter_than_the_vessel_stands(brief):
    with pytest.raises(InputError, match="stands at most 80 °C"):
        brief.replace(material=changed(brief.material, start_temperature=81))


def test_a_region_without_settings_is_remarked(brief):
    case = brief.replace(region=region(SPEED, RATIO, TIME, limits=["revolution <= 100"]))
    assert any("little or nothing is left to run" in w for w in case.warnings)


def test_programmes_of_settings():
    mixer = Mixer("m", carrier_radius=100, pressure_range=(1, 102))
    brief = template_brief().replace(
        mixer=mixer, vessel=Vessel("cup", 100, 52, 95), material=Material("oil", 1.0, 1.0),
        region=region(Factor("wetting_revolution", 400, 800, unit="rpm"),
                      Factor("wetting_time", 20, 60, unit="s"),
                      Factor("degassing_revolution", 800, 1600, unit="rpm"),
                      Factor("degassing_time", 60, 90, unit="s"),
                      Factor("degassing_pressure", 2, 20, unit="kPa")),
        held={"rotation_ratio": 0.5, "supplier": "lot 7"})
    settings = {"wetting_revolution": 500, "wetting_time": 30, "degassing_revolution": 1200,
                "degassing_time": 70, "degassing_pressure": 5}
    assert brief.programme(settings) == Programme((Step(500, 0.5, 30, name="wetting"),
                                                   Step(1200, 0.5, 70, 5, "degassing")))
    with pytest.raises(InputError) as caught:
        brief.replace(held={}).programme(settings)
    assert caught.value.field == "step, wetting_rotation_ratio"


def test_every_run_of_the_region_can_be_made(brief):
    grid = brief.region.grid(6)
    assert len(grid) > 100
    assert not any(brief.problems(row) for row in grid.to_dict("records"))


@pytest.mark.parametrize(("name", "unit", "needed"), [
    ("time", "min", "in s"), ("rest_time", "h", "in s"), ("time", "", "in s"),
    ("revolution", "1/s", "in rpm"), ("pressure", "mbar", "in kPa"), ("fill_mass", "mg", "in g"),
    ("rotation_ratio", "%", "a plain number")])
def test_a_factor_that_sets_the_mixer_is_in_the_mixers_unit(brief, name, unit, needed):
    with pytest.raises(InputError, match=f"is {needed}, since it sets the mixer") as caught:
        brief.replace(region=region(Factor(name, 2, 3, unit=unit)))
    assert caught.value.field == f"factor '{name}', unit"
    assert brief.replace(region=region(Factor("rest", 2, 3, unit="h")))


def test_a_setting_that_would_set_nothing_is_refused(brief):
    own = [Factor(f"{n}_time", 10, 20, unit="s") for n in ("wetting", "degassing")]
    with pytest.raises(InputError, match="this one would set nothing"):
        brief.replace(region=region(SPEED, TIME, *own))
    with pytest.raises(InputError, match="this one would set nothing"):
        brief.replace(region=region(SPEED, *own), held={"time": 30})
    shared = brief.replace(region=region(SPEED, TIME, own[0], Factor(
        "degassing_pressure", 2, 20, unit="kPa")), held={"rotation_ratio": 0.4})
    steps = shared.programme({"revolution": 900, "time": 60, "wetting_time": 15,
                              "degassing_pressure": 4}).steps
    assert [(s.time, s.pressure) for s in steps] == [(15, ATMOSPHERE), (60, 4)]


def test_a_fill_that_is_varied_is_checked_at_its_ends(brief):
    vary = lambda low, high: brief.replace(  # noqa: E731
        held={"pressure": 5.0}, region=region(TIME, Factor("fill_mass", low, high, unit="g")))
    assert vary(30, 60).warnings == []
    assert "takes 55 % of the cup" in vary(30, 80).warnings[0]  # 80 g / 1.465 g/cm³ = 54.6 mL
    with pytest.raises(InputError, match=r"102\.4 mL"):
        vary(30, 150)
    with pytest.raises(InputError, match="carries at most 150 g"):
        vary(30, 56).replace(mixer=changed(brief.mixer, greatest_load=150))


def test_a_range_beyond_the_mixer_is_named_even_where_a_constraint_hides_it(brief):
    far = Factor("revolution", 800, 10_000_000, unit="rpm")
    with pytest.raises(InputError, match=r"factor 'revolution', high = 10000000\.0"):
        brief.replace(region=region(far, Factor("rotation_ratio", 0.2, 0.5), TIME,
                                    limits=["revolution * rotation_ratio <= 800"]))


@pytest.mark.parametrize("mixer", [{}, {"pressure_range": None}])
def test_more_than_the_pressure_of_the_air_is_no_vacuum(brief, mixer):
    """As when a pressure in mbar is given for one in kPa."""
    with pytest.raises(InputError, match="kPa"):
        brief.replace(mixer=changed(brief.mixer, **mixer), region=region(SPEED, TIME),
                      held={"pressure": 1013.0, "rotation_ratio": 0.4})
    with pytest.raises(InputError, match="kPa"):
        brief.replace(mixer=changed(brief.mixer, **mixer), held={}, region=region(
            SPEED, Factor("pressure", 100, 1000, unit="kPa"), Factor("rotation_ratio", 0.2, 0.5),
            TIME))


def test_a_basis_that_nothing_records_is_refused(brief):
    specks = Response("specks", kind="count", exposure="area_seen")
    with pytest.raises(InputError, match="records nothing of this name"):
        brief.replace(responses=(specks,))
    assert brief.replace(responses=(specks, Response("area_seen", "cm²"))).responses[0] == specks


@pytest.mark.parametrize("word", ["lambda", "class", "None"])
def test_words_of_formulas_are_no_names_and_the_message_says_why(word):
    with pytest.raises(InputError, match=f"meaning of its own.*'{word}_'"):
        Factor(word, 0, 1)

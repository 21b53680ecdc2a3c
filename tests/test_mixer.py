"""What a mixer can be set to, its limits, and the region it suggests."""

from dataclasses import fields

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel, default_region, rotation_limits
from doe.physics import relative_acceleration
from doe.programme import ATMOSPHERE, Programme, Step

MIXER = Mixer("invented", carrier_radius=100, pressure_range=(1.0, ATMOSPHERE),
              rotation_increment=5)
CUP = Vessel("cup", volume=60, bore=42, tare=150)


@st.composite
def mixer_and_region(draw):
    mixer = Mixer("m", 100, revolution_increment=draw(st.sampled_from([1, 5, 10, 20])),
                  rotation_increment=draw(st.sampled_from([1, 2, 5, 10])),
                  time_increment=draw(st.sampled_from([1, 5, 10])), pressure_range=(1, 100),
                  pressure_increment=draw(st.sampled_from([0.1, 0.5, 1.0])))
    low = draw(st.floats(300, 1000))
    ratio = draw(st.floats(0.1, 0.6))
    time = draw(st.floats(20, 100))
    pressure = draw(st.floats(1, 20))
    region = Region((Factor("revolution", low, low + draw(st.floats(50, 1000)), unit="rpm"),
                     Factor("rotation_ratio", ratio, ratio + draw(st.floats(0.1, 0.5))),
                     Factor("time", time, time + draw(st.floats(15, 300)), unit="s"),
                     Factor("pressure", pressure, pressure + draw(st.floats(2, 60)), unit="kPa")))
    return mixer, region


def is_multiple(values, step):
    return np.allclose(np.asarray(values) / step, np.round(np.asarray(values) / step), atol=1e-6)


@given(mixer_and_region(), st.integers(0, 2**32 - 1))
def test_snapped_settings_can_be_set_and_stay_in_the_region(both, seed):
    mixer, region = both
    asked = region.decode(np.random.default_rng(seed).uniform(-1, 1, (8, 4)))
    # the corners are what plans are made of
    asked = pd.concat([asked, region.decode([[-1] * 4, [1] * 4, [-1, 1, 1, -1], [1, -1, -1, 1]])],
                      ignore_index=True)
    made = mixer.snap(asked, region)
    assert is_multiple(made["revolution"], mixer.revolution_increment)
    assert is_multiple(made["revolution"] * made["rotation_ratio"], mixer.rotation_increment)
    assert is_multiple(made["time"], mixer.time_increment)
    assert is_multiple(made["pressure"], mixer.pressure_increment)
    assert region.contains(made, tolerance=1e-7).all()
    pd.testing.assert_frame_equal(mixer.snap(made, region), made, rtol=1e-12)
    # nothing moves by more than a step (the ratio: a step of rotation)
    assert (np.abs(made["time"] - asked["time"]) <= mixer.time_increment + 1e-6).all()
    moved = np.abs(made["rotation_ratio"] - asked["rotation_ratio"]) * made["revolution"]
    assert (moved <= mixer.rotation_increment + 1e-6).all()


def test_snap_without_a_region_goes_to_the_nearest():
    asked = pd.DataFrame({"revolution": [1003.0], "rotation_ratio": [1 / 3], "time": [60.4],
                          "pressure": [4.96], "resin_share": [0.123]})
    made = MIXER.snap(asked)
    assert made.iloc[0].to_dict() == {"revolution": 1000, "rotation_ratio": 0.335, "time": 60,
                                      "pressure": 5.0, "resin_share": 0.123}
    assert asked["revolution"].iloc[0] == 1003.0       # the caller's table is left alone


def test_snap_knows_the_steps_of_a_programme():
    asked = pd.DataFrame({"wetting_revolution": [604.0], "wetting_rotation_ratio": [0.5],
                          "wetting_time": [30.6], "degassing_pressure": [2.04]})
    made = MIXER.snap(asked).iloc[0]
    assert made["wetting_revolution"] == 600
    assert made["wetting_rotation_ratio"] == 0.5
    assert made["wetting_time"] == 31
    assert made["degassing_pressure"] == 2.0


def test_snap_of_a_cup_at_rest():
    made = MIXER.snap(pd.DataFrame({"revolution": [0.0], "rotation_ratio": [0.5]}))
    assert made["rotation_ratio"].tolist() == [0.0]


def test_rotation_is_revolution_times_ratio():
    rows = pd.DataFrame({"revolution": [1000.0, 1210.0], "rotation_ratio": [0.335, 1 / 3]})
    assert MIXER.rotation(rows).tolist() == [335.0, 405.0]


# ---- counterbalance

@given(st.floats(1, 500))
def test_counterbalance_is_near_enough(load):
    mass = MIXER.counterbalance(load)
    assert abs(mass - load) <= MIXER.counterbalance_increment / 2 + 1e-9
    assert is_multiple(mass, MIXER.counterbalance_increment)


def test_counterbalance_refuses_what_cannot_be_balanced():
    with pytest.raises(InputError, match="carries at most 500 g"):
        MIXER.counterbalance(501)
    coarse = Mixer("m", 100, imbalance_allowed=10, counterbalance_increment=100)
    assert coarse.counterbalance(209) == 200
    with pytest.raises(InputError, match="further off than the 10 g allowed"):
        coarse.counterbalance(211)
    with pytest.raises(InputError, match="greater than 0"):
        MIXER.counterbalance(0)


# ---- programme against the limits

def test_a_programme_within_limits_has_no_problems():
    programme = Programme((Step(1000, 0.3, 60), Step(1500, 0.3, 120, 5.0)))
    assert programme.problems(MIXER, CUP, Material("m", 1.1, 5, vapour_pressure=1.0)) == []
    assert programme.time == 180
    assert Step(1200, 0.25, 10).rotation == 300


@pytest.mark.parametrize(("step", "mixer", "words"), [
    (Step(2100, 0.3, 60), MIXER, "revolution 2100 rpm is outside the mixer's 200 to 2000 rpm"),
    (Step(1900, 1.1, 60), MIXER, "rotation 2090 rpm is outside the mixer's 0 to 2000 rpm"),
    (Step(1000, 0.3, 60, 0.5), MIXER, "pressure 0.5 kPa is outside the mixer's 1 to 101.3 kPa"),
    (Step(1000, 0.3, 60, 5), Mixer("m", 100), "5 kPa, but the mixer has no vacuum"),
    (Step(1000, 0.3, 1801), MIXER, "1801 s in all, but the mixer runs at most 1800 s"),
    (Step(1000, 0.3, 60, 1.5), MIXER, "1.5 kPa is at or below the vapour pressure 2 kPa"),
    # ω² r = (2π · 1800/60)² · 0.13016 m / 9.80665 m/s²: 60 mL in 42 mm bore are 43.31 mm deep, so
    # the edge of the base is 100 + (21.65 + 21) · sin 45° = 130.16 mm out.
    (Step(1800, 0.3, 60), MIXER,
     "471.6 × g at the edge of its base, but the cup is rated for 300 × g"),
])
def test_each_broken_limit_is_said(step, mixer, words):
    vessel = Vessel("cup", 60, 42, 150, rated_acceleration=300)
    material = Material("resin", 1.1, 5, vapour_pressure=2.0)
    problems = Programme((step,)).problems(mixer, vessel, material)
    assert any(words in p for p in problems)


def test_too_many_steps():
    assert Programme((Step(500, 0.3, 10),) * 6).problems(MIXER) == [
        "6 steps, but the mixer stores 5"]


# ---- the region it suggests

def test_default_ratio_is_centred_on_one_third():
    # rotation at one third of revolution: common practice, no source
    assert default_region(MIXER)["rotation_ratio"].centre == pytest.approx(1 / 3)


vessels = st.builds(lambda force: Vessel("cup", 60, 42, 150, rated_acceleration=force),
                    st.floats(60, 600))


@given(mixer=st.builds(
    lambda r, top, rot, p: Mixer("m", r, revolution_range=(200, top), rotation_range=(0, rot),
                                 pressure_range=p, greatest_time=500),
    st.floats(50, 250), st.floats(1000, 3000), st.floats(400, 3000),
    st.sampled_from([None, (0.1, 101.3), (1.0, 30.0), (3.0, 50.0), (0.1, 1.5)])),
    vessel=st.one_of(st.none(), vessels),
    vapour=st.one_of(st.none(), st.floats(0.01, 0.7)))
def test_default_region_keeps_every_limit(mixer, vessel, vapour):
    material = Material("m", 1.1, 5, vapour_pressure=vapour)
    region = default_region(mixer, vessel, material)
    grid = region.grid(3)
    for row in grid.itertuples():
        step = Step(row.revolution, row.rotation_ratio, row.time,
                    getattr(row, "pressure", ATMOSPHERE))
        assert Programme((step,)).problems(mixer, vessel, material) == []
    assert ("pressure" in region.names) == (mixer.pressure_range is not None)


def test_default_region_keeps_clear_of_boiling():
    # twice the vapour pressure (common practice, no source)
    region = default_region(MIXER, None, Material("m", 1.1, 5, vapour_pressure=9.0))
    assert (region["pressure"].low, region["pressure"].high) == (18.0, 50.0)


def test_default_region_of_a_short_mixer():
    region = default_region(Mixer("m", 100, greatest_time=60))
    assert region["time"].high == 60
    assert region["time"].low < 60


def test_default_region_refuses_a_vessel_that_bears_nothing():
    least = float(relative_acceleration(200, 100))
    with pytest.raises(InputError, match="already beyond it") as caught:
        default_region(MIXER, Vessel("cup", 60, 42, 150, rated_acceleration=least / 2))
    assert "rated_acceleration" in str(caught.value)


def test_default_region_refuses_a_material_that_boils_at_every_pressure():
    with pytest.raises(InputError, match="may boil"):
        default_region(Mixer("m", 100, pressure_range=(1, 30)), None,
                       Material("m", 1.1, 5, vapour_pressure=16))


def test_rotation_limits_are_constraints():
    limits = rotation_limits(Mixer("m", 100, rotation_range=(100, 800)))
    assert [str(c) for c in limits] == ["revolution * rotation_ratio <= 800",
                                        "-revolution * rotation_ratio <= -100"]


# ---- errors and units

@pytest.mark.parametrize(("make", "field", "shown"), [
    (lambda: Mixer("m", 0), "mixer 'm', carrier_radius", "0"),
    (lambda: Mixer("m", None), "mixer 'm', carrier_radius", "None"),
    (lambda: Mixer("m", 100, revolution_range=None), "revolution_range", "None"),
    (lambda: Mixer("m", 100, revolution_range=(500, 200)), "revolution_range", "(500, 200)"),
    (lambda: Mixer("m", 100, revolution_range=500), "revolution_range", "500"),
    (lambda: Mixer("m", 100, revolution_range=(1, 2, 3)), "revolution_range", "(1, 2, 3)"),
    (lambda: Mixer("m", 100, tilt=120), "tilt", "120"),
    (lambda: Mixer("m", 100, steps_stored=2.5), "steps_stored", "2.5"),
    (lambda: Vessel("bucket", 1, 1, 1), "vessel, kind", "'bucket'"),
    (lambda: Vessel("cup", -60, 42, 150), "vessel 'cup', volume", "-60"),
    (lambda: Vessel("cup", 60, 42, None), "vessel 'cup', tare", "None"),
    (lambda: Material("m", 1.1, "thick"), "material 'm', viscosity", "'thick'"),
    (lambda: Material("m", 1.1, None), "material 'm', viscosity", "None"),
    (lambda: Material("m", 1.1, 5, filler_volume_fraction=0.9), "filler_volume_fraction", "0.9"),
    (lambda: Step(1000, 0.3, 0), "step, time", "0"),
    (lambda: Step(1000, 0.3, 10, 0), "step, pressure", "0"),
    (lambda: Step(-5, 0.3, 10), "step, revolution", "-5"),
    (lambda: Programme(()), "programme, steps", "()"),
])
def test_errors_name_field_and_value(make, field, shown):
    with pytest.raises(InputError) as caught:
        make()
    head, _, rest = str(caught.value).partition(" = ")
    assert field in head
    assert rest.startswith(shown)
    assert caught.value.remedy


@pytest.mark.parametrize("value", [MIXER, CUP, Material("m", 1.1, 5), Step(1000, 0.3, 60)])
def test_every_number_has_its_unit(value):
    for f in fields(value):
        if not isinstance(getattr(value, f.name), str):
            assert f.metadata["unit"]


def test_optional_numbers_may_be_left_out():
    material = Material("m", 1.1, 5, filler_density=None, vapour_pressure=0)
    assert material.filler_density is None
    assert material.vapour_pressure == 0
    assert Mixer("m", 100).pressure_range is None


@given(mixer_and_region(), st.floats(0, 1))
def test_ratios_of_a_revolution_are_what_the_mixer_can_be_set_to(both, share):
    mixer, region = both
    factor, revolution = region["rotation_ratio"], region["revolution"]
    speed = float(mixer.snap(pd.DataFrame({"revolution": [
        revolution.low + share * (revolution.high - revolution.low)]}))["revolution"][0])
    ratios = mixer.ratios(factor, speed)
    assert is_multiple(ratios * speed, mixer.rotation_increment)
    steps = np.arange(0, mixer.rotation_range[1] + 1e-9, mixer.rotation_increment)
    wanted = steps[(steps >= factor.low * speed - 1e-6) & (steps <= factor.high * speed + 1e-6)]
    if len(wanted):  # every speed that can be set and lies in the range, and no other
        np.testing.assert_allclose(ratios * speed, wanted, rtol=1e-9, atol=1e-6)
    else:
        assert len(ratios) == 1
    made = mixer.snap(pd.DataFrame({"revolution": speed, "rotation_ratio": ratios}))
    np.testing.assert_allclose(made["rotation_ratio"], ratios, rtol=1e-12)


def test_ratios_keep_to_a_factors_own_steps_and_to_the_mixers_range():
    mixer = Mixer("m", 100, rotation_range=(0, 420), rotation_increment=10)
    stepped = Factor("rotation_ratio", 0.3, 0.5, increment=0.1)
    np.testing.assert_allclose(mixer.ratios(stepped, 1000), [0.3, 0.4])  # 0.5 is beyond 420 rpm
    levels = Factor.settable("rotation_ratio", [0.25, 0.333])
    np.testing.assert_allclose(mixer.ratios(levels, 1000), [0.25, 0.33])
    np.testing.assert_allclose(mixer.ratios(Factor("rotation_ratio", 0.301, 0.302), 1000), [0.3])

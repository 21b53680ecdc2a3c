"""The cautions carry the case's own numbers."""

import pandas as pd
import pytest

from doe.cautions import cautions, to_programmes
from doe.mixer import Material, Mixer, Vessel
from doe.programme import Programme, Step

MIXER = Mixer("bench mixer (invented)", 140.0, pressure_range=(1.0, 101.3), greatest_load=400.0)
CUP = Vessel("cup", 150.0, 60.0, 80.0, rated_acceleration=400.0, temperature_limit=90.0)
PASTE = Material("paste (invented)", 1.1, 20.0, filler_density=3.9, filler_volume_fraction=0.3,
                 vapour_pressure=3.0, temperature_limit=60.0, start_temperature=23.0)
MILD = Programme((Step(1000.0, 0.33, 60.0, 40.0),))


def item(lines, topic):
    return next(line for line in lines if line.startswith(topic))


def test_acceleration_is_compared_with_the_rating():
    # Acceleration is ω² r. In the middle, at 140 mm: (1600·2π/60)² · 0.140 / 9.80665 = 400.8. The
    # cup is 150 000 / (π·30²) = 53.05 mm deep, so the edge of its base is
    # 140 + (26.53 + 30)·sin 45° = 179.97 mm out: 400.8 · 179.97/140 = 515.2.
    fast = cautions(MIXER, CUP, PASTE, [MILD, Programme((Step(1600.0, 0.33, 60.0, 40.0),))])
    assert "515 × g at 1600 rpm at the edge of its base (401 × g at its middle)" in item(
        fast, "Vessel")
    assert "ABOVE the 400 × g" in item(fast, "Vessel")
    assert fast[0].startswith("DO NOT RUN: 1 of 2 programmes break, programme 2 first")
    # At 1000 rpm (1000/1600)² of it: 156.6 and 201.2, which is 50 % of 400.
    mild = cautions(MIXER, CUP, PASTE, MILD)
    assert "201 × g at 1000 rpm" in item(mild, "Vessel")
    assert "(157 × g at its middle)" in item(mild, "Vessel")
    assert "50 % of the 400 × g" in item(mild, "Vessel")
    assert not any(line.startswith("DO NOT RUN") for line in mild)


@pytest.mark.parametrize(("pressure", "words"), [
    (2.0, "BOILS"), (3.0, "BOILS"), (5.0, "close to boiling"), (6.0, "stays above"),
])
def test_lowest_pressure_is_compared_with_the_vapour_pressure(pressure, words):
    steps = Programme((Step(1000.0, 0.33, 60.0), Step(800.0, 0.2, 60.0, pressure)))
    assert words in item(cautions(MIXER, CUP, PASTE, steps), "Vapour")


def test_tighter_temperature_limit_is_the_one_told():
    heat = item(cautions(MIXER, CUP, PASTE, MILD), "Heat")
    assert "60 °C, the limit of the paste" in heat
    assert "37 °C above" in heat
    assert "limit of the cup" in item(cautions(MIXER, CUP, None, MILD), "Heat")


def test_balance_and_headspace_follow_from_the_fill():
    lines = cautions(MIXER, CUP, PASTE, MILD, fill_mass=117.0)
    assert "197 g calls for 200 g opposite" in item(lines, "Balance")
    # 0.7·1.1 + 0.3·3.9 = 1.94 g/cm³; 117 g / 1.94 / 150 mL = 40 %
    assert "40 % full" in item(lines, "Vapour")
    assert "carries at most 400 g" in item(cautions(MIXER, CUP, PASTE, MILD, fill_mass=500.0),
                                           "Balance")


def test_what_is_unknown_is_said_to_be_unknown():
    lines = cautions()
    for topic in ("Balance", "Vessel", "Heat", "Vapour", "Dust", "Opening", "Precedence"):
        item(lines, topic)
    assert "no temperature limit is stated" in item(lines, "Heat")
    assert "no rating is stated" in item(cautions(MIXER, None, None, MILD), "Vessel")
    assert "manual" in lines[-1]
    assert "licensed practice" in lines[-1]


def test_programmes_follow_the_columns():
    table = pd.DataFrame({"revolution": [1000.0], "rotation_ratio": [0.3],
                          "dispersion_time": [60.0], "degassing_time": [90.0],
                          "degassing_pressure": [5.0], "grade": ["a"]})
    [programme] = to_programmes(table)
    assert [(s.time, s.pressure) for s in programme.steps] == [(60.0, 101.3), (90.0, 5.0)]
    assert [s.rotation for s in programme.steps] == [300.0, 300.0]
    assert to_programmes(table[["revolution", "grade"]]) == []

"""Readings that are asked about before they are kept."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from plausible_cases import KINDS, judged, rates
from scipy import stats

from doe.planning import make_plan
from doe.plausible import BY_DIFFERENCE, EFFECTS, WEIGHT, likely, question
from doe.practice import demo_brief, simulate
from doe.responses import Response

SIZE = Response("size", "µm", upper=60, target=50, possible=(0, None), assumed_sd=2.0,
                label="largest agglomerate")
VOIDS = Response("voids", "%", scale="log", possible=(0, 100), assumed_sd=0.05,
                 detection_limit=0.05)
RISE = Response("rise", "°C", assumed_sd=0.4)


def test_a_lost_decimal_point_is_asked_about_and_the_readings_named():
    said = question(SIZE, 2700.0, [24.0, 61.0, 40.0])
    assert said == "largest agglomerate 2700 µm is far from the 3 other readings, 24 to 61 µm"
    assert question(SIZE, 27.0, [24.0, 61.0, 40.0]) == ""


def test_the_first_reading_is_held_against_what_is_wanted():
    assert "far from what is wanted, at most 60 µm" in question(SIZE, 2700.0, [])
    assert question(SIZE, 90.0, []) == ""
    assert likely(Response("x"), []) is None
    assert question(Response("x"), 1e9, []) == ""


def test_the_span_is_the_predictive_interval_it_is_said_to_be():
    """Gelman et al., section 3.3, with scipy's Student t: the formula written out once more."""
    readings = [7.0, 8.5, 9.0, 11.0, 6.5]
    df = WEIGHT + 4
    variance = (WEIGHT * (EFFECTS * 0.4)**2 + 4 * np.var(readings, ddof=1)) / df
    law = stats.t(df, loc=np.mean(readings), scale=np.sqrt(variance * 1.2))
    assert likely(RISE, readings) == pytest.approx(law.ppf([BY_DIFFERENCE / 2,
                                                            1 - BY_DIFFERENCE / 2]))


@pytest.mark.parametrize("kind", KINDS)
def test_good_readings_are_rarely_asked_about_and_slips_mostly_are(kind):
    """A tenth of the studies behind the table in `question`, with room for their scatter."""
    found = rates(kind, 60, 7)
    assert found["right"] < 0.01
    assert found[100.0 if kind != "share" else 10.0] > 0.5
    assert found[10.0] > 0.5
    if kind in ("log scale", "as measured"):
        assert min(found[0.1], found[10.0]) > 0.65


def test_the_simulated_mixer_is_rarely_asked_about():
    brief = demo_brief()
    asked = []
    for seed in range(6):
        plan = make_plan(brief.region, "fractional factorial", runs=8, centre_points=3, seed=seed,
                         mixer=brief.mixer)
        readings = simulate(plan.runs, seed=seed, brief=brief)
        for response in brief.responses:
            asked += [hit for name, hit in judged(response, readings[response.name].to_numpy())
                      if name == "right"]
    assert len(asked) == 6 * 11 * 4
    assert np.mean(asked) < 0.01


def test_slips_among_the_others_do_not_widen_the_span():
    good = [52.0, 49.0, 61.0, 47.0, 55.0, 58.0, 50.0, 44.0]
    clean, spoilt = likely(SIZE, good), likely(SIZE, [*good, 5200.0, 4900.0])
    assert spoilt[1] < 1.2 * clean[1]
    assert question(SIZE, 5500.0, [*good, 5200.0, 4900.0])


def test_two_levels_of_one_strong_factor_are_no_surprise():
    low, high = [20.0] * 5, [60.0]
    assert question(SIZE, 60.0, low) == ""
    assert question(SIZE, 20.0, high * 6 + low[:1]) == ""


def test_readings_beyond_a_detection_limit():
    others = [0.8, 0.9, 1.1, 0.7, 1.0, 0.9]
    assert question(VOIDS, 0.05, others, qualifier="<") == ""     # what the instrument shows
    assert "voids <50 %" in question(VOIDS, 50.0, others, qualifier="<")
    assert "voids >80 %" in question(VOIDS, 80.0, others, qualifier=">")


def test_a_reading_of_nothing_does_not_stop_the_question():
    assert question(VOIDS, 0.0, [0.8, 0.9, 1.1, 0.7]) != ""
    assert question(VOIDS, 80.0, [0.0, 0.5, 0.6]) != ""
    assert question(SIZE, 0.0, [0.0, 0.0]) == ""


@given(st.lists(st.floats(0.01, 1e4), min_size=1, max_size=12), st.floats(0.001, 1000))
def test_another_unit_changes_nothing(readings, factor):
    """Readings and standard deviation in another unit: the same reading is asked about."""
    own = Response("x", possible=(0, None), assumed_sd=3.0)
    other = Response("x", possible=(0, None), assumed_sd=3.0 * factor)
    assert np.allclose(np.array(likely(own, readings)) * factor,
                       likely(other, [v * factor for v in readings]), rtol=1e-6)


@given(st.lists(st.sampled_from([0.0, 3.0, 50.0, 100.0]), min_size=1, max_size=12))
def test_the_span_always_holds_the_middle_of_what_was_read(readings):
    for response in (Response("x", "%", kind="proportion"), Response("x", kind="count"),
                     Response("x", assumed_sd=1.0), Response("x", scale="log")):
        low, high = likely(response, readings)
        assert low <= np.median(readings) <= high

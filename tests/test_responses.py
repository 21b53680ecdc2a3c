"""Responses: what is refused, and how goals and limits are read."""

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.errors import InputError
from doe.responses import Response


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_meets_is_the_closed_interval(value, one, other):
    low, high = sorted((one, other))
    if low < high:
        response = Response("y", goal="maximise", lower=low, upper=high)
        assert response.meets(value) == (low <= value <= high)
        assert response.meets(low)
        assert response.meets(high)
    assert Response("y", upper=high).meets(value) == (value <= high)
    assert Response("y", lower=low).meets(value) == (value >= low)


def test_a_missing_value_meets_nothing_that_is_limited():
    assert not Response("y", upper=1.0).meets(math.nan)
    assert not Response("y", lower=1.0).meets(math.nan)


@pytest.mark.parametrize(("limits", "words"), [
    ({}, "no limits"), ({"upper": 0.5}, "at most 0.5 %"), ({"lower": 2}, "at least 2 %"),
    ({"lower": 2, "upper": 5}, "2 to 5 %"),
])
def test_specification_in_words(limits, words):
    assert Response("voids", "%", **limits).specification == words


def test_title_and_label():
    assert Response("largest_agglomerate", "µm").title == "largest agglomerate (µm)"
    assert Response("haze", label="Haze index").title == "Haze index"


def test_grades_are_recorded_by_number():
    response = Response("surface", kind="ordinal", grades=["pitted", "dull", "smooth"])
    assert response.grades == ("pitted", "dull", "smooth")
    assert response.possible == (1, 3)
    assert Response("y", kind="ordinal", grades=("a", "b"), possible=(1, 1.5)).possible == (1, 1.5)


@pytest.mark.parametrize(("fields", "field", "shown", "remedy"), [
    ({"name": "largest agglomerate"}, "response, name", "'largest agglomerate'", "label"),
    ({"goal": "least"}, "goal", "'least'", "'minimise'"),
    ({"kind": "ranked"}, "kind", "'ranked'", "'count'"),
    ({"kind": "ordinal"}, "grades", "()", "ascending"),
    ({"kind": "ordinal", "grades": ("poor", "poor")}, "grades", "('poor'", "ascending"),
    ({"kind": "ordinal", "grades": ("poor", 2)}, "grades", "2", "quotes"),
    ({"kind": "ordinal", "grades": ("poor", "good"), "scale": "log"}, "scale", "'log'", "scale"),
    ({"grades": ("poor", "good")}, "grades", "('poor'", "'ordinal'"),
    ({"exposure": 25}, "exposure", "25", "Leave it out"),
    ({"kind": "count", "exposure": 0}, "exposure", "0", "larger"),
    ({"kind": "count", "exposure": "area seen"}, "exposure", "'area seen'", "rotation_ratio"),
    ({"kind": "proportion", "trials": 2.5}, "trials", "2.5", "how many"),
    ({"kind": "count", "trials": 10}, "trials", "10", "Leave it out"),
    ({"scale": "sqrt"}, "scale", "'sqrt'", "'log'"),
    ({"upper": "1 %"}, "upper", "'1 %'", "plain number"),
    ({"upper": math.inf}, "upper", "inf", "plain number"),
    ({"lower": 2, "upper": 1}, "upper", "1.0", "Swap"),
    ({"lower": 1, "upper": 1}, "upper", "1.0", "Swap"),
    ({"goal": "target"}, "target", "None", "Give target"),
    ({"goal": "target", "target": 9, "upper": 8}, "target", "9.0", "between the limits"),
    ({"target": 1, "lower": 2}, "target", "1.0", "between the limits"),
    ({"resolution": 0}, "resolution", "0", "larger"),
    ({"assumed_sd": -1}, "assumed_sd", "-1", "larger"),
    ({"importance": 0}, "importance", "0", "larger"),
    ({"possible": (5, 1)}, "possible", "(5, 1)", "least"),
    ({"possible": (5,)}, "possible", "(5,)", "least"),
    ({"possible": (0, "x")}, "possible", "'x'", "plain number"),
])
def test_errors_name_field_value_and_remedy(fields, field, shown, remedy):
    with pytest.raises(InputError) as caught:
        Response(**{"name": "y", **fields})
    head, _, rest = str(caught.value).partition(" = ")
    assert field in head
    assert rest.startswith(shown)
    assert remedy in rest


@pytest.mark.parametrize("name", ["_", "_voids", "v" * 61])
def test_names_that_columns_cannot_carry(name):
    with pytest.raises(InputError, match="name"):
        Response(name)


def test_a_label_of_blanks_counts_as_none():
    assert Response("coarsest_lump", label="  ").label == "coarsest lump"


@pytest.mark.parametrize("field", ["label", "unit", "method", "exposure_unit"])
def test_texts_are_texts(field):
    with pytest.raises(InputError) as caught:
        Response("voids", **{field: 5})
    assert caught.value.field == f"response 'voids', {field}"

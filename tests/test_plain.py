"""Values as plain data and back; and a package that costs little to import."""

import json
import subprocess
import sys

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.constraints import Constraint
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel
from doe.plain import from_plain, to_plain
from doe.programme import Programme, Step
from doe.responses import Response
from doe.terms import Term

number = st.floats(-1e6, 1e6)
above = st.floats(1e-6, 1e6)
text = st.text(max_size=20)
name = st.sampled_from(["a", "b", "rotation_ratio", "größe", "x1"])

factors = st.one_of(
    st.builds(lambda n, low, width, share, hard, label: Factor(
        n, low, low + width, "rpm", None if share is None else width * share, hard_to_change=hard,
        label=label),
        name, number, st.floats(0.01, 1e5), st.one_of(st.none(), st.floats(0.01, 0.99)),
        st.booleans(), text),
    st.builds(lambda n, levels: Factor.settable(n, levels, "kPa"), name,
              st.lists(number, min_size=2, max_size=5, unique=True)),
    st.builds(Factor.categorical, name,
              st.lists(text.filter(str.strip), min_size=2, max_size=4, unique=True)))
constraints = st.builds(
    lambda c, names, upper, why: Constraint(((c, names), (1.5, (names[0],))), upper, why),
    number, st.lists(name, min_size=1, max_size=3).map(tuple), number, text)
responses = st.builds(
    lambda n, upper, width, log, least: Response(
        n, "%", lower=upper - width, upper=upper, scale="log" if log else "identity",
        possible=(least, None)),
    name, number, st.floats(0.01, 1e5), st.booleans(), st.one_of(st.none(), number))
mixers = st.builds(lambda r, p: Mixer("m", r, pressure_range=p), above,
                   st.one_of(st.none(), st.just((1.0, 101.3))))
steps = st.builds(Step, above, st.floats(0, 2), above, above)
values = st.one_of(
    factors, constraints, responses, mixers, steps,
    st.builds(Vessel, st.just("jar"), above, above, above, st.one_of(st.none(), above)),
    st.builds(Material, text, above, above, st.one_of(st.none(), above), above,
              st.floats(0, 0.74)),
    st.builds(Programme, st.lists(steps, min_size=1, max_size=4).map(tuple)),
    st.lists(name, max_size=4).map(lambda n: Term(*n)))


@given(values)
def test_round_trip_through_json(value):
    told = json.loads(json.dumps(to_plain(value), allow_nan=False))
    assert from_plain(type(value), told) == value


def test_round_trip_of_a_region():
    region = Region((Factor("revolution", 600, 1600, "rpm", 10), Factor("rotation_ratio", 0.2, 0.5),
                     Factor.categorical("lid", ("vented", "closed"))),
                    (Constraint.parse("revolution * rotation_ratio <= 700", "speed limit"),))
    told = json.loads(json.dumps(to_plain(region)))
    again = from_plain(Region, told)
    assert again == region
    assert again.constraints[0].reason == "speed limit"


def test_numpy_scalars_become_numbers():
    told = to_plain({"a": np.float64(0.5), 3: [np.int64(2), np.bool_(True)]})
    assert told == {"a": 0.5, "3": [2, True]}
    assert json.dumps(told)


@pytest.mark.parametrize(("cls", "data", "message"), [
    (Mixer, {"name": "m", "carrier_radius": 100, "arms": 2}, "mixer, field = 'arms'"),
    (Mixer, {"name": "m"}, "mixer, carrier_radius = None: it is missing. Add it, in mm."),
    (Factor, {"name": "x", "low": 2, "high": 1}, "factor 'x', high"),
    (Region, {"factors": [{"name": "x", "low": 0, "high": 1, "colour": "red"}]}, "factor, field"),
    (Step, {"revolution": 100, "rotation_ratio": 0.3}, "step, time"),
])
def test_plain_data_is_validated_anew(cls, data, message):
    with pytest.raises(InputError) as caught:
        from_plain(cls, data)
    assert message in str(caught.value)


@pytest.mark.parametrize("data", [None, 3, "text", [1, 2]])
def test_what_is_no_mapping_is_refused(data):
    with pytest.raises(InputError):
        from_plain(Factor, data)


def test_importing_the_package_loads_nothing_heavy():
    heavy = ["numpy", "pandas", "scipy", "statsmodels", "plotly", "ipywidgets", "patsy", "jinja2",
             "openpyxl", "typer"]
    code = ("import sys, doe; print([m for m in " + repr(heavy) + " if m in sys.modules]); "
            "doe.Factor('x', 0, 1); print('pandas' in sys.modules)")
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert out.stdout.split("\n")[:2] == ["[]", "True"]


def test_the_public_face_is_what_it_says():
    import doe

    assert set(doe.__all__) <= set(dir(doe))
    for public in doe.__all__:
        assert getattr(doe, public) is not None
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        _ = doe.nonsense

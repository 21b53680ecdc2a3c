"""Briefs written by hand, and briefs that travel as JSON and TOML."""

from __future__ import annotations

import json
import math
import tomllib

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from study_cases import template_brief

from doe.brief import Brief
from doe.brief_toml import template_toml
from doe.constraints import Constraint
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.mixer import Material, Mixer, Vessel, default_region
from doe.responses import Response

SMALL = """
title = "Small"
fill_mass = 40
[mixer]
name = "m"
carrier_radius = 120
[vessel]
kind = "jar"
volume = 100
bore = 50
tare = 80
[material]
name = "oil"
density = 0.9
viscosity = 1
[[response]]
name = "voids"
"""


def test_a_file_and_its_text_are_the_same_brief(tmp_path):
    path = tmp_path / "brief.toml"
    path.write_text(template_toml(), encoding="utf-8-sig")
    assert Brief.from_toml(path) == Brief.from_toml(str(path)) == Brief.from_toml(template_toml())


def test_the_template_says_what_it_reads(tmp_path):
    # What tomllib reads is the reference; the brief must hold all of it.
    plain = tomllib.loads(template_toml())
    brief = template_brief()
    assert brief.title == plain["title"]
    for table in ("mixer", "vessel", "material"):
        for key, value in plain[table].items():
            held = getattr(getattr(brief, table), key)
            assert held == (tuple(value) if isinstance(value, list) else value), (table, key)
    assert [f["name"] for f in plain["factor"]] == brief.region.names
    assert brief.region["time"].high == plain["factor"][2]["high"]
    assert brief.response("coarsest_lump").possible == (0, None)
    assert str(brief.region.constraints[0]) == "revolution * rotation_ratio <= 800"
    assert brief.region.constraints[0].reason == "greatest rotation speed"


def test_every_setting_in_the_template_can_be_uncommented():
    lines = template_toml().splitlines()
    keys = [line for line in lines if line.startswith(("# notes", "    # \""))]
    assert len(keys) == 2
    text = "\n".join(line.replace("# ", "", 1) if line in keys else line for line in lines)
    brief = Brief.from_toml(text)
    assert brief.notes
    assert len(brief.region.constraints) == 2


def test_without_factors_the_usual_region():
    brief = Brief.from_toml(SMALL)
    assert brief.region == default_region(brief.mixer, brief.vessel, brief.material)
    assert brief.region.names == ["revolution", "rotation_ratio", "time"]
    more = Brief.from_toml('constraints = ["time <= 200"]\n' + SMALL)
    assert more.region.constraints[-1] == Constraint.parse("time <= 200")


def test_levels_say_what_kind_of_factor_it_is():
    brief = Brief.from_toml(SMALL + """
        [[factor]]
        name = "lid"
        levels = ["open", "closed"]
        [[factor]]
        name = "passes"
        levels = [1, 2, 4]
    """)
    assert brief.region["lid"] == Factor.categorical("lid", ("open", "closed"))
    assert brief.region["passes"] == Factor.settable("passes", (1, 2, 4))


@pytest.mark.parametrize(("ends", "possible"), [
    ("[0, inf]", (0, None)), ("[-inf, 3]", (None, 3)), ("[-inf, +inf]", (None, None)),
])
def test_infinite_ends_are_open(ends, possible):
    assert Brief.from_toml(SMALL + f"possible = {ends}").responses[0].possible == possible


@pytest.mark.parametrize(("old", "new", "field", "key", "remedy"), [
    ("carrier_radius", "carier_radius", "[mixer], key", "carier_radius", "'carrier_radius'"),
    ("bore", "Bore", "[vessel], key", "Bore", "'bore'"),
    ("viscosity", "viscocity", "[material], key", "viscocity", "'viscosity'"),
    ("[[response]]", "[[response]]\nlimit = 3", "[[response]] 1, key", "limit", "detection_limit"),
    ("[mixer]", "[mixers]", "the brief, key", "mixers", "'mixer'"),
    ("fill_mass", "fillmass", "the brief, key", "fillmass", "'fill_mass'"),
    ("title", "xyzzy", "the brief, key", "xyzzy", "Use: title, "),
    ("[vessel]", '[[factor]]\nname = "t"\nlow = 1\nhih = 2\n[vessel]', "[[factor]] 1, key", "hih",
     "'high'"),
])
def test_an_unknown_key_names_itself_its_table_and_what_is_near(old, new, field, key, remedy):
    with pytest.raises(InputError) as caught:
        Brief.from_toml(SMALL.replace(old, new, 1))
    assert (caught.value.field, caught.value.value) == (field, key)
    assert remedy in caught.value.remedy


@pytest.mark.parametrize(("old", "new", "field"), [
    ('title = "Small"', "", "brief, title"),
    ("fill_mass = 40", "", "brief, fill_mass"),
    ('[[response]]\nname = "voids"', "", "brief, response"),
    ("carrier_radius = 120", "", "mixer, carrier_radius"),
    ("carrier_radius = 120", 'carrier_radius = "120"', "mixer 'm', carrier_radius"),
    ("carrier_radius = 120", "carrier_radius = 120\nrevolution_range = 5",
     "[mixer], revolution_range"),
    ('name = "m"', "name = 5", "[mixer], name"),
    ('title = "Small"', "title = 2031-05-17", "brief, title"),
    ('title = "Small"', 'title = "S"\ninvented = "yes"', "brief, invented"),
    ('title = "Small"', 'title = "S"\nconstraints = "a <= 1"', "brief, constraints"),
    ('title = "Small"', 'title = "S"\nconstraints = [3]', "constraints"),
    ('title = "Small"', 'title = "S"\nconstraints = [{ reason = "r" }]', "constraints, limit"),
    ('title = "Small"', 'title = "S"\nconstraints = [{ limit = 3 }]', "constraints, limit"),
    ('title = "Small"', 'title = "S"\nfactor = "time"', "brief, factor"),
    ('title = "Small"', 'title = "S"\nfactor = ["time"]', "[[factor]] 1"),
    ('title = "Small"', 'title = "S"\nheld = 3', "[held]"),
    ('[[response]]', "[[response]]\npossible = 5", "[[response]] 1, possible"),
    ('[[response]]', "[[response]]\nassumed_sd = true", "response 'voids', assumed_sd"),
])
def test_errors_name_what_is_wrong(old, new, field):
    with pytest.raises(InputError) as caught:
        Brief.from_toml(SMALL.replace(old, new, 1))
    assert caught.value.field == field


def test_no_toml_and_no_file(tmp_path):
    with pytest.raises(InputError, match=r"this is no TOML: .*line 2"):
        Brief.from_toml("title = 'x'\nfill_mass = forty\n")
    with pytest.raises(InputError, match="cannot be read"):
        Brief.from_toml(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('title = "Für"'.encode("latin-1"))
    with pytest.raises(InputError, match="not UTF-8"):
        Brief.from_toml(tmp_path / "latin.toml")


# ---- round trips

NUMBERS = st.floats(-1e6, 1e6, allow_nan=False).map(lambda v: v + 0.0)
TEXTS = st.text(max_size=30)
WORDS = st.text(min_size=1, max_size=12).filter(str.strip)


@st.composite
def factors(draw, name):
    common = {"name": name, "label": draw(TEXTS), "hard_to_change": draw(st.booleans())}
    kind = draw(st.sampled_from(["continuous", "ordinal", "categorical"]))
    if kind == "categorical":
        return Factor(kind=kind, levels=draw(st.lists(WORDS, min_size=2, max_size=4,
                                                      unique=True)), **common)
    ends = draw(st.lists(NUMBERS, min_size=2, max_size=4, unique=True))
    common["unit"] = draw(TEXTS)
    if kind == "ordinal":
        return Factor(kind=kind, levels=ends, **common)
    low, high = min(ends), max(ends)
    increment = draw(st.none() | st.floats(0.01, 1).map(lambda share: share * (high - low)))
    return Factor(low=low, high=high, increment=increment or None, **common)


@st.composite
def responses(draw, name):
    ends = sorted(draw(st.lists(NUMBERS, min_size=5, max_size=5, unique=True)))
    hide = lambda v: draw(st.sampled_from([v, None]))  # noqa: E731
    return Response(
        name, unit=draw(TEXTS), label=draw(TEXTS), method=draw(TEXTS),
        goal=draw(st.sampled_from(["minimise", "maximise", "target"])), target=ends[2],
        lower=hide(ends[1]), upper=hide(ends[3]), possible=(hide(ends[0]), hide(ends[4])),
        scale=draw(st.sampled_from(["identity", "log"])), detection_limit=hide(ends[1]),
        resolution=hide(0.1), assumed_sd=hide(draw(st.floats(1e-9, 1e9))),
        importance=draw(st.floats(1e-3, 1e3)))


@st.composite
def briefs(draw):
    chosen = [draw(factors(f"x{i}")) for i in range(draw(st.integers(1, 3)))]
    numeric = [f.name for f in chosen if f.is_numeric]
    coefficient = NUMBERS.filter(lambda v: abs(v) > 1e-9)
    limits = [Constraint(tuple((draw(coefficient), (n,)) for n in numeric), draw(NUMBERS),
                         draw(TEXTS)) for _ in range(draw(st.integers(0, 2)) if numeric else 0)]
    return Brief(
        title=draw(WORDS), purpose=draw(TEXTS), author=draw(TEXTS), notes=draw(TEXTS),
        mixer=Mixer(draw(TEXTS), carrier_radius=draw(st.floats(1, 1e3)),
                    pressure_range=(0.5, 102)),
        vessel=Vessel("cup", volume=500, bore=60, tare=draw(st.floats(1, 200))),
        material=Material(draw(TEXTS), density=draw(st.floats(0.5, 20)), viscosity=1e-3),
        fill_mass=draw(st.floats(1, 200)), region=Region(tuple(chosen), tuple(limits)),
        responses=tuple(draw(responses(f"y{i}")) for i in range(draw(st.integers(1, 3)))),
        invented=draw(st.booleans()),
        held=draw(st.dictionaries(st.sampled_from(["lot", "pressure"]), st.floats(1, 101))))


@settings(max_examples=40, deadline=None)
@given(briefs())
def test_json_and_toml_give_back_the_brief(brief):
    assert Brief.from_plain(json.loads(json.dumps(brief.to_plain(), allow_nan=False))) == brief
    assert Brief.from_toml(brief.to_toml()) == brief


@given(st.text(max_size=200) | st.binary(max_size=200).map(
    lambda b: "title = 1\n" + b.decode("latin-1")))
def test_any_text_is_read_or_refused_with_one_kind_of_error(text):
    with pytest.raises(InputError):
        Brief.from_toml(text)


def test_plain_data_holds_no_infinity():
    text = json.dumps(template_brief().to_plain(), allow_nan=False)
    assert math.inf not in json.loads(text).values()


@pytest.mark.parametrize("lines", [
    'kind = "count"\nexposure = 25\nexposure_unit = "cm²"',
    'kind = "count"\nexposure = "time"',
    'kind = "proportion"\ntrials = 10\nunit = "%"',
    'kind = "ordinal"\ngrades = ["pitted", "dull", "smooth"]\nlower = 2',
    'kind = "censored"\ndetection_limit = 0.5\nscale = "log"',
])
def test_every_kind_of_response_goes_there_and_back(lines):
    brief = Brief.from_toml(SMALL + lines)
    assert Brief.from_toml(brief.to_toml()) == brief
    assert Brief.from_plain(json.loads(json.dumps(brief.to_plain()))) == brief
    key, value = lines.splitlines()[1].split(" = ", 1)
    told = tomllib.loads(f"value = {value}")["value"]
    assert getattr(brief.responses[0], key) == (tuple(told) if isinstance(told, list) else told)

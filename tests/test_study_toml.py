"""Briefs written by hand, and briefs that travel as JSON and TOML."""

from __future__ import annotations

import json
import math
import os
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
    with pytest.raises(InputError, match="there is no such file"):
        Brief.from_toml(tmp_path / "none.toml")
    (tmp_path / "latin.toml").write_bytes('title = "Für"'.encode("latin-1"))
    with pytest.raises(InputError, match="not UTF-8"):
        Brief.from_toml(tmp_path / "latin.toml")


# ---- round trips

NUMBERS = st.floats(-1e6, 1e6, allow_nan=False).map(lambda v: v + 0.0)
SPECIAL = st.sampled_from('"\'\\#=[]{}\n\r\t\0\x1b\x7f\x85\u2028\ufeffµ\u0301\U0001f9ea')
TEXTS = st.text(max_size=30) | st.text(SPECIAL, max_size=12)
WORDS = TEXTS.filter(str.strip)


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
        held=draw(st.dictionaries(st.sampled_from(["batch", "pressure"]), st.floats(1, 101)))
        | draw(st.dictionaries(st.just("lot"), TEXTS)))


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


ODD = ['""', '" "', '"_"', '"x"', "1", "-1", "0", "1e308", "-1e308", "1e-308", "inf", "nan", "true",
       "[]", "[[1]]", "[1]", '["a"]', "[2, 1]", "{a = 1}", "[{a = 1}]", "1979-05-27",
       "1979-05-27T07:32:00Z", "07:32:00", "1" + 48 * "0", "1" + 400 * "0", "1" + 5000 * "0",
       '"' + 5000 * "a" + '"', '"a\\nb"', '"µ≤日本"', '"<script>"', '"=cmd()"']
LINES = template_toml().splitlines()
KEYED = [i for i, line in enumerate(LINES) if line.partition("=")[0].strip().isidentifier()]
MORE = {"[mixer]": ["tilt", "steps_stored", "greatest_step_time"], "[bench]": ["day", "change"],
        "[[factor]]": ["levels", "kind", "hard_to_change", "step"],
        "[[response]]": ["target", "lower", "kind", "grades", "exposure", "trials",
                         "exposure_unit"]}


def one_changed(draw) -> str:
    """The template with one value changed or added."""
    value = draw(st.sampled_from(ODD))
    if draw(st.booleans()):
        at = draw(st.sampled_from(KEYED))
        key = LINES[at].partition("=")[0].strip()
        return "\n".join([*LINES[:at], f"{key} = {value}", *LINES[at + 1:]])
    head = draw(st.sampled_from([*MORE]))
    at = LINES.index(head) + 1
    key = draw(st.sampled_from(MORE[head]))
    return "\n".join([*LINES[:at], f"{key} = {value}", *LINES[at:]])


@given(st.data())
def test_an_odd_value_is_kept_or_refused_by_its_name(data):
    """All 5,220 pairs of a field and an odd value were looked at once; this is a sample."""
    text = one_changed(data.draw)
    brief = refused = None
    try:
        brief = Brief.from_toml(text)
    except InputError as error:
        refused = error
    if refused is not None:
        assert refused.field
        assert refused.remedy
        assert refused.problem in str(refused)
        return
    assert Brief.from_toml(brief.to_toml()) == brief
    assert Brief.from_plain(json.loads(json.dumps(brief.to_plain(), allow_nan=False))) == brief


@pytest.mark.parametrize(("text", "field"), [
    ("steps = [[1]]\n" + SMALL, "brief, steps"),
    ("steps = [{a = 1}]\n" + SMALL, "brief, steps"),
    (SMALL.replace("40", "1" + 400 * "0"), "brief, fill_mass"),
    (SMALL.replace("40", "1" + 5000 * "0"), "brief"),
    ("a = " + 5000 * "[" + 5000 * "]", "brief"),
    ("a = " + 5000 * "{b = " + "1" + 5000 * "}", "brief"),
])
def test_values_that_python_itself_stumbles_over(text, field):
    with pytest.raises(InputError) as caught:
        Brief.from_toml(text)
    assert caught.value.field == field
    assert len(str(caught.value)) < 400


def test_ends_of_what_is_possible_are_numbers_that_can_be_kept():
    ends = Brief.from_toml(SMALL + f"possible = [0, 1{30 * '0'}]").responses[0].possible
    assert ends == (0.0, 1e30)
    assert all(isinstance(end, float) for end in ends)


@pytest.mark.parametrize(("encoding", "read"), [("utf-8", True), ("utf-8-sig", True),
                                                ("utf-16", False), ("utf-32", False)])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_files_as_editors_save_them(tmp_path, encoding, end, read):
    path = tmp_path / "brief.toml"
    path.write_bytes(template_toml().replace("\n", end).encode(encoding))
    if read:
        assert Brief.from_toml(path) == Brief.from_toml(template_toml())
        return
    with pytest.raises(InputError, match="Save the file as UTF-8"):
        Brief.from_toml(path)


def test_a_key_given_twice_is_shown():
    with pytest.raises(InputError, match="bore = 60") as caught:
        Brief.from_toml(SMALL.replace("bore = 50", "bore = 50\nbore = 60"))
    assert caught.value.value == "bore = 60"


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes as here")
def test_a_path_that_is_no_file_is_not_waited_for(tmp_path):
    os.mkfifo(tmp_path / "brief.toml")
    for path in (tmp_path / "brief.toml", tmp_path, tmp_path / ("n" * 300), tmp_path / "a\0b"):
        with pytest.raises(InputError):
            Brief.from_toml(path)

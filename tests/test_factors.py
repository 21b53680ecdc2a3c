"""Coding, settable steps and the region."""

import math

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from doe.constraints import Constraint
from doe.errors import InputError
from doe.factors import Factor, Region, to_increment

finite = st.floats(-1e6, 1e6, allow_nan=False)


@st.composite
def ranges(draw):
    low = draw(st.floats(-1e4, 1e4))
    width = draw(st.floats(0.01, 1e4))
    return low, low + width


@st.composite
def stepped(draw):
    low, high = draw(ranges())
    step = (high - low) * draw(st.floats(0.001, 1.0))
    assume(step <= high - low)
    return Factor("x", low, high, increment=step)


@st.composite
def regions(draw):
    """Continuous, stepped, ordinal and categorical factors, with or without a constraint."""
    factors = [Factor("a", *draw(ranges()))]
    low, high = draw(ranges())
    factors.append(Factor("b", low, high, increment=(high - low) / draw(st.integers(1, 50))))
    if draw(st.booleans()):
        factors.append(Factor.settable("c", draw(st.lists(st.integers(-50, 50), min_size=2,
                                                          max_size=5, unique=True))))
    if draw(st.booleans()):
        factors.append(Factor.categorical("d", ["cup", "jar", "tube"][:draw(st.integers(2, 3))]))
    bound = draw(st.floats(-1e4, 1e4))
    return Region(tuple(factors), (f"a + b >= {bound:.6g}".replace(">= -", ">= 0 - "),)
                  if draw(st.booleans()) else ())


# ---- coding

@given(ranges(), st.lists(st.floats(-3, 3), min_size=1, max_size=5))
def test_coding_round_trip(ends, coded):
    factor = Factor("x", *ends)
    scale = 1 + (abs(factor.centre)) / factor.half_range
    np.testing.assert_allclose(factor.code(factor.decode(coded)), coded, atol=1e-14 * scale)


@given(ranges())
def test_ends_code_to_minus_one_and_one(ends):
    # coded units of ISO 3534-3: centre 0, half-range 1
    factor = Factor("x", *ends)
    tolerance = 1e-14 * (1 + abs(factor.centre) / factor.half_range)
    np.testing.assert_allclose(factor.code([factor.low, factor.centre, factor.high]), [-1, 0, 1],
                               atol=tolerance)


def test_coding_of_a_worked_value():
    assert Factor("time", 60, 300, unit="s").code([240.0])[0] == pytest.approx(0.5)


@given(regions(), st.integers(0, 2**32 - 1))
def test_region_coding_round_trip(region, seed):
    k = len(region)
    coded = np.random.default_rng(seed).uniform(-1, 1, (6, k))
    settings = region.decode(coded)
    assert list(settings.columns) == region.names
    for j, factor in enumerate(region.factors):
        if factor.is_numeric:
            np.testing.assert_allclose(factor.code(settings[factor.name]), coded[:, j], atol=1e-8)
        else:
            assert set(settings[factor.name]) <= set(factor.levels)


def test_two_categories_decode_by_sign():
    region = Region((Factor.categorical("lid", ("vented", "closed")),))
    assert region.decode([[-1.0], [1.0]])["lid"].tolist() == ["vented", "closed"]


def test_more_categories_are_spread_over_the_coded_range():
    region = Region((Factor.categorical("lid", ("a", "b", "c")),))
    coded = [[-1.0], [-0.6], [-0.4], [0.0], [0.4], [0.6], [1.0], [1.3]]
    assert region.decode(coded)["lid"].tolist() == list("aabbbccc")


def test_encoding_of_categories_sums_to_zero():
    region = Region((Factor.categorical("lid", ("a", "b", "c")),))
    coded = region.encode(pd.DataFrame({"lid": ["a", "b", "c"]}))
    np.testing.assert_array_equal(coded, [[-1, -1], [1, 0], [0, 1]])
    assert region.encoded_names == ["lid[b]", "lid[c]"]


# ---- settable steps

@given(stepped(), st.floats(-0.2, 1.2))
def test_snap_is_idempotent_near_and_inside(factor, share):
    value = factor.low + share * (factor.high - factor.low)
    snapped = factor.snap([value])
    np.testing.assert_array_equal(factor.snap(snapped), snapped)
    tolerance = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
    # a multiple of the increment
    steps = snapped[0] / factor.increment
    assert abs(steps - round(steps)) * factor.increment < tolerance
    if 0 <= share <= 1:
        assert factor.low - tolerance <= snapped[0] <= factor.high + tolerance
        # and no further off than one step: rounding inwards costs less than that
        assert abs(snapped[0] - value) <= factor.increment + tolerance


def test_snap_stays_in_the_range_where_rounding_would_leave_it():
    factor = Factor("ratio", 1 / 6, 0.5, increment=0.01)
    assert factor.snap([1 / 6, 0.5]).tolist() == [0.17, 0.5]


def test_values_outside_stay_outside():
    factor = Factor("time", 60, 300, increment=10)
    assert factor.snap([20.0, 412.0]).tolist() == [20.0, 410.0]
    assert factor.snap([58.0]).tolist() == [60.0]


def test_snap_to_levels():
    factor = Factor.settable("pressure", [100, 2, 20], unit="kPa")
    assert factor.levels == (2.0, 20.0, 100.0)
    assert factor.snap([0.0, 10.0, 61.0, 59.0, 500.0]).tolist() == [2, 2, 100, 20, 100]
    assert factor.settings().tolist() == [2, 20, 100]


@pytest.mark.parametrize("step", [0.1, 0.01, 0.3, 1 / 64, 5.0, 250.0])
def test_increments_are_free_of_binary_dust(step):
    made = to_increment(np.arange(50) * step, step)
    assert [float(f"{v:.12g}") for v in made] == made.tolist()


@given(stepped(), st.integers(2, 40))
def test_settings_are_settable_and_cover_the_range(factor, count):
    values = factor.settings(count)
    np.testing.assert_array_equal(factor.snap(values), values)
    assert (np.diff(values) > 0).all()
    tolerance = 1e-9 * max(1.0, abs(factor.low), abs(factor.high))
    assert values[0] - factor.low < factor.increment + tolerance
    assert factor.high - values[-1] < factor.increment + tolerance


# ---- region

@given(regions(), st.integers(0, 2**32 - 1))
def test_contains_is_the_ranges_and_each_constraint(region, seed):
    coded = np.random.default_rng(seed).uniform(-1.5, 1.5, (30, len(region)))
    settings = region.decode(coded)
    expected = []
    for _, row in settings.iterrows():
        inside = all(f.low <= row[f.name] <= f.high if f.is_numeric else row[f.name] in f.levels
                     for f in region.factors)
        # the constraint is a + b >= bound, kept as −a − b <= −bound
        expected.append(inside and all(row["a"] + row["b"] >= -c.upper for c in region.constraints))
    assert region.contains(settings).tolist() == expected


@given(regions(), st.integers(0, 2**32 - 1))
def test_violations_name_exactly_the_rows_outside(region, seed):
    coded = np.random.default_rng(seed).uniform(-1.5, 1.5, (12, len(region)))
    settings = region.decode(coded)
    named = {int(text.split()[1].rstrip(":")) - 1 for text in region.violations(settings)}
    assert named == set(np.flatnonzero(~region.contains(settings)))


def test_violations_read_well():
    region = Region((Factor("revolution", 600, 1600, unit="rpm"),
                     Factor("rotation_ratio", 0.2, 0.5),
                     Factor.categorical("lid", ("vented", "closed"))),
                    ("revolution * rotation_ratio <= 700",))
    rows = pd.DataFrame({"revolution": [1000.0, 1600.0, 2000.0], "rotation_ratio": [0.6, 0.5, 0.2],
                         "lid": ["vented", "closed", "taped"]})
    assert region.violations(rows) == [
        "row 3: revolution 2000 rpm is outside 600 to 1600 rpm",
        "row 1: rotation ratio 0.6 is outside 0.2 to 0.5",
        "row 3: lid 'taped' is not one of: vented, closed",
        "row 2: revolution * rotation_ratio is 800, above 700",
    ]


@given(regions())
def test_grid_is_settable_inside_and_without_repeats(region):
    grid = region.grid(5)
    assert region.contains(grid).all()
    assert not grid.duplicated().any()
    numeric = [f.name for f in region.numeric]
    np.testing.assert_array_equal(region.snap(grid)[numeric], grid[numeric])


def test_grid_with_a_factor_held():
    region = Region((Factor("a", 0, 1), Factor("b", 0, 10, increment=5),
                     Factor.categorical("c", ("x", "y"))))
    grid = region.grid(3, fixed={"a": 0.3, "c": "y"})
    assert grid["a"].tolist() == [0.3] * 3
    assert grid["b"].tolist() == [0.0, 5.0, 10.0]
    assert set(grid["c"]) == {"y"}
    with pytest.raises(InputError, match="no such factor"):
        region.grid(3, fixed={"d": 1.0})


def test_centre_has_a_row_for_each_category():
    region = Region((Factor("a", 0, 4), Factor.categorical("c", ("x", "y", "z"))))
    assert region.centre().to_dict("list") == {"a": [2.0] * 3, "c": ["x", "y", "z"]}


# ---- errors that teach

@pytest.mark.parametrize(("make", "field", "shown", "remedy"), [
    (lambda: Factor("2x", 0, 1), "factor, name", "'2x'", "rotation_ratio"),
    (lambda: Factor("class", 0, 1), "factor, name", "'class'", "label"),
    (lambda: Factor("x", 5, 5), "'x', high", "5.0", "widen"),
    (lambda: Factor("x", "1", 5), "'x', low", "'1'", "plain number"),
    (lambda: Factor("x", math.nan, 5), "'x', low", "nan", "plain number"),
    (lambda: Factor("x", True, 5), "'x', low", "True", "plain number"),
    (lambda: Factor("x", 0), "'x', high", "None", "plain number"),
    (lambda: Factor("x", 0, 1, increment=2), "'x', increment", "2.0", "Widen"),
    (lambda: Factor("x", 0, 1, increment=0), "'x', increment", "0", "larger"),
    (lambda: Factor("x", 0, 1, levels=(0, 1)), "'x', levels", "(0, 1)", "Factor.settable"),
    (lambda: Factor("x", 0, 1, kind="nominal"), "'x', kind", "'nominal'", "'categorical'"),
    (lambda: Factor.settable("x", [3]), "'x', levels", "(3,)", "settable levels"),
    (lambda: Factor.settable("x", [3, 3.0]), "'x', levels", "(3, 3.0)", "settable levels"),
    (lambda: Factor.categorical("x", ["a"]), "'x', levels", "('a',)", "levels"),
    (lambda: Factor.categorical("x", ["a", 1]), "'x', levels", "1", "quotes"),
    (lambda: Factor.categorical("x", ["a", " "]), "'x', levels", "' '", "quotes"),
    (lambda: Factor("x", 1, 2, kind="categorical", levels=("a", "b")), "'x', low", "1", "out"),
    (lambda: Factor("x", high=2, kind="categorical", levels=("a", "b")), "'x', low", "None", "out"),
    (lambda: Region(()), "region, factors", "()", "at least one"),
    (lambda: Region((Factor("x", 0, 1), Factor("x", 0, 1))), "region", "'x'", "of its own"),
    (lambda: Region((Factor("x", 0, 1),), ("y <= 1",)), "constraint", "'y'", "x"),
    (lambda: Region((Factor("x", 0, 1),), (7,)), "constraint", "7", "revolution"),
    (lambda: Region((Factor.categorical("c", "ab"),), ("c <= 1",)), "constraint", "'c'", "numeric"),
    (lambda: Region((Factor("x", 0, 1),))["z"], "factor", "'z'", "x"),
    (lambda: Factor.categorical("c", "ab").centre, "'c'", "'categorical'", "levels"),
])
def test_errors_name_field_value_and_remedy(make, field, shown, remedy):
    with pytest.raises(InputError) as caught:
        make()
    message = str(caught.value)
    head, _, rest = message.partition(" = ")
    assert field in head
    assert rest.startswith(shown)
    assert remedy in rest


@pytest.mark.parametrize(("settings", "field", "shown"), [
    ({"a": [1.0]}, "column", "'c'"),
    ({"a": [1.0, np.nan], "c": ["x", "x"]}, "factor 'a', row 2", "nan"),
    ({"a": [1.0, "fast"], "c": ["x", "x"]}, "factor 'a'", "'fast'"),
    ({"a": [1.0, None], "c": ["x", "x"]}, "factor 'a'", ""),
    ({"a": [1.0], "c": ["q"]}, "factor 'c'", "'q'"),
])
def test_settings_that_cannot_be_coded_are_named(settings, field, shown):
    region = Region((Factor("a", 0, 4), Factor.categorical("c", ("x", "y"))))
    with pytest.raises(InputError) as caught:
        region.encode(pd.DataFrame(settings))
    assert field in str(caught.value)
    assert shown in str(caught.value)


def test_a_long_value_is_cut_in_the_message():
    error = InputError("x", "y" * 5000, "too long", "Shorten it")
    assert len(str(error)) < 250
    assert error.value == "y" * 5000                 # but nothing entered is lost


def test_values_are_values():
    assert Factor("x", 0, 1) == Factor("x", 0.0, 1.0)
    assert len({Factor("x", 0, 1), Factor("x", 0.0, 1.0)}) == 1
    region = Region((Factor("x", 0, 1),), ("x <= 0.5",))
    assert region.constraints == (Constraint.parse("x <= 0.5"),)
    assert region.replace([Factor("x", 0, 2)]).constraints == region.constraints


# ---- factors held

@given(regions(), st.floats(0, 1), st.integers(0, 2**32 - 1))
def test_what_is_left_when_a_factor_is_held(region, share, seed):
    held = {"a": region["a"].low + share * (region["a"].high - region["a"].low)}
    left = region.hold(held)
    assert left.names == [n for n in region.names if n != "a"]
    rest = left.decode(np.random.default_rng(seed).uniform(-1.3, 1.3, (20, len(left))))
    np.testing.assert_array_equal(left.contains(rest), region.contains(rest.assign(**held)))


def test_holding_refuses_what_cannot_be():
    region = Region((Factor("a", 0, 4), Factor("b", 0, 4), Factor.categorical("c", ("x", "y"))),
                    ("a * b + a <= 6",))
    assert str(region.hold({"a": 2.0, "c": "x"}).constraints[0]) == "2 * b <= 4"
    assert region.hold({"a": 0.0}).constraints == ()
    for held, words in (({"a": 5.0}, "at most 4"), ({"c": "z"}, "no such level"),
                        ({"d": 1.0}, "no such factor"), ({"a": 4.0, "b": 4.0}, "break it"),
                        ({"a": 1.0, "b": 1.0, "c": "x"}, "at least one factor")):
        with pytest.raises(InputError, match=words):
            region.hold(held)


@pytest.mark.parametrize("name", ["_", "___", "_speed", "a" * 61, "", " ", "two words", "1st"])
def test_names_that_formulas_and_columns_cannot_carry(name):
    with pytest.raises(InputError) as caught:
        Factor(name, 0, 1)
    assert caught.value.field == "factor, name"


@pytest.mark.parametrize("label", ["", " ", "\t\n"])
def test_a_label_of_blanks_counts_as_none(label):
    assert Factor("rotation_ratio", 0, 1, label=label).label == "rotation ratio"


@pytest.mark.parametrize(("field", "value"), [("label", 5), ("unit", None), ("unit", "\ud800")])
def test_label_and_unit_are_texts(field, value):
    with pytest.raises(InputError) as caught:
        Factor("a", 0, 1, **{field: value})
    assert caught.value.field == f"factor 'a', {field}"

"""Constraints read from text mean what Python's own grammar says, and nothing gets past."""

import ast
import operator

import numpy as np
import pandas as pd
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from doe.constraints import Constraint
from doe.errors import InputError

NAMES = ("revolution", "rotation_ratio", "time", "x1")


# ---- an independent reading of the same text: Python's parser, walked by hand

def by_python(expression: str, values: dict):
    operations = {ast.Add: operator.add, ast.Sub: operator.sub, ast.Mult: operator.mul}

    def walk(node):
        if isinstance(node, ast.BinOp):
            return operations[type(node.op)](walk(node.left), walk(node.right))
        if isinstance(node, ast.UnaryOp):
            return {ast.USub: operator.neg, ast.UAdd: operator.pos}[type(node.op)](
                walk(node.operand))
        return values[node.id] if isinstance(node, ast.Name) else node.value

    return walk(ast.parse(expression, mode="eval").body)


number = st.one_of(st.integers(0, 5000).map(str),
                   st.floats(0.001, 5000, allow_nan=False).map(lambda v: f"{v:.5g}"))
product = st.lists(st.one_of(number, st.sampled_from(NAMES)), min_size=1, max_size=4
                   ).map(" * ".join)


@st.composite
def sums(draw):
    parts = draw(st.lists(product, min_size=1, max_size=4))
    signs = [draw(st.sampled_from(["", "-", "+ ", "- "]))]
    signs += [draw(st.sampled_from([" + ", " - ", "+", "-"])) for _ in parts[1:]]
    return "".join(s + p for s, p in zip(signs, parts, strict=True))


@given(sums(), st.sampled_from(["<=", ">=", "≤", "≥"]), sums(),
       st.lists(st.floats(-100, 100), min_size=4, max_size=4))
def test_a_constraint_means_what_python_reads(left, sign, right, values):
    settings_ = dict(zip(NAMES, values, strict=True))
    sides = by_python(left, settings_), by_python(right, settings_)
    # the size of the sums with every part positive: what rounding is to be measured by
    size = 1 + sum(by_python(s.replace("-", "+"), {k: abs(v) for k, v in settings_.items()})
                   for s in (left, right))
    try:
        constraint = Constraint.parse(f"{left} {sign} {right}")
    except InputError:
        apart = [by_python(s, dict.fromkeys(NAMES, 0.0)) for s in (left, right)]
        # numbers alone, or all of it cancels: the factors make no difference
        assert sides[0] - sides[1] == pytest.approx(apart[0] - apart[1], abs=1e-12 * size)
        return
    lower, upper = sides if sign in "<=≤" else sides[::-1]
    slack = float(constraint.upper - constraint.value({k: [v] for k, v in settings_.items()})[0])
    assert slack == pytest.approx(upper - lower, abs=1e-12 * size)


@given(st.one_of(
    st.text(max_size=40),
    st.lists(st.sampled_from([*NAMES, "<=", ">=", "+", "-", "*", "(", "1e400", "2", ".5", " ", "if",
                              "__import__('os')", "٣", "²", "nan", "1_0", "**", "==", ";", "\n"]),
             max_size=12).map("".join)))
@example("a <= b <= c")
@example("1e400 a <= 2")
@example("a <= 1e400")
@example("a - a <= 3")
def test_any_text_gives_a_constraint_or_input_error(text):
    try:
        constraint = Constraint.parse(text)
    except InputError:
        return
    assert np.isfinite(constraint.upper)
    assert constraint.names
    again = Constraint.parse(str(constraint))
    assert again.names == constraint.names


@pytest.mark.parametrize("text", [
    "a + + b <= 1", "+ a + + b <= 1", "- a - - b <= 1", "- - a <= 1", "+ a + <= 1", "a - <= 1",
    "* a <= 1", "a * <= 1", "a * - b <= 1", "a * * b <= 1", "a / b <= 1", "a ** 2 <= 1",
    "(a + b) <= 1", "a < 1", "a == 1", "a <= 1 <= b", "<= 1", "a <=", "", "a", "5 <= 10",
    "if <= 3", "a; b <= 1", "__import__('os').system('x') <= 1",
])
def test_what_is_not_a_sum_of_products_is_refused(text):
    with pytest.raises(InputError) as caught:
        Constraint.parse(text)
    assert caught.value.remedy


@pytest.mark.parametrize("text", [None, 5, b"a <= 1", ["a <= 1"]])
def test_what_is_no_text_is_refused(text):
    with pytest.raises(InputError):
        Constraint.parse(text)


def test_error_names_field_value_and_remedy():
    with pytest.raises(InputError) as caught:
        Constraint.parse("revolution / 2 <= 900")
    message = str(caught.value)
    assert "constraint 'revolution / 2 <= 900'" in message
    assert "'/'" in message
    assert "sums of products" in message


@given(sums(), st.floats(-1e4, 1e4))
def test_text_round_trip(left, bound):
    try:
        constraint = Constraint.parse(f"{left} <= {bound:.6g}".replace("<= -", "<= 0 - "))
    except InputError:
        return
    again = Constraint.parse(str(constraint))
    at = {name: [1.5, -2.0] for name in NAMES}
    np.testing.assert_allclose(again.upper - again.value(at), constraint.upper
                               - constraint.value(at), rtol=1e-9,
                               atol=1e-9 * (1 + np.abs(constraint.value(at)).max()))


def test_holds_at_the_bound_in_spite_of_rounding():
    constraint = Constraint.parse("revolution * rotation_ratio <= 0.3")
    settings_ = pd.DataFrame({"revolution": [0.1, 0.1, 0.1], "rotation_ratio": [3.0, 2.9, 3.01]})
    assert 0.1 * 3.0 > 0.3                        # binary dust
    assert constraint.holds(settings_).tolist() == [True, True, False]


def test_linear_and_product_constraints_are_told_apart():
    assert Constraint.parse("2 time + revolution <= 3").is_linear
    assert not Constraint.parse("time * revolution <= 3").is_linear
    assert not Constraint.parse("time * time <= 3").is_linear
    assert Constraint.parse("time * revolution + time <= 3").names == ["time", "revolution"]


def test_a_bound_from_below_is_turned_round():
    constraint = Constraint.parse("time >= 60", "wetting takes a minute")
    assert str(constraint) == "-time <= -60"
    assert constraint.reason == "wetting takes a minute"
    assert constraint.holds({"time": [59.0, 60.0, 61.0]}).tolist() == [False, True, True]


@pytest.mark.parametrize(("text", "words"), [
    ("revolution * rotation_ratio <= 800.0", "revolution × rotation ratio ≤ 800"),
    ("0.1 revolution + time <= 400", "0.1 × revolution + time ≤ 400"),
    ("time - 2 x1 >= 5", "−time + 2 × x1 ≤ −5"),
    ("3.125e-9 revolution * revolution * time <= 25", "3.125 × 10⁻⁹ × revolution² × time ≤ 25"),
])
def test_people_read_it_without_stars_and_walls_of_factors(text, words):
    limit = Constraint.parse(text)
    assert limit.words == limit.said == words
    assert Constraint.parse(text, "pot life").said == "pot life"
    assert Constraint.parse(str(limit)) == limit  # the text itself stays one that can be read

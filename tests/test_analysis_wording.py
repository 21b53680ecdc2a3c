"""Numbers in sentences: what a reader would write by hand."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe import wording


@pytest.mark.parametrize(("value", "n", "text"), [
    (0.0123456, 3, "0.0123"),
    (9.9996, 3, "10.0"),
    (1234.5678, 3, "1235"),
    (-0.5, 2, "−0.50"),
    (0.0, 3, "0"),
    (1.5e-7, 2, "1.5 × 10⁻⁷"),
    (-2.5e9, 2, "−2.5 × 10⁹"),
    (math.nan, 3, "not known"),
    (-math.inf, 3, "−∞"),
])
def test_digits(value, n, text):
    assert wording.digits(value, n) == text


@given(st.floats(1e-4, 1e6), st.integers(1, 6))
def test_digits_lose_at_most_half_a_unit_of_the_last_digit(value, n):
    back = float(wording.digits(value, n))
    assert abs(back - value) <= 0.5000001 * 10 ** (math.floor(math.log10(value)) + 1 - n) or (
        abs(back - value) <= 0.5 + 1e-9 and value >= 10 ** (n - 1))


@pytest.mark.parametrize(("low", "high", "text"), [
    (7.1234, 15.2987, "7.1 to 15.3"),
    (-0.00412, 0.00533, "−0.0041 to 0.0053"),
    (1200.4, 1390.7, "1200 to 1391"),
    (5.0, 5.0, "5.0 to 5.0"),
    (math.nan, 3.0, "not known"),
    (-0.04, 12.0, "0.0 to 12.0"),
    (12.3456789, 12.34567891, "12.3457 to 12.3457"),
    (1e-7, 2e-7, "1.00 × 10⁻⁷ to 2.00 × 10⁻⁷"),
])
def test_interval_shares_decimals(low, high, text):
    assert wording.interval(low, high) == text


@pytest.mark.parametrize(("numbers", "unit", "text"), [
    ((11.04, 7.1234, 15.2987), "µm", "11.0 µm (95 % interval 7.1 to 15.3)"),
    ((-0.676, -2.76, 1.41), "µm", "−0.7 µm (95 % interval −2.8 to 1.4)"),
    ((0.6281, 0.5834, 0.6761), "", "0.628 (95 % interval 0.583 to 0.676)"),
    ((3.14159, math.nan, math.nan), "s", "3.14 s"),
    ((2.5e9, 2.0e9, 3.0e9), "", "2.50 × 10⁹ (95 % interval 2.00 × 10⁹ to 3.00 × 10⁹)"),
])
def test_value_with_its_interval(numbers, unit, text):
    assert wording.with_interval(*numbers, unit) == text
    assert wording.with_interval(*numbers, unit, sign=True) == (
        text if numbers[0] < 0 else "+" + text)


@pytest.mark.parametrize(("p", "text"), [
    (0.00001, "p < 0.001"), (0.0123, "p = 0.012"), (0.4567, "p = 0.46"), (math.nan, "p not known"),
])
def test_p_value(p, text):
    assert wording.p_value(p) == text


def test_lists_and_counts():
    assert wording.join([]) == ""
    assert wording.join(["a"]) == "a"
    assert wording.join(["a", "b"]) == "a and b"
    assert wording.join(["a", "b", "c"], "or") == "a, b or c"
    assert [wording.count(k, "run") for k in (0, 1, 2)] == ["no runs", "1 run", "2 runs"]
    assert wording.capitalise("pH of the paste") == "PH of the paste"
    assert wording.signed(1.5, 2) == "+1.5"
    assert wording.signed(-1.5, 2) == "−1.5"
    assert wording.percent(0.256) == "26 %"
    assert wording.quantity(3.14159, "µm") == "3.14 µm"


@pytest.mark.parametrize(("value", "text"), [
    (800.0, "800"), (0.25, "0.25"), (12345.0, "12345"), (-2.0, "−2"), (0.1 + 0.2, "0.3"),
    (100.0, "100"), (0.0, "0"), (1e-7, "1 × 10⁻⁷"), (9.99999, "10"),
])
def test_chosen_numbers_have_no_zeros_that_say_nothing(value, text):
    assert wording.short(value) == text


def test_an_end_above_zero_does_not_read_as_zero():
    assert wording.interval(1.6e-6, 0.0081) == "2 × 10⁻⁶ to 0.0081"
    assert wording.interval(0.03, 10.1) == "0.03 to 10.1"
    assert wording.interval(0.0, 10.1) == "0.0 to 10.1"
    assert wording.interval(-0.03, 10.1) == "0.0 to 10.1"

"""Cells read as they were meant, or refused."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.sheets.parsing import (
    AmbiguousError,
    CellError,
    Formatted,
    Odd,
    decimal_mark,
    is_missing,
    protect,
    read_number,
    read_text,
    read_time,
    readings,
    same_unit,
    unprotect,
)
from doe.sheets.xlsx.book import escape_xml, unescape_xml

# ---- numbers


@pytest.mark.parametrize(("text", "point", "comma"), [
    ("12", 12, 12), ("-5", -5, -5), ("−5", -5, -5), ("+7", 7, 7), ("1e3", 1000, 1000),
    ("0.5", 0.5, None), ("0,5", None, 0.5), ("12.75", 12.75, None), ("12,75", None, 12.75),
    ("1.234", 1.234, 1234), ("1,234", 1234, 1.234), ("-1.234", -1.234, -1234),
    ("0.123", 0.123, None), ("0,123", None, 0.123), ("1234.567", 1234.567, None),
    ("1.234,5", None, 1234.5), ("1,234.5", 1234.5, None), ("1.234.567", None, 1234567),
    ("1,234,567", 1234567, None), ("1 234", 1234, 1234), ("1\u202f234,5", None, 1234.5),
    ("1'234.5", 1234.5, None), ("1.2e-3", 0.0012, None), ("1,2E-3", None, 0.0012),
    (".5", 0.5, None),
    ("5.", None, None), ("1,23,456", None, None), ("1.234,567.8", None, None),
    ("12 34", None, None), ("0x10", None, None), ("1_000", None, None), ("٣", None, None),
    ("１２", None, None), ("", None, None), ("--5", None, None), ("1e", None, None),
])
def test_a_text_has_at_most_one_meaning_under_each_decimal_mark(text, point, comma):
    assert readings(text) == (point, comma)


@given(st.floats(allow_nan=False, allow_infinity=False), st.sampled_from(".,"))
def test_numbers_as_python_writes_them_are_read_exactly(number, mark):
    text = repr(number).replace(".", mark)
    assert read_number(text, decimal=mark).value == number


@given(st.integers(0, 10**12), st.integers(0, 99), st.sampled_from([".,", ",.", ", ", ".'"]))
def test_grouped_thousands_are_read_once_the_decimal_mark_is_known(whole, cents, marks):
    mark, group = marks
    text = f"{whole:,}".replace(",", group) + f"{mark}{cents:02d}"
    assert read_number(text, decimal=mark).value == pytest.approx(whole + cents / 100, rel=1e-15)


def test_a_lone_group_of_three_is_not_guessed():
    with pytest.raises(AmbiguousError, match=r"1\.234 with a decimal point, but 1234 with a"):
        read_number("1.234")
    assert read_number("1.234", decimal=".").value == 1.234
    assert read_number("1.234", decimal=",").value == 1234
    assert read_number("1,234", decimal=".").value == 1234


def test_the_decimal_mark_is_what_all_the_unambiguous_cells_agree_on():
    assert decimal_mark(["1.234", "0.5", "7", "text", 3.0])[0] == "."
    assert decimal_mark(["1.234", "0,5 µm", "<0,02"])[0] == ","
    mark, why = decimal_mark(["0.5", "0,25", "1.234"])
    assert mark is None
    assert "0.5" in why
    assert "0,25" in why
    mark, why = decimal_mark(["1.234", "7", "n/a"])
    assert mark is None
    assert "nothing else in the file" in why


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-Infinity", "∞", "1e999", "9" * 400])
def test_what_is_not_finite_is_refused(text):
    with pytest.raises(CellError, match=r"finite number|not a number"):
        read_number(text)


@pytest.mark.parametrize("text", ["3-Feb", "03-Feb", "Feb-03", "3. Feb", "12. Mai", "2/3/2026",
                                  "3/2", "1/2", "2026-02-03", "03.02.2026", "12:30", "3-2",
                                  "2026-02-03 00:00:00"])
def test_what_a_spreadsheet_made_a_date_of_is_refused(text):
    with pytest.raises(CellError, match="date, a time or a fraction") as caught:
        read_number(text)
    assert "Format the cell as a number" in caught.value.remedy


@pytest.mark.parametrize("text", ["about 5", "five", "ca. 3", "5 to 6", "1..5", "#", "x" * 5000,
                                  "1" + "," * 5000])
def test_what_is_no_number_is_refused(text):
    with pytest.raises(CellError, match="not a number"):
        read_number(text)


@pytest.mark.parametrize("text", ["#N/A", "#DIV/0!", "#REF!", "#NV", "####"])
def test_what_a_spreadsheet_could_not_calculate_is_refused(text):
    with pytest.raises(CellError, match="could not calculate"):
        read_number(text)


def test_other_cells_of_a_workbook_are_refused_with_their_own_reason():
    with pytest.raises(CellError, match="holds a date"):
        read_number(Odd("2026-02-03", "the cell holds a date", "Type it again"))
    assert read_number(Formatted(0.05, is_percent=True), "%").value == 5
    assert read_number(Formatted(0.07, is_percent=True), "%").value == 7  # not 7.000000000000001
    with pytest.raises(CellError, match="formatted as a percentage, but the column's unit is 'µm'"):
        read_number(Formatted(0.05, is_percent=True), "µm")
    with pytest.raises(CellError, match="formatted as a percentage, but the column has no unit"):
        read_number(Formatted(0.05, is_percent=True))


# ---- units and signs


@pytest.mark.parametrize(("one", "other"), [
    ("µm", "μm"), ("µm", "um"), ("°C", "℃"), ("°C", "degC"), ("rpm", "r/min"), ("s", "sec"),
    ("Pa·s", "Pa⋅s"), ("% by volume", "vol-%"), ("kPa", "kPa abs"), ("g/cm³", "g/cm³")])
def test_spellings_of_one_unit_are_one_unit(one, other):
    assert same_unit(one, other)


@pytest.mark.parametrize(("one", "other"), [
    ("µm", "mm"), ("°C", "°F"), ("%", "ppm"), ("kPa", "mbar"), ("kPa", "Pa"), ("mPa·s", "MPa·s"),
    ("s", "min"), ("%", "% by volume"), ("", "%"), ("kPa", "kPa gauge"), ("g", "kg"), ("g", "G")])
def test_other_units_are_never_taken_for_the_same(one, other):
    assert not same_unit(one, other)


def test_a_unit_in_the_cell_must_be_the_column_s():
    assert read_number("12 µm", "µm").value == 12
    assert read_number("12,5µm", "μm").value == 12.5
    assert read_number("5 %", "%").value == 5
    with pytest.raises(CellError, match="the unit 'mm' is not the column's, 'µm'") as caught:
        read_number("12 mm", "µm")
    assert "nothing is converted" in caught.value.remedy
    with pytest.raises(CellError, match="stands in a column without a unit"):
        read_number("12 mm")


def test_a_reading_below_the_detection_limit():
    found = read_number("<0.02", "%", detection_limit=0.02)
    assert (found.value, found.qualifier) == (0.02, "<")
    assert read_number("< 0,01 %", "%", detection_limit=0.02).value == 0.01
    for text, limit, said in [("<0.02", None, "needs a detection limit"),
                              ("<0.5", 0.02, "the detection limit is 0.02"),
                              (">5", 0.02, "cannot be kept"), ("~5", 0.02, "cannot be kept")]:
        with pytest.raises(CellError, match=said):
            read_number(text, "%", detection_limit=limit)


@pytest.mark.parametrize("text", ["", "  ", "-", "–", "n/a", "N/A", "na", "n.a.", "not measured"])
def test_words_for_missing(text):
    assert is_missing(text)


@pytest.mark.parametrize("text", ["0", "nan", "nd", "none", "?", "#N/A", "below limit"])
def test_words_that_may_mean_something_else_are_not_missing(text):
    assert not is_missing(text)


# ---- times


@pytest.mark.parametrize(("text", "iso"), [
    ("2026-03-01 14:30", "2026-03-01T14:30:00"), ("2026-03-01T14:30:05", "2026-03-01T14:30:05"),
    ("2026-03-01 14:30+02:00", "2026-03-01T14:30:00+02:00"),
    ("1.3.2026 14:30", "2026-03-01T14:30:00"), ("01.03.2026, 14:30:05", "2026-03-01T14:30:05")])
def test_times_with_one_meaning_are_read(text, iso):
    assert read_time(text) == iso


@pytest.mark.parametrize("text", ["03/01/2026 14:30", "1 March", "2026-03-01", "2026-13-01 10:00",
                                  "31.02.2026 10:00", "14:30", "46082.6", "2026-03-01 25:00"])
def test_times_with_two_meanings_or_none_are_refused(text):
    with pytest.raises(CellError, match="one way only") as caught:
        read_time(text)
    assert "2027-03-01 14:30" in caught.value.remedy


# ---- texts

# What spreadsheets take for the start of a formula, what they skip before it, and what somewhere
# separates cells; the lists are from memory.
FORMULA = re.compile("[\\s\"\x00-\x1f\u200b\ufeff]*?[=+\\-@\t\r\n＝＋－＠]")
SEPARATORS = ",;|\t\r\n"
texts = st.text() | st.text(st.sampled_from("='\"+-@\t\r\n ,;|\u00a0\u200b_x0D41＝a"), max_size=12)


def cells_of(line: str) -> list[str]:
    """The cells of a line, whatever separates them, and with no regard to quotation marks."""
    return [line, *(line[i + 1:] for i, c in enumerate(line) if c in SEPARATORS)]


@given(texts)
def test_a_protected_text_starts_no_formula_anywhere_and_comes_back(text):
    assert not [cell for cell in cells_of(protect(text)) if FORMULA.match(cell)]
    assert unprotect(protect(text)) == text


@pytest.mark.parametrize("text", [
    "fine;@SUM(1+1)|cmd", "a,=1+1", "a|=1+1", "a\t=1+1", "a\r=1+1", "two\n=1+1", "a; =1+1",
    "a;\u00a0=1+1", 'a;"=1+1', "a;＝1+1", "a;＋1", "a;－1", "a;＠x", "\u00a0=1", "\u200b=1",
    ";;=1", "a;'=1", "a;\t\t=1", "'a;=1"])
def test_texts_that_have_a_formula_behind_a_separator_are_protected_there(text):
    assert protect(text) != text
    assert not [cell for cell in cells_of(protect(text)) if FORMULA.match(cell)]
    assert unprotect(protect(text)) == text


def test_harmless_texts_are_left_alone():
    for text in ("cup warm", "'twas slow", "3 = three", "a-b", "", "µ", "a, b; c",
                 "it's; 'twas", "a;b=c"):
        assert protect(text) == text


@given(texts)
def test_what_xml_cannot_hold_is_escaped_and_comes_back(text):
    escaped = escape_xml(text)
    assert unescape_xml(escaped) == text
    assert not re.search("[\x00-\x08\x0b-\x1f\ufffe\uffff]", escaped)


def test_escapes_are_those_of_the_standard():
    # ECMA-376 part 1, 22.9.2.19 ST_Xstring: "_x000D_" is a carriage return, and a literal
    # "_x000D_" is written with its first underscore as "_x005F_" (from memory).
    assert escape_xml("a\rb") == "a_x000D_b"
    assert escape_xml("_x000D_") == "_x005F_x000D_"
    assert unescape_xml("a_x000D_b") == "a\rb"


def test_numbers_in_a_column_of_texts_are_written_out():
    assert read_text(7.0) == "7"
    assert read_text(0.1) == "0.1"
    assert read_text("   ") == ""
    with pytest.raises(CellError):
        read_text(Odd("2026-02-03", "a date", "Type it again"))


def test_no_reading_is_ever_not_a_number():
    for text in ("1", "0.5", "1e-320", "1e308"):
        assert math.isfinite(read_number(text).value)

"""Tables for reading: digits, units, escaping."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from doe.errors import InputError
from doe.tables import Table, html_table


def cells(html: str) -> list[str]:
    return re.findall(r"<td[^>]*>(.*?)</td>", html)


def test_units_stand_in_the_headings():
    frame = pd.DataFrame({"time": [60.0]})
    frame.attrs["units"] = {"time": "s"}
    assert "<th class=\"number\">mixing time (s)</th>" in html_table(frame, {"time": "mixing time"})


def test_a_column_has_one_number_of_decimals():
    assert cells(html_table(pd.DataFrame({"x": [1.5, 10.25, -0.75]}))) == ["1.50", "10.25", "−0.75"]


def test_mixed_units_have_their_own_digits():
    frame = pd.DataFrame({"x": [1234.5, 0.02134]})
    assert cells(html_table(frame, numbers="each")) == ["1234", "0.0213"]


def test_exact_numbers_are_those_entered():
    frame = pd.DataFrame({"x": [0.1 + 0.2, -4.0, 0.000123]})
    assert cells(html_table(frame, numbers="exact")) == ["0.3", "−4", "0.000123"]


def test_missing_values_are_blank():
    assert cells(html_table(pd.DataFrame({"x": [1.0, np.nan], "y": ["a", None]}))) == [
        "1", "a", "", ""]


def test_small_p_values_claim_no_more_than_they_can():
    assert cells(html_table(pd.DataFrame({"p": [1e-9, 0.0123]}))) == ["&lt; 0.001", "0.012"]


@given(st.text())
def test_user_text_is_never_markup(text):
    html = html_table(pd.DataFrame({"x": [text]}), {"x": text}, caption=text)
    inside = re.sub(r"</?(table|caption|thead|tbody|tr|th|td)( class=\"\w+\")?>", "", html)
    assert "<" not in inside
    assert ">" not in inside


def test_the_text_form_has_the_same_cells():
    frame = pd.DataFrame({"name": ["a"], "x": [0.123456]})
    assert repr(Table(frame)).split() == ["name", "x", "a", "0.123"]


def test_an_unknown_way_with_numbers_is_refused():
    with pytest.raises(InputError, match="numbers = 'all'"):
        Table(pd.DataFrame({"x": [1.0]}), numbers="all")

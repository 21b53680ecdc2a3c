"""Filled run sheets read back: taken as meant, or refused with row, column, value and remedy."""

from __future__ import annotations

import datetime as dt
import re
import zipfile

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sheet_cases import (
    READINGS,
    cell_of,
    fill_csv,
    fill_xlsx,
    heading_row,
    row_of,
    small_study,
    with_responses,
)
from test_sheets_write import HOSTILE, recorded

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.responses import Response
from doe.sheets import SheetError, read_sheet, write_csv, write_sheet, write_xlsx
from doe.study import Study

STUDY = small_study()
VALUES = {"voids": 0.41, "coarsest_lump": 35.5, "end_temperature": 38.2}
VOIDS, LUMP, HEAT = READINGS


def refused(path, study: Study = STUDY, **options) -> SheetError:
    with pytest.raises(SheetError) as caught:
        read_sheet(path, study, **options)
    return caught.value


def only(error: SheetError):
    assert len(error.problems) == 1, str(error)
    return error.problems[0]


def commas(row: dict[str, str]) -> dict[str, str]:
    return {k: v.replace(".", ",") for k, v in row.items()}


# ---- what is read

@pytest.mark.parametrize("name", ["a.csv", "a.xlsx"])
def test_a_sheet_not_filled_in_records_nothing(tmp_path, name):
    assert read_sheet(write_sheet(STUDY, tmp_path / name), STUDY) == []


def test_a_filled_csv_is_read(tmp_path):
    path = fill_csv(STUDY, tmp_path / "a.csv", {
        2: {**READINGS, "operator": "R. Ito", "remark": "warm", "run at (YYYY-MM-DD HH:MM)":
            "2026-03-01 14:30+00:00"},
        5: {"status": "done"}})
    first, second = read_sheet(path, STUDY)
    assert (first.run, first.attempt, first.status) == (2, 1, "done")
    assert first.measurements == VALUES
    assert (first.operator, first.remark) == ("R. Ito", "warm")
    assert first.time == "2026-03-01T14:30:00+00:00"
    assert first.settings == {}
    assert (second.run, second.status, second.measurements) == (5, "done", {})


@pytest.mark.parametrize(("decimal", "separator", "encoding"), [
    (".", ",", "utf-8-sig"), (".", ",", "utf-8"), (".", ";", "utf-8"), (".", "\t", "utf-16"),
    (",", ";", "utf-8-sig"), (",", "\t", "utf-16"), (",", ";", "cp1252"), (",", ",", "utf-8"),
    (".", ",", "utf-16-le"), (".", ",", "utf-16-be")])
def test_every_dialect_that_spreadsheets_save_is_read(tmp_path, decimal, separator, encoding):
    entries = READINGS if decimal == "." else commas(READINGS)
    study = small_study(author="Ångström")
    # Windows-1252 lacks what some cautions and marks are written with.
    plain = lambda rows: [row.__setitem__(0, re.sub("[^\x00-\xff]", "?", row[0]))  # noqa: E731
                          for row in rows if len(row) == 1]
    path = fill_csv(study, tmp_path / "a.csv", {3: {**entries, "operator": "Müller"}},
                    decimal=decimal, separator=separator, encoding=encoding,
                    also=plain if encoding == "cp1252" else None)
    record, = read_sheet(path, study)
    assert record.measurements == VALUES
    assert record.operator == "Müller"


def test_a_filled_workbook_is_read(tmp_path):
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {
        2: {VOIDS: 0.41, LUMP: 35.5, HEAT: "38.2", "operator": "R. Ito", "remark": "warm"},
        4: {VOIDS: "<0.02", LUMP: "12 µm", "run at (YYYY-MM-DD HH:MM)":
            dt.datetime(2026, 3, 1, 14, 30)}})
    first, second = read_sheet(path, STUDY)
    assert first.measurements == VALUES
    assert second.measurements == {"voids": 0.02, "coarsest_lump": 12}
    assert second.qualifiers == {"voids": "<"}
    local = dt.datetime(2026, 3, 1, 14, 30).astimezone(dt.UTC)
    assert second.time == local.isoformat(timespec="seconds")


@pytest.mark.parametrize("word", ["", "-", "–", "n/a", "N/A", "not measured", " "])
def test_missing_readings_are_kept_as_not_measured(tmp_path, word):
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {**READINGS, LUMP: word}})
    record, = read_sheet(path, STUDY)
    assert record.measurements == {"voids": 0.41, "end_temperature": 38.2}


def test_achieved_settings_replace_planned_ones_only_in_their_own_columns(tmp_path):
    planned = STUDY.planned(3)
    path = fill_csv(STUDY, tmp_path / "a.csv", {3: {
        **READINGS, "achieved revolution (rpm)": "1000", "achieved rotation (rpm)": "410",
        "achieved absolute pressure (kPa)": "6.5"}})
    record, = read_sheet(path, STUDY)
    assert record.settings == {"revolution": 1000, "rotation_ratio": 0.41, "pressure": 6.5}
    path = fill_csv(STUDY, tmp_path / "a.csv", {3: {**READINGS,
                                                    "achieved revolution (rpm)": "1000"}})
    record, = read_sheet(path, STUDY)
    # The rotation was left as planned, in rpm; its ratio to the other revolution follows.
    assert record.settings["rotation_ratio"] == pytest.approx(
        planned["rotation_ratio"] * planned["revolution"] / 1000)


def test_rows_in_another_order_keep_their_runs(tmp_path):
    def upside_down(rows):
        at = heading_row(rows)
        rows[at + 1:-1] = rows[-2:at:-1]

    path = fill_csv(STUDY, tmp_path / "a.csv", {r: {VOIDS: f"0.{r}"} for r in range(1, 7)},
                    also=upside_down)
    records = read_sheet(path, STUDY)
    assert [r.run for r in records] == [6, 5, 4, 3, 2, 1]
    assert all(r.measurements["voids"] == r.run / 10 for r in records)


def test_columns_in_another_order_and_under_names_are_found(tmp_path):
    def shuffle(rows):
        at = heading_row(rows)
        rows[at] = [{"voids (%)": "Voids [percent]", "coarsest lump (µm)": "coarsest_lump (um)",
                     "end temperature (°C)": "END  TEMPERATURE (degC)"}.get(h, h)
                    for h in rows[at]]
        for row in rows[at:-1]:
            row[:] = row[::-1]

    path = fill_csv(STUDY, tmp_path / "a.csv", {1: READINGS}, also=shuffle)
    record, = read_sheet(path, STUDY)
    assert record.measurements == VALUES


def test_blank_columns_and_rows_do_no_harm(tmp_path):
    def pad(rows):
        at = heading_row(rows)
        rows[at] += ["", "my notes"]
        rows.insert(at + 2, [])
        rows.insert(at + 3, ["", " ", ""])
        rows[at + 5] = rows[at + 5][:18]  # spreadsheets drop separators at the end of a line

    path = fill_csv(STUDY, tmp_path / "a.csv", {1: READINGS, 3: READINGS}, also=pad)
    assert [r.run for r in read_sheet(path, STUDY)] == [1, 3]


def test_an_instrument_s_export_is_read_if_asked(tmp_path):
    path = tmp_path / "export.csv"
    path.write_text("run;coarsest lump (µm)\n3;35,5\n4;41\n")
    assert "no line 'sheet mark'" in str(refused(path))
    records = read_sheet(path, STUDY, unmarked=True)
    assert [(r.run, r.attempt, r.measurements) for r in records] == [
        (3, 0, {"coarsest_lump": 35.5}), (4, 0, {"coarsest_lump": 41})]


def test_levels_in_words_are_read_and_checked(tmp_path):
    order = Factor.categorical("charging", ["=resin first", "filler first"])
    speed, ratio, time = STUDY.brief.region.factors[:3]
    study = small_study(STUDY.brief.replace(region=Region((speed, ratio, time, order)),
                                            held={"pressure": 5}))
    entries = {2: {**READINGS, "achieved charging": "'=resin first"}}
    record, = read_sheet(fill_csv(study, tmp_path / "a.csv", entries), study)
    assert record.settings == {"charging": "=resin first"}
    entries = {2: {**READINGS, "achieved charging": "solvent first"}}
    problem = only(refused(fill_csv(study, tmp_path / "a.csv", entries), study))
    assert "'=resin first' or 'filler first'" in problem.remedy
    other = {"=resin first": "filler first", "filler first": "'=resin first"}
    entries = {2: {**READINGS, "charging": other[study.planned(2)["charging"]]}}
    problem = only(refused(fill_csv(study, tmp_path / "a.csv", entries), study))
    assert "the plan has" in problem.problem
    assert "achieved charging" in problem.remedy


# ---- round trips

texts = st.text(max_size=40) | st.sampled_from(HOSTILE) | st.text(
    st.sampled_from("='+-@\t\r\n ,;\"#_x0D"), max_size=8)


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(texts, st.sampled_from([("a.csv", "."), ("b.csv", ","), ("c.xlsx", ".")]))
def test_any_text_survives_the_round_trip(tmp_path, text, kind):
    name, decimal = kind
    study = recorded(text)
    path = tmp_path / name
    if name.endswith("csv"):
        write_csv(study, path, decimal=decimal, overwrite=True)
    else:
        write_xlsx(study, path, overwrite=True)
    record, = read_sheet(path, study)
    said = text if text.strip() else ""
    assert (record.operator, record.remark) == (said, said)


@settings(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.floats(0, 100), st.sampled_from([("a.csv", "."), ("b.csv", ","), ("c.xlsx", ".")]))
def test_a_recorded_reading_comes_back(tmp_path, value, kind):
    name, decimal = kind
    done = recorded("x")
    record, = done.records
    study = Study(done.brief, done.plan, (record.__class__(
        **{**record.__dict__, "measurements": {"voids": value}}),))
    path = tmp_path / name
    if name.endswith("csv"):
        write_csv(study, path, decimal=decimal, overwrite=True)
    else:
        write_xlsx(study, path, overwrite=True)
    back, = read_sheet(path, study, decimal=decimal)
    # Workbooks are written to 16 digits; spreadsheets keep 15 of them.
    close = value if name.endswith("csv") else pytest.approx(value, rel=1e-14, abs=0)
    assert back.measurements == {"voids": close}


# ---- cells that are refused

@pytest.mark.parametrize(("heading", "text", "said", "remedy"), [
    (VOIDS, "0.5 mm", "the unit 'mm' is not the column's, '%'", "nothing is converted"),
    (VOIDS, "<0.5", "the detection limit is 0.02 %", "'<0.02'"),
    (LUMP, "<5", "needs a detection limit", "detection limit"),
    (VOIDS, "<0", "no reading can lie below 0 %", "detection limit"),
    (VOIDS, "<-1", "a reading can only be from 0 to 100 %", "widen 'possible'"),
    (VOIDS, "1_000", "not a number", "12.5"),
    (VOIDS, "٣", "not a number", "12.5"),
    (VOIDS, "0x1F", "not a number", "12.5"),
    (VOIDS, "TRUE", "not a number", "12.5"),
    (VOIDS, "1e999", "not a finite number", "leave the cell empty"),
    (LUMP, "1e300", "no measurement is as large", "exponent"),
    (VOIDS, "1e99", "only be from 0 to 100 %", "widen 'possible'"),
    (VOIDS, "1 234,5", "only be from 0 to 100 %", "widen 'possible'"),
    (LUMP, ">200", "needs a detection limit", "reading itself"),
    (VOIDS, "150", "a reading can only be from 0 to 100 %", "widen 'possible'"),
    (LUMP, "-3", "a reading can only be at least 0 µm", "unit"),
    (VOIDS, "3-Feb", "this is a date", "Format the cell as a number"),
    (VOIDS, "NaN", "not a finite number", "leave the cell empty"),
    (VOIDS, "inf", "not a finite number", "leave the cell empty"),
    (VOIDS, "#DIV/0!", "could not calculate", "enter the value"),
    (VOIDS, "some", "not a number", "12.5"),
    ("achieved revolution (rpm)", "12000", "only be from 0 to 1980 rpm", "unit"),
    ("achieved time (s)", "ten", "not a number", "12.5"),
    ("status", "planned", "not one of the choices", "'done' or 'set aside'"),
    ("status", "finished", "not one of the choices", "'done' or 'set aside'"),
    ("run at (YYYY-MM-DD HH:MM)", "03/01/2026 14:30", "one way only", "2027-03-01 14:30"),
    ("run at (YYYY-MM-DD HH:MM)", "2126-03-01 14:30", "lies in the future", "date"),
    ("run", "25", "the plan has no such run", "from 1 to 6"),
    ("run", "2.5", "not a whole number", "whole number"),
    ("run", "", "no run number", "Enter the run"),
    ("attempt", "0", "must be from 1 to 999", "Restore"),
    ("attempt", "1e30", "must be from 1 to 999", "Restore"),
    ("revolution (rpm)", "1234", "the plan has", "achieved revolution (rpm)"),
    ("rotation (rpm)", "1", "the plan has", "remark"),
    ("counterbalance (g)", "170", "the plan has 155 g for run 2", "remark"),
    ("block", "2", "the plan has 1 for run 2", "remark"),
])
def test_a_cell_that_cannot_be_used_is_named(tmp_path, heading, text, said, remedy):
    clean = fill_csv(STUDY, tmp_path / "clean.csv", {2: READINGS})
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: {**READINGS, heading: text}})
    problem = only(refused(path))
    assert problem.row == row_of(clean, 2)
    assert problem.column == heading
    assert problem.value == text
    assert said in problem.problem
    assert remedy in problem.remedy


def test_all_problems_are_shown_together(tmp_path):
    entries = {1: {VOIDS: "some", LUMP: "-3"}, 2: READINGS, 4: {"remark": "leaked"},
               6: {"status": "void", VOIDS: "0.3"}}
    error = refused(fill_csv(STUDY, tmp_path / "a.csv", entries))
    assert [(p.column, p.value) for p in error.problems] == [
        (VOIDS, "some"), (LUMP, "-3"), ("status", ""), ("remark", "")]
    assert [p.row for p in error.problems] == sorted(p.row for p in error.problems)
    assert error.table[["row", "column"]].to_numpy().tolist() == [
        [p.row, p.column] for p in error.problems]
    text = str(error)
    assert "nothing was imported; 4 problems" in text
    assert all(p.remedy in text for p in error.problems)
    assert isinstance(error, InputError)


def test_a_long_list_of_problems_is_cut_in_words_but_not_in_the_table(tmp_path):
    study = small_study(runs=60)
    error = refused(fill_csv(study, tmp_path / "a.csv", {r: {VOIDS: "x"} for r in range(1, 61)}),
                    study)
    assert len(error.table) == 60
    assert "and 20 more" in str(error)


def test_a_text_that_is_no_reading_does_not_count_as_one(tmp_path):
    problem = only(refused(fill_csv(STUDY, tmp_path / "a.csv", {2: {VOIDS: "n/a"}})))
    assert problem.column == "status"
    assert "not clear whether it was made" in problem.problem
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: {VOIDS: "n/a", "status": "Done"}})
    assert read_sheet(path, STUDY)[0].measurements == {}


def test_minus_zero_is_zero(tmp_path):
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: {VOIDS: "-0", LUMP: "-0.00", HEAT: "−0 °C"}})
    assert [str(v) for v in read_sheet(path, STUDY)[0].measurements.values()] == ["0.0"] * 3


def test_a_file_that_says_it_is_unicode_and_is_not_is_refused(tmp_path):
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: {**READINGS, "operator": "M?ller"}})
    path.write_bytes(path.read_bytes().replace(b"M?ller", b"M\xfcller"))
    assert "is no text in UTF-8" in only(refused(path)).problem


# ---- decimal marks and thousands

def test_an_ambiguous_number_takes_the_mark_of_the_file(tmp_path):
    for decimal, text, value in [(".", "1.234", 1.234), (".", "1,234", 1234),
                                 (",", "1,234", 1.234), (",", "1.234", 1234)]:
        path = fill_csv(STUDY, tmp_path / "a.csv", {2: {LUMP: text}}, decimal=decimal)
        assert read_sheet(path, STUDY)[0].measurements == {"coarsest_lump": value}


def test_an_ambiguous_number_is_refused_where_the_file_shows_no_mark(tmp_path):
    path = tmp_path / "export.csv"
    path.write_text("run,coarsest lump (µm)\n3,1.234\n4,2.345\n")
    error = refused(path, unmarked=True)
    assert [p.row for p in error.problems] == [2, 3]
    problem = error.problems[0]
    assert (problem.column, problem.value) == (LUMP, "1.234")
    assert "1.234 with a decimal point, but 1234 with a decimal comma" in problem.problem
    assert "1.2340" in problem.remedy
    records = read_sheet(path, STUDY, unmarked=True, decimal=".")
    assert records[0].measurements == {"coarsest_lump": 1.234}
    path.write_text("run,coarsest lump (µm)\n3,1.2340\n4,2.345\n")
    assert read_sheet(path, STUDY, unmarked=True)[1].measurements == {"coarsest_lump": 2.345}


def test_an_ambiguous_number_is_refused_where_the_file_mixes_marks(tmp_path):
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {LUMP: "12,5"}, 2: {LUMP: "1.234"}})
    problem = only(refused(path))
    assert problem.value == "1.234"
    assert "mixes decimal points" in problem.problem


def test_the_decimal_mark_can_be_stated():
    with pytest.raises(InputError, match="decimal"):
        read_sheet("x.csv", STUDY, decimal="point")


def test_a_decimal_comma_loose_in_a_comma_separated_line_is_refused(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("run,coarsest lump (µm)\n3,35,5\n")
    problem = only(refused(path, unmarked=True))
    assert "no heading" in problem.problem
    assert "decimal comma" in problem.remedy


# ---- headings

@pytest.mark.parametrize(("heading", "said"), [
    ("voids (ppm)", "its unit is not the study's, 'voids (%)'"),
    ("voids", "its unit is not the study's, 'voids (%)'"),
    ("voids (% by volume)", "its unit is not the study's"),
    ("viods (%)", "no such column"), ("gloss", "no such column")])
def test_another_unit_or_an_unknown_column_is_refused(tmp_path, heading, said):
    def rename(rows):
        at = heading_row(rows)
        rows[at][rows[at].index(VOIDS)] = heading

    problem = only(refused(fill_csv(STUDY, tmp_path / "a.csv", {2: READINGS}, also=rename)))
    assert problem.column == heading
    assert said in problem.problem
    if heading.startswith("viods"):
        assert "'voids (%)'" in problem.remedy


def test_fahrenheit_is_not_taken_for_celsius(tmp_path):
    def rename(rows):
        at = heading_row(rows)
        rows[at][rows[at].index(HEAT)] = "end temperature (°F)"

    problem = only(refused(fill_csv(STUDY, tmp_path / "a.csv", {2: READINGS}, also=rename)))
    assert "'end temperature (°C)'" in problem.problem
    assert "nothing is converted" in problem.remedy


def test_units_in_headings_keep_their_case(tmp_path):
    study = with_responses(Response("viscosity", "mPa·s"))
    path = tmp_path / "a.csv"
    path.write_text("Run,VISCOSITY (mPa s)\n1,12\n")
    assert read_sheet(path, study, unmarked=True)[0].measurements == {"viscosity": 12}
    path.write_text("run,viscosity (MPa·s)\n1,12\n")
    assert "unit is not the study's" in only(refused(path, study, unmarked=True)).problem


def test_a_title_cannot_pass_for_a_mark(tmp_path):
    study = small_study(title="sheet mark: 6-0123456789abcdef")
    assert read_sheet(fill_csv(study, tmp_path / "a.csv", {1: READINGS}), study)
    long = fill_csv(STUDY, tmp_path / "b.csv", {1: READINGS}, also=lambda rows: [
        row.__setitem__(0, "# sheet mark: " + "9" * 5000) for row in rows if "mark" in row[0]])
    assert "another study" in only(refused(long)).problem


def test_a_column_twice_is_refused(tmp_path):
    def twice(rows):
        at = heading_row(rows)
        rows[at].append(VOIDS)
        rows[at + 2].append("0.5")

    problem = only(refused(fill_csv(STUDY, tmp_path / "a.csv", {2: READINGS}, also=twice)))
    assert "second column 'voids (%)'" in problem.problem


# ---- attempts

def test_a_run_in_two_rows_needs_attempts(tmp_path):
    def again(rows):
        at = heading_row(rows)
        rows.insert(len(rows) - 1, list(rows[at + 2]))

    path = fill_csv(STUDY, tmp_path / "a.csv", {2: READINGS}, also=again)
    error = refused(path)
    assert [p.column for p in error.problems] == ["attempt", "attempt"]
    assert "run 2 stands in rows" in error.problems[0].problem
    assert "'set aside' in status" in error.problems[0].remedy


@pytest.mark.parametrize("numbers", [("1", "2"), ("", "")])
def test_a_void_attempt_and_the_next_one(tmp_path, numbers):
    def again(rows):
        at = heading_row(rows)
        head, first = rows[at], rows[at + 2]
        second = list(first)
        first[head.index("status")], first[head.index("remark")] = "void", "imbalance"
        first[head.index("attempt")], second[head.index("attempt")] = numbers
        rows.insert(len(rows) - 1, second)

    path = fill_csv(STUDY, tmp_path / "a.csv", {2: READINGS}, also=again)
    void, done = read_sheet(path, STUDY)
    assert (void.attempt, void.status, void.reason, void.remark) == (1, "void", "imbalance", "")
    assert void.measurements == VALUES
    assert (done.attempt, done.status) == (2, "done")


# ---- whole files

def test_a_sheet_of_another_study_is_refused(tmp_path):
    other = small_study(title="Another adhesive")
    path = fill_csv(other, tmp_path / "a.csv", {2: READINGS})
    problem = only(refused(path))
    assert "another study or another plan" in problem.problem
    assert problem.row is None
    assert "another study" in str(refused(path, unmarked=True))
    path = fill_xlsx(other, tmp_path / "a.xlsx", {2: {VOIDS: 0.4}})
    assert "another study" in only(refused(path)).problem


def test_a_file_cut_in_half_is_refused_wherever_it_was_cut(tmp_path):
    path = fill_csv(STUDY, tmp_path / "a.csv", {
        r: {**READINGS, "remark": "two\nlines"} for r in range(1, 7)})
    whole = path.read_bytes()
    for end in range(1, len(whole) - 16, 211):
        path.write_bytes(whole[:end])
        assert len(refused(path).problems) == 1
    book = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: 0.4}})
    whole = book.read_bytes()
    for share in (0.1, 0.5, 0.9, 0.999):
        book.write_bytes(whole[:int(share * len(whole))])
        assert "damaged, cut short" in only(refused(book)).problem


@pytest.mark.parametrize(("name", "data", "said"), [
    ("a.csv", b"", "the file is empty"), ("a.csv", b" \r\n", "the file is empty"),
    ("a.xlsx", b"run,voids\n1,2\n", "is no workbook"), ("a.csv", b"PK\x03\x04xx", "is a workbook"),
    ("a.xlsx", b"\xd0\xcf\x11\xe0" + b"\0" * 99, "old format"),
    ("a.xlsx", b"PK\x03\x04" + b"\0" * 99, "damaged, cut short"),
    ("a.csv", b"temperature,pressure\n1,2\n", "no row of headings"),
    ("a.csv", b"\x81\x8d\x8f\x90\xff", "is no text"),
    ("a.csv", b"run,voids\n" + b"1," + b"x" * 200_000, "stray quotation mark"),
])
def test_a_file_that_is_no_run_sheet_gives_one_clear_error(tmp_path, name, data, said):
    path = tmp_path / name
    path.write_bytes(data)
    problem = only(refused(path))
    assert said in problem.problem
    assert problem.remedy


def test_a_missing_or_huge_file_gives_one_clear_error(tmp_path):
    assert "cannot be opened" in only(refused(tmp_path / "none.csv")).problem
    path = tmp_path / "huge.csv"
    with path.open("wb") as file:
        file.truncate(65 * 2**20)
    assert "65 MB, more than the 64 MB" in only(refused(path)).problem


# ---- cells that only workbooks have

def test_a_percentage_is_read_only_where_the_unit_is_percent(tmp_path):
    def percent(sheet):
        for heading in (VOIDS, LUMP):
            cell_of(sheet, 2, heading).number_format = "0%"

    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: 0.05}}, also=percent)
    assert read_sheet(path, STUDY)[0].measurements == {"voids": 5}
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {LUMP: 0.05}}, also=percent)
    problem = only(refused(path))
    assert problem.value == "5%"
    assert "formatted as a percentage" in problem.problem


def test_a_percent_sign_that_is_only_shown_does_not_scale(tmp_path):
    for shape in ('0.00" %"', "0.00\\%"):
        path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: 0.05}}, also=lambda sheet, f=shape:
                         setattr(cell_of(sheet, 2, VOIDS), "number_format", f))
        assert read_sheet(path, STUDY)[0].measurements == {"voids": 0.05}


@pytest.mark.parametrize(("value", "said"), [
    (dt.datetime(2026, 2, 3), "holds a date"), (dt.date(2026, 2, 3), "holds a date"),
    (dt.time(3, 2), "holds a date"), (True, "true or false"), ("=A1+1", "never calculated"),
    ("#N/A", "could not calculate"), ("3-Feb", "this is a date")])
def test_cells_that_are_no_numbers_are_refused(tmp_path, value, said):
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: value, LUMP: 35.5}})
    problem = only(refused(path))
    assert problem.column == VOIDS
    assert said in problem.problem


def test_a_calculated_formula_counts_with_its_value(tmp_path):
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {LUMP: "=30+5.5"}})
    # openpyxl does not calculate; a spreadsheet would have left the value beside the formula.
    parts = {}
    with zipfile.ZipFile(path) as archive:
        parts = {n: archive.read(n) for n in archive.namelist()}
    name = "xl/worksheets/sheet1.xml"
    parts[name] = parts[name].replace(b"<f>30+5.5</f><v></v>", b"<f>30+5.5</f><v>35.5</v>").replace(
        b"<f>30+5.5</f><v/>", b"<f>30+5.5</f><v>35.5</v>").replace(
        b"<f>30+5.5</f><v />", b"<f>30+5.5</f><v>35.5</v>")
    assert b"<v>35.5</v>" in parts[name]
    with zipfile.ZipFile(path, "w") as archive:
        for part, data in parts.items():
            archive.writestr(part, data)
    assert read_sheet(path, STUDY)[0].measurements == {"coarsest_lump": 35.5}


def test_merged_readings_and_a_second_sheet_of_runs_are_refused(tmp_path):
    def merge(sheet):
        first = cell_of(sheet, 2, VOIDS)
        sheet.merge_cells(start_row=first.row, end_row=first.row + 1, start_column=first.column,
                          end_column=first.column)

    error = refused(fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: 0.4}}, also=merge))
    assert len(error.problems) == 2
    assert all("merged" in p.problem for p in error.problems)
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {}, also=lambda sheet:
                     sheet.parent.copy_worksheet(sheet))
    assert "several worksheets hold runs" in only(refused(path)).problem


def test_spare_rows_of_a_workbook_take_further_attempts(tmp_path):
    def spare(sheet):
        row = cell_of(sheet, 6, "run").row + 1
        for heading, value in (("run", 2), ("attempt", 2), (VOIDS, 0.5)):
            sheet.cell(row, cell_of(sheet, 6, heading).column).value = value

    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {
        2: {"status": "void", "remark": "imbalance"}}, also=spare)
    assert [(r.run, r.attempt, r.status) for r in read_sheet(path, STUDY)] == [
        (2, 1, "void"), (2, 2, "done")]


def test_counts_are_whole_and_hostile_labels_are_still_found(tmp_path):
    study = with_responses(Response("lumps", kind="count"), Response("x", "g", label="=1+1"))
    path = fill_csv(study, tmp_path / "a.csv", {1: {"lumps": "3", "'=1+1 (g)": "2.5"}})
    assert read_sheet(path, study)[0].measurements == {"lumps": 3, "x": 2.5}
    path = fill_csv(study, tmp_path / "a.csv", {1: {"lumps": "3.5"}})
    assert "whole number" in only(refused(path, study)).problem


GRADED = Response("look", kind="ordinal", grades=("streaky", "fair", "Very good"))
PASSED = Response("passed", kind="proportion", trials=20)


@pytest.mark.parametrize(("text", "number"), [("2", 2), ("fair", 2), (" very GOOD ", 3)])
def test_a_grade_is_read_by_its_number_or_its_name(tmp_path, text, number):
    study = with_responses(GRADED)
    path = fill_csv(study, tmp_path / "a.csv", {1: {"look": text}})
    assert read_sheet(path, study)[0].measurements == {"look": number}


@pytest.mark.parametrize(("response", "text", "said", "remedy"), [
    (GRADED, "2.5", "not a whole number", "whole number"),
    (GRADED, "4", "from 1 to 3", "reading"),
    (PASSED, "0.93", "of 20 tried, no whole number makes this share", "0.9 and 0.95"),
    (PASSED, "95", "between 0 and 1", "unit = '%'"),
])
def test_what_no_grade_or_share_can_be_is_refused_at_entry(tmp_path, response, text, said, remedy):
    """Else the fit would refuse it when all runs are done."""
    study = with_responses(response)
    path = fill_csv(study, tmp_path / "a.csv", {1: {response.name: text}})
    problem = only(refused(path, study))
    assert said in problem.problem
    assert remedy in problem.remedy

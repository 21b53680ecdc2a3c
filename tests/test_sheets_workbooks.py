"""Workbooks from anywhere: read within limits, and numbers as their formats show them."""

from __future__ import annotations

import datetime as dt
import random
import zipfile

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sheet_cases import (
    RUNS_PART,
    cell_of,
    fill_xlsx,
    parts_of,
    with_responses,
    write_parts,
)
from test_sheets_read import HEAT, LUMP, STUDY, VOIDS, only, refused

from doe.responses import Response
from doe.sheets import grid, read_sheet
from doe.sheets.read import read_entries
from doe.sheets.xlsx import book, cells, package
from doe.sheets.xlsx.book import escape_xml, unescape_xml
from doe.sheets.xlsx.cells import read_worksheets
from doe.sheets.xlsx.number_formats import Look, look_of

MAIN = b'xmlns="http://schemas.openxmlformats.org/spreadsheetml/2006/main"'
STRINGS = (b'<Relationship Id="rId9" Target="sharedStrings.xml" Type="http://schemas.openxmlformats'
           b'.org/officeDocument/2006/relationships/sharedStrings"/></Relationships>')
RELATIONS = "xl/_rels/workbook.xml.rels"


@pytest.fixture(scope="module")
def base(tmp_path_factory):
    """The parts of a sheet with two readings."""
    return parts_of(fill_xlsx(STUDY, tmp_path_factory.mktemp("base") / "a.xlsx",
                              {2: {VOIDS: 0.41, LUMP: 35.5}}))


def with_rows(parts, rows: bytes):
    """The parts with more rows below the last."""
    sheet = parts[RUNS_PART].replace(b"</sheetData>", rows + b"</sheetData>")
    return {**parts, RUNS_PART: sheet}


def with_merged(parts, reference: bytes):
    sheet = parts[RUNS_PART].replace(b"<mergeCell ", b'<mergeCell ref="' + reference
                                     + b'"/><mergeCell ', 1)
    return {**parts, RUNS_PART: sheet}


def with_cell(parts, old: bytes, new: bytes):
    assert parts[RUNS_PART].count(old) == 1
    return {**parts, RUNS_PART: parts[RUNS_PART].replace(old, new)}


READING = b"<v>0.41</v></c>"


# ---- limits

def test_a_merged_range_to_the_last_cell_costs_nothing(tmp_path, base):
    """A general reader would lay out 16 000 000 000 cells."""
    path = write_parts(tmp_path / "a.xlsx", with_merged(base, b"A60:XFD1048576"))
    assert read_sheet(path, STUDY)[0].measurements == {"voids": 0.41, "coarsest_lump": 35.5}
    path = write_parts(tmp_path / "a.xlsx", with_merged(base, b"A10:XFD1048576"))
    error = refused(path)
    assert len(error.problems) == 5 * 22
    assert not [p for p in error.problems if "merged" not in p.problem]


def noise(count: int) -> bytes:
    """Text that does not pack."""
    return random.Random(1).randbytes(count // 2).hex().encode()


ROW = b'<row r="100">%s</row>'
TEXT = b'<c r="A100" t="inlineStr"><is><t>%s</t></is></c>'


@pytest.mark.parametrize(("change", "limits", "said"), [
    (lambda p: {**p, **{f"x/{i}": b"" for i in range(1001)}}, {}, "parts, more than the 1000"),
    (lambda p: {**p, "XL/workbook.xml": b"<a/>"}, {}, "2 parts of the name 'xl/workbook.xml'"),
    (lambda p: {**p, "xl/../../a.xml": b"<a/>"}, {}, "leads out of it"),
    (lambda p: {**p, "C:\\a.xml": b"<a/>"}, {}, "leads out of it"),
    (lambda p: with_rows(p, b" " * 2**23), {}, "unpacks to 8 MB, more than 200 times its size"),
    (lambda p: with_rows(p, noise(2**20)), {"LARGEST_UNPACKED": 2**20},
     "unpacked, the workbook has 1 MB, more than the 1 MB"),
    (lambda p: with_rows(p, ROW % (b"<x/>" * 2000)), {"MOST_ELEMENTS": 2000},
     "more than 2 000 elements"),
    (lambda p: with_rows(p, b"<x>" * 30_000), {}, "is not what a spreadsheet writes"),
    (lambda p: with_rows(p, ROW % b"".join(b"<x%d/>" % i for i in range(5000))), {},
     "is not what a spreadsheet writes"),
    (lambda p: with_rows(p, b"<!--" + noise(2**20) + b"-->"), {},
     "is not what a spreadsheet writes"),
    (lambda p: with_rows(p, ROW % (TEXT % noise(2**19))), {},
     "A100 of the worksheet 'Runs' holds more than the 32767 characters"),
    (lambda p: {**p, RUNS_PART: b'<!DOCTYPE x [<!ENTITY a "b">]>' + p[RUNS_PART]}, {},
     "declares a document type"),
    (lambda p: {**p, "xl/workbook.xml": b"<!DOCTYPE x>" + p["xl/workbook.xml"]}, {},
     "declares a document type"),
    (lambda p: with_rows(p, ROW % b'<c r="SG100"><v>1</v></c>'), {},
     "'Runs' reaches to cell SG100, past row 20000 or column 500"),
    (lambda p: with_rows(p, b'<row r="900000"><c r="B900000"><v>1</v></c></row>'), {},
     "'Runs' reaches to cell B900000"),
    (lambda p: p, {"MOST_CELLS": 100}, "more than 100 cells, empty ones"),
    (lambda p: with_merged(p, b"A10:B11"), {"MOST_MERGED": 3}, "more than 3 merged ranges"),
    (lambda p: with_merged(with_merged(p, b"A9:XFD1048576"), b"A9:XFD1048576"),
     {"MOST_MERGED_CELLS": 200}, "cover each other"),
    (lambda p: p, {"MOST_STYLES": 5}, "more than 5 formats"),
    (lambda p: p, {"MOST_WORKSHEETS": 2}, "3 worksheets, more than the 2"),
])
def test_what_no_run_sheet_needs_is_refused_by_the_name_of_the_limit(tmp_path, monkeypatch, base,
                                                                    change, limits, said):
    for name, value in limits.items():
        home = next(m for m in (package, book, cells) if hasattr(m, name))
        monkeypatch.setattr(home, name, value)
    path = write_parts(tmp_path / "a.xlsx", change(base))
    problem = only(refused(path))
    assert said in problem.problem
    assert problem.remedy
    assert path.stat().st_size < 2**20


def test_two_parts_of_one_name_are_refused(tmp_path, base):
    path = write_parts(tmp_path / "a.xlsx", base)
    with pytest.warns(UserWarning, match="Duplicate"), zipfile.ZipFile(path, "a") as archive:
        archive.writestr(RUNS_PART, base[RUNS_PART].replace(READING, b"<v>0.14</v></c>"))
    assert "2 parts of the name" in only(refused(path)).problem


def test_a_part_that_is_longer_than_it_says_is_damaged(tmp_path, base):
    path = write_parts(tmp_path / "a.xlsx", base)
    with zipfile.ZipFile(path) as archive:
        size = archive.getinfo(RUNS_PART).file_size
    said = size.to_bytes(4, "little")
    assert path.read_bytes().count(said) == 2
    path.write_bytes(path.read_bytes().replace(said, (size // 2).to_bytes(4, "little")))
    assert "damaged" in only(refused(path)).problem


@pytest.mark.parametrize("packing", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA])
def test_parts_that_unpack_without_a_limit_are_not_opened(tmp_path, base, packing):
    path = tmp_path / "a.xlsx"
    with zipfile.ZipFile(path, "w", packing) as archive:
        for name, data in base.items():
            archive.writestr(name, data)
    assert "damaged" in only(refused(path)).problem


def test_empty_rows_far_below_do_no_harm(tmp_path, base):
    """Some spreadsheets end a worksheet with a row of formats at its very end."""
    path = write_parts(tmp_path / "a.xlsx", with_rows(
        base, b'<row r="1048576"><c r="A1048576" s="1"/></row>'))
    assert len(read_sheet(path, STUDY)) == 1


def test_a_long_worksheet_beside_the_runs_is_not_read_to_its_end(tmp_path, base):
    other = b"".join(b'<row r="%d"><c r="A%d"><v>1</v></c></row>' % (i, i)
                     for i in range(1, 200_000))
    path = write_parts(tmp_path / "a.xlsx", {
        **base, "xl/worksheets/sheet2.xml":
            b"<worksheet %s><sheetData>%s</sheetData></worksheet>" % (MAIN, other)})
    assert len(read_sheet(path, STUDY)) == 1


@pytest.mark.parametrize(("text", "said"), [
    (b"run,x\n" + b"," * 3_000_001, "more than 3 million cells"),
    (b"run,x\n" + b"\n" * 1_000_001, "1 million lines"),
    (b"run,x\n1" + b"," * 600, "row 2 has 601 cells, more than the 500"),
    (b"run,x\n" + b"1,2\n" * 201_000, "more than 200000 rows"),
])
def test_a_text_too_large_for_a_run_sheet_is_refused_before_it_is_parted(tmp_path, text, said):
    path = tmp_path / "a.csv"
    path.write_bytes(text)
    assert said in only(refused(path, unmarked=True)).problem


def test_a_text_of_a_size_that_no_sheet_has_is_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(grid, "LARGEST_TEXT", 2**20)
    path = tmp_path / "a.csv"
    path.write_bytes(b"run,x\n" + b"1,2\n" * 2**19)
    assert "2 MB, more than the 1 MB" in only(refused(path, unmarked=True)).problem


def test_problems_without_end_are_not_listed_without_end(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("run,coarsest lump (µm)\n" + "".join(f"1,x{i}\n" for i in range(9000)), "utf-8")
    problems = refused(path, unmarked=True).problems
    assert len(problems) == 5001
    assert "the rest of the sheet was not read" in problems[-1].problem


# ---- the cells, against a reader of general use

@settings(max_examples=25, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.lists(st.none() | st.floats(allow_nan=False, allow_infinity=False)
                         | st.integers(-10**9, 10**9) | st.text(st.characters(
                             min_codepoint=32, exclude_categories=["Cs"]), max_size=9),
                         min_size=1, max_size=6), min_size=1, max_size=6))
def test_cells_are_those_that_openpyxl_reads(tmp_path, table):
    made = openpyxl.Workbook()
    for i, row in enumerate([["run", "x"], *table], 1):
        for j, value in enumerate(row, 1):
            if isinstance(value, str):
                made.active.cell(i, j).value = escape_xml(value)
                made.active.cell(i, j).data_type = "s"
            else:
                made.active.cell(i, j).value = value
    path = tmp_path / "a.xlsx"
    made.save(path)
    sheet, = read_worksheets(path.read_bytes(), 5, lambda row: True)
    theirs = {(c.row, c.column): unescape_xml(c.value) if isinstance(c.value, str)
              else c.value for row in openpyxl.load_workbook(path).active.iter_rows() for c in row
              if c.value not in (None, "")}
    assert {(i, j): v for i, row in sheet.rows.items() for j, v in row.items()} == theirs


def test_shared_texts_are_read_without_their_spelling(tmp_path, base):
    strings = (b"<sst %s><si><t>no</t></si><si><r><t>R. </t></r><r><t>Ito</t></r>"
               b"<rPh><t>x</t></rPh></si></sst>" % MAIN)
    parts = {**base, "xl/sharedStrings.xml": strings,
             RELATIONS: base[RELATIONS].replace(b"</Relationships>", STRINGS)}
    row = cell_of(openpyxl.load_workbook(write_parts(tmp_path / "a.xlsx", base))["Runs"], 2,
                  "operator")
    where = row.coordinate.encode()
    start = parts[RUNS_PART].index(b'<c r="%s"' % where)
    end = parts[RUNS_PART].index(b"/>", start) + 2
    whole = parts[RUNS_PART]
    for index, said in ((1, None), (2, "damaged")):
        parts[RUNS_PART] = (whole[:start] + b'<c r="%s" t="s"><v>%d</v></c>' % (where, index)
                            + whole[end:])
        path = write_parts(tmp_path / "a.xlsx", parts)
        if said:
            assert said in only(refused(path)).problem
        else:
            assert read_sheet(path, STUDY)[0].operator == "R. Ito"


@pytest.mark.parametrize(("cell", "value"), [
    (b'<c r="%s"><f>1-1</f><v>0</v></c>', 0.0),
    (b'<c r="%s" t="str"><f>IF(1,"","")</f><v></v></c>', None),
    (b'<c r="%s" t="str"><f>IF(1,"","")</f><v/></c>', None),
    (b'<c r="%s"><v>1e-300</v></c>', 1e-300),
    (b'<c r="%s"><v>-0</v></c>', 0.0),
    (b'<c r="%s"/>', None),
    (b'<c r="%s"><v/></c>', None),
])
def test_a_cell_counts_with_the_value_that_is_kept_in_it(tmp_path, base, cell, value):
    record, = read_sheet(with_reading(tmp_path, base, cell), STUDY)
    assert record.measurements.get("voids") == value
    assert str(record.measurements.get("voids")) == str(value)


@pytest.mark.parametrize(("cell", "said"), [
    (b'<c r="%s"><f>1-1</f></c>', "never calculated"),
    (b'<c r="%s"><f>1-1</f><v/></c>', "never calculated"),
    (b'<c r="%s" t="str"><f>1-1</f></c>', "never calculated"),
    (b'<c r="%s" t="e"><f>1/0</f><v>#DIV/0!</v></c>', "could not calculate"),
    (b'<c r="%s" t="b"><v>1</v></c>', "true or false"),
    (b'<c r="%s" t="d"><v>2026-02-03</v></c>', "holds a date"),
    (b'<c r="%s"><v>1_000</v></c>', "not a number as workbooks hold it"),
    ('<c r="%s"><v>٣</v></c>'.encode(), "not a number as workbooks hold it"),
    (b'<c r="%s"><v>0x10</v></c>', "not a number as workbooks hold it"),
    (b'<c r="%s"><v>nan</v></c>', "not a number as workbooks hold it"),
    (b'<c r="%s"><v>1,5</v></c>', "not a number as workbooks hold it"),
    (b'<c r="%s"><v>1e999</v></c>', "not a finite number"),
    (b'<c r="%s"><v>1e300</v></c>', "no measurement is as large"),
    (b'<c r="%s" t="n" s="9999"><v>1</v></c>', "damaged"),
    (b'<c r="A1"><v>1</v></c>', "damaged"),
    (b'<c r="%s"><v>4<x>5</x>6</v></c>', "damaged"),
    (b'<c r="%s"><v>4</v><v>5</v></c>', "damaged"),
])
def test_a_cell_that_is_no_reading_is_refused(tmp_path, base, cell, said):
    assert said in only(refused(with_reading(tmp_path, base, cell))).problem


def with_reading(tmp_path, base, cell: bytes):
    sheet = base[RUNS_PART]
    end = sheet.index(READING) + len(READING)
    start = sheet.rindex(b"<c ", 0, end)
    where = sheet[start:].split(b'"')[1]
    return write_parts(tmp_path / "a.xlsx", {**base, RUNS_PART: sheet[:start] + (
        cell % where if b"%s" in cell else cell) + sheet[end:]})


# ---- number formats; what they show is what spreadsheets showed (from memory)

@pytest.mark.parametrize(("code", "value", "look"), [
    ("General", 5, Look()), ("0.00", 5, Look()), ("#,##0.00", -5, Look()), ("@", 5, Look()),
    ("0.00E+00", 5, Look()), ("##0.0E+0", 5, Look()), ("# ?/?", 0.5, Look()), ("", 5, Look()),
    ("0.0;[Red]0.0", -5, Look()), ("[Red]-0.0;0.0", -5, Look()), ("0;(0)", -5, Look()),
    ("+0.0;-0.0", 5, Look()), ("#\\ ##0.0", 5, Look()), ("# ##0", 5, Look()),
    ('0.00" mm"', 0.04, Look(after=" mm")), ('0.0\\ "kPa"', 5, Look(after=" kPa")),
    ('#,##0.00 "µm"', 5, Look(after=" µm")), ("0.00\\ \\m\\m", 5, Look(after=" mm")),
    ("#,##0.00\\ [$€-407]", 5, Look(after=" €")), ("[$-409]0.0", 5, Look()),
    ('"<"0.00', 5, Look(before="<")), ('General" mm"', 5, Look(after=" mm")),
    ('_-* #,##0.00\\ "mm"_-;\\-* #,##0.00\\ "mm"_-', -5, Look(after=" mm ")),
    ("0%", 0.5, Look("percent")), ('0.0" %"', 5, Look(after=" %")), ("0\\%", 5, Look(after="%")),
    ('[<1]0.000" mm";0" µm"', 0.5, Look(after=" mm")),
    ('[<1]0.000" mm";0" µm"', 5, Look(after=" µm")),
    ("yyyy-mm-dd", 5, Look("date")), ("[h]:mm", 5, Look("date")), ("0.0;d/m/yy", -5, Look("date")),
    ('0.0" days"', 5, Look(after=" days")), ('0.0"; d"', 5, Look(after="; d")),
    ("0,", 5000, Look("other")), ("#,##0.0,,", 5, Look("other")), ("0,.0", 5, Look("other")),
    (";;;", 5, Look("other")), ("0;-0;;@", 0, Look("other")), ('0.0;;"n.d."', 0, Look("other")),
    ("0\\.0", 5, Look("other")), ('0" h "00', 5, Look("other")), ("0%%", 5, Look("other")),
])
def test_a_number_format_is_understood_as_what_it_shows(code, value, look):
    assert look_of(code, value) == look


def shown_as(tmp_path, study, heading: str, value: object, code: str):
    return fill_xlsx(study, tmp_path / "a.xlsx", {2: {heading: value}}, also=lambda sheet: setattr(
        cell_of(sheet, 2, heading), "number_format", code))


@pytest.mark.parametrize(("heading", "code", "value", "number"), [
    (LUMP, '0.00" µm"', 35.5123, 35.5123), (LUMP, '#,##0.0 "um"', 35.5, 35.5),
    (LUMP, "0.00E+00", 35.5, 35.5), (VOIDS, "0.0%", 0.0041234, 0.41234),
    (VOIDS, '0.0" %"', 0.41, 0.41), (HEAT, "0.0\\ \\°\\C", 38.2, 38.2),
    (HEAT, "0;[Red]0", 38.24, 38.24),
])
def test_a_unit_that_the_format_shows_may_be_the_column_s(tmp_path, heading, code, value, number):
    record, = read_sheet(shown_as(tmp_path, STUDY, heading, value, code), STUDY)
    assert list(record.measurements.values()) == [number]


@pytest.mark.parametrize(("heading", "code", "value", "said", "seen"), [
    (LUMP, '0.00" mm"', 0.043, "the unit 'mm' is not the column's, 'µm'", "0.043 mm"),
    (LUMP, "0.00\\ \\m\\m", 0.043, "the unit 'mm' is not the column's, 'µm'", "0.043 mm"),
    (HEAT, '0.0" K"', 38.2, "the unit 'K' is not the column's, '°C'", "38.2 K"),
    (LUMP, "0.0%", 0.355, "formatted as a percentage, but the column's unit is 'µm'", "35.5%"),
    (LUMP, "0.0,", 35500, "shows something else", "35500"),
    (LUMP, "0;-0;;@", 0, "shows something else", "0"),
    (LUMP, '"ca. "0', 35, "formatted to show 'ca. 35'", "ca. 35"),
    (VOIDS, '"<"0.0', 0.5, "the detection limit is 0.02 %", "<0.5"),
    (VOIDS, '">"0.0', 0.01, "cannot be kept", ">0.01"),
    (VOIDS, "yyyy-mm-dd", 0.41, "holds a date", "09:50:24"),
    (VOIDS, "[h]:mm", 0.41, "holds a date", "09:50:24"),
])
def test_what_the_format_shows_is_refused_where_the_same_text_would_be(tmp_path, heading, code,
                                                                       value, said, seen):
    problem = only(refused(shown_as(tmp_path, STUDY, heading, value, code)))
    assert said in problem.problem
    assert (problem.column, problem.value) == (heading, seen)


def test_a_sign_in_the_format_is_a_sign(tmp_path):
    record, = read_sheet(shown_as(tmp_path, STUDY, VOIDS, 0.02, '"<"0.00'), STUDY)
    assert (record.measurements, record.qualifiers) == ({"voids": 0.02}, {"voids": "<"})


def test_a_share_may_be_written_as_a_percentage(tmp_path):
    study = with_responses(Response("passed", kind="proportion", trials=20))
    for value, code in ((0.95, "0%"), (95, '0" %"'), ("95 %", "General"), (0.95, "0.00")):
        record, = read_sheet(shown_as(tmp_path, study, "passed", value, code), study)
        assert record.measurements == {"passed": 0.95}


def test_a_number_in_a_column_of_texts_is_what_is_shown(tmp_path):
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {"remark": 7, VOIDS: 0.4}}, also=lambda s:
                     setattr(cell_of(s, 2, "remark"), "number_format", '0" bar"'))
    assert read_sheet(path, STUDY)[0].remark == "7 bar"


@pytest.mark.parametrize("epoch", ["WINDOWS_EPOCH", "MAC_EPOCH"])
def test_times_are_read_by_the_workbook_s_own_calendar(tmp_path, epoch):
    from openpyxl.utils import datetime as calendars

    heading = "run at (YYYY-MM-DD HH:MM)"
    moment = dt.datetime(2026, 3, 1, 14, 30)
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: 0.4}}, also=lambda sheet: (
        setattr(sheet.parent, "epoch", getattr(calendars, epoch)),
        setattr(cell_of(sheet, 2, heading), "value", moment)))
    record, = read_sheet(path, STUDY)
    assert record.time == moment.astimezone(dt.UTC).isoformat(timespec="seconds")


# ---- what people do to a worksheet

def test_hidden_and_filtered_rows_are_read_and_named(tmp_path):
    def hide(sheet):
        head = cell_of(sheet, 1, "run").row - 1
        sheet.auto_filter.ref = f"A{head}:V{head + 6}"
        sheet.row_dimensions[head + 2].hidden = True
        sheet.row_dimensions[head + 5].hidden = True

    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {r: {VOIDS: r / 10} for r in range(1, 7)},
                     also=hide)
    found = read_entries(path, STUDY)
    assert [r.measurements["voids"] for r in found.records] == [0.1, 0.2, 0.3, 0.4, 0.5, 0.6]
    remark, = found.remarks
    assert remark == ("2 rows of the worksheet, from row 10, are hidden or filtered out, and read "
                      "like the others.")


def test_rows_sorted_and_columns_moved_are_found_by_run_and_heading(tmp_path):
    def sort(sheet):
        head = cell_of(sheet, 1, "run").row - 1
        rows = [[c.value for c in row] for row in sheet.iter_rows(head, head + 6)]
        rows[1:] = sorted(rows[1:], key=lambda r: -r[0])
        for i, row in enumerate(rows, head):
            for j, value in enumerate(reversed(row), 1):
                sheet.cell(i, j).value = value
                sheet.cell(i, j).number_format = "General"

    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {r: {VOIDS: r / 10} for r in range(1, 7)},
                     also=sort)
    records = read_sheet(path, STUDY)
    assert [r.run for r in records] == [6, 5, 4, 3, 2, 1]
    assert all(r.measurements == {"voids": r.run / 10} for r in records)


def test_a_renamed_column_is_refused_by_its_name(tmp_path):
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {2: {VOIDS: 0.4}}, also=lambda sheet: setattr(
        sheet.cell(cell_of(sheet, 1, "run").row - 1, cell_of(sheet, 1, VOIDS).column), "value",
        "porosity (%)"))
    problem = only(refused(path))
    assert (problem.column, problem.row) == ("porosity (%)", 8)


def test_readings_sorted_apart_from_their_runs_are_refused(tmp_path):
    """Only the planned settings tell that the rows do not belong together any more."""
    def sort(sheet):
        first = cell_of(sheet, 1, "run")
        for i, run in enumerate((6, 5, 4, 3, 2, 1)):
            sheet.cell(first.row + i, first.column).value = run

    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {1: {VOIDS: 0.4}}, also=sort)
    assert any("the plan has" in p.problem for p in refused(path).problems)

"""Run sheets as files: what a person or a spreadsheet finds in them."""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
import zipfile
from dataclasses import replace
from html.parser import HTMLParser

import openpyxl
import pandas as pd
import pytest
from openpyxl.worksheet.datavalidation import DataValidation
from sheet_cases import cell_of, heading_row, small_study, with_responses
from study_cases import template_brief

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning import make_plan
from doe.records import Record
from doe.responses import Response
from doe.sheets import sheet_html, sheet_table, write_csv, write_sheet, write_xlsx
from doe.sheets.facts import sheet_mark
from doe.sheets.parsing import protect
from doe.sheets.write import table_csv
from doe.study import Study

HOSTILE = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1+1", "\r=1+1", "  =1+1", "＝1+1",
           '=HYPERLINK("http://x.invalid","y")', "=cmd|' /C calc'!A0",
           "fine;@SUM(1+1)|cmd", "a,=1+1", "a\t=1+1", "two\n=1+1", "a;\u00a0=1+1", "a|＝1"]
SCRIPT = "<script>alert(1)</script>"


def recorded(text: str, study=None):
    """A study in which operator and remark are `text`."""
    record = Record(1, 1, "done", {}, {"voids": 0.4}, "2026-03-01T10:00:00+00:00", text, text)
    return replace(study or small_study(), records=(record,))


def csv_rows(path, separator: str = ",") -> list[list[str]]:
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file, delimiter=separator))


# ---- CSV

def test_a_csv_sheet_has_comments_headings_and_a_row_a_run(tmp_path):
    study = small_study()
    path = write_csv(study, tmp_path / "sheet.csv")
    assert path.read_bytes().startswith(b"\xef\xbb\xbf")
    rows = csv_rows(path)
    at = heading_row(rows)
    comments = [row[0] for row in rows[:at]]
    assert all(len(row) == 1 and row[0].startswith("# ") for row in rows[:at])
    assert comments[0] == f"# Run sheet: {study.brief.title}"
    assert any("INVENTED" in c for c in comments)
    assert any(sheet_mark(study) in c for c in comments)
    assert any("Counterbalance: 155 g" in c for c in comments)
    assert any("Fineness of grind, ISO 1524" in c and "at most 40 µm" in c for c in comments)
    assert sum(c.startswith("# CAUTION") for c in comments) >= 5
    assert rows[-1] == ["# end of sheet"]
    body = pd.read_csv(path, skiprows=at, comment="#")
    assert body["run"].tolist() == [1, 2, 3, 4, 5, 6]
    expected = sheet_table(study)
    assert body["rotation (rpm)"].tolist() == expected["rotation speed"].tolist()
    assert body["voids (%)"].isna().all()


def test_a_real_study_is_not_marked_invented(tmp_path):
    study = small_study(invented=False)
    path = write_csv(study, tmp_path / "sheet.csv")
    assert "INVENTED" not in path.read_text("utf-8-sig")
    assert "INVENTED" not in sheet_html(study)


def test_a_decimal_comma_comes_with_semicolons(tmp_path):
    path = write_csv(small_study(), tmp_path / "sheet.csv", decimal=",")
    rows = csv_rows(path, ";")
    at = heading_row(rows)
    assert re.fullmatch(r"0,\d{3}", rows[at + 1][rows[at].index("rotation ratio")])
    with pytest.raises(InputError, match="decimal"):
        write_csv(small_study(), tmp_path / "other.csv", decimal=";")


@pytest.mark.parametrize("text", HOSTILE)
def test_no_cell_of_a_csv_starts_a_formula(tmp_path, text):
    study = recorded(text, small_study(title=text.strip(), author=text))
    path = write_csv(study, tmp_path / "sheet.csv")
    assert protect(text) in [c for row in csv_rows(path) for c in row]
    # A number with its sign is no formula; nothing else may start like one, wherever a cell is
    # taken to start.
    whole = path.read_text("utf-8-sig")
    starts = [whole, *(whole[i + 1:] for i, c in enumerate(whole) if c in ",;|\t\r\n")]
    assert not [c for c in starts if re.match(r'[\s"]*[=+\-@＝＋－＠]', c)
                and not re.match(r"-?[\d.]+[,;\r\n]", c)]


@pytest.mark.parametrize("decimal", [".", ","])
def test_a_line_that_falls_apart_at_other_separators_starts_no_formula(tmp_path, decimal):
    """Quotation marks do not help: opened where semicolons separate, they stand within a cell."""
    study = recorded("fine;@SUM(1+1)|cmd, =1+1")
    path = write_csv(study, tmp_path / "sheet.csv", decimal=decimal)
    for separator in ",;|\t":
        cells = [c for row in csv_rows(path, separator) for c in row]
        assert not [c for c in cells if re.match(r"\s*[=+@＝＋－＠]", c)]


def test_a_table_of_results_starts_no_formula():
    table = pd.DataFrame({"run": [1, 2], "charging": ["=1+1", "a;@b"], "voids": [-0.5, 1 / 3]})
    assert table_csv(table) == "run,charging,voids\n1,'=1+1,-0.5\n2,a;'@b,0.333333\n"


# ---- XLSX

def test_a_workbook_has_runs_measurements_and_cautions(tmp_path):
    study = small_study()
    book = openpyxl.load_workbook(write_xlsx(study, tmp_path / "sheet.xlsx"))
    assert book.sheetnames == ["Runs", "Measurements", "Cautions"]
    runs = book["Runs"]
    above = [runs.cell(r, 1).value or "" for r in range(1, 12)]
    assert above[0] == f"Run sheet: {study.brief.title}"
    assert any("INVENTED" in text for text in above)
    assert any("CAUTION" in text for text in above)
    assert any(sheet_mark(study) in text for text in above)
    expected = sheet_table(study)
    assert cell_of(runs, 3, "rotation (rpm)").value == expected["rotation speed"][2]
    assert cell_of(runs, 3, "rotation ratio").number_format == "0.000"
    assert cell_of(runs, 3, "voids (%)").number_format == "0.00"  # read to 0.01 %
    head = cell_of(runs, 1, "run").row - 1
    assert runs.freeze_panes == f"C{head + 1}"
    assert runs.print_title_rows == f"${head - 1}:${head}"
    assert runs.column_dimensions["V"].width > runs.column_dimensions["A"].width
    measured = [c.value for c in book["Measurements"][3]]
    assert measured[:4] == ["coarsest lump", "µm", "Fineness of grind, ISO 1524", "at most 40 µm"]
    cautions = [(r[0].value, r[1].value) for r in book["Cautions"].iter_rows(min_row=2)]
    assert ("Balance", cautions[0][1]) == cautions[0]
    assert len(cautions) >= 5


def test_only_cells_to_fill_in_are_open(tmp_path):
    runs = openpyxl.load_workbook(write_xlsx(small_study(), tmp_path / "sheet.xlsx"))["Runs"]
    assert runs.protection.sheet
    locked = {h: cell_of(runs, 2, h).protection.locked for h in (
        "run", "revolution (rpm)", "rotation (rpm)", "counterbalance (g)",
        "achieved revolution (rpm)", "voids (%)", "status", "operator", "remark")}
    assert [h for h, is_locked in locked.items() if not is_locked] == [
        "achieved revolution (rpm)", "voids (%)", "status", "operator", "remark"]


def rule_of(sheet, coordinate: str) -> DataValidation:
    found = [r for r in sheet.data_validations.dataValidation if coordinate in r.sqref]
    assert len(found) == 1
    return found[0]


def test_entries_are_checked_by_the_spreadsheet(tmp_path):
    runs = openpyxl.load_workbook(write_xlsx(small_study(), tmp_path / "sheet.xlsx"))["Runs"]
    lump = rule_of(runs, cell_of(runs, 2, "coarsest lump (µm)").coordinate)
    assert (lump.type, float(lump.formula1), float(lump.formula2)) == ("decimal", 0, 1e300)
    heat = rule_of(runs, cell_of(runs, 6, "end temperature (°C)").coordinate)
    assert (heat.type, float(heat.formula1), float(heat.formula2)) == ("decimal", 0, 150)
    assert heat.error == "Enter 0 to 150 °C."
    voids = rule_of(runs, cell_of(runs, 2, "voids (%)").coordinate)
    assert voids.type == "custom"
    assert '"<0.02"' in voids.formula1
    status = rule_of(runs, cell_of(runs, 2, "status").coordinate)
    assert (status.type, status.formula1) == ("list", '"done,set aside"')
    assert all(r.allow_blank and r.showErrorMessage
               for r in runs.data_validations.dataValidation)


@pytest.mark.parametrize("text", HOSTILE)
def test_no_text_of_a_workbook_is_a_formula(tmp_path, text):
    response = Response("voids", "%", label=text.strip(), method=text)
    study = recorded(text, small_study(title=text.strip(), author=text, responses=(response,)))
    path = write_xlsx(study, tmp_path / "sheet.xlsx")
    with zipfile.ZipFile(path) as archive:
        sheets = [n for n in archive.namelist() if n.startswith("xl/worksheets/")]
        assert not any(re.search(rb"<f[ >/]", archive.read(n)) for n in sheets)
    runs = openpyxl.load_workbook(path)["Runs"]
    cell = cell_of(runs, 1, "remark")
    assert cell.data_type == "s"
    assert cell.quotePrefix  # stays a text when it is edited
    assert cell.number_format == "@"


def test_a_text_too_long_for_a_workbook_is_refused_not_cut(tmp_path):
    with pytest.raises(InputError, match="32767 characters"):
        write_xlsx(recorded("x" * 32_768), tmp_path / "sheet.xlsx")
    assert not (tmp_path / "sheet.xlsx").exists()
    write_csv(recorded("x" * 32_768), tmp_path / "sheet.csv")


# ---- files

@pytest.mark.parametrize("name", ["a.csv", "a.xlsx", "a.html"])
def test_a_file_that_may_be_filled_in_is_never_overwritten_unasked(tmp_path, name):
    path = tmp_path / name
    path.write_text("readings of a week")
    with pytest.raises(InputError, match="there is a file of this name already"):
        write_sheet(small_study(), path)
    assert path.read_text() == "readings of a week"
    assert write_sheet(small_study(), path, overwrite=True) == path
    assert path.stat().st_size > 1000
    assert [p.name for p in tmp_path.iterdir()] == [name]


def test_unknown_endings_and_places_are_refused(tmp_path):
    with pytest.raises(InputError, match=r"none of \.csv, \.xlsx, \.html"):
        write_sheet(small_study(), tmp_path / "a.pdf")
    with pytest.raises(InputError, match="cannot be written"):
        write_sheet(small_study(), tmp_path / "missing" / "a.csv")


# ---- HTML

class Page(HTMLParser):
    """Texts and tags of a page, as a browser would see them."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.tags, self.text = [], []
        self.feed(html)

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.text.append(data)


def test_the_printed_sheet_says_what_to_set_fit_and_heed():
    study = small_study()
    page = Page(sheet_html(study))
    text = " ".join(" ".join(page.text).split())
    for said in (study.brief.title, "INVENTED", sheet_mark(study), "Counterbalance to fit 155 g",
                 "CAUTIONS", "Fineness of grind, ISO 1524", "at most 40 µm", "Done Set aside"):
        assert said in text
    boxes = [a for t, a in page.tags if a.get("class") == "box"]
    assert len(boxes) == 2 * 6
    assert str(int(sheet_table(study)["rotation speed"][0])) in page.text
    assert not [t for t, a in page.tags if t in ("script", "link", "img") or "src" in a]


@pytest.mark.parametrize("cards", [False, True])
def test_user_text_cannot_become_markup(cards):
    response = Response("voids", SCRIPT, label=SCRIPT, method=SCRIPT)
    brief = template_brief(title=SCRIPT, purpose=SCRIPT, author=SCRIPT, responses=(response,))
    brief = brief.replace(mixer=replace(brief.mixer, name=SCRIPT),
                          material=replace(brief.material, name=SCRIPT))
    html = sheet_html(recorded(SCRIPT, small_study(brief)), cards=cards)
    assert "<script" not in html
    page = Page(html)
    assert " ".join(page.text).count(SCRIPT) >= 8
    assert "script" not in {t for t, _ in page.tags}


def test_recorded_runs_are_ticked():
    html = sheet_html(recorded("R. Ito"))
    assert html.count("✓") == 1
    assert "2026-03-01" in html


def test_many_measurements_get_a_card_each():
    wide = with_responses(*(Response(f"r{i}", "µm") for i in range(9)))
    assert '<section class="card">' in sheet_html(wide)
    assert '<section class="card">' not in sheet_html(small_study())


@pytest.mark.browser
@pytest.mark.parametrize(("cards", "size"), [(False, "842 x 595"), (True, "595 x 842")])
def test_the_sheet_prints_on_a4_with_headings_on_every_page(tmp_path, cards, size):
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if not (chromium and shutil.which("pdftotext") and shutil.which("pdfinfo")):
        pytest.skip("no Chromium or no PDF tools on this machine")
    page = tmp_path / "sheet.html"
    page.write_text(sheet_html(small_study(runs=40), cards=cards), "utf-8")
    pdf = tmp_path / "sheet.pdf"
    subprocess.run([chromium, "--headless", "--no-sandbox", "--disable-gpu",
                    "--no-pdf-header-footer", f"--print-to-pdf={pdf}", page.as_uri()],
                   check=True, capture_output=True, timeout=120)
    facts = subprocess.run(["pdfinfo", pdf], check=True, capture_output=True, text=True).stdout
    width, height = map(float, re.search(r"Page size: +([\d.]+) x ([\d.]+)", facts).groups())
    assert f"{width:.0f} x {height:.0f}" == size
    text = subprocess.run(["pdftotext", "-layout", pdf, "-"], check=True, capture_output=True,
                          text=True).stdout
    pages = text.split("\f")[:-1]
    assert len(pages) == int(re.search(r"Pages: +(\d+)", facts)[1]) > 2
    for i, printed in enumerate(pages, 1):
        assert f"Page {i} of {len(pages)}" in printed
        assert sheet_mark(small_study(runs=40)) in printed
        if i > 1:
            assert "revolution" in printed
    assert text.count("INVENTED") == 1


def test_a_sheet_says_what_is_written_down_for_each_kind(tmp_path):
    study = with_responses(
        Response("specks", kind="count", exposure=4, exposure_unit="cm²"),
        Response("passed", kind="proportion", trials=20),
        Response("look", kind="ordinal", grades=("streaky", "fair", "good"), lower=2))
    html = sheet_html(study)
    comments = " ".join(r[0] for r in csv_rows(write_csv(study, tmp_path / "a.csv")))
    for said in ("count on 4 cm²", "of 20 tried", "grade: 1 streaky, 2 fair, 3 good",
                 "at least 2 (fair)"):
        assert said in html
        assert said in comments
    assert "<th>Method</th>" not in html  # none has one


def test_a_group_says_what_is_set_anew(tmp_path):
    """Else a setting that stays from group to group is left alone, and the groups are not."""
    brief = template_brief()
    plan = make_plan(brief.region, "split-plot", seed=1, mixer=brief.mixer)
    study = Study(brief, plan)
    said = "Set absolute pressure anew before the first run of every group"
    assert said in sheet_html(study)
    assert said in " ".join(r[0] for r in csv_rows(write_csv(study, tmp_path / "a.csv")))
    book = openpyxl.load_workbook(write_xlsx(study, tmp_path / "a.xlsx"))
    assert any(said in str(c.value) for row in book["Runs"].iter_rows(max_row=8) for c in row)
    groups = plan.runs["whole_plot"].nunique()
    assert sheet_html(study, cards=False).count('<tr class="pause">') == groups - 1
    assert said not in sheet_html(small_study())


def test_long_names_of_settings_make_cards_where_columns_would_not_fit():
    def brief(prefix: str):
        factors = [Factor(f"{prefix}{n}", 1, 9, unit="mm") for n in "abcdefgh"]
        return template_brief(region=Region(factors), held={})

    assert '<section class="card">' not in sheet_html(small_study(brief("f")))
    assert '<section class="card">' in sheet_html(small_study(brief("circumferential_")))


@pytest.mark.browser
def test_no_column_of_the_table_leaves_the_page(tmp_path):
    sync_api = pytest.importorskip("playwright.sync_api")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser")
    if not chromium:
        pytest.skip("no Chromium on this machine")
    brief = template_brief()
    factors = [*brief.region.factors, Factor.categorical("grade", ("coarse & dry", "coated"))]
    page_file = tmp_path / "sheet.html"
    page_file.write_text(sheet_html(small_study(template_brief(region=Region(factors))),
                                    cards=False), "utf-8")
    with sync_api.sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        page = browser.new_page(viewport={"width": 1123, "height": 794})  # A4 landscape, 96 dpi
        page.goto(page_file.as_uri())
        seen = page.evaluate("[document.documentElement.scrollWidth, Math.max(...[...document"
                             ".querySelectorAll('.runs td')].map(e => e.getBoundingClientRect()"
                             ".right)), document.querySelector('td.set').offsetWidth]")
        browser.close()
    assert seen[0] <= 1123
    assert seen[1] <= 1123

"""The report: whole, offline, honest about where it came from, and safe with user text."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape

import pytest

from doe.conclude import fit_all, recommend
from doe.errors import InputError
from doe.practice import demo_study
from doe.report import report_html, write_report
from doe.report.build import TITLE_END
from doe.study import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Study:
    return demo_study(tmp_path_factory.mktemp("report") / "a.study", seed=5)


@pytest.fixture(scope="module")
def html(study) -> str:
    return report_html(study)


def body(html: str) -> str:
    """The part people read: after the scripts of the head, with all spaces alike."""
    return html[html.index("<body>"):].replace("\u00a0", " ")


def test_it_needs_no_network(html):
    head = html[:html.index("<body>")]
    assert not re.search(r"<(script|link|img)[^>]+(src|href)=", head)
    assert not re.search(r"<(link|img|script)[^>]+(src|href)=[\"']?(https?:)?//", body(html))


def test_every_run_and_reading_is_in_it(html, study):
    text = body(html)
    for record in study.done:
        for value in record.measurements.values():
            assert f">{value:.10g}<" in text


def test_it_says_what_went_wrong_and_what_it_came_from(html, study):
    text = body(html)
    for sentence in study.deviations()["sentence"]:
        assert escape(sentence) in text
    assert f"seed {study.plan.seed}" in text
    assert "Invented example" in text
    assert re.search(r"statsmodels</td><td>\d", text)
    assert "manual" in text[text.index("Cautions</h2>"):]


def test_every_response_has_its_findings_and_figures(html, study):
    text = body(html)
    for f in fit_all(study).values():
        assert escape(f.sentence) in text
    assert text.count("plotly-graph-div") >= 5 * len(study.brief.responses)


def test_user_text_is_escaped(study):
    brief = study.brief.replace(title="<script>alert(1)</script>", notes="a < b & c")
    text = report_html(replace(study, brief=brief))
    assert "<script>alert(1)" not in text
    assert "&lt;script&gt;alert(1)" in text
    assert "a &lt; b &amp; c" in text


def test_the_analysts_own_choices_are_reported(study):
    fits = fit_all(study)
    fits = {"voids": fits["voids"].refit(fits["voids"].terms[:5])}
    text = body(report_html(study, fits=fits, recipe=recommend(study.brief, fits)))
    assert escape(fits["voids"].sentence) in text
    assert "Largest agglomerate: 11 runs" not in text


def test_a_study_without_readings_can_be_reported(study):
    text = body(report_html(replace(study, records=())))
    assert "No response can be fitted yet" in text
    assert "measured in no runs, too few for a model" in text


def test_a_study_without_a_plan_cannot(study):
    with pytest.raises(InputError, match="plan"):
        report_html(Study(study.brief))


def test_a_failing_report_leaves_the_old_one(study, tmp_path):
    path = tmp_path / "r.html"
    path.write_text(f"<title>x{TITLE_END}old")
    with pytest.raises(InputError):
        write_report(Study(study.brief), path)
    assert path.read_text().endswith("old")
    assert [p.name for p in tmp_path.iterdir()] == ["r.html"]


@pytest.mark.parametrize("name", ["r.study", "sheet.html", "sheet.csv"])
def test_a_report_takes_the_place_of_reports_only(study, tmp_path, name):
    """Its study, or a sheet that was filled in, must never be lost to it."""
    path = tmp_path / name
    path.write_text("run,attempt")
    with pytest.raises(InputError, match=r"no report|one HTML file"):
        write_report(study, path)
    assert path.read_text() == "run,attempt"


def test_a_report_can_be_written_again_and_over_what_is_told(study, tmp_path):
    path, recipe = tmp_path / "r.html", None
    path.write_text("something else")
    bare = replace(study, records=())
    write_report(bare, path, overwrite=True, recipe=recipe)
    write_report(bare, path)
    assert TITLE_END in path.read_text("utf-8")[:4096]


def test_where_a_report_cannot_be_written_is_said(study, tmp_path):
    for path in (tmp_path / "nowhere" / "r.html", tmp_path):
        with pytest.raises(InputError, match=r"cannot be written|one HTML file"):
            write_report(replace(study, records=()), path)
    assert list(tmp_path.iterdir()) == []


def test_numbers_keep_their_units_on_the_line(study):
    html = report_html(replace(study, records=()))
    assert "\u00a0g of material" in html
    assert "\u00a0s</td>" not in html  # tables and figures are left as they are


def test_a_response_that_cannot_be_fitted_is_told_and_hinders_no_other(study):
    """Such as a zero on a logarithmic scale, or a count that was zero in every run."""
    records = [replace(r, qualifiers={}) for r in study.done]
    records[0] = replace(records[0], measurements=records[0].measurements | {"voids": 0.0})
    brief = study.brief.replace(responses=tuple(  # with a limit, 0 would lie below it
        replace(r, detection_limit=None) for r in study.brief.responses))
    zero = replace(study, brief=brief, records=tuple(records))
    fits = fit_all(zero)
    assert set(fits.unfitted) == {"voids"}
    assert len(fits) == len(study.brief.responses) - 1
    text = body(report_html(zero, fits=fits))
    assert text.count("Residual voids: no model could be fitted (0: it has no logarithm).") == 2
    assert "Left out of the choice, having no model: residual voids." in text


def test_what_meets_no_specification_is_no_headline(study):
    hard = study.brief.replace(responses=tuple(
        replace(r, upper=1e-3, target=None, goal="minimise") if r.name == "voids" else r
        for r in study.brief.responses))
    text = body(report_html(replace(study, brief=hard)))
    lead = text[text.index('class="lead"'):][:200]
    assert "No setting was found that meets every specification" in lead
    assert "How far each setting may drift" not in text

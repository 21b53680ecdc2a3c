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
from doe.study import Study


@pytest.fixture(scope="module")
def study(tmp_path_factory) -> Study:
    return demo_study(tmp_path_factory.mktemp("report") / "a.study", seed=5)


@pytest.fixture(scope="module")
def html(study) -> str:
    return report_html(study)


def body(html: str) -> str:
    """The part people read: after the scripts of the head."""
    return html[html.index("<body>"):]


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
    assert "No response has enough measurements" in text


def test_a_study_without_a_plan_cannot(study):
    with pytest.raises(InputError, match="plan"):
        report_html(Study(study.brief))


def test_a_failing_report_leaves_the_old_one(study, tmp_path):
    path = tmp_path / "r.html"
    path.write_text("old")
    with pytest.raises(InputError):
        write_report(Study(study.brief), path)
    assert path.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["r.html"]

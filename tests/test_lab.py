"""The planning and analysing notebooks in real JupyterLab: change a widget, see the rest follow."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from lab import READY, lab_page, run_all

pytestmark = pytest.mark.browser
HOME = Path(__file__).parent.parent / "notebooks"


@pytest.fixture(scope="module")
def open_notebook(tmp_path_factory):
    root = tmp_path_factory.mktemp("lab")
    for path in HOME.glob("*.ipynb"):
        shutil.copy(path, root)
    with lab_page(root) as opened:
        yield opened


def chart_title(page) -> str:
    return page.text_content(".js-plotly-plot .gtitle >> nth=0")


def changed(page, selector: str, before: str) -> str:
    """Wait until the text of the first match is no longer `before`; the new text."""
    page.wait_for_function(
        """([selector, before]) => {
            const found = document.querySelector(selector);
            return found && found.textContent !== before;
        }""", arg=[selector, before], timeout=READY)
    return page.text_content(f"{selector} >> nth=0")


def test_planning_follows_the_choice_of_plan(open_notebook, tmp_path):
    page = open_notebook("1_planning.ipynb")
    run_all(page)
    words = ".study-words"
    page.wait_for_selector(".js-plotly-plot .gtitle", timeout=READY)
    before_words, before_title = page.text_content(words), chart_title(page)
    assert "resolution IV" in before_words

    plan = page.locator("select").filter(has_text="full factorial").first
    plan.select_option(label="16 runs: full factorial")
    now = changed(page, words, before_words)
    assert "19 runs" in now
    assert "resolution IV" not in now
    assert changed(page, ".js-plotly-plot .gtitle", before_title) != before_title


def test_planning_refuses_a_range_the_wrong_way_round(open_notebook):
    page = open_notebook("1_planning.ipynb")
    run_all(page)
    low = page.locator("input[type=number]").first
    low.fill("9000")
    low.press("Enter")
    page.wait_for_selector("[role=status]:has-text('Not done')", timeout=READY)
    assert "revolution" in page.text_content("[role=status]")


def test_analysing_follows_terms_and_settings(open_notebook):
    page = open_notebook("3_analysing.ipynb")
    run_all(page)
    words = ".study-words"
    page.wait_for_selector(".js-plotly-plot .gtitle", timeout=READY)
    before = page.text_content(words)
    title = chart_title(page)
    box = page.locator(".widget-checkbox", has_text="time").first.locator("input")
    box.click()
    assert changed(page, words, before) != before
    assert changed(page, ".js-plotly-plot .gtitle", title) != title

    choosing = page.locator(".study-words").nth(1)
    before = choosing.text_content()
    handle = page.locator(".noUi-handle").first
    handle.focus()
    handle.press("ArrowRight")
    page.wait_for_function(
        "([before]) => document.querySelectorAll('.study-words')[1].textContent !== before",
        arg=[before], timeout=READY)

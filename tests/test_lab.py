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


def changed(page, selector: str, before: str, place: int = 0) -> str:
    """Wait until the text of a match is no longer `before`; the new text."""
    page.wait_for_function(
        """([selector, before, place]) => {
            const found = document.querySelectorAll(selector)[place];
            return found && found.textContent !== before;
        }""", arg=[selector, before, place], timeout=READY)
    return page.text_content(f"{selector} >> nth={place}")


def test_planning_follows_the_choice_of_plan(open_notebook, tmp_path):
    page = open_notebook("1_planning.ipynb")
    run_all(page)
    words = ".panel-words"
    page.wait_for_selector(".js-plotly-plot .gtitle", timeout=READY)
    before_words = page.text_content(words)
    before_title = chart_title(page)
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
    words = ".panel-words"
    page.wait_for_selector(".js-plotly-plot .gtitle", timeout=READY)
    before, title = page.text_content(words), chart_title(page)
    box = page.locator(".widget-checkbox", has_text="time").first.locator("input")
    box.click()
    assert changed(page, words, before) != before
    assert changed(page, ".js-plotly-plot .gtitle", title) != title

    before = page.text_content(f"{words} >> nth=1")
    handle = page.locator(".noUi-handle").first
    handle.focus()
    handle.press("ArrowRight")
    assert changed(page, words, before, place=1) != before

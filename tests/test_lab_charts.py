"""Panels with charts in real JupyterLab, default settings: what is seen, and what is in the file.

JupyterLab hands messages of widgets to a second thread of the kernel, and draws what the panel
sends when it gets to it: what holds in one thread of Python is not what a person sees.
"""

from __future__ import annotations

from itertools import pairwise, permutations

import nbformat
import pytest
from lab import READY, lab_page, restart_and_run_all, run_all

from doe import open_study
from doe.practice import open_practice

pytestmark = pytest.mark.browser

OPENINGS = 10
PLANNING = """
from doe import open_study
from doe.panels import PlanningPanel
file = open_study({file!r})
panel = PlanningPanel(file, seed=1)
panel
"""
ANALYSING = """
from doe import open_study
from doe.panels import AnalysingPanel, ChoosingPanel
file = open_study({file!r})
panel = AnalysingPanel(file.read())
panel
"""
CHOOSING = """
choosing = ChoosingPanel(panel.fits, file.read().brief)
choosing
"""
SET_ASIDE = """
panel.add_beside()
panel.family.index = 1
"""
WITH_PRODUCT = """
from doe.terms import Term
terms = [Term("revolution", "time"), Term("pressure")]
panel.choose(terms)
"""
# What each chart looks like when nothing was drawn before it, one output a chart.
FRESH = """
import json
import plotly.graph_objects as go
from IPython.display import display
for option in panel.{control}.options:
    other = {again}
    other.{control}.value = option
    figure = json.loads(go.Figure(other.figure).to_json())
    display({{"application/vnd.plotly.v1+json": figure}}, raw=True)
"""
# The drawing of a plot, but for the names that plotly.js gives by chance and for the order in
# which an element got its attributes.
DRAWING = """(plot) => {
    const ids = [plot._fullLayout._uid, ...plot._fullData.map(t => t.uid)];
    const told = e => e.nodeType === Node.TEXT_NODE ? e.data :
        `<${e.tagName} ${[...e.attributes].map(a => `${a.name}="${a.value}"`).sort().join(' ')}>` +
        [...e.childNodes].map(told).join('') + '</>';
    let text = [...plot.querySelectorAll('.main-svg')].map(told).join('');
    for (const id of ids) text = text.replaceAll(id, '');
    return text;
}"""
MARKS = "document.querySelectorAll('.js-plotly-plot .trace path').length"


@pytest.fixture(scope="module")
def root(tmp_path_factory):
    return tmp_path_factory.mktemp("lab")


@pytest.fixture(scope="module")
def opened(root):
    with lab_page(root) as open_notebook:
        yield open_notebook


@pytest.fixture
def write(root):
    """``write(name, stage, *cells)``: a notebook of its own on a study of its own; the file."""
    def made(name, stage, *cells, file=""):
        path = root / (file or f"{name}.study")
        if not path.exists():
            open_practice(path, stage).close()
        codes = [nbformat.v4.new_code_cell(c.format(file=path.name).strip()) for c in cells]
        book = nbformat.v4.new_notebook(cells=codes, metadata={"kernelspec": {
            "name": "python3", "display_name": "Python 3", "language": "python"}})
        nbformat.write(book, root / f"{name}.ipynb")
        return path
    return made


def in_file(path):
    with open_study(path, read_only=True) as file:
        return file.read()


def end_sessions(page) -> None:
    """End every kernel of the server."""
    api = page.url.split("/doc/")[0] + "/api/sessions"
    headers = {"Authorization": "token local"}
    for session in page.request.get(api, headers=headers).json():
        page.request.delete(f"{api}/{session['id']}", headers=headers)


def wait_for_marks(page) -> None:
    """A chart is drawn when marks of its traces are there, not its axes alone."""
    page.wait_for_function(f"{MARKS} > 0", timeout=READY)


def choose(page, text: str) -> None:
    """Choose a plan and wait until the panel tells of it."""
    before = page.text_content(".panel-words")
    page.locator("select").filter(has_text="full factorial").first.select_option(label=text)
    page.wait_for_function("t => document.querySelector('.panel-words').textContent !== t",
                           arg=before, timeout=READY)


def keep(page, expected: str) -> str:
    """Press "Keep this plan" and wait for the answer; the answer."""
    page.click("button:text-is('Keep this plan')")
    answer = f"[role=status]:has-text('{expected}')"
    page.wait_for_selector(answer, timeout=READY)
    return page.text_content(answer)


# ---- what is kept ----------------------------------------------------------------------------

def test_another_plan_is_kept_after_one_was_chosen(opened, write):
    path = write("twice", "briefed", PLANNING)
    page = opened("twice.ipynb")
    run_all(page)
    choose(page, "16 runs: full factorial")
    keep(page, "Kept: Full factorial")
    assert "full factorial" in in_file(path).plan.sentence.lower()
    choose(page, "8 runs: fractional factorial, resolution IV")
    keep(page, "Kept: Fractional factorial")
    first = in_file(path).plan
    assert "resolution IV" in first.sentence
    choose(page, "16 runs: full factorial")
    keep(page, "Kept: Full factorial")
    assert len(in_file(path).plan) == 16 + 3


def test_an_older_panel_does_not_put_back_what_a_colleague_tightened(opened, write):
    path = write("first", "briefed", PLANNING)
    write("second", "briefed", PLANNING, file="first.study")
    mine = opened("first.ipynb")
    run_all(mine)
    theirs = opened("second.ipynb", beside=True)
    run_all(theirs)

    def last_end(page):
        return page.locator(".jupyter-widgets input[type=number]").nth(5)

    high = next(f for f in in_file(path).brief.region.factors if f.name == "time").high
    assert float(last_end(theirs).input_value()) == high
    theirs.locator("input[placeholder='login name if empty']").fill("A. Mori")
    theirs.keyboard.press("Tab")
    last_end(theirs).fill("150")
    last_end(theirs).press("Enter")
    theirs.wait_for_function("() => document.querySelector('table.study')"
                             "?.textContent.includes('150')", timeout=READY)
    keep(theirs, "Kept")
    assert in_file(path).brief.region["time"].high == 150

    choose(mine, "16 runs: full factorial")
    answer = keep(mine, "Not done")
    assert "A. Mori" in answer
    assert "time" in answer
    study = in_file(path)
    assert study.brief.region["time"].high == 150
    assert "Full factorial" not in study.plan.sentence

    mine.click("button:text-is('Load the study as it now stands')")
    mine.wait_for_selector("[role=status]:has-text('The study is shown')", timeout=READY)
    assert float(last_end(mine).input_value()) == 150
    keep(mine, "Kept: Full factorial")
    study = in_file(path)
    assert study.brief.region["time"].high == 150
    assert "Full factorial" in study.plan.sentence
    theirs.close()


def test_a_kernel_restarted_in_the_middle_loses_nothing_kept(opened, write):
    path = write("restarted", "briefed", PLANNING)
    page = opened("restarted.ipynb")
    run_all(page)
    choose(page, "16 runs: full factorial")
    keep(page, "Kept: Full factorial")
    restart_and_run_all(page)
    assert len(in_file(path).plan) == 16 + 3
    wait_for_marks(page)
    choose(page, "16 runs: full factorial")
    choose(page, "8 runs: fractional factorial, resolution IV")
    keep(page, "Kept: Fractional factorial")
    assert "resolution IV" in in_file(path).plan.sentence


# ---- what is drawn ---------------------------------------------------------------------------

def test_every_fresh_opening_draws_its_charts(opened, write):
    write("opening", "run", ANALYSING, CHOOSING)
    for opening in range(OPENINGS):
        page = opened("opening.ipynb")
        complaints = []
        page.on("console", lambda m, said=complaints: said.append(m.text)
                if m.type == "error" else None)
        run_all(page)
        page.wait_for_function(
            "() => document.querySelectorAll('.js-plotly-plot').length == 2 &&"
            " [...document.querySelectorAll('.js-plotly-plot')].every("
            "  p => p.querySelectorAll('.trace path').length)", timeout=READY)
        assert not [c for c in complaints if "model" in c.lower()], (opening, complaints)
        end_sessions(page)


@pytest.mark.parametrize(("stage", "cells", "control", "again"), [
    ("run", (ANALYSING, WITH_PRODUCT), "chart", "AnalysingPanel(file.read()); other.choose(terms)"),
    ("briefed", (PLANNING, SET_ASIDE), "show",
     "PlanningPanel(file, seed=1); other.add_beside(); other.family.index = 1")])
def test_every_switch_of_charts_leaves_a_picture_as_if_drawn_first(opened, write, stage, cells,
                                                                   control, again):
    write(f"switching_{control}", stage, *cells,
          FRESH.format(control=control, again=again).replace("{", "{{").replace("}", "}}"))
    page = opened(f"switching_{control}.ipynb")
    run_all(page)
    labels = (page.locator(".jupyter-widgets select").nth(1).locator("option").all_text_contents()
              if control == "chart" else
              page.locator(".widget-toggle-buttons button").all_text_contents())
    assert len(labels) == 6
    # The panel's own plot comes first, then one for each option that nothing was drawn before.
    page.wait_for_function(
        "n => { const all = [...document.querySelectorAll('.js-plotly-plot')];"
        " return all.length === n + 1 && all.every(p => p.querySelector('.gtitle')); }",
        arg=len(labels), timeout=READY)
    fresh = [p.evaluate(DRAWING) for p in page.locator(".js-plotly-plot").all()[1:]]
    assert len(set(fresh)) == len(labels)
    wrong = []
    for place in circuit(len(labels)):
        if control == "chart":
            page.locator(".jupyter-widgets select").nth(1).select_option(label=labels[place])
        else:
            page.locator(".widget-toggle-buttons button").nth(place).click()
            page.mouse.move(2, 2)
        try:
            page.wait_for_function(
                f"wanted => ({DRAWING})(document.querySelector('.js-plotly-plot')) === wanted",
                arg=fresh[place], timeout=READY / 4)
        except Exception as error:  # told of all switches at once
            if "Timeout" not in str(error):
                raise
            wrong.append(labels[place])
    assert not wrong


def circuit(n: int) -> list[int]:
    """A walk from place 0 that makes every switch between two of `n` places once."""
    left = set(permutations(range(n), 2))
    walk, stack = [], [0]
    while stack:  # Hierholzer 1873
        here = stack[-1]
        step = next(((a, b) for a, b in sorted(left) if a == here), None)
        if step is None:
            walk.append(stack.pop())
        else:
            left.remove(step)
            stack.append(step[1])
    return walk[::-1][1:]


def test_the_circuit_makes_every_switch_once():
    walk = [0, *circuit(6)]
    switches = list(pairwise(walk))
    assert sorted(switches) == sorted(permutations(range(6), 2))


@pytest.mark.parametrize("width", [1024, 1600])
def test_no_chart_is_cut_off(opened, write, width):
    write("narrow", "run", ANALYSING, CHOOSING)
    page = opened("narrow.ipynb")
    page.set_viewport_size({"width": width, "height": 1300})
    run_all(page)
    page.wait_for_function("document.querySelectorAll('.js-plotly-plot .main-svg').length >= 4",
                           timeout=READY)
    edges = page.evaluate("""() => [...document.querySelectorAll('.js-plotly-plot')].map(p => [
        p.querySelector('.main-svg').getBoundingClientRect().right,
        p.closest('.panel-plot').getBoundingClientRect().right, innerWidth])""")
    assert len(edges) == 2
    assert all(chart <= room <= window for chart, room, window in edges), edges


def test_every_key_press_on_the_ratio_changes_the_setting(opened, write):
    write("keys", "run", ANALYSING, CHOOSING)
    page = opened("keys.ipynb")
    run_all(page)
    words = page.locator(".panel-words").nth(1)
    wait_for_marks(page)
    sliders = page.locator(".noUi-handle")

    def press(slider: int, key: str) -> str:
        before = words.text_content()
        sliders.nth(slider).focus()
        sliders.nth(slider).press(key)
        page.wait_for_function("t => document.querySelectorAll('.panel-words')[1]"
                               ".textContent !== t", arg=before, timeout=READY)
        return words.text_content()

    seen = [press(1, "ArrowRight") for _ in range(8)]
    press(0, "ArrowLeft")
    seen += [press(1, "ArrowLeft") for _ in range(5)]
    assert len(set(seen)) == len(seen)

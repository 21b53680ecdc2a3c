"""The notebooks in real JupyterLab with its default settings: change a widget, see the rest
follow, and look into the study file for what was kept."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import nbformat
import pytest
from lab import READY, lab_page, restart_and_run_all, run_all

from doe.store import open_study
from doe.study import Study

pytestmark = pytest.mark.browser
HOME = Path(__file__).parent.parent / "notebooks"
NOT_NEEDED = ("perform_due", "write_sheet", "cautions", "deviations", "drop(columns")


@pytest.fixture(scope="module")
def root(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("lab")
    for path in HOME.glob("*.ipynb"):
        shutil.copy(path, folder)
    return folder


@pytest.fixture(scope="module")
def open_notebook(root):
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


# ---- running

@pytest.fixture
def running(root, request):
    """The shipped notebook on a study of its own, without the simulated mixer: its name."""
    book = nbformat.read(HOME / "2_running.ipynb", as_version=4)
    book.cells = [c for c in book.cells if not any(w in c.source for w in NOT_NEEDED)]
    for cell in book.cells:
        cell.source = cell.source.replace("first.study", f"{request.node.name}.study")
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    name = f"{request.node.name}.ipynb"
    nbformat.write(book, root / name)
    return name


class Bench:
    """The running panel as a person sees it, and the study file behind it."""

    def __init__(self, page, path: Path):
        from playwright.sync_api import expect
        self.page, self.path, self.expect = page, path, expect
        expect.set_options(timeout=READY / 4)
        self.chosen = page.locator(".widget-dropdown select", has_text="run 1").first

    def study(self) -> Study:
        with open_study(self.path, read_only=True) as file:
            return file.read()

    def history(self, run: int, response: str) -> list[float | None]:
        """Every value entered, oldest first; None withdraws."""
        with open_study(self.path, read_only=True) as file:
            return [None if v != v else v for v in file.history(run, response)["value"]]

    def reading(self, run: int, response: str) -> float | None:
        return self.study().attempts(run)[-1].measurements.get(response)

    def field(self, label: str):
        """The text field under a label."""
        return self.page.locator(".widget-vbox:not(:has(.widget-vbox))", has_text=label).locator(
            "input[type=text]")

    def has(self, *texts: str) -> None:
        """The reading fields come to hold these texts, those left out nothing."""
        for i, label in enumerate(("residual voids", "largest agglomerate",
                                   "cup temperature rise", "density difference")):
            self.expect(self.field(label)).to_have_value(texts[i] if i < len(texts) else "")

    def pick(self, run: int) -> None:
        """Choose a run, and see that everything shown is of this run."""
        self.chosen.select_option(index=run - 1)
        self.shows(run)

    def shows(self, run: int) -> None:
        self.expect(self.page.locator(".run-card")).to_contain_text(f"Run {run}rev")
        self.expect(self.page.locator("button", has_text=f"ecord run {run}")).to_be_enabled()
        self.expect(self.chosen.locator("option:checked")).to_have_text(
            re.compile(rf"run\s{run}\b"))
        settings = self.study().planned(run)
        self.expect(self.page.locator(".run-card")).to_contain_text(f"{settings['time']:g} s")
        self.expect(self.page.locator(".run-card")).to_contain_text(f"{settings['pressure']:g} kPa")

    def enter(self, **texts: str) -> None:
        labels = {"voids": "residual voids", "size": "largest agglomerate",
                  "rise": "cup temperature rise", "settling": "density difference",
                  "operator": "Operator", "remark": "Remark", "reason": "Reason"}
        for name, text in texts.items():
            self.field(labels[name]).fill(text)

    def press(self, button: str, answer: str) -> str:
        """Press a button and wait for the status line to say something; all it says."""
        self.page.locator("button", has_text=button).click()
        line = self.page.locator("[role=status]")
        self.expect(line).to_contain_text(answer)
        return line.text_content()


def bench(page, root: Path, name: str) -> Bench:
    run_all(page)
    page.wait_for_selector(".run-card", timeout=READY)
    page.locator(".run-card").scroll_into_view_if_needed()
    return Bench(page, root / name.replace(".ipynb", ".study"))


def test_runs_in_any_order_are_recorded_under_their_own_number(open_notebook, root, running):
    at = bench(open_notebook(running), root, running)
    for run, size in ((11, "41"), (8, "44"), (3, "47"), (5, "50")):
        at.pick(run)
        at.has()
        at.enter(voids=f"0.{run:02d}", size=size)
        at.press(f"Record run {run}", f"Run {run} is saved")
        assert at.reading(run, "voids") == pytest.approx(run / 100)
        assert at.reading(run, "largest_agglomerate") == float(size)
    assert {r.run for r in at.study().records} == {11, 8, 3, 5}
    for run, size in ((8, "44"), (11, "41"), (5, "50")):
        at.pick(run)
        at.has(f"{run / 100:g}", size)
    at.pick(2)
    at.has()


def test_late_readings_corrections_and_a_run_set_aside(open_notebook, root, running):
    at = bench(open_notebook(running), root, running)
    at.press("Record run 1", "No reading entered: record run 1 as done")
    assert not at.study().records
    at.press("Yes, record run 1", "Run 1 is saved")
    at.enter(voids="0.74", size="53", operator="R. Ito")
    at.press("Record run 2", "Run 2 is saved")

    at.pick(1)                                        # late, then corrected
    at.enter(voids="0.6")
    at.press("Record run 1", "Added to run 1: residual voids")
    assert at.reading(1, "voids") == 0.6
    at.enter(voids="0.64")
    at.press("Record run 1", "needs a reason to change")
    assert at.history(1, "voids") == [0.6]
    at.enter(reason="digit lost")
    at.press("Record run 1", "Corrected in run 1: residual voids")
    assert at.history(1, "voids") == [0.6, 0.64]
    at.enter(voids="", reason="slices mixed up")
    at.press("Record run 1", "Withdrawn from run 1: residual voids")
    assert at.history(1, "voids") == [0.6, 0.64, None]

    at.pick(2)
    at.press("Set run 2 aside", "needs a reason")
    assert not at.study().void
    at.enter(reason="lid not seated")
    at.press("Set run 2 aside", "Run 2 is set aside and due again")
    assert [r.reason for r in at.study().void] == ["lid not seated"]
    at.shows(2)
    at.has()


def test_a_reading_far_off_is_asked_about_before_it_is_kept(open_notebook, root, running):
    at = bench(open_notebook(running), root, running)
    for run, size in ((1, "53"), (2, "41")):
        at.shows(run)
        at.enter(voids="0.7", size=size)
        at.press(f"Record run {run}", f"Run {run} is saved")
    at.shows(3)
    at.enter(voids="0.7", size="2700")
    at.press("Record run 3", "2700 µm is far from the 2 other readings, 41 to 53 µm")
    assert not at.study().attempts(3)
    at.enter(size="27")
    at.press("Record run 3", "Run 3 is saved")
    assert at.reading(3, "largest_agglomerate") == 27.0
    at.shows(4)
    at.enter(voids="0.7", size="2700")
    at.press("Record run 4", "Please check")
    at.press("Yes, record run 4", "Run 4 is saved")
    assert at.reading(4, "largest_agglomerate") == 2700.0
    with open_study(at.path, read_only=True) as file:
        (reason,) = file.history(4, "largest_agglomerate")["reason"]
    assert reason.startswith("confirmed on entry")


def test_a_kernel_started_anew_goes_on_where_it_was(open_notebook, root, running):
    page = open_notebook(running)
    at = bench(page, root, running)
    at.enter(voids="0.7", size="53")
    at.press("Record run 1", "Run 1 is saved")
    restart_and_run_all(page)
    at.shows(2)
    at.enter(voids="0.6", size="41")
    at.press("Record run 2", "Run 2 is saved")
    at.pick(1)
    at.has("0.7", "53")
    assert [r.measurements["voids"] for r in at.study().done] == [0.7, 0.6]


def test_of_two_notebooks_the_second_writer_is_told(open_notebook, root, running):
    shutil.copy(root / running, root / f"other_{running}")
    one = bench(open_notebook(running), root, running)
    page = open_notebook(f"other_{running}", beside=True)
    two = bench(page, root, running)
    one.enter(voids="0.7", operator="R. Ito")
    two.enter(voids="0.4", size="41", operator="A. Berg")
    one.press("Record run 1", "Run 1 is saved")
    said = two.press("Record run 1", "R. Ito recorded run 1")
    assert "voids = 0.7" in said
    assert one.reading(1, "voids") == 0.7
    assert one.reading(1, "largest_agglomerate") is None
    two.has("0.4", "41")
    two.expect(page.locator(".run-record")).to_contain_text("on file: residual voids 0.7 %")
    two.press("Record run 1", "needs a reason to change")
    two.enter(voids="0.7")
    two.press("Record run 1", "Added to run 1: largest agglomerate")
    assert one.study().attempts(1)[0].measurements == {"voids": 0.7, "largest_agglomerate": 41.0}
    page.close()

"""The notebooks, run from top to bottom as a new user would run them."""

from __future__ import annotations

import shutil
from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from doe.errors import InputError
from doe.report import export_notebook

HOME = Path(__file__).parent.parent / "notebooks"
NOTEBOOKS = sorted(HOME.glob("*.ipynb"))


@pytest.fixture(scope="module")
def folder(tmp_path_factory) -> Path:
    """One working folder for all: each notebook goes on where the last one stopped."""
    target = tmp_path_factory.mktemp("notebooks")
    for path in NOTEBOOKS:
        shutil.copy(path, target)
    return target


def run(path: Path) -> str:
    """Run a notebook; everything it printed or showed as text."""
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, timeout=120, kernel_name="python3",
                   resources={"metadata": {"path": str(path.parent)}}).execute()
    texts = []
    for cell in book.cells:
        for output in cell.get("outputs", []):
            texts.append(output.get("text", ""))
            texts += [v for k, v in output.get("data", {}).items() if k.startswith("text/")]
    return "\n".join(texts)


def test_there_are_four_stages():
    assert [p.stem for p in NOTEBOOKS] == ["1_planning", "2_running", "3_analysing", "4_report"]


def test_planning_keeps_a_plan(folder):
    said = run(folder / "1_planning.ipynb")
    assert "resolution IV" in said
    assert "0 of 11 runs done" in said or "next is run 1" in said


def test_running_records_every_run(folder):
    said = run(folder / "2_running.ipynb")
    assert "All 11 runs done" in said
    assert (folder / "run_sheet.html").stat().st_size > 1000


def test_analysing_says_what_matters(folder):
    said = run(folder / "3_analysing.ipynb")
    assert "absolute pressure" in said
    assert "95 % interval" in said


def test_report_is_written(folder):
    run(folder / "4_report.ipynb")
    report = (folder / "second_report.html").read_text("utf-8")
    assert "Invented example" in report


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_committed_outputs_can_be_read_without_a_kernel(path):
    """Every code cell that shows something shows a picture, a table or text; no live view."""
    book = nbformat.read(path, as_version=4)
    cells = [c for c in book.cells if c.cell_type == "code"]
    assert all(c.execution_count for c in cells), "run notebooks/refresh.py"
    for cell in cells:
        for output in cell.outputs:
            kinds = set(output.get("data", {}))
            assert "application/vnd.jupyter.widget-view+json" not in kinds
            assert output.output_type == "stream" or kinds & {"image/png", "text/html",
                                                              "text/plain"}
    panels = [c for c in cells if "Panel(" in c.source]
    for cell in panels:
        assert any("image/png" in o.get("data", {}) for o in cell.outputs), cell.source


def test_export_shows_pictures_in_place_of_live_views(tmp_path):
    book = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("panel", outputs=[
        nbformat.v4.new_output("display_data", data={
            "application/vnd.jupyter.widget-view+json": {"model_id": "abc", "version_major": 2,
                                                         "version_minor": 0},
            "image/png": "iVBORw0KGgo=", "text/plain": "panel"})])])
    nbformat.write(book, tmp_path / "a.ipynb")
    html = export_notebook(tmp_path / "a.ipynb").read_text("utf-8")
    assert "data:image/png;base64,iVBORw0KGgo=" in html
    assert "widget-view+json" not in html
    assert "<script" not in html


@pytest.mark.parametrize(("text", "named"), [("{", "cannot be read"), (None, "cannot be read")])
def test_what_is_no_notebook_is_refused(text, named, tmp_path):
    path = tmp_path / "a.ipynb"
    if text is not None:
        path.write_text(text)
    with pytest.raises(InputError, match=named):
        export_notebook(path)


def test_a_notebook_that_was_not_run_is_refused(tmp_path):
    nbformat.write(nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("1")]),
                   tmp_path / "a.ipynb")
    with pytest.raises(InputError, match="was not run"):
        export_notebook(tmp_path / "a.ipynb")

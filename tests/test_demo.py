"""The demo and the practice studies take the place of none but their own files."""

from __future__ import annotations

import shutil
import subprocess
import sys
import time
from pathlib import Path

import pytest
from study_cases import template_brief
from typer.testing import CliRunner

import doe.demo
from doe.__main__ import app
from doe.demo import SCREENING, run_demo
from doe.errors import InputError
from doe.practice import write_demo
from doe.store import open_study

FILES = {"first_screening.html", "first_screening.study", "run_sheet.csv", "run_sheet.html",
         "run_sheet.xlsx", "second_surface.html", "second_surface.study"}


@pytest.fixture(scope="module")
def demo(tmp_path_factory):
    """The folder of a demo that was run from the command line, and what that said."""
    folder = tmp_path_factory.mktemp("demo") / "files"
    done = CliRunner().invoke(app, ["demo", "--folder", str(folder), "--seed", "4"],
                              catch_exceptions=False)
    return folder, done.output


@pytest.fixture
def folder(demo, tmp_path):
    return Path(shutil.copytree(demo[0], tmp_path / "demo"))


@pytest.fixture
def quick(monkeypatch):
    """The demo without its work: each file is a copy of the earlier one."""
    def make(of):
        monkeypatch.setattr(doe.demo, "_make", lambda aside, seed, step: [
            shutil.copy(of / name, aside / name) and name for name in FILES])
    return make


def contents(folder: Path) -> dict[str, bytes]:
    return {p.name: p.read_bytes() for p in folder.iterdir()}


def test_it_ends_with_two_studies_their_sheets_and_reports(demo):
    folder, said = demo
    assert {p.name for p in folder.iterdir()} == FILES
    assert str(folder / "second_surface.html") in said.replace("\n", "")
    assert "invented" in said
    with open_study(folder / SCREENING, read_only=True) as file:
        assert not file.read().pending


def test_a_second_demo_takes_the_place_of_the_first(demo, folder, quick):
    quick(demo[0])
    before = {p.name: p.stat().st_ino for p in folder.iterdir()}
    run_demo(folder, seed=4)
    assert {p.name for p in folder.iterdir()} == FILES
    assert all(p.stat().st_ino != before[p.name] for p in folder.iterdir())


def test_what_only_looks_like_it_stays(demo, folder, quick):
    """A copy that someone made, and a study whose name goes on, are not the demo's."""
    quick(demo[0])
    others = ("first_screening.study.bak", "first_screening.study2", "second_surface.study copy")
    for name in others:
        (folder / name).write_text("mine")
    run_demo(folder, seed=4)
    assert all((folder / name).read_text() == "mine" for name in others)


def another_study(folder: Path) -> None:
    (folder / SCREENING).unlink()
    with open_study(folder / SCREENING, create=template_brief()):
        pass


def one_of_the_same_title(folder: Path) -> None:
    (folder / SCREENING).unlink()
    with open_study(folder / SCREENING, create=doe.demo.demo_brief(), author="R. Ito"):
        pass


def a_value_of_my_own(folder: Path) -> None:
    with open_study(folder / SCREENING) as file:
        file.amend(1, remark="seen by me", reason="practice", author="R. Ito")


def a_table(folder: Path) -> None:
    (folder / "run_sheet.csv").write_text("run,voids\n1,0.4\n")


def a_page(folder: Path) -> None:
    (folder / "first_screening.html").write_text("<title>My notes</title>")


def a_workbook(folder: Path) -> None:
    from openpyxl import Workbook

    Workbook().save(folder / "run_sheet.xlsx")


def no_workbook(folder: Path) -> None:
    (folder / "run_sheet.xlsx").write_bytes(b"PK\x03\x04 cut short")


def a_folder(folder: Path) -> None:
    (folder / "run_sheet.html").unlink()
    (folder / "run_sheet.html").mkdir()


def a_link_to_nothing(folder: Path) -> None:
    (folder / "run_sheet.csv").unlink()
    (folder / "run_sheet.csv").symlink_to("elsewhere.csv")


def a_log_without_a_study(folder: Path) -> None:
    (folder / SCREENING).rename(folder / "mine.study")
    (folder / f"{SCREENING}-wal").write_bytes(b"entries")


@pytest.mark.parametrize("change", [
    another_study, one_of_the_same_title, a_value_of_my_own, a_table, a_page, a_workbook,
    no_workbook, a_folder, a_link_to_nothing, a_log_without_a_study], ids=lambda f: f.__name__)
def test_what_is_not_its_own_is_left_alone_and_nothing_is_written(folder, change):
    change(folder)
    (folder / "second_surface.html").unlink()          # which a demo would make
    before = {p.name: p.is_file() and p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(InputError, match="another folder"):
        run_demo(folder, seed=4)
    assert {p.name: p.is_file() and p.read_bytes() for p in folder.iterdir()} == before


def test_who_has_the_study_open_is_told_that_it_was_replaced(demo, folder, quick):
    quick(demo[0])
    with open_study(folder / SCREENING) as file:
        run_demo(folder, seed=4)
        with pytest.raises(InputError, match="replaced by another file"):
            file.amend(1, remark="seen by me", reason="practice", author="R. Ito")


def test_what_is_entered_while_the_demo_works_is_not_lost(folder, monkeypatch):
    monkeypatch.setattr(doe.demo, "_make", lambda *_: a_value_of_my_own(folder))
    before = contents(folder)
    with pytest.raises(InputError, match=r"first_screening.study in it .* was changed since"):
        run_demo(folder, seed=4)
    assert {name for name, data in contents(folder).items() if data != before.get(name)} == {
        SCREENING}


def test_a_study_that_somebody_writes_on_a_network_drive_is_left_alone(folder):
    (folder / f"{SCREENING}-writer").write_bytes(b"somebody")
    before = contents(folder)
    with pytest.raises(InputError, match="is open or was not closed"):
        run_demo(folder, seed=4)
    assert contents(folder) == before


def test_one_that_is_broken_off_leaves_nothing_under_a_real_name(folder, tmp_path, monkeypatch):
    before = contents(folder)

    def stop(text: str) -> None:
        if text.startswith("Response surface"):
            raise KeyboardInterrupt

    monkeypatch.setattr(doe.demo, "fit_all", lambda study: {})
    monkeypatch.setattr(doe.demo, "write_report", lambda study, path, **options: None)
    for place, files in ((folder, before), (tmp_path / "new", {})):
        with pytest.raises(KeyboardInterrupt):
            run_demo(place, seed=4, progress=stop)
        assert contents(place) == files


def test_one_that_is_killed_leaves_nothing_under_a_real_name(tmp_path):
    run = subprocess.Popen([sys.executable, "-m", "doe", "demo", "--folder", "d"], cwd=tmp_path,
                           stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    until = time.monotonic() + 60
    while not list(tmp_path.glob("d/.unfinished-*/*.csv")) and time.monotonic() < until:
        assert run.poll() is None
        time.sleep(0.05)
    run.kill()
    run.wait()
    assert [p.name for p in (tmp_path / "d").iterdir() if p.name in FILES] == []


@pytest.mark.parametrize("place", ["taken", "taken/below", "n" * 300, "nul\0"])
def test_a_folder_that_cannot_be_made_is_named(tmp_path, place):
    (tmp_path / "taken").write_text("a file")
    with pytest.raises(InputError) as caught:
        run_demo(tmp_path / place, seed=4)
    assert caught.value.field == "folder"
    assert [p.name for p in tmp_path.iterdir()] == ["taken"]


def test_a_disk_that_is_full_is_said_and_leaves_nothing(tmp_path, monkeypatch):
    import errno

    def full(self, target):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(doe.demo, "_make", lambda aside, seed, step: full(aside, ""))
    with pytest.raises(InputError, match="No space left"):
        run_demo(tmp_path / "d", seed=4)
    assert list((tmp_path / "d").iterdir()) == []


# ---- the practice studies

def test_practice_studies_are_written_again_over_their_own(tmp_path):
    write_demo(tmp_path, seed=9)
    first = (tmp_path / "first_screening.csv").read_bytes()
    write_demo(tmp_path, seed=10)
    assert (tmp_path / "first_screening.csv").read_bytes() != first
    assert len(list(tmp_path.iterdir())) == 4


@pytest.mark.parametrize("name", ["first_screening.study", "second_surface.csv"])
def test_practice_studies_leave_alone_what_is_not_theirs(tmp_path, name):
    if name.endswith(".csv"):
        write_demo(tmp_path, seed=9)
        with (tmp_path / name).open("a") as file:
            file.write("my remark\n")
    else:
        with open_study(tmp_path / name, create=template_brief()):
            pass
        (tmp_path / f"{name}.bak").write_text("a copy")
    before = contents(tmp_path)
    with pytest.raises(InputError, match=name):
        write_demo(tmp_path, seed=10)
    assert contents(tmp_path) == before


def test_practice_from_the_command_line_says_what_is_in_the_way(tmp_path):
    (tmp_path / "first_screening.csv").write_text("mine")
    done = subprocess.run([sys.executable, "-m", "doe.practice", str(tmp_path)], text=True,
                          capture_output=True, check=False)
    assert done.returncode == 2
    assert "first_screening.csv" in done.stderr
    assert "Traceback" not in done.stderr


def test_what_was_handed_out_before_is_known_as_its_own(tmp_path):
    source = Path(__file__).parents[1] / "data_demo"
    for path in source.glob("*_*.*"):
        shutil.copy(path, tmp_path)
    write_demo(tmp_path)
    assert {p.suffix for p in tmp_path.iterdir()} == {".study", ".csv"}

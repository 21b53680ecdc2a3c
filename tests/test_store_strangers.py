"""Study files that somebody made: refused before they can mislead, crash or hang anything."""

from __future__ import annotations

import shutil
import signal
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

import pytest
from study_cases import random_plan, template_brief

from benchmarks.attacks import crafted
from benchmarks.attacks.sample import all_it_says, sample_study
from doe import __main__
from doe.store import StudyFileError, open_study
from doe.store_file import translated
from doe.store_guard import guard
from doe.store_rescue import rescue
from doe.wording import harmless

BRIEF = template_brief()


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return sample_study(tmp_path_factory.mktemp("whole") / "w.study")


@pytest.fixture
def path(tmp_path, whole) -> Path:
    return Path(shutil.copy(whole, tmp_path / "sent.study"))


def read_or_refused(path: Path) -> str:
    try:
        return all_it_says(path)
    except StudyFileError as error:
        return str(error)


@pytest.mark.parametrize("read_only", [True, False])
@pytest.mark.parametrize("case", [n for n in crafted.LAYOUTS if n != "ten thousand views"])
def test_what_is_not_laid_out_as_a_study_is_refused(path, case, read_only):
    crafted.craft(path, crafted.LAYOUTS[case], seal=False)
    before = path.read_bytes()
    with pytest.raises(StudyFileError) as caught:
        open_study(path, read_only=read_only)
    assert str(path) in str(caught.value)
    assert path.read_bytes() == before


@pytest.mark.parametrize("case", [*crafted.DOCUMENTS, *crafted.ENTRIES])
def test_what_makes_no_study_is_one_error_that_names_the_file(path, case):
    crafted.craft(path, (crafted.DOCUMENTS | crafted.ENTRIES)[case], seal=True)
    said = read_or_refused(path)
    assert str(path) in said or said.startswith("({'title': ")


@pytest.mark.parametrize(("case", "words"), [
    ("endless view for a table", "the view 'measurement' in it is not as in a study"),
    ("trigger that alters what is entered", "the trigger 'measurement_no_update'"),
    ("guard that is gone", "it lacks the trigger 'measurement_no_delete'"),
    ("table more", "it holds the table 'more', which is no part of a study"),
    ("results with two columns exchanged", "the view 'results' in it does not show"),
    ("tables not strict in part", "the table 'measurement' in it is not as in a study")])
def test_the_sentence_says_what_is_wrong(path, case, words):
    crafted.craft(path, crafted.LAYOUTS[case], seal=False)
    with pytest.raises(StudyFileError) as caught:
        open_study(path)
    assert words in caught.value.problem
    assert "ask whoever sent it" in caught.value.remedy


@pytest.mark.parametrize(("case", "words"), [
    ("brief with a response that is no name", "a name must be letters, digits and underscores"),
    ("brief that is empty", "the brief in it cannot be used"),
    ("plan numbered in 1e30", "the plan in it cannot be used"),
    ("reading without an end", "has a reading without an end"),
    ("setting of nothing known", "has a setting that its brief does not vary"),
    ("time that is none", "has a time that is none")])
def test_the_sentence_says_what_cannot_be(path, case, words):
    crafted.craft(path, (crafted.DOCUMENTS | crafted.ENTRIES)[case], seal=True)
    with pytest.raises(StudyFileError) as caught:
        all_it_says(path)
    assert words in caught.value.problem


def test_texts_in_another_encoding_are_refused(tmp_path, path):
    other = tmp_path / "wide.study"
    with closing(sqlite3.connect(path)) as db, closing(sqlite3.connect(other)) as wide:
        wide.execute("PRAGMA encoding = 'UTF-16'")
        wide.executescript("".join(line + "\n" for line in db.iterdump()))
        for pragma in ("application_id", "user_version"):
            wide.execute(f"PRAGMA {pragma} = {db.execute(f'PRAGMA {pragma}').fetchone()[0]}")
    with pytest.raises(StudyFileError, match="its texts are in UTF-16"):
        open_study(other)


def test_what_analyse_leaves_and_vacuum_moves_is_no_harm(path):
    right = all_it_says(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("ANALYZE")
        db.execute("VACUUM")
    assert all_it_says(path) == right


def test_a_few_made_by_chance():
    """A small part of ``python -m benchmarks.attacks crafted``."""
    assert crafted.run(seed=5, count=12) == []


def test_a_stranger_s_study_can_be_saved_without_what_was_added(path, tmp_path):
    crafted.craft(path, crafted.LAYOUTS["trigger that adds what was not entered"], seal=False)
    done = rescue(path, tmp_path / "saved.study")
    assert done.lost == ()
    with open_study(done.path) as file:
        file.record(file.read().pending[-1], {"voids": 1})
        assert file.history(response="voids")["value"].tolist()[-1] == 1


@pytest.mark.skipif(not hasattr(signal, "setitimer"), reason="needs a timer of signals")
def test_the_keyboard_is_heard_while_the_database_is_busy():
    def pressed(*_):
        raise KeyboardInterrupt

    before = signal.signal(signal.SIGALRM, pressed)
    try:
        with closing(sqlite3.connect(":memory:")) as db:
            guard(db)
            signal.setitimer(signal.ITIMER_REAL, 0.05)
            with pytest.raises(KeyboardInterrupt), translated(Path("a.study")):
                db.execute(f"{crafted.ENDLESS} SELECT count(*) FROM n").fetchone()
    finally:
        signal.signal(signal.SIGALRM, before)


# ---- what a terminal would obey

ORDERS = "\x1b]0;owned\x07\x1b[2J\r\x9b31m\u202egnp\u2066\x7f"


def test_a_terminal_is_given_no_orders(tmp_path, capsys, monkeypatch):
    study = tmp_path / "orders\x1b[2J.study"
    with open_study(study, create=BRIEF.replace(title=f"Paste {ORDERS}")) as file:
        file.set_plan(random_plan(BRIEF, 3))
        file.record(1, {"voids": 1}, remark=ORDERS, operator=ORDERS, settings={"time": 61})
        file.void(1, f"lid {ORDERS}")
    for words in (["status", str(study)], ["status", f"{study}{ORDERS}"],
                  ["sheet", str(study), "--out", str(tmp_path / f"a{ORDERS[:4]}.csv")]):
        monkeypatch.setattr(sys, "argv", ["doe", *words])
        with pytest.raises(SystemExit):
            __main__.main()
        said = "".join(capsys.readouterr())
        assert said.strip()
        assert not set(said) & set(ORDERS) - set("0;owned[2J]31mgnp")


def test_what_is_hidden_is_shown():
    assert harmless(ORDERS) == ("␛]0;owned␇␛[2J␍<U+009B>31m<U+202E>gnp<U+2066>␡")
    assert harmless("naïve µm ≤ 3\n\t– 𝛂") == "naïve µm ≤ 3\n\t– 𝛂"
    assert harmless("\udcff") == "<U+DCFF>"

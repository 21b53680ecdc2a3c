"""Opening study files: what is refused says which file, what is wrong and what to do."""

from __future__ import annotations

import os
import pickle
import shutil
import sqlite3
import tempfile
from contextlib import contextmanager
from pathlib import Path

import pytest
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.store import StudyFileError, open_study
from doe.store_open import copy

BRIEF = template_brief()
PLAN = random_plan(BRIEF, 8)


@pytest.fixture
def path(tmp_path) -> Path:
    path = tmp_path / "paste.study"
    with open_study(path, create=BRIEF) as study_file:
        study_file.set_plan(PLAN)
        study_file.record(1, {"voids": 0.4}, operator="R. Ito")
    return path


def refusal(path, **options) -> StudyFileError:
    with pytest.raises(StudyFileError) as caught:
        open_study(path, **options)
    assert str(path) in str(caught.value)
    assert isinstance(caught.value, InputError)
    return caught.value


@contextmanager
def ordinary_user():
    """Root may write anything, so permissions are tested as somebody else."""
    if os.geteuid() != 0:
        yield
        return
    os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(0)


def test_what_was_written_is_read(path):
    with open_study(path) as study_file:
        study = study_file.read()
    assert study.brief == BRIEF
    assert study.plan == PLAN
    assert study.records[0].measurements == {"voids": 0.4}


def test_a_closed_file_is_one_plain_database(path):
    assert [p.name for p in path.parent.iterdir()] == [path.name]
    assert path.read_bytes()[:15] == b"SQLite format 3"


def test_settings_that_keep_the_data(path):
    with open_study(path) as study_file:
        pragma = lambda name: study_file._db.execute(f"PRAGMA {name}").fetchone()[0]  # noqa: E731
        assert pragma("journal_mode") == "delete"
        assert pragma("synchronous") == 3  # EXTRA
        assert pragma("foreign_keys") == 1
        assert pragma("busy_timeout") == 10_000
        assert pragma("user_version") == 2


def test_a_missing_file_says_what_is_near(path):
    error = refusal(path.with_name("pate.study"))
    assert (error.problem, error.remedy) == ("there is no such file",
                                             "Did you mean 'paste.study'")
    assert not path.with_name("pate.study").exists()
    assert "create=" in refusal(path.with_name("quite another.db")).remedy


def test_a_folder_is_no_file(tmp_path):
    assert refusal(tmp_path).problem == "this is a folder"


def test_a_folder_that_is_missing(tmp_path):
    assert "folder exists" in refusal(tmp_path / "no" / "x.study", create=BRIEF).remedy


def test_an_existing_study_is_not_started_over(path):
    before = path.read_bytes()
    assert refusal(path, create=BRIEF).problem == "it exists already"
    assert path.read_bytes() == before


def test_a_study_starts_in_an_empty_file_but_not_with_anything_but_a_brief(tmp_path):
    path = tmp_path / "empty.study"
    path.touch()
    assert refusal(path).problem == "this is not a study file"
    with open_study(path, create=BRIEF) as study_file:
        assert study_file.read().brief == BRIEF
    with pytest.raises(InputError, match="this is no Brief"):
        open_study(tmp_path / "new.study", create="my brief")
    assert not (tmp_path / "new.study").exists()


@pytest.mark.parametrize("content", [b"run,voids\n1,0.4\n" * 100, b"\x00" * 5000, b"S"])
def test_another_kind_of_file(tmp_path, content):
    path = tmp_path / "sheet.csv"
    path.write_bytes(content)
    assert refusal(path).problem == "this is not a study file"
    assert refusal(path, create=BRIEF).problem == "this is not a study file"
    assert path.read_bytes() == content


def test_another_database_is_left_as_it_is(tmp_path):
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE t (a)")
    db.close()
    before = path.read_bytes()
    assert refusal(path).problem == "this is not a study file"
    assert refusal(path, create=BRIEF).problem == "it exists already"
    assert path.read_bytes() == before


def test_a_newer_format(path):
    db = sqlite3.connect(path)
    db.execute("PRAGMA user_version = 99")
    db.close()
    error = refusal(path)
    assert "newer version (format 99" in error.problem
    assert error.remedy == "Update this package"


@pytest.mark.parametrize("share", [0.1, 0.5, 0.9])
def test_a_file_cut_short(path, share):
    whole = path.read_bytes()
    path.write_bytes(whole[: int(share * len(whole))])
    error = refusal(path)
    assert error.problem == "it is damaged or cut short"
    assert "last complete copy" in error.remedy


def test_a_file_overwritten_in_the_middle(path):
    whole = bytearray(path.read_bytes())
    whole[len(whole) // 2 : len(whole) // 2 + 4096] = b"\xff" * 4096
    path.write_bytes(whole)
    assert refusal(path).problem == "it is damaged or cut short"


def test_a_write_protected_file_can_be_read_when_that_is_said(path):
    folder = Path(tempfile.mkdtemp())
    try:
        copy = Path(shutil.copy(path, folder / "archive.study"))
        copy.chmod(0o444)
        folder.chmod(0o555)
        with ordinary_user():
            error = refusal(copy)
            assert "write-protected" in error.problem
            assert "read_only=True" in error.remedy
            with open_study(copy, read_only=True) as study_file:
                assert study_file.read().records[0].measurements == {"voids": 0.4}
                with pytest.raises(StudyFileError, match="opened for reading only"):
                    study_file.record(2, {"voids": 1})
        assert [p.name for p in folder.iterdir()] == ["archive.study"]
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_a_folder_in_which_nothing_may_be_written(path):
    folder = Path(tempfile.mkdtemp())
    try:
        copy = Path(shutil.copy(path, folder / "archive.study"))
        copy.chmod(0o666)
        folder.chmod(0o555)
        with ordinary_user():
            error = refusal(copy)
            assert "read_only=True" in error.remedy or "folder" in error.remedy
            with open_study(copy, read_only=True) as study_file:
                assert len(study_file.read().records) == 1
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


def test_reading_only_leaves_the_file_alone(path):
    before = path.read_bytes()
    with open_study(path, read_only=True) as study_file:
        study_file.read()
        for change in (lambda: study_file.record(2, {"voids": 1}),
                       lambda: study_file.void(2, "r"),
                       lambda: study_file.set_brief(BRIEF.replace(notes="n"), reason="r")):
            with pytest.raises(StudyFileError, match="opened for reading only"):
                change()
    assert path.read_bytes() == before


def test_a_closed_study_says_so(path):
    study_file = open_study(path)
    study_file.close()
    study_file.close()
    with pytest.raises(StudyFileError, match="Open it again"):
        study_file.read()


def test_a_copy_taken_while_writing_is_complete(path, tmp_path):
    with open_study(path) as study_file:
        study_file.record(2, {"voids": 0.5})  # still in the log beside the file
        copy = study_file.save_copy(tmp_path / "copy.study")
        with pytest.raises(StudyFileError, match="exists already"):
            study_file.save_copy(copy)
        with open_study(copy) as other:
            assert other.read().records == study_file.read().records
            other.record(3, {"voids": 0.6})
        assert len(study_file.read().records) == 2


def test_names_with_signs_that_mean_something_in_a_uri(tmp_path):
    path = tmp_path / "50 % α?#1&mode=ro.study"
    with open_study(path, create=BRIEF) as study_file:
        study_file.set_plan(PLAN)
    assert path.exists()
    with open_study(str(path)) as study_file:
        assert study_file.read().plan == PLAN


def test_text_that_is_no_text_is_refused(path):
    with open_study(path) as study_file:
        with pytest.raises(InputError, match="a character that is no text"):
            study_file.record(2, {"voids": 1}, remark="\ud800")
        study_file.record(2, {"voids": 1}, remark="naïve 𝛂 \x00 '; DROP TABLE trail; --")
        assert study_file.read().records[1].remark == "naïve 𝛂 \x00 '; DROP TABLE trail; --"


def test_the_error_travels_between_processes():
    error = StudyFileError("a.study", "it is gone", "Look for it")
    assert str(pickle.loads(pickle.dumps(error))) == str(error)


def test_half_a_copy_does_not_pass_for_one(tmp_path):
    class Full:
        in_transaction = False

        def backup(self, target):
            target.execute("CREATE TABLE half (of_it)")
            raise sqlite3.OperationalError("database or disk is full")

    with pytest.raises(sqlite3.OperationalError):
        copy(Full(), tmp_path / "a.study", tmp_path / "copy.study")
    assert list(tmp_path.iterdir()) == []

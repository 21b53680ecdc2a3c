"""Damage of a study file is found, named, and what is left can be saved."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from pathlib import Path
from zlib import crc32

import pytest
from study_cases import random_plan, template_brief

from benchmarks.attacks import flips
from benchmarks.attacks.sample import all_it_says, sample_study
from doe.errors import InputError
from doe.records import Record
from doe.store import StudyFileError, open_study
from doe.store_rescue import AUTHOR, rescue
from doe.store_schema import columns, objects
from doe.store_seal import ROWS

BRIEF = template_brief()
PAGE = 4096


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> bytes:
    return sample_study(tmp_path_factory.mktemp("whole") / "w.study").read_bytes()


@pytest.fixture
def path(tmp_path, whole) -> Path:
    path = tmp_path / "paste.study"
    path.write_bytes(whole)
    return path


def altered(path: Path, *statements: str) -> None:
    """Change rows behind the back of the guards, which are there again afterwards."""
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        guards = db.execute("SELECT name, sql FROM sqlite_master WHERE type = 'trigger'").fetchall()
        for name, _ in guards:
            db.execute(f"DROP TRIGGER {name}")
        for statement in statements:
            db.execute(statement)
        for _, statement in guards:
            db.execute(statement)


def first_format(path: Path) -> None:
    """As the first release wrote it: without the table of checksums."""
    altered(path)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("DROP TABLE seal")
        db.execute("PRAGMA user_version = 1")


def refusal(path: Path, **options) -> StudyFileError:
    with pytest.raises(StudyFileError) as caught:
        open_study(path, **options)
    assert str(path) in str(caught.value)
    return caught.value


def without_page(path: Path, table: str) -> None:
    """Overwrite the first page of a table with zeros."""
    with closing(sqlite3.connect(path)) as db:
        (root,) = db.execute("SELECT rootpage FROM sqlite_master WHERE name = ?",
                             (table,)).fetchone()
    data = bytearray(path.read_bytes())
    data[(root - 1) * PAGE: root * PAGE] = bytes(PAGE)
    path.write_bytes(data)


# ---- found


@pytest.mark.parametrize("cut", [1, 100, PAGE, 3 * PAGE, 60_000])
def test_a_file_cut_short_by_any_length(path, cut):
    data = path.read_bytes()
    path.write_bytes(data[:-cut])
    for read_only in (True, False):
        error = refusal(path, read_only=read_only)
        assert error.problem.startswith("it is damaged or cut short")
        assert f"python -m doe rescue {path}" in error.remedy
    assert path.read_bytes() == data[:-cut]


@pytest.mark.parametrize(("table", "column"), [
    (table, column) for table in ROWS for column in columns(table) if column not in ("id",)])
def test_every_value_of_every_row_is_sealed(path, table, column):
    kind = columns(table)[column].split()[0]
    value = {"INTEGER": f"{column} + 1000", "REAL": f"coalesce({column}, 0.0) * 1.0000000000000002",
             "TEXT": f"{column} || ' '"}[kind]
    if column == "value" and table == "plan_setting":
        value = f"{column} * (1 + 2e-16)"
    if column in ("whole_plot", "level"):
        value = "1" if column == "whole_plot" else "''"
    with closing(sqlite3.connect(path)) as db:
        db.execute("PRAGMA ignore_check_constraints = ON")
        (key,) = db.execute(f"SELECT max(rowid) FROM {table} WHERE {value} IS NOT {column}"
                            ).fetchone()
    altered(path, "PRAGMA ignore_check_constraints = ON",
            f"UPDATE {table} SET {column} = {value} WHERE rowid = {key}")
    assert "damaged" in refusal(path).problem


def test_what_is_damaged_is_named(path):
    altered(path, "UPDATE measurement SET value = value + 0.5 WHERE id = 5",
            "UPDATE attempt_state SET operator = 'X' WHERE run = 7",
            "UPDATE setting SET value = 64 WHERE run = 8",
            "UPDATE trail SET who = 'X' WHERE id = 1")
    problem = refusal(path).problem
    with closing(sqlite3.connect(path)) as db:
        run, response = db.execute("SELECT run, response FROM measurement WHERE id = 5").fetchone()
        (factor,) = db.execute("SELECT factor FROM setting WHERE run = 8").fetchone()
    for said in (f"run {run} ({response})", "run 7 (status, time, operator or remark)",
                 f"run 8 ({factor})", "line 1 of the trail"):
        assert said in problem


def test_a_text_is_sealed_to_its_end_whatever_it_holds(tmp_path):
    path = tmp_path / "p.study"
    with open_study(path, create=BRIEF) as file:
        file.set_plan(random_plan(BRIEF, 2))
        file.record(1, {"voids": 1}, remark="before \x00 after")
    open_study(path).close()
    altered(path, "UPDATE attempt_state SET remark = 'before ' || char(0) || ' later'")
    assert "run 1" in refusal(path).problem


@pytest.mark.parametrize("table", ["measurement", "attempt_state", "trail", "plan_setting", "seal"])
def test_rows_that_are_gone_are_missed(path, table):
    altered(path, f"DELETE FROM {table} WHERE rowid = (SELECT max(rowid) FROM {table})")
    assert "damaged" in refusal(path).problem


def test_rows_of_another_program_are_no_entries(path):
    with closing(sqlite3.connect(path)) as db, db:
        db.execute("INSERT INTO measurement (run, attempt, response, value, qualifier, unit, "
                   "entered_at, author, reason) VALUES (1, 1, 'voids', 9, '', '%', '', '', '')")
    assert "run 1 (voids)" in refusal(path).problem


def test_a_checksum_is_what_its_description_says(path):
    """CRC-32 as zlib has it, of the texts joined by | and the number in IEEE 754."""
    assert crc32(b"123456789") == 0xCBF43926  # check value of CRC-32, ITU-T V.42 (from memory)
    with closing(sqlite3.connect(path)) as db:
        (seal,) = db.execute("SELECT measurement FROM seal WHERE measurement IS NOT NULL "
                             "ORDER BY id LIMIT 1").fetchone()
        row = db.execute("SELECT id, run, attempt, response, qualifier, entered_at, unit, author, "
                         "reason, value FROM measurement WHERE id = 1").fetchone()
    said = "|".join(map(str, row[:-1])).encode() + struct.pack("<d", row[-1])
    assert seal[:12] == struct.pack("<qI", 1, crc32(said))


def test_single_bytes_changed_anywhere():
    """A small part of ``python -m benchmarks.attacks flips``."""
    assert flips.run(seed=7, count=60) == []


def test_copies_and_many_at_once_are_sealed_too(path, tmp_path):
    with open_study(path) as file:
        due = file.read().pending
        file.record_many([Record(run, measurements={"voids": 1}) for run in due])
        copy = file.save_copy(tmp_path / "copy.study")
    assert all_it_says(copy) == all_it_says(path)


# ---- the first format


def test_the_first_format_is_read_as_it_is(path):
    right = all_it_says(path)
    first_format(path)
    before = path.read_bytes()
    assert all_it_says(path) == right
    assert path.read_bytes() == before


def test_the_first_format_is_brought_to_the_second_for_writing(path):
    right = all_it_says(path)
    first_format(path)
    open_study(path).close()
    assert all_it_says(path) == right
    with closing(sqlite3.connect(path)) as db:
        assert db.execute("PRAGMA user_version").fetchone() == (2,)
        assert {name for name, in db.execute("SELECT name FROM sqlite_master")} >= set(objects(2))
    altered(path, "UPDATE measurement SET value = value + 1 WHERE id = 5")
    assert "run" in refusal(path).problem


def test_a_damaged_file_of_the_first_format_stays_as_it_is(path):
    first_format(path)
    without_page(path, "measurement")
    before = path.read_bytes()
    assert "damaged" in refusal(path).problem
    assert path.read_bytes() == before


# ---- saved


def test_all_is_saved_where_only_the_first_page_is_gone(path, tmp_path):
    right = all_it_says(path)
    path.write_bytes(bytes(PAGE) + path.read_bytes()[PAGE:])
    refusal(path)
    done = rescue(path, tmp_path / "saved.study")
    assert done.lost == ()
    with open_study(done.path) as file:
        study = file.read()
        assert study.trail["kind"].iloc[-1] == "rescue"
        file.record(study.pending[-1], {"voids": 1})
    records = right.split("(Record(")[1].split("' when,")[0]
    assert repr(study.records)[8:500] in records


def test_what_is_lost_is_missed_and_the_damaged_file_stays(path, tmp_path):
    with open_study(path, read_only=True) as file:
        before, history = file.read(), file.history()
    first = history.iloc[0]
    altered(path, "UPDATE measurement SET value = value + 1 WHERE id = 1")
    damaged = path.read_bytes()
    done = rescue(path, tmp_path / "saved.study")
    assert path.read_bytes() == damaged
    assert len(done.lost) == 1
    assert f"run {first['run']} ({first['response']})" in done.lost[0]
    assert f"{first['response']} = {first['value']:g}" in done.lost[0]  # from the trail
    with open_study(done.path) as file:
        study = file.read()
    for old, new in zip(before.records, study.records, strict=True):
        gone = old.run == first["run"] and old.attempt == first["attempt"]
        assert new.measurements == {k: v for k, v in old.measurements.items()
                                    if not (gone and k == first["response"])}
        assert (new.status, new.settings, new.time) == (old.status, old.settings, old.time)


def test_an_older_reading_does_not_pass_for_a_lost_correction(path, tmp_path):
    with open_study(path, read_only=True) as file:
        history = file.history(2)
    name, corrected = history.iloc[-1]["response"], history.iloc[-1]["value"]
    with closing(sqlite3.connect(path)) as db:
        (key,) = db.execute("SELECT max(id) FROM measurement WHERE run = 2").fetchone()
    altered(path, f"DELETE FROM measurement WHERE id = {key}")
    done = rescue(path, tmp_path / "saved.study")
    assert "the reading before it withdrawn" in done.lost[0]
    assert f"{name} = {corrected:g}" in done.lost[0]
    with open_study(done.path) as file:
        assert name not in file.read().attempts(2)[-1].measurements
        last = file.history(2, name).iloc[-1]
    assert last["author"] == AUTHOR
    assert last["change"] == "withdrawn"


def test_an_attempt_whose_setting_is_lost_is_set_aside(path, tmp_path):
    altered(path, "UPDATE setting SET value = 1 WHERE run = 8")
    done = rescue(path, tmp_path / "saved.study")
    with open_study(done.path) as file:
        study = file.read()
    assert study.attempts(8)[-1].status == "void"
    assert 8 in study.pending
    assert "the attempt is set aside" in done.lost[0]


def test_a_status_that_is_lost_is_taken_from_the_trail(path, tmp_path):
    with open_study(path, read_only=True) as file:
        before = {(r.run, r.attempt): r.status for r in file.read().records}
    without_page(path, "attempt_state")
    done = rescue(path, tmp_path / "saved.study")
    with open_study(done.path) as file:
        records = file.read().records
    assert {(r.run, r.attempt): r.status for r in records} == before
    assert all("taken from the trail" in line for line in done.lost)


def test_without_a_brief_the_readings_can_be_had(path, tmp_path):
    without_page(path, "brief")
    with pytest.raises(StudyFileError, match=r"--out readings\.csv") as caught:
        rescue(path, tmp_path / "saved.study")
    assert "brief cannot be read" in caught.value.problem
    done = rescue(path, tmp_path / "readings.csv")
    with closing(sqlite3.connect(path)) as db:
        readings = db.execute("SELECT count(*) FROM measurement").fetchone()[0]
    assert len(done.path.read_text("utf-8").splitlines()) == readings + 1
    assert not (tmp_path / "saved.study").exists()


def test_a_rescue_takes_no_other_file_and_no_place_that_is_taken(path, tmp_path):
    other = tmp_path / "other.study"
    other.write_bytes(b"run,voids\n" * 2000)
    with pytest.raises(StudyFileError, match="nothing in it can be read"):
        rescue(other, tmp_path / "saved.study")
    with pytest.raises(StudyFileError, match="there is no such file"):
        rescue(tmp_path / "none.study", tmp_path / "saved.study")
    with pytest.raises(InputError, match="of this name already"):
        rescue(path, other)
    assert not (tmp_path / "saved.study").exists()


def test_whatever_page_is_gone_no_value_changes(path, tmp_path, whole):
    """Readings of the study saved are those of before, or missing."""
    with open_study(path, read_only=True) as file:
        right = {(r.run, r.attempt): r for r in file.read().records}
    saved = 0
    for page in range(len(whole) // PAGE):
        path.write_bytes(whole[:page * PAGE] + bytes(PAGE) + whole[(page + 1) * PAGE:])
        try:
            done = rescue(path, tmp_path / f"{page}.study")
        except StudyFileError:  # the brief or the plan
            continue
        saved += 1
        with open_study(done.path, read_only=True) as file:
            for r in file.read().records:
                old = right[r.run, r.attempt]
                assert r.measurements.items() <= old.measurements.items()
                assert r.status in (old.status, "void")
                assert r.settings == old.settings or r.status == "void"
    assert saved > len(whole) // PAGE / 2

"""Killed writers and writers at the same time: nothing acknowledged is lost, nothing torn."""

from __future__ import annotations

import signal
import sqlite3
import subprocess
import sys
from pathlib import Path

import pytest
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.records import Record
from doe.store import StudyFileError, open_study

BRIEF = template_brief()
RUNS = 40

WRITER = """
import itertools, sys
from doe.store import open_study
with open_study(sys.argv[1]) as study_file:
    for i in itertools.count(1):
        run = (i - 1) % {runs} + 1
        if i <= {runs}:
            study_file.record(run, {{"coarsest_lump": i}}, operator="R. Ito")
        else:
            study_file.amend(run, {{"coarsest_lump": i}}, reason="again")
        print(i, flush=True)
"""

MANY = """
import sys
from doe.records import Record
from doe.store import open_study
def records():
    for run in range(1, {runs} + 1):
        yield Record(run, measurements={{"coarsest_lump": run}})
        if run == 25:
            print("half way", flush=True)
            sys.stdin.read()
with open_study(sys.argv[1]) as study_file:
    study_file.record_many(records())
"""

CONTENDER = """
import sys
from doe.errors import InputError
from doe.store import open_study
mine = float(sys.argv[2])
with open_study(sys.argv[1], timeout=60) as study_file:
    print("ready", flush=True)
    sys.stdin.readline()
    for run in range(1, {runs} + 1):
        try:
            study_file.record(run, {{"coarsest_lump": mine}}, operator=sys.argv[2])
        except InputError as error:
            assert "already recorded" in str(error), error
        else:
            print(run, flush=True)
"""

CREATOR = """
import sys
from doe.brief import Brief
from doe.brief_toml import template_toml
from doe.store import StudyFileError, open_study
brief = Brief.from_toml(template_toml()).replace(title=sys.argv[2])
print("ready", flush=True)
sys.stdin.readline()
try:
    with open_study(sys.argv[1], create=brief) as study_file:
        print(study_file.read().brief.title)
except StudyFileError as error:
    print(error.problem)
"""


@pytest.fixture
def path(tmp_path) -> Path:
    path = tmp_path / "paste.study"
    with open_study(path, create=BRIEF) as study_file:
        study_file.set_plan(random_plan(BRIEF, RUNS))
    return path


def start(code: str, *arguments: object) -> subprocess.Popen:
    return subprocess.Popen(
        [sys.executable, "-c", code.format(runs=RUNS), *map(str, arguments)], text=True,
        stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=Path(__file__).parents[1])


@pytest.mark.parametrize("acknowledged", [1, 17, 90])
def test_a_killed_writer_loses_nothing_it_acknowledged(path, acknowledged):
    with start(WRITER, path) as writer:
        seen = [int(writer.stdout.readline()) for _ in range(acknowledged)]
        writer.send_signal(signal.SIGKILL)
        seen += [int(line) for line in writer.stdout.read().splitlines()]
    assert writer.returncode == -signal.SIGKILL
    last = seen[-1]
    with open_study(path) as study_file:
        values = study_file.history(response="coarsest_lump")["value"].tolist()
        # The one that was under way may be there as well, whole.
        assert values in (list(range(1, last + 1)), list(range(1, last + 2)))
        expected = {}
        for value in values:
            expected[(int(value) - 1) % RUNS + 1] = value
        study = study_file.read()
        assert {r.run: r.measurements["coarsest_lump"] for r in study.records} == expected
        assert len(study.trail) == 2 + len(values)
        study_file.amend(1, {"coarsest_lump": 0.5}, reason="still writable")


def test_a_writer_killed_half_way_through_many_leaves_none(path):
    with start(MANY, path) as writer:
        assert writer.stdout.readline() == "half way\n"
        writer.send_signal(signal.SIGKILL)
    with open_study(path) as study_file:
        assert study_file.read().records == ()
        assert len(study_file.read().trail) == 2
        study_file.record(1, {"coarsest_lump": 1})


def test_two_writers_at_once_both_succeed_and_never_overwrite(path):
    writers = {value: start(CONTENDER, path, value) for value in (1.0, 2.0)}
    for writer in writers.values():
        assert writer.stdout.readline() == "ready\n"
    for writer in writers.values():
        writer.stdin.write("go\n")
        writer.stdin.flush()
    won = {}
    for value, writer in writers.items():
        output, _ = writer.communicate(timeout=60)
        assert writer.returncode == 0
        won |= {int(run): value for run in output.split()}
    with open_study(path) as study_file:
        study = study_file.read()
    assert {r.run: r.measurements["coarsest_lump"] for r in study.records} == won
    assert len(won) == RUNS
    assert len(study.trail) == 2 + RUNS


def test_of_two_that_start_a_study_one_succeeds(tmp_path):
    writers = [start(CREATOR, tmp_path / "new.study", title) for title in ("one", "two")]
    for writer in writers:
        assert writer.stdout.readline() == "ready\n"
    for writer in writers:
        writer.stdin.write("go\n")
        writer.stdin.flush()
    said = [writer.communicate(timeout=60)[0].strip() for writer in writers]
    with open_study(tmp_path / "new.study") as study_file:
        assert study_file.read().brief.title in said
    refused = {"it exists already", "another program is writing to it"}
    assert len(refused & set(said)) == 1


def test_a_file_that_stays_busy_is_one_clear_error(path):
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with open_study(path, timeout=0) as study_file:
        with pytest.raises(StudyFileError) as caught:
            study_file.record(1, {"coarsest_lump": 3})
        assert caught.value.problem == "another program is writing to it"
        assert study_file.read().records == ()  # reading goes on
        other.execute("ROLLBACK")
        study_file.record(1, {"coarsest_lump": 3})
        assert len(study_file.read().records) == 1
    other.close()


def test_a_failed_entry_in_many_leaves_none(path):
    with open_study(path) as study_file:
        with pytest.raises(InputError) as caught:
            study_file.record_many([Record(1, measurements={"coarsest_lump": 3}),
                                    Record(2, measurements={"coarsest_lump": -3})])
        assert caught.value.field == "run 2, response 'coarsest_lump'"
        assert study_file.read().records == ()
        assert not study_file.read().locked


def test_an_interrupted_entry_leaves_nothing_and_the_file_usable(path):
    def records():
        yield Record(1, measurements={"coarsest_lump": 3})
        raise KeyboardInterrupt

    with open_study(path) as study_file:
        with pytest.raises(KeyboardInterrupt):
            study_file.record_many(records())
        assert study_file.read().records == ()
        study_file.record(1, {"coarsest_lump": 4})


def test_two_open_files_see_each_others_entries(path):
    with open_study(path) as one, open_study(path) as two:
        one.record(1, {"coarsest_lump": 3})
        assert two.read().records == one.read().records
        two.set_brief(BRIEF.replace(notes="changed"), reason="test")
        one.record(2, {"coarsest_lump": 4})
        assert one.read().brief.notes == "changed"


def test_entries_kept_together_are_kept_or_undone_together(path):
    with open_study(path) as study_file, open_study(path) as other:
        with study_file.together():
            study_file.record(1, {"coarsest_lump": 3})
            with pytest.raises(InputError):
                study_file.record_many([Record(2), Record(99)])
            study_file.amend(1, {"coarsest_lump": 4}, reason="r")
            assert len(study_file.read().records) == 1
            assert other.read().records == ()
        assert other.read().records[0].measurements == {"coarsest_lump": 4}

        def interrupted():
            with study_file.together():
                study_file.record(2, {"coarsest_lump": 3})
                study_file.void(1, "r")
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            interrupted()
        assert [(r.run, r.status) for r in study_file.read().records] == [(1, "done")]
        study_file.record(2, {"coarsest_lump": 5})
        assert len(other.read().records) == 2


def test_a_brief_that_was_undone_is_forgotten(path):
    with open_study(path) as study_file, open_study(path) as other:
        def interrupted():
            with study_file.together():
                study_file.set_brief(BRIEF.replace(notes="undone"))
                assert study_file.read().brief.notes == "undone"
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            interrupted()
        other.set_brief(BRIEF.replace(notes="kept"))  # takes the number of the one undone
        assert study_file.read().brief.notes == "kept"

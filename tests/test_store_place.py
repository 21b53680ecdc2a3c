"""One study is one file: a copy of it has every acknowledged entry, and it stays where it is."""

from __future__ import annotations

import os
import random
import shutil
import signal
import sqlite3
from dataclasses import dataclass
from pathlib import Path

import pytest
from store_cases import common_folder, nothing_writable, start
from study_cases import random_plan, template_brief

from doe.store import StudyFileError, StudyFileWarning, open_study

BRIEF = template_brief()
RUNS = 40
PLAN = random_plan(BRIEF, RUNS)

WRITER = """
import sys
from doe.store import open_study
with open_study(sys.argv[1]) as file:
    first = len(file.read().done) + 1
    for run in range(first, 41):
        file.record(run, {"coarsest_lump": run}, operator="R. Ito")
        print(run, flush=True)
"""

CUT_OFF = """
import os, resource, signal, sys
from doe.records import Record
from doe.store import open_study
file = open_study(sys.argv[1])
runs = range(len(file.read().done) + 1, 30)
# Killed by the system when the file would grow: when the entry is half written.
signal.signal(signal.SIGXFSZ, signal.SIG_DFL)
resource.setrlimit(resource.RLIMIT_FSIZE, (os.path.getsize(sys.argv[1]),) * 2)
file.record_many(Record(run, measurements={"coarsest_lump": run}, remark="x" * 3000)
                 for run in runs)
"""


@pytest.fixture
def path(tmp_path) -> Path:
    return new(tmp_path / "paste.study", 0)


def new(path: Path, runs: int) -> Path:
    with open_study(path, create=BRIEF) as file:
        file.set_plan(PLAN)
        for run in range(1, runs + 1):
            file.record(run, {"coarsest_lump": run})
    return path


def runs_in(path: Path, **options) -> list[int]:
    with open_study(path, **options) as file:
        return [r.run for r in file.read().done]


def beside(path: Path) -> list[str]:
    return sorted(p.name for p in path.parent.iterdir())


@dataclass(frozen=True)
class Torn:
    """A study that a program leaves that is killed while it writes a sixth entry."""

    file: bytes
    journal: bytes
    copies: dict[int, bytes]  # of the file, by the entries that it had
    later: bytes  # such a copy with which the work went on elsewhere

    def left_in(self, folder: Path) -> Path:
        path = folder / "paste.study"
        path.write_bytes(self.file)
        path.with_name("paste.study-journal").write_bytes(self.journal)
        return path


@pytest.fixture(scope="module")
def torn(tmp_path_factory) -> Torn:
    path, copies = new(tmp_path_factory.mktemp("torn") / "paste.study", 0), {}
    with open_study(path) as file:
        for run in range(1, 6):
            file.record(run, {"coarsest_lump": run})
            copies[run] = path.read_bytes()
    later = path.with_name("later.db")
    later.write_bytes(copies[5])
    with open_study(later) as file:
        for run in range(6, 12):
            file.record(run, {"coarsest_lump": run})
    with start(CUT_OFF, path) as writer:
        assert writer.wait(60) == -signal.SIGXFSZ
    assert path.read_bytes() != copies[5]
    journal = path.with_name("paste.study-journal").read_bytes()
    assert journal[:4] == b"\xd9\xd5\x05\xf9"
    return Torn(path.read_bytes(), journal, copies, later.read_bytes())


# ---- the file alone


def test_a_copy_of_the_one_file_has_every_acknowledged_entry(path, tmp_path):
    with open_study(path) as file:
        for run in range(1, 11):
            file.record(run, {"coarsest_lump": run})
            assert beside(path) == [path.name]
            copy = shutil.copyfile(path, tmp_path / "copy.db")
            assert runs_in(copy) == list(range(1, run + 1))
            copy.unlink()


def test_a_copy_has_them_while_another_writes_and_after_a_kill(path, tmp_path):
    chance = random.Random(1)
    for _ in range(2):
        with start(WRITER, path) as writer:
            for _ in range(chance.randrange(1, 4)):
                last = int(writer.stdout.readline())
            writer.send_signal(signal.SIGSTOP)  # as it stands, perhaps in the midst of an entry
            copy = shutil.copyfile(path, tmp_path / "copy.db")
            busy = Path(f"{path}-journal").exists()
            writer.send_signal(signal.SIGKILL)
            last = max([last, *map(int, writer.stdout.read().split())])
        if not busy:
            assert runs_in(copy) in (list(range(1, last + 1)), list(range(1, last + 2)))
        copy.unlink()
        assert runs_in(path) in (list(range(1, last + 1)), list(range(1, last + 2)))
        with open_study(path) as file:  # a journal that was never valid goes with the next entry
            file.set_brief(BRIEF.replace(notes=f"killed after {last}"), reason="r")
        assert beside(path) == [path.name]


# ---- a journal that a kill left


@pytest.mark.parametrize("read_only", [False, True])
def test_what_was_cut_off_is_undone(torn, tmp_path, read_only):
    path = torn.left_in(tmp_path)
    assert runs_in(path, read_only=read_only) == [1, 2, 3, 4, 5]
    assert beside(path) == [path.name]
    assert path.read_bytes() == torn.copies[5]


def test_it_is_read_without_what_was_cut_off_where_nothing_may_be_written(torn):
    with common_folder() as folder:
        path = torn.left_in(folder)
        with nothing_writable(folder), pytest.warns(StudyFileWarning, match="was cut off") as told:
            assert runs_in(path, read_only=True) == [1, 2, 3, 4, 5]
        assert len(told) == 1
        assert told[0].filename == __file__
        assert path.read_bytes() == torn.file
        assert runs_in(path) == [1, 2, 3, 4, 5]


@pytest.mark.parametrize("put", [shutil.copyfile, shutil.copy2, os.replace])
@pytest.mark.parametrize("older", [1, 3, 4])
def test_a_copy_that_is_put_back_is_not_changed_by_a_journal(torn, tmp_path, older, put):
    path, backup = torn.left_in(tmp_path), tmp_path / "backup.db"
    backup.write_bytes(torn.copies[older])
    put(backup, path)
    backup.unlink(missing_ok=True)
    with pytest.warns(StudyFileWarning, match="belonged to another file"):
        assert runs_in(path, read_only=True) == list(range(1, older + 1))
    assert path.read_bytes() == torn.copies[older]
    with pytest.warns(StudyFileWarning, match="it was not applied and is kept as"):
        assert runs_in(path) == list(range(1, older + 1))
    assert path.read_bytes() == torn.copies[older]
    assert beside(path) == [path.name, f"{path.name}-journal.1.not-applied"]


def test_the_very_state_to_which_a_journal_goes_back_can_be_put_back(torn, tmp_path):
    path = torn.left_in(tmp_path)
    path.write_bytes(torn.copies[5])
    assert runs_in(path) == [1, 2, 3, 4, 5]
    assert path.read_bytes() == torn.copies[5]


def test_a_newer_copy_that_is_put_back_is_not_undone(torn, tmp_path):
    path = torn.left_in(tmp_path)
    path.write_bytes(torn.later)
    with pytest.warns(StudyFileWarning, match="it was not applied"):
        assert runs_in(path) == list(range(1, 12))
    assert path.read_bytes() == torn.later


def test_another_study_of_that_name_is_not_changed_by_a_journal(torn, tmp_path):
    other = tmp_path / "other.study"
    with open_study(other, create=BRIEF.replace(title="another")) as file:
        file.set_plan(random_plan(BRIEF, 8, seed=2))
        for run in range(1, 6):
            file.record(run, {"coarsest_lump": 90 + run})
    whole, path = other.read_bytes(), torn.left_in(tmp_path)
    os.replace(other, path)
    with pytest.warns(StudyFileWarning, match="it was not applied"), open_study(path) as file:
        assert file.read().brief.title == "another"
    assert path.read_bytes() == whole


def test_what_no_journal_can_mend_is_damaged(torn, tmp_path):
    path = torn.left_in(tmp_path)
    path.write_bytes(torn.file[:8192] + b"\xff" * 20000 + torn.file[28192:])
    for read_only in (True, False):
        with pytest.raises(StudyFileError, match="damaged"):
            open_study(path, read_only=read_only)


def test_who_has_the_file_open_is_not_disturbed_by_another_who_opens_it(path):
    with open_study(path) as one:
        with one.together():
            one.record(1, {"coarsest_lump": 1})
            assert runs_in(path) == []
            assert runs_in(path, read_only=True) == []
        assert runs_in(path) == [1]


# ---- moved, deleted, replaced while open


def refused(file, run: int) -> StudyFileError:
    with pytest.raises(StudyFileError) as caught:
        file.record(run, {"coarsest_lump": run})
    assert "Nothing of this entry was kept" in caught.value.remedy
    return caught.value


def test_a_file_that_was_renamed_takes_no_entry(path, tmp_path):
    with open_study(path) as file:
        file.record(1, {"coarsest_lump": 1})
        path.rename(tmp_path / "moved.study")
        error = refused(file, 2)
        assert error.problem.startswith(("it was moved to", "it was deleted"))
        if Path("/proc/self/fd").exists():
            assert str(tmp_path / "moved.study") in error.problem
        assert [r.run for r in file.read().done] == [1]  # what there is can still be read
    assert runs_in(tmp_path / "moved.study") == [1]
    assert beside(path) == ["moved.study"]


def test_a_file_that_was_deleted_takes_no_entry_and_can_be_saved(path, tmp_path):
    with open_study(path) as file:
        file.record(1, {"coarsest_lump": 1})
        path.unlink()
        error = refused(file, 2)
        assert "it was deleted" in error.problem
        assert "save_copy()" in error.remedy
        assert not path.exists()
        assert runs_in(file.save_copy(tmp_path / "saved.study")) == [1]
        file.save_copy(path)
        refused(file, 2)
    assert runs_in(path) == [1]


@pytest.mark.parametrize("inside", [False, True])
def test_a_file_that_was_replaced_takes_no_entry(path, tmp_path, inside):
    backup = shutil.copy(path, tmp_path / "backup.db")
    whole = backup.read_bytes()

    def replace_while_open():
        with open_study(path) as file:
            file.record(1, {"coarsest_lump": 1})
            with file.together():
                if inside:
                    file.record(2, {"coarsest_lump": 2})
                os.replace(backup, path)
                if not inside:
                    file.record(2, {"coarsest_lump": 2})

    with pytest.raises(StudyFileError, match="it was replaced by another file"):
        replace_while_open()
    assert path.read_bytes() == whole
    assert beside(path) == [path.name]


@pytest.mark.parametrize("other", ["older", "another", "alike"])
def test_a_file_that_was_written_over_takes_no_entry(path, tmp_path, other):
    """In place, so that it is the same file to the system, and to SQLite too if it counts alike."""
    source = tmp_path / "source.db"
    if other == "older":
        shutil.copy(path, source)
    else:
        changes = {"title": "another", "purpose": "x" * 9000 if other == "another" else "p"}
        with open_study(source, create=BRIEF.replace(**changes)) as file:
            file.set_plan(PLAN)
            for run in range(1, 3):
                file.record(run, {"coarsest_lump": 50 + run})
    with open_study(path) as file:
        for run in range(1, 3):
            file.record(run, {"coarsest_lump": run})
        if other == "alike":
            counted = [p.read_bytes()[24:40] for p in (source, path)]
            assert counted[0] == counted[1]  # what SQLite looks at
        shutil.copyfile(source, path)
        error = refused(file, 3)
        assert "written over it while it was open here" in error.problem
        assert "is no longer in it" in error.problem
        refused(file, 4)
    assert path.read_bytes() == source.read_bytes()


def test_a_file_that_another_program_wrote_to_is_the_same_file(path):
    with open_study(path) as one, open_study(path) as two:
        for run in range(1, 6):
            one.record(run, {"coarsest_lump": run})
            two.record(run + 10, {"coarsest_lump": run})
        one.set_brief(BRIEF.replace(notes="n"), reason="r")
        two.amend(1, {"coarsest_lump": 9}, reason="r")
        assert len(one.read().done) == 10


def test_a_reader_of_a_replaced_file_goes_on_with_what_it_opened(path, tmp_path):
    backup = shutil.copy(path, tmp_path / "backup.db")
    with open_study(path) as file:
        file.record(1, {"coarsest_lump": 1})
    with open_study(path, read_only=True) as file:
        os.replace(backup, path)
        assert [r.run for r in file.read().done] == [1]
    assert runs_in(path) == []


def test_other_databases_are_left_alone(tmp_path):
    path = tmp_path / "other.db"
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA journal_mode = WAL")
        db.execute("CREATE TABLE t (a)")
    db.close()
    for read_only in (True, False):
        with pytest.raises(StudyFileError, match="this is not a study file"):
            open_study(path, read_only=read_only)
    with sqlite3.connect(path) as db:
        assert db.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    db.close()

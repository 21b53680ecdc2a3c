"""On a drive whose locks do not hold: one writer at a time, known by name, and never two."""

from __future__ import annotations

import gc
import json
import os
import re
import shutil
import signal
import threading
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from pathlib import Path

import pytest
from store_cases import common_folder, nothing_writable, start
from study_cases import random_plan, template_brief

from doe import store_lease
from doe.store import StudyFileError, open_study
from doe.store_lease import STALE, Holder, lease_path

BRIEF = template_brief()
RUNS = 40
PLAN = random_plan(BRIEF, RUNS)
CLOCK = r"(\d{4}-\d\d-\d\d )?\d\d:\d\d"

# As on a drive that grants every lock to everybody.
UNLOCKED = """
import sqlite3, sys
from doe.errors import InputError
from doe.store import open_study
locking = sqlite3.connect
def connect(target, *more, **options):
    if options.get("uri"):
        target += "&vfs=unix-none"
    return locking(target, *more, **options)
sqlite3.connect = connect
path = sys.argv[1]
"""

HOLDER = UNLOCKED + """
with open_study(path, shared=True) as file:
    print("open", flush=True)
    for line in sys.stdin:
        run = int(line)
        try:
            file.record(run, {"coarsest_lump": run}, operator="R. Ito")
            print("kept", flush=True)
        except InputError as error:
            print(error, flush=True)
"""

CONTENDER = UNLOCKED + """
import time
mine, refused = int(sys.argv[2]), 0
print("ready", flush=True)
sys.stdin.readline()
for run in range(mine, 41, 3):
    while True:
        try:
            with open_study(path, shared=True) as file:
                file.record(run, {"coarsest_lump": run}, operator=str(mine))
            break
        except InputError as error:
            assert "has it open for writing" in str(error), error
            refused += 1
            time.sleep(0.001)
print(refused, flush=True)
"""

READER = UNLOCKED + """
print("ready", flush=True)
sys.stdin.readline()
seen = 0
for turn in range(60):
    if turn % 10 == 0:
        file = open_study(path, shared=True, read_only=True)
    done = len(file.read().done)
    assert done >= seen, (done, seen)
    seen = done
print(seen, flush=True)
"""


@pytest.fixture
def path(tmp_path) -> Path:
    path = tmp_path / "paste.study"
    with open_study(path, create=BRIEF) as file:
        file.set_plan(PLAN)
    return path


def beside(path: Path) -> list[str]:
    return sorted(p.name for p in path.parent.iterdir())


def ask(program, line: object) -> str:
    program.stdin.write(f"{line}\n")
    program.stdin.flush()
    return program.stdout.readline().strip()


def refusal(path: Path) -> StudyFileError:
    with pytest.raises(StudyFileError) as caught:
        open_study(path, shared=True)
    return caught.value


def runs_in(path: Path) -> list[int]:
    with open_study(path, read_only=True, shared=True) as file:
        return [r.run for r in file.read().done]


def older(file: Path, by: float = STALE + 60) -> None:
    """As if it had been renewed for the last time so many seconds ago."""
    then = file.stat().st_mtime - by
    os.utime(file, (then, then))


def somebody_else(path: Path, **changes: object) -> Holder:
    """A lease of a colleague at another computer."""
    holder = replace(Holder.here(), user="M. Abel", host="lab7", pid=4711, space="elsewhere",
                     **changes)
    lease_path(path).write_bytes(holder.written())
    return holder


def enter_while(file, something) -> None:
    with file.together():
        file.record(2, {"coarsest_lump": 2})
        something()


# ---- who has it


def test_a_second_writer_is_told_who_has_it_and_since_when(path):
    with start(HOLDER, path) as holder:
        assert holder.stdout.readline() == "open\n"
        assert ask(holder, 1) == "kept"
        error = refusal(path)
        assert re.search(rf"\(process {holder.pid}\) has it open for writing since {CLOCK}; last "
                         rf"entry {CLOCK}$", error.problem), error.problem
        assert "read_only=True" in error.remedy
        assert "when that notebook or program is closed" in error.remedy  # it is our own
        assert runs_in(path) == [1]  # reading goes on
        assert ask(holder, 2) == "kept"
        assert runs_in(path) == [1, 2]
        holder.stdin.close()
        assert holder.wait(60) == 0
    assert beside(path) == [path.name]
    with open_study(path, shared=True) as file:
        file.record(3, {"coarsest_lump": 3})
    assert runs_in(path) == [1, 2, 3]


def test_a_colleague_at_another_computer_is_named(path):
    somebody_else(path)
    error = refusal(path)
    assert error.problem.startswith("M. Abel on lab7 (process 4711) has it open for writing since")
    assert "when they close it" in error.remedy
    assert f"delete '{path.name}-writer'" in error.remedy
    assert runs_in(path) == []
    assert beside(path) == [path.name, f"{path.name}-writer"]


def test_the_lease_says_in_plain_words_who_holds_it(path):
    with open_study(path, shared=True):
        said = json.loads(lease_path(path).read_text())
    assert (said["pid"], said["host"]) == (os.getpid(), os.uname().nodename)
    assert list(said) == ["user", "host", "pid", "space", "born", "since", "renewed", "token"]


# ---- when it goes


def test_a_killed_writer_holds_nothing(path):
    with start(HOLDER, path) as holder:
        assert holder.stdout.readline() == "open\n"
        assert ask(holder, 1) == "kept"
        holder.send_signal(signal.SIGKILL)
        while "Z" not in Path(f"/proc/{holder.pid}/stat").read_text().rpartition(")")[2]:
            pass  # dead, but not yet buried
        assert beside(path) == [path.name, f"{path.name}-writer"]
        with open_study(path, shared=True) as file:
            file.record(2, {"coarsest_lump": 2})
    assert runs_in(path) == [1, 2]
    assert beside(path) == [path.name]


def test_a_process_number_given_again_is_another_process(path):
    here = Holder.here()
    lease_path(path).write_bytes(replace(here, born="another start").written())
    with open_study(path, shared=True):
        pass
    # In another container the number says nothing, so the process may live.
    lease_path(path).write_bytes(replace(here, born="another start", space="there").written())
    refusal(path)


def test_a_lease_in_which_nothing_was_entered_for_long_is_taken_over(path):
    somebody_else(path)
    older(lease_path(path), STALE - 60)
    refusal(path)
    older(lease_path(path), 120)
    with open_study(path, shared=True) as file:
        file.record(1, {"coarsest_lump": 1})
    assert beside(path) == [path.name]


def test_the_clock_is_that_of_the_computer_that_keeps_the_files(path, monkeypatch):
    somebody_else(path)
    monkeypatch.setattr(store_lease.time, "time", lambda: 4e9)  # ours is decades ahead
    refusal(path)


def test_a_program_that_ends_without_closing_gives_it_back(path):
    with start(UNLOCKED + "file = open_study(path, shared=True)\nprint('open')", path) as program:
        assert program.communicate(timeout=60)[0] == "open\n"
    assert beside(path) == [path.name]


def test_a_study_that_is_let_go_gives_it_back(path):
    file = open_study(path, shared=True)
    assert lease_path(path).exists()
    del file
    gc.collect()
    assert beside(path) == [path.name]


def test_one_program_may_open_it_twice(path):
    with open_study(path, shared=True) as one:
        with open_study(path, shared=True) as two:
            one.record(1, {"coarsest_lump": 1})
            two.record(2, {"coarsest_lump": 2})
        one.record(3, {"coarsest_lump": 3})
        assert lease_path(path).exists()
    assert beside(path) == [path.name]
    assert runs_in(path) == [1, 2, 3]


def test_a_study_that_cannot_be_opened_leaves_no_lease(tmp_path):
    path = tmp_path / "sheet.csv"
    path.write_text("run,voids\n" * 200)
    with pytest.raises(StudyFileError, match="not a study file"):
        open_study(path, shared=True)
    assert beside(path) == [path.name]


# ---- when it is lost


def test_who_lost_it_is_refused_and_told(path):
    with start(HOLDER, path) as holder:
        assert holder.stdout.readline() == "open\n"
        assert ask(holder, 1) == "kept"
        older(lease_path(path))
        with open_study(path, shared=True) as file:
            said = ask(holder, 2)
            assert re.search(rf"\(process {os.getpid()}\) took over writing it at {CLOCK}, since "
                             rf"nothing was entered here after {CLOCK}", said), said
            assert "Nothing of this entry was kept" in said
            file.record(3, {"coarsest_lump": 3})
        assert "took over" in ask(holder, 4)  # for good, until it is opened again
        holder.stdin.close()
    assert runs_in(path) == [1, 3]
    assert beside(path) == [path.name]


def test_it_is_looked_at_again_before_an_entry_is_kept(path):
    with open_study(path, shared=True) as file:
        with pytest.raises(StudyFileError, match=r"M\. Abel on lab7"):
            enter_while(file, lambda: somebody_else(path))
        assert file.read().done == []
    assert lease_path(path).exists()  # it is hers


def test_a_lease_deleted_by_hand_is_made_anew_but_not_within_an_entry(path):
    with open_study(path, shared=True) as file:
        lease_path(path).unlink()
        file.record(1, {"coarsest_lump": 1})
        assert lease_path(path).exists()
        with pytest.raises(StudyFileError, match="was deleted"):
            enter_while(file, lease_path(path).unlink)
        file.record(3, {"coarsest_lump": 3})
    assert runs_in(path) == [1, 3]


def test_after_a_long_pause_it_is_succeeded_by_its_own_holder(path, monkeypatch):
    """So that somebody who is just taking it over and its holder cannot both succeed."""
    with open_study(path, shared=True) as file:
        first = json.loads(lease_path(path).read_text())
        file.record(1, {"coarsest_lump": 1})
        renewed = json.loads(lease_path(path).read_text())
        assert renewed["token"] == first["token"]
        monkeypatch.setattr(store_lease, "STALE", 0.0)
        file.record(2, {"coarsest_lump": 2})
        again = json.loads(lease_path(path).read_text())
        assert again["token"] != first["token"]
        assert again["since"] == first["since"]
        monkeypatch.setattr(store_lease, "STALE", STALE)
        # Somebody was quicker, and is at work by now.
        somebody = replace(Holder.here(), user="M. Abel", host="lab7", space="elsewhere")
        lease_path(path).with_name(f"{path.name}-writer.{again['token']}").write_bytes(
            somebody.written())
        monkeypatch.setattr(store_lease, "STALE", -1.0)
        monkeypatch.setattr(store_lease, "_age", lambda _: -2.0)
        with pytest.raises(StudyFileError, match=r"M\. Abel on lab7"):
            file.record(3, {"coarsest_lump": 3})
    assert runs_in(path) == [1, 2]


@pytest.mark.parametrize("content", [b"", b"{", b"[1]", b'{"token": "../../x"}', b"\xff" * 9])
def test_a_lease_that_says_nothing_is_somebodys_until_it_is_old(path, content):
    lease_path(path).write_bytes(content)
    assert refusal(path).problem.startswith("somebody on an unknown computer")
    older(lease_path(path))
    with open_study(path, shared=True) as file:
        file.record(1, {"coarsest_lump": 1})
    assert beside(path) == [path.name]


# ---- taken over by several at once


def test_of_many_who_take_it_over_at_once_one_succeeds(path):
    file = lease_path(path)
    gone = replace(Holder.here(), born="another start")
    for turn in range(40):
        file.write_bytes(replace(gone, token=f"{turn:016x}").written())
        if turn % 3 == 1:  # a successor was killed half way
            file.with_name(f"{file.name}.{turn:016x}").write_bytes(gone.written())
        begin, contenders = threading.Barrier(6), [Holder.here() for _ in range(6)]

        def contend(me: Holder, begin=begin) -> Holder | None:
            begin.wait(60)
            return store_lease._succeed(file, me)

        with ThreadPoolExecutor(6) as pool:
            results = list(pool.map(contend, contenders))
        won = [me for me, other in zip(contenders, results, strict=True) if other is None]
        assert len(won) == 1
        assert json.loads(file.read_text())["token"] == won[0].token
        assert {other.token for other in results if other} <= {won[0].token}
        assert [p for p in beside(path) if p.startswith(".")] == []


def test_what_successors_left_who_were_killed_is_cleared_away(path):
    file = lease_path(path)
    file.with_name(f"{file.name}.{'0' * 16}").write_bytes(Holder.here().written())
    with open_study(path, shared=True):
        assert beside(path) == [path.name, file.name]
    assert beside(path) == [path.name]


def test_three_programs_without_locks_lose_and_damage_nothing(path):
    programs = [start(CONTENDER, path, number) for number in (1, 2, 3)]
    reader = start(READER, path)
    for program in (*programs, reader):
        assert program.stdout.readline() == "ready\n"
    for program in (*programs, reader):
        program.stdin.write("go\n")
        program.stdin.flush()
    refused = []
    for program in programs:
        output, _ = program.communicate(timeout=300)
        assert program.returncode == 0
        refused.append(int(output))
    assert reader.communicate(timeout=300)[0].strip().isdigit()
    assert reader.returncode == 0
    assert sum(refused) > 0  # they did meet
    with open_study(path) as file:
        study = file.read()
    assert {r.run: r.measurements["coarsest_lump"] for r in study.records} == {
        run: run for run in range(1, RUNS + 1)}
    assert len(study.trail) == 2 + RUNS
    assert beside(path) == [path.name]


# ---- where nothing may be written


def test_a_write_protected_folder_can_be_read(path):
    with common_folder() as folder:
        copy = Path(shutil.copy(path, folder / "archive.study"))
        with nothing_writable(folder):
            assert runs_in(copy) == []
            error = refusal(copy)
            assert "read_only=True" in error.remedy
            assert "folder writable" in error.remedy


def test_drives_without_second_names_have_leases_too(path, monkeypatch):
    def no_links(*_: object) -> None:
        raise PermissionError(1, "Operation not permitted")

    monkeypatch.setattr(os, "link", no_links)
    somebody_else(path)
    refusal(path)
    older(lease_path(path))
    with open_study(path, shared=True) as file:
        file.record(1, {"coarsest_lump": 1})
        file.save_copy(path.with_name("copy.study"))
    assert beside(path) == ["copy.study", path.name]

"""The file exchanged, removed or renamed under an open study or after a kill.

What was acknowledged is in the file that now bears the name, and that file says what it said when
it was put there: nothing left beside it is mixed into it.
"""

from __future__ import annotations

import itertools
import multiprocessing
import os
import random
import shutil
import signal
import tempfile
import warnings
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path

from benchmarks.attacks.apart import Apart
from benchmarks.attacks.sample import BRIEF, RESPONSES, all_it_says, plan_of
from doe.errors import InputError
from doe.records import Record
from doe.store import StudyFile, StudyFileError, open_study
from doe.store_file import StudyFileWarning

__all__ = ["COUNT", "run"]

COUNT = 72
RUNS = 40


def _written_over(path: Path, other: Path) -> None:
    path.write_bytes(other.read_bytes())


def _put_in_place(path: Path, other: Path) -> None:
    new = path.with_name("incoming")
    shutil.copy(other, new)
    os.replace(new, path)


CHANGES: dict[str, tuple[str, Callable[[Path, Path], None]]] = {
    "older copy written over it": ("older", _written_over),
    "older copy put in its place": ("older", _put_in_place),
    "another study written over it": ("other", _written_over),
    "another study put in its place": ("other", _put_in_place),
    "deleted": ("", lambda path, _: path.unlink()),
    "renamed": ("", lambda path, _: path.rename(path.with_name("renamed.study"))),
}
WHEN = ("while open", "after a kill")
NEXT: dict[str, Callable[[StudyFile], object]] = {
    "recorded": lambda f: f.record(30, {RESPONSES[0]: 7.75}),
    "corrected": lambda f: f.amend(1, {RESPONSES[0]: 7.75}, reason="read again"),
    "many recorded": lambda f: f.record_many([Record(n, measurements={RESPONSES[0]: 7.75})
                                              for n in (31, 32)]),
    "brief amended": lambda f: f.set_brief(BRIEF.replace(notes="7.75"), reason="new lot"),
    "set aside": lambda f: f.void(2, "7.75"),
    "only read": lambda f: f.read() and None,
}


def study(path: Path, runs: int, title: str) -> None:
    """A study with some runs recorded."""
    with open_study(path, create=BRIEF.replace(title=title)) as file:
        file.set_plan(plan_of(RUNS))
        for number in range(1, runs + 1):
            file.record(number, {name: float(number) for name in RESPONSES})


def write_and_wait(path: Path, pipe: Connection) -> None:
    """Be in the middle of writing, with pages of it on the disk, until killed."""
    with open_study(path) as file:
        file._db.execute("PRAGMA cache_size = 2")
        file._db.execute("PRAGMA cache_spill = ON")  # which the store leaves off
        with file.together():
            for number in range(10, 29):
                file.record(number, dict.fromkeys(RESPONSES, 1.0), remark="x" * 2000)
            pipe.send("writing")
            pipe.recv()


def kill_while_writing(path: Path) -> None:
    """Leave what a process leaves that is killed while it writes."""
    context = multiprocessing.get_context("spawn")
    ours, theirs = context.Pipe()
    process = context.Process(target=write_and_wait, args=(path, theirs))
    process.start()
    ours.recv()
    os.kill(process.pid, signal.SIGKILL)
    process.join()


def says(path: Path) -> str:
    """What a file says, or that it is refused or not there."""
    if not path.exists():
        return "not there"
    try:
        return all_it_says(path)
    except StudyFileError as error:
        return f"refused: {error}"


def attack(folder: str, change: str, when: str, then: str) -> list[str]:
    """What went wrong in one case; in a folder of its own."""
    path = Path(folder) / "paste.study"
    copies = {"older": Path(folder) / "older.study", "other": Path(folder) / "other.study"}
    study(path, 4, "paste")
    shutil.copy(path, copies["older"])
    with open_study(path) as file:
        for number in (5, 6):
            file.record(number, {name: float(number) for name in RESPONSES})
    study(copies["other"], 5, "another paste")
    before = says(path)
    kind, exchange = CHANGES[change]
    warnings.simplefilter("ignore", StudyFileWarning)
    failures = []
    if when == "after a kill":
        kill_while_writing(path)
        exchange(path, copies.get(kind, path))
        if path.exists():
            with open_study(path) as file:
                failures += _entered(file, path, copies.get(kind), then)
    else:
        with open_study(path) as file:
            file.record(7, {RESPONSES[0]: 7.0})
            file.read()
            exchange(path, copies.get(kind, path))
            failures += _entered(file, path, copies.get(kind), then)
    if kind == "":
        if path.exists() and "refused" not in says(path):
            failures.append("a file came back under the name")
        if change == "renamed" and "refused" in says(path.with_name("renamed.study")):
            failures += _without_its_journal(path, path.with_name("renamed.study"), before)
    return failures


def _without_its_journal(path: Path, renamed: Path, before: str) -> list[str]:
    """A file that was renamed while half an entry stood in it is whole with its journal alone."""
    journal = path.with_name(path.name + "-journal")
    if not journal.exists() or "damaged" not in says(renamed):
        return [f"the renamed file cannot be read: {says(renamed)}"]
    journal.rename(renamed.with_name(renamed.name + "-journal"))
    return [] if says(renamed) == before else ["with its journal it says something else"]


def _entered(file: StudyFile, path: Path, put: Path | None, then: str) -> list[str]:
    right = says(put) if put else "not there"
    try:
        NEXT[then](file)
    except StudyFileError:
        acknowledged = False
    except InputError as error:
        return [f"refused, but not for the file: {error}"] if then != "set aside" else []
    else:
        acknowledged = then != "only read"
    file.close()
    now = says(path)
    if now.startswith("refused"):
        return [f"an entry was acknowledged, and then the file was {now}"] if acknowledged else []
    if acknowledged and (now == "not there" or "7.75" not in now):
        return ["what was acknowledged is not in the file"]
    if acknowledged:
        kept = _without(now)
        return [] if all(line in kept for line in _without(right)) else [
            "what the file said when it was put there was undone"]
    return [] if now == right else ["the file says something else than when it was put there"]


def _without(said: str) -> list[str]:
    """The readings of a study, one text each."""
    return [part for part in said.split("\\n") if ",%," in part]


def cases() -> list[tuple[str, str, str]]:
    """Change, when, and what is done next."""
    return list(itertools.product(CHANGES, WHEN, NEXT))


def run(seed: int, count: int) -> list[str]:
    """One line a case in which something was undone, mixed, or acknowledged in vain."""
    rng = random.Random(seed)
    chosen = cases()
    rng.shuffle(chosen)
    failures = []
    with Apart(attack, limit=120) as attacked:
        for case in chosen[:count]:
            with tempfile.TemporaryDirectory() as folder:
                answer = attacked(folder, *case)
            what = ", ".join(case)
            if answer.kind == "value":
                failures += [f"{what}: {line}" for line in answer.value]
            elif not (answer.kind == "refused" and answer.value.startswith("StudyFileError")):
                failures.append(f"{what}: {answer}")
    return failures


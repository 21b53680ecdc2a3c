"""One study file in many threads: JupyterLab may handle what a widget says in a second one."""

from __future__ import annotations

import threading
from concurrent.futures import ThreadPoolExecutor

import pytest
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.store import StudyFileError, open_study

BRIEF = template_brief()
RUNS = 40
PLAN = random_plan(BRIEF, RUNS)


@pytest.fixture
def file(tmp_path):
    with open_study(tmp_path / "a.study", create=BRIEF) as study_file:
        study_file.set_plan(PLAN)
        yield study_file


def in_thread(call):
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(call).result(60)


def test_every_call_works_in_another_thread(file, tmp_path):
    def all_of_it():
        file.record(1, {"voids": 1})
        file.amend(1, {"voids": 2}, reason="r")
        file.void(1, "r")
        file.record(1, {"voids": 3})
        file.repeat(1)
        file.set_brief(BRIEF.replace(notes="n"), reason="r")
        with file.together():
            file.record(2, {"voids": 4})
        file.save_copy(tmp_path / "copy.study")
        return file.read(), len(file.history())

    study, readings = in_thread(all_of_it)
    assert [(r.run, r.status) for r in study.records] == [
        (1, "void"), (1, "done"), (1, "planned"), (2, "done")]
    assert readings == 4
    assert file.read().records == study.records
    in_thread(file.close)
    with pytest.raises(StudyFileError, match="Open it again"):
        file.read()


def test_many_threads_that_record_at_once_lose_nothing(file):
    start, refusals = threading.Barrier(8), set()

    def enter(mine: int) -> list[int]:
        start.wait(60)
        won = []
        for run in range(1, RUNS + 1):
            try:
                file.record(run, {"voids": mine}, operator=f"operator {mine}")
                won.append(run)
            except InputError as error:
                refusals.add(error.problem)
            assert len(file.read().records) >= len(won)
        return won

    with ThreadPoolExecutor(8) as pool:
        won = dict(enumerate(pool.map(enter, range(8))))
    expected = {run: mine for mine, runs in won.items() for run in runs}
    assert refusals <= {f"it is already recorded as {mine}.0" for mine in range(8)}
    study = file.read()
    assert {r.run: r.measurements["voids"] for r in study.records} == expected
    assert sum(map(len, won.values())) == RUNS == len(expected)
    assert len(study.trail) == 2 + RUNS


def test_what_belongs_together_is_not_mixed_with_another_threads(file):
    inside, other_done = threading.Event(), threading.Event()

    def other():
        inside.wait(60)
        seen = file.read()
        file.record(3, {"voids": 3})
        other_done.set()
        return seen

    def interrupted():
        with file.together():
            file.record(1, {"voids": 1})
            inside.set()
            assert not other_done.wait(0.05)  # it waits for the end
            file.record(2, {"voids": 2})
            raise KeyboardInterrupt

    with ThreadPoolExecutor(1) as pool:
        later = pool.submit(other)
        with pytest.raises(KeyboardInterrupt):
            interrupted()
        assert later.result(60).records == ()  # and sees nothing of what was undone
    assert [r.run for r in file.read().records] == [3]


def test_a_thread_does_not_wait_for_ever(tmp_path):
    with open_study(tmp_path / "a.study", create=BRIEF, timeout=0.05) as file:
        with file.together(), pytest.raises(StudyFileError, match="another thread") as caught:
            in_thread(file.read)
        assert "enter it again" in caught.value.remedy
        assert in_thread(file.read).brief == BRIEF

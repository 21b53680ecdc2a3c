"""Whatever is entered in whatever order: the file reads as a plain model of it says."""

from __future__ import annotations

import math
import shutil
import tempfile
from pathlib import Path

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, invariant, precondition, rule
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.records import Record
from doe.store import open_study

BRIEF = template_brief()
RUNS = 3
PLAN = random_plan(BRIEF, RUNS)
RESPONSES = [r.name for r in BRIEF.responses]

run = st.integers(1, RUNS)
reading = st.tuples(st.sampled_from([0.0, 0.25, 1e-300, 99.99999999999999, 0.1 + 0.2]),
                    st.sampled_from(["", "", "<", ">"])).filter(
                        lambda given: given != (0.0, "<"))  # which no reading can be
readings = st.dictionaries(st.sampled_from(RESPONSES), reading, max_size=2)
achieved = st.dictionaries(st.sampled_from(BRIEF.region.names), st.sampled_from([1.5, 1e9]),
                           max_size=1)
remark = st.text(max_size=3)


class Attempt:
    def __init__(self, run: int, number: int, status: str) -> None:
        self.key, self.status = (run, number), status
        self.readings, self.settings, self.remark = {}, {}, ""

    def state(self) -> tuple:
        return self.status, dict(self.readings), dict(self.settings), self.remark


class StudyModel(RuleBasedStateMachine):
    def __init__(self):
        super().__init__()
        self.folder = Path(tempfile.mkdtemp())
        self.file = open_study(self.folder / "m.study", create=BRIEF)
        self.file.set_plan(PLAN)
        self.runs = {r: [] for r in range(1, RUNS + 1)}
        self.entered = []  # every reading ever acknowledged
        self.lines = 2  # in the trail

    def teardown(self):
        self.file.close()
        shutil.rmtree(self.folder)

    def last(self, run: int, *states: str) -> Attempt | None:
        for status in states:
            for attempt in reversed(self.runs[run]):
                if attempt.status == status:
                    return attempt
        return None

    def another(self, run: int, status: str) -> Attempt:
        self.runs[run].append(Attempt(run, len(self.runs[run]) + 1, status))
        return self.runs[run][-1]

    def enter(self, attempt: Attempt, given: dict) -> None:
        for name, value in given.items():
            if attempt.readings.get(name) != value:
                self.entered.append((*attempt.key, name, *(value or (None, ""))))
            attempt.readings[name] = value
        attempt.readings = {k: v for k, v in attempt.readings.items() if v is not None}

    @rule(run=run, given=readings, achieved=achieved, remark=remark)
    def record(self, run, given, achieved, remark):
        entry = {k: f"{mark}{value!r}" if mark else value for k, (value, mark) in given.items()}
        enter = lambda: self.file.record(run, entry, settings=achieved, remark=remark)  # noqa: E731
        old = self.last(run, "planned", "done")
        if old and old.status == "done" and any(
                kept.get(k, v) != v for kept, new in ((old.readings, given),
                                                      (old.settings, achieved))
                for k, v in new.items()):
            with pytest.raises(InputError, match="already recorded"):
                enter()
            return
        enter()
        before = old and old.state()
        attempt = old or self.another(run, "planned")
        self.enter(attempt, given)
        attempt.settings |= achieved
        known = [r for r in (attempt.remark, remark) if r]
        attempt.remark = "; ".join(dict.fromkeys(known))
        attempt.status = "done"
        self.lines += before != attempt.state()

    @rule(run=run, given=readings, withdrawn=st.none() | st.sampled_from(RESPONSES))
    def amend(self, run, given, withdrawn):
        given = given | ({withdrawn: None} if withdrawn else {})
        entry = {k: v and f"{v[1]}{v[0]!r}" for k, v in given.items()}
        amend = lambda: self.file.amend(run, entry, reason="because")  # noqa: E731
        attempt = self.last(run, "done")
        if attempt is None:
            with pytest.raises(InputError, match="no such attempt"):
                amend()
            return
        amend()
        before = attempt.state()
        self.enter(attempt, given)
        self.lines += before != attempt.state()

    @rule(run=run)
    def void(self, run):
        self.file.void(run, "lid")
        attempt = self.last(run, "planned", "done") or self.another(run, "void")
        attempt.status = "void"
        self.lines += 1

    @rule(run=run)
    def repeat(self, run):
        if self.last(run, "planned") or not self.last(run, "done"):
            with pytest.raises(InputError, match=r"due already|not done yet"):
                self.file.repeat(run)
            return
        self.file.repeat(run)
        self.another(run, "planned")
        self.lines += 1

    @rule(good=run, bad=st.sampled_from([0, RUNS + 1]))
    def many_with_a_wrong_one(self, good, bad):
        with pytest.raises(InputError, match="no such run"):
            self.file.record_many([Record(good), Record(bad)])

    @rule()
    def reopen(self):
        self.file.close()
        self.file = open_study(self.file.path)

    @invariant()
    def the_file_reads_as_the_model_says(self):
        study = self.file.read()
        for run, attempts in self.runs.items():
            found = study.attempts(run)
            assert [(r.run, r.attempt) for r in found] == [a.key for a in attempts]
            for r, model in zip(found, attempts, strict=True):
                marked = {k: (v, r.qualifiers.get(k, "")) for k, v in r.measurements.items()}
                assert (r.status, marked, r.settings, r.remark) == model.state()
        assert len(study.trail) == self.lines
        assert study.locked == any(self.runs.values())

    @invariant()
    def nothing_entered_is_lost(self):
        found = self.file.history()[["run", "attempt", "response", "value", "qualifier"]]
        rows = [(*r[:3], None if math.isnan(r[3]) else r[3], r[4])
                for r in found.itertuples(index=False)]
        assert sorted(rows, key=str) == sorted(self.entered, key=str)

    @precondition(lambda self: any(self.runs.values()))
    @invariant()
    def the_table_has_what_is_done(self):
        table = self.file.read().table()
        done = [a for attempts in self.runs.values() for a in attempts if a.status == "done"]
        assert list(zip(table["run"], table["attempt"], strict=True)) == [a.key for a in done]
        assert sorted(table["order"]) == list(range(1, len(done) + 1))
        for row, attempt in zip(table.to_dict("records"), done, strict=True):
            planned = PLAN.runs.set_index("run").loc[row["run"]]
            for name in BRIEF.region.names:
                assert row[name] == attempt.settings.get(name, planned[name])
            for name in RESPONSES:
                value = attempt.readings.get(name, (math.nan,))[0]
                assert row[name] == value or (math.isnan(value) and math.isnan(row[name]))


StudyModel.TestCase.settings = settings(max_examples=12, stateful_step_count=15, deadline=None)
TestStudyModel = StudyModel.TestCase

"""Two people at one study: nobody's entry is undone by another's who had not seen it."""

from __future__ import annotations

import math
import re
from datetime import UTC, datetime

import pytest
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.store import open_study
from doe.study import Study

BRIEF = template_brief()
PLAN = random_plan(BRIEF, 6)
CLOCK = r"(\d{4}-\d\d-\d\d )?\d\d:\d\d"
AGAIN = "Look at the run again, then enter what is still to be changed."


@pytest.fixture
def file(tmp_path):
    with open_study(tmp_path / "a.study", create=BRIEF) as study_file:
        study_file.set_plan(PLAN, author="M. Abel")
        yield study_file


@pytest.fixture
def other(file):
    """The same study in a second notebook."""
    with open_study(file.path) as study_file:
        yield study_file


def refused(call) -> str:
    with pytest.raises(InputError) as caught:
        call()
    return str(caught.value)


# ---- what somebody else did to a run


def test_who_loses_is_told_who_recorded_the_run_when_and_what(file, other):
    seen = file.read()
    other.record(3, {"voids": 0.4}, operator="R. Ito", when="2031-05-17T14:00:00+00:00")
    said = refused(lambda: file.record(3, {"voids": 0.5}, operator="M. Abel", seen=seen))
    assert re.search(rf"R\. Ito recorded run 3 at {CLOCK}: voids = 0\.4 %\. " + re.escape(AGAIN),
                     said), said
    assert "{'voids': 0.5}" in said  # what was entered is not lost
    assert file.history(3)["value"].tolist() == [0.4]
    file.record(4, {"voids": 0.5}, seen=seen)  # another run is not concerned


def test_the_time_told_is_that_of_the_clock_on_the_wall(file, other):
    seen = file.read()
    before = datetime.now().astimezone()
    other.record(3, {"voids": 0.4}, operator="R. Ito")
    after = datetime.now().astimezone()
    said = refused(lambda: file.record(3, {"voids": 0.5}, seen=seen))
    assert any(f"at {t:%H:%M}: voids" in said or f"at {t:%Y-%m-%d %H:%M}: voids" in said
               for t in (before, after))


def test_saying_the_very_same_is_no_conflict(file, other):
    seen = file.read()
    first = other.record(3, {"voids": 0.4}, operator="R. Ito", remark="warm")
    assert file.record(3, {"voids": "0.40"}, operator="R. Ito", seen=seen) == first
    assert len(file.read().trail) == 3


def test_a_correction_on_an_older_view_does_not_undo_a_colleagues(file, other):
    file.record(1, {"voids": 5, "coarsest_lump": 30})
    form = other.read()  # shows 5 and 30
    file.amend(1, {"voids": 6}, reason="wrong line", author="A", seen=file.read())
    said = refused(lambda: other.amend(1, {"voids": 5, "coarsest_lump": 31}, reason="typed 30",
                                       author="B", seen=form))
    assert re.search(rf"A corrected run 1 at {CLOCK}: voids = 6 %\.", said), said
    record, = other.read().records
    assert record.measurements == {"voids": 6, "coarsest_lump": 30}
    other.amend(1, {"coarsest_lump": 31}, reason="typed 30", author="B", seen=other.read())
    record, = file.read().records
    assert record.measurements == {"voids": 6, "coarsest_lump": 31}


def test_the_news_come_before_a_reason_that_lacks(file, other):
    seen = file.read()
    other.record(3, {"voids": 0.4}, operator="R. Ito")
    said = refused(lambda: file.amend(3, {"voids": 0.5}, reason="", seen=seen))
    assert "R. Ito recorded run 3" in said
    assert "reason" not in said


def test_void_and_repeat_look_too(file, other):
    file.record(1, {"voids": 5})
    file.record(2, {"voids": 5})
    seen = file.read()
    other.void(1, "lid came off", "R. Ito")
    other.repeat(2, "to see the scatter", "R. Ito")
    for call, told in (
            (lambda: file.void(1, "too warm", seen=seen), "set run 1 aside at CLOCK: lid came off"),
            (lambda: file.record(1, {"coarsest_lump": 3}, seen=seen), "set run 1 aside"),
            (lambda: file.repeat(2, "again", seen=seen),
             "declared a repeat of run 2 at CLOCK: to see the scatter"),
            (lambda: file.record(2, {"coarsest_lump": 3}, seen=seen), "declared a repeat")):
        assert re.search("R. Ito " + told.replace("CLOCK", CLOCK), refused(call))
    assert file.void(1, "lid came off", seen=seen).attempt == 1  # the very same
    assert file.repeat(2, "to see the scatter", seen=seen).attempt == 2
    assert len(file.read().records) == 3


def test_with_what_it_read_last_a_notebook_goes_on_freely(file):
    for value in (1, 2, 3):
        file.record(value, {"voids": value}, seen=file.read())
        file.amend(value, {"voids": value + 1}, reason="r", seen=file.read())
    file.void(1, "r", seen=file.read())
    assert [r.status for r in file.read().records] == ["void", "done", "done"]


def test_an_entry_refused_inside_several_leaves_the_others(file, other):
    seen = file.read()
    other.record(3, {"voids": 0.4})
    with file.together():
        file.record(1, {"voids": 1}, seen=seen)
        refused(lambda: file.record(3, {"voids": 0.5}, seen=seen))
        file.record(2, {"voids": 2}, seen=seen)
    assert {r.run: r.measurements["voids"] for r in file.read().records} == {1: 1, 2: 2, 3: 0.4}


def test_seen_is_a_study_of_this_file(file, tmp_path):
    assert "this is no study" in refused(lambda: file.record(1, {"voids": 1}, seen=file))
    with open_study(tmp_path / "b.study", create=BRIEF) as another:
        another.set_plan(PLAN)
        another.record(1, {"voids": 7})
        elsewhere = another.read()
    said = refused(lambda: file.record(1, {"voids": 1}, seen=elsewhere))
    assert "it is another study, or an older copy was put in its place" in said
    file.record(1, {"voids": 1}, seen=Study(BRIEF, PLAN))  # who has seen no entry saw this run free
    refused(lambda: file.record(1, {"voids": 2}, seen=Study(BRIEF, PLAN)))


# ---- brief and plan


def test_a_brief_that_was_changed_meanwhile_is_not_overwritten(file, other):
    seen = file.read()
    other.set_brief(BRIEF.replace(notes="theirs", purpose="p"), author="R. Ito")
    for call in (lambda: file.set_brief(BRIEF.replace(notes="mine"), seen=seen),
                 lambda: file.set_plan(random_plan(BRIEF, 6, seed=2), seen=seen)):
        said = refused(call)
        assert re.search(rf"R\. Ito changed the brief at {CLOCK}: purpose and notes\. Look at the "
                         "brief again", said), said
    assert file.read().brief.notes == "theirs"
    file.set_brief(BRIEF.replace(notes="theirs", purpose="p"), seen=seen)  # the very same
    file.set_brief(file.read().brief.replace(notes="both"), seen=file.read())
    assert other.read().brief.notes == "both"


def test_a_plan_that_was_changed_meanwhile_is_not_overwritten(file, other):
    seen = file.read()
    other.set_plan(random_plan(BRIEF, 6, seed=2), author="R. Ito")
    said = refused(lambda: file.set_plan(random_plan(BRIEF, 6, seed=3), seen=seen))
    assert re.search(rf"R\. Ito changed the plan at {CLOCK}: runs\.\w+", said), said
    assert "Look at the plan again" in said
    assert file.read().plan == random_plan(BRIEF, 6, seed=2)
    assert "changed the plan" in refused(lambda: file.set_brief(BRIEF.replace(notes="n"),
                                                                seen=seen))
    file.record(1, {"voids": 1})  # records are no change of the plan
    file.set_plan(random_plan(BRIEF, 6, seed=2), seen=seen)


# ---- late, withdrawn and confirmed readings


def test_late_readings_are_added_freely_and_dated(file):
    done = file.record(1, operator="R. Ito")
    assert (done.status, done.measurements) == ("done", {})
    file.record(1, {"voids": 0.4}, operator="M. Abel")
    file.record(1, {"coarsest_lump": 30}, operator="N. Dahl")
    history = file.history(1)
    assert history[["response", "author", "reason", "change"]].values.tolist() == [
        ["voids", "M. Abel", "", "entered"], ["coarsest_lump", "N. Dahl", "", "entered"]]
    assert all(datetime.fromisoformat(t).tzinfo == UTC for t in history["entered_at"])
    record, = file.read().records
    assert (record.operator, record.measurements) == ("R. Ito", {"voids": 0.4, "coarsest_lump": 30})
    assert "already recorded as 0.4" in refused(lambda: file.record(1, {"voids": 0.5}))


def test_a_withdrawn_reading_says_so(file):
    file.record(1, {"voids": 5, "coarsest_lump": 30})
    file.amend(1, {"voids": None}, reason="sample lost", author="M. Abel")
    history = file.history(1, "voids")
    assert history["change"].tolist() == ["entered", "withdrawn"]
    assert math.isnan(history["value"].iloc[-1])
    assert history["reason"].tolist() == ["", "sample lost"]
    study = file.read()
    last = study.trail.iloc[-1]
    assert last[["kind", "before", "after"]].tolist() == ["withdrawal", "voids = 5 %",
                                                          "voids withdrawn"]
    said, = study.deviations().loc[lambda d: d["kind"] == "withdrawal", "sentence"]
    assert said == f"Run 1: voids = 5 % was withdrawn by M. Abel on {last['when'][:10]}: " \
                   "sample lost."
    assert not study.deviations()["sentence"].str.contains("corrected").any()
    file.record(1, {"voids": 6})
    file.amend(1, {"voids": 7}, reason="typed 6")
    assert file.history(1, "voids")["change"].tolist() == [
        "entered", "withdrawn", "entered", "corrected"]


def test_an_achieved_setting_withdrawn_is_as_planned(file):
    file.record(1, {"voids": 5}, settings={"time": 99})
    file.amend(1, settings={"time": None}, reason="read off the wrong dial")
    assert file.read().trail.iloc[-1][["kind", "after"]].tolist() == ["correction",
                                                                       "time as planned"]


def test_a_colleague_is_told_of_a_withdrawal(file, other):
    file.record(1, {"voids": 5})
    seen = file.read()
    other.amend(1, {"voids": None}, reason="sample lost", author="M. Abel")
    said = refused(lambda: file.amend(1, {"voids": 4}, reason="r", seen=seen))
    assert re.search(rf"M\. Abel withdrew readings of run 1 at {CLOCK}: voids withdrawn\.", said)


def test_what_was_confirmed_stands_with_the_reading(file):
    file.record(1, {"voids": 40, "coarsest_lump": 30}, operator="R. Ito",
                confirmed={"voids": "weighed twice"})
    history = file.history(1)
    assert history[["response", "reason"]].values.tolist() == [
        ["voids", "weighed twice"], ["coarsest_lump", ""]]
    assert file.read().trail["reason"].iloc[-1] == "voids confirmed: weighed twice"
    rows = len(file.read().trail)
    file.record(1, {"voids": 40}, confirmed={"voids": "weighed twice"})  # the same again
    assert (len(file.history(1)), len(file.read().trail)) == (2, rows)
    file.amend(1, {"voids": 41}, reason="typed 40", confirmed={"voids": "weighed again"})
    assert file.history(1, "voids")["reason"].tolist() == ["weighed twice",
                                                           "typed 40; weighed again"]
    assert file.read().trail["reason"].iloc[-1] == "typed 40; voids confirmed: weighed again"


def test_a_reading_that_stands_can_be_confirmed_later(file):
    file.record(1, {"voids": 40})
    file.record(1, {"voids": 40}, operator="M. Abel", confirmed={"voids": "it foamed"})
    history = file.history(1)
    assert history[["value", "author", "reason", "change"]].values.tolist()[1] == [
        40, "M. Abel", "it foamed", "confirmed"]
    assert file.read().records[0].measurements == {"voids": 40}


@pytest.mark.parametrize("confirmed", [{"coarsest_lump": "yes"}, {"void": "yes"}, {"voids": " "},
                                       {"voids": None}])
def test_only_a_reading_is_confirmed_and_in_words(file, confirmed):
    said = refused(lambda: file.record(1, {"voids": 40}, confirmed=confirmed))
    assert said.startswith(f"run 1, confirmed, '{next(iter(confirmed))}'")
    assert file.read().records == ()


# ---- one word for an attempt that does not count


def test_people_read_set_aside(file):
    file.record(1, {"voids": 5})
    file.void(1, "lid came off", "R. Ito")
    study = file.read()
    words = [study.progress, *study.trail["after"], *study.deviations()["sentence"],
             *(refused(call) for call in (
                 lambda: file.void(1, "r", attempt=1),
                 lambda: file.amend(1, {"voids": 1}, attempt=1, reason="r")))]
    assert [w for w in words if re.search(r"\bvoid(ed)?\b(?!\()", w)] == []
    assert sum("set aside" in w for w in words) == 5, words
    assert study.void[0].status == "void"

"""Panels wired to the core: what a control changes, and what it must not lose."""

from __future__ import annotations

import re
from dataclasses import replace
from html import unescape
from threading import Event, Thread

import ipywidgets as widgets
import numpy as np
import pytest

from doe.errors import InputError
from doe.panels import AnalysingPanel, ChoosingPanel, PlanningPanel, RunningPanel
from doe.panels.base import Panel, reports_errors
from doe.planning import advise, compare, make_plan, ratio_power
from doe.planning.changes import set_ups
from doe.practice import demo_brief, open_practice, perform_due
from doe.responses import Response
from doe.store import StudyFile, open_study
from doe.terms import Term


@pytest.fixture
def briefed(tmp_path):
    with open_practice(tmp_path / "a.study", "briefed") as file:
        yield file


@pytest.fixture
def planned(tmp_path):
    with open_practice(tmp_path / "a.study", "planned") as file:
        yield file


@pytest.fixture(scope="module")
def run_study(tmp_path_factory):
    with open_practice(tmp_path_factory.mktemp("run") / "a.study", "run") as file:
        return file.read()


def choose_plan(panel: PlanningPanel, text: str) -> None:
    panel.family.index = next(i for i, label in enumerate(panel.family.options)
                              if text in label[0])


class Counter(Panel):
    """A panel that does what a test tells it to, step by step."""

    def __init__(self, inner=lambda: None):
        super().__init__()
        self.inner, self.log = inner, []
        self.control, self.button = widgets.IntText(0), widgets.Button()
        self.on_change(self.control, lambda change: self.step(change.new))
        self.on_click(self.button, lambda: self.step("pressed"))

    @reports_errors
    def step(self, value):
        self.log.append(f"{value} begins")
        self.inner()
        self.log.append(f"{value} ends")


def refuse():
    raise InputError("time", 3, "it is too short", "Give more")


def fail():
    raise ZeroDivisionError("division by <zero>")


class TestGuard:
    def test_bad_input_is_told_and_goes_no_further(self):
        panel = Counter(refuse)
        panel.control.value = 1
        assert "Not done: time = 3: it is too short. Give more." in panel.status.value
        panel.say("")
        panel.button.click()
        assert "too short" in panel.status.value
        assert panel.log == ["1 begins", "pressed begins"]

    def test_a_defect_is_told_by_name_and_raised(self):
        panel = Counter(fail)
        with pytest.raises(ZeroDivisionError) as caught:
            panel.control.value = 1
        assert caught.traceback[-1].name == "fail"
        assert "ZeroDivisionError: division by &lt;zero&gt;" in panel.status.value
        panel.inner = lambda: None  # and the lock is free again, for another thread too
        other = Thread(target=panel.step, args=(2,))
        other.start()
        other.join(10)
        assert panel.log[-1] == "2 ends"

    def test_an_action_stops_where_a_part_of_it_fails(self):
        outer = Counter()

        def part():
            outer.inner = refuse
            outer.step("part")
        outer.inner = part
        outer.step("whole")
        assert outer.log == ["whole begins", "part begins"]
        assert "too short" in outer.status.value

    def test_callbacks_of_one_panel_do_not_interleave(self):
        panel, inside, go_on = Counter(), Event(), Event()

        def wait():
            inside.set()
            assert go_on.wait(10)
        panel.inner = wait
        first = Thread(target=panel.step, args=("first",))
        first.start()
        assert inside.wait(10)
        second = Thread(target=panel.button.click)
        second.start()
        second.join(0.05)
        assert panel.log == ["first begins"]
        go_on.set()
        first.join(10)
        second.join(10)
        assert panel.log == ["first begins", "first ends", "pressed begins", "pressed ends"]

    def test_quietly_set_controls_call_nothing(self):
        panel = Counter()
        with panel.quietly():
            panel.control.value = 5
        panel.control.value = 6
        assert panel.log == ["6 begins", "6 ends"]

    def test_a_panel_that_could_not_refresh_refuses_to_write(self):
        panel = Counter()

        def refreshed(action):
            with panel.refreshing():
                action()
        panel.inner = lambda: refreshed(refuse)
        panel.button.click()
        assert "may be out of date" in panel.status.value
        panel.inner = panel.check_fresh
        panel.step("write")
        assert "Not done" in panel.status.value
        assert panel.log[-1] == "write begins"
        panel.inner = lambda: refreshed(lambda: None)
        panel.button.click()
        panel.inner = panel.check_fresh
        panel.step("write")
        assert panel.log[-1] == "write ends"


class TestPlanning:
    def test_words_and_figure_follow_the_plan(self, briefed):
        panel = PlanningPanel(briefed)
        words, title = panel.words.value, panel.figure.layout.title.text
        choose_plan(panel, "full factorial")
        assert len(panel.plan) == 16 + 3
        assert panel.words.value != words
        assert panel.figure.layout.title.text != title

    def test_an_unticked_factor_is_held_and_the_plan_kept_with_it(self, briefed):
        panel = PlanningPanel(briefed)
        row = panel.rows["pressure"]
        row.ends[0].value = 10.0
        row.use.value = False
        assert panel.plan.region.names == ["revolution", "rotation_ratio", "time"]
        panel.save()
        study = briefed.read()
        assert study.brief.held == {"pressure": 10.0}
        assert study.plan == panel.plan

    def test_a_changed_range_reaches_the_runs(self, briefed):
        panel = PlanningPanel(briefed)
        panel.rows["time"].ends[1].value = 150.0
        assert panel.plan.settings["time"].max() == 150.0

    def test_a_bad_range_is_named_and_cannot_be_kept(self, briefed):
        panel = PlanningPanel(briefed)
        panel.rows["time"].ends[0].value = 900.0
        assert "Not done" in panel.status.value
        assert "time" in panel.status.value
        assert panel.plan is None
        assert panel.keep.disabled
        panel.rows["time"].ends[0].value = 90.0
        assert panel.plan is not None
        assert not panel.keep.disabled

    def test_advised_plans_keep_to_the_budget_and_are_those_advised(self, briefed):
        panel = PlanningPanel(briefed)
        panel.most.value = 14
        panel.aim.value = "find the few factors that matter"
        brief = briefed.read().brief
        advice = advise(brief.region, aim="screen", runs=14, mixer=brief.mixer,
                        sd=panel.assumed.sd, seed=panel.seed.value)
        assert len(panel.family.options) == len(advice.plans)
        for place, plan in enumerate(advice.plans):
            panel.family.index = place
            assert len(panel.plan) <= 14
            assert panel.plan.settings.equals(plan.settings)
            assert advice.table["reason"][place] in unescape(panel.tells.value)

    def test_the_order_changes_and_the_runs_do_not(self, briefed):
        panel = PlanningPanel(briefed)
        before = panel.plan
        panel.order.value = "fewest changes"
        assert sorted(panel.plan.runs["standard"]) == sorted(before.runs["standard"])
        assert set_ups(panel.plan)["changes"].sum() < set_ups(before)["changes"].sum()
        assert "of what a random order would cost" in panel.words.value
        panel.order.value = "grouped"  # no factor is hard to change
        assert "hard to change" in panel.status.value
        assert panel.keep.disabled

    def test_plans_are_compared_side_by_side(self, briefed):
        panel = PlanningPanel(briefed)
        panel.show.value = "Side by side"
        assert "nothing to compare yet" in panel.words.value
        assert not panel.figure.data
        first = panel.plan
        panel.add_beside()
        choose_plan(panel, "full factorial")
        found = compare({"a": first, "b": panel.plan}, sd=panel.assumed.sd, against=())
        assert found.table.loc["b", "runs"] == len(panel.plan)
        assert f"n = {len(first)}<" in panel.details.value
        assert f"n = {len(panel.plan)}<" in panel.details.value
        assert len(panel.figure.data) >= 2
        for place in (1, 2, 3):
            panel.family.index = place
            panel.add_beside()
        assert "at most 4" in panel.status.value
        panel.clear_beside()
        assert not panel.beside

    def test_every_view_of_a_plan_is_drawn(self, briefed):
        panel = PlanningPanel(briefed)
        panel.add_beside()
        choose_plan(panel, "full factorial")
        titles = set()
        for view in panel.show.options:
            panel.show.value = view
            titles.add(panel.figure.layout.title.text)
        assert len(titles) == len(panel.show.options)

    def test_the_seed_is_kept_with_the_plan(self, briefed):
        panel = PlanningPanel(briefed)
        panel.seed.value = 77
        panel.save()
        assert briefed.read().plan.seed == 77


    def test_what_a_colleague_changed_is_not_put_back(self, briefed):
        mine, theirs = PlanningPanel(briefed), PlanningPanel(briefed)
        theirs.author.value = "A. Mori"
        theirs.rows["time"].ends[1].value = 150.0
        theirs.save()
        choose_plan(mine, "full factorial")
        mine.rows["revolution"].ends[1].value = 1300.0
        mine.save()
        assert "Not done" in mine.status.value
        for part in ("A. Mori", "time", "Load the study as it now stands"):
            assert part in unescape(mine.status.value)
        assert mine.renew.layout.display is None
        study = briefed.read()
        assert study.brief.region["time"].high == 150.0
        assert study.plan == theirs.plan

        mine.load()
        assert mine.rows["time"].ends[1].value == 150.0  # theirs
        assert mine.rows["revolution"].ends[1].value == 1300.0  # mine, and nobody else's
        assert mine.renew.layout.display == "none"
        mine.save()
        study = briefed.read()
        assert study.plan == mine.plan
        assert [study.brief.region[n].high for n in ("revolution", "time")] == [1300.0, 150.0]

    def test_a_limit_tightened_on_a_response_stands(self, briefed):
        panel = PlanningPanel(briefed)
        brief = briefed.read().brief
        tighter = [r if r.name != "voids" else replace(r, upper=0.9 * r.upper)
                   for r in brief.responses]
        briefed.set_brief(brief.replace(responses=tighter), author="A. Mori")
        panel.rows["time"].ends[1].value = 150.0
        panel.save()
        assert "Not done" in panel.status.value
        panel.load()
        panel.save()
        brief = briefed.read().brief
        assert brief.response("voids") == next(r for r in tighter if r.name == "voids")
        assert brief.region["time"].high == 150.0

    def test_plans_are_kept_one_after_the_other(self, briefed):
        panel = PlanningPanel(briefed)
        panel.rows["pressure"].use.value = False
        panel.save()
        choose_plan(panel, "full factorial")
        panel.save()
        assert briefed.read().plan == panel.plan
        panel.rows["pressure"].use.value = True  # what was held can be varied again
        panel.save()
        study = briefed.read()
        assert study.plan == panel.plan
        assert "pressure" in study.brief.region.names
        assert not study.brief.held

    def test_once_runs_are_recorded_a_reason_is_asked_for(self, planned):
        panel = PlanningPanel(planned)
        planned.record(planned.read().pending[0], {"voids": 0.4})
        panel.save()
        assert "Not done" in panel.status.value
        assert panel.why.layout.display is None

    def test_a_panel_whose_words_failed_refuses_to_keep(self, briefed, monkeypatch):
        panel = PlanningPanel(briefed)
        with monkeypatch.context() as broken:
            broken.setattr("doe.panels.planning.effort", lambda *_: 1 / 0)
            with pytest.raises(ZeroDivisionError):
                choose_plan(panel, "full factorial")
        assert "ZeroDivisionError" in panel.status.value
        panel.save()
        assert "Not done" in panel.status.value
        assert briefed.read().plan is None
        panel.look()
        panel.save()
        assert briefed.read().plan == panel.plan

    def test_choices_that_make_no_plan_leave_no_chart(self, briefed):
        panel = PlanningPanel(briefed)
        panel.rows["time"].ends[0].value = 900.0
        assert not panel.figure.data
        panel.save()
        assert briefed.read().plan is None


@pytest.fixture
def kinds(briefed):
    """A panel on a study whose responses are of every kind."""
    brief = briefed.read().brief
    briefed.set_brief(brief.replace(responses=[
        Response("voids", unit="%", scale="log", assumed_sd=0.05),
        Response("gloss"), Response("lumps", kind="count"),
        Response("passed", kind="proportion", trials=40),
        Response("grade", kind="ordinal", grades=("poor", "fair", "good")),
        Response("trace", kind="censored", detection_limit=0.1, assumed_sd=0.3)]))
    return PlanningPanel(briefed)


class TestPowerByKind:
    def show(self, panel, name, **fields):
        panel.response.value = name
        for field, text in fields.items():
            panel.assumed.fields[field].value = text
        return unescape(panel.words.value), panel.figure

    def test_a_response_without_a_standard_deviation_inherits_none(self, kinds):
        words, figure = self.show(kinds, "gloss")
        assert kinds.assumed.sd is None
        assert "standard deviations" in words
        assert "standard deviations of a run" in figure.layout.xaxis.title.text.replace("<br>", " ")
        words, _ = self.show(kinds, "gloss", sd="1,5")
        assert kinds.assumed.sd == 1.5
        assert "assumed standard deviation of 1.5" in words
        self.show(kinds, "voids")
        assert kinds.assumed.sd == 0.05
        self.show(kinds, "gloss")
        assert kinds.assumed.sd == 1.5  # what was entered for it

    def test_counts_get_the_power_of_counts(self, kinds):
        words, figure = self.show(kinds, "lumps")
        assert "needs the mean expected at the centre" in words
        assert "power (two-sided" not in words  # of the normal theory
        assert not figure.data
        words, figure = self.show(kinds, "lumps", baseline="8")
        expected = ratio_power(kinds.plan, "count", baseline=8, seed=kinds.seed.value)
        assert expected.sentences[0] in words
        assert "Poisson" in words
        np.testing.assert_allclose(figure.data[0].y, 100 * expected.table["power"])

    def test_shares_get_the_power_of_shares(self, kinds):
        words, _ = self.show(kinds, "passed", baseline="0.2")
        expected = ratio_power(kinds.plan, "proportion", baseline=0.2, trials=40,
                               seed=kinds.seed.value)
        assert expected.sentences[0] in words

    def test_grades_are_said_to_have_none_here(self, kinds):
        words, figure = self.show(kinds, "grade")
        assert "Power for grades such as grade is not computed here" in words
        assert "simulated_power" in words
        assert "power (two-sided" not in words
        assert not figure.data

    def test_cut_off_readings_say_what_is_neglected(self, kinds):
        words, figure = self.show(kinds, "trace")
        assert "as if no reading were cut off" in words
        assert figure.data

    def test_a_field_that_holds_no_number_is_named(self, kinds):
        self.show(kinds, "lumps", baseline="many")
        assert "Not done: the mean expected at the centre = 'many'" in unescape(
            kinds.status.value)


class TestRunning:
    """What the panel does, and what then stands in the file."""

    GOOD = ("0.74", "53", "7.1", "0.02")

    def enter(self, panel, *values):
        for field, value in zip(panel.readings.values(), values, strict=False):
            field.value = value

    def texts(self, panel):
        return [field.value for field in panel.readings.values()]

    @pytest.fixture
    def panel(self, planned):
        return RunningPanel(planned)

    @pytest.fixture
    def colleague(self, planned):
        with open_study(planned.path) as file:
            yield file

    def test_a_reading_is_in_the_file_at_once(self, planned, panel):
        run = panel.run.value
        self.enter(panel, "0,74", "53", "", "0.021")
        panel.record()
        record = planned.read().attempts(run)[0]
        assert record.measurements == {"voids": 0.74, "largest_agglomerate": 53.0,
                                       "settling": 0.021}
        assert "Not measured: cup temperature rise" in panel.status.value
        assert panel.run.value != run

    def test_card_fields_and_buttons_are_those_of_the_run_that_is_chosen(self, planned, panel):
        for run in (1, 2, 3):
            planned.record(run, {"voids": run / 10}, remark=f"remark {run}")
        panel.refresh()
        for run in (3, 1, 7, 2, 11, 4):
            panel.run.value = run
            assert panel.shown == run
            assert f"Run {run}<" in panel.settings.value
            known = run <= 3
            assert self.texts(panel) == [f"{run / 10:g}" if known else "", "", "", ""]
            assert panel.remark.value == (f"remark {run}" if known else "")
            assert panel.keep.description == f"Record run {run}"
            assert panel.discard.description == f"Set run {run} aside"
            settings = planned.read().planned(run)
            assert f">{settings['time']:g} s<" in panel.settings.value

    def test_a_refused_reading_stays_in_its_field(self, planned, panel):
        self.enter(panel, "-3", "53", "7", "0.02")
        panel.record()
        assert "Not done" in panel.status.value
        assert panel.readings["voids"].value == "-3"
        assert not planned.read().records

    @pytest.mark.parametrize(("typed", "kept"), [("1,234", None), ("1,2340", 1.234),
                                                 ("1.234", 1.234), ("0,234 vol-%", 0.234),
                                                 ("3 mm", None), ("12 5", None)])
    def test_a_reading_with_two_meanings_is_refused(self, planned, panel, typed, kept):
        run = panel.run.value
        self.enter(panel, typed)
        panel.record()
        records = planned.read().records
        assert [r.measurements["voids"] for r in records] == ([] if kept is None else [kept])
        if kept is None:
            assert "Not done" in panel.status.value
            assert panel.readings["voids"].value == typed
        else:  # what is shown again is no change
            panel.run.value = run
            before = planned.read().trail
            panel.record()
            assert "nothing was changed" in panel.status.value
            assert planned.read().trail.equals(before)

    def test_a_correction_needs_a_reason_and_keeps_the_first_value(self, planned, panel):
        run = panel.run.value
        self.enter(panel, *self.GOOD)
        panel.record()
        panel.run.value = run
        self.enter(panel, "0.47")
        panel.record()
        assert "Not done" in panel.status.value
        assert "residual voids is on file already" in panel.status.value
        panel.reason.value = "digits swapped"
        panel.record()
        assert planned.read().attempts(run)[0].measurements["voids"] == 0.47
        history = planned.history(run)
        assert history.loc[history["response"] == "voids", "value"].tolist() == [0.74, 0.47]
        assert len(history) == 5, "only what changed is entered"
        assert panel.shown == run
        assert not panel.reason.value

    def test_late_readings_need_no_reason_and_have_their_time(self, planned, panel):
        run = panel.run.value
        self.enter(panel, "", "53", "7.1", "")
        panel.record()
        panel.run.value = run
        self.enter(panel, "0.74", "53", "7.1", "0.02")
        panel.operator.value = "R. Ito"
        panel.record()
        assert f"Added to run {run}: residual voids and density difference" in panel.status.value
        history = planned.history(run).set_index("response")
        assert history["value"].to_dict() == {"voids": 0.74, "largest_agglomerate": 53.0,
                                              "temperature_rise": 7.1, "settling": 0.02}
        assert (history.loc[["voids", "settling"], "author"] == "R. Ito").all()
        assert history["entered_at"].notna().all()

    def test_late_corrected_and_withdrawn_readings_in_one_entry(self, planned, panel):
        run = panel.run.value
        self.enter(panel, "0.74", "53", "", "0.02")
        panel.record()
        panel.run.value = run
        self.enter(panel, "0.47", "", "7.1", "0.02")
        panel.record()
        assert "residual voids and largest agglomerate is on file" in panel.status.value
        assert planned.read().attempts(run)[0].measurements["voids"] == 0.74, "all or nothing"
        assert "temperature_rise" not in planned.read().attempts(run)[0].measurements
        panel.reason.value = "wrong slide"
        panel.record()
        assert planned.read().attempts(run)[0].measurements == {
            "voids": 0.47, "temperature_rise": 7.1, "settling": 0.02}
        for said in ("Corrected in run", "Withdrawn from run", "Added to run"):
            assert said in panel.status.value
        history = planned.history(run, "largest_agglomerate")
        assert history["value"].isna().tolist() == [False, True]

    def test_a_run_without_readings_is_asked_about_once(self, planned, panel):
        run = panel.run.value
        panel.record()
        assert (f"No reading entered: record run {run} as done, readings to follow?"
                in panel.status.value)
        assert panel.keep.description == f"Yes, record run {run}"
        assert not planned.read().records
        panel.record()
        assert planned.read().attempts(run)[0].status == "done"
        assert panel.run.value != run

    def test_an_answer_does_not_hold_for_another_entry(self, planned, panel):
        panel.record()
        panel.run.value = 2
        panel.record()
        assert "record run 2 as done" in panel.status.value
        panel.remark.value = "warm"
        assert panel.keep.description == "Record run 2"
        panel.record()
        assert "Please check" in panel.status.value
        assert not planned.read().records

    def test_a_reading_far_off_is_asked_about_and_the_answer_kept(self, planned, panel):
        for run, size in ((1, "53"), (2, "41")):
            panel.run.value = run
            self.enter(panel, "0.74", size, "7.1", "0.02")
            panel.record()
        self.enter(panel, "0.74", "2700", "7.1", "0.02")
        panel.record()
        assert "2700 µm is far from the 2 other readings, 41 to 53 µm" in panel.status.value
        assert not planned.read().attempts(3)
        self.enter(panel, "0.74", "27")
        panel.record()
        assert planned.read().attempts(3)[0].measurements["largest_agglomerate"] == 27.0
        assert planned.history(3, "largest_agglomerate")["reason"].tolist() == [""]
        self.enter(panel, "0.74", "2700", "7.1", "0.02")
        panel.record()
        panel.record()
        assert planned.read().attempts(4)[0].measurements["largest_agglomerate"] == 2700.0
        (reason,) = planned.history(4, "largest_agglomerate")["reason"]
        assert reason.startswith("confirmed on entry: largest agglomerate 2700 µm is far")

    def test_setting_a_run_aside_makes_it_due_again(self, planned, panel):
        run = panel.run.value
        panel.discard.click()
        assert "Not done" in panel.status.value
        assert not planned.read().records
        panel.reason.value = "lid not seated"
        self.enter(panel, "", "90")
        panel.discard.click()
        study = planned.read()
        assert study.void[0].reason == "lid not seated"
        assert study.void[0].measurements == {"largest_agglomerate": 90.0}, "what was read is kept"
        assert run in study.pending
        assert panel.shown == run
        assert self.texts(panel) == [""] * 4
        assert "set aside before: lid not seated" in panel.settings.value

    def test_what_is_typed_waits_for_its_run(self, planned, panel):
        self.enter(panel, "0.74", "53")
        panel.run.value = 5
        assert self.texts(panel) == [""] * 4
        panel.refresh()
        panel.run.value = 1
        assert self.texts(panel) == ["0.74", "53", "", ""]
        assert "not recorded yet" in panel.status.value
        panel.refresh()
        assert panel.shown == 1
        panel.record()
        assert planned.read().attempts(1)[0].measurements == {"voids": 0.74,
                                                              "largest_agglomerate": 53.0}
        panel.run.value = 1
        assert "not recorded yet" not in panel.status.value

    def test_the_second_writer_is_told_and_keeps_what_was_typed(self, planned, panel, colleague):
        self.enter(panel, "0.74", "53")
        colleague.record(1, {"voids": 0.4}, operator="R. Ito")
        panel.record()
        assert "R. Ito recorded run 1" in panel.status.value
        assert "voids = 0.4" in panel.status.value
        assert self.texts(panel) == ["0.74", "53", "", ""]
        assert "on file: residual voids 0.4 % by volume" in panel.settings.value
        assert planned.read().attempts(1)[0].measurements == {"voids": 0.4}
        panel.reason.value = "read again, 0.74 on both slices"
        panel.record()
        assert planned.read().attempts(1)[0].measurements == {"voids": 0.74,
                                                              "largest_agglomerate": 53.0}
        assert planned.history(1, "voids")["value"].tolist() == [0.4, 0.74]

    def test_what_a_colleague_added_is_not_withdrawn_by_an_empty_field(self, planned, panel,
                                                                       colleague):
        colleague.record(1, {"voids": 0.4, "settling": 0.02}, operator="R. Ito")
        self.enter(panel, "", "53")
        panel.record()
        assert "Not done" in panel.status.value
        assert self.texts(panel) == ["0.4", "53", "", "0.02"]
        panel.record()
        assert planned.read().attempts(1)[0].measurements == {
            "voids": 0.4, "settling": 0.02, "largest_agglomerate": 53.0}

    def test_a_run_set_aside_meanwhile_is_told(self, planned, panel, colleague):
        panel.reason.value = "lid not seated"
        colleague.record(1, {"voids": 0.4}, operator="R. Ito")
        panel.void()
        assert "R. Ito recorded run 1" in panel.status.value
        assert not planned.read().void

    def test_a_finished_study_opens_at_its_first_run(self, planned):
        perform_due(planned)
        panel = RunningPanel(planned)
        assert panel.shown == panel.run.value == 1
        assert panel.readings["voids"].value
        panel.record()
        assert "nothing was changed" in panel.status.value

    def test_a_panel_that_cannot_read_writes_nothing_until_it_can(self, planned, panel,
                                                                  monkeypatch):
        with monkeypatch.context() as patch:
            patch.setattr(StudyFile, "read", lambda self: 1 / 0)
            with pytest.raises(ZeroDivisionError):
                panel.run.value = 4
            assert "ZeroDivisionError" in panel.status.value
            assert "nothing is written" in panel.status.value
            assert panel.shown is None
            assert panel.keep.disabled
            assert self.texts(panel) == [""] * 4
            assert not panel.settings.value
        panel.readings["voids"].value = "0.74"
        panel.record()
        assert "Not done" in panel.status.value
        assert not planned.read().records
        panel.again.click()
        assert panel.shown == 4
        self.enter(panel, "0.74", "53")
        panel.record()
        assert planned.read().attempts(4)[0].measurements["voids"] == 0.74

    def test_a_panel_for_other_responses_says_what_to_do(self, planned, panel):
        brief = planned.read().brief
        planned.set_brief(brief.replace(responses=(*brief.responses, Response("gloss"))))
        panel.again.click()
        assert "cell again" in panel.status.value
        assert panel.keep.disabled
        panel.record()
        assert not planned.read().records
        assert RunningPanel(planned).readings["gloss"].value == ""

    def test_what_was_saved_is_said_even_if_it_cannot_be_shown(self, planned, panel, monkeypatch):
        self.enter(panel, *self.GOOD)
        monkeypatch.setattr(RunningPanel, "draw", lambda self, figure: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            panel.record()
        assert "Run 1 is saved. But then" in panel.status.value
        assert "Not done" not in panel.status.value
        assert planned.read().attempts(1)[0].measurements["voids"] == 0.74

    def test_callbacks_may_come_in_another_thread(self, planned, panel):
        """As from JupyterLab, which hands widgets' messages to a second thread."""
        def act():
            for run in (11, 8, 5):
                panel.run.value = run
                self.enter(panel, *self.GOOD)
                panel.keep.click()
        thread = Thread(target=act)
        thread.start()
        thread.join(30)
        assert sorted(r.run for r in planned.read().done) == [5, 8, 11]

    def test_held_settings_have_their_unit_and_ratios_no_noise(self, tmp_path):
        brief = demo_brief()
        region = brief.region.hold({"pressure": 12.0, "time": 90.0})
        brief = brief.replace(region=region, held={"pressure": 12.0, "time": 90.0})
        with open_study(tmp_path / "a.study", create=brief) as file:
            plan = make_plan(region, "central composite", seed=1, mixer=brief.mixer)
            file.set_plan(plan)
            panel = RunningPanel(file)
            assert ">12 kPa<" in panel.settings.value
            assert ">90 s<" in panel.settings.value
            for run in plan.runs["run"]:
                panel.run.value = int(run)
                self.enter(panel, *self.GOOD)
                panel.record()
                panel.record()
            assert len(file.read().done) == len(plan)
            numbers = re.findall(r"(?<=>)\d+\.\d+(?=<)", panel.details.value)
            assert any(v.startswith("0.4") for v in numbers)
            assert max(len(v.partition(".")[2]) for v in numbers) <= 4

    def test_user_text_is_shown_as_text(self, planned, panel):
        panel.say("<b>x</b>")
        assert "<b>x</b>" not in panel.status.value
        planned.void(1, "<b>x</b>", "<i>y</i>")
        planned.record(1, {}, operator="<i>y</i>")
        for run in (1, 2):
            panel.run.value = run
        assert "<i>y" not in panel.settings.value + panel.words.value


class TestAnalysing:
    def test_unticking_a_factor_takes_its_products_along(self, run_study):
        panel = AnalysingPanel(run_study)
        words = panel.words.value
        panel.terms[Term("time")].value = False
        assert all("time" not in t.names for t in panel.fit.terms)
        assert panel.words.value != words

    def test_ticking_a_product_brings_its_factors(self, run_study):
        panel = AnalysingPanel(run_study)
        for box in panel.terms.values():
            box.value = False
        panel.terms[Term("revolution", "time")].value = True
        assert set(panel.fit.terms) == {Term(), Term("revolution"), Term("time"),
                                        Term("revolution", "time")}
        assert panel.terms[Term("time")].value

    def test_each_response_keeps_its_own_terms(self, run_study):
        panel = AnalysingPanel(run_study)
        panel.choose([Term("time")])
        panel.response.value = "settling"
        panel.response.value = "voids"
        assert panel.fits["voids"].terms == (Term(), Term("time"))
        assert len(panel.fits["settling"].terms) > 2

    def test_every_chart_can_be_drawn(self, run_study):
        panel = AnalysingPanel(run_study)
        panel.choose([Term("revolution", "time"), Term("pressure")])
        titles = set()
        for name in panel.chart.options:
            panel.chart.value = name
            titles.add(panel.figure.layout.title.text)
        assert len(titles) == len(panel.chart.options)

    def test_a_chart_that_has_nothing_to_show_is_not_offered(self, run_study):
        panel = AnalysingPanel(run_study)
        panel.choose([Term("time")])
        assert "Interactions" not in panel.chart.options
        panel.choose([Term("time", "revolution")])
        assert "Interactions" in panel.chart.options

    def test_terms_that_cannot_be_fitted_are_not_left_ticked(self, run_study, monkeypatch):
        panel = AnalysingPanel(run_study)

        def refused(*_):
            raise InputError("terms", "rotation ratio", "there are too few runs", "Take fewer")
        monkeypatch.setattr("doe.panels.analysing.fit_response", refused)
        panel.terms[Term("rotation_ratio")].value = True
        assert "too few runs" in panel.status.value
        assert not panel.terms[Term("rotation_ratio")].value  # what is ticked is what was fitted


class TestChoosing:
    @pytest.fixture
    def panel(self, run_study):
        return ChoosingPanel(AnalysingPanel(run_study).fits, run_study.brief)

    def test_predictions_are_those_of_the_fits_at_a_settable_setting(self, panel):
        panel.sliders["time"].value = panel.sliders["time"].options[5][1]
        row = panel.settings
        table = panel.predictions()
        for f, mean in zip(panel.fits, table["mean"], strict=True):
            assert mean == f.predict(row)["mean"].iloc[0]
        assert panel.brief.mixer.snap(row, panel.region).equals(row)

    def test_a_moved_slider_changes_words_and_figure(self, panel):
        words = panel.words.value
        options = panel.sliders["revolution"].options
        panel.sliders["revolution"].value = options[0][1]
        assert panel.words.value != words

    def test_every_stop_of_the_ratio_is_a_rotation_speed_that_can_be_set(self, panel):
        slider, speed = panel.sliders["rotation_ratio"], panel.sliders["revolution"]
        for revolution in (speed.options[0][1], speed.options[-1][1]):
            before = slider.value
            speed.value = revolution
            stops = [v for _, v in slider.options]
            factor = panel.region["rotation_ratio"]
            assert len(stops) == int(factor.high * revolution / 10 + 1e-9) - int(
                np.ceil(factor.low * revolution / 10 - 1e-9)) + 1
            assert slider.value == min(stops, key=lambda v: abs(v - before))  # the nearest
            words = set()
            for text, value in slider.options[:6]:
                slider.value = value
                assert panel.settings["rotation_ratio"][0] == value
                assert text.endswith(f"({round(value * revolution)} rpm)")
                words.add(panel.words.value)
            assert len(words) == 6  # every key press changes what is shown

    def test_what_is_said_of_the_recipe_stays_while_it_is_shown(self, panel):
        panel.find_best()
        said = panel.status.value
        assert "Confirm it by runs" in said
        panel.map.value = "Map voids"
        panel.x.value = "time"
        assert panel.status.value == said
        slider = panel.sliders["time"]
        best = slider.value
        slider.value = slider.options[2][1]
        assert panel.status.value == ""
        slider.value = best
        assert panel.status.value == said

    def test_no_option_is_none(self, panel):
        assert all(isinstance(v, str) and v for _, v in panel.map.options)
        assert panel.map.label == "Leeway of all responses"

    def test_a_curve_is_over_the_factor_on_the_horizontal_axis(self, panel):
        panel.map.value = "Curve voids"
        assert panel.y.disabled
        assert not panel.x.disabled
        panel.x.value = "time"
        assert panel.map.value == "Curve voids"
        label, key = panel.map.label, panel.map.value
        assert key == "Curve voids"
        assert label.startswith("Curve of ")
        assert label.endswith(" over " + panel.region["time"].label)
        assert panel.figure.layout.xaxis.title.text == panel.region["time"].title
        at = next(t for t in panel.figure.data if t.name == "present setting")
        assert at.x[0] == panel.settings["time"].iloc[0]

    def test_map_and_surface_mark_the_setting(self, panel):
        for key in ("Map voids", "Surface voids"):
            panel.map.value = key
            layout = panel.figure.layout
            words = (layout.annotations or layout.scene.annotations)[-1]
            row = panel.settings.iloc[0]
            assert words.text == "chosen setting"
            assert (words.x, words.y) == (row["revolution"], row["rotation_ratio"])

    def test_an_axis_taken_from_the_other_is_swapped(self, panel):
        panel.map.value = "Map voids"
        panel.x.value = "rotation_ratio"
        assert (panel.x.value, panel.y.value) == ("rotation_ratio", "revolution")
        assert "Not done" not in panel.status.value

    def test_the_best_setting_is_moved_to(self, panel):
        panel.find_best()
        for name, slider in panel.sliders.items():
            assert slider.value == panel.recipe.settings[name]

    def test_maps_and_surfaces_take_each_others_place(self, panel):
        panel.map.index = 1
        assert {t.type for t in panel.figure.data} & {"contour", "heatmap"}
        panel.map.index = 2
        assert "surface" in {t.type for t in panel.figure.data}
        panel.map.index = 0
        assert "surface" not in {t.type for t in panel.figure.data}

"""Panels wired to the core: what a control changes, and what it must not lose."""

from __future__ import annotations

from html import unescape
from threading import Event, Thread

import ipywidgets as widgets
import numpy as np
import pytest

from doe.errors import InputError
from doe.panels import AnalysingPanel, ChoosingPanel, PlanningPanel, RunningPanel
from doe.panels.base import Panel, reports_errors
from doe.planning import advise, compare
from doe.planning.changes import set_ups
from doe.practice import open_practice
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
                        sd=panel.sd.value, seed=panel.seed.value)
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
        assert "nothing to compare yet" in panel.status.value
        first = panel.plan
        panel.add_beside()
        choose_plan(panel, "full factorial")
        found = compare({"a": first, "b": panel.plan}, sd=panel.sd.value, against=())
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


class TestRunning:
    def enter(self, panel, *values):
        for field, value in zip(panel.readings.values(), values, strict=False):
            field.value = value

    def test_a_reading_is_in_the_file_at_once(self, planned):
        panel = RunningPanel(planned)
        run = panel.run.value
        self.enter(panel, "0,74", "53", "", "0.021")
        panel.record()
        record = planned.read().attempts(run)[0]
        assert record.measurements == {"voids": 0.74, "largest_agglomerate": 53.0,
                                       "settling": 0.021}
        assert "Not measured: cup temperature rise" in panel.status.value
        assert panel.run.value != run

    def test_a_refused_reading_stays_in_its_field(self, planned):
        panel = RunningPanel(planned)
        self.enter(panel, "-3", "53", "7", "0.02")
        panel.record()
        assert "Not done" in panel.status.value
        assert panel.readings["voids"].value == "-3"
        assert not planned.read().records

    @pytest.mark.parametrize(("typed", "kept"), [("1,234", None), ("1,2340", 1.234),
                                                 ("1.234", 1.234), ("0,234 vol-%", 0.234),
                                                 ("3 mm", None), ("12 5", None)])
    def test_a_reading_with_two_meanings_is_refused(self, planned, typed, kept):
        panel = RunningPanel(planned)
        run = panel.run.value
        self.enter(panel, typed)
        panel.record()
        records = planned.read().records
        assert [r.measurements["voids"] for r in records] == ([] if kept is None else [kept])
        if kept is None:
            assert "Not done" in panel.status.value
            assert panel.readings["voids"].value == typed
        else:  # what is shown again can be recorded again
            panel.run.value = run
            panel.remark.value, panel.reason.value = "read twice", "remark forgotten"
            panel.record()
            assert "corrected" in panel.status.value
            assert planned.read().attempts(run)[0].measurements["voids"] == kept

    def test_a_correction_needs_a_reason_and_keeps_the_first_value(self, planned):
        panel = RunningPanel(planned)
        run = panel.run.value
        self.enter(panel, "0.74", "53", "7", "0.02")
        panel.record()
        panel.run.value = run
        self.enter(panel, "0.47")
        panel.record()
        assert "Not done" in panel.status.value
        panel.reason.value = "digits swapped"
        panel.record()
        assert planned.read().attempts(run)[0].measurements["voids"] == 0.47
        assert planned.history(run, "voids")["value"].tolist() == [0.74, 0.47]

    def test_setting_a_run_aside_makes_it_due_again(self, planned):
        panel = RunningPanel(planned)
        run = panel.run.value
        panel.reason.value = "lid not seated"
        panel.void()
        study = planned.read()
        assert study.void[0].reason == "lid not seated"
        assert run in study.pending

    def test_user_text_is_shown_as_text(self, planned):
        panel = RunningPanel(planned)
        panel.say("<b>x</b>")
        assert "<b>x</b>" not in panel.status.value


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
        assert panel.map.label == "All responses against each factor"

    def test_map_and_surface_mark_the_setting(self, panel):
        for key in ("Map voids", "Surface voids"):
            panel.map.value = key
            ring = next(t for t in panel.figure.data if t.name == "chosen setting")
            row = panel.settings.iloc[0]
            assert (ring.x[0], ring.y[0]) == (row["revolution"], row["rotation_ratio"])

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

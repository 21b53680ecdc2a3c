"""What stands on a run sheet."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from sheet_cases import small_study, with_responses
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning.plan import Plan
from doe.records import Record
from doe.responses import Response
from doe.sheets.facts import is_own_mark, limits_in_words, sheet_cautions, sheet_facts, sheet_mark
from doe.sheets.layout import columns, sheet_table
from doe.study import Study


def headings(study: Study) -> list[str]:
    return [c.heading for c in columns(study)]


def brief_of(*factors: Factor, **changes):
    return template_brief(region=Region(factors), **changes)


SPEED = Factor("revolution", 800, 1400, unit="rpm", increment=10)
RATIO = Factor("rotation_ratio", 0.2, 0.5)
TIME = Factor("time", 60, 240, unit="s", increment=5)


def test_settings_stand_in_the_units_of_the_mixer():
    study = small_study()
    table = sheet_table(study)
    assert headings(study)[:11] == [
        "run", "attempt", "block", "revolution (rpm)", "rotation ratio", "rotation (rpm)",
        "acceleration (× g)", "time (s)", "absolute pressure (kPa)", "load (g)",
        "counterbalance (g)"]
    assert table["run"].tolist() == study.plan.runs["run"].tolist()
    pd.testing.assert_frame_equal(table[study.plan.region.names], study.plan.settings)
    speed = table["revolution"]
    np.testing.assert_allclose(table["rotation speed"] / speed, table["rotation_ratio"],
                               atol=5 / speed.min())  # set in steps of 10 rpm
    assert (table["rotation speed"] % 10 == 0).all()
    # Relative centrifugal force = 1.118e-5 · radius (cm) · (rpm)², the laboratory rule, rounded
    # to four digits (from memory).
    np.testing.assert_allclose(table["relative acceleration"], 1.118e-5 * 12.0 * speed**2,
                               rtol=5e-4)
    assert (table["load mass"] == 95 + 60).all()
    assert (table["counterbalance mass"] == 155).all()
    assert table.attrs["units"]["pressure"] == "kPa"
    assert table.attrs["headings"]["voids"] == "voids (%)"


def test_measurements_and_notes_are_blank_until_recorded():
    table = sheet_table(small_study())
    assert table[["voids", "coarsest_lump", "end_temperature"]].isna().all(axis=None)
    assert (table[["status", "operator", "recorded_at", "remark"]] == "").all(axis=None)


def test_what_is_recorded_stands_on_the_sheet():
    study = small_study()
    planned = study.planned(2)
    done = Record(2, 1, "done", {"revolution": planned["revolution"] - 20}, {"voids": 0.02},
                  "2026-03-01T10:00:00+00:00", "R. Ito", "warm", {"voids": "<"})
    void = Record(3, 1, "void", time="2026-03-01T11:00:00+00:00", reason="imbalance")
    table = sheet_table(replace(study, records=(done, void)))
    assert table["run"].tolist() == [1, 2, 3, 3, 4, 5, 6]
    assert table["attempt"].tolist() == [1, 1, 1, 2, 1, 1, 1]
    assert table["status"].tolist() == ["", "done", "set aside", "", "", "", ""]
    assert table.loc[1, "voids"] == 0.02
    assert table.attrs["qualifiers"] == {"voids": {1: "<"}}
    assert table.loc[1, "achieved revolution"] == planned["revolution"] - 20
    # Only the revolution was recorded, so the ratio was kept and the rotation was lower.
    assert table.loc[1, "achieved rotation_ratio"] == pytest.approx(
        planned["rotation_ratio"] * (planned["revolution"] - 20))
    assert table.loc[2, "remark"] == "imbalance"


def test_a_declared_repeat_has_a_row_of_its_own():
    study = small_study()
    records = (Record(1, 1, "done", time="2026-03-01T10:00:00+00:00"),
               Record(1, 2, "planned", reason="replicate"))
    table = sheet_table(replace(study, records=records))
    assert table[["run", "attempt", "status"]].head(3).to_numpy().tolist() == [
        [1, 1, "done"], [1, 2, ""], [2, 1, ""]]


def test_steps_have_speeds_of_their_own():
    factors = (replace(SPEED, name="wetting_revolution", label=""),
               replace(RATIO, name="wetting_rotation_ratio", label=""),
               replace(TIME, name="wetting_time", label=""),
               replace(SPEED, name="degassing_revolution", label=""))
    study = small_study(brief_of(*factors, held={"degassing_rotation_ratio": 0.25,
                                                 "degassing_time": 60, "pressure": 5}))
    found = headings(study)
    assert "wetting rotation (rpm)" in found
    assert "degassing rotation (rpm)" in found
    assert "degassing acceleration (× g)" in found
    table = sheet_table(study)
    np.testing.assert_allclose(table["degassing rotation speed"],
                               np.round(table["degassing_revolution"] * 0.25, -1), atol=10)
    assert "pressure 5 kPa" in sheet_facts(study)["In every run"]


def test_a_held_speed_still_gives_each_run_its_rotation():
    study = small_study(brief_of(RATIO, TIME, held={"revolution": 1000}))
    table = sheet_table(study)
    np.testing.assert_allclose(table["rotation speed"], 1000 * table["rotation_ratio"], atol=5)
    assert "acceleration (× g)" not in headings(study)
    said = sheet_facts(study)["In every run"]
    assert "revolution 1000 rpm" in said
    assert "atmospheric pressure (101.3 kPa)" in said


def test_speeds_held_in_every_run_stand_above_the_runs():
    held = {"revolution": 1000, "rotation_ratio": 0.3}
    said = sheet_facts(small_study(brief_of(TIME, held=held)))["In every run"]
    assert "rotation 300 rpm" in said


def test_a_varied_fill_changes_load_and_counterbalance():
    fill = Factor("fill_mass", 20, 60, unit="g", increment=10)
    study = small_study(brief_of(SPEED, RATIO, TIME, fill))
    table = sheet_table(study)
    np.testing.assert_allclose(table["load mass"], 95 + table["fill_mass"])
    np.testing.assert_allclose(table["counterbalance mass"], table["load mass"], atol=2.5)
    assert sheet_facts(study)["Counterbalance"].startswith("differs")


def test_levels_in_words_and_groups():
    order = Factor.categorical("charging", ["resin first", "filler first"],
                               label="order of charging")
    brief = brief_of(SPEED, RATIO, TIME, order)
    plan = random_plan(brief, 4)
    runs = plan.runs.assign(whole_plot=[1, 1, 2, 2])
    study = Study(brief, Plan(brief.region, runs, plan.terms, plan.family, plan.seed))
    assert headings(study)[3] == "group"
    assert "order of charging" in headings(study)
    assert set(sheet_table(study)["charging"]) <= {"resin first", "filler first"}


def test_headings_differ_even_where_labels_do_not():
    study = with_responses(Response("a", "%", label="status"), Response("b", "g", label="load"),
                           Response("c", "", label="=1+1\nx"), Response("d", "", label="=1+1 X"))
    found = [h.casefold() for h in headings(study)]
    assert len(set(found)) == len(found)
    assert not any("\n" in h for h in found)


def test_a_sheet_needs_a_plan():
    with pytest.raises(InputError, match="no runs to put on a sheet"):
        sheet_table(Study(template_brief()))


def test_decimals_show_the_settings_as_they_are():
    fine = Factor("time", 60, 240, unit="s", increment=2.5)
    study = small_study(brief_of(SPEED, RATIO, fine))
    places = {c.key: c.decimals for c in columns(study)}
    values = study.plan.runs["time"]
    assert places["time"] == (0 if (values % 1 == 0).all() else 1)
    assert places["revolution"] == 0
    assert places["rotation_ratio"] == 3  # 440 / 1300 has no end: three digits of half the range


# ---- whose sheet it is


def test_the_mark_tells_studies_and_plans_apart():
    study = small_study()
    others = [small_study(title="Another"), small_study(runs=5),
              replace(study, plan=random_plan(study.brief, 6, seed=2))]
    assert len({sheet_mark(s) for s in (study, *others)}) == 4
    assert sheet_mark(study) == sheet_mark(small_study())
    assert is_own_mark(sheet_mark(study), study)
    assert not any(is_own_mark(sheet_mark(study), s) for s in others)
    for mark in ("", "6", "6-", "x-1", "99-" + sheet_mark(study)[2:], "-1-abc"):
        assert not is_own_mark(mark, study)


def test_sheets_already_out_stay_valid_when_runs_or_responses_are_added():
    study = small_study()
    old = sheet_mark(study)
    more = random_plan(study.brief, 9)
    runs = pd.concat([study.plan.runs, more.runs.iloc[6:]], ignore_index=True)
    longer = replace(study, plan=Plan(study.plan.region, runs, study.plan.terms, "more", 3),
                     brief=study.brief.replace(responses=(*study.brief.responses,
                                                          Response("viscosity", "Pa·s"))))
    assert is_own_mark(old, longer)
    assert sheet_mark(longer) != old


# ---- what is said above the runs


def test_cautions_carry_the_numbers_of_the_planned_runs():
    study = small_study()
    said = sheet_cautions(study)
    assert said[0].startswith("Balance: ")
    assert "155 g" in said[0]
    fastest = study.plan.runs["revolution"].max()
    assert any(f"{fastest:g} rpm" in c for c in said)
    assert any(c.startswith("Precedence: ") for c in said)


def test_cautions_are_there_for_a_programme_that_is_not_complete():
    study = small_study(brief_of(Factor("dose", 1, 2, unit="g")))
    assert any(c.startswith("Dust: ") for c in sheet_cautions(study))


def test_limits_in_words():
    assert limits_in_words(Response("v", "%", possible=(0, 100), resolution=0.01,
                                    detection_limit=0.02)) == [
        "readings from 0 to 100 %", "to the nearest 0.01 %", "<0.02 where nothing was detected"]
    assert limits_in_words(Response("t", "°C", possible=(-10, None))) == ["readings from −10 °C"]
    assert limits_in_words(Response("n", kind="count")) == ["count"]
    assert limits_in_words(Response("n", kind="count", exposure=4, exposure_unit="cm²")) == [
        "count on 4 cm²"]
    assert limits_in_words(Response("p", kind="proportion")) == ["share, from 0 to 1"]
    assert limits_in_words(Response("p", "%", kind="proportion", trials=20)) == [
        "share, from 0 to 100, of 20 tried"]
    assert limits_in_words(Response("g", kind="ordinal", grades=("dull", "fair", "glossy"))) == [
        "grade: 1 dull, 2 fair, 3 glossy"]
    assert limits_in_words(Response("x")) == []


def test_readings_of_counts_and_proportions_have_the_limits_of_their_kind():
    study = with_responses(Response("lumps", kind="count"), Response("share", "%",
                                                                     kind="proportion"))
    found = {c.key: c for c in columns(study)}
    lumps = found["lumps"]
    assert (lumps.least, lumps.greatest, lumps.kind) == (0, None, "whole")
    assert (found["share"].least, found["share"].greatest) == (0, 100)
    assert math.isclose(found["achieved revolution"].greatest, 1.1 * 1800)

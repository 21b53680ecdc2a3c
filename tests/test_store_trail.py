"""Locking, amendments, corrections, voids and the trail that nobody can rewrite."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from study_cases import random_plan, template_brief

from doe.errors import InputError
from doe.factors import Factor, Region
from doe.planning.plan import Plan
from doe.records import Record
from doe.responses import Response
from doe.store import open_study
from doe.study import TRAIL_COLUMNS

BRIEF = template_brief()
PLAN = random_plan(BRIEF, 6)
OTHER = random_plan(BRIEF, 6, seed=2)


def extended(plan: Plan, more: Plan) -> Plan:
    added = more.runs.assign(run=more.runs["run"] + len(plan), point="added")
    return replace(plan, runs=pd.concat([plan.runs, added], ignore_index=True))


@pytest.fixture
def file(tmp_path):
    with open_study(tmp_path / "a.study", create=BRIEF) as study_file:
        study_file.set_plan(PLAN, author="M. Abel")
        yield study_file


# ---- before and after the first record


def test_plan_and_brief_are_free_until_the_first_record(file):
    file.set_plan(OTHER)
    file.set_brief(BRIEF.replace(purpose="another"))
    study = file.read()
    assert study.plan == OTHER
    assert study.brief.purpose == "another"
    assert study.trail["kind"].tolist() == ["brief", "plan", "plan", "brief"]
    assert study.trail.iloc[-1][["before", "after"]].tolist() == [
        f"purpose = {BRIEF.purpose}", "purpose = another"]
    assert study.deviations().empty


@pytest.mark.parametrize("first", [
    lambda f: f.record(1), lambda f: f.void(1, "lid came off")])
def test_the_first_entry_locks(file, first):
    first(file)
    assert file.read().locked
    for change in (lambda: file.set_plan(extended(PLAN, OTHER)),
                   lambda: file.set_plan(extended(PLAN, OTHER), reason="  "),
                   lambda: file.set_brief(BRIEF.replace(notes="n"))):
        with pytest.raises(InputError, match="locked since the first record"):
            change()
    assert file.read().plan == PLAN


def test_an_amendment_keeps_what_was_before(file):
    file.record(2, {"voids": 0.4})
    bigger = extended(PLAN, OTHER)
    file.set_plan(bigger, author="M. Abel", reason="curvature: axial points added")
    file.set_brief(BRIEF.replace(fill_mass=61), author="R. Ito", reason="scale was off")
    study = file.read()
    assert study.plan == bigger
    assert study.pending == [1, *range(3, 13)]
    table = study.trail[study.trail["kind"] == "amendment"]
    assert table["who"].tolist() == ["M. Abel", "R. Ito"]
    assert table["reason"].tolist() == ["curvature: axial points added", "scale was off"]
    assert table.iloc[1][["before", "after"]].tolist() == ["fill_mass = 60.0", "fill_mass = 61.0"]
    assert study.deviations().loc[lambda d: d["kind"] == "amendment", "sentence"].tolist() == [
        f"The {what} was amended by {who} on {when[:10]}: {reason}." for what, who, when, reason
        in table[["what", "who", "when", "reason"]].values]
    with closing(sqlite3.connect(file.path)) as db:  # both versions are on file
        assert db.execute("SELECT count(*) FROM plan_run WHERE plan_version = 1").fetchone() == (6,)
        assert db.execute("SELECT count(*) FROM plan_run WHERE plan_version = 2").fetchone() == (
            12,)


def test_setting_the_same_again_is_no_change(file):
    file.record(1)
    before = file.read().trail
    file.set_plan(PLAN)
    file.set_brief(BRIEF)
    pd.testing.assert_frame_equal(file.read().trail, before)


def test_recorded_runs_cannot_be_replanned(file):
    file.record(2, {"voids": 0.4})
    moved = PLAN.runs.copy()
    moved.loc[1, "time"] += 5
    for plan, field in ((replace(PLAN, runs=moved), "plan, run 2, time"),
                        (replace(PLAN, runs=PLAN.runs.head(1)), "plan, run 2, revolution"),
                        (replace(PLAN, runs=PLAN.runs.assign(block=2)), "plan, run 2, block")):
        with pytest.raises(InputError) as caught:
            file.set_plan(plan, reason="r")
        assert caught.value.field == field
    free = PLAN.runs.copy()
    free.loc[2, "time"] += 5
    file.set_plan(replace(PLAN, runs=free), reason="r")
    assert file.read().planned(3)["time"] == free.loc[2, "time"]


def test_a_plan_must_fit_the_brief(file):
    brief = BRIEF.replace(region=Region((BRIEF.region["time"],)), held={
        "revolution": 900.0, "rotation_ratio": 0.5, "pressure": 5.0})
    with pytest.raises(InputError, match="the brief varies other factors"):
        file.set_plan(random_plan(brief, 4))
    with pytest.raises(InputError, match="varies other factors"):
        file.set_brief(brief)
    file.set_brief(brief, plan=random_plan(brief, 4))
    assert file.read().plan == random_plan(brief, 4)
    assert file.read().brief == brief


def test_a_plan_beyond_the_mixer_is_refused(file):
    runs = PLAN.runs.copy()
    runs.loc[3, ["revolution", "rotation_ratio"]] = [1500, 0.2]  # 390 g: the cup stands 400
    file.set_plan(replace(PLAN, runs=runs))
    runs.loc[3, "revolution"] = 1550  # 416 g
    with pytest.raises(InputError, match=r"416.* × g .*, but the cup is rated for 400 × g"
                       ) as caught:
        file.set_plan(replace(PLAN, runs=runs))
    assert caught.value.field == "plan, run 4"


def test_a_new_cup_must_stand_the_runs_still_to_do(file):
    fastest = int(PLAN.runs["revolution"].idxmax()) + 1
    # A rating just below that of the fastest run, but above that of every corner kept.
    vessel = replace(BRIEF.vessel, rated_acceleration=float(BRIEF.mixer.greatest_acceleration(
        BRIEF.vessel, PLAN.runs["revolution"].max() - 1)))
    slower = [replace(f, high=1000) if f.name == "revolution" else f
              for f in BRIEF.region.factors]
    brief = BRIEF.replace(vessel=vessel, region=BRIEF.region.replace(slower))
    with pytest.raises(InputError, match="the cup is rated for") as caught:
        file.set_brief(brief)
    assert caught.value.field == f"plan, run {fastest}"
    file.record(fastest, {"voids": 1})  # done is done
    file.set_brief(brief, reason="only this cup is left")


def test_runs_are_numbered_in_order(file):
    with pytest.raises(InputError, match="not numbered"):
        file.set_plan(replace(PLAN, runs=PLAN.runs.assign(run=PLAN.runs["run"] + 1)))


def test_a_brief_must_keep_what_was_measured(file):
    file.record(1, {"voids": 0.4})
    voids, lump, warmth = BRIEF.responses
    with pytest.raises(InputError, match="it has been measured"):
        file.set_brief(BRIEF.replace(responses=(lump, warmth)), reason="r")
    with pytest.raises(InputError, match="numbers in % stand under it already"):
        file.set_brief(BRIEF.replace(responses=(replace(voids, unit="ppm"),)), reason="r")
    file.set_brief(BRIEF.replace(responses=(voids, Response("gloss"))), reason="customer asked")
    file.record(1, {"gloss": 80})
    assert file.read().table()[["voids", "gloss"]].values.tolist() == [[0.4, 80]]


def test_a_planned_factor_keeps_its_unit(tmp_path):
    dose = Factor("dose", 1, 2, unit="g")
    brief = BRIEF.replace(region=Region((dose,)))
    with open_study(tmp_path / "b.study", create=brief) as file:
        file.set_plan(random_plan(brief, 4))
        with pytest.raises(InputError, match="numbers in g stand under it already"):
            file.set_brief(brief.replace(region=Region((replace(dose, unit="mg"),))))


def test_levels_in_use_must_stay(tmp_path):
    levels = Factor.categorical("lid", ("open", "closed", "vented"))
    brief = BRIEF.replace(region=Region((levels,)))
    plan = random_plan(brief, 8, seed=3)
    assert set(plan.runs["lid"]) == {"open", "closed", "vented"}
    with open_study(tmp_path / "b.study", create=brief) as file:
        file.set_plan(plan)
        with pytest.raises(InputError, match="no such level"):
            file.set_brief(brief.replace(region=Region((replace(levels, levels=(
                "open", "closed")),))))


# ---- corrections, voids, repeats


def test_a_correction_keeps_its_history(file):
    file.record(1, {"voids": "<0.4", "coarsest_lump": 30}, operator="R. Ito")
    file.amend(1, {"voids": 0.5}, reason="wrong line", author="M. Abel")
    file.amend(1, {"voids": None}, settings={"time": 99}, reason="sample lost", author="M. Abel")
    history = file.history(1, "voids")
    np.testing.assert_array_equal(history["value"], [0.4, 0.5, np.nan])
    assert history["qualifier"].tolist() == ["<", "", ""]
    assert history["author"].tolist() == ["R. Ito", "M. Abel", "M. Abel"]
    assert history["reason"].tolist() == ["", "wrong line", "sample lost"]
    assert set(history["unit"]) == {"%"}
    record, = file.read().records
    assert record.measurements == {"coarsest_lump": 30}
    assert record.settings == {"time": 99}
    assert file.read().deviations().loc[lambda d: d["kind"] == "correction", [
        "planned", "happened"]].values.tolist() == [
            ["voids = <0.4 %", "voids = 0.5 %"], ["voids = 0.5 %", "time = 99 s, voids withdrawn"]]
    assert len(file.history()) == 4


@pytest.mark.parametrize("reason", ["", "  ", None])
def test_corrections_and_voids_need_a_reason(file, reason):
    file.record(1, {"voids": 0.4})
    for change in (lambda: file.amend(1, {"voids": 0.5}, reason=reason),
                   lambda: file.void(1, reason),
                   lambda: file.record_many([Record(1, status="void", reason=reason or "")])):
        with pytest.raises(InputError, match="needs a reason"):
            change()
    assert file.history()["value"].tolist() == [0.4]
    assert file.read().records[0].status == "done"


def test_a_correction_that_changes_nothing_leaves_no_trace(file):
    file.record(1, {"voids": 0.4})
    rows = len(file.read().trail)
    file.amend(1, {"voids": 0.4}, reason="checked")
    file.record(1, {"voids": 0.4})
    assert len(file.read().trail) == rows
    assert len(file.history()) == 1


def test_a_void_run_is_due_again(file):
    file.record(1, {"voids": 40}, operator="R. Ito")
    file.void(1, "lid came off", "R. Ito")
    study = file.read()
    assert study.pending[0] == 1
    assert study.table().empty
    assert study.records[0].measurements == {"voids": 40}  # kept, not counted
    with pytest.raises(InputError, match="no such attempt that is done"):
        file.amend(1, {"voids": 1}, reason="r")
    with pytest.raises(InputError, match="only what is done and not set aside"):
        file.amend(1, {"voids": 1}, attempt=1, reason="r")
    with pytest.raises(InputError, match="set aside already"):
        file.void(1, "again", attempt=1)
    assert file.record(1, {"voids": 0.4}).attempt == 2
    assert file.read().table()[["run", "attempt", "voids"]].values.tolist() == [[1, 2, 0.4]]


def test_a_run_broken_off_is_kept_as_void(file):
    assert file.void(3, "power failed", "R. Ito").attempt == 1
    assert file.record(3, {"voids": 1}).attempt == 2
    many = file.record_many([Record(4, status="void", measurements={"voids": 9}, reason="foamed"),
                             Record(4, measurements={"voids": 1})])
    assert [(r.attempt, r.status, r.measurements["voids"]) for r in many] == [
        (1, "void", 9), (2, "done", 1)]


def test_a_second_observation_needs_a_declared_repeat(file):
    with pytest.raises(InputError, match="not done yet"):
        file.repeat(1)
    file.record(1, {"voids": 0.4})
    with pytest.raises(InputError, match=r"already recorded as 0\.4"):
        file.record(1, {"voids": 0.5})
    file.repeat(1, "to see the scatter", "M. Abel")
    with pytest.raises(InputError, match="a repeat of it is due already"):
        file.repeat(1)
    assert file.read().pending[0] == 1
    assert file.record(1, {"voids": 0.5}).attempt == 2
    assert file.read().table()["voids"].tolist() == [0.4, 0.5]
    file.void(1, "same cup as before")  # the last one
    assert file.read().table()["voids"].tolist() == [0.4]
    assert 1 not in file.read().pending
    with pytest.raises(InputError, match=r"already recorded as 0\.4"):
        file.record(1, {"voids": 0.6})


@pytest.mark.parametrize("call", [
    lambda f: f.record(99, {"voids": 1}), lambda f: f.void(99, "r"), lambda f: f.repeat(0),
    lambda f: f.amend(99, {"voids": 1}, reason="r"), lambda f: f.record(1.5, {"voids": 1}),
    lambda f: f.void("1", "r"), lambda f: f.history(-1), lambda f: f.void(1, "r", attempt=7),
    lambda f: f.record(1, {"voids": 1}, when="noon")])
def test_runs_that_are_not_planned(file, call):
    with pytest.raises(InputError):
        call(file)
    assert not file.read().locked


def test_numpy_numbers_are_numbers(file):
    row = PLAN.runs.iloc[2]
    file.record(np.int64(3), {"voids": np.float32(0.5)}, settings={"time": np.int64(70)})
    file.amend(np.int64(3), {"voids": np.float64(0.25)}, reason="r")
    file.void(np.int64(row["run"]), "r")
    assert file.history(np.int64(3))["value"].tolist() == [0.5, 0.25]


def test_nothing_can_be_recorded_without_a_plan(tmp_path):
    with open_study(tmp_path / "c.study", create=BRIEF) as file:
        with pytest.raises(InputError, match="no plan yet"):
            file.record(1, {"voids": 1})
        assert file.read().plan is None


# ---- the trail


def test_the_trail_says_who_did_what_when_and_why(file):
    file.record(1, {"voids": "<0.02", "coarsest_lump": 30}, settings={"time": 65},
                operator="R. Ito", when="2031-05-17T14:00:00+02:00")
    trail = file.read().trail
    assert list(trail.columns) == list(TRAIL_COLUMNS)
    last = trail.iloc[-1]
    assert last["after"] == ("done, run at 2031-05-17T12:00:00+00:00, by R. Ito, time = 65 s, "
                             "voids = <0.02 %, coarsest_lump = 30 µm")
    assert last[["who", "what", "before", "kind", "run", "attempt"]].tolist() == [
        "R. Ito", "run 1", "", "record", 1, 1]
    assert trail["who"].tolist()[:2] == [BRIEF.author, "M. Abel"]
    when = pd.to_datetime(trail["when"])
    assert str(when.dt.tz) == "UTC"
    assert when.is_monotonic_increasing


def test_no_change_is_anonymous(file, monkeypatch):
    monkeypatch.setenv("LOGNAME", "rito")
    file.record(1, {"voids": 1})
    assert file.read().trail["who"].iloc[-1] == "rito"
    assert file.read().records[0].operator == ""


# ---- what any SQLite client sees, and cannot do

TABLES = ("brief", "plan", "plan_run", "plan_setting", "attempt", "attempt_state", "setting",
          "measurement", "trail", "seal")


@pytest.fixture
def filled(file):
    file.record(1, {"voids": "<0.02"}, settings={"time": 65}, operator="R. Ito")
    file.amend(1, {"voids": 0.03}, reason="wrong line")
    return file


@pytest.fixture
def client(filled):
    with closing(sqlite3.connect(filled.path)) as db:
        yield db


@pytest.mark.parametrize("table", TABLES)
@pytest.mark.parametrize("way", ["UPDATE {t} SET {c} = {c}", "DELETE FROM {t}",
                                 "INSERT OR REPLACE INTO {t} SELECT * FROM {t}",
                                 "REPLACE INTO {t} SELECT * FROM {t} LIMIT 1"])
def test_rows_can_only_be_added(client, table, way):
    names = [row[1] for row in client.execute(f"PRAGMA table_info({table})")]
    before = client.execute(f"SELECT * FROM {table}").fetchall()
    assert before
    with pytest.raises(sqlite3.IntegrityError, match="never changed or deleted"):
        client.execute(way.format(t=table, c=names[-1]))
    client.rollback()
    assert client.execute(f"SELECT * FROM {table}").fetchall() == before


def test_every_table_is_guarded(client):
    found = client.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    assert {name for name, in found} == set(TABLES)


def test_replacing_an_attempt_by_its_other_key_is_refused_too(client):
    with pytest.raises(sqlite3.IntegrityError, match="never changed"):
        client.execute("INSERT OR REPLACE INTO attempt (id, run, attempt) VALUES (77, 1, 1)")


@pytest.mark.parametrize("statement", [
    "INSERT INTO measurement VALUES (NULL, 1, 1, 'voids', 'much', '', '%', 't', 'w', 'r')",
    "INSERT INTO measurement VALUES (NULL, 1, 1, 'voids', 1.0, '~', '%', 't', 'w', 'r')",
    "INSERT INTO brief VALUES (9, 'no json', 't', 'w', 'r')",
    "INSERT INTO plan_setting VALUES (1, 99, 'time', 1.0, NULL, 's')",
    "INSERT INTO attempt_state VALUES (NULL, 1, 1, 'fine', 't', 'o', 'm', 't', 'w', 'r')"])
def test_tables_keep_nonsense_out_whoever_writes(client, statement):
    client.execute("PRAGMA foreign_keys = ON")
    with pytest.raises(sqlite3.IntegrityError):
        client.execute(statement)


def test_results_can_be_read_with_any_client(filled, client):
    filled.record(2, {"voids": 0.5, "coarsest_lump": 20})
    filled.void(3, "lid came off")
    results = pd.read_sql("SELECT * FROM results", client)
    assert results["status"].tolist() == ["done", "done", "void", *["planned"] * 3]
    ours = filled.read().table()
    for name in (*BRIEF.region.names, "voids", "coarsest_lump", "end_temperature"):
        np.testing.assert_array_equal(results[name].head(2).astype(float), ours[name])
    assert results["time"].tolist() == [65, *PLAN.runs["time"].tolist()[1:]]
    assert results.loc[2, "reason"] == "lid came off"


def test_results_follow_an_amended_brief(filled, client):
    filled.set_brief(BRIEF.replace(responses=(*BRIEF.responses, Response("gloss"))), reason="r")
    filled.record(1, {"gloss": 80})
    assert client.execute("SELECT gloss FROM results WHERE run = 1").fetchone() == (80,)

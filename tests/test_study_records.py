"""Records: readings, what is accepted after what, corrections; the study's tables and words."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from study_cases import random_plan, template_brief

from doe.analysis import fit
from doe.deviations import KINDS
from doe.errors import InputError
from doe.factors import Factor
from doe.records import Record, admit, as_time, attempt_due, checked, correct, read_value
from doe.responses import Response
from doe.study import Study
from doe.terms import standard_terms

BRIEF = template_brief()
PLAN = random_plan(BRIEF, 8)
ALL = {"voids": 1, "coarsest_lump": 1, "end_temperature": 1}
NOON = "2031-05-17T12:00:00+00:00"


def study(*records: Record, plan=PLAN, brief=BRIEF) -> Study:
    return Study(brief, plan, records)


def done(run, attempt=1, minute=0, **more) -> Record:
    return Record(run, attempt, measurements=more.pop("measurements", {"voids": 0.1 * run}),
                  time=f"2031-05-17T12:{minute:02}:00+00:00", **more)


# ---- readings


@pytest.mark.parametrize(("given", "value", "mark"), [
    (3.2, 3.2, ""), (3, 3.0, ""), ("3.2", 3.2, ""), ("<0.5", 0.5, "<"), (" > 20 ", 20.0, ">"),
    ("1e-3", 1e-3, ""), ("\N{MINUS SIGN}0", 0.0, ""), (np.float32(0.5), 0.5, ""),
    (np.int64(7), 7.0, ""), (0, 0.0, ""),    (100, 100.0, ""), ("+5.", 5.0, ""), (".5", 0.5, ""),
])
def test_readings(given, value, mark):
    assert read_value(Response("voids", possible=(0, 100)), given) == (value, mark)


@pytest.mark.parametrize("given", ["", "3,2", "n/a", "<", "<<1", "1 2", "0x10", "inf", "nan", "-1",
                                   "1e999", "100.5", math.nan, math.inf, -0.001, 101, True, None,
                                   [1]])
def test_what_is_no_reading(given):
    with pytest.raises(InputError) as caught:
        read_value(Response("voids", "%", possible=(0, 100)), given, "run 7")
    assert caught.value.field == "run 7, response 'voids'"


@pytest.mark.parametrize(("possible", "said"), [
    ((0, None), "at least 0 %"), ((None, 100), "at most 100 %"), ((0, 100), "from 0 to 100 %")])
def test_an_impossible_reading_says_what_is_possible(possible, said):
    value = -1 if possible[0] is not None else 101
    with pytest.raises(InputError, match=said):
        read_value(Response("voids", "%", possible=possible), value)


@pytest.mark.parametrize(("response", "text", "said"), [
    (Response("voids", "%", possible=(0, 100)), "<0", "no reading can lie below 0 %"),
    (Response("voids", "%", possible=(0, 100)), ">100", "no reading can lie above 100 %"),
    (Response("voids", "%", scale="log"), "<0", "below 0 %"),
    (Response("specks", kind="count"), "<0", "below 0"),
    (Response("passed", kind="proportion"), ">1", "above 1"),
])
def test_no_reading_lies_beyond_what_is_possible(response, text, said):
    with pytest.raises(InputError, match=said):
        read_value(response, text)
    name, number = response.name, float(text[1:])
    with pytest.raises(InputError, match=said):
        checked(Record(1, measurements={name: number}, qualifiers={name: text[0]}),
                template_brief(responses=(response,)))
    assert read_value(response, "0.5" if response.kind != "count" else "5")[1] == ""
    assert read_value(Response("level"), "<0") == (0, "<")


@given(st.floats(allow_nan=False, allow_infinity=False))
def test_every_number_survives_as_text(value):
    assert read_value(Response("y"), repr(value)) == (value, "")


# ---- times


def test_times_are_kept_in_utc():
    assert as_time("t", "2031-05-17T14:00:00+02:00") == NOON
    assert as_time("t", datetime(2031, 5, 17, 12, tzinfo=UTC)) == NOON
    local = datetime(2031, 5, 17, 12)
    assert datetime.fromisoformat(as_time("t", "2031-05-17 12:00")) == local.astimezone(UTC)
    assert abs(datetime.fromisoformat(as_time("t", None)) - datetime.now(UTC)).seconds < 60


@pytest.mark.parametrize("given", ["noon", "17.5.2031", 5, "0001-01-01T00:00:00+14:00"])
def test_what_is_no_time(given):
    with pytest.raises(InputError) as caught:
        as_time("row 3, time", given)
    assert caught.value.field == "row 3, time"


# ---- what is accepted after what


def test_an_entry_is_checked_and_completed():
    new = admit(Record(2, measurements={"voids": "<0.02", "end_temperature": None},
                       settings={"time": 65}), BRIEF, [])
    assert (new.attempt, new.status) == (1, "done")
    assert new.measurements == {"voids": 0.02}
    assert new.qualifiers == {"voids": "<"}
    assert new.settings == {"time": 65.0}
    assert new.time


@pytest.mark.parametrize(("entry", "field"), [
    ({"measurements": {"viods": 1}}, "run 2, response"),
    ({"measurements": {"voids": -1}}, "run 2, response 'voids'"),
    ({"measurements": {"voids": 1}, "qualifiers": {"voids": "~"}}, "run 2, qualifier of 'voids'"),
    ({"qualifiers": {"voids": "<"}}, "run 2, qualifier"),
    ({"settings": {"speed": 1}}, "run 2, factor"),
    ({"settings": {"time": "long"}}, "run 2, factor 'time'"),
    ({"settings": {"time": math.nan}}, "run 2, factor 'time'"),
    ({"time": "yesterday"}, "run 2, time"),
    ({"status": "void"}, "run 2, status"),
    ({"attempt": 2}, "run 2, attempt"),
])
def test_an_entry_that_cannot_be_used_names_run_and_field(entry, field):
    with pytest.raises(InputError) as caught:
        admit(Record(2, **entry), BRIEF, [])
    assert caught.value.field == field


@pytest.mark.parametrize(("key", "value"), [
    ("run", 1.5), ("run", -1), ("run", "1"), ("attempt", True), ("status", "ok"),
    ("settings", None), ("measurements", [1]), ("operator", None), ("remark", 5)])
def test_a_record_is_checked_when_it_is_made(key, value):
    with pytest.raises(InputError) as caught:
        Record(**{"run": 1, key: value})
    assert caught.value.field == f"record, {key}"


def test_what_is_missing_can_be_added_later():
    first = done(2, operator="R. Ito", remark="foamed")
    both = admit(Record(2, measurements={"coarsest_lump": 30}, operator="M. Abel",
                        remark="read next day"), BRIEF, [first])
    assert both.measurements == {"voids": 0.2, "coarsest_lump": 30}
    assert (both.operator, both.time) == ("R. Ito", first.time)
    assert both.remark == "foamed; read next day"


def test_saying_it_again_changes_nothing():
    first = done(2, settings={"time": 65}, qualifiers={"voids": "<"})
    again = Record(2, measurements={"voids": "<0.2"}, settings={"time": 65})
    assert admit(again, BRIEF, [first]) == first


@pytest.mark.parametrize("entry", [
    {"measurements": {"voids": 0.3}}, {"measurements": {"voids": "<0.2"}},
    {"settings": {"time": 66}}])
def test_another_value_is_no_addition(entry):
    first = done(2, settings={"time": 65})
    with pytest.raises(InputError, match="already recorded as"):
        admit(Record(2, **entry), BRIEF, [first])


@pytest.mark.parametrize(("states", "due"), [
    ([], 1), (["void"], 2), (["void", "void"], 3), (["done"], 1), (["void", "done"], 2),
    (["done", "planned"], 2), (["done", "void"], 1), (["void", "done", "planned"], 3)])
def test_the_attempt_that_is_due(states, due):
    earlier = [Record(1, i, status, reason="r") for i, status in enumerate(states, 1)]
    assert attempt_due(earlier) == due


def test_a_correction_replaces_and_withdraws():
    old = done(2, measurements={"voids": 0.2, "coarsest_lump": 30}, qualifiers={"voids": "<"},
               settings={"time": 65.0})
    new = correct(old, BRIEF, measurements={"voids": 0.25, "coarsest_lump": None},
                  settings={"time": None, "pressure": 4}, remark="scale was off")
    assert new.measurements == {"voids": 0.25}
    assert new.qualifiers == {}
    assert new.settings == {"pressure": 4.0}
    assert (new.remark, new.time) == ("scale was off", old.time)
    with pytest.raises(InputError, match="no such name"):
        correct(old, BRIEF, measurements={"viods": None})
    with pytest.raises(InputError, match="not set aside can be corrected"):
        correct(Record(2, 1, "void", reason="r"), BRIEF, measurements={"voids": 1})


# ---- the study


def test_records_belong_to_the_plan():
    with pytest.raises(InputError, match="there are records but no plan"):
        study(done(1), plan=None)
    with pytest.raises(InputError, match="no such run"):
        study(done(9))
    with pytest.raises(InputError, match="recorded twice"):
        study(done(1), done(1))
    with pytest.raises(InputError, match="no such run"):
        study().admit(Record(0, measurements={"voids": 1}))
    assert study(done(1)).admit(Record(1, measurements={"coarsest_lump": 3})).measurements == {
        "voids": 0.1, "coarsest_lump": 3}


def test_the_table_has_a_row_for_every_observation():
    s = study(
        done(3, minute=5, settings={"time": 65.0}), done(1, minute=9, qualifiers={"voids": "<"}),
        Record(2, 1, "void", reason="lid"), Record(3, 2, "planned"),
        done(2, 2, minute=1, measurements={"voids": 4, "coarsest_lump": 7}))
    table = s.table()
    assert list(table.columns) == ["run", "attempt", "block", "point", "standard", "order",
                                   *BRIEF.region.names, "voids", "coarsest_lump",
                                   "end_temperature"]
    assert table[["run", "attempt", "order"]].values.tolist() == [[1, 1, 3], [2, 2, 1], [3, 1, 2]]
    planned = PLAN.runs.set_index("run")
    assert table["time"].tolist() == [planned.at[1, "time"], planned.at[2, "time"], 65.0]
    assert table["pressure"].tolist() == planned.loc[[1, 2, 3], "pressure"].tolist()
    assert table["standard"].tolist() == planned.loc[[1, 2, 3], "standard"].tolist()
    np.testing.assert_array_equal(table["coarsest_lump"], [math.nan, 7, math.nan])
    assert table.attrs["units"]["revolution"] == "rpm"
    assert "rotation_ratio" not in table.attrs["units"]
    assert table.attrs["qualifiers"] == {"voids": {0: "<"}}


@pytest.mark.parametrize("case", [study(), study(plan=None)])
def test_an_empty_table_has_its_columns_and_types(case):
    table = case.table()
    assert len(table) == 0
    assert [*BRIEF.region.names, "voids"] == list(table.columns)[6:11]
    assert table["run"].dtype == int
    assert table["voids"].dtype == float


def test_the_table_is_what_fits_read():
    terms = standard_terms(BRIEF.region, "linear")
    rng = np.random.default_rng(5)
    records = [Record(run, 1, measurements={"end_temperature": 20 + 0.02 * row["time"]
                                            + rng.normal(0, 1e-6)})
               for run, row in zip(PLAN.runs["run"], PLAN.runs.to_dict("records"), strict=True)]
    found = fit(study(*records).table(), BRIEF.response("end_temperature"), BRIEF.region, terms)
    slope = found.table.set_index("term").at["time", "effect"]
    assert slope == pytest.approx(0.02 * (240 - 60), rel=1e-4)


@pytest.mark.parametrize(("records", "words"), [
    ([], "0 of 8 runs done; next is run 1."),
    ([Record(1, 1, measurements=ALL)],
     "1 of 8 runs done; next is run 2."),
    ([done(1), done(2), Record(3, 1, "void", reason="r")],
     "2 of 8 runs done, 1 set aside, 2 runs with a measurement missing; next is run 3."),
    ([done(1), Record(1, 2, "planned")], "1 of 9 runs done (1 declared repeat among them), "
     "1 run with a measurement missing; next is run 1."),
    ([done(1), Record(1, 2, "void", reason="r")],
     "1 of 8 runs done, 1 set aside, 1 run with a measurement missing; next is run 2."),
    ([Record(run, 1, measurements=ALL)
      for run in range(1, 9)], "All 8 runs done."),
])
def test_progress(records, words):
    assert study(*records).progress == words


def test_no_plan_no_progress():
    s = study(plan=None)
    assert s.progress == "There is no plan yet."
    assert s.pending == []
    assert not s.locked


def test_the_log_shows_every_attempt_and_what_is_to_do():
    log = study(done(2, operator="R. Ito"), Record(1, 1, "void", reason="lid")).log()
    assert log["run"].tolist() == list(range(1, 9))
    assert log["status"].tolist() == ["void", "done", *["planned"] * 6]
    assert log.at[0, "reason"] == "lid"
    assert log.at[1, "operator"] == "R. Ito"


# ---- deviations


def deviations(*records, **more) -> pd.DataFrame:
    return study(*records, **more).deviations()


def test_a_study_as_planned_has_no_deviations():
    records = [done(run, minute=run, measurements=ALL, settings=study().planned(run))
               for run in range(1, 9)]
    assert deviations(*records).empty
    assert list(deviations().columns)[:3] == ["run", "attempt", "kind"]


@pytest.mark.parametrize(("sequence", "flagged"), [
    ([1, 2, 3, 4], []), ([1, 2, 4, 8], []), ([2, 1, 3, 4], None), ([1, 4, 2, 3], [4]),
    ([2, 3, 4, 1], [1]), ([4, 1, 2, 3], [4]), ([1, 7, 2, 3, 6, 4, 8], [6, 7])])
def test_the_fewest_runs_are_said_to_be_out_of_order(sequence, flagged):
    table = deviations(*(done(run, minute=i) for i, run in enumerate(sequence)))
    rows = table[table["kind"] == "order"]
    if flagged is None:  # a swap of neighbours: either of the two
        assert len(rows) == 1
    else:
        assert sorted(rows["run"]) == flagged
    for row in rows.itertuples():
        assert row.planned == sorted(sequence).index(row.run) + 1
        assert row.happened == sequence.index(row.run) + 1


def test_order_is_by_time_not_by_entry():
    assert "order" not in set(deviations(done(2, minute=2), done(1, minute=1))["kind"])


def test_a_run_done_again_late_is_out_of_order_but_a_repeat_is_not():
    late = deviations(Record(1, 1, "void", reason="lid"), done(2, minute=1), done(1, 2, minute=2))
    assert late.loc[late["kind"] == "order", "sentence"].tolist() in (
        ["Run 2 was done before run 1, out of the planned order."],
        ["Run 1 was done after run 2, out of the planned order."])
    repeat = deviations(done(1), done(2, minute=1), done(1, 2, minute=2, reason="spread"))
    assert "order" not in set(repeat["kind"])
    assert repeat.loc[repeat["kind"] == "repeat", "sentence"].tolist() == [
        "Run 1 was repeated as attempt 2: spread."]


def test_settings_that_were_missed_say_by_how_much():
    planned = study().planned(1)
    rows = deviations(done(1, settings={"time": planned["time"] + 5,
                                        "pressure": planned["pressure"]}))
    rows = rows[rows["kind"] == "setting"]
    assert rows[["what", "difference", "unit"]].values.tolist() == [["time", 5.0, "s"]]
    assert "5 s more than the planned" in rows["sentence"].item()


def test_levels_that_were_swapped():
    brief = template_brief().replace(region=type(BRIEF.region)(
        (Factor.categorical("lid", ("open", "closed")),)), held={})
    plan = random_plan(brief, 4)
    other = {"open": "closed", "closed": "open"}[plan.runs["lid"].iloc[0]]
    rows = deviations(done(1, settings={"lid": other}), plan=plan, brief=brief)
    assert rows.loc[rows["kind"] == "setting", "happened"].tolist() == [other]


def test_voids_limits_and_missing_readings():
    table = deviations(Record(1, 1, "void", reason="lid came off"),
                       done(2, qualifiers={"voids": "<"}))
    assert set(table["kind"]) == {"void", "missing", "limit"}
    assert set(table["kind"]) <= set(KINDS)
    assert table["sentence"].tolist() == [
        "Run 1 was set aside: lid came off.",
        "Run 2: coarsest lump and end temperature not measured.",
        "Run 2: voids known only to lie below 0.2 %."]

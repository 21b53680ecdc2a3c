"""Filled run sheets in the study file: all or nothing, and the same sheet only once."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace

import pytest
from sheet_cases import READINGS, fill_csv, fill_xlsx, heading_row, small_study
from typer.testing import CliRunner

from doe.__main__ import app
from doe.errors import InputError
from doe.sheets import SheetError, import_sheet, sheet_table, write_csv, write_sheet
from doe.store import open_study

VOIDS, LUMP, HEAT = READINGS
TIME = "run at (YYYY-MM-DD HH:MM)"
STUDY = small_study()
ALL = {run: {VOIDS: f"0.{run}1", LUMP: "35.5", HEAT: "38.2", "operator": "R. Ito"}
       for run in range(1, 7)}


@pytest.fixture
def study_file(tmp_path):
    with open_study(tmp_path / "paste.study", create=STUDY.brief) as opened:
        opened.set_plan(STUDY.plan)
        yield opened


def results(imported) -> list[str]:
    return imported.table["result"].tolist()


def state(study_file) -> tuple:
    study = study_file.read()
    return study.records, len(study.trail), study_file.history().to_numpy().tolist()


def refused(path, study_file, **options) -> SheetError:
    before = state(study_file)
    with pytest.raises(SheetError) as caught:
        import_sheet(path, study_file, **options)
    assert str(state(study_file)) == str(before)
    return caught.value


@pytest.mark.parametrize("kind", [".", ",", "xlsx"])
def test_a_filled_sheet_becomes_records(tmp_path, study_file, kind):
    if kind == "xlsx":
        path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {
            r: {k: float(v) if k in READINGS else v for k, v in row.items()}
            for r, row in ALL.items()})
    else:
        entries = {r: {k: v.replace(".", kind) if k in READINGS else v for k, v in row.items()}
                   for r, row in ALL.items()}
        path = fill_csv(STUDY, tmp_path / "a.csv", entries, decimal=kind)
    done = import_sheet(path, study_file)
    assert results(done) == ["added"] * 6
    assert done.table["row"].is_monotonic_increasing
    assert done.sentence == f"Sheet '{path.name}': 6 attempts, 6 added."
    study = study_file.read()
    assert study.progress.startswith("All 6 runs done")
    assert study.table()["voids"].tolist() == pytest.approx([0.11, 0.21, 0.31, 0.41, 0.51, 0.61])
    assert {r.operator for r in study.records} == {"R. Ito"}


@pytest.mark.parametrize("name", ["a.csv", "a.xlsx"])
def test_the_same_sheet_twice_adds_nothing(tmp_path, study_file, name):
    fill = fill_csv if name.endswith("csv") else fill_xlsx
    entries = {1: {**ALL[1], "achieved revolution (rpm)": "1000", TIME: "2026-03-01 10:00",
                   "remark": "warm; twice"},
               2: {VOIDS: "<0.02"}, 3: {"status": "set aside", "remark": "imbalance", VOIDS: "0.4"},
               4: {"status": "done"}}
    path = fill(STUDY, tmp_path / name, entries)
    assert results(import_sheet(path, study_file)) == ["added", "added", "set aside", "added"]
    before = state(study_file)
    again = import_sheet(path, study_file)
    assert results(again) == ["unchanged"] * 4
    assert "4 unchanged" in again.sentence
    assert str(state(study_file)) == str(before)


@pytest.mark.parametrize("name", ["b.csv", "b.xlsx"])
def test_a_sheet_of_what_is_recorded_changes_nothing(tmp_path, study_file, name):
    study_file.record(1, {"voids": 1 / 3}, settings={"revolution": 1010.0}, operator="A. Berg",
                      remark="'=slow", when="2026-03-01 10:00:42")
    study_file.record(2, {"voids": "<0.02"}, settings={"rotation_ratio": 0.31, "time": 61.5})
    study_file.void(3, "imbalance")
    study_file.record(4, {"voids": 0.2}, remark="warm")
    study_file.void(4, "wrong lot")
    study_file.record(5, {"voids": 0.2})
    study_file.repeat(5, "replicate")
    before = state(study_file)
    path = write_sheet(study_file.read(), tmp_path / name)
    assert set(results(import_sheet(path, study_file))) == {"unchanged"}
    assert str(state(study_file)) == str(before)


def test_one_bad_row_leaves_the_study_as_it_was(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {**ALL, 6: {**ALL[6], LUMP: "thick"}})
    assert len(refused(path, study_file).problems) == 1
    assert study_file.read().records == ()


def test_a_failure_while_storing_leaves_the_study_as_it_was(tmp_path, study_file, monkeypatch):
    path = fill_csv(STUDY, tmp_path / "a.csv", ALL)
    keep, calls = study_file.record_many, []

    def fail_at_the_fourth(records):
        calls.append(records)
        if len(calls) == 4:
            raise OSError("disk gone")
        return keep(records)

    monkeypatch.setattr(study_file, "record_many", fail_at_the_fourth)
    with pytest.raises(OSError, match="disk gone"):
        import_sheet(path, study_file)
    assert study_file.read().records == ()
    monkeypatch.undo()
    assert results(import_sheet(path, study_file)) == ["added"] * 6


def test_readings_that_come_later_are_added(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {VOIDS: "0.41"}})
    import_sheet(path, study_file)
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {VOIDS: "0.41", HEAT: "38", "operator": "R. Ito",
                                                    "achieved time (s)": "61"}})
    assert results(import_sheet(path, study_file)) == ["completed"]
    record, = study_file.read().records
    assert record.measurements == {"voids": 0.41, "end_temperature": 38}
    assert record.operator == "R. Ito"
    assert record.settings == {"time": 61}
    # A sheet that says less takes nothing away.
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {VOIDS: "0.41"}})
    assert results(import_sheet(path, study_file)) == ["unchanged"]


def test_a_changed_reading_is_refused(tmp_path, study_file):
    import_sheet(fill_csv(STUDY, tmp_path / "a.csv", ALL), study_file)
    path = fill_csv(STUDY, tmp_path / "a.csv", {
        1: {**ALL[1], VOIDS: "0.12", "operator": "A. Berg"}, 2: {**ALL[2], VOIDS: "<0.02"},
        3: {**ALL[3], TIME: "2026-03-01 10:00"}, 4: ALL[4]})
    error = refused(path, study_file)
    assert [(p.column, p.value) for p in error.problems] == [
        (VOIDS, "0.12"), ("operator", "A. Berg"), (VOIDS, "<0.02"),
        (TIME, error.problems[3].value)]
    assert "already recorded as 0.11" in error.problems[0].problem
    assert "as a correction, with a reason" in error.problems[0].remedy


def test_a_correction_has_a_reason_and_keeps_the_history(tmp_path, study_file):
    import_sheet(fill_csv(STUDY, tmp_path / "a.csv", {
        **ALL, 1: {**ALL[1], "achieved time (s)": "61", "remark": "warm"}}), study_file)
    path = fill_csv(STUDY, tmp_path / "a.csv", {
        **ALL, 1: {**ALL[1], VOIDS: "0.12", "achieved time (s)": "62", "remark": "hot",
                   TIME: "2026-03-01 10:00+00:00"},
        2: {**ALL[2], VOIDS: "<0.02"}})
    with pytest.raises(InputError, match="a correction needs one"):
        import_sheet(path, study_file, correct=True)
    done = import_sheet(path, study_file, correct=True, reason="read the wrong column",
                        author="R. Ito")
    assert results(done) == ["corrected", "corrected", *["unchanged"] * 4]
    study = study_file.read()
    first, second = study.attempts(1)[0], study.attempts(2)[0]
    assert first.measurements["voids"] == 0.12
    assert first.settings == {"time": 62}
    assert (first.remark, first.time) == ("hot", "2026-03-01T10:00:00+00:00")
    assert (second.measurements["voids"], second.qualifiers) == (0.02, {"voids": "<"})
    history = study_file.history(1, "voids")
    assert history["value"].tolist() == [0.11, 0.12]
    assert history["reason"].tolist() == ["", "read the wrong column"]
    assert history["author"].tolist()[1] == "R. Ito"
    assert set(done.deviations["kind"]) >= {"correction", "setting", "limit"}
    again = import_sheet(path, study_file, correct=True, reason="the same")
    assert results(again) == ["unchanged"] * 6


def test_an_operator_is_not_corrected_by_a_sheet(tmp_path, study_file):
    import_sheet(fill_csv(STUDY, tmp_path / "a.csv", ALL), study_file)
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {**ALL[1], "operator": "A. Berg"}})
    problem, = refused(path, study_file, correct=True, reason="typing").problems
    assert problem.column == "operator"


# ---- attempts

def again(run: int, **cells: str):
    """Add a row for another attempt; names stand for headings."""
    def change(rows):
        at = heading_row(rows)
        head = rows[at]
        first = next(r for r in rows[at + 1:] if r[0] == str(run))
        row = [v if i < head.index("achieved revolution (rpm)") else ""
               for i, v in enumerate(first)]
        row[head.index("attempt")] = "2"
        for name, value in cells.items():
            row[head.index({"voids": VOIDS}.get(name, name))] = value
        rows.insert(len(rows) - 1, row)
    return change


def test_a_void_run_and_its_next_attempt(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {
        2: {"status": "set aside", "remark": "imbalance", "operator": "R. Ito"}, 3: ALL[3]},
        also=again(2, voids="0.5"))
    done = import_sheet(path, study_file)
    assert done.table[["run", "attempt", "result"]].to_numpy().tolist() == [
        [2, 1, "set aside"], [3, 1, "added"], [2, 2, "added"]]
    void, second = study_file.read().attempts(2)
    assert (void.status, void.reason, void.operator) == ("void", "imbalance", "R. Ito")
    assert (second.attempt, second.measurements) == (2, {"voids": 0.5})
    assert "imbalance" in done.deviations.set_index("kind")["sentence"]["void"]
    assert results(import_sheet(path, study_file)) == ["unchanged"] * 3


def test_a_second_attempt_at_a_run_that_is_done_is_a_declared_repeat(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: ALL[2]},
                    also=again(2, voids="0.5", remark="replicate"))
    done = import_sheet(path, study_file)
    assert results(done) == ["added", "repeated"]
    study = study_file.read()
    assert study.table()[["run", "attempt", "voids"]].to_numpy().tolist() == [
        [2, 1, 0.21], [2, 2, 0.5]]
    assert "repeat" in study.trail["kind"].tolist()
    assert results(import_sheet(path, study_file)) == ["unchanged"] * 2


def test_a_repeat_that_failed_is_void(tmp_path, study_file):
    import_sheet(fill_csv(STUDY, tmp_path / "a.csv", {2: ALL[2]}), study_file)
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: ALL[2]},
                    also=again(2, status="set aside", remark="lid came off"))
    assert results(import_sheet(path, study_file)) == ["unchanged", "set aside"]
    assert [r.status for r in study_file.read().attempts(2)] == ["done", "void"]


def test_a_recorded_run_can_be_voided_by_a_sheet(tmp_path, study_file):
    import_sheet(fill_csv(STUDY, tmp_path / "a.csv", ALL), study_file)
    path = fill_csv(STUDY, tmp_path / "a.csv", {
        2: {**ALL[2], "status": "set aside", "remark": "wrong lot"}})
    assert results(import_sheet(path, study_file)) == ["set aside"]
    record, = study_file.read().attempts(2)
    assert (record.status, record.reason) == ("void", "wrong lot")
    assert study_file.read().trail["who"].iloc[-1] == "R. Ito"
    assert record.measurements["voids"] == 0.21
    # The sheet from before says that it was done.
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: ALL[2]})
    problem, = refused(path, study_file).problems
    assert "recorded as set aside" in problem.problem
    assert "next number" in problem.remedy


def test_attempts_without_the_ones_before_are_refused(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: {**ALL[2], "attempt": "3"}})
    problem, = refused(path, study_file).problems
    assert (problem.column, problem.value) == ("attempt", "3")
    assert "attempt 1 at run 2 is neither recorded nor in this sheet" in problem.problem


def test_a_refused_row_casts_no_doubt_on_the_next_attempt(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {2: {"status": "set aside"}},
                    also=again(2, voids="0.5"))
    problem, = refused(path, study_file).problems
    assert "set aside without a reason" in problem.problem


def test_a_sheet_without_attempts_goes_to_the_attempt_that_is_due(tmp_path, study_file):
    study_file.record(2, {"voids": 0.2})
    study_file.repeat(2)
    path = tmp_path / "export.csv"
    path.write_text("run,voids (%)\n2,0.30\n3,0.40\n")
    done = import_sheet(path, study_file, unmarked=True)
    assert done.table[["run", "attempt"]].to_numpy().tolist() == [[2, 2], [3, 1]]


# ---- order and whose sheet it is

def test_runs_out_of_order_are_taken_and_noted(tmp_path, study_file):
    def swap(rows):
        at = heading_row(rows)
        rows[at + 1], rows[at + 4] = rows[at + 4], rows[at + 1]

    done = import_sheet(fill_csv(STUDY, tmp_path / "a.csv", ALL, also=swap), study_file)
    assert "not in run order" in done.sentence
    assert "order" in set(done.deviations["kind"])
    assert study_file.read().table()["run"].tolist() == [1, 2, 3, 4, 5, 6]


def test_times_decide_the_order_where_they_are_given(tmp_path, study_file):
    entries = {r: {**ALL[r], TIME: f"2026-03-01 1{7 - r}:00"} for r in (1, 2, 3)}
    done = import_sheet(fill_csv(STUDY, tmp_path / "a.csv", entries), study_file)
    assert "not in run order" not in done.sentence
    assert (done.deviations["kind"] == "order").sum() == 2
    assert study_file.read().table()["order"].tolist() == [3, 2, 1]


def test_a_sheet_of_another_study_changes_nothing(tmp_path, study_file):
    other = small_study(title="Another adhesive")
    error = refused(fill_csv(other, tmp_path / "a.csv", ALL), study_file)
    assert "another study" in str(error)


def test_readings_are_refused_when_the_brief_has_narrowed_since(tmp_path, study_file):
    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {VOIDS: "60"}})
    voids, *others = STUDY.brief.responses
    study_file.set_brief(STUDY.brief.replace(responses=(replace(voids, possible=(0, 50)),
                                                        *others)))
    problem, = refused(path, study_file).problems
    assert "only be from 0 to 50 %" in problem.problem


def test_an_empty_sheet_says_so(tmp_path, study_file):
    done = import_sheet(write_csv(STUDY, tmp_path / "a.csv"), study_file)
    assert done.sentence == "Sheet 'a.csv': no run is filled in yet."
    assert done.table.empty


def test_a_file_that_is_not_unicode_is_read_with_a_remark(tmp_path, study_file):
    def plain(rows):
        for row in rows:
            if len(row) == 1:
                row[0] = row[0].encode("cp1252", "replace").decode("cp1252")

    path = fill_csv(STUDY, tmp_path / "a.csv", {1: {**ALL[1], "operator": "Müller"}},
                    encoding="cp1252", also=plain)
    done = import_sheet(path, study_file)
    assert "Windows-1252" in done.sentence
    assert study_file.read().records[0].operator == "Müller"


def test_a_copy_of_the_study_takes_the_same_sheet(tmp_path, study_file):
    path = fill_xlsx(STUDY, tmp_path / "a.xlsx", {1: {VOIDS: 0.4}})
    copy = tmp_path / "copy.study"
    study_file.save_copy(copy)
    shutil.copy(path, tmp_path / "b.xlsx")
    with open_study(copy) as other:
        assert results(import_sheet(tmp_path / "b.xlsx", other)) == ["added"]
    assert sheet_table(study_file.read())["voids"].isna().all()


# ---- what to look at again, and two who import

@pytest.mark.parametrize("name", ["a.csv", "a.xlsx"])
def test_a_reading_far_from_the_others_is_taken_and_named(tmp_path, study_file, name):
    fill = fill_csv if name.endswith("csv") else fill_xlsx
    spilt = {"status": "set aside", "remark": "spilt", HEAT: "139"}
    entries = {**ALL, 4: {**ALL[4], HEAT: "138"}, 5: {**ALL[5], **spilt}}
    done = import_sheet(fill(STUDY, tmp_path / name, entries), study_file)
    warning, = done.warnings
    row = done.table.set_index("run")["row"][4]
    assert warning.startswith(f"Row {row}, run 4: end temperature 138 °C is far from the ")
    assert study_file.read().attempts(4)[0].measurements["end_temperature"] == 138
    assert import_sheet(tmp_path / name, study_file).warnings == ()


def test_the_command_line_prints_what_to_look_at_again(tmp_path, study_file):
    study_file.close()
    path = fill_csv(STUDY, tmp_path / "a.csv", {**ALL, 4: {**ALL[4], HEAT: "138"}})
    done = CliRunner().invoke(app, ["import", str(tmp_path / "paste.study"), str(path)])
    assert "run 4: end temperature 138 °C is far from the 5 other readings" in done.output
    assert "All 6 runs done" in done.output


def test_a_long_sheet_is_compared_with_a_part_of_it(tmp_path):
    study = small_study(runs=700)
    with open_study(tmp_path / "long.study", create=study.brief) as study_file:
        study_file.set_plan(study.plan)
        entries = {r: {HEAT: "138" if r == 333 else f"{38 + r % 7 / 10:.1f}"}
                   for r in range(1, 701)}
        warning, = import_sheet(fill_csv(study, tmp_path / "a.csv", entries), study_file).warnings
    assert "run 333" in warning


def test_two_who_import_the_same_sheet_at_once_add_it_once(tmp_path, study_file):
    study = tmp_path / "paste.study"
    path = fill_csv(STUDY, tmp_path / "a.csv", ALL)
    with (open_study(study) as other, ThreadPoolExecutor(2) as both):
        done = list(both.map(lambda file: import_sheet(path, file), (study_file, other)))
    assert sorted(results(d)[0] for d in done) == ["added", "unchanged"]
    assert all(len(set(results(d))) == 1 for d in done)
    assert len(study_file.read().records) == 6
    assert len(study_file.history()) == 18


def test_two_who_import_different_sheets_of_the_same_runs_are_not_mixed(tmp_path, study_file):
    one = fill_csv(STUDY, tmp_path / "a.csv", ALL)
    other = fill_csv(STUDY, tmp_path / "b.csv", {**ALL, 6: {**ALL[6], VOIDS: "0.99"}})
    import_sheet(one, study_file)
    problem, = refused(other, study_file).problems
    assert (problem.column, problem.value) == (VOIDS, "0.99")

"""The command line: the same job without a notebook."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from io import StringIO

import pandas as pd
import pytest
from study_cases import template_brief
from typer.testing import CliRunner

from doe.__main__ import INPUT_REFUSED, app
from doe.bench import Bench
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.practice import open_practice
from doe.store import open_study

runner = CliRunner()


def call(*words: object):
    """What a command printed; an unexpected error is raised as it is."""
    done = runner.invoke(app, [str(w) for w in words], catch_exceptions=False)
    assert done.exit_code == 0, done.output
    return done.output


def test_from_a_blank_brief_to_a_report(tmp_path):
    brief, study = tmp_path / "brief.toml", tmp_path / "a.study"
    sheet, report = tmp_path / "sheet.csv", tmp_path / "report.html"
    call("new", brief, "--template")
    assert "4 factors" in call("new", study, "--brief", brief)
    said = call("plan", study, "--family", "fractional factorial", "--runs", 8, "--seed", 3)
    assert "resolution IV" in said
    assert "is aliased with" in said
    call("sheet", study, "--out", sheet)
    assert sheet.exists()
    assert "0 of 11 runs done" in call("status", study)

    with open_study(study) as file:
        runs = file.read().plan.runs
    readings = {"voids": [0.3 + 0.001 * t for t in runs["time"]],
                "coarsest_lump": [80 - 0.03 * r for r in runs["revolution"]],
                "end_temperature": [25 + 0.01 * r for r in runs["revolution"]]}
    lines = sheet.read_text("utf-8-sig").splitlines()
    marks = [line for line in lines if line.startswith(("#", '"#'))]
    table = pd.read_csv(StringIO("\n".join(line for line in lines if line not in marks)))
    for name, label in (("voids", "voids (%)"), ("coarsest_lump", "coarsest lump (µm)"),
                        ("end_temperature", "end temperature (°C)")):
        assert label in table.columns
        table[label] = readings[name]
    filled = tmp_path / "filled.csv"
    filled.write_text("\n".join([*marks[:-1],
                                 table.to_csv(index=False).rstrip(), marks[-1]]), "utf-8")
    assert "11" in call("import", study, filled)
    assert "All 11 runs done" in call("status", study)

    said = call("analyse", study, "--response", "voids", "--terms", "revolution + time")
    assert "time" in said
    assert "specification" in call("choose", study)
    assert str(report) in call("report", study, "--out", report).replace("\n", "")
    assert report.stat().st_size > 1_000_000


def test_a_plan_can_be_looked_at_without_keeping_it(tmp_path):
    brief, study = tmp_path / "brief.toml", tmp_path / "a.study"
    call("new", brief, "--template")
    call("new", study, "--brief", brief)
    call("plan", study, "--look", "--seed", 1)
    with open_study(study) as file:
        assert file.read().plan is None


@pytest.mark.parametrize(("words", "named"), [
    (["status", "nowhere.study"], "nowhere.study"),
    (["new", "a.study"], "--brief"),
    (["report", "nowhere.study"], "nowhere.study"),
])
def test_bad_input_is_one_message_and_its_own_exit_code(words, named, tmp_path):
    done = subprocess.run([sys.executable, "-m", "doe", *words], cwd=tmp_path, text=True,
                          capture_output=True, check=False)
    assert done.returncode == INPUT_REFUSED
    assert named in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def test_an_unknown_family_lists_the_known_ones(tmp_path):
    brief, study = tmp_path / "brief.toml", tmp_path / "a.study"
    call("new", brief, "--template")
    call("new", study, "--brief", brief)
    with pytest.raises(InputError, match="central composite"):
        call("plan", study, "--family", "no such")


def test_every_command_explains_itself():
    listed = call("--help")
    for command in ("demo", "new", "plan", "sheet", "import", "status", "analyse", "choose",
                    "report"):
        assert command in listed
        assert "Usage" in call(command, "--help")


@pytest.fixture
def begun(tmp_path):
    """A study with a screening plan whose first run is recorded."""
    brief, study = tmp_path / "brief.toml", tmp_path / "a.study"
    call("new", brief, "--template")
    call("new", study, "--brief", brief)
    call("plan", study, "--runs", 8, "--seed", 3)
    with open_study(study) as file:
        file.record(1, {"voids": 0.4})
    return study


def test_runs_are_added_with_a_reason_and_the_first_stay(begun):
    with open_study(begun) as file:
        before = file.read().plan
    with pytest.raises(InputError, match="reason"):
        call("augment", begun, "--seed", 2)
    said = call("augment", begun, "--seed", 2, "--reason", "curvature")
    assert "Of 15 coefficients" in said
    with open_study(begun) as file:
        after = file.read().plan
    assert after.runs["block"].max() == 2
    assert after.settings.iloc[:len(before)].equals(before.settings)


def test_what_is_aliased_is_separated_with_the_fewest_runs(begun):
    said = call("augment", begun, "--seed", 2, "--separate", "revolution:time", "--look")
    assert "Revolution × time can now be told from all other effects" in said
    with pytest.raises(InputError, match="Give one of them"):
        call("augment", begun, "--separate", "revolution:time", "--axial", "rotatable")


def test_the_run_order_can_be_chosen(begun):
    said = call("plan", begun, "--runs", 8, "--seed", 3, "--order", "fewest changes", "--look")
    assert "% of what a random order would cost" in said
    assert "handling" in said
    with pytest.raises(InputError, match="replicates"):
        call("plan", begun, "--family", "split-plot", "--replicates", 2, "--look")
    with pytest.raises(InputError, match="trend-robust"):
        call("plan", begun, "--order", "backwards", "--look")


def test_advice_keeps_to_the_budget_and_gives_reasons(begun):
    said = call("advise", begun, "--aim", "screen", "--runs", 12)
    counts = [int(line.split(", ")[-1].split(" runs")[0]) for line in said.splitlines()
              if line[:2] in ("1.", "2.", "3.", "4.", "5.")]
    assert counts
    assert max(counts) <= 12
    assert "estimates all 5 coefficients" in said


def test_plans_with_groups_and_optimal_plans(begun, tmp_path):
    said = call("plan", begun, "--family", "optimal", "--runs", 14, "--model", "interactions",
                "--criterion", "I", "--seed", 1, "--look")
    assert "14 runs for 11 coefficients" in said
    study = tmp_path / "grouped.study"
    call("new", study, "--brief", tmp_path / "brief.toml")  # pressure is hard to change
    said = call("plan", study, "--family", "split-plot", "--runs", 16, "--groups", 4, "--ratio", 2,
                "--seed", 1)
    with open_study(study) as file:
        runs = file.read().plan.runs
    assert runs["whole_plot"].nunique() == 4
    assert runs.groupby("whole_plot")["pressure"].nunique().max() == 1
    assert "vary 2.0 times as much" in said


@pytest.fixture(scope="module")
def planned(tmp_path_factory):
    """A study with a plan, and no records."""
    folder = tmp_path_factory.mktemp("cli")
    brief, study = folder / "brief.toml", folder / "a.study"
    call("new", brief, "--template")
    call("new", study, "--brief", brief)
    call("plan", study, "--seed", 1)
    return study


@pytest.fixture(scope="module")
def performed(tmp_path_factory):
    """A study all of whose runs are recorded."""
    study = tmp_path_factory.mktemp("cli") / "a.study"
    with open_practice(study, "run"):
        return study


@pytest.mark.parametrize("words", [
    ["report", "{study}", "--out", "{study}"],
    ["report", "{study}", "--out", "{folder}/brief.toml"],
    ["report", "{study}", "--out", "{folder}"],
    ["report", "{study}", "--out", "{folder}/nowhere/r.html"],
    ["new", "{folder}/nowhere/b.toml", "--template"],
    ["new", "{folder}", "--template"],
    ["new", "{folder}/brief.toml", "--template"],
    ["demo", "--folder", "{study}/demo"],
    ["choose", "{study}"],
    ["analyse", "{study}"],
])
def test_nothing_is_lost_and_nothing_half_written(planned, words):
    folder = planned.parent
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    with pytest.raises(InputError):
        call(*(w.format(study=planned, folder=folder) for w in words))
    assert {p.name: p.read_bytes() for p in folder.iterdir()
            if not p.name.endswith(("-wal", "-shm"))} == {
        k: v for k, v in before.items() if not k.endswith(("-wal", "-shm"))}


def test_a_plan_says_nothing_of_a_response_that_it_has_nothing_to_say_of(tmp_path):
    brief, study = tmp_path / "brief.toml", tmp_path / "a.study"
    call("new", brief, "--template")
    more = '\n[[response]]\nname = "gloss"\n[[response]]\nname = "haze"\n'
    brief.write_text(brief.read_text("utf-8") + more, "utf-8")
    call("new", study, "--brief", brief)
    lines = call("plan", study, "--seed", 1).splitlines()
    assert not [line for line in lines if line.startswith("•") and line.rstrip().endswith(":")]


READING = [["status"], ["sheet", "--out", "{folder}/s.csv"], ["report", "--out", "{folder}/r.html"],
           ["plan", "--look", "--seed", 1], ["augment", "--look", "--seed", 1],
           ["advise", "--runs", 12], ["analyse"], ["choose"]]


@pytest.mark.parametrize("words", READING, ids=lambda words: words[0])
def test_a_study_that_is_write_protected_can_be_read(performed, tmp_path, words, monkeypatch):
    """As administrator of the machine, who may write anything, only a pretence of it."""
    study = shutil.copy(performed, tmp_path / "a.study")
    study.chmod(0o444)
    access = os.access
    monkeypatch.setattr("os.access", lambda path, mode, **more: access(path, mode, **more) and not (
        mode & os.W_OK and str(path) == str(study)))
    before = study.read_bytes()
    call(words[0], study, *(str(w).format(folder=tmp_path) for w in words[1:]))
    assert study.read_bytes() == before
    with pytest.raises(InputError, match="write-protected"):
        call("plan", study, "--seed", 2)


@pytest.mark.parametrize("words", READING[:2], ids=lambda words: words[0])
def test_reading_leaves_nothing_beside_the_study(performed, tmp_path, words):
    shutil.copy(performed, tmp_path / "a.study")
    call(words[0], tmp_path / "a.study", *(str(w).format(folder=tmp_path) for w in words[1:]))
    assert {p.suffix for p in tmp_path.iterdir()} <= {".study", ".csv", ".html"}


@pytest.fixture(scope="module", params=[24, 30])
def many(request, tmp_path_factory):
    """A study of many factors, started from a brief in a file."""
    folder = tmp_path_factory.mktemp("many")
    brief = template_brief(
        region=Region(tuple(Factor(f"x{i}", 0, 1) for i in range(request.param))),
        held={"revolution": 1000.0, "rotation_ratio": 0.4, "time": 60.0}, bench=Bench())
    (folder / "brief.toml").write_text(brief.to_toml(), "utf-8")
    said = call("new", folder / "a.study", "--brief", folder / "brief.toml")
    assert f"{request.param} factors" in said
    return folder / "a.study"


@pytest.mark.parametrize(("words", "limit"), [
    ([], "at most 16 factors"),
    (["--family", "full factorial"], "at most 2,000 runs"),
    (["--family", "optimal"], "models of at most 150"),
    (["--family", "split-plot"], "hard to change"),
    (["--family", "central composite"], "at most 16 factors"),
])
def test_plans_that_many_factors_cannot_have_say_so(many, words, limit):
    with pytest.raises(InputError, match=limit):
        call("plan", many, *words)
    assert "no plan yet" in call("status", many)


def test_plans_for_many_factors(many):
    assert "Plackett–Burman" in call("advise", many, "--runs", 40)
    assert "runs" in call("plan", many, "--family", "Plackett–Burman", "--seed", 1, "--look")


@pytest.mark.parametrize(("words", "named"), [
    (["--centre-points", 100_000], "centre_points = 100000"),
    (["--replicates", 100_000], "replicates = 100000"),
    (["--replicates", 300], "runs = 2403"),
    (["--runs", 10**9], "runs = 1000000000"),
    (["--blocks", 10**9], "blocks = 1000000000"),
    (["--family", "optimal", "--replicates", 500], "replicates = 500"),
    (["--family", "random blocks", "--blocks", 10**9], "blocks = 1000000000"),
])
def test_more_runs_than_a_bench_makes_are_refused(begun, words, named):
    with pytest.raises(InputError, match="a plan has at most 2,000 runs") as caught:
        call("plan", begun, *words, "--look")
    assert str(caught.value).startswith(named)


def test_searches_without_end_are_refused(begun):
    with pytest.raises(InputError, match="starts = 1000000000: it must be at most"):
        call("plan", begun, "--family", "optimal", "--starts", 10**9, "--look")
    with pytest.raises(InputError, match="ratio = 1e\\+308: it must be at most"):
        call("plan", begun, "--family", "random blocks", "--blocks", 4, "--ratio", 1e308, "--look")


@pytest.mark.parametrize("effect", [1e308, 1e-308])
def test_effects_beyond_any_reason_still_get_advice(begun, effect):
    assert "runs" in call("advise", begun, "--runs", 12, "--effect", effect)

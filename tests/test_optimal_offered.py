"""Optimal plans where people meet them: the command line and the planning panel."""

from typer.testing import CliRunner

from doe.__main__ import app
from doe.panels import PlanningPanel
from doe.planning import make_plan
from doe.practice import open_practice
from doe.store import open_study
from doe.terms import standard_terms


def test_the_command_line_keeps_an_optimal_plan(tmp_path):
    path = tmp_path / "a.study"
    with open_practice(path, "briefed") as file:
        brief = file.read().brief
    done = CliRunner().invoke(app, ["plan", str(path), "--family", "optimal", "--runs", "20",
                                    "--criterion", "I", "--centre-points", "3", "--seed", "3"])
    assert done.exit_code == 0, done.output
    assert "of the I-efficiency of the continuous optimum" in done.output
    with open_study(path) as file:
        plan = file.read().plan
    assert plan == make_plan(brief.region, "optimal", runs=20, criterion="I", centre_points=3,
                             seed=3, mixer=brief.mixer)
    assert len(plan) == 20
    assert (plan.runs["point"] == "centre").sum() >= 3


def test_the_planning_panel_makes_the_optimal_plan_it_offers(tmp_path):
    with open_practice(tmp_path / "a.study", "briefed") as file:
        panel = PlanningPanel(file)
        labels = [label for label, _ in panel.family.options]
        panel.family.index = labels.index("19 runs: optimal, quadratic")
        assert panel.plan.family == "optimal"
        assert len(panel.plan) == 19
        assert panel.plan.terms == standard_terms(panel.brief.region, "quadratic")
        assert "efficiency" in panel.words.value

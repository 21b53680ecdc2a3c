"""From a study to its models: each response gets the one it calls for, through to the report."""

from __future__ import annotations

import numpy as np
import pytest
from study_cases import template_brief

from doe import Response, make_plan
from doe.analysis import Fit, MixedFit
from doe.analysis.kinds import CensoredFit, CountFit, ProportionFit
from doe.conclude import FEW_DEGREES, fit_all, fit_response, recommend
from doe.panels import AnalysingPanel, ChoosingPanel
from doe.records import Record
from doe.report import report_html
from doe.study import Study

RESPONSES = (
    Response("specks", kind="count", exposure=25.0, exposure_unit="cm²", upper=1.0),
    Response("good", kind="proportion", trials=20.0, goal="maximise", lower=0.5),
    Response("residue", unit="ppm", kind="censored", detection_limit=5.0, upper=40),
    Response("lump", unit="µm", upper=60),
)


def made_study(*, grouped: bool) -> Study:
    """A factorial study with readings of every kind from known models."""
    brief = template_brief(responses=RESPONSES)
    plan = make_plan(brief.region, "full factorial", centre_points=4, seed=1, mixer=brief.mixer,
                     replicates=2, group_hard_to_change=grouped)
    rng = np.random.default_rng(8)
    x = brief.region.encode(plan.settings)
    draws = {"specks": rng.poisson(25 * np.exp(-0.6 * x[:, 0])),
             "good": rng.binomial(20, 1 / (1 + np.exp(-0.4 - 1.0 * x[:, 2]))) / 20,
             "residue": 12 + 9 * x[:, 3] + rng.normal(0, 2, len(x)),
             "lump": 50 - 8 * x[:, 1] + rng.normal(0, 2, len(x))}
    records = []
    for i, run in enumerate(plan.runs["run"]):
        values = {k: float(v[i]) for k, v in draws.items()}
        marks = {}
        if values["residue"] <= 5:
            values["residue"], marks = 5.0, {"residue": "<"}
        records.append(Record(int(run), 1, measurements=values, qualifiers=marks,
                              time=f"2026-03-02T08:{i:02d}:00+00:00"))
    return Study(brief, plan, tuple(records))


@pytest.fixture(scope="module")
def study() -> Study:
    return made_study(grouped=False)


@pytest.fixture(scope="module")
def fits(study):
    return fit_all(study)


def test_each_response_gets_its_kind_of_model(fits):
    kinds = {name: type(f) for name, f in fits.items()}
    assert kinds == {"specks": CountFit, "good": ProportionFit, "residue": CensoredFit,
                     "lump": Fit}


def test_runs_that_share_a_set_up_get_a_mixed_model():
    study = made_study(grouped=True)
    f = fit_response(study, RESPONSES[3], "linear")
    assert isinstance(f, MixedFit)
    assert "rotation_ratio" in {str(t) for t in f.active}
    assert "Analysis" in report_html(study, fits={"lump": f})


def test_few_degrees_for_error_lead_to_elimination_that_is_said():
    study = made_study(grouped=False)
    runs = study.plan.runs
    kept = runs[runs["standard"] <= 16]["run"].tolist()[:14]
    small = Study(study.brief, study.plan, tuple(r for r in study.records if r.run in kept))
    f = fit_all(small)["lump"]
    assert f.selection or f.df_error >= FEW_DEGREES
    assert "rotation_ratio" in {str(t) for t in f.active}


def test_the_recipe_says_what_it_did_not_search_over(study, fits):
    recipe = recommend(study, fits)
    assert set(recipe.table["response"]) == {"residue", "lump"}
    text = " ".join(recipe.sentences)
    assert "Specks was not searched over" in text
    assert "Good was not searched over" in text


def test_no_recipe_without_a_response_to_search_over(study, fits):
    assert recommend(study, {"specks": fits["specks"]}) is None


def test_every_kind_reaches_report_and_panels(study, fits):
    html = report_html(study, fits=fits)
    for f in fits.values():
        assert f.response.label in html
    panel = AnalysingPanel(study)
    for name in fits:
        panel.response.value = name
        assert panel.figure.data
    choosing = ChoosingPanel(fits, study.brief.mixer)
    assert len(choosing.predictions()) == 4

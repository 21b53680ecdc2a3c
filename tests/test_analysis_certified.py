"""Fits against NIST's Statistical Reference Datasets.

The analysis-of-variance and Norris sets, with their certified values, come with SciPy's
own tests; Longley's with statsmodels'. They were certified in 500-digit arithmetic from the
decimal data. How many digits agree here stands in ``references/achieved_digits.md``, which these
tests read, with the reason where there are few: what is lost is lost when the data are read into
doubles, as the last test shows in exact arithmetic.
"""

from __future__ import annotations

import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import scipy.stats
import statsmodels.api as sm

from doe import Factor, Region, Response, Term
from doe.analysis import fit

NIST = Path(scipy.stats.__file__).parent / "tests" / "data"
pytestmark = pytest.mark.skipif(not (NIST / "nist_anova").exists(),
                                reason="SciPy was installed without its tests' data")

REGRESSIONS = ("Norris", "Longley")


def promised() -> dict[str, dict[str, float]]:
    """The digits that the table of achieved ones says, by set and quantity."""
    text = (Path(__file__).parent / "references" / "achieved_digits.md").read_text("utf-8")
    out, head = {}, []
    for line in text.splitlines():
        cells = [c.strip() for c in line.strip("|").split("|")]
        if not line.startswith("|") or set(cells[0]) == {"-"}:
            continue
        if cells[0] == "set":
            head = cells[1:]
        else:
            out[cells[0]] = dict(zip(head, map(float, cells[1:]), strict=True))
    return out


ONE_WAY = tuple(name for name in promised() if name not in REGRESSIONS)


def agreeing_digits(value: float, certified: float) -> float:
    """Number of leading digits that agree (NIST's log relative error), at most 15."""
    if value == certified:
        return 15.0
    return min(15.0, -np.log10(abs(value - certified) / abs(certified)))


def read_anova(name: str) -> tuple[pd.DataFrame, dict[str, float]]:
    text = (NIST / "nist_anova" / f"{name}.dat").read_text()
    number = r"([-+.\dE]+)"
    between = re.search(rf"Between \w+\s+(\d+)\s+{number}\s+{number}\s+{number}", text)
    within = re.search(rf"Within \w+\s+(\d+)\s+{number}\s+{number}", text)
    certified = {
        "df": int(between[1]), "between": float(between[2]), "F": float(between[4]),
        "df_error": int(within[1]), "within": float(within[2]),
        "R²": float(re.search(rf"R-Squared\s+{number}", text)[1]),
        "residual sd": float(re.search(rf"Certified Residual\s+Standard Deviation\s+{number}",
                                       text)[1]),
    }
    rows = text[text.rindex("Data:"):].splitlines()[1:]
    table = pd.DataFrame([line.split() for line in rows if line.strip()],
                         columns=["treatment", "y"])
    return table.assign(text=table["y"], y=table["y"].astype(float)), certified


def test_the_table_has_every_set_and_at_least_nine_digits_where_doubles_allow():
    files = {p.stem for p in (NIST / "nist_anova").glob("*.dat")}
    assert files == set(ONE_WAY)
    assert len(files) == 11
    for name, digits in promised().items():
        if digits.get("constant digits", 0) < 13:
            assert min(v for k, v in digits.items() if k != "constant digits") >= 9, name


@pytest.mark.parametrize("name", ONE_WAY)
def test_one_way_analysis_of_variance(name):
    data, certified = read_anova(name)
    region = Region([Factor.categorical("treatment", sorted(data["treatment"].unique()))])
    model = fit(data, Response("y"), region)
    rows = model.anova.table.set_index("source")
    assert rows.loc["treatment", "df"] == certified["df"]
    assert model.df_error == rows.loc["residual", "df"] == certified["df_error"]
    found = {
        "F": rows.loc["treatment", "F"], "between": rows.loc["treatment", "sum_of_squares"],
        "within": rows.loc["residual", "sum_of_squares"], "R²": model.r2,
        "residual sd": model.sigma,
    }
    for key, value in found.items():
        assert agreeing_digits(value, certified[key]) >= promised()[name][key], key
    # One way, the model is the treatment, and its pure error is the whole residual.
    assert rows.loc["model", "F"] == pytest.approx(rows.loc["treatment", "F"], rel=1e-9)
    assert rows.loc["pure error", "df"] == certified["df_error"]


def test_straight_line_norris():
    text = (NIST / "nist_linregress" / "Norris.dat").read_text().splitlines()
    start = next(i for i, line in enumerate(text) if line.startswith("Data:       y"))
    data = pd.DataFrame([line.split() for line in text[start + 1:] if line.strip()],
                        columns=["y", "x"]).astype(float)
    region = Region([Factor("x", 0.2, 999.0)])
    model = fit(data, Response("y"), region, [Term("x")])
    slope, slope_se = natural(model)["x"]
    intercept = model.predict(pd.DataFrame({"x": [0.0]}))
    t = scipy.stats.t.ppf(0.975, 34)
    half = (intercept.loc[0, "mean_high"] - intercept.loc[0, "mean_low"]) / 2
    rows = model.anova.table.set_index("source")
    digits = promised()["Norris"]
    for key, value, wanted in (  # from the same file
            ("coefficients", slope, 1.00211681802045),
            ("coefficients", intercept.loc[0, "mean"], -0.262323073774029),
            ("standard errors", slope_se, 0.429796848199937e-3),
            ("standard errors", half / t, 0.232818234301152),
            ("F", rows.loc["x", "F"], 5436385.54079785), ("R²", model.r2, 0.999993745883712),
            ("residual sd", model.sigma, 0.884796396144373)):
        assert agreeing_digits(value, wanted) >= digits[key], (key, value)
    assert agreeing_digits(rows.loc["residual", "sum_of_squares"], 26.6173985294224) >= 12


LONGLEY = {  # NIST StRD, Longley; also in statsmodels' regression tests
    "GNPDEFL": (15.0618722713733, 84.9149257747669),
    "GNP": (-0.358191792925910e-1, 0.334910077722432e-1),
    "UNEMP": (-2.02022980381683, 0.488399681651699),
    "ARMED": (-1.03322686717359, 0.214274163161675),
    "POP": (-0.511041056535807e-1, 0.226073200069370),
    "YEAR": (1829.15146461355, 455.478499142212),
}


def natural(model) -> dict[str, tuple[float, float]]:
    """Coefficients and standard errors of main effects per natural unit."""
    rows = model.table.set_index("term")
    return {f.name: tuple(rows.loc[f.name, ["coefficient", "standard_error"]] / f.half_range)
            for f in model.region.factors}


def test_longley_nearly_collinear_regressors():
    data = sm.datasets.longley.load_pandas().data
    region = Region([Factor(n, data[n].min(), data[n].max()) for n in LONGLEY])
    model = fit(data, Response("TOTEMP"), region, "linear")
    assert not len(model.aliased), "asked for, nothing is dropped for being nearly collinear"
    digits = promised()["Longley"]
    for name, (coefficient, se) in natural(model).items():
        assert agreeing_digits(coefficient, LONGLEY[name][0]) >= digits["coefficients"], name
        assert agreeing_digits(se, LONGLEY[name][1]) >= digits["standard errors"], name
    assert agreeing_digits(model.sigma, 304.854073561965) >= digits["residual sd"]
    assert agreeing_digits(model.r2, 0.995479004577296) >= digits["R²"]
    rows = model.anova.table.set_index("source")
    assert agreeing_digits(rows.loc["model", "F"], 330.285339234588) >= digits["F"]
    at_zero = model.predict(pd.DataFrame([dict.fromkeys(LONGLEY, 0.0)]))
    assert agreeing_digits(at_zero.loc[0, "mean"], -3482258.63459582) >= digits["coefficients"]
    half = (at_zero.loc[0, "mean_high"] - at_zero.loc[0, "mean_low"]) / 2
    se = half / scipy.stats.t.ppf(0.975, 9)
    assert agreeing_digits(se, 890420.383607373) >= digits["standard errors"]


def test_longley_is_not_taken_up_unasked():
    data = sm.datasets.longley.load_pandas().data
    region = Region([Factor(n, data[n].min(), data[n].max()) for n in LONGLEY])
    model = fit(data, Response("TOTEMP"), region)
    inflation = np.diag(np.linalg.inv(np.corrcoef(model.columns.matrix.to_numpy()[:, 1:].T)))
    assert Term("YEAR") not in model.terms
    assert Term("ARMED") in model.terms
    assert inflation.max() < 20, "of the order asked for when each was taken up (10)"
    assert any("hardly tell them from the rest: GNP, POP, YEAR" in s for s in model.sentences)


def one_way_in_fractions(readings: pd.Series, treatment: pd.Series) -> tuple[Fraction, ...]:
    """Sums of squares between and within treatments, and F, without any rounding."""
    cells = {k: [Fraction(v) for v in g] for k, g in readings.groupby(treatment)}
    every = [v for g in cells.values() for v in g]
    grand = sum(every) / len(every)
    means = {k: sum(g) / len(g) for k, g in cells.items()}
    between = sum(len(g) * (means[k] - grand) ** 2 for k, g in cells.items())
    within = sum((v - means[k]) ** 2 for k, g in cells.items() for v in g)
    return between, within, (between / (len(cells) - 1)) / (within / (len(every) - len(cells)))


@pytest.mark.parametrize("name", ONE_WAY)
def test_only_reading_the_data_loses_digits(name):
    """In exact arithmetic the decimal data give NIST's values, and the numbers as they are stored
    give what the fit returns: all that is missing was lost between the two."""
    data, certified = read_anova(name)
    written = one_way_in_fractions(data["text"], data["treatment"])
    stored = one_way_in_fractions(data["y"], data["treatment"])
    region = Region([Factor.categorical("treatment", sorted(data["treatment"].unique()))])
    rows = fit(data, Response("y"), region).anova.table.set_index("source")
    found = (rows.loc["treatment", "sum_of_squares"], rows.loc["residual", "sum_of_squares"],
             rows.loc["treatment", "F"])
    for value, exact in zip(found, stored, strict=True):
        assert agreeing_digits(value, float(exact)) >= 12
    for key, exact in zip(("between", "within", "F"), written, strict=True):
        assert agreeing_digits(float(exact), certified[key]) >= 14, key
    if promised()[name]["F"] < 12:
        # No program can do better with these doubles than the exact F of them does.
        assert agreeing_digits(float(stored[2]), certified["F"]) < promised()[name]["F"] + 0.6

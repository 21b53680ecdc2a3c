"""Fits against NIST's Statistical Reference Datasets.

The analysis-of-variance and Norris sets, with their certified values, come with SciPy's
own tests; Longley's with statsmodels'. They were certified in 500-digit arithmetic from the
decimal data. Reading the data into double precision already loses digits: a response of
10¹² + 0.4 is stored to 6 × 10⁻⁵, so that no program that reads doubles can reproduce SmLs07 to
SmLs09 to more than about four. What the arithmetic itself loses is shown by the last test:
nothing but the last digits, against exact fractions of the stored numbers.

Digits that agree here (the least over F, sums of squares, R², residual standard deviation
and, for the regressions, coefficients and standard errors; −log10 of the relative error):

=================  ===============  ========
set                constant digits  achieved
=================  ===============  ========
SiRstv             1                13
AtmWtAg            7                10
SmLs01 to SmLs03   1                14
SmLs04 to SmLs06   7                9.9
SmLs07 to SmLs09   13               3.9
Norris             –                12
Longley            –                12
=================  ===============  ========
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

DIGITS = {"SiRstv": 13, "AtmWtAg": 10, "SmLs01": 14, "SmLs02": 14, "SmLs03": 14, "SmLs04": 9.9,
          "SmLs05": 9.9, "SmLs06": 9.9, "SmLs07": 3.9, "SmLs08": 3.9, "SmLs09": 3.9}


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
        "r2": float(re.search(rf"R-Squared\s+{number}", text)[1]),
        "sd": float(re.search(rf"Certified Residual\s+Standard Deviation\s+{number}", text)[1]),
    }
    rows = text[text.rindex("Data:"):].splitlines()[1:]
    table = pd.DataFrame([line.split() for line in rows if line.strip()],
                         columns=["treatment", "y"])
    return table.assign(y=table["y"].astype(float)), certified


@pytest.mark.parametrize("name", DIGITS)
def test_one_way_analysis_of_variance(name):
    data, certified = read_anova(name)
    region = Region([Factor.categorical("treatment", sorted(data["treatment"].unique()))])
    model = fit(data, Response("y"), region)
    rows = model.anova.table.set_index("source")
    assert rows.loc["treatment", "df"] == certified["df"]
    assert model.df_error == rows.loc["residual", "df"] == certified["df_error"]
    found = {
        "F": rows.loc["treatment", "F"], "between": rows.loc["treatment", "sum_of_squares"],
        "within": rows.loc["residual", "sum_of_squares"], "r2": model.r2, "sd": model.sigma,
    }
    digits = {key: agreeing_digits(value, certified[key]) for key, value in found.items()}
    assert min(digits.values()) >= DIGITS[name], digits
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
    certified = {  # from the same file
        slope: 1.00211681802045, slope_se: 0.429796848199937e-3,
        model.sigma: 0.884796396144373, model.r2: 0.999993745883712,
        model.anova.table.set_index("source").loc["x", "F"]: 5436385.54079785,
        model.anova.table.set_index("source").loc["residual", "sum_of_squares"]: 26.6173985294224,
    }
    for value, wanted in certified.items():
        assert agreeing_digits(value, wanted) >= 12
    assert agreeing_digits(intercept.loc[0, "mean"], -0.262323073774029) >= 12
    half = (intercept.loc[0, "mean_high"] - intercept.loc[0, "mean_low"]) / 2
    assert agreeing_digits(half / t, 0.232818234301152) >= 12


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
    for name, (coefficient, se) in natural(model).items():
        assert agreeing_digits(coefficient, LONGLEY[name][0]) >= 12, name
        assert agreeing_digits(se, LONGLEY[name][1]) >= 12, name
    assert agreeing_digits(model.sigma, 304.854073561965) >= 12
    assert agreeing_digits(model.r2, 0.995479004577296) >= 12
    rows = model.anova.table.set_index("source")
    assert agreeing_digits(rows.loc["model", "F"], 330.285339234588) >= 12
    at_zero = model.predict(pd.DataFrame([dict.fromkeys(LONGLEY, 0.0)]))
    assert agreeing_digits(at_zero.loc[0, "mean"], -3482258.63459582) >= 12
    half = (at_zero.loc[0, "mean_high"] - at_zero.loc[0, "mean_low"]) / 2
    assert agreeing_digits(half / scipy.stats.t.ppf(0.975, 9), 890420.383607373) >= 12


def test_longley_is_not_taken_up_unasked():
    data = sm.datasets.longley.load_pandas().data
    region = Region([Factor(n, data[n].min(), data[n].max()) for n in LONGLEY])
    model = fit(data, Response("TOTEMP"), region)
    inflation = np.diag(np.linalg.inv(np.corrcoef(model.columns.matrix.to_numpy()[:, 1:].T)))
    assert Term("YEAR") not in model.terms
    assert Term("ARMED") in model.terms
    assert inflation.max() < 20, "of the order asked for when each was taken up (10)"
    assert any("hardly tell them from the rest: GNP, POP, YEAR" in s for s in model.sentences)


@pytest.mark.parametrize("name", ["AtmWtAg", "SmLs04", "SmLs07", "SmLs08"])
def test_only_reading_the_data_loses_digits(name):
    """The same sets in exact arithmetic on the numbers as they are stored."""
    data, _ = read_anova(name)
    cells = {k: [Fraction(v) for v in g] for k, g in data.groupby("treatment")["y"]}
    every = [v for g in cells.values() for v in g]
    grand = sum(every) / len(every)
    means = {k: sum(g) / len(g) for k, g in cells.items()}
    between = sum(len(g) * (means[k] - grand) ** 2 for k, g in cells.items())
    within = sum((v - means[k]) ** 2 for k, g in cells.items() for v in g)
    f = (between / (len(cells) - 1)) / (within / (len(every) - len(cells)))
    region = Region([Factor.categorical("treatment", sorted(cells))])
    rows = fit(data, Response("y"), region).anova.table.set_index("source")
    assert agreeing_digits(rows.loc["treatment", "sum_of_squares"], float(between)) >= 12
    assert agreeing_digits(rows.loc["residual", "sum_of_squares"], float(within)) >= 12
    assert agreeing_digits(rows.loc["treatment", "F"], float(f)) >= 12

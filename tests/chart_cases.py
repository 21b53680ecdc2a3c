"""Invented fits for the tests of charts: small, quick, and with every awkward thing once."""

from __future__ import annotations

from functools import cache
from itertools import product

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from doe import Factor, Region, Response, charts
from doe.analysis import fit
from doe.decision import best_setting, operating_window
from doe.planning import (
    Comparison,
    RatioPower,
    appraise,
    box_behnken,
    central_composite,
    compare,
    fractional_factorial,
    full_factorial,
    ratio_power,
)

SIZE = Response("agglomerate", unit="µm", upper=30, label="largest agglomerate")
VOIDS = Response("voids", unit="mL/mL", upper=1e-3, scale="log", label="bubble fraction")
LUMPS = Response("lumps", kind="count", label="number of lumps")
HEAT = Response("heat", unit="°C", upper=38, label="temperature rise")
CHARTS = ("half_normal", "ordered_effects", "main_effects", "interactions", "residual_panel",
          "contour", "contour_log", "surface", "leeway", "curve", "conformance",
          "operating_window", "plan_map", "column_correlation", "precision_map",
          "detectable_effects", "detectable_ratio", "run_progress", "compared_power",
          "region_fractions", "residuals_by_factor", "set_up_strip")
NASTY_CHARTS = ("half_normal", "ordered_effects", "main_effects", "interactions",
                "residual_panel", "contour", "surface", "leeway", "curve", "conformance",
                "operating_window", "run_progress", "compared_power", "region_fractions",
                "residuals_by_factor", "set_up_strip")
NASTY = "<b>a</b> & <script>x</script> %{y} $z$"


def mixing_region(constrained: bool = True) -> Region:
    """Three factors and the greatest rotation speed as a constraint."""
    limits = ("revolution * rotation_ratio <= 900",) if constrained else ()
    return Region((Factor("revolution", 600, 1600, unit="rpm", increment=10),
                   Factor("rotation_ratio", 0.2, 0.8),
                   Factor("time", 60, 300, unit="s", increment=1)), limits)


def _coded(region: Region, table: pd.DataFrame) -> list[np.ndarray]:
    return [f.code(table[f.name]) for f in region.numeric]


@cache
def surface_data() -> pd.DataFrame:
    """A face-centred composite, the corner that cannot be run pulled in."""
    region = mixing_region()
    corners = list(product((-1, 1), repeat=3))
    axial = [tuple(s * (i == j) for j in range(3)) for i in range(3) for s in (-1, 1)]
    table = region.decode(np.array([*corners, *axial, *[(0, 0, 0)] * 4], float))
    high = table["revolution"] * table["rotation_ratio"] > 900
    table.loc[high, "rotation_ratio"] = 900 / table.loc[high, "revolution"]
    rng = np.random.default_rng(7)
    a, b, c = _coded(region, table)
    size = 30 - 9 * a - 14 * b - 4 * c + 6 * a * b + 5 * a**2 + 8 * b**2
    table["agglomerate"] = size + rng.normal(0, 1.2, len(table))
    table["voids"] = 1e-5 * np.exp(size / 8 + rng.normal(0, 0.15, len(table)))
    table["heat"] = 33 + 3 * a + 3 * c + rng.normal(0, 0.4, len(table))
    table.insert(0, "run", rng.permutation(len(table)) + 1)
    return table


@cache
def surface_fit(response: Response = SIZE):
    """A quadratic model with ten or fewer degrees of freedom for error."""
    return fit(surface_data(), response, mixing_region(), "quadratic")


@cache
def all_fits() -> tuple:
    return tuple(surface_fit(r) for r in (SIZE, VOIDS, HEAT))


def screening_region(count: int = 4, label: str = "") -> Region:
    names = ["revolution", "rotation_ratio", "time", "pressure", "fill", "start", "rest"][:count]
    units = ["rpm", "", "s", "kPa", "%", "°C", "s"]
    lows, highs = [600, 0.2, 60, 2, 30, 20, 0], [1600, 0.8, 300, 50, 70, 40, 120]
    return Region(tuple(Factor(n, low, high, unit=unit, label=label and f"{label} {n}")
                        for n, low, high, unit in zip(names, lows, highs, units, strict=False)))


def screening_fit(response: Response = SIZE, *, centre: int = 3, scale: float = 1.0,
                  noise: float = 1.0, terms: str | None = None, label: str = ""):
    """A half fraction of four factors; rotation ratio is the largest, pressure does nothing."""
    region = screening_region(label=label)
    corners = np.array([(*c, np.prod(c)) for c in product((-1, 1), repeat=3)], float)
    table = region.decode(np.vstack([corners, np.zeros((centre, 4))]))
    a, b, c, d = _coded(region, table)
    rng = np.random.default_rng(11)
    table[response.name] = scale * (40 - 3 * a - 9 * b - 5 * c + 0.1 * d + 4 * a * b
                                    + rng.normal(0, noise, len(table)))
    return fit(table, response, region, terms)


@cache
def nasty_fit():
    """Every text that people can write holds markup."""
    region = Region((Factor("a", 0, 1, unit="<i>u</i>", label=NASTY),
                     Factor("b", 0, 1, label=NASTY + " 2"),
                     Factor.categorical("cup", [NASTY + " k", "plain"], label=NASTY + " cup")))
    table = pd.DataFrame(list(product((0, 0.5, 1), (0, 1), region["cup"].levels)),
                         columns=region.names)
    rng = np.random.default_rng(3)
    table["y"] = 5 + table["a"] + 2 * table["b"] * (table["cup"] == "plain") \
        + rng.normal(0, 0.05, len(table))
    table["run"] = [f"{NASTY}{i}" for i in range(len(table))]
    response = Response("y", unit="<u>v</u>", upper=6, label=NASTY + " y")
    return fit(table, response, region, "(a + b + cup)**2")


@cache
def plans() -> dict:
    region = screening_region()
    return {"fraction": fractional_factorial(region, runs=8, centre_points=3, seed=4),
            "composite": central_composite(mixing_region(False), seed=3)}


@cache
def compared() -> Comparison:
    """Four plans for one region; the factorial cannot estimate the squares."""
    region = mixing_region(False)
    return compare({
        "central composite": central_composite(region, seed=3),
        "face-centred composite": central_composite(region, axial="face-centred", seed=3),
        "Box–Behnken": box_behnken(region, seed=3),
        "two-level factorial": full_factorial(region, replicates=2, centre_points=3, seed=3),
    }, model="quadratic", sd=2.0, against=())


@cache
def every_chart() -> dict[str, go.Figure]:
    """One figure of every kind, ordinary data."""
    quadratic, screened, fits = surface_fit(), screening_fit(), list(all_fits())
    recipe = best_setting(fits)
    window = operating_window(fits, x="revolution", y="rotation_ratio", fixed=recipe.settings)
    plan = plans()["fraction"]
    return {
        "half_normal": charts.half_normal(screened),
        "ordered_effects": charts.ordered_effects(screened),
        "main_effects": charts.main_effects(quadratic),
        "interactions": charts.interactions(quadratic),
        "residual_panel": charts.residual_panel(quadratic),
        "contour": charts.contour(quadratic, "revolution", "rotation_ratio"),
        "contour_log": charts.contour(surface_fit(VOIDS), "revolution", "rotation_ratio"),
        "surface": charts.surface(quadratic, "revolution", "rotation_ratio"),
        "leeway": charts.leeway(fits, recipe.settings),
        "curve": charts.curve(quadratic, "revolution", recipe.settings),
        "conformance": charts.conformance(recipe, fits),
        "operating_window": charts.operating_window(window, fits, setting=recipe.settings),
        "plan_map": charts.plan_map(plan),
        "column_correlation": charts.column_correlation(plan),
        "precision_map": charts.precision_map(plans()["composite"], "revolution", "time"),
        "detectable_effects": charts.detectable_effects(appraise(plan, sd=2.0), SIZE),
        "detectable_ratio": charts.detectable_ratio(counted(), LUMPS),
        "run_progress": charts.run_progress(surface_data(), SIZE, total=20),
        "compared_power": charts.compared_power(compared(), SIZE),
        "region_fractions": charts.region_fractions(compared()),
        "residuals_by_factor": charts.residuals_by_factor(quadratic),
        "set_up_strip": charts.set_up_strip(plan, {"pressure": 15}),
    }


@cache
def counted() -> RatioPower:
    """Power for a count of few."""
    return ratio_power(plans()["fraction"], "count", baseline=6, draws=200)


@cache
def nasty_charts() -> dict[str, go.Figure]:
    """Charts of the fit whose texts hold markup."""
    f = nasty_fit()
    recipe = best_setting([f])
    window = operating_window([f], x="a", y="b")
    return {
        "half_normal": charts.half_normal(f), "ordered_effects": charts.ordered_effects(f),
        "main_effects": charts.main_effects(f), "interactions": charts.interactions(f),
        "residual_panel": charts.residual_panel(f), "contour": charts.contour(f, "a", "b"),
        "surface": charts.surface(f, "a", "b"),
        "leeway": charts.leeway([f]),
        "curve": charts.curve(f, "cup"),
        "conformance": charts.conformance(recipe, [f]),
        "operating_window": charts.operating_window(window, [f], setting=recipe.settings),
        "run_progress": charts.run_progress(f.data, f.response, total=20),
        "compared_power": charts.compared_power(_nasty_compared(), f.response),
        "region_fractions": charts.region_fractions(_nasty_compared()),
        "residuals_by_factor": charts.residuals_by_factor(f),
        "set_up_strip": charts.set_up_strip(full_factorial(f.region, seed=1)),
    }


def _nasty_compared() -> Comparison:
    """Plans whose names hold markup; the third has hardly anything to test with."""
    region = nasty_fit().region
    return compare({NASTY: full_factorial(region, replicates=2, seed=1),
                    NASTY + " 2": full_factorial(region, replicates=3, seed=1),
                    NASTY + " 3": full_factorial(region, seed=1)},
                   model="interactions", against=())


def trace(figure: go.Figure, name: str):
    """The first trace of that name."""
    return next(t for t in figure.data if t.name == name)


def plain_title(figure: go.Figure) -> str:
    """The title without markup, lines joined."""
    text = figure.layout.title.text.split("</b>")[0].removeprefix("<b>")
    return text.replace("<br>", " ").replace("\u00a0", " ")


def texts(value: object) -> list[str]:
    """Every text in a figure's plain form."""
    if isinstance(value, str):
        return [value]
    if isinstance(value, dict):
        return [t for k, v in value.items() if k != "template" for t in texts(v)]
    if isinstance(value, (list, tuple)):
        return [t for v in value for t in texts(v)]
    if isinstance(value, np.ndarray) and value.dtype == object:
        return [t for v in value.ravel() for t in texts(v)]
    return []

"""Fits with known surfaces, and published examples, for the tests of the decision room."""

from __future__ import annotations

from itertools import product
from pathlib import Path

import numpy as np
import pandas as pd

from doe.analysis import fit
from doe.factors import Factor, Region
from doe.responses import Response
from doe.terms import expand, exponents, standard_terms


def design(region: Region, levels: int = 3) -> pd.DataFrame:
    """Full factorial in the numeric factors, `levels` values each, and all categories."""
    axes = [np.linspace(f.low, f.high, levels) if f.kind == "continuous" else list(f.levels)
            for f in region.factors]
    return pd.DataFrame(list(product(*axes)), columns=region.names)


def known_fit(region: Region, response: Response, coefficients: dict | np.ndarray, *, sd=0.0,
              seed=0, model="quadratic", data: pd.DataFrame | None = None):
    """A fit to data made from given coefficients, by name or in the order of the model's terms."""
    data = design(region) if data is None else data.copy()
    terms = standard_terms(region, model)
    powers, names = exponents(region, terms)
    beta = (np.array([coefficients.get(n, 0.0) for n in names])
            if isinstance(coefficients, dict) else np.asarray(coefficients, float))
    y = expand(region.encode(data), powers) @ beta
    y = y + sd * np.random.default_rng(seed).standard_normal(len(y))
    data[response.name] = np.exp(y) if response.scale == "log" else y
    return fit(data, response, region, terms)


REFERENCES = Path(__file__).parent / "references"


def chemical_process():
    """Yield, viscosity and molecular weight of Montgomery's chemical process (source in file)."""
    data = pd.read_csv(REFERENCES / "chemical_yield_composite.csv", comment="#")
    data = data.rename(columns={"yield": "output"})
    region = Region([Factor("time", 80, 90, unit="min"),
                     Factor("temperature", 170, 180, unit="°F")])
    return [
        fit(data, Response("output", "%", goal="maximise", lower=78.5), region, "quadratic"),
        fit(data, Response("viscosity", goal="target", lower=62, target=65, upper=68), region,
            "quadratic"),
        fit(data, Response("weight", goal="minimise", upper=3400), region, "linear")]


def polymer():
    """A Box–Behnken plan in three factors (source in file)."""
    data = pd.read_csv(REFERENCES / "polymer_viscosity_box_behnken.csv", comment="#")
    region = Region([Factor(n, -1, 1) for n in ("x1", "x2", "x3")])
    return fit(data, Response("viscosity", "mPa·s", goal="maximise"), region, "quadratic")


def tread_compound():
    """The four fitted responses of Derringer & Suich (1980), exactly; from memory.

    That the memory is right follows from the published predictions at the published optimum,
    which the tests check.
    """
    edge = 1.633
    region = Region([Factor(n, -edge, edge) for n in ("silica", "silane", "sulfur")])
    surfaces = {
        "abrasion": (139.12, 16.49, 17.88, 10.91, -4.01, -3.45, -1.57, 5.13, 7.13, 7.88),
        "modulus": (1261.11, 268.15, 246.50, 139.48, -83.55, -124.79, 199.17, 69.38, 94.13, 104.38),
        "elongation": (400.38, -99.67, -31.40, -73.92, 7.93, 17.31, 0.43, 8.75, 6.25, 1.25),
        "hardness": (68.91, -1.41, 4.32, 1.63, 1.56, 0.06, -0.32, -1.63, 0.13, -0.25),
    }
    responses = [
        Response("abrasion", goal="maximise", lower=120, target=170),
        Response("modulus", goal="maximise", lower=1000, target=1300),
        Response("elongation", goal="target", lower=400, upper=600, target=500),
        Response("hardness", goal="target", lower=60, upper=75, target=67.5),
    ]
    data = design(region)
    a, b, c = (data[n].to_numpy() for n in region.names)
    columns = np.column_stack([a**0, a, b, c, a * a, b * b, c * c, a * b, a * c, b * c])
    fits = []
    for response in responses:
        data[response.name] = columns @ surfaces[response.name]
        fits.append(fit(data, response, region, "quadratic"))
    return fits

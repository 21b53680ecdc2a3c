"""Time of a fit of 32 runs and 11 terms, as a ratio to statsmodels' own formula interface.

Run: python benchmarks/analysis_speed.py
"""

from __future__ import annotations

from itertools import product

import numpy as np
import pandas as pd
import statsmodels.formula.api as smf
from stopwatch import seconds

from doe import Factor, Region, Response
from doe.analysis import fit

REPEATS = 40


def milliseconds(call) -> float:
    return 1000 * seconds(call, REPEATS)


def everything(data: pd.DataFrame, response: Response, region: Region) -> None:
    """A fit with all that a report asks of it."""
    model = fit(data, response, region)
    _ = model.table, model.anova, model.diagnostics, model.sentences


def main() -> None:
    """Print milliseconds and ratios."""
    region = Region([Factor(n, -1, 1) for n in "abcd"])
    data = pd.DataFrame(list(product((-1.0, 1.0), repeat=4)) * 2, columns=list("abcd"))
    data["y"] = np.random.default_rng(1).normal(size=len(data))
    response = Response("y")
    peer = milliseconds(lambda: smf.ols("y ~ (a + b + c + d)**2", data).fit().pvalues)
    cases = {
        "statsmodels formula, p-values": peer,
        "fit, terms given": milliseconds(
            lambda: fit(data, response, region, "(a + b + c + d)**2").table),
        "fit, terms found": milliseconds(lambda: fit(data, response, region).table),
        "fit, all tables and sentences": milliseconds(
            lambda: everything(data, response, region)),
    }
    for name, value in cases.items():
        print(f"{name:32s} {value:7.1f} ms  {value / peer:5.2f}")


if __name__ == "__main__":
    main()

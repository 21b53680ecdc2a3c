"""Time of 2,000 refits of a quadratic in 30 runs, as a ratio to a loop over statsmodels.

Run: python benchmarks/bootstrap.py
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import statsmodels.api as sm
from stopwatch import seconds

from doe import Factor, Region, Response
from doe.analysis import bootstrap, fit
from doe.analysis.resampling import KINDS, refits, resamples

COUNT = 2000
REPEATS = 15


def main() -> None:
    """Print seconds, ratios and the largest difference of any coefficient."""
    rng = np.random.default_rng(1)
    region = Region([Factor(n, -1, 1) for n in "abc"])
    data = pd.DataFrame(rng.uniform(-1, 1, (30, 3)), columns=list("abc"))
    data["y"] = 3 + data.a - 2 * data.b * data.c + data.a**2 + rng.normal(0, 0.3, 30)
    model = fit(data, Response("y"), region, "quadratic")
    x, y = model.columns.matrix.to_numpy(), model.observed
    for kind in KINDS:
        drawn = resamples(model, COUNT, seed=1, kind=kind)
        start = time.process_time()
        peer = np.array([(sm.OLS(y[r], x[r]) if kind == "case" else sm.OLS(r, x)).fit().params
                         for r in drawn])
        loop = time.process_time() - start
        ours = seconds(lambda drawn=drawn, kind=kind: refits(model, drawn, kind), REPEATS)
        whole = seconds(lambda kind=kind: bootstrap(model, count=COUNT, kind=kind), REPEATS)
        found = bootstrap(model, count=COUNT, kind=kind)
        error = np.abs(found.coefficients - peer).max() if not found.lost else np.nan
        print(f"{kind:11s} loop {1000 * loop:6.0f} ms; refits {1000 * ours:5.2f} ms, ratio "
              f"{loop / ours:5.0f}; with draws, intervals and tables {1000 * whole:5.2f} ms, ratio "
              f"{loop / whole:5.0f}; coefficients differ by {error:.0e}")


if __name__ == "__main__":
    main()

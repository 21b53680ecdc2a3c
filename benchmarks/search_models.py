"""Models compared per second, as a ratio to a loop over statsmodels in the same run.

Run: python benchmarks/search_models.py
"""

from __future__ import annotations

import time

import numpy as np
import pandas as pd
import statsmodels.api as sm
from stopwatch import seconds

from doe import Factor, Region, Response
from doe.analysis import Fit, Search, fit, reality_check, search
from doe.analysis.choosing import Rule, scores
from doe.analysis.gram import Reduced
from doe.terms import INTERCEPT

REPEATS = 30


def model_of(factors: int, terms: str, runs: int = 40) -> Fit:
    """A simulated response to scattered settings."""
    rng = np.random.default_rng(1)
    region = Region([Factor(n, -1, 1) for n in "abcdef"[:factors]])
    data = pd.DataFrame(rng.uniform(-1, 1, (runs, factors)), columns=region.names)
    data["y"] = 2 * data.a - data.b + data.a * data.b + data.c**2 + rng.normal(0, 0.7, runs)
    return fit(data, Response("y"), region, terms)


def loop(model: Fit, members: np.ndarray, x: np.ndarray) -> np.ndarray:
    """AICc of each model, each fitted by statsmodels."""
    y, n, out = model.observed, len(model.data), []
    for member in members:
        result = sm.OLS(y, x[:, np.r_[True, member]]).fit()
        k = len(result.params) + 1
        out.append(n * np.log(result.ssr / n) + 2 * k * n / (n - k - 1))
    return np.array(out)


def tables_of(found: Search) -> None:
    """Have all of a search made."""
    _ = found.best, found.table, found.path, found.sentence


def compare(name: str, factors: int, terms: str, *, check: bool = True) -> None:
    """All hierarchical models, here and by statsmodels: criterion, winner and time."""
    model = model_of(factors, terms)
    found = search(model)
    pool = found.candidates
    sets = pool.sets("strong")
    members = sets.members(np.arange(len(sets)))
    x = np.hstack([pool.base, pool.columns])
    y = np.asarray(model.shifted.model.endog)
    start = time.process_time()
    peer = loop(model, members, x)
    each = (time.process_time() - start) / len(sets)
    ours = scores(Rule(), Reduced.of(pool.base, pool.columns, y), sets)[0][:, 0]
    error = float(np.abs(ours - peer).max())
    chosen = pool.terms, members[np.argmin(peer)]
    same = set(found.best) == {INTERCEPT, *(t for t, b in zip(*chosen, strict=True) if b)}
    core = seconds(lambda: scores(Rule(), Reduced.of(pool.base, pool.columns, y), sets), REPEATS)
    bare = seconds(lambda: search(model), REPEATS)
    whole = seconds(lambda: tables_of(search(model)), REPEATS)
    print(f"{name}: {len(sets):,} models, criterion differs by {error:.0e} "
          f"({'within' if error < 1e-9 else 'BEYOND'} 1e-9), {'same' if same else 'OTHER'} winner")
    print(f"  statsmodels loop       {1 / each:12,.0f} models/s")
    print(f"  all models compared    {len(sets) / core:12,.0f} models/s  "
          f"ratio {each * len(sets) / core:8,.0f}")
    print(f"  search(fit)            {len(sets) / bare:12,.0f} models/s  "
          f"ratio {each * len(sets) / bare:8,.0f}")
    print(f"  and its tables read    {len(sets) / whole:12,.0f} models/s  "
          f"ratio {each * len(sets) / whole:8,.0f}")
    if not check:
        return
    again = seconds(lambda: reality_check(found, count=2000), 3)
    print(f"  searches of a reality check (2,000 resamples, 2,000 shuffles, "
          f"{len(model.data)} runs left out) {again:.2f} s; by the loop "
          f"{each * len(sets) * (4000 + len(model.data)):,.0f} s")


def main() -> None:
    """Print models per second and ratios."""
    compare("Four factors, second order", 4, "quadratic")
    compare("Five factors, interactions", 5, "interactions")
    compare("Five factors, second order", 5, "quadratic", check=False)
    model = model_of(6, "quadratic", 60)
    search(model)
    start = time.process_time()
    found = search(model)
    print(f"Six factors, second order: {found.compared:,} models in "
          f"{time.process_time() - start:.2f} s")


if __name__ == "__main__":
    main()

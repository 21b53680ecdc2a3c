"""Search for a recipe against scipy's differential evolution on the same merit, in one run.

    python benchmarks/best_setting.py

Four factors, four responses, a constraint, and a mixer's increments. The peer searches
the continuous region, which is the easier task: its optimum need not be one that can be set.
A recipe takes more than that one search: the reach of every response, the shortest time and
the alternatives are searches too.
"""

from __future__ import annotations

import time
from itertools import product

import numpy as np
import pandas as pd
from scipy import optimize

from doe.analysis import fit
from doe.decision import best_setting
from doe.decision.merit import Merit
from doe.decision.search import maximise, reach
from doe.decision.space import Space
from doe.decision.surface import Stack
from doe.mixer import Mixer, default_region
from doe.responses import Response

SEED = 7
MIXER = Mixer("invented", 140.0, rotation_range=(0.0, 700.0), pressure_range=(1.0, 101.3))


def invented_fits():
    region = default_region(MIXER)
    rng = np.random.default_rng(SEED)
    coded = np.array(list(product((-1, 0, 1), repeat=4)), float)
    data = MIXER.snap(region.decode(coded), region)
    a, b, c, d = region.encode(data).T
    noise = rng.standard_normal((4, len(data)))
    made = {
        "voids": np.exp(1 - 0.5 * a - 0.2 * b - 0.4 * c + 0.5 * d + 0.3 * a * a + 0.1 * noise[0]),
        "lumps": 20 - 4 * b - 3 * c - 2 * a * b + 2 * b * b + noise[1],
        "temperature": 45 + 6 * a + 4 * b + 5 * c + 2 * a * b + noise[2],
        "solids": 30 + 0.5 * a - d - 0.3 * c + 0.3 * noise[3],
    }
    responses = [Response("voids", "%", upper=2.5, scale="log"),
                 Response("lumps", "µm", upper=18, target=12),
                 Response("temperature", "°C", upper=55),
                 Response("solids", "%", goal="target", lower=29, target=30, upper=31)]
    return [fit(data.assign(**{r.name: made[r.name]}), r, region, "quadratic") for r in responses]


def main() -> None:
    fits = invented_fits()
    region, stack = fits[0].region, Stack(fits)
    space = Space(region, MIXER)
    merit = Merit(stack, reach(space, stack, seed=1), secure=False)

    def loss(x):
        settings = {f.name: f.decode(v) for f, v in zip(region.factors, x, strict=True)}
        inside = np.logical_and.reduce([c.holds(settings) for c in region.constraints])
        return np.where(inside, -merit.exact(x.T), 10.0)

    best_setting(fits, mixer=MIXER)                      # imports and caches are not timed
    tasks = {
        "whole recipe": lambda: best_setting(fits, mixer=MIXER).overall,
        "its one search": lambda: maximise(space, merit.exact, merit.smooth, seed=1)[3][0],
        "differential evolution": lambda: -optimize.differential_evolution(
            loss, [(-1, 1)] * 4, seed=SEED, vectorized=True, updating="deferred", tol=1e-8,
            maxiter=500).fun,
    }
    rows = []
    for name, task in tasks.items():
        times = []
        for _ in range(5):
            start = time.perf_counter()
            value = task()
            times.append(time.perf_counter() - start)
        rows.append({"task": name, "median_s": np.median(times), "overall": value})
    table = pd.DataFrame(rows).set_index("task")
    table["ratio_of_times"] = table["median_s"] / table["median_s"].iloc[-1]
    print(table.round(4).to_string())


if __name__ == "__main__":
    main()

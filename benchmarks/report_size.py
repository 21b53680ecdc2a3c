"""Time, memory and size of the development report."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.planning.plan import Plan
from doe.practice import demo_brief
from doe.records import Record
from doe.responses import Response
from doe.study import Study
from doe.terms import standard_terms


def study_of(runs: int, responses: int, seed: int = 1) -> Study:
    """An invented study: runs anywhere in the demo's region, and as many responses as asked for."""
    rng = np.random.default_rng(seed)
    brief = demo_brief()
    region = brief.region
    settings = pd.DataFrame({f.name: f.snap(rng.uniform(f.low, f.high, 6 * runs))
                             for f in region.factors})
    settings = brief.mixer.snap(settings, region)
    settings = settings[region.contains(settings)].head(runs).reset_index(drop=True)
    number = np.arange(1, runs + 1)
    plan = Plan(region, settings.assign(run=number, standard=number, block=1, point="factorial"),
                standard_terms(region, "quadratic"), "random", seed)
    made = tuple(Response(f"y{i}", "µm", upper=60.0, assumed_sd=2.0, label=f"reading {i}",
                          scale="log" if i % 4 == 3 else "identity")
                 for i in range(1, responses + 1))
    coded = np.column_stack([f.code(settings[f.name]) for f in region.factors])
    pull = rng.normal(0, 3, (responses, coded.shape[1]))
    values = (45 + coded @ pull.T + 2 * coded[:, :1] * coded[:, 1:2]
              + rng.normal(0, 2, (runs, responses)))
    records = tuple(
        Record(int(n), 1, measurements={r.name: round(float(v), 2) for r, v in
                                        zip(made, row, strict=True)},
               time=f"2026-01-{1 + i // 24 % 28:02d}T{i % 24:02d}:00:00+00:00", operator="R. Ito",
               remark="skin on the cup" if i % 40 == 0 else "")
        for i, (n, row) in enumerate(zip(number, values, strict=True)))
    return Study(brief.replace(responses=made), plan, records=records)

"""Power by simulation with the fits of `doe.analysis` as the analysis.

`doe.planning.simulated_power` simulates studies with analyses of its own, which are quick. The
functions here analyse each simulated study exactly as a real one will be, for its ``analyse``:

>>> from doe import Factor, Region
>>> from doe.planning import full_factorial, simulated_power
>>> region = Region([Factor("pressure", 2, 50, unit="kPa", hard_to_change=True),
...                  Factor("time", 60, 300, unit="s")])
>>> plan = full_factorial(region, replicates=4, blocks=4, group_hard_to_change=True, seed=1)
>>> study = simulated_power(plan, {"time": 3.0}, ratios={"whole_plot": 1.0}, draws=20, seed=1,
...                         terms="pressure + time", analyse=by_mixed_model)
>>> bool(study.table.set_index("term").loc["time", "power"] > 0.8)
True

They take a few hundredths of a second a study; ``n_jobs`` or a cluster shares the work.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd

from doe.analysis.kinds import fit_kind
from doe.analysis.mixed import fit_mixed
from doe.errors import InputError
from doe.planning.simulated_studies import Simulation
from doe.responses import Response

__all__ = ["by_kind", "by_mixed_model"]


def by_mixed_model(what: Simulation, y: np.ndarray) -> np.ndarray:
    """p-values by restricted maximum likelihood with Kenward–Roger tests; (m, p).

    Groups of the ratios given differ at random, their variances are estimated.
    """
    if what.kind != "continuous" or not what.ratios:
        raise InputError("analyse", "by_mixed_model", "it is for continuous responses in groups",
                         "Use by_kind, or give ratios such as {'whole_plot': 1.0}")
    response = Response("reading")
    groups = list(what.ratios)
    blocks = None if "block" in what.ratios else "block"
    return _each_study(what, y, lambda data: fit_mixed(
        data, response, what.plan.region, what.terms, groups=groups, blocks=blocks).table)


def by_kind(what: Simulation, y: np.ndarray) -> np.ndarray:
    """p-values of the fit that `doe.analysis.kinds.fit_kind` chooses for the response; (m, p)."""
    if what.kind == "count":
        response, extra = Response("reading", kind="count"), {"exposure": what.base.tolist()}
    elif what.kind == "proportion":
        response, extra = Response("reading", kind="proportion"), {"trials": what.base.tolist()}
        y = y / what.base
    else:
        response, extra = Response("reading"), {}
    return _each_study(what, y, lambda data: fit_kind(
        data, response, what.plan.region, what.terms, **extra).table)


def _each_study(what: Simulation, y: np.ndarray,
                fitted: Callable[[pd.DataFrame], pd.DataFrame]) -> np.ndarray:
    runs, out = what.plan.runs, np.full((len(y), len(what.names)), np.nan)
    for i, reading in enumerate(y):
        try:
            table = fitted(runs.assign(reading=reading))
        except InputError:  # such as counts that are all zero: a study that tells nothing
            continue
        out[i] = table.set_index("term")["p"].reindex(what.names).to_numpy(float)
    return out

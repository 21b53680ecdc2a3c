"""An invented study for the tests of brief, records and study file."""

from __future__ import annotations

import numpy as np
import pandas as pd

from doe.brief import Brief
from doe.brief_toml import template_toml
from doe.planning.plan import Plan
from doe.terms import standard_terms


def template_brief(**changes) -> Brief:
    return Brief.from_toml(template_toml()).replace(**changes)


def random_plan(brief: Brief, runs: int, seed: int = 1) -> Plan:
    """Settings anywhere in the region: what a plan is for does not matter here."""
    rng = np.random.default_rng(seed)
    settings = pd.DataFrame(
        {f.name: f.snap(rng.uniform(f.low, f.high, 5 * runs)) if f.is_numeric
         else rng.choice(np.asarray(f.levels, object), 5 * runs) for f in brief.region.factors})
    settings = settings[brief.region.contains(settings)].head(runs).reset_index(drop=True)
    structure = pd.DataFrame({"run": range(1, runs + 1), "standard": rng.permutation(runs) + 1,
                              "block": 1, "point": "factorial"})
    return Plan(brief.region, pd.concat([structure, settings], axis=1),
                standard_terms(brief.region, "linear"), "random", seed)

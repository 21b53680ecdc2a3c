"""An invented study to attack, and all that it says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd

from doe.brief import Brief
from doe.brief_toml import template_toml
from doe.planning.plan import Plan
from doe.store import open_study
from doe.terms import standard_terms

__all__ = ["BRIEF", "RESPONSES", "all_it_says", "plan_of", "sample_study"]

BRIEF = Brief.from_toml(template_toml())
RESPONSES = [r.name for r in BRIEF.responses]


def plan_of(runs: int, seed: int = 1) -> Plan:
    """So many runs anywhere in the region."""
    rng = np.random.default_rng(seed)
    settings = pd.DataFrame({f.name: f.snap(rng.uniform(f.low, f.high, 5 * runs))
                             for f in BRIEF.region.factors})
    settings = settings[BRIEF.region.contains(settings)].head(runs).reset_index(drop=True)
    number = np.arange(1, runs + 1)
    return Plan(BRIEF.region, settings.assign(run=number, standard=rng.permutation(runs) + 1,
                                              block=1, point="factorial"),
                standard_terms(BRIEF.region, "linear"), "random", seed)


def sample_study(path: Path, runs: int = 12, seed: int = 1) -> Path:
    """A study with everything in it: corrections, an attempt set aside, a repeat, an amendment."""
    rng = np.random.default_rng(seed)
    with open_study(path, create=BRIEF) as file:
        file.set_plan(plan_of(runs, seed), author="M. Abel")
        for run in range(1, runs - 1):
            file.record(run, {name: float(rng.integers(1, 90)) for name in RESPONSES},
                        operator="R. Ito", remark=f"cup {run}", settings={
                            BRIEF.region.names[-1]: 65.0} if run % 4 == 0 else {})
        file.amend(2, {RESPONSES[0]: 3.0}, reason="read the wrong line", author="R. Ito")
        file.amend(3, {RESPONSES[-1]: None}, reason="probe had slipped", author="R. Ito")
        file.void(4, "lid came off", "R. Ito")
        file.record(4, {RESPONSES[0]: "<0.5"}, operator="M. Abel")
        file.repeat(5, "to see the scatter", "M. Abel")
        file.set_brief(BRIEF.replace(notes="cups of the second lot"), reason="new lot",
                       author="M. Abel")
    return path


def all_it_says(path: Path, read_only: bool = True) -> str:
    """Every value in a study file that a user could see, as one text."""
    with open_study(path, read_only=read_only) as file:
        study, history = file.read(), file.history()
    plan = study.plan and study.plan.to_plain()
    return repr((study.brief.to_plain(), plan, study.records, study.trail.to_csv(),
                 history.to_csv(), study.table().to_csv(), study.log().to_csv(), study.progress,
                 study.deviations().to_csv()))

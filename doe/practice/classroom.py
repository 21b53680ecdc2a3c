"""Study files at a chosen stage, for notebooks that each can be the first one opened."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from doe.errors import as_choice
from doe.practice.scenario import demo_brief
from doe.practice.simulation import simulate
from doe.practice.studies import OPERATOR, SEED, demo_surface

if TYPE_CHECKING:
    from doe.store import StudyFile

__all__ = ["open_practice", "perform_due"]

STAGES = ("briefed", "planned", "run", "surface")


def open_practice(path: str | Path, stage: str, *, seed: int = SEED) -> StudyFile:
    """Open the invented study, brought to a stage if it is not there yet.

    What is in the file already stays as it is.

    Parameters
    ----------
    path : str or Path
    stage : {"briefed", "planned", "run", "surface"}
        "planned" has a plan, "run" also all its runs, made on the simulated mixer;
        "surface" is the second study, with all runs.
    seed : int
        Of the run order and of the simulated noise.
    """
    from doe.planning import make_plan
    from doe.store import open_study

    as_choice("stage", stage, STAGES)
    path = Path(path)
    if stage == "surface":
        if not path.exists():
            demo_surface(path, seed=seed)
        return open_study(path)
    file = open_study(path, create=None if path.exists() else demo_brief())
    brief = file.read().brief
    if stage != "briefed" and file.read().plan is None:
        file.set_plan(make_plan(brief.region, "fractional factorial", runs=8, centre_points=3,
                                seed=seed, mixer=brief.mixer))
    if stage == "run":
        perform_due(file, seed=seed)
    return file


def perform_due(file: StudyFile, *, seed: int = SEED) -> int:
    """Make every run still due on the simulated mixer and record it; their number."""
    study = file.read()
    due = study.pending
    for run in due:
        attempt = len(study.attempts(run)) + 1
        row = study.plan.runs[study.plan.runs["run"] == run].assign(**study.brief.held,
                                                                    attempt=attempt)
        readings = simulate(row, seed=seed, brief=study.brief).iloc[0]
        file.record(run, {k: float(v) for k, v in readings.items()}, operator=OPERATOR)
    return len(due)

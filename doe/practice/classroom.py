"""Study files at a chosen stage, for notebooks that each can be the first one opened."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from doe.errors import InputError, as_choice
from doe.practice.replacing import MAKER, OPERATOR
from doe.practice.scenario import demo_brief
from doe.practice.simulation import simulate
from doe.practice.studies import SEED, demo_surface

if TYPE_CHECKING:
    from doe.store import StudyFile

__all__ = ["open_practice", "perform_due"]

STAGES = ("briefed", "planned", "run", "surface")


def open_practice(path: str | Path, stage: str, *, seed: int = SEED) -> StudyFile:
    """Open the invented study, brought to a stage if it is not there yet.

    What is in the file already stays as it is. A file that was not made here is not opened, so
    that no simulated reading gets into real work.

    Parameters
    ----------
    path : str or Path
    stage : {"briefed", "planned", "run", "surface"}
        "planned" has a plan, "run" also all its runs, made on the simulated mixer;
        "surface" is the second study, with all runs.
    seed : int
        Of the run order and of the simulated noise.

    Raises
    ------
    InputError
        If the file exists and was not made for practice.
    """
    from doe.planning import make_plan
    from doe.store import open_study

    as_choice("stage", stage, STAGES)
    path = Path(path)
    if stage == "surface" and not path.exists():
        demo_surface(path, seed=seed)
    file = (open_study(path) if path.exists()
            else open_study(path, create=demo_brief(), author=MAKER))
    try:
        _refuse_real_work(file)
        brief = file.read().brief
        if stage in ("planned", "run") and file.read().plan is None:
            file.set_plan(make_plan(brief.region, "fractional factorial", runs=8,
                                    centre_points=3, seed=seed, mixer=brief.mixer))
        if stage == "run":
            perform_due(file, seed=seed)
    except BaseException:
        file.close()
        raise
    return file


def perform_due(file: StudyFile, *, seed: int = SEED) -> int:
    """Make every run still due on the simulated mixer and record it; their number.

    Raises
    ------
    InputError
        If the file was not made for practice.
    """
    _refuse_real_work(file)
    study = file.read()
    due = study.pending
    for run in due:
        attempt = len(study.attempts(run)) + 1
        row = study.plan.runs[study.plan.runs["run"] == run].assign(**study.brief.held,
                                                                    attempt=attempt)
        readings = simulate(row, seed=seed, brief=study.brief).iloc[0]
        file.record(run, {k: float(v) for k, v in readings.items()}, operator=OPERATOR)
    return len(due)


def _refuse_real_work(file: StudyFile) -> None:
    study = file.read()
    if study.brief.invented and study.trail["who"].iloc[0] == MAKER:
        return
    raise InputError("study file", file.path.name, "this study was not made by open_practice, so "
                     "the simulated mixer neither changes it nor records in it",
                     "Open your own study with doe.open_study and record its runs in the panel or "
                     "from a run sheet; for practice, give a file name that is not taken")

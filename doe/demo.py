"""A whole study on a simulated mixer, in the order in which an engineer would do it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from doe.conclude import fit_all, recommend
from doe.decision import confirmation
from doe.errors import InputError
from doe.planning import appraise
from doe.practice import demo_study, demo_surface, simulate
from doe.report import write_report
from doe.sheets import write_sheet
from doe.study import Study

__all__ = ["Demo", "run_demo"]

SCREENING, SURFACE = "first_screening.study", "second_surface.study"
CONFIRMATION_RUNS = 3


@dataclass(frozen=True)
class Demo:
    """What the demo did, in sentences, and where it put the report."""

    sentences: tuple[str, ...]
    report: Path


def run_demo(folder: str | Path, *, seed: int, progress: Callable[[str], None] | None = None
             ) -> Demo:
    """Screen four factors, map their surface, choose a recipe, confirm it, write the reports.

    Parameters
    ----------
    folder : str or Path
        Gets two study files, run sheets and two reports; those of an earlier demo are
        replaced.
    seed : int
        Of the run orders and of the simulated noise.
    progress : callable, optional
        Told what is done next.
    """
    folder = Path(folder)
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise InputError("folder", str(folder), f"it cannot be made ({error.strerror})",
                         "Name one where you may write") from None
    step = progress or (lambda text: None)
    said: list[str] = []

    step("Screening: plan and runs")
    screening = _fresh(folder / SCREENING, demo_study, seed)
    said.append(f"Screening. {screening.plan.sentence}")
    said += appraise(screening.plan).alias_sentences[:1]
    for kind in ("html", "xlsx", "csv"):
        write_sheet(screening, folder / f"run_sheet.{kind}", overwrite=True)
    said.append(f"{screening.progress} {' '.join(screening.deviations()['sentence'])}")
    step("Screening: analysis and report")
    fits = fit_all(screening)
    said += [f.sentence for f in fits.values()]
    write_report(screening, folder / "first_screening.html", fits=fits)

    step("Response surface: plan and runs")
    surface = _fresh(folder / SURFACE, demo_surface, seed)
    said.append(f"Response surface. {surface.plan.sentence}")
    step("Response surface: best setting")
    fits = fit_all(surface)
    recipe = recommend(surface.brief, fits, seed=seed)
    said += recipe.sentences

    step("Confirmation runs")
    settings = pd.DataFrame([recipe.settings] * CONFIRMATION_RUNS)
    observed = simulate(settings.assign(run=range(101, 101 + CONFIRMATION_RUNS)), seed=seed,
                        brief=surface.brief)
    confirmed = confirmation(recipe, list(fits.values()), observed)
    said.append(confirmed.sentence)

    step("Report")
    report = write_report(surface, folder / "second_surface.html", fits=fits, recipe=recipe,
                          confirmed=confirmed, progress=progress)
    return Demo(tuple(said), report)


def _fresh(path: Path, make: Callable[..., Study], seed: int) -> Study:
    for old in path.parent.glob(path.name + "*"):
        old.unlink()
    return make(path, seed=seed)

"""A whole study on a simulated mixer, in the order in which an engineer would do it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from doe.conclude import fit_all, recommend
from doe.decision import confirmation
from doe.planning import appraise
from doe.practice import demo_brief, demo_study, demo_surface, simulate, surface_brief
from doe.practice.replacing import made_aside, titled, untouched
from doe.report import write_report
from doe.sheets import write_sheet

__all__ = ["Demo", "run_demo"]

SCREENING, SURFACE = "first_screening.study", "second_surface.study"
SCREENING_REPORT, SURFACE_REPORT = "first_screening.html", "second_surface.html"
SHEETS = ("run_sheet.html", "run_sheet.xlsx", "run_sheet.csv")
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
        replaced, each once the new one is complete.
    seed : int
        Of the run orders and of the simulated noise.
    progress : callable, optional
        Told what is done next.

    Raises
    ------
    InputError
        If the folder cannot be used, or holds a file of one of these names that no demo made
        or that was changed since: it is left alone, and nothing is written.
    """
    folder = Path(folder)
    first, second = demo_brief().title, surface_brief().title
    names = dict.fromkeys((SCREENING_REPORT, *SHEETS), titled(first))
    names |= {SCREENING: untouched(first), SURFACE: untouched(second),
              SURFACE_REPORT: titled(second)}
    with made_aside(folder, names) as aside:
        sentences = _make(aside, seed, progress or (lambda text: None))
    return Demo(tuple(sentences), folder / SURFACE_REPORT)


def _make(folder: Path, seed: int, step: Callable[[str], None]) -> list[str]:
    """Every file of the demo, in a folder without any; what was found, in sentences."""
    said: list[str] = []

    step("Screening: plan and runs")
    screening = demo_study(folder / SCREENING, seed=seed)
    said.append(f"Screening. {screening.plan.sentence}")
    said += appraise(screening.plan).alias_sentences[:1]
    for name in SHEETS:
        write_sheet(screening, folder / name)
    said.append(f"{screening.progress} {' '.join(screening.deviations()['sentence'])}")
    step("Screening: analysis and report")
    fits = fit_all(screening)
    said += [f.sentence for f in fits.values()]
    write_report(screening, folder / SCREENING_REPORT, fits=fits)

    step("Response surface: plan and runs")
    surface = demo_surface(folder / SURFACE, seed=seed)
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
    write_report(surface, folder / SURFACE_REPORT, fits=fits, recipe=recipe, confirmed=confirmed,
                 progress=step)
    return said

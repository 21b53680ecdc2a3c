"""Time to read a run sheet of 100,000 filled rows, as a ratio to a bare parse of the file; and from
the file to a fitted quadratic, in seconds and megabytes of a process that does nothing else.

Run: python benchmarks/sheets_speed.py
"""

from __future__ import annotations

import csv
import multiprocessing
import resource
import tempfile
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from doe.analysis import fit
from doe.brief import Brief
from doe.brief_toml import template_toml
from doe.planning.plan import Plan
from doe.records import Record
from doe.sheets import read_sheet, write_csv
from doe.study import Study
from doe.terms import standard_terms

ROWS = 100_000
REPEATS = 5


def seconds(call) -> float:
    """Least processor time of one call."""
    times = []
    for _ in range(REPEATS):
        start = time.process_time()
        call()
        times.append(time.process_time() - start)
    return min(times)


def study_of(rows: int) -> Study:
    """An invented study with this many runs, each at one of a few settings."""
    brief = Brief.from_toml(template_toml())
    grid = brief.mixer.snap(brief.region.grid(5), brief.region)
    grid = grid[brief.region.contains(grid)].reset_index(drop=True)
    settings = grid.iloc[np.arange(rows) % len(grid)].reset_index(drop=True)
    number = np.arange(1, rows + 1)
    runs = settings.assign(run=number, standard=number, block=1, point="factorial")
    return Study(brief, Plan(brief.region, runs, standard_terms(brief.region, "linear"), "grid", 1))


def filled(study: Study, path: Path) -> None:
    """Write the sheet as it comes back from the laboratory."""
    write_csv(study, path)
    with path.open(newline="", encoding="utf-8-sig") as file:
        rows = list(csv.reader(file))
    at = next(i for i, row in enumerate(rows) if row[0] == "run")
    place = {name: i for i, name in enumerate(rows[at])}
    rng = np.random.default_rng(1)
    for row in rows[at + 1:-1]:
        row[place["voids (%)"]] = f"{rng.lognormal(-1):.3f}"
        row[place["coarsest lump (µm)"]] = f"{rng.uniform(10, 60):.1f}"
        row[place["end temperature (°C)"]] = f"{rng.uniform(20, 60):.2f}"
        row[place["operator"]] = "R. Ito"
    with path.open("w", newline="", encoding="utf-8-sig") as file:
        csv.writer(file).writerows(rows)


def bare(path: Path) -> list[list[str]]:
    """The cells as texts."""
    with path.open(newline="", encoding="utf-8-sig") as file:
        return list(csv.reader(file))


def to_a_fit(path: Path) -> tuple[dict[str, float], float, float]:
    """Processor time of each step from the file to a fit, wall time of all, and the process's peak
    memory in MB; of three goes the quickest."""
    study = study_of(ROWS)
    response, region = study.brief.responses[0], study.brief.region
    best: tuple[dict[str, float], float] = ({}, np.inf)
    for _ in range(3):
        clock, wall = [time.process_time()], time.perf_counter()
        records = read_sheet(path, study)
        clock.append(time.process_time())
        wall = time.perf_counter() - wall
        numbered = replace(study, records=tuple(replace(r, attempt=1) for r in records))
        clock.append(time.process_time())
        again = time.perf_counter()
        table = numbered.table()
        clock.append(time.process_time())
        _ = fit(table, response, region, "quadratic").table
        clock.append(time.process_time())
        wall += time.perf_counter() - again
        if wall < best[1]:
            took = np.diff(clock)
            best = {"read": took[0], "table": took[2], "fit": took[3]}, wall
        del records, numbered, table
    return *best, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def main() -> None:
    """Print seconds and ratios."""
    study = study_of(ROWS)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "sheet.csv"
        filled(study, path)
        skip = next(i for i, row in enumerate(bare(path)) if row[0] == "run")
        peer = seconds(lambda: bare(path))
        cases = {
            "csv.reader, texts": peer,
            "pandas.read_csv, guessed types": seconds(
                lambda: pd.read_csv(path, skiprows=skip, comment="#")),
            "empty records, made one by one": seconds(
                lambda: [Record(i, 1, measurements={"voids": 0.5}) for i in range(ROWS)]),
            "read_sheet, checked records": seconds(lambda: read_sheet(path, study)),
        }
        with multiprocessing.get_context("spawn").Pool(1) as alone:
            steps, wall, peak = alone.apply(to_a_fit, (path,))
    for name, value in cases.items():
        print(f"{name:32s} {value:6.2f} s  {value / peer:5.1f}")
    said = ", ".join(f"{name} {value:.2f}" for name, value in steps.items())
    print(f"file to fit of a quadratic: {sum(steps.values()):.2f} s of the processor ({said}), "
          f"{wall:.2f} s by the clock, {peak:.0f} MB at most")


if __name__ == "__main__":
    main()

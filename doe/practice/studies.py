"""Ready-made study files: a screening, then a response surface, as they might have gone."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import pandas as pd

from doe.brief import Brief
from doe.errors import InputError
from doe.practice.replacing import MAKER, OPERATOR, made_aside, untouched
from doe.practice.scenario import demo_brief, surface_brief
from doe.practice.simulation import simulate
from doe.records import Record
from doe.sheets.write import table_csv

if TYPE_CHECKING:
    from doe.planning import Plan
    from doe.study import Study

__all__ = ["SEED", "demo_study", "demo_surface", "write_demo"]

SEED = 3
START = datetime(2026, 3, 3, 8, 30, tzinfo=UTC)
BETWEEN_RUNS = timedelta(minutes=25)


def demo_study(path: str | Path, *, seed: int = SEED) -> Study:
    """Write the invented screening study: a fraction of four factors in 8 + 3 runs.

    Two things go wrong, as they do: a run is set aside because the lid was not seated, and
    repeated; and in another the pump does not quite reach the pressure asked for.

    Parameters
    ----------
    path : str or Path
        Of the new study file.
    seed : int
        Of the run order and of the noise.

    Raises
    ------
    doe.store.StudyFileError
        If the file exists already.
    """
    from doe.planning import make_plan  # the plans and the file are needed only here

    brief = demo_brief()
    plan = make_plan(brief.region, "fractional factorial", runs=8, centre_points=3, seed=seed,
                     mixer=brief.mixer)
    lowest = plan.runs.index[plan.runs["pressure"] == brief.region["pressure"].low]
    leak = int(plan.runs.loc[lowest[-1], "run"])
    unseated = next(int(r) for r in plan.runs["run"] if r > 2 and r != leak)
    return _perform(
        path, brief, plan, seed,
        voided={unseated: "lid of the cup not seated: paste on the rim, run stopped after 20 s"},
        achieved={leak: {"pressure": brief.region["pressure"].low + 1.5}},
        remarks={leak: "pump slow, pressure as read over the second half of the run"})


def demo_surface(path: str | Path, *, seed: int = SEED) -> Study:
    """Write the invented second study: a face-centred central composite in 24 + 4 runs.

    Parameters and errors as in `demo_study`.
    """
    from doe.planning import make_plan

    brief = surface_brief()
    plan = make_plan(brief.region, "central composite", axial="face-centred", centre_points=4,
                     seed=seed, mixer=brief.mixer)
    return _perform(path, brief, plan, seed + 1, start=START + timedelta(days=7))


def _perform(path: str | Path, brief: Brief, plan: Plan, seed: int, *, start: datetime = START,
             voided: Mapping[int, str] | None = None,
             achieved: Mapping[int, Mapping[str, float]] | None = None,
             remarks: Mapping[int, str] | None = None) -> Study:
    """Run every run of the plan on the simulated mixer and record it."""
    from doe.store import open_study

    voided, achieved, remarks = voided or {}, achieved or {}, remarks or {}
    records, when = [], start
    for row in plan.runs.to_dict("records"):
        run = int(row["run"])
        settings = dict(achieved.get(run, {}))
        common = {"run": run, "operator": OPERATOR}
        attempt = 1
        if run in voided:
            records.append(Record(**common, time=when.isoformat(), status="void",
                                  reason=voided[run]))
            attempt, when = 2, when + BETWEEN_RUNS
        made = pd.DataFrame([{**row, **settings, "attempt": attempt}])
        readings = simulate(made, seed=seed, brief=brief).iloc[0]
        records.append(Record(**common, time=when.isoformat(), settings=settings,
                              measurements={k: float(v) for k, v in readings.items()},
                              remark=remarks.get(run, "")))
        # a working day has room for fourteen runs
        when += BETWEEN_RUNS
        if when.hour >= 15:
            when = datetime(when.year, when.month, when.day, 8, 30, tzinfo=UTC) + timedelta(days=1)
    with open_study(path, create=brief, author=MAKER) as study_file:
        study_file.set_plan(plan, author=brief.author)
        study_file.record_many(records)
        return study_file.read()


def write_demo(folder: str | Path, *, seed: int = SEED) -> list[Path]:
    """Write both study files and their results as CSV into `folder`, replacing older ones.

    Raises
    ------
    InputError
        If the folder cannot be used, or a file of one of the names is none of an earlier call
        or was changed since: it is left alone, and nothing is written.
    """
    folder, names = Path(folder), {}
    for stem, brief in (("first_screening", demo_brief()), ("second_surface", surface_brief())):
        names[f"{stem}.study"] = untouched(brief.title)
        names[f"{stem}.csv"] = _as_written
    with made_aside(folder, names) as aside:
        for stem, make in (("first_screening", demo_study), ("second_surface", demo_surface)):
            table = _as_csv(make(aside / f"{stem}.study", seed=seed))
            (aside / f"{stem}.csv").write_bytes(table)
    return [folder / name for name in names]


def _as_csv(study: Study) -> bytes:
    return table_csv(study.table()).encode()


def _as_written(table: Path) -> bool:
    """Whether the results are still those of the study file beside them."""
    from doe.store import open_study

    try:
        with open_study(table.with_suffix(".study"), read_only=True) as study_file:
            return table.read_bytes() == _as_csv(study_file.read())
    except InputError:
        return False

"""Hostile run sheets: what they say stands in the study afterwards, or nothing of it does."""

from __future__ import annotations

import random
import shutil
import tempfile
from pathlib import Path

from benchmarks.attacks._sheet_files import READ, SHOWN, Sheets
from benchmarks.attacks._sheet_reading import (
    PLANNED,
    contradictions,
    rows_of_text,
    rows_of_workbook,
)
from benchmarks.attacks.apart import Answer, Apart
from benchmarks.attacks.sample import BRIEF, plan_of
from doe.errors import InputError
from doe.sheets import import_sheet
from doe.store import StudyFile, open_study

__all__ = ["COUNT", "run"]

COUNT = 9000
RUNS = 6
SECONDS, MEGABYTES = 5.0, 1000
_untouched: StudyFile | None = None


def run(seed: int, count: int) -> list[str]:
    """One line a sheet that was misread, taken in half, or made the import fail, hang or swell."""
    failures = []
    taken = 0
    with (tempfile.TemporaryDirectory() as folder, Apart(take, SECONDS) as attempt):
        home = Path(folder)
        with open_study(home / "blank.study", create=BRIEF) as file:
            file.set_plan(plan_of(RUNS))
            study = file.read()
        names = ("revolution", "rotation_ratio", "time", "pressure")
        planned = {run: dict(zip(PLANNED, (study.planned(run)[n] for n in names), strict=True))
                   for run in range(1, RUNS + 1)}
        sheets = Sheets(study, home)
        for case in range(count):
            rng = random.Random(f"{seed}-{case}")
            if rng.random() < 0.5:
                path = home / "sheet.csv"
                data, mark, what = sheets.text(rng)
            else:
                path = home / "sheet.xlsx"
                (data, what), mark = sheets.workbook(rng), ""
            path.write_bytes(data)
            answer = attempt(str(path), str(home / "blank.study"))
            found = _judged(answer, data, mark, planned, sheets)
            taken += answer.kind == "value" and not answer.value["refused"]
            failures += [f"case {case} of seed {seed} ({path.suffix}; {what}): {f}" for f in found]
    print(f"{taken} of {count} sheets taken, the others refused")
    return failures


def take(sheet: str, blank: str) -> dict:
    """What stands in a study without records once the sheet was imported, or why it was not."""
    global _untouched
    path = Path(sheet).with_name("study.study")
    Path("/proc/self/clear_refs").write_text("5")  # the peak of memory starts anew
    if _untouched is None:
        for old in path.parent.glob(path.name + "*"):
            old.unlink()
        shutil.copy(blank, path)
        _untouched = open_study(path)
    file, before, refused = _untouched, _bytes(path), ""
    try:
        import_sheet(sheet, file)
    except InputError as error:
        refused = str(error)
    records = {}
    if not refused or _bytes(path) != before:  # opened anew only then, which takes longest
        records = {(r.run, r.attempt): {
            "readings": {n: (v, r.qualifiers.get(n, "")) for n, v in r.measurements.items()},
            "settings": r.settings, "remark": r.remark or r.reason} for r in file.read().records}
        file.close()
        _untouched = None
    peak = next(line for line in Path("/proc/self/status").read_text().splitlines()
                if line.startswith("VmHWM"))
    return {"refused": refused, "records": records, "peak": int(peak.split()[1]) / 1024}


def _bytes(path: Path) -> list[bytes]:
    return [p.read_bytes() for p in sorted(path.parent.glob(path.name + "*"))
            if not p.name.endswith("-shm")]  # it holds locks, and nothing of the study


def _judged(answer: Answer, data: bytes, mark: str, planned: dict, sheets: Sheets) -> list[str]:
    if answer.kind != "value":
        return [str(answer)]
    value = answer.value
    out = [f"{value['peak']:.0f} MB of memory"] if value["peak"] > MEGABYTES else []
    if value["refused"]:
        if value["records"]:
            out.append("refused, and yet something of it stands in the study")
        if not value["refused"].rstrip().endswith((".", "?")):
            out.append(f"the refusal is no sentence: {value['refused'][:80]}")
        return out
    if mark:
        rows = rows_of_text(data, mark)
    else:
        try:
            rows = rows_of_workbook(sheets.mended(data), SHOWN)
        except Exception:  # noqa: BLE001, a reader that is not ours fails on damaged formats
            rows = rows_of_workbook(sheets.mended(data, READ[:2]), SHOWN)
    return out + contradictions(rows, value["records"], planned)

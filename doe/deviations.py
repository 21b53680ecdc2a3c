"""What did not go as planned, in rows and in words, for the report."""

from __future__ import annotations

import math
from bisect import bisect_left
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import pandas as pd

from doe.records import Record
from doe.wording import capitalise, join, short

if TYPE_CHECKING:
    from doe.study import Study

__all__ = ["COLUMNS", "KINDS", "deviations"]

COLUMNS = ("run", "attempt", "kind", "what", "planned", "happened", "difference", "unit",
           "sentence")
KINDS = ("order", "setting", "void", "repeat", "missing", "limit", "correction",
         "withdrawal", "amendment")


def deviations(study: Study) -> pd.DataFrame:
    """Everything in a study that did not go as planned.

    Returns
    -------
    DataFrame
        One row a deviation: ``run`` and ``attempt`` (0 where it concerns the study),
        ``kind`` (one of `KINDS`; "limit" is a reading known only to lie below or above its
        value), ``what``, ``planned``, ``happened``, ``difference`` (NaN unless both are
        numbers), ``unit``, and the whole in a ``sentence``.
    """
    rows = [*_out_of_order(study), *_other_settings(study), *_attempts(study),
            *_readings(study), *_changes(study)]
    return pd.DataFrame(rows, columns=list(COLUMNS)).astype({"difference": float})


def _out_of_order(study: Study) -> Iterable[tuple]:
    first: dict[int, Record] = {}
    for r in study.in_time:
        if not study.is_repeat(r):
            first.setdefault(r.run, r)
    runs = list(first)
    kept = _longest_rising(runs)
    place = {run: i for i, run in enumerate(sorted(runs), 1)}
    for i, run in enumerate(runs):
        if run in kept:
            continue
        later = [other for other in runs[i:] if other < run]
        said = (f"before run {min(later)}" if later
                else f"after run {max(other for other in runs[:i] if other > run)}")
        yield (run, first[run].attempt, "order", "run order", place[run], i + 1,
               i + 1 - place[run], "", f"Run {run} was done {said}, out of the planned order.")


def _longest_rising(values: Sequence[int]) -> set[int]:
    """A longest rising subsequence (patience sorting): the fewest others are out of order."""
    tails: list[int] = []
    piles: list[int] = []
    for value in values:
        pile = bisect_left(tails, value)
        tails[pile : pile + 1] = [value]
        piles.append(pile)
    kept, want = set(), len(tails) - 1
    for value, pile in zip(reversed(values), reversed(piles), strict=True):
        if pile == want:
            kept.add(value)
            want -= 1
    return kept


def _other_settings(study: Study) -> Iterable[tuple]:
    for r in study.done:
        planned = study.planned(r.run)
        for name, happened in r.settings.items():
            factor, wanted = study.brief.region[name], planned[name]
            if not factor.is_numeric:
                if happened != wanted:
                    yield (r.run, r.attempt, "setting", name, wanted, happened, math.nan, "",
                           f"{_at(r)}: {factor.label} was {happened}, not {wanted} as planned.")
            elif not math.isclose(happened, wanted, rel_tol=1e-9, abs_tol=1e-12):
                gap = happened - wanted
                unit = f" {factor.unit}".rstrip()
                yield (r.run, r.attempt, "setting", name, wanted, happened, gap, factor.unit,
                       f"{_at(r)}: {factor.label} was {short(happened)}{unit}, "
                       f"{short(abs(gap), 3)}{unit} {'more' if gap > 0 else 'less'} than the "
                       f"planned {short(wanted)}{unit}.")


def _attempts(study: Study) -> Iterable[tuple]:
    for r in study.records:
        if r.status == "void":
            yield (r.run, r.attempt, "void", "attempt", "done", "set aside", math.nan, "",
                   f"{_at(r)} was set aside: {r.reason}.")
        elif study.is_repeat(r):
            done = "was repeated" if r.status == "done" else "is to be repeated"
            yield (r.run, r.attempt, "repeat", "attempt", "", r.status, math.nan, "",
                   f"Run {r.run} {done} as attempt {r.attempt}"
                   + (f": {r.reason}." if r.reason else "."))


def _readings(study: Study) -> Iterable[tuple]:
    for r in study.done:
        missing = study.missing(r)
        if missing:
            labels = join([study.brief.response(n).label for n in missing])
            yield (r.run, r.attempt, "missing", ", ".join(missing), "measured", "missing",
                   math.nan, "", f"{_at(r)}: {labels} not measured.")
        for name, mark in r.qualifiers.items():
            response = study.brief.response(name)
            side = "below" if mark == "<" else "above"
            value = r.measurements[name]
            yield (r.run, r.attempt, "limit", name, "", f"{mark}{value:.15g}", math.nan,
                   response.unit, f"{_at(r)}: {response.label} known only to lie {side} "
                   f"{short(value)}{f' {response.unit}'.rstrip()}.")


def _changes(study: Study) -> Iterable[tuple]:
    for t in study.trail.to_dict("records"):
        if t["kind"] == "correction":
            said = (f"{capitalise(t['what'])} was corrected from {t['before'] or 'nothing'} to "
                    f"{t['after'] or 'nothing'}")
        elif t["kind"] == "withdrawal":
            said = f"{capitalise(t['what'])}: {t['before']} was withdrawn"
        elif t["kind"] == "amendment":
            said = f"The {t['what']} was amended"
        else:
            continue
        yield (t["run"], t["attempt"], t["kind"], t["what"], t["before"], t["after"], math.nan,
               "", f"{said} by {t['who']} on {t['when'][:10]}: {t['reason']}.")


def _at(record: Record) -> str:
    return capitalise(record.where)

"""What is shown of one run: its settings as the mixer shows them, and what is on file of it."""

from __future__ import annotations

from datetime import datetime
from html import escape

import pandas as pd

from doe.programme import UNITS, quantity_of
from doe.records import Record
from doe.sheets.layout import columns, derived, stages
from doe.study import Study
from doe.tables import FONT, SOFT
from doe.wording import join, short

__all__ = ["REMARK", "decimals", "headings", "recorded_texts", "run_card"]

REMARK = "remark"


def run_card(study: Study, run: int) -> str:
    """Settings of a run and what is on file of it, as HTML."""
    return _settings(study, run) + _record(study, run)


def recorded_texts(study: Study, run: int) -> dict[str, str]:
    """What the fields of a run say if nothing is typed."""
    record = _last_done(study, run)
    texts = {r.name: "" for r in study.brief.responses}
    if record is not None:
        texts |= {k: f"{record.qualifiers.get(k, '')}{v:.12g}"
                  for k, v in record.measurements.items()}
    return {**texts, REMARK: record.remark.strip() if record else ""}


def decimals(study: Study) -> dict[str, int]:
    """Decimals of the factors as the run sheet shows them."""
    return {c.key: c.decimals for c in columns(study)
            if c.role == "planned" and c.decimals is not None}


def headings(study: Study, names: list[str]) -> dict[str, str]:
    labels = {v.name: v.label for v in (*study.brief.region.factors, *study.brief.responses)}
    return {n: labels.get(n, n) for n in names}


def _last_done(study: Study, run: int) -> Record | None:
    """The attempt that an entry would add to; None where the run is due."""
    if run in study.pending:
        return None
    return [r for r in study.attempts(run) if r.status == "done"][-1]


def _settings(study: Study, run: int) -> str:
    planned = {**study.brief.held, **study.planned(run)}
    follows = {k: v[0] for k, v in derived(study, pd.DataFrame([planned])).items()}
    places, lines = decimals(study), []
    for name, value in planned.items():
        factor = next((f for f in study.brief.region.factors if f.name == name), None)
        label = factor.label if factor else name.replace("_", " ")
        unit = factor.unit if factor else UNITS.get(quantity_of(name), "")
        shown = value if isinstance(value, str) else short(round(value, places.get(name, 9)), 9)
        lines.append((label, f"{shown} {unit}".rstrip()))
        lines += [(s.named("rotation"), f"{follows[s.named('rotation speed')]:g} rpm")
                  for s in stages(study) if s.ratio == name and s.revolution]
    lines.append(("counterbalance", f"{follows['counterbalance mass']:g} g"))
    rows = "".join(f'<tr><td style="padding:1px 14px 1px 0">{escape(a)}</td>'
                   f'<td style="text-align:right"><b>{escape(b)}</b></td></tr>' for a, b in lines)
    return (f'<div class="run-card" style="{FONT}"><div style="font-size:15px;margin-top:4px">'
            f'Run {run}</div><table style="{FONT};font-size:15px;margin:2px 0 4px">{rows}</table>'
            "</div>")


def _record(study: Study, run: int) -> str:
    """Whether a run is due, or who did it when, and what is on file of it."""
    record = _last_done(study, run)
    if record is None:
        aside = [r for r in study.attempts(run) if r.status == "void"]
        said = "due" + (f"; set aside before: {aside[-1].reason}" if aside else "")
    else:
        when = datetime.fromisoformat(record.time).astimezone()
        who = f" by {record.operator}" if record.operator else ""
        found = [f"{r.label} {record.qualifiers.get(r.name, '')}"
                 f"{record.measurements[r.name]:.12g} {r.unit}".rstrip()
                 for r in study.brief.responses if r.name in record.measurements]
        said = (f"done {when:%Y-%m-%d %H:%M}{who}; on file: " + (join(found) or "no reading"))
    return (f'<div class="run-record" style="{FONT};font-size:12px;{SOFT};margin:0 0 6px;'
            f'white-space:normal">{escape(said)}</div>')

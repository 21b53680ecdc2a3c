"""Enter what happened, run by run; each entry is on the disk before the panel says so."""

from __future__ import annotations

from html import escape

import ipywidgets as widgets
import pandas as pd

from doe.charts import run_progress
from doe.errors import InputError
from doe.panels.base import Panel, labelled, reports_errors
from doe.responses import Response
from doe.sheets.layout import derived, stages
from doe.sheets.parsing import CellError, read_number
from doe.store import StudyFile
from doe.study import Study
from doe.tables import FONT, html_table
from doe.wording import join

__all__ = ["RunningPanel"]

_FULL = widgets.Layout(width="96%")


class RunningPanel(Panel):
    """Record a study's runs.

    Parameters
    ----------
    file : StudyFile
        An open study file with a plan.

    Notes
    -----
    Readings are texts, so that an empty field means "not measured" and ``<0.02`` means
    below the detection limit. A decimal comma is understood where it can be nothing else:
    "1,234" is refused.
    """

    def __init__(self, file: StudyFile) -> None:
        super().__init__()
        self.file = file
        study = file.read()
        self.run = widgets.Dropdown(layout=_FULL)
        self.settings = widgets.HTML()
        self.readings = {r.name: widgets.Text(placeholder=r.method or "reading", layout=_FULL)
                         for r in study.brief.responses}
        self.operator = widgets.Text(layout=_FULL)
        self.remark = widgets.Text(layout=_FULL)
        self.keep = widgets.Button(description="Record this run", button_style="primary",
                                   layout=_FULL)
        self.reason = widgets.Text(placeholder="e.g. lid not seated", layout=_FULL)
        self.discard = widgets.Button(description="Set this run aside", layout=_FULL)
        self.watch = widgets.Dropdown(options=[(r.label, r.name) for r in study.brief.responses],
                                      layout=widgets.Layout(width="260px"))
        self.arrange([
            labelled("Run", self.run), self.settings,
            *(labelled(r.title, self.readings[r.name]) for r in study.brief.responses),
            labelled("Operator", self.operator), labelled("Remark", self.remark), self.keep,
            labelled("Reason, to correct a recorded run or to set one aside", self.reason),
            self.discard,
            labelled("Show", self.watch),
        ])
        self.on_change(self.run, lambda _: self.show_run())
        self.on_change(self.watch, lambda _: self.show_progress())
        self.on_click(self.keep, self.record)
        self.on_click(self.discard, self.void)
        self.refresh(study)

    def refresh(self, study: Study | None = None) -> None:
        """Read the file again and go to the next run that is due."""
        study = study or self.file.read()
        due = set(study.pending)
        runs = [] if study.plan is None else study.plan.runs["run"]
        self.run.options = [(f"run {r}" + ("" if r in due else " (done)"), int(r)) for r in runs]
        if study.pending:
            self.run.value = study.pending[0]
        self.show_run(study)
        self.show_progress(study)

    def show_run(self, study: Study | None = None) -> None:
        """Show the settings of the chosen run and what is recorded of it."""
        if self.run.value is None:
            self.settings.value = ""
            self.tell(["There is no plan yet: make one first."])
            return
        study = study or self.file.read()
        last = ([r for r in study.attempts(self.run.value) if r.status == "done"] or [None])[-1]
        for name, field in self.readings.items():
            known = last is not None and name in last.measurements
            field.value = (f"{last.qualifiers.get(name, '')}{last.measurements[name]:.12g}"
                           if known else "")
        self.remark.value = last.remark if last else ""
        self.settings.value = _settings_card(study, self.run.value)

    def show_progress(self, study: Study | None = None) -> None:
        """Show how far the study is."""
        study = study or self.file.read()
        self.tell([study.progress])
        response = study.brief.response(self.watch.value)
        self.draw(run_progress(study.table(), response, total=_total(study)))
        table = study.table()
        names = ["run", *study.brief.region.names, *(r.name for r in study.brief.responses)]
        self.details.value = html_table(
            table[names], _headings(study, names), numbers="exact") if len(table) else ""

    @reports_errors
    def record(self) -> None:
        """Keep the readings of the chosen run, or correct them if it is done already."""
        run = self.run.value
        measured = {r.name: _typed(r, self.readings[r.name].value.strip())
                    for r in self.file.read().brief.responses
                    if self.readings[r.name].value.strip()}
        who, remark = self.operator.value.strip(), self.remark.value.strip()
        before = [r for r in self.file.read().attempts(run) if r.status == "done"]
        if before and run not in self.file.read().pending:
            record = self.file.amend(run, measured, remark=remark, author=who,
                                     reason=self.reason.value.strip())
            done = f"Run {run} is corrected; the earlier reading stays on file."
            self.reason.value = ""
        else:
            record = self.file.record(run, measured, operator=who, remark=remark)
            done = f"Run {run} is saved."
        study = self.file.read()
        missing = [study.brief.response(n).label for n in study.missing(record)]
        self.refresh(study)
        self.say(done + (f" Not measured: {join(missing)}." if missing else ""))

    @reports_errors
    def void(self) -> None:
        """Set the chosen run aside with a reason; it is due again."""
        run = self.run.value
        self.file.void(run, self.reason.value.strip(), self.operator.value.strip())
        self.reason.value = ""
        self.refresh()
        self.say(f"Run {run} is set aside and due again; the attempt stays on file.")


def _typed(response: Response, text: str) -> float | str:
    """What was typed as a reading, for the study file."""
    sign = text[0] if text[0] in "<>" else ""
    try:
        value = read_number(text[len(sign):], response.unit,
                            decimal=None if "," in text else ".").value
    except CellError as error:
        raise InputError(response.label, text, error.problem, error.remedy) from None
    return f"{sign}{value!r}" if sign else value


def _settings_card(study: Study, run: int) -> str:
    planned = {**study.brief.held, **study.planned(run)}
    follows = {k: v[0] for k, v in derived(study, pd.DataFrame([planned])).items()}
    lines = []
    for name, value in planned.items():
        factor = next((f for f in study.brief.region.factors if f.name == name), None)
        label = factor.label if factor else name.replace("_", " ")
        unit = factor.unit if factor else ""
        shown = value if isinstance(value, str) else f"{value:.4g}"
        lines.append((label, f"{shown} {unit}"))
        lines += [(s.named("rotation"), f"{follows[s.named('rotation speed')]:g} rpm")
                  for s in stages(study) if s.ratio == name and s.revolution]
    lines.append(("counterbalance", f"{follows['counterbalance mass']:g} g"))
    rows = "".join(f'<tr><td style="padding:1px 14px 1px 0">{escape(a)}</td>'
                   f'<td style="text-align:right"><b>{escape(b)}</b></td></tr>' for a, b in lines)
    return f'<table style="{FONT};font-size:15px;margin:2px 0 8px">{rows}</table>'


def _headings(study: Study, names: list[str]) -> dict[str, str]:
    labels = {v.name: v.label for v in (*study.brief.region.factors, *study.brief.responses)}
    return {n: labels.get(n, n) for n in names}


def _total(study: Study) -> int:
    return 0 if study.plan is None else len(study.plan)

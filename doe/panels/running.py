"""Enter what happened, run by run; each entry is on the disk before the panel says so."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import ipywidgets as widgets

from doe.charts import run_progress
from doe.errors import InputError
from doe.panels.base import Panel, labelled, reports_errors
from doe.panels.run_card import REMARK, decimals, headings, recorded_texts, run_card
from doe.plausible import question
from doe.records import read_value
from doe.responses import Response
from doe.sheets.parsing import CellError, read_number
from doe.store import StudyFile
from doe.study import Study
from doe.tables import html_table
from doe.wording import capitalise, join

__all__ = ["RunningPanel"]

_FULL = widgets.Layout(width="96%")
CONFIRMED = "confirmed on entry: "


@dataclass(frozen=True)
class _Entry:
    """What is typed for a run, as far as it differs from what is on file."""

    added: dict = field(default_factory=dict)
    corrected: dict = field(default_factory=dict)
    withdrawn: tuple[str, ...] = ()
    new_remark: str = ""
    changed_remark: str | None = None

    @property
    def adds(self) -> bool:
        return bool(self.added or self.new_remark)

    @property
    def needs_reason(self) -> bool:
        return bool(self.corrected or self.withdrawn) or self.changed_remark is not None

    @property
    def is_empty(self) -> bool:
        return not (self.adds or self.needs_reason)


class RunningPanel(Panel):
    """Record a study's runs.

    Parameters
    ----------
    file : StudyFile
        An open study file with a plan.

    Attributes
    ----------
    shown : int or None
        The run whose card and fields are shown: the one that is recorded.
    study : Study or None
        The study as the panel shows it; None while it shows none.

    Notes
    -----
    Readings are texts, so that an empty field means "not measured" and ``<0.02`` means
    below the detection limit. A decimal comma is understood where it can be nothing else:
    "1,234" is refused. What is typed and not yet recorded stays with its run while others
    are looked at.
    """

    def __init__(self, file: StudyFile) -> None:
        super().__init__()
        self.file = file
        self.shown: int | None = None
        self.study: Study | None = None
        self._on_file: dict[str, str] = {}
        self._typed: dict[int, dict[str, str]] = {}
        self._asked: object = None
        responses = file.read().brief.responses
        self.run = widgets.Dropdown(layout=_FULL)
        self.settings = widgets.HTML()
        self.readings = {r.name: widgets.Text(placeholder=r.method or "reading", layout=_FULL)
                         for r in responses}
        self.operator = widgets.Text(layout=_FULL)
        self.remark = widgets.Text(layout=_FULL)
        self.keep = widgets.Button(button_style="primary", layout=_FULL)
        self.reason = widgets.Text(placeholder="e.g. lid not seated", layout=_FULL)
        self.discard = widgets.Button(layout=_FULL)
        self.again = widgets.Button(description="Read the file again", layout=_FULL)
        self.watch = widgets.Dropdown(options=[(r.label, r.name) for r in responses],
                                      layout=widgets.Layout(width="260px"))
        self.arrange([
            labelled("Run", self.run), self.settings,
            *(labelled(r.title, self.readings[r.name]) for r in responses),
            labelled("Operator", self.operator), labelled("Remark", self.remark), self.keep,
            self.status,
            labelled("Reason, to correct a recorded run or to set one aside", self.reason),
            self.discard, self.again,
            labelled("Show", self.watch),
        ])
        self.on_change(self.run, lambda _: self.show_run())
        self.on_change(self.watch, lambda _: self.show_progress())
        self.on_change(self._fields.values(), lambda _: self._nothing_asked())
        self.on_click(self.keep, self.record)
        self.on_click(self.discard, self.void)
        self.on_click(self.again, self.read_again)
        self.refresh()

    @property
    def _fields(self) -> dict[str, widgets.Text]:
        """What belongs to a run; the operator and the reason stay from one to the next."""
        return {**self.readings, REMARK: self.remark}

    @property
    def _changed(self) -> dict[str, str]:
        """What is typed that the file does not say."""
        return {k: f.value for k, f in self._fields.items() if f.value.strip() != self._on_file[k]}

    # ---- from the file to the panel

    @reports_errors
    def refresh(self, run: int | None = None) -> None:
        """Read the file again; go to a run, or to the next that is due.

        Where something is typed and not yet recorded, the panel stays at its run.
        """
        with self.refreshing():
            typed = self._clear()
            study = self.file.read()
            due = study.pending
            runs = [] if study.plan is None else study.plan.runs["run"].astype(int).tolist()
            wanted = [run, typed, *due[:1], self.run.value, *runs[:1]]
            with self.quietly():
                self.run.options = [(f"run {r}" + ("" if r in due else " (done)"), r)
                                    for r in runs]
                self.run.value = next((r for r in wanted if r in runs), None)
            self._show(study)
        self.show_progress()

    @reports_errors
    def read_again(self) -> None:
        """Read the file again and stay at the run that is chosen."""
        self.refresh(self.run.value)
        self.say("The file was read again.")

    @reports_errors
    def show_run(self) -> None:
        """Show the settings of the chosen run and what is recorded of it."""
        with self.refreshing():
            self._clear()
            self.status.value = ""
            self._show(self.file.read())

    def _clear(self) -> int | None:
        """Empty card and fields; the run they showed if what was typed there is unrecorded."""
        run = self.shown
        if run is not None:
            self._typed.pop(run, None)
            if self._changed:
                self._typed[run] = self._changed
        self.shown, self.study, self._on_file = None, None, {}
        with self.quietly():
            for control in self._fields.values():
                control.value = ""
            self.settings.value = ""
        self._nothing_asked()
        return run if run in self._typed else None

    def _show(self, study: Study) -> None:
        """Card and fields of the chosen run."""
        run = self.run.value
        if run is None:
            self.tell(["There is no plan yet: make one first."])
            return
        names = [r.name for r in study.brief.responses]
        if names != list(self.readings):
            raise InputError("study, responses", names, "they are not those this panel was made "
                             "for", "Run the panel's cell again")
        self._fill(study, run, self._typed.get(run, {}))
        if run in self._typed:
            self.say(f"What was typed for run {run} is not recorded yet.")

    def _fill(self, study: Study, run: int, typed: Mapping[str, str]) -> None:
        """Card and fields as the file has them, and in the fields what was typed since."""
        self._on_file = recorded_texts(study, run)
        with self.quietly():
            for name, text in {**self._on_file, **typed}.items():
                self._fields[name].value = text
            self.settings.value = run_card(study, run)
        self.shown, self.study = run, study
        self._nothing_asked()

    @reports_errors
    def show_progress(self) -> None:
        """Show how far the study is."""
        study = self.study
        if study is None:
            return
        self.tell([study.progress])
        table = study.table()
        self.draw(run_progress(table, study.brief.response(self.watch.value),
                               total=len(study.plan)))
        names = ["run", *study.brief.region.names, *(r.name for r in study.brief.responses)]
        self.details.value = html_table(
            table[names].round(decimals(study)), headings(study, names), numbers="exact"
        ) if len(table) else ""

    def _nothing_asked(self) -> None:
        """Buttons that name the run they act on."""
        self._asked = None
        known = self.shown is not None
        self.keep.disabled = self.discard.disabled = not known
        name = f"run {self.shown}" if known else "this run"
        self.keep.description = f"Record {name}"
        self.discard.description = f"Set {name} aside"

    # ---- from the panel to the file

    @reports_errors
    def record(self) -> None:
        """Keep what is typed for the run shown: readings that are new, and with a reason also
        what corrects or withdraws earlier ones."""
        run, study = self._run_to_write()
        entry, who = self._entry(), self.operator.value.strip()
        due = run in study.pending
        if entry.is_empty and not due:
            self.say(f"Run {run} is recorded as it stands here; nothing was changed.")
            return
        if entry.needs_reason and not self.reason.value.strip():
            raise InputError(
                f"run {run}, reason", "", f"{join(self._labels(entry))} is on file already, and "
                "what is on file needs a reason to change", "Say why in a few words under Reason")
        doubts = self._doubts(study, run, entry)
        if self._ask(run, entry, due, doubts):
            return
        confirmed = {name: CONFIRMED + said for name, said in doubts.items()}
        try:
            self._write(run, entry, who, confirmed, study)
        except InputError:
            self.refresh(run)  # shows what others entered; what was typed stays
            raise
        self._written()
        self._report(run, entry, due)

    def _write(self, run: int, entry: _Entry, who: str, confirmed: Mapping[str, str],
               seen: Study) -> None:
        def of(names: Mapping) -> dict[str, str]:
            return {k: v for k, v in confirmed.items() if k in names}

        with self.file.together():
            if entry.needs_reason:
                self.file.amend(run, {**entry.corrected, **dict.fromkeys(entry.withdrawn)},
                                remark=entry.changed_remark, reason=self.reason.value.strip(),
                                author=who, confirmed=of(entry.corrected), seen=seen)
                seen = self.file.read()
            if entry.adds or run in seen.pending:
                self.file.record(run, entry.added, operator=who, remark=entry.new_remark,
                                 confirmed=of(entry.added), seen=seen)

    def _report(self, run: int, entry: _Entry, due: bool) -> None:
        """Say what was written, then show the study with it."""
        label = {r.name: r.label for r in self.study.brief.responses}
        said = [f"Run {run} is saved." if due else "",
                f"Added to run {run}: {join(label[n] for n in entry.added)}."
                if entry.added and not due else "",
                f"Corrected in run {run}: {join(label[n] for n in entry.corrected)}; the earlier "
                "reading stays on file." if entry.corrected else "",
                f"Withdrawn from run {run}: {join(label[n] for n in entry.withdrawn)}; the earlier "
                "reading stays on file." if entry.withdrawn else "",
                f"Remark on run {run} kept." if not due and (
                    entry.new_remark or entry.changed_remark is not None) else ""]
        self.kept(" ".join(filter(None, said)))
        self.refresh(None if due else run)
        if self.study is not None:
            missing = [n for r in self.study.attempts(run) if r.status == "done"
                       for n in self.study.missing(r)]
            still = dict.fromkeys(label[n] for n in missing)
            said += [f"Not measured: {join(still)}."] if still else []
        self.say(" ".join(filter(None, said)))

    @reports_errors
    def void(self) -> None:
        """Set the run shown aside with a reason; it is due again."""
        run, study = self._run_to_write()
        entry, who = self._entry(), self.operator.value.strip()
        if entry.needs_reason:
            raise InputError(f"run {run}", join(self._labels(entry)), "this is typed and not "
                             "recorded", "Record it first, or type what is on file again")
        try:
            with self.file.together():
                if not entry.is_empty:  # what was read of a run that failed is kept with it
                    self._write(run, entry, who, {}, study)
                    study = self.file.read()
                self.file.void(run, self.reason.value.strip(), who, seen=study)
        except InputError:
            self.refresh(run)  # shows what others entered; what was typed stays
            raise
        self._written()
        said = f"Run {run} is set aside and due again; the attempt stays on file."
        self.kept(said)
        self.refresh(run)
        self.say(said)

    def _written(self) -> None:
        """What is in the fields is in the file."""
        self._on_file = {k: f.value.strip() for k, f in self._fields.items()}
        self.reason.value = ""

    def _run_to_write(self) -> tuple[int, Study]:
        """The run whose card is shown, and the study as shown; nothing else is written to."""
        self.check_fresh()
        if self.shown is None or self.study is None or self.shown != self.run.value:
            raise InputError("run", self.run.value, "its card is not shown",
                             "Choose a run, or press Read the file again")
        return self.shown, self.study

    def _entry(self) -> _Entry:
        """What the fields say that the file does not."""
        added, corrected, withdrawn = {}, {}, []
        for response in self.study.brief.responses:
            name = response.name
            text, before = self.readings[name].value.strip(), self._on_file[name]
            if text == before:
                continue
            if not text:
                withdrawn.append(name)
                continue
            value = _read(response, text)
            if not before:
                added[name] = value
            elif read_value(response, value) != read_value(response, before):
                corrected[name] = value
        remark, before = self.remark.value.strip(), self._on_file[REMARK]
        return _Entry(added, corrected, tuple(withdrawn), "" if before else remark,
                      remark if before and remark != before else None)

    def _labels(self, entry: _Entry) -> list[str]:
        """What an entry would change."""
        names = (*entry.corrected, *entry.withdrawn)
        return [self.study.brief.response(n).label for n in names] + (
            [] if entry.changed_remark is None else [REMARK])

    def _doubts(self, study: Study, run: int, entry: _Entry) -> dict[str, str]:
        """By response, what there is to ask about a reading that is typed."""
        found = {}
        for name, value in {**entry.added, **entry.corrected}.items():
            response = study.brief.response(name)
            number, mark = read_value(response, value)
            others = [r.measurements[name] for r in study.done
                      if name in r.measurements and (r.run != run or name in entry.added)]
            said = question(response, number, others, qualifier=mark)
            if said:
                found[name] = said
        return found

    def _ask(self, run: int, entry: _Entry, due: bool, doubts: Mapping[str, str]) -> bool:
        """True if there is something to ask first; the next press answers it."""
        said = [capitalise(text) + ". " for text in doubts.values()]
        if said:
            said.append(f"If {'it is' if len(said) == 1 else 'they are'} right, press again; "
                        "this is kept with the reading. Otherwise correct the field.")
        elif due and not entry.added:
            said.append(f"No reading entered: record run {run} as done, readings to follow? If "
                        "so, press again.")
        asked = (run, entry, tuple(doubts))
        if not said or asked == self._asked:
            return False
        self._asked = asked
        self.keep.description = f"Yes, record run {run}"
        self.say("".join(said), asks=True)
        return True


def _read(response: Response, text: str) -> float | str:
    """What was typed as a reading, for the study file."""
    sign = text[0] if text[0] in "<>" else ""
    try:
        value = read_number(text[len(sign):], response.unit,
                            decimal=None if "," in text else ".").value
    except CellError as error:
        raise InputError(response.label, text, error.problem, error.remedy) from None
    return f"{sign}{value!r}" if sign else value

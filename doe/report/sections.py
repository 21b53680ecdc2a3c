"""The sections of a report: each a function of the findings to a list of parts.

A part is a dict with ``kind`` "heading", "lead", "text", "list" or "html". Only parts of
kind "html" are put in as they are; they are made by `doe.tables` and plotly, which escape
what users wrote.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import pandas as pd
import plotly.graph_objects as go
from markupsafe import Markup

from doe import charts
from doe.analysis import Fit, MixedFit
from doe.analysis.achieved import against_plan
from doe.analysis.model_file import PACKAGES, package_versions
from doe.analysis.refitting import AnyFit, runs_of
from doe.analysis.sensitivity import FEW as TOLD
from doe.analysis.sensitivity import sensitivity
from doe.analysis.unlearned import unlearned
from doe.brief_tables import equipment_tables, factor_table, response_table
from doe.card import load_lines
from doe.decision import Confirmation, Recipe
from doe.decision.surface import rotations
from doe.errors import InputError
from doe.evidence import (
    COMPONENTS,
    choice_sentences,
    drawings,
    effects_table,
    further,
    tests_table,
)
from doe.load import grams
from doe.planning import appraise
from doe.programme import in_words
from doe.sheets.facts import sheet_cautions
from doe.study import Study
from doe.tables import Table, html_table
from doe.terms import formula
from doe.wording import capitalise, join

__all__ = ["SECTIONS"]


@dataclass(frozen=True)
class Findings:
    """What a report is written from."""

    study: Study
    fits: Mapping[str, AnyFit]
    recipe: Recipe | None = None
    confirmed: Confirmation | None = None
    unfitted: Mapping[str, str] = field(default_factory=dict)


CONFIRMATION = {"label": "response", "unit": "unit", "runs": "runs", "observed": "observed",
                "predicted": "predicted", "low": "expected from", "high": "to",
                "specification": "specification", "runs_inside": "runs that meet it"}


SENSITIVITY = {"label": "term", "change": "what changes", "runs": "without any one of runs",
               "effect": "effect", "p": "p", "run": "furthest without run",
               "effect_without": "effect then", "p_without": "p then"}


DRIFT = {"label": "setting", "unit": "unit", "setting": "chosen", "low": "from", "high": "to",
         "limit_low": "bound below by", "limit_high": "bound above by"}


def lead(text: str) -> dict:
    return {"kind": "lead", "text": text}


def listed(items: Iterable[str]) -> list[dict]:
    items = [i for i in items if i]
    return [{"kind": "list", "items": items}] if items else []


def heading(text: str) -> dict:
    return {"kind": "heading", "text": text}


def table(frame: pd.DataFrame, columns=None, **options) -> dict:
    return {"kind": "html", "role": "table", "html": Markup(html_table(frame, columns, **options))}


def shown(made: Table) -> dict:
    return table(made.frame, made.columns, caption=made.caption, marked=made.marked, n=made.n,
                 numbers=made.numbers)


def drawn(figure: go.Figure) -> dict:
    return {"kind": "html", "role": "figure",
            "html": Markup(figure.to_html(full_html=False, include_plotlyjs=False,
                                          config={"displaylogo": False, "responsive": False}))}


def summary(found: Findings) -> list[dict]:
    fits, recipe = found.fits, found.recipe
    parts = []
    if recipe is not None:
        first, *others = choice_sentences(found.recipe, found.study.brief, found.unfitted)
        parts += [lead(first), *listed(others), _recipe_table(recipe)]
    if found.confirmed is not None:
        parts += [heading("What the confirmation runs said"),
                  *listed(_verdict(found.confirmed))]
    parts += [heading("What was found"),
              *listed([*(f.sentence for f in fits.values()), *found.unfitted.values()])]
    return parts if fits else [lead("No response can be fitted yet."),
                               *listed(found.unfitted.values())]


def equipment(found: Findings) -> list[dict]:
    brief = found.study.brief
    parts = []
    for title, frame in equipment_tables(brief).items():
        parts += [heading(title), table(frame)]
    shown = dict(load_lines(brief.mixer, brief.vessel, brief.fill_of({})))
    least, most = brief.fill_range
    varied = "" if least == most else (
        f" The fill is varied from {grams(least)} to {grams(most)}: this is the usual one, and "
        "the run sheet has that of each run with its counterbalance.")
    parts += [heading("Fill"), {"kind": "text", "text":
              f"{shown['fill']} of material in each vessel; {shown['load']} in all. "
              f"Counterbalance: {shown['counterbalance']}.{varied} Accelerations are in multiples "
              "of standard gravity (× g), at the middle of the vessel unless another point is "
              "named."}]
    return parts + listed(brief.warnings)


def aims(found: Findings) -> list[dict]:
    brief = found.study.brief
    parts = [heading("Factors"), table(factor_table(brief))]
    if brief.held:
        parts.append({"kind": "text", "text": "Held in every run: " + join(
            in_words(k, v) for k, v in brief.held.items()) + "."})
    if brief.region.constraints:
        parts += [heading("Constraints"), *listed(
            (f"{capitalise(c.reason)}: " if c.reason else "") + c.words
            for c in brief.region.constraints)]
    parts += [heading("Responses"), table(response_table(brief))]
    return parts + ([{"kind": "text", "text": brief.notes}] if brief.notes else [])


def plan(found: Findings) -> list[dict]:
    made = found.study.plan
    first = found.study.brief.responses[0]
    appraisal = appraise(made, response=first)
    labels = {f.name: f.label for f in made.region.factors}
    parts = [lead(made.sentence), {"kind": "text", "text": appraisal.sentence},
             *listed([*made.remarks, *appraisal.alias_sentences])]
    if first.assumed_sd:
        parts.append(drawn(charts.detectable_effects(appraisal, first)))
    return [*parts, heading("Runs as planned, in run order"),
            table(made.table, {c: labels.get(c, c.replace("_", " ")) for c in made.runs})]


def conduct(found: Findings) -> list[dict]:
    study = found.study
    data, brief = study.table(), study.brief
    deviations = study.deviations()
    parts = [lead(study.progress), heading("Deviations from the plan")]
    parts += listed(deviations["sentence"]) if len(deviations) else [
        {"kind": "text", "text": "None."}]
    if len(data):
        labels = {v.name: v.label for v in (*brief.region.factors, *brief.responses)}
        shown = _with_rotation(data)
        columns = {c: labels.get(c, c.replace("_", " ")) for c in shown.columns
                   if c not in ("standard", "order")}
        parts += [heading("Raw data (settings as achieved where they were recorded)"),
                  table(shown, columns, numbers="exact")]
        parts += [drawn(charts.run_progress(data, r, total=len(study.plan)))
                  for r in brief.responses if data[r.name].notna().any()]
    remarks = study.log()
    remarks = remarks[(remarks["remark"] != "") | (remarks["reason"] != "")]
    if len(remarks):
        parts += [heading("Remarks made at the mixer"),
                  table(_without_blank(remarks[["run", "attempt", "status", "operator", "remark",
                                                "reason"]]))]
    return parts


def _without_blank(frame: pd.DataFrame) -> pd.DataFrame:
    """The table without columns that are empty in every row."""
    return frame[[c for c in frame if (frame[c].astype(str) != "").any()]]


def _with_rotation(data: pd.DataFrame) -> pd.DataFrame:
    """The data with rotation speeds, from which a rounded ratio can be had exactly."""
    out = data.copy()
    for rotation, revolution, ratio in rotations(data.columns):
        out.insert(out.columns.get_loc(ratio) + 1, rotation, data[revolution] * data[ratio])
        out[ratio] = data[ratio].round(4)
    out.attrs["units"] = data.attrs.get("units", {}) | {
        rotation: "rpm" for rotation, *_ in rotations(data.columns)}
    return out


def analysis(found: Findings) -> list[dict]:
    parts = []
    for f in found.fits.values():
        parts += [heading(capitalise(f.response.title)), lead(f.sentence), *listed(further(f))]
        figures = drawings(f)
        if isinstance(f, Fit) and f.lenth is None:
            figures.pop("Half-normal plot", None)
        first, *others = figures.values()
        parts += [drawn(first(f)), shown(effects_table(f)), shown(tests_table(f))]
        if isinstance(f, MixedFit):
            parts.append(table(f.variance_components, COMPONENTS, numbers="each"))
        parts += [drawn(draw(f)) for draw in others]
        parts += _steadiness(f, found.study)
    return parts + listed(found.unfitted.values())


def _steadiness(f: AnyFit, study: Study) -> list[dict]:
    """What single runs, and settings that were not met, do to the conclusions."""
    lean = sensitivity(f)
    parts = [{"kind": "text", "text": lean.sentence}]
    if len(lean.summary) > TOLD:
        parts.append(table(lean.summary, SENSITIVITY, numbers="each",
                           caption="Conclusions that one run changes when left out"))
    data = runs_of(f)
    known = "run" in data and data["run"].isin(study.plan.runs["run"]).all()
    if known and any(r.settings for r in study.done):
        try:
            text = against_plan(f, study.plan).sentence
        except InputError as error:  # settings as planned may be too few for the model
            text = f"The same model cannot be fitted to the settings as planned: {error.problem}."
        parts.append({"kind": "text", "text": text})
    return parts


def open_questions(found: Findings) -> list[dict]:
    if not found.fits:
        return []
    left = unlearned(found.fits, found.study.plan)
    if left.table.empty:
        return listed(left.sentences)
    return [lead("What these runs leave open. An effect within noise is not the same as none."),
            table(left.summary.assign(kind=left.summary["kind"].str.capitalize()))]


def choice(found: Findings) -> list[dict]:
    study, fits, recipe = found.study, found.fits, found.recipe
    if recipe is None:
        return []
    settings = {k: v for k, v in recipe.settings.items() if k in study.plan.region.names}
    first, *others = choice_sentences(found.recipe, found.study.brief, found.unfitted)
    parts = [lead(first), _recipe_table(recipe), *listed(others),
             drawn(charts.leeway(list(fits.values()), settings))]
    numeric = [f.name for f in study.plan.region.numeric]
    if len(numeric) >= 2:
        for f in (f for f in fits.values() if isinstance(f, (Fit, MixedFit))):
            x, y = _strongest(f, numeric)
            fixed = {n: v for n, v in settings.items() if n not in (x, y)}
            parts.append(drawn(charts.contour(f, x, y, fixed)))
    if len(recipe.tolerances) and recipe.meets_all:
        parts += [heading("How far each setting may drift"),
                  table(recipe.tolerances, DRIFT, numbers="each")]
    if len(recipe.alternatives) > 1:
        parts += [heading("Other settings nearly as good"),
                  table(recipe.alternatives, _alternatives(found))]
    if found.confirmed is not None:
        parts += [heading("Confirmation runs"), *listed(found.confirmed.sentences),
                  table(found.confirmed.table, CONFIRMATION, numbers="each")]
    return parts


def safety(found: Findings) -> list[dict]:
    recipe = found.recipe
    return listed(sheet_cautions(found.study) if recipe is None else recipe.cautions)


def making(found: Findings) -> list[dict]:
    study, recipe = found.study, found.recipe
    data = study.table()
    digest = hashlib.sha256(data.to_csv(index=False, float_format="%.12g").encode()).hexdigest()
    versions = package_versions((*PACKAGES, "pyDOE3", "plotly"))
    parts = [table(pd.DataFrame(versions.items(), columns=["software", "version"])),
             *listed([f"Run order drawn with seed {study.plan.seed}.",
                      f"Seed of the search for the best setting: {recipe.seed}." if recipe else "",
                      f"SHA-256 of the raw data as CSV: {digest}.",
                      *_models(found.fits.values())])]
    if len(study.trail):
        shown = study.trail[["when", "who", "what", "before", "after", "reason"]]
        shown = shown.assign(when=shown["when"].str.slice(0, 16).str.replace("T", " "))
        parts += [heading("Trail of changes"), table(shown)]
    return parts


SECTIONS = {
    "Summary": summary,
    "What was asked": aims,
    "Equipment and material": equipment,
    "The plan": plan,
    "The runs": conduct,
    "Analysis": analysis,
    "What could not be learned": open_questions,
    "The choice": choice,
    "Cautions": safety,
    "How this report was made": making,
}


def _recipe_table(recipe: Recipe) -> dict:
    shown = recipe.table.assign(response=[
        f"{a} ({u})" if u else a for a, u in zip(recipe.table["label"], recipe.table["unit"],
                                                 strict=True)])
    return table(shown, {"response": "response", "predicted": "predicted",
                         "mean_low": "mean from", "mean_high": "to", "low": "one new run from",
                         "high": "to", "specification": "specification", "meets": "met"},
                 numbers="each")


def _verdict(confirmed: Confirmation) -> list[str]:
    """The sentences on the whole, without those on each response."""
    return confirmed.sentences[int(confirmed.table["observed"].notna().sum()):]


def _alternatives(found: Findings) -> dict[str, str]:
    labels = {v.name: v.label for v in (*found.study.plan.region.factors,
                                        *found.study.brief.responses)}
    return {c: labels.get(c, c.replace("_", " ")) for c in found.recipe.alternatives}


def _strongest(f: Fit, numeric: list[str]) -> tuple[str, str]:
    """The two numeric factors that move the response most, in the region's order."""
    effects = f.table[f.table["term"].isin(numeric)].set_index("term")["coefficient"].abs()
    first = list(effects.sort_values(ascending=False).index)
    chosen = (first + [n for n in numeric if n not in first])[:2]
    return tuple(sorted(chosen, key=numeric.index))


def _models(fits: Iterable[AnyFit]) -> list[str]:
    """The formula of each model, factors in coded units; one for all responses that share it."""
    shared: dict[str, list[str]] = {}
    for f in fits:
        log = getattr(f, "log_scale", False)
        shared.setdefault(formula(f.terms), []).append(
            f"log({f.response.label})" if log else f.response.label)
    return [f"Model of {join(labels)}, factors in coded units: {terms}."
            for terms, labels in shared.items()]

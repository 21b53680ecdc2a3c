"""The run sheet on paper: A4, to be filled in by hand beside the mixer."""

from __future__ import annotations

from functools import cache
from importlib import resources

import pandas as pd
from jinja2 import Environment, StrictUndefined, Template

from doe.pages import content_policy
from doe.sheets.facts import (
    INVENTED,
    MARK,
    grouping,
    limits_in_words,
    sheet_cautions,
    sheet_facts,
    sheet_mark,
)
from doe.sheets.layout import Column, columns, sheet_table, tidy
from doe.study import Study
from doe.wording import fixed

__all__ = ["sheet_html"]

PAGE = 277.0
"""Width of A4 landscape within its margins, mm."""
LETTER = 1.6
"""Mean width of a letter of a heading, with some to spare, mm."""
POINTS = {"unit": "Unit", "method": "Method", "specification": "Specification",
          "entries": "What to write"}
GREATEST_WORD = 16
"""Letters of a word that is not broken."""


def sheet_html(study: Study, *, cards: bool | None = None) -> str:
    """The run sheet as one self-contained HTML page, laid out for printing on A4 landscape.

    Parameters
    ----------
    study : Study
    cards : bool, optional
        A card for each run in place of one table of all; by default only where the table
        would be too wide.

    Raises
    ------
    InputError
        If the study has no plan yet.
    """
    brief = study.brief
    layout, table = columns(study), sheet_table(study)
    settings = [c for c in layout if c.role == "planned" or _varies(c, table)]
    measured = [c for c in layout if c.role == "measurement"]
    rows = _rows(table, settings, measured)
    blocks, grouped = table["block"].nunique() > 1, "whole_plot" in table
    if cards is None:
        cards = _width(settings, measured, grouped) > PAGE
    responses = [{"label": c.label, "unit": c.unit, "method": tidy(c.response.method),
                  "specification": c.response.specification,
                  "entries": "; ".join(limits_in_words(c.response))} for c in measured]
    facts = sheet_facts(study)
    return _template().render(
        policy=content_policy(), title=tidy(brief.title), purpose=tidy(brief.purpose),
        author=tidy(brief.author), invented=INVENTED if brief.invented else "",
        mark_name=MARK, mark=sheet_mark(study),
        facts={k: v for k, v in facts.items() if k != "Counterbalance"},
        counterbalance=facts["Counterbalance"], progress=study.progress,
        cautions=[c.partition(": ") for c in sheet_cautions(study)],
        responses=responses,
        shown_points=[(k, title) for k, title in POINTS.items()
                      if any(said[k] for said in responses)],
        settings=settings, minor=_minor(settings), measured=measured,
        rows=rows, least={c.key: _longest_word(c) for c in settings if not c.is_number},
        blocks=blocks, groups=grouped, grouping=grouping(study), cards=cards)


@cache
def _template() -> Template:
    text = resources.files("doe.sheets").joinpath("run_sheet.html").read_text("utf-8")
    # One cell of user text that went out unescaped would run in the reader's browser.
    return Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True,
                       lstrip_blocks=True).from_string(text)


def _width(settings: list[Column], measured: list[Column], grouped: bool) -> float:
    """Of the table of runs with room to write, mm."""
    word = {c.key: max(len(w) for w in f"{c.label} {c.unit}".split()) for c in
            (*settings, *measured)}
    fixed = 15 + 11 + 11 + 30 + 36 + 14 * grouped  # run, done, set aside, operator, remark, group
    return (fixed + sum(3 + LETTER * max(word[c.key], _longest_word(c), 4) for c in settings)
            + sum(max(19, 3 + LETTER * word[c.key]) for c in measured))


def _longest_word(c: Column) -> int:
    """Letters of the longest word among a setting's levels; 0 for numbers."""
    words = [len(w) for v in c.choices for w in v.split()]
    return min(max(words, default=0), GREATEST_WORD)


def _varies(c: Column, table: pd.DataFrame) -> bool:
    """Speeds follow each run's settings; masses stand once above the runs if they are equal."""
    return c.role == "derived" and (not c.key.endswith(" mass") or table[c.key].nunique() > 1)


def _minor(settings: list[Column]) -> list[Column]:
    """Settings that follow from others: a ratio where the speed itself is shown."""
    keys = {c.key for c in settings}
    return [c for c in settings if c.key.endswith("relative acceleration")
            or (c.role == "derived" and c.key.endswith("rotation ratio"))
            or c.key.removesuffix("_ratio").replace("_", " ") + " speed" in keys]


def _rows(table: pd.DataFrame, settings: list[Column], measured: list[Column]) -> list[dict]:
    qualifiers = table.attrs["qualifiers"]
    out = []
    for i, row in enumerate(table.to_dict("records")):
        out.append({
            "run": row["run"], "attempt": row["attempt"], "block": row["block"],
            "group": row.get("whole_plot"), "status": row["status"],
            "settings": [_shown(row[c.key], c) for c in settings],
            "measured": [qualifiers.get(c.key, {}).get(i, "") + _shown(row[c.key], c)
                         for c in measured],
            "operator": row["operator"], "time": row["recorded_at"][:16], "remark": row["remark"],
        })
    return out


def _shown(value: object, c: Column) -> str:
    if isinstance(value, str):
        return value
    if value != value:
        return ""
    return f"{value:.12g}" if c.decimals is None else fixed(value, c.decimals)

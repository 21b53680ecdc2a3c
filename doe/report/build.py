"""The development report: one HTML file that opens anywhere, without a network."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime
from importlib import resources
from pathlib import Path

from jinja2 import Environment
from plotly.offline import get_plotlyjs

from doe.analysis import Fit
from doe.conclude import fit_all, recommend
from doe.decision import Confirmation, Recipe
from doe.errors import InputError
from doe.files import check_place, keep_file
from doe.report import sections
from doe.study import Study
from doe.tables import STYLE
from doe.wording import capitalise

__all__ = ["report_html", "write_report"]

_UNIT = re.compile(r"(?<=\d) (?=(?:%|rpm|s|min|h|kPa|°C|g|kg|mm|µm|mL|× g)(?![\w/]))")
TITLE_END = ": development report</title>"
"""What the title of every report ends in, by which one is known."""


def report_html(study: Study, *, fits: Mapping[str, Fit] | None = None,
                recipe: Recipe | None = None, confirmed: Confirmation | None = None,
                made_at: datetime | None = None,
                progress: Callable[[str], None] | None = None) -> str:
    """The report as one HTML text with scripts, styles and figures inside.

    Parameters
    ----------
    study : Study
    fits : mapping of response name to Fit, optional
        As chosen by the analyst; by default the largest model each response supports.
    recipe : Recipe, optional
        As chosen; by default that of `doe.conclude.recommend`.
    confirmed : Confirmation, optional
        What the confirmation runs said.
    made_at : datetime, optional
        Time stamp of the report; now if not given.
    progress : callable, optional
        Told the title of each section before it is made.

    Raises
    ------
    InputError
        If the study has no plan yet.
    """
    if study.plan is None:
        raise InputError("study, plan", None, "there is nothing to report yet",
                         "Make a plan first")
    if fits is None:
        fits = fit_all(study)
    unfitted = dict(getattr(fits, "unfitted", {}))
    if recipe is None and fits:
        try:
            recipe = recommend(study.brief, fits)
        except InputError as error:  # what was measured is to be reported all the same
            unfitted["recipe"] = f"No recipe was chosen. {capitalise(str(error))}"
    made = []
    for title, write in sections.SECTIONS.items():
        if progress is not None:
            progress(title)
        parts = write(sections.Findings(study, fits, recipe, confirmed, unfitted))
        if parts:
            made.append({"title": title, "parts": parts})
    home = resources.files("doe.report")
    environment = Environment(autoescape=True, trim_blocks=True)
    environment.filters["whole"] = _with_units
    template = environment.from_string((home / "report.html").read_text("utf-8"))
    stamp = (made_at or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M %Z").strip()
    return template.render(
        title_end=_trusted(TITLE_END), title=study.brief.title, purpose=study.brief.purpose,
        author=study.brief.author, invented=study.brief.invented, made_at=stamp,
        progress=study.progress, sections=made,
        css=_trusted((home / "report.css").read_text("utf-8")), table_style=_trusted(STYLE),
        plotly_js=_trusted(get_plotlyjs()))


def write_report(study: Study, path: str | Path, *, overwrite: bool = False,
                 **options) -> Path:
    """Write `report_html` to a file; a half-written report never takes an old one's place.

    Parameters
    ----------
    study : Study
    path : str or Path
        Ends in ``.html``. A report that is there already is replaced.
    overwrite : bool
        Replace also a file that is something else, such as a run sheet.
    **options
        As for `report_html`.

    Raises
    ------
    InputError
        If the file is something else, or cannot be written.
    """
    path = Path(path)
    if path.suffix.lower() not in (".html", ".htm"):
        raise InputError("report, file name", path.name, "a report is one HTML file",
                         "End the name in .html")
    check_place(path, what="report", ours=TITLE_END, overwrite=overwrite)
    return keep_file(path, report_html(study, **options), what="report", ours=TITLE_END,
                     overwrite=overwrite)


def _with_units(text: str) -> str:
    """The text with numbers and their units kept on one line."""
    return _UNIT.sub("\u00a0", text)


def _trusted(text: str):
    from markupsafe import Markup

    return Markup(text)

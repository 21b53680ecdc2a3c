"""The development report: one HTML file that opens anywhere, without a network."""

from __future__ import annotations

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
from doe.report import sections
from doe.study import Study
from doe.tables import STYLE

__all__ = ["report_html", "write_report"]


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
    if recipe is None and fits:
        recipe = recommend(study.brief, fits)
    made = []
    for title, write in sections.SECTIONS.items():
        if progress is not None:
            progress(title)
        parts = write(sections.Findings(study, fits, recipe, confirmed))
        if parts:
            made.append({"title": title, "parts": parts})
    home = resources.files("doe.report")
    template = Environment(autoescape=True, trim_blocks=True).from_string(
        (home / "report.html").read_text("utf-8"))
    stamp = (made_at or datetime.now(UTC)).strftime("%Y-%m-%d %H:%M %Z").strip()
    return template.render(
        title=study.brief.title, purpose=study.brief.purpose, author=study.brief.author,
        invented=study.brief.invented, made_at=stamp, progress=study.progress, sections=made,
        css=_trusted((home / "report.css").read_text("utf-8")), table_style=_trusted(STYLE),
        plotly_js=_trusted(get_plotlyjs()))


def write_report(study: Study, path: str | Path, **options) -> Path:
    """Write `report_html` to a file; a half-written report never takes an old one's place."""
    path = Path(path)
    part = path.with_name(path.name + ".part")
    part.write_text(report_html(study, **options), encoding="utf-8")
    part.replace(path)
    return path


def _trusted(text: str):
    from markupsafe import Markup

    return Markup(text)

"""Command line: the whole job without a notebook. ``python -m doe --help`` lists the commands."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer
from rich.console import Console
from rich.progress import Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

import doe
from doe.console import INPUT_REFUSED, Terminal, ended_in_words, speak_everywhere
from doe.errors import InputError
from doe.files import keep_file
from doe.wording import harmless

__all__ = ["INPUT_REFUSED", "app", "main"]

# Many small products: threads of the linear algebra would only wait for each other.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

app = typer.Typer(
    name="cupstudy", no_args_is_help=True, add_completion=False, rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="Designed experiments for planetary centrifugal mixing: plan, run, fit, choose, report. "
         "A study lives in one file; every command reads it or adds to it.")

StudyPath = Annotated[Path, typer.Argument(metavar="STUDY", help="The study file.")]
Out = Annotated[Path | None, typer.Option("--out", "-o", help="Where to write.")]
Seed = Annotated[int | None, typer.Option(help="Random seed (recorded with the study).")]
Author = Annotated[str, typer.Option(help="Author of the change.")]
Reason = Annotated[str, typer.Option(help="Why, if runs are recorded already.")]
Look = Annotated[bool, typer.Option("--look", help="Preview only.")]
out = Terminal(highlight=False, soft_wrap=True)


@app.command()
def demo(folder: Annotated[Path, typer.Option(help="Where the files go.")] = Path("demo_study"),
         seed: Annotated[int, typer.Option(help="Random seed of the simulated noise and the run "
                                           "order.")] = 11) -> None:
    """See a whole study done, from plan to report.

    The scenario is invented and the mixer is simulated.
    """
    from doe.demo import run_demo

    with _progress() as step:
        made = run_demo(folder, seed=seed, progress=step)
    for sentence in made.sentences:
        out.print(f"• {sentence}", markup=False)
    out.print()
    out.print("All of this is an invented example with a simulated mixer.")
    out.print(f"Report: {made.report.resolve()}", markup=False)


@app.command()
def new(study: StudyPath,
        brief: Annotated[Path | None, typer.Option(help="The brief, a TOML file.")] = None,
        template: Annotated[bool, typer.Option("--template", help="Write a brief to fill in "
                                                "to STUDY instead, with remarks.")] = False,
        ) -> None:
    """Start a study from a brief, or write a blank brief."""
    from doe.study import Brief, template_toml

    if template:
        keep_file(study, template_toml(), what="brief", overwrite=False)
        out.print(f"Fill in {study}, then: python -m doe new my.study --brief {study}",
                  markup=False)
        return
    if brief is None:
        raise InputError("--brief", None, "a study starts from a brief",
                         "Give --brief FILE, or --template to have one written")
    from doe.store import open_study

    value = Brief.from_toml(brief)
    with open_study(study, create=value):
        pass
    out.print(f"{study}: {len(value.region)} factors, {len(value.responses)} responses.",
              markup=False)
    for warning in value.warnings:
        out.print(f"• {warning}", markup=False)


@app.command()
def plan(study: StudyPath,
         family: Annotated[str, typer.Option(help="full factorial, fractional factorial, "
                                             "central composite, Box–Behnken, ...")]
         = "fractional factorial",
         runs: Annotated[int | None, typer.Option(help="Runs of a fraction without centre "
                                                   "points, or all of an optimal plan.")] = None,
         axial: Annotated[str | None, typer.Option(help="Axial points of a central composite: "
                                                   "rotatable, face-centred, inscribed, "
                                                   "spherical, orthogonal, orthogonal blocks."
                                                   )] = None,
         centre_points: Annotated[int | None, typer.Option(help="Runs at the centre; 3 where the "
                                                           "family has none of its own.")] = None,
         replicates: Annotated[int | None, typer.Option(help="Times each setting is run.")] = None,
         blocks: Annotated[int | None, typer.Option(help="Days, lots or operators.")] = None,
         groups: Annotated[int | None, typer.Option(help="Of a split-plot: groups of runs that "
                                                    "share what is hard to change.")] = None,
         ratio: Annotated[float | None, typer.Option(help="Of a split-plot or random blocks: "
                                                     "variance between groups over that between "
                                                     "runs.")] = None,
         criterion: Annotated[str | None, typer.Option(help="Of an optimal plan: D, I or A.")]
         = None,
         model: Annotated[str | None, typer.Option(help="Of an optimal plan: linear, "
                                                   "interactions, quadratic.")] = None,
         starts: Annotated[int | None, typer.Option(help="Of an optimal plan: random starts of "
                                                    "the search. Interrupting it keeps the best "
                                                    "so far.")] = None,
         order: Annotated[str, typer.Option(help="Run order, if not the family's own: random, "
                                            "grouped, trend-robust, fewest changes.")] = "",
         seed: Seed = None, author: Author = "", reason: Reason = "", look: Look = False) -> None:
    """Make a plan, say what it can tell, and keep it."""
    from doe.planning import make_plan, options_of, reorder, usual_centre_points
    from doe.store import open_study

    given = {"runs": runs, "axial": axial, "centre_points": centre_points,
             "replicates": replicates, "blocks": blocks, "whole_plots": groups, "ratio": ratio,
             "criterion": criterion, "model": model, "starts": starts, "seed": seed}
    options = {k: v for k, v in given.items() if v is not None}
    with open_study(study, read_only=look) as file:
        brief = file.read().brief
        options = usual_centre_points(family, brief.region) | options
        with _progress() as step:
            if "progress" in options_of(family):
                options["progress"] = lambda done, starts, share: step(
                    f"{done} of {starts} starts; the best has {share:.1%} of the optimum")
            made = make_plan(brief.region, family, mixer=brief.mixer, **options)
        if order:
            made = reorder(made, order, seed=made.seed,
                           change_minutes=brief.bench.change_of(made.region.names) or None)
        if not look:
            file.set_plan(made, author=author, reason=reason)
        _show_plan(made, brief)
        if not look:
            out.print(f"Kept in {study}.", markup=False)


@app.command()
def advise(study: StudyPath,
           aim: Annotated[str, typer.Option(help="screen: which few factors matter; model: how "
                                            "they act together; optimise: the best setting.")]
           = "screen",
           runs: Annotated[int | None, typer.Option(help="The most runs there can be.")] = None,
           effect: Annotated[float | None, typer.Option(help="The smallest change of the first "
                                                        "response, low to high, that must not be "
                                                        "missed; on a log scale a ratio.")]
           = None) -> None:
    """List plans that suit the aim and the budget, the best first, with reasons."""
    from doe.planning import advise as advice
    from doe.store import open_study

    with open_study(study, read_only=True) as file:
        brief = file.read().brief
    first = brief.responses[0]
    found = advice(brief.region, runs=runs, aim=aim, mixer=brief.mixer, smallest_effect=effect,
                   response=first)
    for sentence in found.sentences:
        out.print(f"• {sentence}", markup=False)
    for number, row in enumerate(found.table.itertuples(), 1):
        out.print(f"\n{number}. {row.plan}, {row.runs} runs: {row.score:.2f} of 1", style="bold",
                  markup=False)
        if row.reason not in found.sentence:  # the first plan's is told there
            out.print(f"   {row.reason}", markup=False)


@app.command()
def augment(study: StudyPath,
            runs: Annotated[int | None, typer.Option(help="Runs to add; as many as the model "
                                                     "needs if not given.")] = None,
            model: Annotated[str, typer.Option(help="What all runs together shall estimate: "
                                               "linear, interactions, quadratic.")] = "quadratic",
            axial: Annotated[str | None, typer.Option(help="Add the axial runs of a central "
                                                      "composite instead: face-centred, "
                                                      "rotatable, ...")] = None,
            separate: Annotated[str | None, typer.Option(
                help="Add the fewest runs that tell these terms from all others instead, e.g. "
                     "'revolution:time'.")] = None,
            seed: Seed = None, author: Author = "", reason: Reason = "",
            look: Look = False) -> None:
    """Add runs to the plan, given what the runs so far achieved."""
    from doe.planning import add_axial, resolve
    from doe.planning import augment as add_runs
    from doe.store import open_study

    with open_study(study, read_only=look) as file:
        value = file.read()
        if value.plan is None:
            raise InputError("study", str(study), "it has no plan to add runs to",
                             f"Make one: python -m doe plan {study}")
        records = value.table() if value.records else None
        options = {"records": records, "mixer": value.brief.mixer, "seed": seed}
        if sum(v is not None for v in (runs, axial, separate)) > 1:
            raise InputError("--runs, --axial, --separate", (runs, axial, separate),
                             "each decides which runs are added", "Give one of them")
        made = (add_axial(value.plan, axial=axial, **options) if axial is not None else
                resolve(value.plan, separate, **options) if separate is not None else
                add_runs(value.plan, runs=runs, model=model, **options))
        if not look:
            file.set_plan(made, author=author, reason=reason)
        _show_plan(made, value.brief)
        if not look:
            out.print(f"Kept in {study}.", markup=False)


def _show_plan(made, brief) -> None:
    """What a plan can and cannot tell, what it takes, and its runs."""
    from doe.planning import appraise, effort
    from doe.tables import Table
    from doe.wording import capitalise

    out.print(made.sentence, markup=False)
    for remark in made.remarks:
        out.print(f"• {remark}", markup=False)
    said: set[str] = set()
    for response in brief.responses:
        appraisal = appraise(made, response=response)
        for sentence in () if said else appraisal.alias_sentences:
            out.print(f"• {sentence}", markup=False)
        new = [sentence for sentence in appraisal.sentences if sentence not in said]
        if new:
            out.print(f"• {capitalise(response.label)}: {' '.join(new)}", markup=False)
        said.update(new)
    out.print(f"• {effort(made, brief).sentence}", markup=False)
    out.print(repr(Table(made.table)), markup=False)


@app.command()
def sheet(study: StudyPath, file: Annotated[Path, typer.Option(
        "--out", "-o", help="The run sheet: .csv, .xlsx or .html decides the kind.")],
        overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file that may have "
                                                "been filled in.")] = False) -> None:
    """Write the run sheet: CSV, XLSX or printable HTML."""
    from doe.sheets import write_sheet
    from doe.store import open_study

    with open_study(study, read_only=True) as opened:
        write_sheet(opened.read(), file, overwrite=overwrite)
    out.print(f"Run sheet: {file.resolve()}", markup=False)


@app.command("import")
def import_(study: StudyPath,
            file: Annotated[Path, typer.Argument(metavar="SHEET", help="A filled run sheet, .csv "
                                                 "or .xlsx.")],
            correct: Annotated[bool, typer.Option("--correct", help="Let values in the sheet "
                                                  "replace recorded ones.")] = False,
            reason: Annotated[str, typer.Option(help="Why recorded values change.")] = "",
            author: Author = "",
            decimal: Annotated[str | None, typer.Option(help="Decimal mark of a CSV, '.' or ',', "
                                                        "where the file leaves it open.")] = None,
            ) -> None:
    """Read a filled run sheet: all of it, or nothing."""
    from doe.sheets import import_sheet
    from doe.store import open_study

    with open_study(study) as opened:
        done = import_sheet(file, opened, correct=correct, reason=reason, author=author,
                            decimal=decimal)
        out.print(done.sentence, markup=False)
        for warning in done.warnings:
            out.print(f"• {warning}", markup=False)
        out.print(opened.read().progress, markup=False)


@app.command()
def status(study: StudyPath) -> None:
    """Say how far a study is, and what did not go as planned."""
    from doe.store import open_study

    with open_study(study, read_only=True) as opened:
        value = opened.read()
    out.print(value.brief.title, markup=False)
    out.print(value.progress, markup=False)
    for sentence in value.deviations()["sentence"]:
        out.print(f"• {sentence}", markup=False)


@app.command()
def rescue(study: StudyPath, file: Annotated[Path, typer.Option(
        "--out", "-o", help="The new study, or a .csv for the readings alone.")]) -> None:
    """Save what can be read of a damaged study to a new one; the old one stays as it is."""
    from doe.store_rescue import rescue as save

    done = save(study, file)
    out.print(done.sentence, markup=False)
    for line in done.lost:
        out.print(f"• {line}", markup=False)


@app.command()
def analyse(study: StudyPath,
            response: Annotated[str, typer.Option(help="One response; all if not given.")] = "",
            terms: Annotated[str | None, typer.Option(
                help="Terms as a formula, e.g. '(a + b)**2 + I(a**2)', or mean, linear, "
                     "interactions, quadratic.")] = None) -> None:
    """Fit the responses and say what matters."""
    from doe.conclude import fit_all, fit_response
    from doe.evidence import effects_table, further, tests_table
    from doe.wording import capitalise

    value = _read_with_plan(study)
    if response:
        value.brief.response(response)
    fits = fit_all(value)
    wanted = [response] if response and terms is not None else [
        name for name in fits if response in ("", name)]
    if not wanted and not fits:
        raise InputError("study", str(study), "no response can be fitted yet"
                         + "".join(f"; {s.rstrip('.')}" for s in fits.unfitted.values()),
                         "Record more runs first")
    for name in wanted:
        f = fits[name] if terms is None else fit_response(value, value.brief.response(name), terms)
        out.print(f"\n{capitalise(f.response.title)}", style="bold", markup=False)
        out.print(f.sentence, markup=False)
        for sentence in further(f):
            out.print(f"• {sentence}", markup=False)
        out.print(repr(effects_table(f)), markup=False)
        out.print(repr(tests_table(f)), markup=False)
    for name, sentence in fits.unfitted.items():
        if response in ("", name) and name not in wanted:
            out.print(f"\n{sentence}", markup=False)


@app.command()
def choose(study: StudyPath) -> None:
    """Find the shortest cycle that serves all responses."""
    from doe.conclude import fit_all, recommend
    from doe.evidence import choice_sentences
    from doe.tables import Table

    value = _read_with_plan(study)
    fits = fit_all(value)
    if not fits:
        raise InputError("study", str(study), "no response can be fitted yet"
                         + "".join(f"; {s.rstrip('.')}" for s in fits.unfitted.values()),
                         "Record more runs first")
    recipe = recommend(value.brief, fits)
    for sentence in choice_sentences(recipe, value.brief, fits.unfitted):
        out.print(f"• {sentence}", markup=False)
    out.print(repr(Table(recipe.table, ["label", "unit", "predicted", "low", "high",
                                        "specification", "meets"], numbers="each")), markup=False)
    for sentence in fits.unfitted.values():
        out.print(f"• {sentence}", markup=False)
    out.print("\nCautions", style="bold")
    for line in recipe.cautions:
        out.print(f"• {line}", markup=False)


@app.command()
def report(study: StudyPath, file: Out = None,
           overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file that is no "
                                                   "report.")] = False) -> None:
    """Write the development report: one HTML file."""
    from doe.report import write_report

    value = _read_with_plan(study)
    target = file or study.with_suffix(".html")
    with _progress() as step:
        write_report(value, target, overwrite=overwrite, progress=step)
    out.print(f"Report: {target.resolve()}", markup=False)


@app.command()
def export(notebook: Annotated[Path, typer.Argument(metavar="NOTEBOOK", help="A notebook that was "
                                                    "run and saved.")], file: Out = None,
           overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace a file that is no "
                                                   "exported notebook.")] = False) -> None:
    """Write a notebook as HTML that needs no kernel."""
    from doe.report import export_notebook

    target = export_notebook(notebook, file, overwrite=overwrite)
    out.print(f"Notebook: {target.resolve()}", markup=False)


@app.callback(invoke_without_command=True)
def _top(version: Annotated[bool, typer.Option("--version", help="Show the version.")] = False
         ) -> None:
    if version:
        out.print(f"cupstudy {doe.__version__}", markup=False)
        raise typer.Exit


def _read_with_plan(study: Path):
    from doe.store import open_study

    with open_study(study, read_only=True) as opened:
        value = opened.read()
    if value.plan is None:
        raise InputError("study", str(study), "it has no plan yet",
                         f"Make one: python -m doe plan {study}")
    return value


@contextmanager
def _progress() -> Iterator[Callable[[str], None]]:
    """A line on the terminal that says what is being done; silent where there is none."""
    with Progress(SpinnerColumn(), TextColumn("{task.description}", markup=False),
                  TimeElapsedColumn(),
                  console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("Starting")
        yield lambda text: bar.update(task, description=harmless(text))


def main() -> None:
    """Run the command line; bad input ends it with one message and exit code 2."""
    speak_everywhere()
    with ended_in_words():
        app()


if __name__ == "__main__":
    main()

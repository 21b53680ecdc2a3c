"""A notebook as one HTML file: what it showed stays, what needs a kernel or a script goes."""

from __future__ import annotations

import json
import re
import warnings
from base64 import b64encode
from collections.abc import Callable
from importlib import resources
from pathlib import Path
from urllib.parse import unquote

import nbformat
from jinja2 import Environment
from markupsafe import Markup

from doe.errors import InputError
from doe.files import check_place, file_there, keep_file
from doe.pages import content_policy
from doe.report.sanitise import plain_styles, sanitise, shows_something

__all__ = ["export_notebook", "without_live_views"]

LIVE = ("application/vnd.jupyter.widget-view+json", "application/vnd.plotly.v1+json")
STILL = ("text/html", "text/markdown", "image/svg+xml", "image/png", "image/jpeg", "text/latex",
         "text/plain")
PICTURES = {".png": "image/png", ".jpg": "image/jpeg", ".jpeg": "image/jpeg", ".gif": "image/gif",
            ".webp": "image/webp", ".svg": "image/svg+xml"}
WHAT = "notebook as HTML"
MARK = '<meta name="generator" content="cupstudy: notebook as HTML">'
"""What stands in the head of every exported notebook, by which one is known."""
_BROKEN = (ValueError, KeyError, IndexError, AttributeError, TypeError, RecursionError,
           nbformat.ValidationError)


def without_live_views(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """The notebook with pictures, tables and texts in place of views that need a kernel.

    An output that has nothing else to show is left as it is.
    """
    book = nbformat.from_dict(book)
    book.metadata.pop("widgets", None)
    for cell in book.cells:
        for output in cell.get("outputs", []):
            data = output.get("data", {})
            if set(data) - {*LIVE, "text/plain"}:
                for kind in LIVE:
                    data.pop(kind, None)
    return book


def export_notebook(path: str | Path, target: str | Path | None = None, *,
                    overwrite: bool = False) -> Path:
    """Write a notebook, with the outputs it has, as HTML that needs no kernel and no network.

    Scripts, embedded pages and whatever lies elsewhere are left out, whoever wrote the notebook;
    pictures that lie beside it are put in. Formulas stay as they were written, in TeX.

    Parameters
    ----------
    path : str or Path
        A notebook that was run and saved.
    target : str or Path, optional
        By default beside the notebook, ending in ``.html``. An exported notebook that is there
        already is replaced.
    overwrite : bool
        Replace also a file that is something else, such as a report.

    Raises
    ------
    InputError
        If there is no such file, it is no notebook, it was never run, or `target` is something
        else, cannot be written or does not end in ``.html``.
    """
    path = Path(path)
    file_there("notebook", path)
    target = Path(target) if target is not None else path.with_suffix(".html")
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError(f"{WHAT}, file name", target.name, "it is written as HTML",
                         "End the name in .html")
    check_place(target, what=WHAT, ours=MARK, overwrite=overwrite)
    book = _read(path)
    if not any(cell.get("outputs") for cell in book.cells):
        raise InputError("notebook", str(path), "it shows nothing, since it was not run",
                         "Run all its cells and save it first")
    return keep_file(target, _page(book, path), what=WHAT, ours=MARK, overwrite=overwrite)


def _read(path: Path) -> nbformat.NotebookNode:
    """The notebook of a file in any format since 3, as one of format 4 that holds its rules."""
    remedy = "Give the path of a saved notebook, ending in .ipynb"
    try:
        text = path.read_bytes().decode("utf-8-sig")
    except UnicodeDecodeError:
        raise InputError("notebook", str(path), "this is no text, and so no notebook",
                         remedy) from None
    except (OSError, ValueError) as error:
        said = "this is a folder" if path.is_dir() else getattr(error, "strerror", None)
        raise InputError("notebook", str(path), f"it cannot be read ({said or 'no path'})",
                         remedy) from None
    try:
        raw = json.loads(text)
    except (ValueError, RecursionError):
        raise InputError("notebook", str(path), "it cannot be read, since it is not JSON",
                         remedy) from None
    if not isinstance(raw, dict) or not isinstance(raw.get("nbformat"), int):
        raise InputError("notebook", str(path), "this is JSON, but no notebook", remedy)
    if raw["nbformat"] not in (3, 4):
        raise InputError("notebook", str(path), f"notebooks of format {raw['nbformat']} are not "
                         "known", "Open it in Jupyter and save it again, in format 4")
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of cells without a name, which early ones are
            nbformat.validate(raw)
            book = nbformat.reads(text, as_version=4)
            nbformat.validate(book)
    except _BROKEN as error:
        raise InputError("notebook", str(path), f"it breaks the rules of notebooks "
                         f"({_reason(error)})", "Open it in Jupyter and save it again") from None
    return book


def _reason(error: Exception) -> str:
    """What a check had to say, on one short line."""
    said = getattr(error, "message", None) or str(error) or type(error).__name__
    said = " ".join(said.splitlines()[0].split())
    return said if len(said) <= 120 else said[:119] + "…"


def _page(book: nbformat.NotebookNode, path: Path) -> str:
    from nbconvert import HTMLExporter

    title = book.metadata.get("title")
    title = title if isinstance(title, str) and title.strip() else path.stem
    still = _still(book)
    # Of the name of a language only what could be one: it picks a class out of a library.
    language = still.metadata.get("language_info", {}).get("name")
    known = isinstance(language, str) and re.fullmatch(r"[\w+#-]{1,30}", language)
    still.metadata = nbformat.from_dict({"language_info": {"name": language if known else "text"}})
    try:
        html, _ = HTMLExporter(template_name="lab").from_notebook_node(
            still, resources={"metadata": {"name": "notebook"}})
    except _BROKEN as error:
        raise InputError("notebook", str(path), f"it cannot be shown as HTML ({_reason(error)})",
                         "Run all its cells and save it again") from None
    head, _, body = html.partition("</head>")
    body = body.partition("<main>")[2].rpartition("</main>")[0]
    shown = [o for cell in still.cells for o in cell.get("outputs", [])]
    own = plain_styles("\n".join(o.get("data", {}).get("text/html", "") for o in shown))
    template = Environment(autoescape=True, trim_blocks=True).from_string(
        (resources.files("doe.report") / "notebook.html").read_text("utf-8"))
    return template.render(
        title=title, mark=Markup(MARK), policy=content_policy(),
        styles=[Markup(s) for s in (*re.findall(r"<style[^>]*>(.*?)</style>", head, re.DOTALL),
                                    *own)],
        body=Markup(sanitise(body, _beside(path.parent))))


def _still(book: nbformat.NotebookNode) -> nbformat.NotebookNode:
    """The notebook with no more of each output than can be shown without scripts."""
    book = without_live_views(book)
    for cell in book.cells:
        for output in cell.get("outputs", []):
            data = output.get("data")
            if data is None:
                continue
            left = sorted(set(data) - {*STILL})
            empty = not shows_something(sanitise(data.get("text/html", "")))
            output["data"] = nbformat.from_dict(
                {k: v for k, v in data.items() if k in STILL
                 and not (k == "text/html" and empty and len(data) > 1)}
                or {"text/plain": f"Not shown here: {', '.join(left)}."})
            output["metadata"] = {}  # may name files to show in place of what is in the notebook
    return book


def _beside(folder: Path) -> Callable[[str], str | None]:
    """Finds pictures in a folder and those below it, as data URLs."""
    def picture(source: str) -> str | None:
        kind = PICTURES.get(Path(source).suffix.lower())
        try:
            file = (folder / unquote(source)).resolve()
            if kind is None or not file.is_relative_to(folder.resolve()):
                return None
            return f"data:{kind};base64,{b64encode(file.read_bytes()).decode()}"
        except (OSError, ValueError, RuntimeError):
            return None
    return picture

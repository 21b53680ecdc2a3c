"""A notebook as one HTML file: what it showed stays, what needs a kernel goes."""

from __future__ import annotations

import re
from pathlib import Path

import nbformat

from doe.errors import InputError
from doe.files import keep_file

__all__ = ["export_notebook", "without_live_views"]

LIVE = ("application/vnd.jupyter.widget-view+json", "application/vnd.plotly.v1+json")


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


def export_notebook(path: str | Path, target: str | Path | None = None) -> Path:
    """Write a notebook, with the outputs it has, as HTML that needs no kernel.

    Parameters
    ----------
    path : str or Path
        A notebook that was run and saved.
    target : str or Path, optional
        By default beside the notebook, ending in ``.html``.

    Raises
    ------
    InputError
        If there is no such file, it is no notebook, it was never run, or `target` cannot be
        written or does not end in ``.html``.
    """
    from nbconvert import HTMLExporter

    path = Path(path)
    try:
        book = nbformat.read(path, as_version=4)
    except (OSError, nbformat.reader.NotJSONError, nbformat.ValidationError) as error:
        raise InputError("notebook", str(path), f"it cannot be read ({type(error).__name__})",
                         "Give the path of a saved notebook, ending in .ipynb") from None
    if not any(cell.get("outputs") for cell in book.cells):
        raise InputError("notebook", str(path), "it shows nothing, since it was not run",
                         "Run all its cells and save it first")
    html, _ = HTMLExporter(template_name="lab").from_notebook_node(
        without_live_views(book), resources={"metadata": {"name": path.stem}})
    # The page's scripts only serve formulas and live views, and some would want a network.
    html = re.sub(r"<script\b.*?</script>", "", html, flags=re.DOTALL | re.IGNORECASE)
    target = Path(target) if target is not None else path.with_suffix(".html")
    if target.suffix.lower() not in (".html", ".htm"):
        raise InputError("notebook as HTML, file name", target.name, "it is written as HTML",
                         "End the name in .html")
    return keep_file(target, html, what="notebook as HTML")

"""Run the notebooks and keep what they show: ``python notebooks/refresh.py``.

Live views are left out of the kept outputs, since they mean nothing without their kernel;
the pictures and tables beside them stay, so that the notebooks can be read anywhere.
"""

from __future__ import annotations

import shutil
import tempfile
from pathlib import Path

import nbformat
from nbclient import NotebookClient

from doe.report import without_live_views

HOME = Path(__file__).parent


def refresh(path: Path, folder: Path) -> None:
    """Run one notebook in `folder` and write its outputs back to `path`."""
    book = nbformat.read(path, as_version=4)
    NotebookClient(book, timeout=300, kernel_name="python3", store_widget_state=False,
                   resources={"metadata": {"path": str(folder)}}).execute()
    for cell in book.cells:
        cell.metadata.pop("execution", None)
    nbformat.write(without_live_views(book), path)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as place:
        for notebook in sorted(HOME.glob("*.ipynb")):
            shutil.copy(notebook, place)
            refresh(notebook, Path(place))
            print(notebook.name)

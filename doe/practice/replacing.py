"""Files of a demo: made aside, and put in the place of none but an earlier demo's own."""

from __future__ import annotations

import csv
import io
import os
import shutil
import tempfile
import zipfile
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from doe.errors import InputError
from doe.practice.scenario import demo_brief

__all__ = ["MAKER", "OPERATOR", "made_aside", "titled", "untouched"]

OPERATOR = "operator A (invented)"
MAKER = "simulated mixer (doe.practice)"
"""Author of the first entry of every study file made for practice."""
_REMEDY = "Name another folder, or move that file away"
_BESIDE = ("-wal", "-shm", "-journal", "-writer")
_HEAD = 65_536


@contextmanager
def made_aside(folder: str | Path, names: Mapping[str, Callable[[Path], bool]]) -> Iterator[Path]:
    """A folder of its own to make files in; once all are made they go where they belong.

    Parameters
    ----------
    folder : str or Path
        Where the files belong; made if it is not there.
    names : mapping of str to callable
        The files, each with what tells of one that is there already whether it is an earlier
        one of the same kind and may be replaced.

    Raises
    ------
    InputError
        Before anything is written, if the folder cannot be used or a file of one of the names
        is someone else's; after that, if the disk refuses. No file is left half made.
    """
    folder = Path(folder)
    try:
        for name, is_own in names.items():
            _check(folder / name, is_own)
        folder.mkdir(parents=True, exist_ok=True)
        aside = Path(tempfile.mkdtemp(prefix=".unfinished-", dir=folder))
    except (OSError, ValueError) as error:
        raise _unusable(folder, error) from None
    try:
        yield aside
        for name, is_own in names.items():
            _check(folder / name, is_own)  # once more: somebody may have entered something
        for name in names:
            (aside / name).replace(folder / name)
    except OSError as error:
        raise _unusable(folder, error) from None
    finally:
        shutil.rmtree(aside, ignore_errors=True)


def untouched(title: str) -> Callable[[Path], bool]:
    """Whether a study file has this title and holds nothing but what the practice entered."""
    from doe.store import open_study

    def is_own(path: Path) -> bool:
        try:
            with open_study(path, read_only=True) as file:
                study = file.read()
        except InputError:
            return False
        first = study.trail.iloc[0]
        entered = study.trail.loc[study.trail["kind"] != "plan", "who"]  # by whoever was logged in
        return (study.brief.title == title and study.brief.invented and first["kind"] == "brief"
                and set(entered) <= {MAKER, demo_brief().author, OPERATOR})

    return is_own


def titled(title: str) -> Callable[[Path], bool]:
    """Whether a report or run sheet was made of the study of this title."""

    def is_own(path: Path) -> bool:
        if path.suffix == ".xlsx":
            return title in _workbook_text(path)
        with path.open("rb") as file:
            head = file.read(_HEAD).decode("utf-8", "replace")
        if path.suffix == ".csv":
            first = next(csv.reader(io.StringIO(head.removeprefix("\ufeff"))), [""])
            return bool(first) and first[0].startswith("# ") and first[0].endswith(title)
        made_of = head.partition("<title>")[2].partition("</title>")[0]
        return title in made_of and "invented" in head.lower()

    return is_own


def _workbook_text(path: Path) -> str:
    try:
        with zipfile.ZipFile(path) as parts:
            return "".join(parts.open(p).read(_HEAD).decode("utf-8", "replace")
                           for p in parts.namelist() if p.endswith(".xml"))
    except (zipfile.BadZipFile, NotImplementedError, RuntimeError):  # the last two: encrypted
        return ""


def _check(path: Path, is_own: Callable[[Path], bool]) -> None:
    if path.is_dir():
        raise InputError("folder", str(path.parent), f"{path.name} in it is a folder", _REMEDY)
    if os.path.lexists(path) and not (path.is_file() and is_own(path)):
        raise InputError("folder", str(path.parent), f"{path.name} in it was not made by this "
                         "demo, or was changed since, and is left alone", _REMEDY)
    for name in (path.name + end for end in _BESIDE):
        if os.path.lexists(path.with_name(name)) and not _closed(path, name):
            raise InputError("folder", str(path.parent), f"{name} in it belongs to a study that "
                             "is open or was not closed", "Close that study, or name another "
                             "folder")


def _closed(path: Path, beside: str) -> bool:
    """Whether the log of a study goes once the study is opened and closed."""
    from doe.store import open_study

    if not path.exists():
        return False
    try:
        with open_study(path):
            pass
    except InputError:
        return False
    return not path.with_name(beside).exists()


def _unusable(folder: Path, error: Exception) -> InputError:
    reason = getattr(error, "strerror", None) or str(error)
    return InputError("folder", str(folder), f"nothing can be made in it ({reason})",
                      "Name one where you may write and where there is room")

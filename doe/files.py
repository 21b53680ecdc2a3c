"""Files that people exchange: written whole or not at all, and none lost to another."""

from __future__ import annotations

import os
from pathlib import Path

from doe.errors import InputError

__all__ = ["keep_file"]


def keep_file(path: str | Path, data: bytes | str, *, what: str, overwrite: bool = True,
              why: str = "") -> Path:
    """Write a file; until it is complete, one that is there already stays as it was.

    Parameters
    ----------
    path : str or Path
    data : bytes or str
        Text is written in UTF-8.
    what : str
        What the file is, for the message.
    overwrite : bool
        Whether it may take the place of one that is there already.
    why : str
        Why one that is there matters, for the message.

    Raises
    ------
    InputError
        If there is a file that must stay, or it cannot be written.
    """
    path = Path(path)
    if path.is_dir():
        raise InputError(what, str(path), "this is a folder", "Name a file in it")
    if path.exists() and not overwrite:
        raise InputError(what, str(path), "there is a file of this name already" + why,
                         "Choose another name, or allow overwriting")
    new = path.with_name(f".{path.name}.{os.getpid()}")
    try:
        new.write_bytes(data if isinstance(data, bytes) else data.encode("utf-8"))
        new.replace(path)
    except OSError as error:
        new.unlink(missing_ok=True)
        raise InputError(what, str(path), f"it cannot be written ({error.strerror})",
                         "Check that the folder exists, that you may write there and that there "
                         "is room; close the file elsewhere") from None
    return path

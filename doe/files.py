"""Files that people exchange: written whole or not at all, and none lost to another."""

from __future__ import annotations

import os
from pathlib import Path

from doe.errors import InputError

__all__ = ["check_place", "file_there", "keep_file"]

_NEAR_START = 65536  # bytes


def file_there(what: str, path: str | Path) -> bool:
    """Whether there is a file of this path.

    Raises
    ------
    InputError
        If there is something else, such as a folder or a device, or the path cannot be one.
    """
    path = Path(path)
    try:
        if "\0" in str(path):
            raise ValueError("this is no path")
        folder, there, file = path.is_dir(), path.exists(), path.is_file()
    except (OSError, ValueError) as error:
        raise InputError(what, str(path), "it cannot be looked at "
                         f"({getattr(error, 'strerror', None) or error})",
                         "Check the name, and that you may use its folder") from None
    if folder:
        raise InputError(what, str(path), "this is a folder", "Name a file in it")
    if there and not file:
        raise InputError(what, str(path), "this is a device or a pipe, and no file",
                         "Name a file")
    return there


def check_place(path: str | Path, *, what: str, overwrite: bool = True, why: str = "",
                ours: str = "") -> Path:
    """The path, if a file may be written there; asked before work that takes long.

    Parameters
    ----------
    path, what, overwrite, why, ours
        As for `keep_file`.

    Raises
    ------
    InputError
        If it is no file, or there is a file that must stay.
    """
    path = Path(path)
    if not file_there(what, path) or overwrite or _is_one(path, what, ours):
        return path
    raise InputError(what, str(path),
                     f"the file that is there is no {what}" if ours else
                     "there is a file of this name already" + why,
                     "Choose another name, or allow overwriting")


def keep_file(path: str | Path, data: bytes | str, *, what: str, overwrite: bool = True,
              why: str = "", ours: str = "") -> Path:
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
    ours : str
        What stands near the start of files of this kind: one that has it may be replaced always.

    Raises
    ------
    InputError
        If there is a file that must stay, or it cannot be written.
    """
    path = check_place(path, what=what, overwrite=overwrite, why=why, ours=ours)
    # Half of a character beyond 16 bits has no place in UTF-8.
    data = data if isinstance(data, bytes) else data.encode("utf-8", "replace")
    new = path.with_name(f".{os.getpid()}.new")  # short: the name itself may be as long as can be
    try:
        try:
            new.write_bytes(data)
            new.replace(path)
        except BaseException:
            new.unlink(missing_ok=True)
            raise
    except (OSError, ValueError) as error:
        raise _unwritable(path, what, error) from None
    return path


def _is_one(path: Path, what: str, ours: str) -> bool:
    if not ours:
        return False
    try:
        with path.open("rb") as file:
            return ours.encode() in file.read(_NEAR_START)
    except OSError as error:
        raise _unwritable(path, what, error) from None


def _unwritable(path: Path, what: str, error: Exception) -> InputError:
    return InputError(what, str(path), "it cannot be written "
                      f"({getattr(error, 'strerror', None) or 'this is no path'})",
                      "Check that the folder exists, that you may write there and that there "
                      "is room; close the file elsewhere")

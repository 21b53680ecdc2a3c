"""Folders in which nothing may be written, and programs that are killed."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

NOBODY = 65534


@contextmanager
def common_folder() -> Iterator[Path]:
    """A folder that everybody may look into, as those of the test runner are not."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        folder.chmod(0o755)
        shutil.rmtree(folder)


@contextmanager
def nothing_writable(folder: Path) -> Iterator[None]:
    """Neither the folder nor a file in it; root may write anything, so as somebody else."""
    for file in folder.iterdir():
        file.chmod(0o444)
    folder.chmod(0o555)
    root = os.geteuid() == 0
    if root:
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if root:
            os.seteuid(0)
        folder.chmod(0o755)
        for file in folder.iterdir():
            file.chmod(0o644)


def start(code: str, *arguments: object, **environment: str) -> subprocess.Popen:
    """Another program; it can be talked to."""
    return subprocess.Popen(
        [sys.executable, "-c", code, *map(str, arguments)], text=True, stdin=subprocess.PIPE,
        stdout=subprocess.PIPE, cwd=Path(__file__).parents[1], env={**os.environ, **environment})

"""Files are written whole or not at all."""

from __future__ import annotations

import os
import signal
import subprocess
import sys

import pytest

from doe.errors import InputError
from doe.files import keep_file


def test_a_file_is_kept_as_text_or_bytes(tmp_path):
    assert keep_file(tmp_path / "a", "µm", what="note").read_bytes() == "µm".encode()
    assert keep_file(tmp_path / "a", b"new", what="note").read_bytes() == b"new"


def test_one_that_is_there_stays_if_it_must(tmp_path):
    keep_file(tmp_path / "a", "old", what="note")
    with pytest.raises(InputError, match="already, and it matters"):
        keep_file(tmp_path / "a", "new", what="note", overwrite=False, why=", and it matters")
    assert (tmp_path / "a").read_text() == "old"


@pytest.mark.parametrize("place", ["", "nowhere/a"])
def test_where_nothing_can_be_written_is_said(tmp_path, place):
    with pytest.raises(InputError, match="folder"):
        keep_file(tmp_path / place, "x", what="note")
    assert list(tmp_path.iterdir()) == []


def test_a_disk_without_room_leaves_the_old_file_and_no_scraps(tmp_path):
    """A limit on the size of files stands for the end of the disk."""
    (tmp_path / "a").write_text("old")

    resource = pytest.importorskip("resource")

    def little_room():
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (4096, 4096))

    done = subprocess.run(
        [sys.executable, "-B", "-c", "from doe.files import keep_file\n"
         "from doe.errors import InputError\n"
         "try: keep_file('a', 'x' * 100_000, what='note')\n"
         "except InputError as error: print(error)"],
        cwd=tmp_path, preexec_fn=little_room, text=True, capture_output=True, check=True)
    assert "cannot be written" in done.stdout
    assert [(p.name, p.read_text()) for p in tmp_path.iterdir()] == [("a", "old")]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes as here")
def test_what_is_no_file_stays(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    for place in ("pipe", "n" * 300, "a\0b"):
        with pytest.raises(InputError):
            keep_file(tmp_path / place, "x", what="note")
    assert (tmp_path / "pipe").is_fifo()

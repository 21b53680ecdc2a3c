"""What is printed can be read on every terminal; what cannot go on ends in a sentence."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time

import pytest

from doe.console import INPUT_REFUSED, INTERRUPTED, ended_in_words
from doe.errors import InputError
from doe.practice import open_practice


@pytest.fixture(scope="module")
def performed(tmp_path_factory):
    """A study all of whose runs are recorded."""
    study = tmp_path_factory.mktemp("console") / "a.study"
    with open_practice(study, "run"):
        return study


def started(*words, encoding="utf-8", **options):
    if os.name != "nt":  # a suite run in the background has SIGINT ignored, and so its children
        options["preexec_fn"] = lambda: signal.signal(signal.SIGINT, signal.SIG_DFL)
    return subprocess.Popen([sys.executable, "-m", "doe", *map(str, words)],
                            env={**os.environ, "PYTHONIOENCODING": encoding},
                            stderr=subprocess.PIPE, **options)


@pytest.mark.parametrize("words", [["plan", "--look", "--seed", "1"], ["advise", "--runs", "12"],
                                   ["analyse"]], ids=lambda words: words[0])
def test_a_terminal_that_lacks_characters(performed, words):
    """Code page 1252 has µ, ² and – but neither ≤ nor a true minus."""
    run = started(words[0], performed, *words[1:], encoding="cp1252", stdout=subprocess.PIPE)
    out, err = run.communicate(timeout=120)
    assert run.returncode == 0, err
    assert "?" not in out.decode("cp1252")


@pytest.mark.parametrize(("encoding", "text", "shown"), [
    ("cp1252", "x ≤ 40 µm² → 3 × 10⁻² • – −1", "x <= 40 µm² -> 3 × 10^-² • – -1"),
    ("cp437", "x ≤ 40 µm² → – ×", "x ≤ 40 µm² -> - x"),
    ("ascii", "café 23 °C ± 1 µm … 日本", "cafe 23  deg C +- 1 um ... ??"),
    ("utf-8", "a \ud800 b ≤", "a ? b ≤"),
])
def test_what_stands_for_a_character(encoding, text, shown):
    from doe.console import speak_everywhere

    speak_everywhere()
    assert text.encode(encoding, "plainer").decode(encoding) == shown


@pytest.mark.parametrize(("error", "code", "words"), [
    (InputError("time", 3, "too short", "Give more"), INPUT_REFUSED, "time = 3: too short"),
    (KeyboardInterrupt(), INTERRUPTED, "Interrupted"),
    (MemoryError(), 2, "not enough memory"),
    (OSError(28, "No space left on device", "a.csv"), 2, "'a.csv': No space left on device"),
    (OSError(36, "File name too long"), 2, "output: File name too long"),
])
def test_ends_in_one_sentence(error, code, words, capsys):
    with pytest.raises(SystemExit) as ended, ended_in_words():
        raise error
    said = capsys.readouterr().err
    assert ended.value.code == code
    assert words in said
    assert said.count("\n") == 1


def test_a_defect_keeps_its_traceback():
    with pytest.raises(ZeroDivisionError), ended_in_words():
        1 / 0  # noqa: B018


@pytest.mark.skipif(not os.path.exists("/dev/full"), reason="no device that is always full")
def test_a_full_disk_behind_the_output():
    with open("/dev/full", "w") as full:
        run = started("--version", stdout=full)
        _, err = run.communicate(timeout=60)
    assert run.returncode == 2
    assert b"No space left" in err
    assert b"Traceback" not in err
    assert b"Exception ignored" not in err


@pytest.mark.skipif(os.name == "nt", reason="no pipes as here")
def test_who_reads_may_stop(performed):
    """As in ``... | head -1``."""
    run = started("analyse", performed, stdout=subprocess.PIPE)
    run.stdout.close()
    assert run.stderr.read() == b""
    run.stderr.close()
    run.wait(60)


@pytest.mark.skipif(os.name == "nt", reason="no signals as here")
def test_ctrl_c_in_the_middle_of_a_search(performed, tmp_path):
    run = started("demo", "--folder", tmp_path / "d", stdout=subprocess.PIPE)
    until = time.monotonic() + 60
    while not list(tmp_path.glob("d/.unfinished-*/*.study")) and time.monotonic() < until:
        time.sleep(0.05)
    run.send_signal(signal.SIGINT)
    out, err = run.communicate(timeout=60)
    assert run.returncode == INTERRUPTED
    assert b"Traceback" not in err + out
    assert list((tmp_path / "d").iterdir()) == []

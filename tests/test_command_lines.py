"""Command lines of odd options and files; all of them: ``python -m benchmarks.attacks lines``."""

from __future__ import annotations

import pytest

pytest.importorskip("resource", reason="the files of the attack need pipes and devices")

from benchmarks.attacks.lines import folder_of_files, lines, problem


def test_odd_command_lines_end_in_words_and_change_nothing():
    with folder_of_files() as home:
        found = {tuple(words): wrong for words in lines(seed=5, count=60, quick=True)
                 if (wrong := problem(home, words))}
    assert found == {}


def test_a_line_that_goes_wrong_is_found():
    """The attack itself: what it would say of a program that does not keep to the rules."""
    with folder_of_files() as home:
        assert "ended with 1" in problem(home, ["status"], lambda *_: (1, "", "x", 0.0))
        assert "Traceback" in problem(home, ["status"], lambda *_: (2, "", "Traceback", 0.0))
        assert "without a word" in problem(home, ["status"], lambda *_: (2, "", "", 0.0))
        assert "took 30 s" in problem(home, ["status"], lambda *_: (0, "", "", 30.0))

        def overwrites(place, words):
            with open(f"{place}/half.study", "ab") as file:
                file.write(b"!")
            return 2, "", "refused", 0.0

        def leaves_scraps(place, words):
            open(f"{place}/half.study-wal", "w").close()
            return 0, "", "", 0.0

        assert "changed half.study" in problem(home, ["status"], overwrites)
        assert "half.study-wal" in problem(home, ["status"], leaves_scraps)

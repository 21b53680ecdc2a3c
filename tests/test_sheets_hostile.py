"""A part of the hostile sheets; all of them: python -m benchmarks.attacks sheets."""

from __future__ import annotations

from benchmarks.attacks import sheets


def test_hostile_sheets_are_read_right_or_refused_whole():
    assert sheets.run(seed=1, count=150) == []

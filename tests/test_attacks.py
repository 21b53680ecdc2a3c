"""A small, seeded part of ``python -m benchmarks.attacks``, and what its runner says."""

from __future__ import annotations

import sys
from types import ModuleType

import pytest

from benchmarks.attacks import __main__ as runner
from benchmarks.attacks import kills, restores


def test_what_the_panel_said_is_saved_survives_a_kill():
    assert kills.run(seed=3, count=4) == []


def test_a_file_exchanged_under_the_study_is_noticed():
    assert restores.run(seed=3, count=6) == []


def test_every_change_meets_every_moment_and_every_entry():
    assert len(restores.cases()) == len(set(restores.cases())) == restores.COUNT


def part(found: list[str]) -> ModuleType:
    module = ModuleType("part", "What it attacks.\n\nMore of it.")
    module.COUNT, module.run = 9, lambda seed, count: [f"{line} {seed} {count}" for line in found]
    return module


@pytest.mark.parametrize("found", [[], ["lost"], ["lost"] * 40])
def test_a_failure_ends_the_command_with_an_error(found, monkeypatch, capsys):
    monkeypatch.setattr(runner, "parts", lambda: {"good": part([]), "other": part(found)})
    monkeypatch.setattr(sys, "argv", ["attacks", "--all", "--seed", "5"])
    assert runner.main() == bool(found)
    said = capsys.readouterr().out
    assert "What it attacks." in said
    assert said.count("other: lost 5 9") == min(len(found), runner.SHOWN)
    assert ("and 20 more" in said) == (len(found) == 40)


def test_the_parts_are_found_by_their_function():
    known = runner.parts()
    assert {"kills", "restores", "flips", "crafted"} <= known.keys()
    assert all(module.COUNT > 0 and module.__doc__ for module in known.values())
    assert "sample" not in known

"""The architecture as DEVELOPERS.md draws it: imports go down the floors, and never in a circle."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

HOME = Path(__file__).parent.parent / "doe"
FLOORS = (
    {"errors", "units", "constraints", "factors", "responses", "terms", "programme", "mixer",
     "bench", "budgets", "physics", "wording", "plain", "plausible", "cautions", "files", "dial",
     "geometry", "load", "vessel", "card", "increments", "speeds", "pages"},
    {"planning", "analysis"},
    {"decision"},
    {"brief", "brief_extremes", "brief_toml", "brief_tables", "records", "study", "deviations",
     "store", "store_check", "store_damage", "store_drive", "store_entries", "store_file",
     "store_guard", "store_image", "store_leftovers", "store_lease", "store_open",
     "store_rescue", "store_rows", "store_schema", "store_seal", "store_seen", "sheets", "conclude",
     "power_study", "practice"},
    {"tables", "charts", "evidence", "panels", "report", "demo", "console", "__main__"},
)
PEOPLE_ONLY = {"plotly", "ipywidgets", "kaleido", "nbformat", "nbconvert", "typer", "rich"}
FILES = sorted(HOME.rglob("*.py"))


def room(path: Path) -> str:
    return path.relative_to(HOME).parts[0].removesuffix(".py")


def floor(name: str) -> int:
    return next(i for i, rooms in enumerate(FLOORS) if name in rooms)


def imported(path: Path) -> list[str]:
    """Modules a file imports when it is run; those for type checkers alone are left out."""
    tree = ast.parse(path.read_text("utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            node.body = []
    out = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            out += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module and not node.level:
            out.append(node.module)
            out += [f"{node.module}.{a.name}" for a in node.names if node.module == "doe"]
    return out


def test_every_room_has_its_floor():
    rooms = {room(p) for p in FILES} - {"__init__"}
    assert rooms == set().union(*FLOORS)


@pytest.mark.parametrize("path", [p for p in FILES if room(p) != "__init__"],
                         ids=lambda p: str(p.relative_to(HOME)))
def test_imports_go_down(path):
    own = floor(room(path))
    rooms = set().union(*FLOORS)
    for name in imported(path):
        parts = name.split(".")
        if parts[0] == "doe" and len(parts) > 1 and parts[1] in rooms:
            assert floor(parts[1]) <= own, name
            assert own != 1 or floor(parts[1]) == 0 or parts[1] == room(path), name
        elif own < 4:
            assert parts[0] not in PEOPLE_ONLY, name
        if parts[0] == "sqlite3":
            assert room(path).startswith("store"), name


def test_no_file_is_too_long_to_read():
    """About 400 lines; a few stand slightly above."""
    lines = {str(p.relative_to(HOME)): p.read_text("utf-8").count("\n") for p in FILES}
    assert not {name: n for name, n in lines.items() if n > 430}

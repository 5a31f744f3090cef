"""The rooms of the house are a fact, not a wish."""

from __future__ import annotations

import ast
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
FLOORS = tomllib.loads((ROOT / "tests" / "floors.toml").read_text(encoding="utf-8"))["floor"]
FLOOR_OF = {room: number for number, rooms in enumerate(FLOORS) for room in rooms}
FILES = sorted((ROOT / "geo").rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Return every dotted name a file imports, those inside functions included."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path.name}: write absolute imports"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def room_of(dotted: str) -> str | None:
    """Return the room a dotted geo name belongs to: the longest that has a floor."""
    parts = dotted.split(".")[1:]
    rooms = [".".join(parts[: i + 1]) for i in range(len(parts))]
    known = [room for room in rooms if room in FLOOR_OF]
    return known[-1] if known else None


def dotted(path: Path) -> str:
    """Return a file's dotted name."""
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def test_every_file_has_a_floor() -> None:
    """No file of geo is outside the plan, and the plan names no room that is not there."""
    outside = [str(path) for path in FILES if dotted(path) != "geo" and room_of(dotted(path)) is None]
    assert not outside
    rooms = {room_of(dotted(path)) for path in FILES}
    assert set(FLOOR_OF) <= rooms


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_only_go_down(path: Path) -> None:
    """A file imports from its own room or from a floor below, never from one above."""
    mine = room_of(dotted(path))
    for name in imported(path):
        if not name.startswith("geo."):
            continue
        theirs = room_of(name)
        assert theirs is not None, f"{path.name} imports {name}, which has no floor"
        if mine is not None and theirs != mine:
            assert FLOOR_OF[theirs] < FLOOR_OF[mine], f"{path.name} (floor {FLOOR_OF[mine]}) imports {name}"


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_the_core_knows_no_screen(path: Path) -> None:
    """Nothing in geo imports Streamlit or the app."""
    tops = {name.split(".")[0] for name in imported(path)}
    assert not tops & {"streamlit", "streamlit_folium", "app"}

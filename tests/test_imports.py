"""Imports run one way; no solver leaves planning, no unit library leaves the edge."""

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1] / "allocator"

EDGE = {
    "quantities",
    "dimensions",
    "errors",
    "json_kinds",
    "file_names",
    "folders",
    "parent_process",
    "spreadsheet_cells",
    "compiling",
}
MAY_IMPORT = {
    "errors": set(),
    "file_names": set(),
    "folders": {"errors"},
    "parent_process": set(),
    "spreadsheet_cells": set(),
    "compiling": set(),
    "json_kinds": EDGE,
    "dimensions": EDGE,
    "quantities": EDGE,
    "physics": EDGE | {"physics"},
    "shown": set(),
    "plan": {"shown"},
    "heat": EDGE | {"heat", "site", "plan", "physics"},
    "plan_file": EDGE | {"plan", "site"},
    "site": EDGE | {"site", "physics"},
    "duty": {"duty", "site"},
    "planning": {
        "errors",
        "planning",
        "duty",
        "heat",
        "site",
        "plan",
        "parent_process",
        "compiling",
    },
    "proof": EDGE | {"shown", "proof", "site", "plan", "plan_file", "physics"},
    "reporting": EDGE | {"reporting", "duty", "heat", "site", "plan", "proof"},
    "studies": EDGE
    | {
        "studies",
        "physics",
        "heat",
        "duty",
        "site",
        "plan",
        "plan_file",
        "planning",
        "proof",
        "reporting",
        "engine",
    },
}
"""Rooms that may be imported by each room; ``engine``, ``cli`` and the public face may use all."""


def modules() -> list[Path]:
    return sorted(ROOT.rglob("*.py"))


def imported(path: Path) -> set[str]:
    """Full names of all modules that a file imports, at the top or within functions."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def room_of(path: Path) -> str:
    return path.relative_to(ROOT).parts[0].removesuffix(".py")


@pytest.mark.parametrize("path", modules(), ids=lambda path: str(path.relative_to(ROOT)))
def test_one_way(path: Path) -> None:
    allowed = MAY_IMPORT.get(room_of(path))
    if allowed is None:
        assert room_of(path) in {
            "__init__",
            "__main__",
            "cli",
            "commands",
            "completion",
            "engine",
            "quiet",
        }
        return
    rooms = {
        name.split(".")[1]
        for name in imported(path)
        if name.startswith("allocator.") and len(name.split(".")) > 1
    }
    assert rooms - {"__version__"} <= allowed


def test_the_engine_knows_nothing_of_studies_and_commands() -> None:
    known = {name.split(".")[1] for name in imported(ROOT / "engine.py") if "allocator." in name}
    assert known
    assert not known & {"studies", "cli", "commands", "completion"}


@pytest.mark.parametrize(
    ("package", "home"),
    [
        ("pulp", "planning"),
        ("highspy", "planning"),
        ("pint", "quantities"),
        ("CoolProp", "physics"),
    ],
)
def test_stays_at_home(package: str, home: str) -> None:
    users = {
        room_of(path)
        for path in modules()
        if any(name.split(".")[0] == package for name in imported(path))
    }
    assert users <= {home}
    assert users


def test_proof_takes_nothing_from_physics_but_properties() -> None:
    """What a fluid is like is data; what a pipe does is a model, and the audit has its own."""
    taken = {
        name
        for path in modules()
        if room_of(path) == "proof"
        for name in imported(path)
        if name.startswith("allocator.physics.")
    }
    assert {name.split(".")[2] for name in taken} == {"substances"}

"""A plan's folder, and a view of it."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from view_server import ROOT, Served, end, gone, serving

from allocator.cli.entry import main

SITE = ROOT / "networks" / "first.yaml"


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a plan for the first network."""
    folder = tmp_path_factory.mktemp("viewed") / "plan"
    arguments = ["plan", str(SITE), "-o", str(folder), "--node-limit", "50"]
    assert main(arguments) == 0
    return folder


@pytest.fixture(scope="module")
def served(planned: Path) -> Iterator[Served]:
    """A view of that folder, which plans again in a moment."""
    found = serving(planned, "--node-limit", "50")
    yield found
    children = found.children()
    assert end(found) == 0
    assert gone(children)

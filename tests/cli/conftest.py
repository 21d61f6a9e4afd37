"""A made plan of the first network, and a way to run commands in a process of their own."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from allocator.cli.entry import main

ROOT = Path(__file__).parents[2]
Command = Callable[..., "subprocess.CompletedProcess[str]"]


@pytest.fixture(scope="session")
def networks() -> Path:
    """The example sites."""
    return ROOT / "networks"


@pytest.fixture(scope="session")
def cases() -> Path:
    """Small sites, each of which showed a fault."""
    return ROOT / "tests" / "cases"


@pytest.fixture(scope="session")
def planned(tmp_path_factory: pytest.TempPathFactory, networks: Path) -> Path:
    """The folder of a plan for the first network."""
    folder = tmp_path_factory.mktemp("planned") / "plan"
    assert main(["plan", str(networks / "first.yaml"), "-o", str(folder)]) == 0
    return folder


@pytest.fixture(scope="session")
def command() -> Command:
    """Runs ``python -m allocator`` with arguments; UTF-8 unless ``env`` says otherwise."""

    def run(*arguments: str, **env: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            [sys.executable, "-m", "allocator", *arguments],
            capture_output=True,
            encoding="utf-8",
            cwd=ROOT,
            env={**os.environ, **env},
            check=False,
        )

    return run

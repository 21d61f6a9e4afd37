"""The names of ``import allocator``: all there, all documented, none of them costly."""

from __future__ import annotations

import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

import allocator

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("name", sorted(set(allocator.__all__) - {"__version__"}))
def test_every_name_is_there_and_says_what_it_is(name: str) -> None:
    found = getattr(allocator, name)
    assert found.__doc__
    assert found.__module__.startswith("allocator")


def test_other_names_are_not() -> None:
    with pytest.raises(AttributeError, match="no attribute 'plann'"):
        getattr(allocator, "plann")  # noqa: B009  # a name that a type checker would refuse


def test_no_public_name_is_a_module() -> None:
    modules = {path.stem for path in (ROOT / "allocator").iterdir()}
    assert not modules & set(allocator.__all__)


def test_import_brings_nothing_heavy_along() -> None:
    code = (
        "import sys, allocator; allocator.__version__; print(sorted("
        "{m.split('.')[0] for m in sys.modules} & {'numpy', 'pandas', 'pint', 'pulp', 'yaml'}))"
    )
    told = subprocess.run(
        [sys.executable, "-c", code], capture_output=True, text=True, cwd=ROOT, check=True
    )
    assert told.stdout == "[]\n"


def test_one_version() -> None:
    project = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]
    assert project["version"] == allocator.__version__


def test_plan_takes_the_settings_by_name() -> None:
    with pytest.raises(TypeError, match="sped"):
        allocator.plan(ROOT / "networks" / "first.yaml", sped=1)
    with pytest.raises(ValueError, match="basis must be 'firm' or 'mean'"):
        allocator.plan(ROOT / "networks" / "first.yaml", basis="hopeful")

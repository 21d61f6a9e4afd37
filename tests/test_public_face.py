"""The names of ``import allocator``: all there, all documented, none of them costly."""

from __future__ import annotations

import dataclasses
import doctest
import inspect
import subprocess
import sys
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

import allocator
from allocator.base.old_names import OLD_NAMES
from allocator.cli.entry import main
from allocator.engine.planning import STANDARD_SECONDS

ROOT = Path(__file__).parents[1]


@pytest.mark.parametrize("name", sorted(set(allocator.__all__) - {"__version__"}))
def test_every_name_is_there_and_says_what_it_is(name: str) -> None:
    found = getattr(allocator, name)
    assert found.__doc__
    assert found.__module__.startswith("allocator")


def test_other_names_are_not() -> None:
    with pytest.raises(AttributeError, match="no attribute 'plann'"):
        getattr(allocator, "plann")  # noqa: B009  # a name that a type checker would refuse


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
        allocator.plan(ROOT / "networks" / "first.yaml", sped=1)  # type: ignore[call-arg]
    with pytest.raises(ValueError, match="basis must be 'firm' or 'mean'"):
        allocator.plan(ROOT / "networks" / "first.yaml", basis="hopeful")  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="no source has a range"):
        allocator.plan(ROOT / "networks" / "first.yaml", robust=1)


@pytest.mark.parametrize(
    ("function", "record", "others"),
    [
        (
            allocator.plan,
            allocator.Settings,
            {
                "robustness": {"lose", "robust"},
                "loss": {"within"},
                "breaches": set(),
                "keep": set(),
                "keep_weight": set(),
            },
        ),
        (
            allocator.simulate,
            allocator.SimulationSettings,
            {"phases": {"draws"}, "failing": {"outages"}, "budget": set()},
        ),
    ],
)
def test_every_setting_is_a_keyword(
    function: Callable[..., object], record: Any, others: dict[str, set[str]]
) -> None:
    """``others``: fields of the record that a user sets by another name, or never."""
    parameters = inspect.signature(function).parameters
    for field in dataclasses.fields(record):
        for name in others.get(field.name, {field.name}):
            assert parameters[name].kind is inspect.Parameter.KEYWORD_ONLY
            same = name == field.name and field.name not in ("prices", "foresight")
            default = parameters[name].default
            if field.name == "time_limit" and default is None:  # nobody said how long
                default = STANDARD_SECONDS
            assert not same or default == field.default


@pytest.mark.parametrize("name", sorted(OLD_NAMES))
def test_old_names_still_work_and_say_the_new_one(name: str) -> None:
    with pytest.warns(DeprecationWarning, match=rf"use allocator\.{OLD_NAMES[name].instead}"):
        assert callable(getattr(allocator, name))
    assert name not in allocator.__all__
    first, *rest = OLD_NAMES[name].instead.split(".")
    assert first in allocator.__all__
    assert all(callable(getattr(getattr(allocator, first), method)) for method in rest)


PARTS_OF_A_SITE = {
    name
    for name in allocator.__all__
    if name not in ("Site", "__version__")
    and getattr(allocator, name).__module__.split(".")[1:3]
    in (["site", "records"], ["site", "spreads"])
}
"""Records that :class:`allocator.Site` shows in its example."""


@pytest.mark.parametrize("name", sorted({*allocator.__all__} - PARTS_OF_A_SITE - {"__version__"}))
def test_the_examples_show_what_happens(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    options = doctest.NORMALIZE_WHITESPACE
    finder = doctest.DocTestFinder(recurse=False)
    (test,) = finder.find(getattr(allocator, name), name, globs={})
    assert test.examples
    assert doctest.DocTestRunner(optionflags=options).run(test).failed == 0


def test_no_public_function_shares_its_name_with_a_module() -> None:
    """A command's file is called as the command, a section's as the section; none is a name of

    its room, so that neither hides the other."""
    rooms = [path for path in (ROOT / "allocator").iterdir() if path.is_dir()]
    modules = {m.stem: m for room in rooms if room.name != "cli" for m in room.glob("*.py")}
    assert not {str(modules[name]) for name in set(allocator.__all__) & set(modules)}


def test_the_result_saves_what_the_command_writes(tmp_path: Path) -> None:
    site = ROOT / "networks" / "first.yaml"
    allocator.plan(site, node_limit=100).save(tmp_path / "python", crew=0.01)
    command = [str(site), "-o", str(tmp_path / "command"), "--node-limit", "100", "--crew"]
    assert main(["plan", *command, "0.01 kg/s"]) == 0
    written = {p.name: p.read_bytes() for p in (tmp_path / "python").iterdir()}
    assert {"page.html", "plan.json", "plan.xlsx", "simulation.json"} <= set(written)
    for name in set(written) - {"run.json", "manifest.json"}:  # which hold times
        assert (tmp_path / "command" / name).read_bytes() == written[name], name


def test_a_result_read_back_is_the_one_that_was_saved(tmp_path: Path) -> None:
    site = ROOT / "networks" / "first.yaml"
    result = allocator.plan(site, node_limit=100, prove=0)
    result.save(tmp_path)
    read = allocator.read_result(site, tmp_path)
    assert (read.plan, read.audit, read.bound) == (result.plan, result.audit, result.bound)
    assert read.outcome is None
    traces = [
        result.simulate(days=5, draws=1),
        allocator.simulate(site, tmp_path, days=5, draws=1),
        allocator.simulate(site, tmp_path / "plan.json", days=5, draws=1),
    ]
    assert all(trace.draws == traces[0].draws for trace in traces)
    traces[0].save(tmp_path / "trace")
    assert (tmp_path / "trace" / "simulation.json").exists()

"""Compiled code that is kept is that of the sources as they are, all of them."""

from __future__ import annotations

import ast
import shutil
import subprocess
import sys
from collections.abc import Iterable, Iterator
from pathlib import Path

import pytest

from allocator.base import compiling

PACKAGE = Path(compiling.__file__).parents[1]
INNER = """
from allocator.base.compiling import compiled

@compiled
def risen(level):
    return level + {rise}
"""
OUTER = """
from allocator.base.compiling import compiled
from allocator.search.paths.inner import risen

@compiled
def settled(level):
    return risen(level)
"""


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A package with a loop that calls one of another file, compiled as all are."""
    package = tmp_path / "allocator"
    shutil.copytree(
        PACKAGE / "base", package / "base", ignore=shutil.ignore_patterns("__pycache__")
    )
    (package / "search" / "paths").mkdir(parents=True)
    for folder in (package, package / "search", package / "search" / "paths"):
        (folder / "__init__.py").touch()
    (package / "search" / "paths" / "outer.py").write_text(OUTER)
    return package


def settled(package: Path, rise: float) -> tuple[float, int]:
    """What the loop gives for a level of 1, and how many were compiled for it."""
    (package / "search" / "paths" / "inner.py").write_text(INNER.format(rise=rise))
    code = (
        "from allocator.search.paths.outer import settled as loop; "
        "print(loop(1.0), sum(loop.stats.cache_misses.values()))"
    )
    said = subprocess.run(
        [sys.executable, "-B", "-c", code],
        cwd=package.parent,
        capture_output=True,
        text=True,
        check=True,
    ).stdout.split()
    return float(said[0]), int(said[1])


def test_what_a_loop_calls_in_another_file_is_never_out_of_date(
    copy: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("NUMBA_CACHE_DIR", raising=False)
    former = copy / "search" / "paths" / "__pycache__" / "former.loop-5.py311.nbi"
    former.parent.mkdir()
    former.touch()
    assert settled(copy, 1.0) == (2.0, 1)
    assert settled(copy, 1.0) == (2.0, 0)
    assert settled(copy, 2.0) == (3.0, 1)
    assert settled(copy, 1.0) == (2.0, 0)
    assert not former.exists()


def test_folders_of_former_code_are_removed(copy: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    home = copy.parent / "kept"
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(home))
    (home / "allocator-of-somebody").mkdir(parents=True)
    rises = range(1, 4 + compiling.FORMER)
    assert [settled(copy, rise)[0] for rise in rises] == [1.0 + rise for rise in rises]
    ours = {one.name for one in home.iterdir()} - {"allocator-of-somebody"}
    assert len(ours) == 1 + compiling.FORMER
    assert settled(copy, rises[-1])[1] == settled(copy, rises[-2])[1] == 0
    assert (home / "allocator-of-somebody").is_dir()


def test_marks_and_locks_go_with_the_code(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    compiling.leave_mark("part")
    assert compiling.is_marked("part")
    monkeypatch.setattr(compiling, "_digest", lambda: "0123456789abcdef")
    assert not compiling.is_marked("part")
    with compiling.compiling_alone("part"):
        pass
    assert {path.relative_to(tmp_path).parts[0] for path in tmp_path.rglob("part.*")} == {
        one.name for one in tmp_path.iterdir()
    }


def names_in(nodes: Iterable[ast.AST]) -> set[str]:
    return {part.id for node in nodes for part in ast.walk(node) if isinstance(part, ast.Name)}


def files_of(file: Path, names: set[str]) -> Iterator[Path]:
    """The files of which names in a file are, and what constants among them are made from."""
    tree = ast.parse(file.read_text(encoding="utf-8"))
    for node in tree.body:
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("allocator."):
            found = {one.name for one in node.names if (one.asname or one.name) in names}
            path = PACKAGE.joinpath(*str(node.module).split(".")[1:])
            path = path / "__init__.py" if path.is_dir() else path.with_suffix(".py")
            if found:
                yield path
                yield from files_of(path, found)
        elif isinstance(node, ast.Assign) and names & names_in(node.targets):
            yield from files_of(file, names_in([node.value]))


def test_all_that_is_compiled_is_among_the_sources() -> None:
    sources = {file for pattern in compiling.SOURCES for file in PACKAGE.glob(pattern)}
    assert all(list(PACKAGE.glob(pattern)) for pattern in compiling.SOURCES)
    loops = 0
    for file in PACKAGE.rglob("*.py"):
        tree = ast.parse(file.read_text(encoding="utf-8"))
        compiled = [
            node
            for node in tree.body
            if isinstance(node, ast.FunctionDef)
            and {"compiled", "compiled_into", "inlined"} & names_in(node.decorator_list)
        ]
        loops += len(compiled)
        if compiled:
            body = [part for loop in compiled for part in loop.body]
            assert {file, *files_of(file, names_in(body))} <= sources, file
    assert loops > 50

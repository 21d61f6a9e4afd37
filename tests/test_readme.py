"""What the README shows is what happens."""

from __future__ import annotations

import doctest
import re
from pathlib import Path

import pytest

from allocator.cli import COMMANDS
from allocator.cli.entry import build_parser, main

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_python_example(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    test = doctest.DocTestParser().get_doctest(README, {}, "README.md", "README.md", 0)
    assert len(test.examples) >= 3
    outcome = doctest.DocTestRunner().run(test)
    assert outcome.failed == 0


def test_the_tour_shows_real_output(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every line below a command of the tour is what the command prints; its files are named."""
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"(?:^    .*\n)+", README, re.MULTILINE)
    tours = [block for block in blocks if block.lstrip().startswith("$ allocator")]
    assert len(tours) >= 2
    for block in tours:
        first, *shown = [line[4:].rstrip() for line in block.splitlines()]
        words = first.removeprefix("$ allocator ").split()
        if "-o" in words:
            words[words.index("-o") + 1] = str(tmp_path / "plan")
        assert main(words) == (3 if words[0] == "why" else 0)  # that site has no plan
        printed = capsys.readouterr().out.splitlines()
        assert [line for line in shown if line not in ("", "...")]
        for line in shown:
            assert line == "..." or line in printed, line
    files = {file.name for file in (tmp_path / "plan").iterdir()}
    assert files - set(re.findall(r"`([\w.]+)`", README)) == set()


def test_every_command_is_named_and_every_option_explained() -> None:
    for command in (*COMMANDS, "completion"):
        assert f"| `allocator {command}" in README
        assert command in build_parser().format_help()
    parsers = next(a for a in build_parser()._actions if isinstance(a.choices, dict)).choices
    assert parsers is not None
    actions = [action for parser in parsers.values() for action in parser._actions]
    assert len(actions) > 100
    assert [action.dest for action in actions if not action.help] == []


def test_every_file_that_is_named_is_there() -> None:
    for name in re.findall(r"`((?:networks|tests|allocator|benchmarks)/[\w./]+)`", README):
        assert (ROOT / name).exists(), name

"""The README's Python example gives what the README says."""

import doctest
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def test_example(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)
    failures, tried = doctest.testfile(str(ROOT / "README.md"), module_relative=False)
    assert tried >= 4
    assert failures == 0

"""Faulty site files made from the kitchen sink by patches, and the faults that they must give."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterable
from pathlib import Path

import pytest

from allocator.network.reading import check_site

HERE = Path(__file__).parent
Patches = Iterable[tuple[str, str]]
CheckFaults = Callable[[Patches, Iterable[str]], None]


@pytest.fixture
def kitchen_sink() -> Path:
    return HERE / "kitchen_sink.yaml"


@pytest.fixture
def check_faults(tmp_path: Path, kitchen_sink: Path) -> CheckFaults:
    """Patches (old text, which stands there once, and new text) and the messages expected.

    A « in the new text marks where a fault is expected: its line and column must be right.
    """

    def check(patches: Patches, messages: Iterable[str]) -> None:
        text = kitchen_sink.read_text(encoding="utf-8")
        for old, new in patches:
            assert text.count(old) == 1, f"{old!r} does not stand once in the kitchen sink"
            text = text.replace(old, new)
        marks = []
        while "«" in text:
            at = text.index("«")
            text = text[:at] + text[at + 1 :]
            marks.append((text.count("\n", 0, at) + 1, at - text.rfind("\n", 0, at)))
        path = tmp_path / "site.yaml"
        path.write_text(text, encoding="utf-8")
        shutil.copy(HERE / "hall_load.csv", tmp_path)
        report = check_site(path)
        assert report.site is None
        assert [str(fault) for fault in report.faults] == [
            f"{path}:{line}:{column}: {message}"
            for (line, column), message in zip(marks, messages, strict=True)
        ]

    return check

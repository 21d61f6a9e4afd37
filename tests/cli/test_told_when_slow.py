"""Whoever waits at a terminal is told what for; a pipe is not."""

from __future__ import annotations

import sys
import time

import pytest

from allocator.cli import terminal


class _Terminal:
    """A stream that says whether it is a terminal, and keeps what is written."""

    encoding = "utf-8"

    def __init__(self, is_terminal: bool) -> None:
        self.text = ""
        self._is_terminal = is_terminal

    def isatty(self) -> bool:
        return self._is_terminal

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None: ...


@pytest.mark.parametrize("is_terminal", [True, False])
@pytest.mark.parametrize("slow", [True, False])
def test_only_slow_work_at_a_terminal_is_told(
    is_terminal: bool, slow: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    stream = _Terminal(is_terminal)
    monkeypatch.setattr(sys, "stderr", stream)
    monkeypatch.setattr(terminal, "SLOW", 0.0 if slow else 600.0)
    with terminal.told_when_slow("working"):
        until = time.monotonic() + 5.0
        while slow and is_terminal and not stream.text and time.monotonic() < until:
            time.sleep(0.01)
    assert stream.text == ("working\n" if slow and is_terminal else "")

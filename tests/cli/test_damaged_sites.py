"""Damaged site files through the commands: words and an exit code, never a traceback."""

from __future__ import annotations

import contextlib
import io
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.cli.entry import main

GOOD = (Path(__file__).parents[2] / "networks" / "first.yaml").read_text(encoding="utf-8")
LINES = GOOD.splitlines(keepends=True)


def told(command: str, content: bytes, folder: Path) -> tuple[int, str, str]:
    site = folder / "site.yaml"
    site.write_bytes(content)
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([command, str(site)])
    return code, out.getvalue(), err.getvalue()


def agrees(code: int, err: str) -> bool:
    """Faults and exit code 2 go together; warnings alone are no fault."""
    faults = [line for line in err.splitlines() if not line.startswith("warning: ")]
    return (code == 2) == bool(faults) and code in (0, 2)


@given(st.data())
def test_a_file_with_a_line_less_or_twice(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    number = data.draw(st.integers(0, len(LINES) - 1))
    copies = data.draw(st.sampled_from([0, 2]))
    text = "".join(LINES[:number] + LINES[number : number + 1] * copies + LINES[number + 1 :])
    code, _, err = told(data.draw(st.sampled_from(["check", "sources"])), text.encode(), folder)
    assert agrees(code, err)


@given(st.data())
def test_a_file_with_other_bytes_in_it(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = tmp_path_factory.getbasetemp()
    content = GOOD.encode()
    start = data.draw(st.integers(0, len(content)))
    other = data.draw(st.binary(max_size=6))
    damaged = content[:start] + other + content[start + data.draw(st.integers(0, 6)) :]
    code, _, err = told("check", damaged, folder)
    assert agrees(code, err)

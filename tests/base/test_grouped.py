"""Large numbers as people read them: groups of three, by one function, and no commas."""

from __future__ import annotations

import ast
import shutil
import subprocess
from pathlib import Path

import pytest

from allocator.base.dimensions import short_number
from allocator.base.grouped import grouped

ALLOCATOR = Path(__file__).parents[2] / "allocator"


@pytest.mark.parametrize(
    ("number", "said"),
    [
        (0, "0"),
        (9999, "9999"),
        (10_000, "10 000"),
        (-1_234_567, "-1 234 567"),
        (23_088.4, "23 088"),
        (9_999.4, "9999"),
        ("12400.56789", "12 400.56789"),
        ("0.123456", "0.123456"),
        ("1e+15", "1e+15"),
    ],
)
def test_groups_of_three(number: float | str, said: str) -> None:
    assert grouped(number).replace("\u00a0", " ") == said
    assert " " not in grouped(number)


def test_nothing_else_sets_digits_apart() -> None:
    """No format such as ``{count:,}``, whose commas are a decimal sign to some readers."""
    found = [
        f"{file.relative_to(ALLOCATOR)}:{node.lineno}"
        for file in sorted(ALLOCATOR.rglob("*.py"))
        for node in ast.walk(ast.parse(file.read_text(encoding="utf-8")))
        if isinstance(node, ast.FormattedValue)
        and isinstance(node.format_spec, ast.JoinedStr)
        and any(
            isinstance(part, ast.Constant) and set(",_") & set(str(part.value))
            for part in node.format_spec.values
        )
    ]
    assert found == []


@pytest.mark.skipif(shutil.which("node") is None, reason="no JavaScript outside a browser here")
def test_scripts_of_the_page_write_numbers_alike() -> None:
    values = [0, 0.12345, 12.3456, 999.6, 1234.6, 9999.4, 12_345.6, -1_234_567.8]
    shared = (ALLOCATOR / "report/page/templates/shared.js").read_text(encoding="utf-8")
    script = f"{shared}\nprocess.stdout.write({values}.map(figures).join(';'))"
    done = subprocess.run(["node", "-e", script], capture_output=True, check=True, encoding="utf-8")
    assert done.stdout.split(";") == [short_number(value) for value in values]

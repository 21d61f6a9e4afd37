"""Figures of common practice stand in this folder alone, so that nothing is made to fit them."""

from __future__ import annotations

import re
from pathlib import Path

HERE = Path(__file__).parent
ROOT = HERE.parents[1]
SEARCHED = ("allocator", "tests", "networks", "benchmarks", "README.md", "DEVELOPERS.md")
KINDS = {".py", ".yaml", ".md", ".txt", ".csv", ".js", ".j2"}
UNITS = {"GRAM": ("g/s", 1e-3), "DAY": ("d", 86_400.0), "": ("s", 1.0)}
"""What a figure is multiplied by here: its unit, and its size in SI."""


def distinctive() -> dict[str, set[str]]:
    """Figures of three or more significant digits with a unit -> patterns of how to write them."""
    figures: dict[str, set[str]] = {}
    for path in HERE.glob("test_*_figures.py"):
        text = path.read_text(encoding="utf-8")
        found = re.findall(r"([\d.]+) \* (GRAM|DAY)\b", text)
        for pair in re.findall(r"Stage\(([\d.]+), ([\d.]+)\)", text):
            found += [(number, "") for number in pair]
        for text_of_number, factor in found:
            number = f"{float(text_of_number):g}"
            if len(number.replace(".", "").strip("0")) < 3:
                continue
            unit, size = UNITS[factor]
            if factor:
                ways = {f"{number} [*] {factor}", f"{float(number) * size:.10g}"}
            else:
                ways = {f"Stage[(]{number}", f", {number}[.]0[)]"}
            figures[f"{number} {unit}"] = {
                way.replace(".", "[.]").replace("[[.]]", "[.]")
                for way in (f"{number} ?{unit}", *ways)
            }
    return figures


def test_no_figure_of_common_practice_stands_elsewhere() -> None:
    figures = distinctive()
    assert {"325.8 g/s", "98.5 g/s", "486 s", "87.4 d", "154.7 d"} <= set(figures)
    written = "|".join(sorted(set().union(*figures.values())))
    pattern = re.compile(rf"(?<![\d.])({written})(?!\d)")
    files = [
        path
        for name in SEARCHED
        for path in ([ROOT / name] if (ROOT / name).is_file() else (ROOT / name).rglob("*"))
        if path.suffix in KINDS and path.parent != HERE
    ]
    assert len(files) > 300
    elsewhere = [
        f"{path.relative_to(ROOT)}: {match[0]}"
        for path in files
        for match in pattern.finditer(path.read_text(encoding="utf-8").replace("_", ""))
    ]
    assert elsewhere == []

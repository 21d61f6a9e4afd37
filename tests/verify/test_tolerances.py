"""The tolerances that the audit's opening comment lists are those of its code, and all of them."""

from __future__ import annotations

import ast
import re
from importlib import import_module
from pathlib import Path

import allocator.verify
from allocator.verify import auditing

NO_TOLERANCE = {
    *("case.ROUNDING", "march.ROUNDING", "most_needed.ROUNDING", "windows.ROUNDING"),
    *("site_file.CARRIED", "timetables.SAME", "varying.SAME"),  # rounding of the audit's own sums
    "sure_clocks.SAME",
    *("pipe_model.SETTLED", "sink_states.SETTLED", "sink_states.TOUCHING"),  # steps of a solution
    *("pipe_model.SIGMA", "pipe_model.UNKNOWN_EMISSIVITY", "vapour.WATER"),  # facts
    "pipe_model.OVER_GROUND",
}
SMALL = 0.3


def small_constants() -> dict[str, float]:
    """``file.NAME`` of each constant that could be a tolerance."""
    found = {}
    for path in Path(allocator.verify.__file__).parent.glob("*.py"):
        module = import_module(f"allocator.verify.{path.stem}")
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Assign):
                for name in (n.id for n in ast.walk(node.targets[0]) if isinstance(n, ast.Name)):
                    value = getattr(module, name)
                    if isinstance(value, float) and 0 < value < SMALL:
                        found[f"{path.stem}.{name}"] = value
    return found


def test_every_tolerance_is_listed_as_it_is() -> None:
    text = auditing.__doc__ or ""
    listed = re.findall(r"``(\w+\.[A-Z_]+)``\s+([0-9.e-]*[0-9])", text)
    assert len(listed) == text.count("``") / 2 - text.count("``heat_limit``") - text.count(
        "``Rs T``"
    )
    assert {name: float(value) for name, value in listed} == {
        name: value for name, value in small_constants().items() if name not in NO_TOLERANCE
    }


def test_no_other_number_loosens_a_limit() -> None:
    """Numbers within the comparisons of limits themselves."""
    for path in Path(allocator.verify.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if (
                isinstance(node, ast.Call)
                and isinstance(node.func, ast.Attribute)
                and node.func.attr in ("at_most", "at_least")
            ):
                numbers = [n.value for n in ast.walk(node) if isinstance(n, ast.Constant)]
                loose = [n for n in numbers if isinstance(n, float) and n not in (0.0, 1.0)]
                assert loose == [], (path.name, node.lineno)

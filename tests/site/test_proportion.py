"""Amounts that the solver cannot tell apart are refused, not planned with a false limit."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import check_site

FIRST = (Path(__file__).parents[2] / "networks" / "first.yaml").read_text(encoding="utf-8")
UNIT = "outputs: {power: 10 kW, bio_co2: 2.6 g/s}"


@pytest.mark.parametrize(
    ("changes", "told"),
    [
        ([("power: 25 kW", "power: 5 mW")], "power is less than a millionth of the least unit"),
        (
            [("power: 25 kW", "power: 90 GW"), (UNIT, "outputs: {power: 100 W}")],
            "power is more than 100\u00a0000\u00a0000 times the largest machine (100 W)",
        ),
        (
            [("flow: 12 g/s", "flow: 99 t/s"), ("biogas: 1.5 g/s", "biogas: 0.9 g/s")],
            "flow is more than 100\u00a0000\u00a0000 times what a unit takes (900 mg/s)",
        ),
    ],
)
def test_what_no_solver_tells_apart(
    changes: list[tuple[str, str]], told: str, tmp_path: Path
) -> None:
    text = FIRST
    for old, new in changes:
        assert text.count(old) == 1
        text = text.replace(old, new)
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    (fault,) = check_site(tmp_path / "site.yaml").faults
    assert told in str(fault)
    assert fault.line > 1


@pytest.mark.parametrize("power", ["20 mW", "100 GW"])
def test_what_is_odd_but_planned_rightly(power: str, tmp_path: Path) -> None:
    text = FIRST.replace("power: 25 kW", f"power: {power}")
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    assert not check_site(tmp_path / "site.yaml").faults

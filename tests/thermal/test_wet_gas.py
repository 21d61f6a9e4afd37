"""Dew points: told of what wet gas runs through, and of gas that is more than full of vapour."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import check_site
from allocator.physics.humidity import most_vapour
from allocator.search import Settings, make_plan

CASE = Path(__file__).parents[1] / "cases" / "wet_and_dry.yaml"
QUICK = Settings(gap=1e-3, node_limit=100)


def notes_of(path: Path) -> tuple[str, ...]:
    site = check_site(path).site
    assert site is not None
    plan = make_plan(site, QUICK).plan
    assert plan is not None
    assert plan.heat is not None
    return plan.heat.notes


def changed(tmp_path: Path, old: str, new: str) -> Path:
    text = CASE.read_text(encoding="utf-8")
    assert text.count(old) == 1
    path = tmp_path / "site.yaml"
    path.write_text(text.replace(old, new), encoding="utf-8")
    return path


def test_what_gas_can_hold() -> None:
    """Saturation pressure of water, IAPWS: 4.2470 kPa at 30 degC; gas above 374 degC holds any."""
    assert most_vapour(303.15, 101_325.0) == pytest.approx(4247.0 / 101_325.0, rel=1e-3)
    assert most_vapour(303.15, 4000.0) == 1.0
    assert most_vapour(700.0, 1e8) == 1.0


def test_dry_gas_in_a_run_of_its_own_is_not_warned_of() -> None:
    notes = notes_of(CASE)
    assert any(note.startswith("lane: ") and "dew point" in note for note in notes)
    assert not any(note.startswith("dry lane: ") for note in notes)


def test_gas_that_is_more_than_full_is_told_in_the_plan_and_when_checked(tmp_path: Path) -> None:
    assert any("drips at its mouth" in note and "4.19 %" in note for note in notes_of(CASE))
    (warning,) = check_site(CASE).warnings
    assert "source 'kiln': says 50 % of vapour" in str(warning)
    less = changed(tmp_path, "water: 50 %", "water: 4 %")
    assert check_site(less).warnings == ()
    assert not any("mouth" in note for note in notes_of(less))
    assert any("dew point of 29.2 degC" in note for note in notes_of(less))


def test_a_run_that_wet_gas_may_come_to_is_told(tmp_path: Path) -> None:
    """The dry well's run goes by way of the wet one's place, so it carries both from there on."""
    path = changed(
        tmp_path, "dry lane: {between: [dry, works]}", "dry lane: {between: [dry, yard]}"
    )
    text = path.read_text(encoding="utf-8").replace("water: 50 %", "water: 4 %")
    path.write_text(text, encoding="utf-8")
    notes = notes_of(path)
    assert any(note.startswith("lane: ") for note in notes)
    assert not any(note.startswith("dry lane: ") for note in notes)

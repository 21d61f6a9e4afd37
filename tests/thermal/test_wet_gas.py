"""Dew points: told of what wet gas runs through, and of gas that is more than full of vapour."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.base.quantities import parse_quantity
from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.physics.humidity import drained, most_vapour
from allocator.plans.records import Plan
from allocator.report.bill import bill_of_materials
from allocator.report.handover.set_points import set_points
from allocator.report.loads import corridor_of
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


def plan_of(path: Path) -> Plan:
    site = check_site(path).site
    assert site is not None
    plan = make_plan(site, QUICK).plan
    assert plan is not None
    return plan


def water_of(note: str) -> float:
    """kg/s that a note tells of."""
    value, unit = note.partition("up to ")[2].split()[:2]
    return float(value) * {"g/s": 1e-3, "mg/s": 1e-6}[unit]


def test_no_more_drains_than_the_wet_source_sends(tmp_path: Path) -> None:
    """Of 2 g/s of wet gas and 2 g/s of dry gas in one run; dry gas carries vapour on besides."""
    path = changed(
        tmp_path, "dry lane: {between: [dry, works]}", "dry lane: {between: [dry, yard]}"
    )
    text = path.read_text(encoding="utf-8").replace("water: 50 %", "water: 4 %")
    path.write_text(text, encoding="utf-8")
    plan = plan_of(path)
    assert plan.heat is not None
    (note,) = (note for note in plan.heat.notes if note.startswith("lane: "))
    (flow,) = (f for f in plan.heat.flows if f.route == "lane" and f.state == "busiest")
    assert flow.rate == pytest.approx(4e-3)
    told = float(note.partition("cool to ")[2].partition(" ")[0]) + 273.15
    assert told <= flow.outlet + 0.05  # as cold as without the film inside
    alone = 2e-3 * drained(0.04, 101_325.0, told, 0.024)
    assert water_of(note) == pytest.approx(alone, rel=0.05)


def test_what_has_drained_drains_no_more(tmp_path: Path) -> None:
    """Behind a cooler to 16 degC gas runs on as warm as the air: told once, at the cooler."""
    text = CASE.read_text(encoding="utf-8").replace("water: 50 %", "water: 4 %")
    text = text.replace("engine: {inputs", "engine: {max_inlet_temperature: 20 degC, inputs")
    text = text.replace("bore: 40 mm, ", "").replace("thickness: 3 mm", "mass: 3 kg/m")
    text += (
        "coolers: {chiller: {fluid: gas, set_point: 16 degC, places: [yard, dry], duty: 1 kW}}\n"
        "ambient: {temperature: 16 degC}\n"
    )
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    plan = plan_of(path)
    assert plan.heat is not None
    assert any(flow.route.startswith("lane") for flow in plan.heat.flows)
    (note,) = plan.heat.notes
    assert note.startswith("chiller at yard: gas may cool to 16 degC")
    assert water_of(note) == pytest.approx(2e-3 * drained(0.04, 101_325.0, 289.15, 0.024), rel=0.01)


def test_condensate_of_a_day_is_told_and_drained(tmp_path: Path) -> None:
    """In the note, in the bill and among the settings, never less than what comes in the state."""
    path = changed(tmp_path, "water: 50 %", "water: 4 %")
    site = network_of(read_site(path))
    plan = plan_of(path)
    assert plan.heat is not None
    (drain,) = plan.heat.drains
    rate = drain.water
    assert rate is not None
    (note,) = (note for note in plan.heat.notes if note.startswith("lane: "))
    assert water_of(note) == pytest.approx(rate, rel=0.01)
    daily = parse_quantity(note.partition("to drain, ")[2].partition(" a day")[0], "mass")
    assert 86400.0 * rate <= daily * (1 + 1e-5) < 86400.0 * rate * 1.01
    assert "fit a drain at its low points" in note
    (line,) = (row for row in bill_of_materials(site, plan) if "drain (pot)" in row.item)
    assert line.where.startswith(f"{corridor_of(site.routes[drain.route])}: low points")
    (setting,) = (one for one in set_points(site, plan) if one.setting == "drain up to")
    assert (setting.value, setting.unit) == (pytest.approx(rate), "kg/s")


def test_dry_gas_has_no_drains(tmp_path: Path) -> None:
    path = changed(tmp_path, ", water: 50 %", "")
    plan = plan_of(path)
    assert plan.heat is None or not plan.heat.drains
    site = network_of(read_site(path))
    assert not any("drain (pot)" in row.item for row in bill_of_materials(site, plan))


def test_checked_gas_that_may_condense_in_pipes_is_told_with_its_water_of_a_day(
    tmp_path: Path,
) -> None:
    """2 g/s with 0.3 / 0.7 mol of vapour to the mol, down to 30 degC: 172.8 kg/d times 0.2884."""
    text = CASE.read_text(encoding="utf-8").replace("water: 50 %", "water: 30 %")
    text = text.replace("30 degC, water", "90 degC, water")
    text = text.replace("engine: {inputs", "engine: {max_inlet_temperature: 60 degC, inputs")
    text += "coolers: {chiller: {fluid: gas, set_point: 55 degC, places: [yard], duty: 1 kW}}\n"
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    (told,) = (str(w) for w in check_site(path).warnings if "may cool in pipes" in str(w))
    daily = parse_quantity(told.partition("up to ")[2].partition(" of water a day")[0], "mass")
    assert daily == pytest.approx(172.8 * 0.2884, rel=0.01)
    assert "fit drains at the low points" in told

"""Machines in plain figures, by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE

from allocator.studies.machines import (
    counted_emission,
    efficiency_of,
    emission_per_energy,
    fuel_at_load,
    machines_table,
    units_to_replace,
)


def test_only_machines_that_give_power_are_listed() -> None:
    assert [row.machine for row in machines_table(COVE)] == ["set", "oil_set"]


def test_the_set_of_the_cove() -> None:
    """10 kW of 4 g/s * 20 MJ/kg = 80 kW; its breath is biogenic, so it is clean."""
    row = machines_table(COVE)[0]
    assert (row.power, row.efficiency, row.emission, row.clean) == (10e3, 0.125, 0.0, True)
    strict = machines_table(replace(COVE, count_biogenic=True))[0]
    assert (strict.emission, strict.clean) == (pytest.approx(0.006 / 10e3), False)


def test_weights_count() -> None:
    """Smoke of the cove counts twice: 2 * 3 g/s of 4 kW."""
    oil_set = COVE.machines["oil_set"]
    assert counted_emission(COVE, oil_set) == pytest.approx(0.006)
    assert emission_per_energy(COVE, oil_set) == pytest.approx(0.006 / 4e3)


def test_what_gives_no_power_has_no_efficiency() -> None:
    splitter = COVE.machines["splitter"]
    assert efficiency_of(COVE, splitter) is None
    assert emission_per_energy(COVE, splitter) is None


def test_fuel_line_and_replacement() -> None:
    unit = COVE.machines["set"]  # a fifth at no load
    assert fuel_at_load(unit, 0.5) == pytest.approx(0.6)
    assert units_to_replace(unit, COVE.machines["oil_set"]) == pytest.approx(2.5)

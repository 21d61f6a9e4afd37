"""Figures of common practice, no source: what a nested source carries by rule of thumb."""

from __future__ import annotations

from dataclasses import replace

import pytest

from allocator.cycles import curve_of
from allocator.site.records import Fluid, MachineType, Place, Site, Source, Stage
from allocator.studies.machines import emission_per_energy
from allocator.studies.source_worth import carried, fluid_rows, source_rows

DAY = 86_400.0
GRAM = 1e-3
KILOWATT_HOUR = 3.6e6

WELL = Source(
    "well",
    "field",
    "gas",
    flow=325.8 * GRAM,
    stages=(Stage(260.0, 486.0), Stage(87.4 * DAY, 154.7 * DAY)),
)
SMALL_SET = MachineType("small_set", {"gas": 100 * GRAM}, {}, {"field": None}, power_out=800.0)
CARBON_SET = MachineType(
    "carbon_set", {"gas": 200 * GRAM}, {"co2": 500 * GRAM}, {"field": None}, power_out=2e3
)
FIELD = Site(
    "Field",
    fluids={"gas": Fluid("gas"), "co2": Fluid("co2", emission="counted")},
    materials={},
    places={"field": Place("field")},
    sources={"well": WELL},
    storage={},
    pipes={},
    routes={},
    machines={"small_set": SMALL_SET, "carbon_set": CARBON_SET},
    demands={},
    load_factor=1 / 3,
)


def test_shares_of_time() -> None:
    assert curve_of(WELL.stages[:1]).duty == pytest.approx(0.535, abs=5e-4)
    assert curve_of(WELL.stages[1:]).duty == pytest.approx(0.565, abs=5e-4)
    (row,) = source_rows(FIELD)
    assert row.rule_of_thumb_duty == pytest.approx(0.302, abs=5e-4)
    # the inner period does not divide the spell, so the exact duty is a little different
    assert row.duty == pytest.approx(row.rule_of_thumb_duty, rel=1e-4)
    assert row.duty != row.rule_of_thumb_duty


def test_mean_flow_by_rule_of_thumb() -> None:
    (row,) = source_rows(FIELD)
    assert row.flow * row.rule_of_thumb_duty == pytest.approx(98.5 * GRAM, abs=0.05 * GRAM)


def test_machines_carried_all_the_time() -> None:
    (row,) = source_rows(FIELD)
    mean = row.flow * row.rule_of_thumb_duty
    by_rule = carried(FIELD.machines, "gas", mean, 0.0, 1.0)[0]
    assert (by_rule.machine, by_rule.mean) == ("small_set", pytest.approx(0.985, abs=5e-4))


def test_machines_carried_at_a_third_with_a_by_product() -> None:
    by_product = Source("by_product", "field", "gas", flow=1.5 * GRAM)
    site = replace(FIELD, sources={"well": WELL, "by_product": by_product})
    (gas,) = fluid_rows(site)
    assert gas.carries[0].at_load_factor == pytest.approx(3.0, abs=2e-3)


def test_what_a_carbon_set_releases() -> None:
    emission = emission_per_energy(FIELD, CARBON_SET)
    assert emission is not None
    assert emission * KILOWATT_HOUR == pytest.approx(900.0)

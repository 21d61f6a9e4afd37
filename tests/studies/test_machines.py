"""Machines in plain figures, by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE

from allocator.model.index_sets import index_sets_of
from allocator.network.deriving import network_of
from allocator.site.emissions import unit_emission
from allocator.site.mixes import supply_named
from allocator.site.records import Fluid
from allocator.studies.machines import (
    efficiency_of,
    emission_per_energy,
    fuel_at_load,
    machines_table,
)
from allocator.studies.source_rank import clean_generators
from allocator.verify.case import class_of


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
    assert unit_emission(COVE, oil_set) == pytest.approx(0.006)
    assert emission_per_energy(COVE, oil_set) == pytest.approx(0.006 / 4e3)


def test_a_counted_emission_of_no_weight_is_not_clean() -> None:
    """Tables, ranks, mixes, plans and the audit agree: what is released decides."""
    weightless = Fluid("smoke", emission="counted", emission_weight=0.0)
    site = replace(COVE, fluids={**COVE.fluids, "smoke": weightless})
    network, oil_set = network_of(site), site.machines["oil_set"]
    oil = replace(next(iter(network.sources.values())), fluid="oil")
    assert (machines_table(site)[1].emission, machines_table(site)[1].clean) == (0.0, False)
    assert clean_generators(network, oil) == ([], "no clean use: counted emission of oil_set")
    clean_only = supply_named(site, "clean only")
    assert clean_only is not None
    assert clean_only.dropped == ("oil_set",)
    assert not index_sets_of(network).groups["oil_set@works"].clean
    assert class_of(network, oil_set) == "emitting"


def test_what_gives_no_power_has_no_efficiency() -> None:
    splitter = COVE.machines["splitter"]
    assert efficiency_of(COVE, splitter) is None
    assert emission_per_energy(COVE, splitter) is None


def test_fuel_line() -> None:
    unit = COVE.machines["set"]  # a fifth at no load
    assert fuel_at_load(unit, 0.5) == pytest.approx(0.6)

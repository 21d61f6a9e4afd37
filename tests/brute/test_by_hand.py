"""The brute force itself, against sites that can be worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from brute.search import best_goals
from brute.sites import FLUIDS, GRAM, HOUR, KILOWATT, KILOWATT_HOUR

from allocator.site.records import (
    POWER,
    Chamber,
    Demand,
    MachineType,
    Place,
    Pump,
    Site,
    Source,
    Stage,
    StoreType,
)

ENGINE = MachineType(
    "engine",
    inputs={"gas": 1.5 * GRAM},
    outputs={"air": 1.5 * GRAM},
    places={"works": 1},
    power_out=10 * KILOWATT,
)


def site_of(sources: list[Source], machines: list[MachineType], *stores: StoreType) -> Site:
    """One place where all stands, and a demand that cannot be met."""
    return Site(
        name="by hand",
        fluids=FLUIDS,
        materials={},
        places={"works": Place("works")},
        sources={source.name: source for source in sources},
        storage={store.name: store for store in stores},
        pipes={},
        routes={},
        machines={machine.name: machine for machine in machines},
        demands={"load": Demand("load", POWER, 100 * KILOWATT)},
        goals=("clean_power",),
    )


def best(site: Site, basis: str = "firm") -> float:
    found = best_goals(site, basis)
    assert found is not None
    return found[0]


def test_steady_gas_and_bursts_share_an_engine() -> None:
    # 5 kW always and 5 kW more half of the time: 7.5 kW, through 2.5 kW * 6 h = 15 kWh.
    kiln = Source("kiln", "works", "gas", flow=0.75 * GRAM)
    lagoon = replace(kiln, name="lagoon", stages=(Stage(6 * HOUR, 12 * HOUR),))
    battery = StoreType("battery", POWER, ("works",), max_size=15 * KILOWATT_HOUR)
    assert best(site_of([kiln, lagoon], [ENGINE], battery)) == pytest.approx(7500.0)
    smaller = replace(battery, max_size=6 * KILOWATT_HOUR)
    # A pause of 6 h can draw 6 kWh: 1 kW besides the steady 5 kW.
    assert best(site_of([kiln, lagoon], [ENGINE], smaller)) == pytest.approx(6000.0)
    assert best(site_of([kiln, lagoon], [ENGINE])) == pytest.approx(5000.0)


def test_a_converter_with_takings_at_no_load() -> None:
    # 6 of 10 g/s: a load of (0.6 - 0.5) / 0.5 = 20 %, so 4 of 20 g/s of gas, which gives 6 kW.
    chips = Source("chips", "works", "chips", flow=6 * GRAM)
    gasifier = MachineType(
        "gasifier",
        inputs={"chips": 10 * GRAM},
        outputs={"gas": 20 * GRAM},
        places={"works": 1},
        no_load=0.5,
    )
    engine = replace(ENGINE, inputs={"gas": 20 * GRAM}, power_out=30 * KILOWATT)
    assert best(site_of([chips], [gasifier, engine])) == pytest.approx(6000.0)
    # In the mean it runs at full load for 60 % of the time, and is off otherwise.
    assert best(site_of([chips], [gasifier, engine]), "mean") == pytest.approx(18000.0)


def test_a_chamber_bridges_pauses() -> None:
    # 2 g/s for half of the time, through a pump of 1 g/s: in a pause of 1 h it draws 3.6 kg.
    pump = Pump(energy=0.0, rate=1 * GRAM, chamber=Chamber(1.0, 1e5))
    density = 0.026 / (8.31446261815324 * 288.15)  # kg/m3 a pascal
    source = Source(
        "well",
        "works",
        "gas",
        flow=2 * GRAM,
        stages=(Stage(1 * HOUR, 2 * HOUR),),
        pressure=1.5e5,
        pump=pump,
    )
    for share, power in ((1.0, 1.0), (0.5, 0.5), (2.0, 1.0)):
        volume = share * 3.6 / (0.5e5 * density)
        held = replace(source, pump=replace(pump, chamber=Chamber(volume, 1e5)))
        found = best(site_of([held], [ENGINE]))
        assert found == pytest.approx(power * 10 * KILOWATT / 1.5, rel=1e-6)
        # In the mean the pump draws for the hour of the burst, and on what the chamber holds.
        mean = min(1.0, 0.5 + 0.5 * share)
        assert best(site_of([held], [ENGINE]), "mean") == pytest.approx(
            mean * 10 * KILOWATT / 1.5, rel=1e-6
        )


def test_whole_units_of_a_store() -> None:
    # 1 g/s for half of the time; a pause of 6 h at 0.5 g/s needs 10.8 kg: two units of 5 kg
    # give 10 kg / 6 h, three all of it.
    source = Source("well", "works", "gas", flow=GRAM, stages=(Stage(6 * HOUR, 12 * HOUR),))
    holder = StoreType("holder", "gas", ("works",), max_size=10.0, unit=5.0)
    found = best(site_of([source], [ENGINE], holder))
    assert found == pytest.approx(10.0 / (6 * HOUR) / (1.5 * GRAM) * 10 * KILOWATT)
    found = best(site_of([source], [ENGINE], replace(holder, max_size=15.0)))
    assert found == pytest.approx(0.5 / 1.5 * 10 * KILOWATT)


def test_a_delivery_is_a_burst() -> None:
    # 20 g/s for 1 h of 24 h: 3 g/s always would need 23 h of it in store; 41.4 kg lasts 23 h at
    # 0.5 g/s.
    source = Source(
        "bought",
        "works",
        "gas",
        flow=20 * GRAM,
        stages=(Stage(1 * HOUR, 24 * HOUR),),
        delivered=True,
    )
    holder = StoreType("holder", "gas", ("works",), max_size=41.4)
    found = best(site_of([source], [ENGINE], holder))
    assert found == pytest.approx(0.5 / 1.5 * 10 * KILOWATT)

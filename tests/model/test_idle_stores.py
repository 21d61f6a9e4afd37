"""What stands but cannot be fed is no reason to say that no plan exists."""

from dataclasses import replace

import pytest

from allocator.search import Settings, make_plan
from allocator.site.records import (
    Built,
    Demand,
    Fluid,
    MachineType,
    Place,
    Site,
    Source,
    Stage,
    StoreType,
)
from allocator.verify import audit


def site_of(holds: str) -> Site:
    """A standing store that loses, at a site whose only source no pipe joins to anything."""
    return Site(
        name="idle",
        fluids={"gas": Fluid("gas", heating_value=18e6)},
        materials={},
        places={"here": Place("here"), "far": Place("far", 900.0, 0.0)},
        sources={"kiln": Source("kiln", "far", "gas", 0.01)},
        storage={"store": StoreType("store", holds, ("here",), max_size=3.6e7, loss=1e-6)},
        pipes={},
        routes={},
        machines={"engine": MachineType("engine", {"gas": 0.005}, {}, {"here": 2}, 3e4)},
        demands={"town": Demand("town", "power", 2e4)},
        built=Built(storage={("store", "here"): 1.8e7}),
        sha256="idle",
    )


def test_standing_stores_that_nobody_feeds() -> None:
    for holds in ("gas", "power"):
        site = site_of(holds)
        outcome = make_plan(site, Settings(node_limit=100))
        assert outcome.plan is not None, f"{holds}: {outcome.reason}"
        assert outcome.plan.power.firm_total == 0.0
        assert audit(site, outcome.plan).accepted


def test_a_standing_store_that_is_fed_bears_its_loss() -> None:
    # 20 g/s half of the time is 10 g/s; 1,000 kg that lose 1e-6 a second take 1 g/s of it. What is
    # left makes 30 kW of every 5 g/s: 54 kW of the 90 kW asked for, and 60 kW without the loss.
    site = site_of("gas")
    kiln = replace(site.sources["kiln"], place="here", flow=0.02, stages=(Stage(500.0, 1000.0),))
    fed = replace(
        site,
        sources={"kiln": kiln},
        machines={"engine": replace(site.machines["engine"], places={"here": 3})},
        demands={"town": Demand("town", "power", 9e4)},
        built=Built(storage={("store", "here"): 1000.0}),
        storage={"store": replace(site.storage["store"], max_size=1000.0)},
    )
    plan = make_plan(fed, Settings(node_limit=100)).plan
    assert plan is not None
    assert plan.power.firm_total == pytest.approx(54e3, rel=1e-5)
    assert audit(fed, plan).accepted

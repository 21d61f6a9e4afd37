"""A stock that whole pieces use to the last kilogram is used, and proven so, whatever the seed."""

import pytest

from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.search import Settings, make_plan
from allocator.site.records import (
    Demand,
    Fluid,
    MachineType,
    Material,
    Place,
    Site,
    Source,
    StoreType,
)
from allocator.verify import audit

SITE = Site(
    name="last kilogram",
    fluids={"gas": Fluid("gas", heating_value=18e6)},
    materials={"steel": Material("steel", stock=200.0)},
    places={"here": Place("here")},
    sources={"kiln": Source("kiln", "here", "gas", 0.01, connection_materials={"steel": 20.0})},
    # Sizes that are continuous, and sizes in whole units, stand in the same row of the stock.
    storage={
        "holder": StoreType("holder", "gas", ("here",), max_size=100.0, materials={"steel": 0.5}),
        "battery": StoreType(
            "battery", "power", ("here",), max_size=7.2e6, unit=3.6e6, materials={"steel": 1e-5}
        ),
    },
    pipes={},
    routes={},
    machines={
        "engine": MachineType(
            "engine", {"gas": 0.005}, {}, {"here": 2}, power_out=3e4, materials={"steel": 90.0}
        )
    },
    demands={"town": Demand("town", "power", 6e4)},
    sha256="last",
)


@pytest.mark.parametrize("seed", range(5))
def test_the_last_kilogram_is_used(seed: int) -> None:
    # 20 kg for the tap and 90 kg for each of two engines: 200 kg of 200 kg.
    plan = make_plan(SITE, Settings(node_limit=200, seed=seed)).plan
    assert plan is not None
    assert plan.goals[0].status == "optimal"
    assert plan.power.firm_clean == pytest.approx(6e4, rel=1e-6)
    assert plan.materials[0].used == pytest.approx(200.0, rel=1e-12)
    assert audit(SITE, plan).accepted


def test_whole_pieces_fit_exactly() -> None:
    """The row itself: the stock in whole pieces fits with nothing to spare and nothing short."""
    model, _ = state(network_of(SITE), "firm")
    row = next(r for r in model.rows if r.name == "stock[steel]")
    whole = {("tap", "kiln"): 1.0, ("count", "engine@here"): 2.0}
    used = sum(
        value * whole.get(model.columns[column].key, 0.0)
        for column, value in zip(row.columns, row.coefficients, strict=True)
    )
    assert used == row.high

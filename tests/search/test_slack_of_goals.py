"""A later goal does not live off the tolerance at which the earlier ones are held."""

import pytest

from allocator.search import Settings, make_plan
from allocator.site.records import (
    Demand,
    Fluid,
    Layer,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
)


@pytest.mark.parametrize("power", [3e4, 3e5, 3e6])
def test_no_pipe_is_laid_for_the_slack_of_power(power: float) -> None:
    """All gas makes power that is asked for: gas for the works is only to be had out of slack."""
    rate = power / 6e6
    site = Site(
        name="slack",
        fluids={"gas": Fluid("gas", heating_value=18e6)},
        materials={"steel": Material("steel", stock=1000.0)},
        places={"here": Place("here"), "works": Place("works", 90.0, 0.0)},
        sources={"kiln": Source("kiln", "here", "gas", rate)},
        storage={},
        pipes={"pipe": PipeType("pipe", 10.0, (Layer("steel", 1.0),))},
        routes={"way": Route("way", "here", "works", 90.0, ("pipe",))},
        machines={"engine": MachineType("engine", {"gas": rate}, {}, {"here": 1}, power)},
        demands={
            "town": Demand("town", "power", 2 * power),
            "works": Demand("works", "gas", rate, place="works"),
        },
        sha256="slack",
    )
    plan = make_plan(site, Settings(node_limit=500)).plan
    assert plan is not None
    assert plan.power.firm_clean == pytest.approx(power, rel=1e-6)
    assert {g.name: g.value for g in plan.goals}["served_fluid"] == 0.0
    assert plan.materials[0].used == 0.0

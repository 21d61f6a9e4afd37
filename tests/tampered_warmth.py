"""A digester that is kept warm, its plan, and a single tampering with it."""

from __future__ import annotations

from dataclasses import replace

from tampering import Tampering, edit

from allocator.network.deriving import network_of
from allocator.search import Settings, make_plan
from allocator.site.records import POWER, Demand, Fluid, MachineType, Place, Site, Source

ENGINE = MachineType(
    "engine",
    {"gas": 1e-3},
    {},
    {"digester": 1},
    power_out=10e3,
    heat_out=8e3,
    heat_temperature=358.15,
)
BOILER = MachineType(
    "boiler", {"gas": 1e-3}, {}, {"digester": 2}, heat_out=18e3, heat_temperature=340.0
)
WARM = Site(
    "Warm digester",
    fluids={"gas": Fluid("gas", heating_value=20e6)},
    materials={},
    places={"digester": Place("digester", heat_demand=12e3, heat_temperature=328.15)},
    sources={"gas": Source("gas", "digester", "gas", flow=1e-3)},
    storage={},
    pipes={},
    routes={},
    machines={"engine": ENGINE, "boiler": BOILER},
    demands={"town": Demand("town", POWER, 10e3)},
    goals=("clean_power",),
)
_PLAN = make_plan(WARM, Settings(node_limit=100, threads=1)).plan
assert _PLAN is not None
SITE, PLAN = network_of(WARM), _PLAN
_boiler = next(use for use in PLAN.machines if use.type == "boiler")

TAMPERED: dict[str, Tampering] = {
    "a digester that is not warm": Tampering(
        "heat_demand",
        edit(PLAN, "machines", "boiler@digester", flat_load=_boiler.flat_load * 0.99),
        SITE,
    ),
    "heat that is not hot enough": Tampering(
        "heat_demand",
        PLAN,
        replace(
            SITE, machines={**SITE.machines, "boiler": replace(BOILER, heat_temperature=328.0)}
        ),
    ),
}

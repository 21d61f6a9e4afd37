"""The plant's own load: what pumps take counts at the peak of what follows a demand."""

from __future__ import annotations

import pytest

import allocator as al
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Demand, Fluid, MachineType, Place, Profile, Pump, Site, Source
from allocator.verify import audit

HOUR = 3600.0
SERVED, ENERGY = 6000.0, 0.2e6
PEAK = 1.5


def site(energy: float = ENERGY) -> Site:
    """Gas that is pumped into an engine, which follows a demand."""
    engine = MachineType("engine", {"gas": 1.5e-3}, {}, {"farm": 1}, power_out=10e3)
    profile = Profile(24 * HOUR, (0.0, 12 * HOUR), (2.0 - PEAK, PEAK))
    return Site(
        name="pumped",
        fluids={"gas": Fluid("gas", heating_value=20e6)},
        materials={},
        places={"farm": Place("farm")},
        sources={"well": Source("well", "farm", "gas", 3e-3, pump=Pump(energy))},
        storage={},
        pipes={},
        routes={},
        machines={"engine": engine},
        demands={"drive": Demand("drive", "power", SERVED, place="farm", profile=profile)},
    )


@pytest.fixture(scope="module")
def plan() -> Plan:
    found = make_plan(site(), Settings(node_limit=100, threads=1)).plan
    assert found is not None
    assert found.power.firm_total == pytest.approx(SERVED)
    return found


def test_a_pump_is_fed_at_the_peak_of_what_it_moves(plan: Plan) -> None:
    """As much flat power as its mean load, and a little more, is not enough."""
    (well,) = plan.sources
    (engine,) = plan.machines
    flat = 10e3 * engine.flat_load
    steady, following = well.direct["flat"], well.direct["drive"]
    mean, peak = steady + following, steady + PEAK * following
    for per_kilogram, accepted in (
        (ENERGY, True),
        (flat / peak * (1 - 1e-6), True),
        (flat / peak * (1 + 1e-4), False),
        (flat / mean * (1 - 1e-6), False),
    ):
        assert audit(site(per_kilogram), plan).rules == (() if accepted else ("own_load",))


@pytest.mark.parametrize("surplus", [False, True])
def test_the_simulation_carries_the_pump(plan: Plan, surplus: bool) -> None:
    """As much flat power as the pump takes on the mean: in half of the time it lacks some."""
    (well,) = plan.sources
    (engine,) = plan.machines
    flat = 10e3 * engine.flat_load
    steady, following = well.direct["flat"], well.direct["drive"]
    enough = flat / (steady + PEAK * following)
    mean = flat / (steady + following)
    assert al.simulate(site(enough), plan, days=4.0, draws=1, surplus=surplus).kept
    trace = al.simulate(site(mean), plan, days=4.0, draws=1, surplus=surplus)
    assert not trace.kept
    (draw, *_) = trace.draws
    lacks = mean * (steady + PEAK * following) - flat
    assert draw.worst_firm_w == pytest.approx(SERVED * (1.0 - lacks / (PEAK * SERVED)), rel=1e-4)
    assert draw.short_s == pytest.approx(2 * 24 * HOUR, rel=1e-6)

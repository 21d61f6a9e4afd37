"""Machines without price or material: no unit more than the load asks for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from allocator.model.index_sets import index_sets_of
from allocator.model.rules.stores import most_given, most_units
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import (
    Demand,
    Fluid,
    MachineType,
    Place,
    Profile,
    Site,
    Source,
    Stage,
    StoreType,
)
from allocator.verify import audit

GRAM, KILOWATT, HOUR = 1e-3, 1e3, 3600.0
EVENING = Profile(24 * HOUR, (0.0, 12 * HOUR), (0.5, 1.5))


def free_machines(**changes: float) -> Site:
    """40 kW asked for, and gas for 80: five engines of 8 kW carry it, and nothing limits them."""
    engine = MachineType(
        "engine", {"gas": 1 * GRAM}, {"flue": 2 * GRAM}, {"yard": None}, power_out=8 * KILOWATT
    )
    return Site(
        name="free machines",
        fluids={
            "gas": Fluid("gas", heating_value=20e6),
            "flue": Fluid("flue", emission="biogenic"),
        },
        materials={},
        places={"yard": Place("yard")},
        sources={
            "well": Source("well", "yard", "gas", 20 * GRAM, stages=(Stage(12 * HOUR, 24 * HOUR),))
        },
        storage={"tank": StoreType("tank", "gas", ("yard",), max_size=10_000.0)},
        pipes={},
        routes={},
        machines={"engine": replace(engine, **changes)},
        demands={"town": Demand("town", "power", 40 * KILOWATT)},
    )


def planned(site: Site, basis: str = "firm") -> Plan:
    plan = make_plan(site, Settings(basis=basis, gap=1e-6, node_limit=1000)).plan
    assert plan is not None
    assert [str(breach) for breach in audit(site, plan).breaches] == []
    return plan


def units(plan: Plan) -> tuple[int, int]:
    (machine,) = plan.machines
    return machine.count, machine.running


@pytest.mark.parametrize(
    "changes",
    [{}, {"no_load": 0.1}, {"min_load": 0.3}, {"no_load": 0.1, "min_load": 0.05}],
)
def test_five_units_suffice(changes: dict[str, float]) -> None:
    site = free_machines(**changes)
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(40 * KILOWATT, rel=1e-6)
    assert units(plan) == (5, 5)
    assert units(planned(site, "mean"))[0] == 5


def test_the_peak_of_a_profile_asks_for_more() -> None:
    """1.5 * 40 kW in the evening: eight units of 8 kW, of which seven and a half are at work."""
    site = free_machines(no_load=0.1)
    site = replace(site, demands={"town": replace(site.demands["town"], profile=EVENING)})
    assert units(planned(site)) == (8, 8)


def test_units_whose_exhaust_is_used_are_left() -> None:
    """A greenhouse takes all the exhaust there is: units at no load give more of it."""
    site = free_machines(no_load=0.1)
    plants = Demand("greenhouse", "flue", 12 * GRAM, place="yard")
    plan = planned(replace(site, demands={**site.demands, "greenhouse": plants}))
    served = next(use for use in plan.demands if use.name == "greenhouse")
    assert served.clean_share == pytest.approx(1.0, rel=1e-6)
    assert units(plan)[0] > 5


@pytest.mark.parametrize(
    ("standing", "at_place", "of_type", "most"),
    [(0, None, None, 1000), (2, None, 5, 5), (2, 3, None, 3), (2, 9, 5, 5), (2, 4, 5, 4)],
)
def test_bounds_count_standing_units_and_the_most_of_a_type(
    standing: int, at_place: int | None, of_type: int | None, most: int
) -> None:
    site = free_machines()
    engine = replace(site.machines["engine"], places={"yard": at_place}, max_units=of_type)
    built = replace(site.built, machines={("engine", "yard"): standing} if standing else {})
    site = replace(site, machines={"engine": engine}, built=built)
    sets = index_sets_of(network_of(site))
    assert most_units(sets.groups["engine@yard"]) == most
    assert most_given(sets, "flue") == pytest.approx(2 * GRAM * most)

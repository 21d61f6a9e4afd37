"""By-products of machines that follow a load, for steady uses, and the other way about."""

from __future__ import annotations

from dataclasses import replace

import pytest

from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.report.ways import ways_of
from allocator.search import Settings, make_plan
from allocator.site.records import (
    Demand,
    Fluid,
    MachineType,
    PipeType,
    Place,
    Profile,
    Route,
    Site,
    Source,
)
from allocator.verify import audit

GRAM, KILOWATT, HOUR = 1e-3, 1e3, 3600.0
EVENING = Profile(24 * HOUR, (0.0, 12 * HOUR), (0.5, 1.5))


def washing(*, profile: Profile | None = EVENING, wash: Profile | None = None) -> Site:
    """Gas for the peak of the load and no more: 1.5 * 8 kW; 10 g/s of warm water for 10 kW.

    The bath house asks for 8 g/s of it, along a pipe.
    """
    engine = MachineType(
        "engine", {"gas": 1 * GRAM}, {"water": 10 * GRAM}, {"yard": 2}, power_out=10 * KILOWATT
    )
    return Site(
        name="washing",
        fluids={"gas": Fluid("gas", heating_value=40e6), "water": Fluid("water", phase="liquid")},
        materials={},
        places={name: Place(name) for name in ("yard", "bath_house")},
        sources={"well": Source("well", "yard", "gas", 1.2 * GRAM)},
        storage={},
        pipes={"hose": PipeType("hose", 100 * GRAM)},
        routes={"lane": Route("lane", "yard", "bath_house", 10.0, ("hose",))},
        machines={"engine": engine},
        demands={
            "town": Demand("town", "power", 8 * KILOWATT, profile=profile),
            "wash": Demand("wash", "water", 8 * GRAM, place="bath_house", profile=wash),
        },
        goals=("clean_power", "served_power", "served_fluid"),
    )


def planned(site: Site) -> Plan:
    plan = make_plan(site, Settings(gap=1e-7, node_limit=1000)).plan
    assert plan is not None
    assert [str(breach) for breach in audit(site, plan).breaches] == []
    assert plan.status == "optimal"
    return plan


def washed(plan: Plan) -> float:
    """g/s of warm water promised."""
    (use,) = (use for use in plan.demands if use.name == "wash")
    return use.clean_share * use.mean / GRAM


def test_a_steady_use_has_the_least_of_what_follows_a_load() -> None:
    """8 kW follows the town, so 8 g/s of water does: by night, half of that."""
    site = washing()
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(8 * KILOWATT, rel=1e-6)
    assert washed(plan) == pytest.approx(4.0, rel=1e-5)
    shown = [way for way in ways_of(network_of(site), plan) if way.fluid == "water"]
    assert sum(way.rate for way in shown) == pytest.approx(4.0 * GRAM, rel=1e-5)
    assert {way.routes for way in shown} == {("lane",)}


def test_a_use_that_follows_has_what_is_steady_at_its_peak() -> None:
    """8 kW steady, 12 kW at the most: 12 g/s of water, of mean 8 g/s at a peak of 1.5."""
    plan = planned(washing(profile=None, wash=EVENING))
    assert plan.power.firm_clean == pytest.approx(8 * KILOWATT, rel=1e-6)
    assert washed(plan) == pytest.approx(8.0, rel=1e-5)
    less = replace(washing(profile=None, wash=EVENING))
    well = replace(less.sources["well"], flow=0.8 * GRAM)
    assert washed(planned(replace(less, sources={"well": well}))) == pytest.approx(
        8 / 1.5, rel=1e-5
    )


def test_the_same_shape_has_it_all() -> None:
    assert washed(planned(washing(wash=EVENING))) == pytest.approx(8.0, rel=1e-5)


def test_another_shape_has_the_least_at_its_peak() -> None:
    """4 g/s at the least for a use with a peak of 1.25 times its mean."""
    other = Profile(12 * HOUR, (0.0, 6 * HOUR), (1.25, 0.75))
    assert washed(planned(washing(wash=other))) == pytest.approx(4 / 1.25, rel=1e-5)


def test_the_audit_allows_no_more() -> None:
    site = washing()
    plan = planned(site)

    def with_wash(grams: float) -> Plan:
        demands = tuple(
            replace(use, clean_share=grams * GRAM / use.mean) if use.name == "wash" else use
            for use in plan.demands
        )
        runs = tuple(
            replace(run, flows=tuple(replace(f, rate=grams * GRAM) for f in run.flows))
            for run in plan.runs
        )
        return replace(plan, demands=demands, runs=runs)

    assert "supply_balance" not in audit(site, with_wash(3.9)).rules
    assert "supply_balance" in audit(site, with_wash(4.1)).rules

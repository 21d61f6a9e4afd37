"""What takes at no load: products in step with the load, exhaust in step with the takings."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.engine import simulate_plan
from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.plans.records import Plan
from allocator.report.ways import ways_of
from allocator.search import Settings, make_plan
from allocator.site.records import Demand, Fluid, MachineType, Place, Site, Source
from allocator.studies.carrying import at_part_load
from allocator.studies.figures import figures_of
from allocator.verify import audit

CASE = Path(__file__).parents[1] / "cases" / "converter_no_load.yaml"
GRAM, KILOWATT = 1e-3, 1e3


def planned(site: Site, basis: str = "firm") -> Plan:
    plan = make_plan(site, Settings(basis=basis, gap=1e-9, node_limit=10_000)).plan
    assert plan is not None
    assert audit(site, plan).accepted
    return plan


def test_a_converter_gives_by_its_load() -> None:
    site = read_site(CASE)
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(6 * KILOWATT, rel=1e-5)
    (gasifier,) = (m for m in plan.machines if m.type == "gasifier")
    assert gasifier.flat_load == pytest.approx(0.2, rel=1e-5)
    assert plan.emissions.by_fluid["smoke"] == pytest.approx(3 * GRAM, rel=1e-5)
    trace = simulate_plan(site, plan)
    assert trace.kept
    assert all(d.mean_clean_w == pytest.approx(6 * KILOWATT, rel=1e-5) for d in trace.draws)
    assert all(
        d.released_kg["smoke"] == pytest.approx(3 * GRAM * d.seconds, rel=1e-5) for d in trace.draws
    )


def test_the_audit_does_not_credit_products_with_the_takings() -> None:
    """The plan of before: 18 kW of a converter that takes 60 % and turns at 20 %."""
    site = read_site(CASE)
    plan = planned(site)
    machines = tuple(replace(m, flat_load=0.6) if m.type == "engine" else m for m in plan.machines)
    demands = tuple(replace(d, clean_share=0.6) for d in plan.demands)
    breaches = audit(site, replace(plan, machines=machines, demands=demands)).breaches
    assert "supply_balance" in {breach.rule for breach in breaches}


def test_the_mean_basis_knows_no_takings_at_no_load() -> None:
    site = read_site(CASE)
    plan = planned(site, "mean")
    assert plan.power.firm_clean == pytest.approx(18 * KILOWATT, rel=1e-5)
    gas = [way for way in ways_of(network_of(site), plan) if way.fluid == "wood_gas"]
    assert sum(way.rate for way in gas) == pytest.approx(12 * GRAM, rel=1e-5)


def test_the_file_is_noted() -> None:
    (warning,) = check_site(CASE).warnings
    assert str(warning).startswith(
        f"{CASE}:17:14: machine 'gasifier': at no load it gives no 'wood_gas'"
    )


ENGINE = MachineType(
    "engine",
    inputs={"gas": 1 * GRAM},
    outputs={"water": 10 * GRAM, "flue": 3 * GRAM},
    places={"works": 1},
    power_out=10 * KILOWATT,
    no_load=0.2,
)


def by_products() -> Site:
    """0.6 g/s of gas for an engine that takes 1 g/s: load (0.6 - 0.2) / 0.8 = 50 %."""
    return Site(
        name="by-products",
        fluids={
            "gas": Fluid("gas", heating_value=40e6),
            "water": Fluid("water", phase="liquid"),
            "flue": Fluid("flue", emission="counted"),
        },
        materials={},
        places={"works": Place("works")},
        sources={"well": Source("well", "works", "gas", flow=0.6 * GRAM)},
        storage={},
        pipes={},
        routes={},
        machines={"engine": ENGINE},
        demands={
            "drive": Demand("drive", "power", 10 * KILOWATT),
            "bath_house": Demand("bath_house", "water", 20 * GRAM, place="works"),
            "greenhouse": Demand("greenhouse", "flue", 20 * GRAM, place="works"),
        },
    )


def test_by_products_of_power_follow_the_load_and_exhaust_the_takings() -> None:
    site = by_products()
    plan = planned(site)
    assert plan.power.firm_total == pytest.approx(5 * KILOWATT, rel=1e-5)
    served = {d.name: d.clean_share * d.mean for d in plan.demands}
    assert served["bath_house"] == pytest.approx(5 * GRAM, rel=1e-5)
    assert served["greenhouse"] == pytest.approx(1.8 * GRAM, rel=1e-5)
    assert plan.emissions.counted == pytest.approx(1.8 * GRAM, rel=1e-5)
    ways = {way.fluid: way.rate for way in ways_of(network_of(site), plan)}
    assert ways["water"] == pytest.approx(5 * GRAM, rel=1e-5)
    assert ways["flue"] == pytest.approx(1.8 * GRAM, rel=1e-5)
    products = figures_of(site, plan).products
    assert products["water"].given == pytest.approx(5 * GRAM, rel=1e-5)
    assert products["flue"].given == pytest.approx(1.8 * GRAM, rel=1e-5)


def test_a_fuel_that_counts_when_released_is_a_product() -> None:
    """Given in step with the load; counted as released, used or not, in step with the takings."""
    site = by_products()
    fuel = Fluid("water", heating_value=1e5, emission="counted")
    plan = planned(replace(site, fluids={**site.fluids, "water": fuel}))
    served = {d.name: d.clean_share * d.mean for d in plan.demands}
    assert served["bath_house"] == pytest.approx(5 * GRAM, rel=1e-5)
    assert plan.emissions.by_fluid["water"] == pytest.approx(6 * GRAM, rel=1e-5)


def test_a_machine_at_part_load_as_a_machine_of_that_size() -> None:
    half = at_part_load(network_of(by_products()), ENGINE, 0.5)
    assert half.inputs["gas"] == pytest.approx(0.6 * GRAM)
    assert half.outputs == pytest.approx({"water": 5 * GRAM, "flue": 1.8 * GRAM})

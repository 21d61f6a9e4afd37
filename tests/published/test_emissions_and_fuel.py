"""Emissions and fuel of machines and plans against published factors."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.engine import plan_site
from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.site.records import (
    POWER,
    Demand,
    Emission,
    Fluid,
    MachineType,
    Place,
    Site,
    Source,
)
from allocator.studies.machines import (
    efficiency_of,
    emission_per_energy,
    fuel_at_load,
    machines_table,
)

NETWORKS = Path(__file__).parents[2] / "networks"
KILOWATT_HOUR = 3.6e6

# IPCC 2006 Guidelines for National Greenhouse Gas Inventories, Vol. 2, Tables 1.2 and 2.2:
# net calorific value in TJ/Gg (the same as MJ/kg) and CO2 in kg/TJ.
IPCC: dict[str, tuple[float, float, Emission]] = {
    "natural_gas": (48.0, 56_100.0, "counted"),
    "diesel_oil": (43.0, 74_100.0, "counted"),
    "residual_fuel_oil": (40.4, 77_400.0, "counted"),
    "lpg": (47.3, 63_100.0, "counted"),
    "landfill_gas": (50.4, 54_600.0, "biogenic"),
    "biodiesels": (27.0, 70_800.0, "biogenic"),
    "wood": (15.6, 112_000.0, "biogenic"),
}
# g CO2 per kWh of fuel, printed: kg/TJ * 0.0036
GRAMS = {
    "natural_gas": 201.96,
    "diesel_oil": 266.76,
    "residual_fuel_oil": 278.64,
    "lpg": 227.16,
    "landfill_gas": 196.56,
    "biodiesels": 254.88,
    "wood": 403.2,
}


def station(fuel: str, share: float = 0.35, count_biogenic: bool = False) -> Site:
    """A set of 100 kW and an efficiency of ``share`` beside a pipe of one IPCC fuel."""
    heating_value, factor, emission = IPCC[fuel]
    burnt = 100e3 / share / (heating_value * 1e6)
    released = burnt * heating_value * 1e6 * factor * 1e-12
    machine = MachineType("set", {fuel: burnt}, {"co2": released}, {"here": 1}, power_out=100e3)
    return Site(
        "Station",
        fluids={
            fuel: Fluid(fuel, heating_value=heating_value * 1e6),
            "co2": Fluid("co2", emission=emission),
        },
        materials={},
        places={"here": Place("here")},
        sources={"pipe": Source("pipe", "here", fuel, flow=1.0)},
        storage={},
        pipes={},
        routes={},
        machines={"set": machine},
        demands={"works": Demand("works", POWER, 80e3)},
        count_biogenic=count_biogenic,
    )


@pytest.mark.parametrize("fuel", IPCC)
def test_release_a_kwh_of_fuel(fuel: str) -> None:
    site = station(fuel, count_biogenic=True)
    machine = site.machines["set"]
    emission, efficiency = emission_per_energy(site, machine), efficiency_of(site, machine)
    assert efficiency == pytest.approx(0.35)
    assert emission is not None
    grams = emission * efficiency * KILOWATT_HOUR * 1e3
    assert grams == pytest.approx(GRAMS[fuel], rel=1e-12)


@pytest.mark.parametrize("fuel", ["diesel_oil", "wood"])
def test_release_of_a_plan(fuel: str) -> None:
    """80 kW of power at 35 % need 228.6 kW of fuel, whose release the plan must tell."""
    site = station(fuel)
    result = plan_site(site, Settings(node_limit=100))
    plan, audit = result.plan, result.audit
    assert audit.accepted
    assert plan.power.firm_total == pytest.approx(80e3, rel=1e-5)
    released = 80e3 / 0.35 * GRAMS[fuel] * 1e-3 / KILOWATT_HOUR
    counted, biogenic = (released, 0.0) if fuel == "diesel_oil" else (0.0, released)
    assert plan.emissions.counted == pytest.approx(counted, rel=1e-5)
    assert plan.emissions.biogenic == pytest.approx(biogenic, rel=1e-5)
    # power is clean when nothing counted is released by the machine that gives it
    clean = 0.0 if fuel == "diesel_oil" else 80e3
    assert plan.power.firm_clean == pytest.approx(clean, rel=1e-5)


def test_biogenic_releases_count_where_the_site_says_so() -> None:
    plain, strict = station("wood"), station("wood", count_biogenic=True)
    assert [machines_table(site)[0].clean for site in (plain, strict)] == [True, False]


@pytest.mark.parametrize(
    ("power", "printed"),
    # US EPA, Catalog of CHP Technologies (2017), Table 2-2: gas engines, electric, HHV
    [(100e3, 0.270), (633e3, 0.345), (1121e3, 0.368), (3326e3, 0.404), (9341e3, 0.416)],
)
def test_gas_engines_keep_heating_value_bases_apart(power: float, printed: float) -> None:
    """A share of the higher heating value is a larger share of the lower, which sites give.

    Natural gas 47.130 and 52.212 MJ/kg: US DOE Hydrogen Analysis Resource Center.
    """
    burnt = power / (printed * 52.212e6)
    engine = MachineType("engine", {"gas": burnt}, {}, {"here": None}, power_out=power)
    site = Site(
        "Engine", {"gas": Fluid("gas", heating_value=47.130e6)}, {}, {}, {}, {}, {}, {}, {}, {}
    )
    assert efficiency_of(site, engine) == pytest.approx(printed * 52.212 / 47.130, rel=1e-9)


@pytest.mark.parametrize(
    ("hydrogen", "printed"),
    # US DOE targets for direct hydrogen PEM of 1 to 10 kW: kg H2 a kWh, share of LHV
    [(0.0600, 0.50), (0.0500, 0.60)],
)
def test_fuel_cells_on_hydrogen(hydrogen: float, printed: float) -> None:
    cell = MachineType("cell", {"hydrogen": hydrogen / 3600 * 5}, {}, {"here": None}, power_out=5e3)
    fluid = Fluid("hydrogen", heating_value=119.96e6)  # US DOE, lower heating value
    site = Site("Cell", {"hydrogen": fluid}, {}, {}, {}, {}, {}, {}, {}, {})
    assert efficiency_of(site, cell) == pytest.approx(printed, rel=5e-3)
    assert emission_per_energy(site, cell) == 0.0


@pytest.mark.parametrize("name", ["harbour", "harbour_capacities", "island"])
def test_diesel_sets_of_the_networks(name: str) -> None:
    """Invented sets must look like real ones.

    Release: IPCC, 74 100 kg/TJ. Fuel at full load: trade chart, 0.270 to 0.303 L/kWh from 500
    down to 20 kW, within 10 % (smaller sets burn more). A quarter load burns 30 to 38 % of it.
    """
    site = read_site(NETWORKS / f"{name}.yaml")
    machine = site.machines["diesel_set"]
    burnt = machine.inputs["diesel"]
    heating_value = site.fluids["diesel"].heating_value
    assert heating_value is not None
    released = machine.outputs["fossil_co2"] / (burnt * heating_value) * 1e12
    assert released == pytest.approx(74_100, rel=0.02)
    litres = burnt / 0.84 * KILOWATT_HOUR / machine.power_out
    assert 0.270 * 0.9 < litres < 0.303 * 1.1
    assert 0.30 <= fuel_at_load(machine, 0.25) <= 0.38


@pytest.mark.parametrize("quarter", [0.30, 0.38])
def test_the_fuel_line_is_affine(quarter: float) -> None:
    """The trade chart's quarter load fixes the line; at full load it is 1, at none the rest."""
    idle = (quarter - 0.25) / 0.75
    machine = MachineType("set", {"diesel": 1.0}, {}, {}, power_out=1.0, no_load=idle)
    shares = [fuel_at_load(machine, load) for load in (0.0, 0.25, 0.5, 1.0)]
    assert shares == pytest.approx([idle, quarter, idle + (1 - idle) / 2, 1.0])

"""Cautions depend on what is on the site, and the last one is always there."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest
from handmade_cove import COVE, named

from allocator.network.cautions import EXISTING, cautions_for
from allocator.network.reading import read_site
from allocator.site.records import POWER, Fluid, MachineType, Place, Site, Source, StoreType
from allocator.site.writing import site_text

EMPTY = Site("Empty", {}, {}, {}, {}, {}, {}, {}, {}, {})


def site_with(
    fluid: Fluid,
    source: Source | None = None,
    machines: Mapping[str, MachineType] | None = None,
    storage: Mapping[str, StoreType] | None = None,
) -> Site:
    return replace(
        EMPTY,
        places={"here": Place("here")},
        fluids=named(fluid),
        sources=named(source or Source("spring", "here", fluid.name, 1.0)),
        machines=machines or {},
        storage=storage or {},
    )


def heads(site: Site) -> list[str]:
    """The first words of each caution."""
    return [text.split(":")[0].split(" ")[0].rstrip(",") for text in cautions_for(site)]


def test_an_empty_site_has_the_standing_caution_alone() -> None:
    assert cautions_for(EMPTY) == (EXISTING,)
    assert "Local codes and licensed practitioners decide" in EXISTING


@pytest.mark.parametrize(
    ("fluid", "head"),
    [
        (Fluid("gas", heating_value=2e7), "Burnable"),
        (Fluid("hydrogen", heating_value=1.2e8), "Hydrogen"),
        (Fluid("off_gas", substance="Hydrogen"), "Hydrogen"),
        (Fluid("h2"), "Hydrogen"),
        (Fluid("raw_biogas"), "Biogas"),
        (Fluid("nitrogen"), "Biogas"),
        (Fluid("plume", emission="counted"), "Biogas"),
        (Fluid("diesel", phase="liquid", heating_value=4e7), "Liquid"),
    ],
)
def test_a_fluid_brings_its_caution(fluid: Fluid, head: str) -> None:
    assert head in heads(site_with(fluid))


@pytest.mark.parametrize(
    ("fluid", "poisons"),
    [
        (Fluid("furnace gas", heating_value=1e7, substance="CarbonMonoxide"),
         {"Carbon", "Off-gas"}),
        (Fluid("lean", heating_value=1e7, substance="CarbonMonoxide"), {"Carbon", "Off-gas"}),
        (Fluid("lean", heating_value=1e7, substance="CarbonMonoxide[0.3]&Nitrogen[0.7]"),
         {"Carbon", "Raw"}),
        (Fluid("wood_gas", heating_value=5e6), {"Carbon", "Raw"}),
        (Fluid("charcoal retort gas", heating_value=5e6), {"Carbon", "Raw"}),
        (Fluid("CO"), {"Carbon"}),
        (Fluid("NH3"), {"Ammonia"}),
        (Fluid("fuel", substance="Ammonia", heating_value=1.9e7), {"Ammonia", "Off-gas"}),
        (Fluid("landfill gas", heating_value=1.5e7), {"Hydrogen", "Raw"}),
        (Fluid("biogas", heating_value=1.8e7), {"Hydrogen", "Raw"}),
        (Fluid("associated gas", heating_value=4e7), {"Hydrogen", "Raw"}),
        (Fluid("acid", substance="HydrogenSulfide"), {"Hydrogen"}),
        (Fluid("gas", heating_value=2e7), {"Raw"}),
        (Fluid("methane", heating_value=5e7, substance="Methane"), {"Off-gas"}),
        (Fluid("lean", heating_value=5e6, may_hold=("carbon monoxide",)), {"Carbon", "Raw"}),
        (Fluid("lean", heating_value=5e6, may_hold=("hydrogen sulphide",)), {"Hydrogen", "Raw"}),
        (Fluid("diesel", phase="liquid", heating_value=4e7), set()),
        (Fluid("CO2", emission="biogenic"), set()),
        (Fluid("wood", phase="solid", heating_value=1.6e7), set()),
    ],
)  # fmt: skip
def test_a_poisonous_gas_is_told(fluid: Fluid, poisons: set[str]) -> None:
    found = [text for text in cautions_for(site_with(fluid)) if not text.startswith("Hydrogen:")]
    told = {text.split(" ")[0] for text in found if "poison" in text or "kills" in text}
    assert told == poisons
    assert all("Local codes" in text for text in found if "kills" in text)


GAS = Fluid("gas", heating_value=5e6)


@pytest.mark.parametrize(
    ("source", "place", "caution"),
    [
        ("kilns", "here", "Carbon monoxide kills"),
        ("north", "retort_house", "Carbon monoxide kills"),
        ("digester_2", "here", "Hydrogen sulphide"),
        ("north", "old_landfill", "Hydrogen sulphide"),
    ],
)
def test_a_source_and_its_place_tell_what_a_gas_may_hold(
    source: str, place: str, caution: str
) -> None:
    site = replace(site_with(GAS, Source(source, place, "gas", 1.0)), places=named(Place(place)))
    assert any(text.startswith(caution) for text in cautions_for(site))
    bought = replace(site.sources[source], price=1.0)
    told = cautions_for(replace(site, sources=named(bought)))
    assert not any(text.startswith(caution) for text in told)


def test_a_machine_tells_what_the_gas_that_it_gives_may_hold() -> None:
    gasifier = MachineType("gasifier", {"chips": 1.0}, {"gas": 2.0}, {"here": 1})
    chips = Fluid("chips", phase="solid", heating_value=1.6e7)
    site = site_with(chips, Source("wood", "here", "chips", 1.0), machines=named(gasifier))
    told = cautions_for(replace(site, fluids=named(chips, GAS)))
    assert any(text.startswith("Carbon monoxide kills") for text in told)


@pytest.mark.parametrize("name", ["landfill gas", "biogas"])
def test_the_catalogue_tells_what_a_gas_may_hold_whatever_its_name(
    name: str, tmp_path: Path
) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(
        "format: allocator.site/2\n"
        f"fluids: {{x: {{catalogue: {name}}}}}\n"
        "places: {here: {at: [0 m, 0 m]}}\n"
        "sources: {s: {place: here, fluid: x, flow: 1 g/s}}\n"
        "machines: {e: {inputs: {x: 1 g/s}, outputs: {power: 1 kW}, places: [here]}}\n"
        "demands: {d: {power: 1 kW, place: here}}\n",
        encoding="utf-8",
    )
    site = read_site(path)
    told = cautions_for(site)
    for caution in ("Hydrogen sulphide", "Biogas, carbon dioxide", "Raw gas"):
        assert any(text.startswith(caution) for text in told)
    path.write_text(site_text(site), encoding="utf-8")
    assert cautions_for(read_site(path)) == told


def test_gas_that_is_bought_is_no_raw_gas() -> None:
    gas = Fluid("gas", heating_value=4e7)
    bought = Source("main", "here", "gas", 1.0, price=0.8)
    assert "Raw" in heads(site_with(gas))
    assert "Raw" not in heads(site_with(gas, bought))


def test_a_harmless_fluid_brings_none() -> None:
    assert heads(site_with(Fluid("water", phase="liquid"))) == ["Local"]


def test_an_unused_fluid_brings_none() -> None:
    site = replace(site_with(Fluid("water", phase="liquid")))
    site = replace(site, fluids={**site.fluids, "hydrogen": Fluid("hydrogen")})
    assert heads(site) == ["Local"]


def test_heat_pressure_generators_and_batteries() -> None:
    water = Fluid("water", phase="liquid")
    hot = Source("geyser", "here", "water", 1.0, temperature=340.0)
    assert heads(site_with(water, hot)) == ["Hot", "Local"]
    warm = Source("geyser", "here", "water", 1.0, temperature=330.0)
    assert heads(site_with(water, warm)) == ["Local"]
    pressed = Source("well", "here", "water", 1.0, pressure=3e5)
    assert heads(site_with(water, pressed)) == ["Vessels", "Local"]
    turbine = MachineType("turbine", {"water": 1.0}, {}, {"here": 1}, power_out=1e3)
    assert heads(site_with(water, machines=named(turbine))) == ["Generators", "Local"]
    cells = StoreType("cells", POWER, ("here",), 1e6)
    assert heads(site_with(water, storage=named(cells))) == ["Batteries", "Local"]


def test_hydrogen_alone_gives_no_carbon_monoxide() -> None:
    hydrogen = Fluid("hydrogen", heating_value=1.2e8)
    cell = MachineType("cell", {"hydrogen": 1e-3}, {}, {"here": 1}, power_out=6e4)
    assert "Engine" not in heads(site_with(hydrogen, machines=named(cell)))
    gas = Fluid("gas", heating_value=2e7)
    engine = MachineType("engine", {"gas": 1e-3}, {}, {"here": 1}, power_out=6e3)
    assert "Engine" in heads(site_with(gas, machines=named(engine)))


def test_the_order_is_fixed_and_only_the_site_matters() -> None:
    found = cautions_for(COVE)
    assert found == cautions_for(replace(COVE, name="Elsewhere", sha256="0"))
    assert len(set(found)) == len(found)
    assert found[-1] == EXISTING

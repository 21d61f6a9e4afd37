"""Sources by firm clean power per tonne of the scarcest stock, against sums by hand."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from handmade_cove import COVE, named

from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.site.records import (
    Built,
    Layer,
    Limits,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)
from allocator.studies.sources_result import sources

NETWORKS = Path(__file__).parents[2] / "networks"
HOUR = 3600.0


def two_sources(**changes: object) -> Site:
    """``near``: 100 m away, off for half of each hour; ``far``: 300 m away, always on.

    Both give 1 g/s on the mean, for which one generator (2 g/s for 10 kW) gives 5 kW."""
    site = replace(
        COVE,
        materials=named(Material("steel", stock=5000.0), Material("wool", stock=9000.0)),
        places=named(Place("a"), Place("b"), Place("works"), Place("island")),
        sources=named(
            Source("far", "b", "gas", flow=0.001, connection_materials={"steel": 20.0}),
            Source("near", "a", "gas", flow=0.002, stages=(Stage(HOUR / 2, HOUR),)),
            Source("drum", "works", "oil", flow=0.01),
            Source("cell", "works", "hydrogen", flow=0.01),
            Source("alone", "island", "gas", flow=0.01),
        ),
        storage=named(StoreType("holder", "gas", ("works",), 400.0, materials={"steel": 10.0})),
        pipes=named(PipeType("pipe", 0.01, (Layer("steel", 2.0), Layer("wool", 0.5)))),
        routes=named(
            Route("short", "a", "works", 100.0, ("pipe",)),
            Route("long", "b", "works", 300.0, ("pipe",)),
        ),
        machines=named(
            MachineType(
                "set", {"gas": 0.002}, {}, {"works": 4}, power_out=1e4, materials={"steel": 100.0}
            ),
            MachineType("oil_set", {"oil": 0.001}, {"smoke": 0.003}, {"works": 4}, power_out=4e3),
        ),
        demands={},
        built=Built(),
        limits=Limits(),
    )
    return replace(site, **changes)


def test_first_site_as_in_the_head_of_its_file() -> None:
    """500 kg of pipe, 300 kg of engines, 260 kg of holder: 13.374 kW for all 1060 kg."""
    (row,) = (
        sources(read_site(NETWORKS / "first.yaml"))["sources"]
        .select("firm_clean", "scarce_stock", "stock_mass", "power_per_stock", "reason")
        .rows
    )
    power = 130 / 64800 / 1.5e-3 * 10e3
    assert row == (
        pytest.approx(power),
        "stock.steel",
        pytest.approx(1060),
        pytest.approx(power / 1060),
        "",
    )


def test_two_sources_in_the_order_of_a_sum_by_hand() -> None:
    """near: 200 of pipe + 100 + 10 kg/kg * 1 g/s * 1800 s = 318 kg; far: 600 + 100 + 20 = 720 kg.

    Of steel they take 1038 / 5000, of wool 200 / 9000: steel is the scarcest."""
    rows = (
        sources(two_sources())["sources"]
        .select("source", "firm_clean", "stock_mass", "power_per_stock", "scarce_stock")
        .rows
    )
    assert [row[0] for row in rows[:2]] == ["near", "far"]
    assert rows[0][1:4] == pytest.approx((5000.0, 318.0, 5000 / 318))
    assert rows[1][1:4] == pytest.approx((5000.0, 720.0, 5000 / 720))
    assert {row[4] for row in rows} == {"stock.steel"}


def test_the_reason_where_it_is_nothing() -> None:
    rows = sources(two_sources())["sources"].select("source", "firm_clean", "reason").rows
    assert set(rows[2:]) == {
        ("drum", 0.0, "no clean use: counted emission of oil_set"),
        ("cell", 0.0, "no generator burns hydrogen"),
        ("alone", 0.0, "no route to a generator"),
    }


def test_another_stock_is_the_scarcest_where_it_is_shorter() -> None:
    short = named(Material("steel", stock=5000.0), Material("wool", stock=160.0))
    rows = (
        sources(two_sources(materials=short))["sources"]
        .select("source", "scarce_stock", "stock_mass")
        .rows
    )
    assert rows[:2] == (("near", "stock.wool", 50.0), ("far", "stock.wool", 150.0))


def test_a_stock_that_is_too_small_is_named() -> None:
    short = named(Material("steel", stock=650.0), Material("wool"))
    rows = dict(sources(two_sources(materials=short))["sources"].select("source", "reason").rows)
    assert rows["near"] == ""
    assert rows["far"] == "stock.steel: needs 720 kg of 650 kg"


def test_what_exists_takes_no_stock() -> None:
    site = two_sources(built=Built(machines={("set", "works"): 1}))
    rows = sources(site)["sources"].select("source", "stock_mass").rows
    assert rows[:2] == (("near", pytest.approx(218.0)), ("far", pytest.approx(620.0)))


def test_json_text_and_csv_have_the_order() -> None:
    result = sources(two_sources())
    data = json.loads(result.to_json())["sources"]
    assert [row["source"] for row in data[:2]] == ["near", "far"]
    assert data[0]["power_per_stock_w_per_kg"] == pytest.approx(5000 / 318)
    assert "per tonne of stock.steel, the scarcest stock" in result.summary().splitlines()[0]
    assert result.to_csv().splitlines()[1].startswith("near,")


def test_sources_too_small_alone_are_ranked_by_what_they_add_to_the_others() -> None:
    """A set needs 80 % load: alone each gives 50 %, together 2 g/s, of which each is 1 g/s.

    near needs 200 kg of pipe, far 600 + 20 kg, of 5 t; the steady one passes the store by."""
    demanding = MachineType(
        *("set", {"gas": 0.002}, {}, {"works": 4}), power_out=1e4, min_load=0.8, no_load=0.0
    )
    result = sources(two_sources(machines=named(demanding)))
    rows = result["sources"].select(
        *("source", "firm_clean", "added_flow", "added_power", "connection_stock"),
        *("connection_mass", "connection_share"),
    )
    stock = "stock.steel"
    near, far = rows.rows[:2]
    assert near == ("near", 0.0, *map(pytest.approx, (1e-3, 5e3)), stock, 200.0, 0.04)
    assert far == ("far", 0.0, *map(pytest.approx, (1e-3, 5e3)), stock, 620.0, 0.124)
    assert dict(result["sources"].select("source", "reason").rows)["near"] == (
        "one set: 50 % load, minimum 80 %"
    )
    line = next(x for x in result.summary().splitlines() if x.startswith("  near"))
    assert line.split()[:5] == ["near", "5", "4", "stock.steel", "one"]


def test_a_source_without_a_route_adds_nothing() -> None:
    rows = dict(sources(two_sources())["sources"].select("source", "added_power").rows)
    assert rows["alone"] == rows["cell"] == rows["drum"] == 0.0


@pytest.mark.parametrize("size", ["{max: 100 kg, unit: 50 kg}", "{max: 100 kg, min: 50 kg}"])
def test_all_of_a_store_loses_also_what_is_more_than_needed(size: str, tmp_path: Path) -> None:
    """50 kg lose 5 kg a day, 0.0579 g/s of 1 g/s, where 3.6 kg would do: as the plan has it."""
    text = """
format: allocator.site/2
name: loss and steps
fluids: {gas: {heating_value: 20 MJ/kg}, air: {emission: biogenic}}
materials: {steel: {stock: 1 t}}
places: {yard: {at: [0, 0]}}
sources: {well: {place: yard, fluid: gas, flow: 2 g/s, cycle: [{on: 1 h, every: 2 h}]}}
storage: {holder: {holds: gas, places: [yard], size: SIZE, loss: 10 %/d,
  materials: {steel: 1 kg/kg}}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 5 kW, air: 2 g/s}, places: {yard: 1}}
demands: {all: {power: 5 kW}}
"""
    (tmp_path / "site.yaml").write_text(text.replace("SIZE", size), encoding="utf-8")
    site = read_site(tmp_path / "site.yaml")
    plan = make_plan(site, Settings(node_limit=300)).plan
    assert plan is not None
    power = 5e3 * (1 - 50 * 0.1 / 86400 / 1e-3)
    assert plan.power.firm_total == pytest.approx(power, rel=1e-6)
    names = ("firm_clean", "firm", "store", "stock_mass")
    expected = pytest.approx((power, power / 5e6, 50.0, 50.0), rel=1e-6)
    assert sources(site)["sources"].select(*names).rows == (expected,)

"""What is said of limits behind rows that say whether something is used, against plans.

A base, a least size, a part of a unit, a standing store, a flare, a pipe: what such a row lets
through must not be what the file states, nor may anything be had without it.
"""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.model.limits import Want
from allocator.network.reading import read_site
from allocator.plans.records import Robustness
from allocator.search import Settings, make_plan
from allocator.site.records import Built, Limits, Site
from allocator.studies.carrying import carried_rows
from allocator.studies.why_result import conflict_for

EXACT = Settings(node_limit=100_000, gap=1e-7)
CASES = Path(__file__).parents[1] / "cases"
SITE = """
format: allocator.site/2
name: switches
fluids: {{gas: {{heating_value: 20 MJ/kg}}, air: {{emission: biogenic}}}}
materials: {{steel: {{stock: {stock}}}}}
places: {{yard: {{at: [0, 0]}}}}
sources:
  well: {{place: yard, fluid: gas, flow: {flow}, cycle: [{{on: 1 h, every: 2 h}}]}}
storage: {{store: {{holds: {store}, places: [yard]}}}}
machines:
  engine: {{inputs: {{gas: 1 g/s}}, outputs: {{power: 5 kW, air: 2 g/s}}, places: {{yard: 9}},
    {engine}}}
demands: {{all: {{power: {power}}}}}
"""
PIPES = """
format: allocator.site/2
name: pipe
fluids: {gas: {heating_value: 20 MJ/kg}, air: {emission: biogenic}}
materials: {steel: {stock: 1 t}}
places: {yard: {at: [0, 0]}, pit: {at: [100, 0]}}
sources: {well: {place: pit, fluid: gas, flow: 3 g/s}}
pipes: {thin: {capacity: 500 mg/s, layers: [{material: steel, mass: 500 g/m}]}}
routes: {lane: {between: [pit, yard]}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 5 kW, air: 2 g/s}, places: {yard: 3}}
demands: {all: {power: 10 kW}}
"""


def read(tmp_path: Path, text: str) -> Site:
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    return read_site(tmp_path / "site.yaml")


def site_of(tmp_path: Path, store: str, **words: str) -> Site:
    usual = {"stock": "100 kg", "flow": "3 g/s", "engine": "", "power": "5 kW"}
    return read(tmp_path, SITE.format(**{**usual, "store": store, **words}))


def changes_of(
    site: Site, watts: float, settings: Settings = EXACT, kind: str = "firm_clean"
) -> dict[str, float | None]:
    found = conflict_for(site, settings, [Want(kind, "", watts, "")])
    assert (found.status, found.minimal) == ("conflict", True)
    return {change.limit.kind: change.amount for change in found.changes}


def firm(site: Site, settings: Settings = EXACT) -> float:
    plan = make_plan(site, settings).plan
    assert plan is not None
    return plan.power.firm_total


BASES = {
    "base": (
        "gas, size: {max: 20 kg}, base: {materials: {steel: 50 kg}}",
        {"engine": "materials: {steel: 60 kg}"},
        10.0,
    ),
    "battery": (
        "power, size: {max: 3 kWh, min: 3 kWh}, base: {materials: {steel: 20 kg}},"
        " materials: {steel: 1 kg/kWh}",
        {"stock": "10 kg", "flow": "2 g/s"},
        13.0,
    ),
    "least size": (
        "gas, size: {max: 40 kg, min: 30 kg}, materials: {steel: 1 kg/kg}",
        {"stock": "25 kg"},
        5.0,
    ),
}


@pytest.mark.parametrize("case", BASES)
def test_no_size_is_had_without_the_base_or_the_least_size(case: str, tmp_path: Path) -> None:
    """By hand: what the base, the engine and the least size take is more than the stock."""
    store, words, more = BASES[case]
    site = site_of(tmp_path, store, **words)
    watts = 2e3 if case == "battery" else 5e3
    assert changes_of(site, watts) == {"stock": pytest.approx(more), "want": watts}
    if case == "base":
        (row,) = carried_rows(site, EXACT)
        assert {stop.limit.kind: stop.more for stop in row.stops} == {"stock": pytest.approx(more)}


def test_a_size_far_too_small_is_lifted_as_far_as_is_of_use(tmp_path: Path) -> None:
    """5 kW take 3.6 kg through the hour without gas, 3,600 times what may be built."""
    store = "gas, size: {max: 1 g}, base: {materials: {steel: 50 kg}}"
    found = changes_of(site_of(tmp_path, store), 5e3)
    assert found["size"] == pytest.approx(3.6 - 1e-3, rel=1e-3)


def with_flows(site: Site, factor: float) -> Site:
    flows = {n: replace(s, flow=factor * s.flow) for n, s in site.sources.items()}
    return replace(site, sources=flows)


def flow_suffices(site: Site, watts: float, settings: Settings = EXACT) -> None:
    """Flows are in the conflict, their change suffices, and no less does."""
    more = changes_of(site, watts, settings)["flow"]
    assert more is not None
    assert firm(with_flows(site, 1 + 1.002 * more), settings) >= watts * (1 - 1e-5)
    assert firm(with_flows(site, 1 + 0.98 * more), settings) < watts * (1 - 1e-3)


def test_larger_flows_fill_more_units_of_which_one_burns_a_part(tmp_path: Path) -> None:
    store = "power, size: {max: 1 MWh}, materials: {steel: 1 kg/kWh}"
    words = {"stock": "10 t", "flow": "500 mg/s", "engine": "no_load: 15 %", "power": "10 kW"}
    site = site_of(tmp_path, store, **words)
    flow_suffices(site, 6e3)
    (row,) = carried_rows(site, EXACT)
    assert row.stops
    assert {stop.limit.kind for stop in row.stops} == {"flow"}


def test_larger_flows_pass_a_store_that_no_flare_guards() -> None:
    """There is no money for the flare, so it guards nothing, whatever comes to the store."""
    site = with_flows(read_site(CASES / "flare_guards_store.yaml"), 0.2)
    flow_suffices(replace(site, limits=Limits(money=5.0)), 6e3)


def test_larger_flows_are_drawn_from_a_store_that_stands(tmp_path: Path) -> None:
    site = site_of(tmp_path, "gas, size: {max: 100 kg}, loss: 1 %/d", flow="50 mg/s")
    flow_suffices(replace(site, built=Built(storage={("store", "yard"): 100.0})), 5e3)


def test_pipes_of_steady_sources_are_limits(tmp_path: Path) -> None:
    """5 kW take 1 g/s, twice what the pipe carries."""
    assert changes_of(read(tmp_path, PIPES), 5e3)["capacity"] == pytest.approx(5e-4)


def test_pipes_are_limits_of_promises_with_a_unit_out(tmp_path: Path) -> None:
    settings = replace(EXACT, robustness=Robustness(machines=1))
    found = changes_of(read(tmp_path, PIPES), 5e3, settings)
    assert found["capacity"] == pytest.approx(5e-4)


HOT = """
format: allocator.site/2
name: hot
fluids: {gas: {phase: gas, heating_value: 20 MJ/kg, substance: Methane}}
places: {yard: {at: [0, 0]}}
sources: {well: {place: yard, fluid: gas, flow: 11 mg/s, temperature: 90 degC}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 5 kW}, places: {yard: 3},
    max_inlet_temperature: 100 degC}
demands: {all: {power: 10 kW}}
"""


def test_ways_without_cost_carry_whatever_larger_flows_bring(tmp_path: Path) -> None:
    """5 kW take 1 g/s, 91 times the flow of hot gas, out of its level into the machine."""
    found = changes_of(read(tmp_path, HOT), 5e3)
    assert found["flow"] == pytest.approx(1 / 0.011 - 1, rel=1e-3)

"""Generators that a site carries: by hand, and the next one with what it is said to need."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from tiny_sites import tiny_site

from allocator.engine.planning import NoPlanError, plan_site
from allocator.model.limits import Limit
from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Outcome, Settings, make_plan
from allocator.site.records import Site
from allocator.studies.carry_result import carry, carry_result
from allocator.studies.carrying import (
    ANYWHERE,
    CarriedRow,
    Stop,
    alone,
    at_part_load,
    carried_row,
    carried_rows,
)

NETWORKS = Path(__file__).parents[2] / "networks"
QUICK = Settings(node_limit=2000)


def test_first_site_by_hand() -> None:
    """Its head: 130 kg over 18 h carry 1.337 engines, the mean flow two.

    The second needs 3 g/s * 18 h = 194.4 kg of store: 64.4 kg more, at 2 kg of steel each.
    """
    site = read_site(NETWORKS / "first.yaml")
    result = carry(site, file=NETWORKS / "first.yaml", settings=QUICK)
    (row,) = result.rows
    assert (row.machine, row.place) == ("small_engine", "mill")
    assert row.firm == pytest.approx(130 / 64_800 / 1.5e-3, rel=1e-6)
    assert row.mean == pytest.approx(2.0, rel=1e-6)
    assert row.at_load_factor == pytest.approx(2.0, rel=1e-6)
    assert row.quiet
    (stop,) = row.stops
    assert stop.limit.name == "steel"
    assert stop.more == pytest.approx(2 * (194.4 - 130), rel=1e-3)
    (limit,) = result.limits.records()
    assert (limit["limit"], limit["sufficient"]) == ("stock.steel", "+129 kg")
    assert limit["where"] == "first.yaml:35"
    assert "first.yaml:35" in result.summary()
    assert '"units_firm": 1.337' in result.to_json()
    assert carry_result(site, result.rows, None).limits.column("where") == (
        "materials.steel.stock",
    )


def test_the_emission_cap_by_hand() -> None:
    """120 t of CO2 in the horizon's year at 3.17 g/s a set: 1.2 sets, and 80 t more for two."""
    site = read_site(NETWORKS / "island.yaml")
    site = replace(site, machines={"diesel_set": site.machines["diesel_set"]})
    rows = carried_rows(site, QUICK)
    year = 31_557_600.0
    assert [row.place for row in rows] == ["village", "pier", ANYWHERE]
    for row in rows:
        assert row.mean == pytest.approx(120e3 / year / 3.17e-3, rel=1e-6)
        (stop,) = row.stops
        assert stop.limit.kind == "emission"
        assert stop.more == pytest.approx(2 * 3.17e-3 - 120e3 / year, rel=2e-3)


def test_what_coolers_take_is_carried_as_well() -> None:
    """Six cells at full load run the fans of the cooler too: five were told before."""
    site = read_site(NETWORKS / "cool_first.yaml")
    (row,) = carried_rows(site, QUICK)
    assert (row.machine, row.place) == ("fuel_cell", "works")
    assert row.firm == pytest.approx(6, abs=1e-5)
    generators = carry_result(site, [row], None).generators
    assert generators.column("whole") == (6,)
    assert generators.column("units_firm") == pytest.approx((6.0,))
    (stop,) = row.stops
    assert (stop.limit.kind, stop.more) == ("places", pytest.approx(1.0))


def test_power_out_of_heat_is_no_unit(tmp_path: Path) -> None:
    """2 g/s are two turbines, whatever a cooler makes of their heat."""
    text = (NETWORKS / "near_furnace.yaml").read_text(encoding="utf-8")
    recovery = "    recovery: {efficiency: 15 %, threshold: 200 degC}\n"
    text = text.replace("    duty: 12 kW\n", f"    duty: 12 kW\n{recovery}")
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    (row,) = carried_rows(read_site(tmp_path / "site.yaml"), QUICK)
    assert row.firm == pytest.approx(2, abs=1e-5)
    assert row.mean == pytest.approx(2, abs=1e-5)


def test_part_load_burns_affine_fuel() -> None:
    site = read_site(NETWORKS / "island.yaml")
    machine = site.machines["gas_engine"]
    half = at_part_load(network_of(site), machine, 0.5)
    assert half.power_out == 15_000.0
    assert half.inputs["biogas"] == pytest.approx(4.4e-3 * (0.15 + 0.85 * 0.5))


@pytest.mark.parametrize("seed", range(40, 46))
def test_the_next_unit_runs_with_what_it_is_said_to_need(seed: int) -> None:
    site = tiny_site(seed, battery=False, stores=True)
    for row in carried_rows(site, QUICK):
        assert row.firm <= row.mean * (1 + 1e-6)
        for stop in row.stops:
            assert stop.more is not None
            raised = _raised(site, stop)
            if raised is None:
                continue
            again = next(
                other
                for other in carried_rows(raised, QUICK)
                if (other.machine, other.place) == (row.machine, row.place)
            )
            assert math.floor(again.firm + 1e-4) > math.floor(row.firm + 1e-5), (row, stop)


def _raised(site: Site, stop: Stop) -> Site | None:
    more = (stop.more or 0.0) * 1.002
    name = stop.limit.name
    if stop.limit.kind == "stock":
        material = site.materials[name]
        raised = replace(material, stock=(material.stock or 0.0) + more)
        return replace(site, materials={**site.materials, name: raised})
    if stop.limit.kind == "size":
        store = site.storage[name]
        return replace(
            site, storage={**site.storage, name: replace(store, max_size=store.max_size + more)}
        )
    return None


def test_every_other_generator_is_left_out() -> None:
    site = read_site(NETWORKS / "island.yaml")
    lone = alone(network_of(site), site.machines["gas_engine"], "cross")
    assert list(lone.machines) == ["gas_engine"]
    assert dict(lone.machines["gas_engine"].places) == {"cross": 2}
    assert lone.built.machines == {}


def test_what_fails_is_told() -> None:
    site = read_site(NETWORKS / "first.yaml")
    row = CarriedRow("engine", "mill", 0.0, 0.0, 0.0, False, (), (), "the solver failed")
    assert (
        "engine at mill, unit no. 1: the solver failed" in carry_result(site, [row], None).summary()
    )


def test_a_unit_that_no_limit_stops_is_not_said_to_need_nothing_more_of_one() -> None:
    """A longer search may find that it runs: then no limit is named with a change of 0."""
    site = network_of(read_site(NETWORKS / "first.yaml"))
    limit = Limit("stock", "steel", ("materials", "steel", "stock"), 1060.0, "mass", True)
    row = CarriedRow("small_engine", "mill", 1.0, 0.0, 1.0, False, (Stop(limit, 0.0, 0.0),), ())
    result = carry_result(site, [row], None)
    assert not result.limits.rows
    assert "small_engine at mill, unit no. 1: no limit stops it" in result.summary()
    more = replace(row, stops=(Stop(limit, 5.0, 5.0),))
    assert carry_result(site, [more], None).limits.column("sufficient") == ("+5 kg",)


def test_what_is_sufficient_is_rounded_up() -> None:
    site = network_of(read_site(NETWORKS / "first.yaml"))
    limit = Limit("flow", "gas", ("fluids", "gas", "flow"), 1.0, "share", True)
    stops = (Stop(limit, 0.15102, 0.15102), Stop(limit, None, 0.15102))
    row = CarriedRow("small_engine", "mill", 1.0, 0.0, 1.0, False, stops, ())
    found = carry_result(site, [row], None).limits.records()
    assert found[0]["sufficient"] == "+15.2 %"
    assert "+15.1 %" in found[1].values()  # at least that much is needed


LINE = """
format: allocator.site/2
name: Saltworks
ambient: {temperature: 20 degC}
fluids: {cell gas: {catalogue: hydrogen}}
materials: {steel: {stock: 30 t, density: 7850 kg/m^3}}
places:
  cells: {at: [0 m, 0 m]}
  tank farm: {at: [180 m, 40 m]}
sources:
  line 1:
    {place: cells, fluid: cell gas, flow: 4.2 g/s, cycle: [{on: 60 d, every: 67 d}],
      pressure: 60 mbar(g)}
  line 2:
    {place: cells, fluid: cell gas, flow: 4.2 g/s, cycle: [{on: 8 h, every: 24 h}],
      pressure: 60 mbar(g)}
storage:
  tube bank:
    {holds: cell gas, places: [tank farm], size: {max: 600 kg, unit: 20 kg},
      materials: {steel: 45 kg/kg}, min_pressure: 2 bar(g), max_pressure: 10 bar(g)}
pipes: {dn50: {catalogue: DN 100 medium, layers: [{material: steel}]}}
routes: {rack: {between: [cells, tank farm], detour_factor: 1.2}}
boosters:
  compressor:
    {kind: compressor, fluids: [cell gas], places: {tank farm: 1}, ratio: 11, efficiency: 60 %,
      discharge_temperature: 50 degC, max_flow: 10 g/s, min_inlet_pressure: 1.02 bar}
machines:
  engine:
    {inputs: {cell gas: 2.3 g/s}, outputs: {power: 100 kW}, min_load: 30 %, no_load: 8 %,
      places: {tank farm: 6}, min_inlet_pressure: 30 mbar(g)}
demands: {mill: {power: 350 kW, place: tank farm}}
"""


def test_units_that_run_for_the_compressor_count(tmp_path: Path) -> None:
    """At full load the compressor takes more than it gains others, so no plan that serves most

    power runs the unit there; it can run all the same, and the next question is of the second."""
    path = tmp_path / "site.yaml"
    path.write_text(LINE)
    site, settings = network_of(read_site(path)), Settings(node_limit=500, threads=1)
    served = alone(site, site.machines["engine"], "tank farm")
    plan = make_plan(served, settings).plan
    assert plan is not None
    (unit,) = [use for use in plan.machines if use.count]
    assert unit.flat_load < 0.999
    found = carried_row(site, "engine", "tank farm", settings)
    assert found["firm"] == 1.0
    assert not [stop for stop in found["stops"] if stop["more"] == 0.0]


PUMPED = """
format: allocator.site/2
name: pumped
fluids: {gas: {heating_value: 20 MJ/kg}, air: {emission: biogenic}}
places: {yard: {at: [0, 0]}}
sources:
  plain: {place: yard, fluid: gas, flow: 10 g/s, cycle: [{on: 1 h, every: 2 h}]}
  pumped: {place: yard, fluid: gas, flow: 10 g/s, cycle: [{on: 8 h, every: 10 h}],
    pump: {energy: 2 MJ/kg}}
storage: {holder: {holds: gas, places: [yard], size: {max: 500 kg}, fill_rate: RATE}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 5 kW, air: 2 g/s}, places: {yard: 4}}
demands: {all: {power: 20 kW}}
"""


def pumped(tmp_path: Path, rate: str) -> CarriedRow:
    (tmp_path / "site.yaml").write_text(PUMPED.replace("RATE", rate), encoding="utf-8")
    (row,) = carried_rows(read_site(tmp_path / "site.yaml"), QUICK)
    return row


def test_units_and_what_stops_the_next_one_are_of_all_that_is_generated(tmp_path: Path) -> None:
    """Pumped gas comes 0.8 of the time: 0.8 units of 1 g/s, though plain gas serves more of it.

    The first whole unit takes 1 / 0.8 = 1.25 g/s into the store.
    """
    row = pumped(tmp_path, "1 g/s")
    assert row.firm == pytest.approx(0.8, rel=1e-5)
    assert {stop.limit.kind: stop.more for stop in row.stops} == {
        "fill_rate": pytest.approx(0.25e-3, rel=1e-3)
    }
    row = pumped(tmp_path, "1.25 g/s")
    assert row.firm == pytest.approx(1.0, rel=1e-5)
    assert row.next == 2
    assert {stop.limit.kind: stop.more for stop in row.stops} == {
        "fill_rate": pytest.approx(1.25e-3, rel=1e-3)
    }


def test_counts_that_the_time_did_not_settle_are_no_zeros(monkeypatch: pytest.MonkeyPatch) -> None:
    """No plan was found, and it is not proven that there is none."""
    site = read_site(NETWORKS / "first.yaml")

    def out_of_time(*_: object) -> None:
        raise NoPlanError(Outcome(None, reason="no plan in the time"))

    monkeypatch.setattr("allocator.studies.carrying.plan_site", out_of_time)
    result = carry(site, settings=QUICK)
    (row,) = result.rows
    assert (row.mean, row.firm, row.at_load_factor, row.next) == (None, None, None, None)
    assert row.open
    (told,) = result.generators.records()
    assert (told["whole"], told["units_firm"], told["units_mean"]) == (None, None, None)
    told = result.summary()
    assert "small_engine at mill, units: not determined in the time" in told
    assert "Units that are not known" in told
    assert "no limit alone explains" not in told
    assert '"units_firm": null' in result.to_json()


def test_a_plan_of_nothing_without_a_bound_counts_no_units(monkeypatch: pytest.MonkeyPatch) -> None:
    site = read_site(NETWORKS / "first.yaml")
    plain = plan_site(site, QUICK)
    (goal, *_) = plain.plan.goals
    nothing = replace(
        plain.plan,
        power=replace(plain.plan.power, firm_total=0.0),
        goals=(replace(goal, value=0.0, gap=1.0),),
    )
    monkeypatch.setattr(
        "allocator.studies.carrying.plan_site", lambda *_: replace(plain, plan=nothing)
    )
    (row,) = carried_rows(site, QUICK)
    assert (row.mean, row.firm, row.open) == (None, None, True)

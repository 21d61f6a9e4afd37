"""What planning and audit gather from a file in like ways, each against values by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest
from changed_sites import changed_site

from allocator.network.deriving import network_of
from allocator.network.pressure_ranges import range_of
from allocator.plans.records import Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit
from allocator.verify.case import Case
from allocator.verify.pressure_walk import walked_fluid

PRESSED = """
format: allocator.site/2
name: Every pressure of a gas
ambient: {temperature: 15 degC, pressure: 100 kPa}
fluids:
  gas:
    phase: gas
    constants: {density: 1.15 kg/m^3, viscosity: 1.2e-5 Pa*s, molar_mass: 27 g/mol,
      specific_heat: 1500 J/(kg*K)}
  tar: {phase: liquid, constants: {density: 900 kg/m^3}}
materials: {steel: {stock: 9 t}}
places: {mouth: {at: [0 m, 0 m]}, works: {at: [300 m, 0 m]}}
sources:
  well: {place: mouth, fluid: gas, flow: 20 g/s, pressure: 105 kPa, temperature: 60 degC}
  drip: {place: mouth, fluid: tar, flow: 1 g/s, pressure: 900 kPa, temperature: 5 degC}
storage:
  holder: {holds: gas, places: [works], size: {max: 400 kg}, pressure: 103 kPa}
  vessel: {holds: gas, places: [works], size: {max: 40 kg}, min_pressure: 101 kPa,
    max_pressure: 104 kPa, pressure_rating: 50 bar}
pipes: {dn50: {bore: 52.5 mm, layers: [{material: steel, mass: 5 kg/m}], pressure_rating: 40 bar}}
routes: {lane: {between: [mouth, works]}}
boosters:
  fan: {kind: blower, fluids: [gas], places: {mouth: 1}, ratio: 1.03, efficiency: 50 %,
    discharge_temperature: 30 degC}
machines:
  still:
    inputs: {tar: 1 g/s}
    outputs: {gas: 1 g/s}
    places: {works: 2}
    outlet_pressure: 106 kPa
    outlet_temperature: 40 degC
    min_inlet_pressure: 950 kPa
  engine: {inputs: {gas: 2 g/s}, outputs: {power: 9 kW}, places: {works: 9},
    min_inlet_pressure: 102 kPa}
demands:
  town: {power: 20 kW}
  flame: {fluid: gas, flow: 1 g/s, place: works, min_inlet_pressure: 102 kPa}
"""


def gathered(site: Site) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
    """Of the gas: the most that is given where it is not said, Pa; coldest and hottest, K."""
    network = network_of(site)
    planning = range_of(network, "gas")
    case = Case(network, None, True, {}, {}, {}, {}, {}, {}, network)  # type: ignore[arg-type]
    own = walked_fluid(case, "gas")
    assert planning is not None
    assert own is not None
    return (planning.unsaid, planning.cold, planning.hot), (own.unsaid, own.cold, own.hot)


@pytest.mark.parametrize(
    ("old", "new", "highest"),
    [
        ("outlet_pressure: 106 kPa", "outlet_pressure: 106 kPa", 106e3),  # of the still
        ("pressure: 105 kPa", "pressure: 111 kPa", 111e3),
        ("pressure: 103 kPa}", "pressure: 112 kPa}", 112e3),
        ("    max_pressure: 104 kPa", "    max_pressure: 113 kPa", 113e3),
        ("\n    min_inlet_pressure: 102 kPa}", "\n    min_inlet_pressure: 114 kPa}", 114e3),
        ("works, min_inlet_pressure: 102 kPa", "works, min_inlet_pressure: 115 kPa", 115e3),
    ],
)
def test_what_is_not_said_gives_up_to_twice_the_highest_that_is(
    old: str, new: str, highest: float, tmp_path: Path
) -> None:
    """Ratings and other fluids' pressures, all higher, count for nothing."""
    for found in gathered(changed_site(PRESSED, tmp_path, (old, new))):
        assert found[0] == pytest.approx(2 * highest)


@pytest.mark.parametrize(
    ("old", "new", "cold", "hot"),
    [
        ("temperature: 15 degC,", "temperature: 15 degC,", 15, 60),
        ("temperature: 15 degC,", "temperature: 70 degC,", 40, 70),
        ("temperature: 60 degC", "temperature: 10 degC", 10, 40),
        ("outlet_temperature: 40 degC", "outlet_temperature: 90 degC", 15, 90),
        ("outlet_temperature: 40 degC", "outlet_temperature: 8 degC", 8, 60),
        ("discharge_temperature: 30 degC", "discharge_temperature: 95 degC", 15, 95),
    ],
)
def test_a_gas_is_between_the_coldest_and_the_hottest_of_its_own(
    old: str, new: str, cold: float, hot: float, tmp_path: Path
) -> None:
    for found in gathered(changed_site(PRESSED, tmp_path, (old, new))):
        assert found[1:] == pytest.approx((273.15 + cold, 273.15 + hot))


PUMPED = """
format: allocator.site/2
name: Two pumps
ambient: {temperature: 10 degC}
fluids:
  gas: {heating_value: 12 MJ/kg, constants: {specific_heat: 1300 J/(kg*K)}}
  co2: {emission: biogenic}
materials: {steel: {stock: 8 t}}
places: {retort: {at: [0 m, 0 m]}, pit: {at: [10 m, 0 m]}, shed: {at: [20 m, 0 m]}}
sources:
  hot: {place: retort, fluid: gas, flow: 20 g/s, temperature: 420 degC,
    pump: {energy: 9 kJ/kg, max_inlet_temperature: 90 degC}}
  mild: {place: pit, fluid: gas, flow: 20 g/s, temperature: 80 degC,
    pump: {energy: 9 kJ/kg, max_inlet_temperature: 85 degC}}
pipes: {dn100: {capacity: 60 g/s, layers: [{material: steel, mass: 16 kg/m}]}}
routes: {walk: {between: [retort, shed]}, lane: {between: [pit, shed]}}
coolers: {fan: {fluid: gas, set_point: 70 degC, places: [retort], duty: 20 kW}}
machines:
  gas_set: {inputs: {gas: 10 g/s}, outputs: {power: 40 kW, co2: 10 g/s}, places: {shed: 6},
    max_inlet_temperature: 95 degC}
demands: {town: {power: 300 kW}}
"""


def test_what_pumps_take_in(tmp_path: Path) -> None:
    """Gas of 80 degC as it comes; that of 420 degC as the cooler before its pump leaves it."""
    site = changed_site(PUMPED, tmp_path)
    plan = make_plan(site, Settings(gap=1e-3, node_limit=50)).plan
    assert plan is not None
    assert audit(site, plan).breaches == ()
    assert plan.heat is not None
    told = {x.subject: (x.value - 273.15, x.most - 273.15) for x in plan.heat.limits}
    assert told["pump of hot"] == pytest.approx((70.0, 90.0))
    assert told["pump of mild"] == pytest.approx((80.0, 85.0))
    for name in ("pump of hot", "pump of mild"):
        assert "limit_told" in audit(site, _limits(plan, name, None)).rules
        assert "limit_value" in audit(site, _limits(plan, name, -0.2)).rules


def _limits(plan: Plan, subject: str, change: float | None) -> Plan:
    """The plan with one limit told by so many K otherwise, or left out."""
    assert plan.heat is not None
    limits = [x for x in plan.heat.limits if x.subject != subject or change is not None]
    changed = (
        replace(x, value=x.value + (change or 0.0)) if x.subject == subject else x for x in limits
    )
    return replace(plan, heat=replace(plan.heat, limits=tuple(changed)))

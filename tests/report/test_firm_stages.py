"""Firm power of half-built plans, by the load curve of whole units."""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path

import pytest

import allocator as al
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.records import FLAT
from allocator.report.handover.build_order import LATER, build_order
from allocator.report.handover.firm_stages import most_load
from allocator.studies.ordering import BuildPart, best_order

WELLS = """
format: allocator.site/2
name: Wells
fluids: {gas: {phase: gas, heating_value: 15 MJ/kg}}
materials: {steel: {stock: 9 t}}
places: {a: {at: [0 m, 0 m]}, b: {at: [0 m, 100 m]}, yard: {at: [100 m, 0 m]}}
sources:
  w1: {place: a, fluid: gas, flow: FLOW g/s}
  w2: {place: b, fluid: gas, flow: FLOW g/s}
pipes: {dn40: {capacity: 40 g/s, layers: [{material: steel, mass: 4 kg/m}]}}
routes: {r1: {between: [a, yard]}, r2: {between: [b, yard]}}
machines:
  engine: {inputs: {gas: 10 g/s}, outputs: {power: 48 kW}, no_load: 15 %, min_load: 50 %,
    materials: {steel: 350 kg}, places: {yard: 6}}
demands: {grid: {power: 300 kW, place: yard}}
"""


def _planned(tmp_path: Path, flow: float) -> tuple[Network, al.Plan]:
    file = tmp_path / "site.yaml"
    file.write_text(WELLS.replace("FLOW", str(flow)), encoding="utf-8")
    plan = al.plan(file, node_limit=1000, prove=0).plan
    assert plan is not None
    return network_of(al.read_site(file)), plan


def test_gas_below_the_least_load_is_firm_with_a_later_stage(tmp_path: Path) -> None:
    """One well runs an engine at (0.3 - 0.15) / 0.85 = 18 %, below 50 %; both at 53 %."""
    site, plan = _planned(tmp_path, 3)
    one, both = [step for step in build_order(site, plan) if step.unlocks]
    assert (one.unlocks, one.firm_power) == (LATER, 0.0)
    assert "do not run" in one.action
    assert both.firm_power == pytest.approx(48e3 * (0.6 - 0.15) / 0.85)
    result = al.schedule(site.site, plan, al.Crew(0.01))
    assert [part.power for part in result.parts] == pytest.approx([0.0, both.firm_power])
    last = max(part.firm for part in result.parts)
    assert result.energy == pytest.approx(both.firm_power * (result.until - last))
    assert result.proven


def test_a_stage_gives_what_its_whole_units_give(tmp_path: Path) -> None:
    """17 g/s a well: two units at (1.7 - 0.3) / 0.85 = 1.65, then four at (3.4 - 0.6) / 0.85."""
    site, plan = _planned(tmp_path, 17)
    one, both = [step for step in build_order(site, plan) if step.unlocks]
    assert one.firm_power == pytest.approx(48e3 * (1.7 - 0.3) / 0.85)
    assert both.firm_power == pytest.approx(48e3 * (3.4 - 0.6) / 0.85)


def test_most_load_of_some_takings() -> None:
    level = {FLAT: 1.0, "town": 1.0}

    def load(flat: float, units: int, runs: bool = False) -> float:
        return most_load({FLAT: flat}, level, level, 0.15, 0.5, units, runs)

    assert load(2.4, 3) == pytest.approx((2.4 - 0.45) / 0.85)
    assert load(2.4, 2) == pytest.approx(2.0)  # what two cannot take is left
    assert load(1.1, 2) == pytest.approx(1.0)  # a second at 59 % would leave too little for both
    assert load(0.3, 1) == 0.0
    assert load(0.3, 1, runs=True) == pytest.approx(0.3)  # at full load for 30 % of the time
    assert load(1.3, 2, runs=True) == pytest.approx(1.3)
    night = {FLAT: 1.0, "town": 0.2}
    takes = {FLAT: 0.15, "town": 0.425}
    assert most_load(takes, night, night, 0.15, 0.5, 1, False) == 0.0  # too little at night
    assert most_load(takes, level, level, 0.15, 0.5, 1, False) == pytest.approx(0.5)


def test_parts_that_need_each_other_are_built_together() -> None:
    """Parts 0 and 2 give 10 W together and nothing alone, part 1 gives 4 W; each takes 1 s."""

    def promised(members: set[int]) -> float:
        return 10.0 * ({0, 2} <= members) + 4.0 * (1 in members)

    def gains(order: list[int]) -> list[float]:
        sums = [promised(set(order[:k])) for k in range(len(order) + 1)]
        return [after - before for before, after in pairwise(sums)]

    parts = [BuildPart(promised({n}), lambda t: t) for n in range(3)]
    required = len
    found = best_order(parts, required, 9.0, (0, 1, 2), gains=gains)  # type: ignore[arg-type]
    assert found.order[2] == 1
    assert found.missed == 10.0 * 2 + 4.0 * 3
    assert found.proven
    moved = best_order(parts, required, 9.0, (0, 1, 2), 0, gains)  # type: ignore[arg-type]
    assert math.isclose(moved.missed, found.missed)


def test_a_flare_stands_before_the_first_gas(tmp_path: Path) -> None:
    text = WELLS.replace("FLOW", "12").replace("places: {yard: 6}", "places: {yard: 1}")
    text = text.replace("flow: 12 g/s}", "flow: 12 g/s, when_untapped: vents}")
    burnt = "heating_value: 15 MJ/kg, vented_weight: 7}, co2: {emission: biogenic"
    text = text.replace("heating_value: 15 MJ/kg", burnt)
    flare = "  flare: {inputs: {gas: 40 g/s}, outputs: {co2: 50 g/s}, places: [yard], flare: true}"
    file = tmp_path / "site.yaml"
    file.write_text(text.replace("\ndemands:", f"\n{flare}\ndemands:"), encoding="utf-8")
    plan = al.plan(file, node_limit=1000, prove=0).plan
    assert plan is not None
    assert any(use.type == "flare" and use.new for use in plan.machines)
    steps = build_order(network_of(al.read_site(file)), plan)
    first = next(step for step in steps if step.key.startswith("start "))
    (flare_step,) = [step for step in steps if step.key.startswith("machine:flare@")]
    assert flare_step.number in first.after
    assert "flare ready before any gas" in first.note
    assert all(flare_step.number < step.number for step in steps if step.action == "connect")
    assert al.schedule(file, plan, al.Crew(0.01)).steps[0].step.key == flare_step.key

"""What each part of a build is credited with where one part alone needs a booster."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.report.handover.build_order import build_order
from allocator.report.handover.chains import chains_of
from allocator.report.handover.firm_stages import FirmStages
from allocator.search import Settings, make_plan

SITE = """
format: allocator.site/2
name: Two fuels
ambient: {temperature: 12 degC, pressure: 99 kPa}
fluids:
  h2: {phase: gas, heating_value: 120 MJ/kg, substance: Hydrogen}
  oil: {phase: liquid, heating_value: 42 MJ/kg}
materials: {steel: {stock: 7 t}}
places: {cell: {at: [0 m, 0 m]}, plant: {at: [250 m, 0 m]}}
sources:
  purge: {place: cell, fluid: h2, flow: 0.6 g/s, pressure: 3 bar, temperature: 30 degC,
    cycle: [{on: 40 min, every: 2 h}]}
  tap: {place: plant, fluid: oil, flow: 2 g/s}
storage:
  bullet: {holds: h2, places: [plant], min_pressure: 2 bar, max_pressure: 12 bar,
    size: {unit: 2 kg, max: 20 kg}, materials: {steel: 80 kg/kg}}
pipes: {d20: {bore: 20.9 mm, layers: [{material: steel, mass: 1.69 kg/m}], fluids: [h2]}}
routes: {way: {between: [cell, plant]}}
boosters:
  compressor: {kind: compressor, fluids: [h2], places: {cell: 1}, ratio: 5, efficiency: 55 %,
    discharge_temperature: 45 degC, materials: {steel: 150 kg}, min_inlet_pressure: 2.6 bar}
machines:
  gen: {inputs: {h2: 0.2 g/s}, outputs: {power: 9 kW}, places: {plant: 2},
    materials: {steel: 90 kg}, min_inlet_pressure: 1.4 bar}
  oil_set: {inputs: {oil: 1 g/s}, outputs: {power: 14 kW}, places: {plant: 2},
    materials: {steel: 150 kg}}
demands: {base: {power: 100 kW}}
"""


def test_the_part_that_needs_a_booster_bears_it(tmp_path: Path) -> None:
    """Two sets of 14 kW run without the compressor, whose power is the hydrogen's alone."""
    file = tmp_path / "site.yaml"
    file.write_text(SITE, encoding="utf-8")
    site = network_of(read_site(file))
    plan = make_plan(site, Settings(node_limit=5000)).plan
    assert plan is not None
    (compressor,) = plan.boosters
    assert compressor.power > 1e3
    chains = chains_of(site, plan)
    stages = FirmStages(site, plan, chains)
    assert stages.additive
    parts = {next(iter(chain.units)): stages.power([n]) for n, chain in enumerate(chains)}
    assert parts["oil_set@plant"] == pytest.approx(28e3, rel=1e-5)
    (gen,) = [machine for machine in plan.machines if machine.type == "gen"]
    hydrogen = 9e3 * gen.flat_load - compressor.power
    assert parts["gen@plant"] == pytest.approx(hydrogen, rel=1e-5)
    assert math.fsum(parts.values()) == pytest.approx(plan.power.firm_total)
    credited = {step.firm_power for step in build_order(site, plan)}
    assert any(power == pytest.approx(28e3, rel=1e-5) for power in credited)

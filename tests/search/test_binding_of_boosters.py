"""Why a plan with boosters has no more power: outages, or what is kept for the boosters."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import read_site
from allocator.search import Settings, make_plan

SITE = """
format: allocator.site/2
name: One well
ambient: {temperature: 10 degC, pressure: 100 kPa}
fluids:
  gas: {phase: gas, heating_value: 15 MJ/kg, constants: {density: 1.206 kg/m^3,
    viscosity: 1.3e-5 Pa*s, molar_mass: 28.4 g/mol, specific_heat: 1350 J/(kg*K)}}
materials: {steel: {stock: 5200 kg, price: 1.5 /kg}}
places: {well: {at: [0 m, 0 m]}, yard: {at: [300 m, 0 m]}, plant: {at: [520 m, 0 m]}}
sources:
  mouth: {place: well, fluid: gas, flow: 16 g/s, pressure: 2 kPa(g), temperature: 20 degC,
    cycle: [{on: 3 h, every: 7 h}]}
storage:
  vessel: {holds: gas, places: [yard], min_pressure: 1.2 bar, max_pressure: 3 bar,
    size: {unit: 15 kg, max: MOST}, materials: {steel: 12 kg/kg}, price: 30 /kg}
pipes: {d50: {bore: 52.5 mm, layers: [{material: steel, mass: 5.44 kg/m}], price: 20 /m}}
routes: {a: {between: [well, yard]}, c: {between: [yard, plant]}}
boosters:
  compressor: {kind: compressor, fluids: [gas], places: {well: 1}, ratio: 3.2,
    efficiency: 60 %, discharge_temperature: 45 degC, materials: {steel: 150 kg}}
machines:
  gen: {inputs: {gas: 1.5 g/s}, outputs: {power: 7 kW}, places: {plant: 5},
    materials: {steel: 120 kg}, min_inlet_pressure: 1.08 bar, price: 6000}
demands: {load: {power: 40 kW}}
"""


@pytest.mark.parametrize("bridged", [True, False])
def test_what_is_kept_for_boosters_is_no_outage(bridged: bool, tmp_path: Path) -> None:
    """What comes on average is stored or not; the compressor counts at its peak in any case."""
    file = tmp_path / "site.yaml"
    file.write_text(SITE.replace("MOST", "180 kg" if bridged else "45 kg"), encoding="utf-8")
    outcome = make_plan(read_site(file), Settings(node_limit=5000))
    plan, average = outcome.plan, outcome.mean_basis
    assert plan is not None
    assert average is not None
    lost = average.power.firm_clean - plan.power.firm_clean
    peak, mean = (sum(b.power for b in one.boosters) for one in (plan, average))
    (outages,) = [[x for x in plan.limits if x.startswith("outages:")]]
    kept = [x for x in plan.limits if x.startswith("boosters:")]
    if bridged:
        assert "at peak flow" in kept[0]
        assert lost == pytest.approx(peak - mean, rel=1e-3)
        assert outages == []
    else:
        assert lost > 1.1 * (peak - mean)
        assert outages[0].startswith("outages: up to 4 h ('mouth'); average flows would give")


def test_a_plan_without_sources_does_not_ask_for_storage(tmp_path: Path) -> None:
    """The compressor adds too little for the vessel: no storage of any size helps."""
    text = SITE.replace("MOST", "180 kg").replace("ratio: 3.2", "ratio: 2.5")
    file = tmp_path / "site.yaml"
    file.write_text(text, encoding="utf-8")
    plan = make_plan(read_site(file), Settings(node_limit=5000)).plan
    assert plan is not None
    assert plan.power.firm_clean == 0.0
    assert any(x.startswith("limits that together leave no power") for x in plan.limits)
    assert not any("storage must" in x or x.startswith("outages") for x in plan.limits)

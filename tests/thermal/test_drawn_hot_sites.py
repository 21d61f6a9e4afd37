"""Drawn sites of hot gas: plans pass the audit, and no true temperature passes its bound."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import check_site
from allocator.search import Settings, make_plan
from allocator.verify import audit

WOOL = (
    "[[10 degC, 0.033 W/(m*K)], [50 degC, 0.037 W/(m*K)], [200 degC, 0.064 W/(m*K)], "
    "[480 degC, 0.16 W/(m*K)]]"
)


def site_text(chance: random.Random) -> str:
    """A site of three places, up to three hot sources, lines or none, limits here and there."""
    pick, between = chance.choice, chance.uniform
    places = ["tip", "shed", "quay"]
    hot = {f"kiln{i}": between(60, 480) for i in range(pick([1, 2, 3]))}
    sources = []
    for name, celsius in hot.items():
        cycle = pick(["", ", cycle: [{on: 2 h, every: 9 h}]", ", cycle: [{on: 30 h, every: 40 h}]"])
        pump = pick(["", "", ", pump: {energy: 90 kJ/kg, max_inlet_temperature: 70 degC}"])
        sources.append(
            f"  {name}: {{place: {pick(places[:2])}, fluid: hydrogen, flow: {between(0.5, 3):.3f} "
            f"g/s, temperature: {celsius:.1f} degC, pressure: {between(1.25, 2):.2f} bar"
            f"{cycle}{pump}}}"
        )
    limit = pick(["", f", max_inlet_temperature: {between(40, 120):.0f} degC"])
    cell_limit = pick(["", f", max_inlet_temperature: {between(40, 300):.0f} degC"])
    set_point = between(25, 0.8 * max(hot.values()))
    touch = pick(["", f", max_surface_temperature: {between(45, 90):.0f} degC"])
    buried = pick(["", ", burial_depth: 1.1 m"])
    heat_released = pick(["", f", heat_limit: {between(2, 30):.0f} kW"])
    lines = pick([True, False])
    return f"""\
format: allocator.site/2
name: Drawn
ambient: {{temperature: {between(-5, 25):.0f} degC, pressure: 101.3 kPa, wind: 3 m/s}}
fluids:
  hydrogen: {{heating_value: 119.96 MJ/kg, substance: Hydrogen}}
  oxygen: {{substance: Oxygen}}
  water: {{phase: liquid}}
materials:
  steel: {{stock: {between(15, 60):.0f} t, density: 7850 kg/m^3, conductivity: 45 W/(m*K)}}
  wool: {{stock: {between(1, 9):.1f} t, density: 100 kg/m^3, emissivity: 30 %,
         conductivity: {WOOL}}}
  fins: {{stock: 2 t}}
places:
  tip: {{at: [0 m, 0 m]}}
  shed: {{at: [{between(20, 900):.0f} m, 0 m]}}
  quay: {{at: [0 m, {between(20, 600):.0f} m]}}
sources:
{chr(10).join(sources)}
  air_plant: {{place: quay, fluid: oxygen, flow: 30 g/s}}
storage:
  holder: {{holds: hydrogen, places: [shed, tip], size: {{max: 200 kg}},
           materials: {{steel: 20 kg/kg}}{limit}}}
pipes:
  bare: {{bore: 62.7 mm, fluids: [hydrogen], layers: [{{material: steel, thickness: 5.16 mm}}]}}
  thin: {{bore: 52.5 mm, fluids: [hydrogen],
         layers: [{{material: steel, thickness: 3.91 mm}}, {{material: wool, thickness: 30 mm}}]}}
  thick: {{bore: 62.7 mm, fluids: [hydrogen],
          layers: [{{material: steel, thickness: 5.16 mm}},
                   {{material: wool, thickness: {between(60, 140):.0f} mm}}]}}
  hose: {{capacity: 50 g/s, fluids: [oxygen], price: 1 /m}}
routes:
  lane: {{between: [tip, shed]{touch}{heat_released}}}
  bank: {{between: [shed, quay]{buried}, one_way: {pick(["true", "false"])}}}
  path: {{between: [tip, quay]{touch}}}
coolers:
  fan: {{fluid: hydrogen, set_point: {set_point:.1f} degC, places: [tip, shed],
        duty: {between(2, 15):.1f} kW, power_share: 2 %,
        materials: {{fins: {between(20, 400):.0f} kg}}}}
machines:
  cell: {{inputs: {{hydrogen: 0.2 g/s, oxygen: 1.6 g/s}}, outputs: {{power: 11 kW, water: 1.8 g/s}},
         places: {{quay: 4, shed: 3}}, price: 900{cell_limit}}}
  burner: {{inputs: {{hydrogen: 0.3 g/s}}, outputs: {{power: 9 kW, water: 2.7 g/s}},
           places: {{shed: 3}}, price: 90}}
{"power_lines: {wire: {between: [shed, quay], capacity: 40 kW, loss: 2 %}}" if lines else ""}
demands:
  town: {{power: {between(10, 60):.0f} kW, place: {pick(["quay", "shed"])}}}
"""


@pytest.mark.slow
@pytest.mark.parametrize("seed", [2, 9, 26, 40, 44, 50, 52, 57])
def test_drawn(seed: int, tmp_path: Path) -> None:
    path = tmp_path / "site.yaml"
    path.write_text(site_text(random.Random(seed)), encoding="utf-8")
    report = check_site(path)
    assert report.site is not None, [str(fault) for fault in report.faults]
    site = network_of(report.site)
    plan = make_plan(site, Settings(gap=1e-3, node_limit=40, time_limit=20.0, seed=seed)).plan
    assert plan is not None
    assert [str(breach) for breach in audit(site, plan).breaches] == []
    if plan.heat is None:
        assert not any(run.flows for run in plan.runs if run.fluid == "hydrogen")
        return
    for flow in plan.heat.flows:
        stream = site.routes[flow.route].stream
        if stream is not None and stream.fluid:
            assert flow.inlet <= stream.inlet + 1e-6
            if stream.kind != "passage":
                assert flow.outlet <= stream.outlet + 1e-6
    assert all(limit.value <= limit.most + 1e-9 for limit in plan.heat.limits)

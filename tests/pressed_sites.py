"""Small sites drawn by a number, on which pressure along lines decides what can be had."""

from __future__ import annotations

import random
from pathlib import Path

from allocator.network.reading import read_site
from allocator.site.records import Site

GAS = (
    "{phase: gas, heating_value: 20 MJ/kg, constants: {density: 1.15 kg/m^3, viscosity: 1.2e-5,"
    " molar_mass: 0.027, specific_heat: 1500, conductivity: 0.03}}"
)
LINE = f"""format: allocator.site/2
name: Line
goals: [clean_power]
fluids: {{gas: {GAS}, co2: {{phase: gas, emission: biogenic}}}}
materials: {{steel: {{stock: 90 t}}}}
places:
  mouth: {{at: [0 m, 0 m]}}
  fork: {{at: [400 m, 0 m]}}
  yard: {{at: [400 m, 60 m]}}
  works: {{at: [900 m, 0 m]}}
sources:
  well: {{place: mouth, fluid: gas, flow: 20 g/s, pressure: 106 kPa,
         cycle: [{{on: 3 h, every: 6 h}}]}}
  kiln: {{place: mouth, fluid: gas, flow: 3 g/s, pressure: 106 kPa}}
storage:
  holder: {{holds: gas, places: [yard], size: {{max: 400 kg}}, pressure: 103 kPa,
           pressure_rating: 2 bar}}
pipes:
  dn50: {{bore: 52.5 mm, layers: [{{material: steel, mass: 5.44 kg/m}}], pressure_rating: 1.5 bar}}
routes:
  lane: {{between: [mouth, fork]}}
  spur: {{between: [fork, yard]}}
  trunk: {{between: [fork, works]}}
boosters:
  fan: {{kind: blower, fluids: [gas], places: {{fork: 1, mouth: 1}}, ratio: 1.03, efficiency: 50 %,
        discharge_temperature: 30 degC, materials: {{steel: 20 kg}}, price: 3000}}
machines:
  engine:
    inputs: {{gas: 1.5 g/s}}
    outputs: {{power: 10 kW, co2: 2.6 g/s}}
    min_inlet_pressure: 102.5 kPa
    places: {{works: 30}}
demands: {{town: {{power: 70 kW}}}}
"""
"""A line with a fork, a holder on a spur, and a fan where one pays."""

BORES = {"dn15": (16.1, 1.27), "dn25": (27.3, 2.51), "dn40": (41.9, 4.05)}
"""mm, and kg/m."""


def pressed_text(number: int, *, boosters: bool = True, any_pipe: bool = False) -> str:
    """The file of a small site whose gas has pressures; one pipe type a route unless any may be."""
    chance = random.Random(number)
    names = ["a", "b", "c", "d"][: chance.choice((3, 4, 4))]
    links = [(chance.choice(names[:n]), names[n]) for n in range(1, len(names))]
    extra = [(x, y) for i, x in enumerate(names) for y in names[i + 1 :] if (x, y) not in links]
    chance.shuffle(extra)
    links += extra[: chance.randint(0, 1)]
    lines = [
        "format: allocator.site/1",
        f"name: Pressed {number}",
        f"fluids: {{gas: {GAS}, co2: {{phase: gas, emission: biogenic}}}}",
        f"materials: {{steel: {{stock: {chance.choice((500, 2500, 100000))} kg}}}}",
        "goals: [clean_power]",
        "places:",
        *(f"  {name}: {{at: [{100 * n} m, 0 m]}}" for n, name in enumerate(names)),
        "sources:",
    ]
    for n in range(chance.randint(1, 2)):
        cycle = chance.choice(("", "", ", cycle: [{on: 2 h, every: 6 h}]"))
        place = chance.choice(names[:2])
        lines.append(
            f"  s{n}: {{place: {place}, fluid: gas, flow: {chance.uniform(1, 12):.3f} g/s, "
            f"pressure: {chance.uniform(102, 140):.2f} kPa, connection: "
            f"{{materials: {{steel: {chance.randint(0, 100)} kg}}}}{cycle}}}"
        )
    lines += ["pipes:"] + [
        f"  {name}: {{bore: {bore} mm, layers: [{{material: steel, mass: {mass} kg/m}}]}}"
        for name, (bore, mass) in BORES.items()
    ]
    lines.append("routes:")
    for n, (x, y) in enumerate(links):
        kind = chance.choice(list(BORES))
        lines.append(
            f"  r{n}: {{between: [{x}, {y}], length: {chance.uniform(20, 1500):.1f} m"
            + ("}" if any_pipe else f", pipes: [{kind}]}}")
        )
    held = chance.sample(names, chance.randint(1, 2))
    lines += [
        "storage:",
        f"  holder: {{holds: gas, places: [{', '.join(held)}], size: {{max: 200 kg}}, "
        f"materials: {{steel: 0.2}}, pressure: {chance.uniform(101.5, 112):.2f} kPa}}",
    ]
    if boosters and chance.random() < 0.6:
        places = chance.sample(names, chance.randint(1, 2))
        lines += [
            "boosters:",
            f"  blower: {{kind: blower, fluids: [gas], places: [{', '.join(places)}], "
            f"ratio: {chance.uniform(1.02, 1.3):.3f}, efficiency: 60 %, "
            "discharge_temperature: 30 degC, materials: {steel: 20 kg}}",
        ]
    need = chance.uniform(101.4, 108)
    lines += [
        "machines:",
        "  engine:",
        "    takes: {gas: 1.5 g/s}",
        "    gives: {power: 10 kW, co2: 2.6 g/s}",
        f"    min_inlet_pressure: {need:.2f} kPa",
        f"    places: {{{', '.join(f'{name}: 6' for name in names[-2:])}}}",
        "    materials: {steel: 30 kg}",
        "demands: {all: {power: 1000 kW}}",
    ]
    return "\n".join(lines) + "\n"


def pressed_site(
    number: int, folder: Path, *, boosters: bool = True, any_pipe: bool = False
) -> Site:
    """The site of :func:`pressed_text`."""
    path = folder / f"pressed_{number}.yaml"
    path.write_text(pressed_text(number, boosters=boosters, any_pipe=any_pipe))
    return read_site(path)


HUT = """
format: allocator.site/2
name: Hydrogen to a hut
ambient: {temperature: 5 degC, pressure: 95 kPa}
fluids: {h2: {heating_value: 120 MJ/kg, phase: gas, substance: Hydrogen}}
materials: {steel: {stock: 6 t}}
places: {shed: {at: [0 m, 0 m], elevation: 100 m}, mast: {at: [600 m, 0 m], elevation: 160 m}}
sources:
  vent: {place: shed, fluid: h2, flow: 0.9 g/s, pressure: 1.5 bar,
    cycle: [{on: 40 min, every: 2 h}]}
storage:
  vessel: {holds: h2, min_pressure: 2 bar, max_pressure: 20 bar, places: [shed, mast],
    size: {unit: 1 kg, max: 12 kg}, materials: {steel: 120 kg/kg}}
pipes: {dn15: {bore: 15.8 mm, layers: [{material: steel, mass: 1.27 kg/m}]}}
boosters:
  compressor: {kind: compressor, fluids: [h2], places: {shed: 1}, ratio: 14, efficiency: 60 %,
    max_flow: 2 g/s, min_inlet_pressure: 1.45 bar, discharge_temperature: 45 degC,
    materials: {steel: 200 kg}}
routes: {r: {between: [shed, mast]}}
machines:
  cell: {inputs: {h2: 0.2 g/s}, min_inlet_pressure: 1.3 bar, outputs: {power: 12 kW},
    no_load: 5 %, materials: {steel: 40 kg}, places: [mast]}
demands: {radio: {power: 15 kW, place: mast}}
"""
"""Off-gas that a compressor lifts to where hydrogen is no ideal gas. Invented."""

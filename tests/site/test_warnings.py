"""Oddities: the site is read all the same, and each is noted with its mark."""

from __future__ import annotations

from pathlib import Path

import pytest

from allocator.network.reading import check_site

BASE = """\
format: allocator.site/2
fluids:
  gas: {heating_value: 20 MJ/kg}
  co2: {emission: counted}
materials: {steel: {stock: 1 t}}
places: {well_head: {at: [0, 0]}, mill: {at: [300, 400]}, moor: {at: [0, 900]}}
sources:
  well: {place: well_head, fluid: gas, flow: 1 g/s}
storage:
  holder: {holds: gas, places: [mill], size: {max: 1 t}, materials: {steel: 1 kg/kg}}
pipes: {pipe: {capacity: 1 g/s}}
routes: {lane: {between: [well_head, mill]}}
machines:
  engine: {inputs: {gas: 1 g/s}, outputs: {power: 7 kW, co2: 2 g/s}, places: [mill]}
demands:
  town: {power: 5 kW}
"""


def _warnings(folder: Path, *patches: tuple[str, str]) -> tuple[list[str], list[str]]:
    text = BASE
    for old, new in patches:
        assert text.count(old) == 1
        text = text.replace(old, new)
    marks = []
    while "«" in text:
        at = text.index("«")
        text = text[:at] + text[at + 1 :]
        marks.append(f"{text.count(chr(10), 0, at) + 1}:{at - text.rfind(chr(10), 0, at)}")
    path = folder / "site.yaml"
    path.write_text(text, encoding="utf-8")
    report = check_site(path)
    assert report.faults == ()
    assert report.site is not None
    return marks, [str(warning).removeprefix(f"{path}:") for warning in report.warnings]


def test_the_base_is_not_odd(tmp_path: Path) -> None:
    assert _warnings(tmp_path) == ([], [])


@pytest.mark.parametrize(
    ("patches", "messages"),
    [
        (
            [("outputs: {power: 7 kW", "outputs: «{power: 2 W")],
            [
                "machine 'engine': turns only 0.01 % of the energy that it takes into use; "
                "check 'inputs', 'outputs' and the heating value"
            ],
        ),
        (
            [("outputs: {power: 7 kW", "outputs: «{power: 19 kW")],
            [
                "machine 'engine': turns 95 % of its fuel's energy into power; "
                "check 'inputs', 'outputs' and the heating value"
            ],
        ),
        (
            [("{heating_value: 20 MJ/kg}", ""), ("inputs: {gas", "inputs: «{gas")],
            [
                "machine 'engine': gives power, but nothing that it takes has a heating value: "
                "its energy is not checked; add 'heating_value' to its fuel"
            ],
        ),
        (
            [("2 g/s}", "2 g/s, gas: 1 mg/s}"), ("outputs: {power", "outputs: «{power")],
            ["machine 'engine': both takes and gives 'gas'; give the net flow"],
        ),
        (
            [
                ("place: well_head", "place: «moor"),
                ("{holds: gas", "{holds: «gas"),
            ],
            [
                "source 'well': no route takes its 'gas' to where anything holds or uses it; "
                "add a route from 'moor', or a store or machine there",
                "store 'holder': nothing can fill it: no 'gas' gets to any of its places; "
                "add a route or what gives it",
            ],
        ),
        (
            [
                ("between: [well_head, mill]}", "between: [mill, well_head], one_way: true}"),
                ("place: well_head", "place: «well_head"),
                ("{holds: gas", "{holds: «gas"),
            ],
            [
                "source 'well': no route takes its 'gas' to where anything holds or uses it; "
                "add a route from 'well_head', or a store or machine there",
                "store 'holder': nothing can fill it: no 'gas' gets to any of its places; "
                "add a route or what gives it",
            ],
        ),
        (
            [
                ("capacity: 1 g/s}", "capacity: 1 g/s, fluids: [co2]}"),
                ("place: well_head", "place: «well_head"),
                ("{holds: gas", "{holds: «gas"),
            ],
            [
                "source 'well': no route takes its 'gas' to where anything holds or uses it; "
                "add a route from 'well_head', or a store or machine there",
                "store 'holder': nothing can fill it: no 'gas' gets to any of its places; "
                "add a route or what gives it",
            ],
        ),
        (
            [("  co2:", "  «tar: {}\n  co2:")],
            ["fluid 'tar': nothing gives or takes it; use it or delete it"],
        ),
        (
            [
                ("  co2:", "  «tar: {}\n  co2:"),
                (
                    "fluid: gas, flow: 1 g/s}",
                    "fluid: gas, flow: 1 g/s}\n  pit: {place: mill, fluid: tar, flow: 1 g/s}",
                ),
            ],
            ["fluid 'tar': sources give it, but no machine or demand takes it; add what takes it"],
        ),
        (
            [("{steel: {stock: 1 t}}", "{steel: {stock: 1 t}, «brick: {}}")],
            ["material 'brick': nothing is made of it; use it or delete it"],
        ),
        (
            [
                (
                    "{pipe: {capacity: 1 g/s}}",
                    "{pipe: {capacity: 1 g/s}, «hose: {capacity: 1 g/s}}",
                ),
                ("between: [well_head, mill]", "between: [well_head, mill], pipes: [pipe]"),
            ],
            ["pipe 'hose': no route offers it; use it or delete it"],
        ),
        (
            [
                (
                    "storage:",
                    "storage:\n  cells: {holds: «power, places: [mill], size: {max: 1 kWh}}",
                ),
                ("power: 7 kW, ", ""),
                ("  town", "  «town"),
            ],
            [
                "store 'cells': nothing can fill it: no 'power' gets to any of its places; "
                "add a route or what gives it",
                "demand 'town': asks for 'power', which nothing gives; add what gives it",
            ],
        ),
        (
            [
                ("demands:", "demands:\n  «kiln: {fluid: steam, flow: 1 g/s, place: mill}"),
                ("  co2:", "  steam: {}\n  co2:"),
            ],
            ["demand 'kiln': asks for 'steam', which nothing gives; add what gives it"],
        ),
        (
            [
                ("machines:", "limits: {excluded_places: [mill]}\nmachines:"),
                ("places: [mill], size", "places: «[mill], size"),
                ("between: [well", "between: «[well"),
                ("co2: 2 g/s}, places: [mill]", "co2: 2 g/s}, places: «[mill]"),
                ("place: well_head", "place: «well_head"),
                ("{holds: gas", "{holds: «gas"),
            ],
            [
                "source 'well': no route takes its 'gas' to where anything holds or uses it; "
                "add a route from 'well_head', or a store or machine there",
                "store 'holder': nothing can fill it: no 'gas' gets to any of its places; "
                "add a route or what gives it",
                "store 'holder': is at 'mill', which 'limits' excludes; "
                "move it, or take the place off 'excluded_places'",
                "route 'lane': leads to 'mill', which 'limits' excludes: nothing is laid there; "
                "delete it, or take the place off 'excluded_places'",
                "machine 'engine': is at 'mill', which 'limits' excludes; "
                "move it, or take the place off 'excluded_places'",
            ],
        ),
        (
            [("flow: 1 g/s}", "flow: 1 g/s, temperature: «40}")],
            [
                "source 'well': temperature is -233 degC; "
                "a plain number is kelvin: write degrees as '40 degC'"
            ],
        ),
        (
            [
                (
                    "machines:",
                    "heat_sinks:\n  tub: {source: well, mass: 1 t, specific_heat: 900, "
                    "loss_conductance: 2 W/K, "
                    "heat_while_on: 1 kW, max_temperature: «90}\nmachines:",
                )
            ],
            [
                "heat sink 'tub': max_temperature is -183 degC; "
                "a plain number is kelvin: write degrees as '40 degC'"
            ],
        ),
        (
            [("machines:", "ambient: {temperature: «15}\nmachines:")],
            [
                "site: temperature is -258 degC; "
                "a plain number is kelvin: write degrees as '40 degC'"
            ],
        ),
        (
            [("between: [well_head, mill]", "between: [well_head, mill], length: «400 m")],
            [
                "route 'lane': is shorter than the straight line between its places "
                "(400 m < 500 m); check 'length' and the coordinates"
            ],
        ),
        (
            [("heating_value: 20 MJ/kg", "heating_value: 20 MJ/kg, emission_weight: «28")],
            [
                "fluid 'gas': has a weight, but its emission counts for nothing; "
                "add 'emission: counted'"
            ],
        ),
        (
            [("size: {max: 1 t}", "size: {max: 1 t}, loss: «5 %/h")],
            [
                "store 'holder': loses more than its whole size in a day; "
                "check 'loss', as in '0.1 %/d'"
            ],
        ),
        (
            [("flow: 1 g/s}", "flow: 1 g/s, pump: «{energy: 30 MJ/kg}}")],
            [
                "source 'well': its pump takes 30 MJ/kg, no less than its fluid holds "
                "(20 MJ/kg); check 'pump.energy'"
            ],
        ),
    ],
)
def test_oddities(patches: list[tuple[str, str]], messages: list[str], tmp_path: Path) -> None:
    marks, warnings = _warnings(tmp_path, *patches)
    assert warnings == [f"{mark}: {said}" for mark, said in zip(marks, messages, strict=True)]


def test_numbers_without_unit_are_told_once_a_key(tmp_path: Path) -> None:
    text = BASE.replace(
        "flow: 1 g/s}", "flow: 0.001}\n  spring: {place: mill, fluid: gas, flow: 2}"
    )
    path = tmp_path / "site.yaml"
    path.write_text(text.replace("power: 5 kW", "power: 5000"), encoding="utf-8")
    assert [str(said).removeprefix(f"{path}:") for said in check_site(path).unitless] == [
        "6:47: place 'mill': at[1] is 300 without a unit, read in m; "
        "write the unit, such as '900 m' (shown once for each key)",
        "8:46: source 'well': flow is 0.001 without a unit, read in kg/s; "
        "write the unit, such as '3 g/s' (shown once for each key)",
        "17:17: demand 'town': power is 5000 without a unit, read in W; "
        "write the unit, such as '70 kW' (shown once for each key)",
    ]


MORE = [
    (
        [
            ("format: allocator.site/2\n", "format: allocator.site/2\nlife: «20 a\n"),
            ("materials: {steel: 1 kg/kg}}", "materials: {steel: 1 kg/kg}, life: 9 a}"),
        ],
        [
            "site: 'life' (and 1 more) has no effect, as money is a plain sum without "
            "'discount_rate'; add 'discount_rate', or leave it out"
        ],
    ),
    (
        [("flow: 1 g/s}\n", "flow: 1 g/s, connection: «{price: 9, life: 3 a}}\n")],
        [
            "source 'well': 'life' has no effect, as money is a plain sum without "
            "'discount_rate'; add 'discount_rate', or leave it out"
        ],
    ),
    (
        [
            (
                "  well: {place: well_head, fluid: gas, flow: 1 g/s}",
                "  well: {place: well_head, fluid: gas, flow: 1 g/s}\n"
                "  b: {place: mill, fluid: gas, flow: 2 g/s}\n"
                "  c: {place: mill, fluid: gas, flow: 3 g/s}\n"
                "  d: {place: mill, fluid: gas, flow: «3}",
            )
        ],
        [
            "source 'd': flow is 3 kg/s, above all others of its kind (3 g/s) by a factor of "
            "1000; check the unit"
        ],
    ),
    (
        [("pipe: {capacity: 1 g/s}", "pipe: {capacity: 1 g/s, bore: 30 mm, max_velocity: «9 m/s}")],
        ["pipe 'pipe': max_velocity has no effect, as 'capacity' is given; delete one of the two"],
    ),
    (
        [
            (
                "flow: 1 g/s}",
                "flow: 1 g/s, pressure: 1.2 bar, "
                "pump: «{energy: 30 kJ/kg, chamber: {volume: 1 m^3, min_pressure: 0.9 bar}}}",
            ),
            ("heating_value: 20 MJ/kg", "substance: Methane, heating_value: 50 MJ/kg"),
        ],
        [
            "source 'well': its pump holds the chamber below the ambient pressure (101 kPa "
            "absolute), and its gas burns: air that leaks in makes it explosive; "
            "keep 'min_pressure' above the ambient pressure"
        ],
    ),
    (
        [
            ("pipe: {capacity: 1 g/s}", "pipe: {bore: «50 mm}"),
            (
                "gas: {heating_value: 20 MJ/kg}",
                "gas: {substance: Methane, heating_value: 50 MJ/kg}\n  oil: {phase: liquid}",
            ),
            (
                "  well: {place: well_head, fluid: gas, flow: 1 g/s}",
                "  well: {place: well_head, fluid: gas, flow: 1 g/s, pressure: 1.2 bar}\n"
                "  drum: {place: mill, fluid: oil, flow: 1 g/s}",
            ),
            ("inputs: {gas: 1 g/s}", "inputs: {gas: 1 g/s, oil: 1 g/s}"),
        ],
        [
            "pipe 'pipe': it carries no 'oil': its capacity by bore needs a pressure, and none "
            "is known; add 'pressure' to the sources, 'inlet_pressure' or 'capacity' to the pipe"
        ],
    ),
]


@pytest.mark.parametrize(("patches", "messages"), MORE)
def test_what_was_silent(
    patches: list[tuple[str, str]], messages: list[str], tmp_path: Path
) -> None:
    marks, warnings = _warnings(tmp_path, *patches)
    assert warnings == [f"{mark}: {said}" for mark, said in zip(marks, messages, strict=True)]


def test_names_that_differ_in_capitals_or_spaces_alone(tmp_path: Path) -> None:
    marks, found = _warnings(
        tmp_path,
        ("moor: {at: [0, 900]}", "moor: {at: [0, 900]}, «Well_Head: {at: [9, 9]}"),
        ("places: [mill]}\ndemands", "places: [mill]}\n  «Engine: {inputs: {gas: 1 g/s}, outputs: "
         "{power: 5 kW, co2: 2 g/s}, places: [mill]}\ndemands"),
    )  # fmt: skip
    told = [one for one in found if "in capitals or spaces alone" in one]
    assert len(told) == 2
    assert any("place 'Well_Head': differs from 'well_head'" in one for one in told)
    assert any("'Engine': differs from 'engine'" in one for one in told)
    assert all(any(mark in one for mark in marks) for one in told)

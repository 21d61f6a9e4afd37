"""Faults of a site file: routes, lines, pipe builds and machines that cannot be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "route to itself",
        [("ridge: {between: [north, works]", "ridge: {between: «[north, north]")],
        ["route 'ridge': between joins 'north' to itself; name two places"],
    ),
    (
        "pipe thicker than it lies deep",
        [("length: 900 m, pipes: [dn50]", "length: 900 m, pipes: [dn50], burial_depth: «7 cm")],
        [
            "route 'ridge': burial_depth is 70 mm, and pipe 'dn50' is not covered there: its "
            "radius is 76.5 mm; bury it deeper, or list other 'pipes'"
        ],
    ),
    (
        "route to an unknown place",
        [("ridge: {between: [north, works]", "ridge: {between: [north, «wroks]")],
        [("route 'ridge': between[2] names the unknown place 'wroks'; did you mean 'works'?")],
    ),
    (
        "route between three places",
        [("ridge: {between: [north, works]", "ridge: {between: «[north, works, yard]")],
        ["route 'ridge': between expects 2 values, got 3"],
    ),
    (
        "route of no length",
        [("length: 900 m", "length: «0 m")],
        [
            (
                "route 'ridge': length must be above 0 (got 0 m); give a positive "
                "length such as '900 m'"
            )
        ],
    ),
    (
        "route between places at one point",
        [
            ("yard: {at: [40, 30]}", "yard: {at: [0, 0]}"),
            ("quay: {between: [yard", "quay: {between: «[yard"),
        ],
        [
            (
                "route 'quay': has no length: 'yard' and 'works' have the same "
                "coordinates; add 'length: 900 m'"
            )
        ],
    ),
    (
        "length and winding",
        [("length: 900 m,", "length: 900 m, detour_factor: «1.2,")],
        ["route 'ridge': has both 'length' and 'detour_factor'; keep one of them"],
    ),
    (
        "winding below one",
        [("detour_factor: 1.5", "detour_factor: «0.9")],
        [("route 'dale': detour_factor must be at least 1 (got 0.9); give a number such as '1.5'")],
    ),
    (
        "place without coordinates",
        [
            ("yard: {at: [40, 30]}", "yard:"),
            ("dale: {between: [north", "dale: {between: «[north"),
            ("quay: {between: [yard", "quay: {between: «[yard"),
        ],
        [
            (
                "route 'dale': needs 'length', as the place 'yard' has no "
                "coordinates; add 'length: 900 m', or 'at' to the place 'yard'"
            ),
            (
                "route 'quay': needs 'length', as the place 'yard' has no "
                "coordinates; add 'length: 900 m', or 'at' to the place 'yard'"
            ),
        ],
    ),
    (
        "one coordinate",
        [("yard: {at: [40, 30]}", "yard: {at: «[40]}")],
        ["place 'yard': at expects 2 values, got 1"],
    ),
    (
        "route without any build",
        [("pipes: [dn50]}", "pipes: «[]}")],
        ["route 'ridge': pipes expects at least 1 value, got 0"],
    ),
    (
        "line that loses all",
        [("    loss: 2 %", "    loss: «100 %")],
        [
            (
                "power line 'feeder': loss must be below 100 % (got 100 %); give a share "
                "such as '35 %'"
            )
        ],
    ),
    (
        "line without capacity",
        [("    capacity: 80 kW\n", ""), ("  feeder:\n", "  «feeder:\n")],
        ["power line 'feeder': needs the key 'capacity'; add 'capacity: 70 kW'"],
    ),
    (
        "layer without mass",
        [("{material: pipe_steel, mass: 5.44 kg/m}", "«{material: pipe_steel}")],
        [
            "pipe 'dn50': layers[1] needs 'mass', or 'thickness', the pipe's 'bore' and the "
            "density of 'pipe_steel' to find it; add 'mass: 5.44 kg/m'"
        ],
    ),
    (
        "more energy than the fuel holds",
        [("outputs: {power: 30 kW, fossil", "outputs: «{power: 90 kW, fossil")],
        [
            (
                "machine 'diesel_set': gives more energy than it takes (90 kW of "
                "85.6 kW by lower heating value); check 'inputs', 'outputs' and the "
                "heating values"
            )
        ],
    ),
    (
        "power and heat above the fuel",
        [("heat: 90 kW", "heat: 190 kW"), ("outputs: {power: 70 kW", "outputs: «{power: 70 kW")],
        [
            (
                "machine 'gas_engine': gives more energy than it takes (260 kW of "
                "212 kW by lower heating value); check 'inputs', 'outputs' and the "
                "heating values"
            )
        ],
    ),
    (
        "fluid of more energy than the power",
        [("outputs: {hydrogen: 0.27 g/s}", "outputs: «{hydrogen: 0.5 g/s}")],
        [
            (
                "machine 'electrolyser': gives more energy than it takes (60 kW of "
                "50 kW by lower heating value); check 'inputs', 'outputs' and the "
                "heating values"
            )
        ],
    ),
    (
        "power on both sides",
        [
            (
                "inputs: {diesel: 2 g/s}\n    outputs: {power",
                "inputs: {diesel: 2 g/s, power: 1 kW}\n    outputs: «{power",
            )
        ],
        [
            (
                "machine 'diesel_set': outputs holds 'power', which the machine also "
                "takes; give the net power on one side"
            )
        ],
    ),
    (
        "takes heat",
        [("inputs: {power: 50 kW}", "inputs: {power: 50 kW, «heat: 10 kW}")],
        [
            (
                "machine 'electrolyser': inputs has the key 'heat', which is not yet "
                "read; leave the heat out: its use is not planned"
            )
        ],
    ),
    (
        "takes nothing",
        [("inputs: {power: 50 kW}", "inputs: «{}")],
        [("machine 'electrolyser': inputs names no fluid; name one fluid or 'power' at least")],
    ),
    (
        "gives nothing",
        [("outputs: {hydrogen: 0.27 g/s}", "outputs: «{}")],
        [
            (
                "machine 'electrolyser': outputs names no fluid; name one fluid or "
                "'power' or 'heat' at least"
            )
        ],
    ),
    (
        "no load of all",
        [("no_load: 15 %", "no_load: «100 %")],
        [
            (
                "machine 'gas_engine': no_load must be below 100 % (got 100 %); give "
                "a share such as '35 %'"
            )
        ],
    ),
    (
        "least load above one",
        [("min_load: 40 %", "min_load: «400 %")],
        [
            (
                "machine 'gas_engine': min_load must be at most 100 % (got 400 %); "
                "give a share such as '35 %'"
            )
        ],
    ),
    (
        "no unit at a place",
        [("places: {works: 6, yard: 2}", "places: {works: 6, yard: «0}")],
        ["machine 'gas_engine': places.yard must be at least 1 (got 0); give 1 or more"],
    ),
    (
        "negative rest",
        [("min_down_time: 5 min", "min_down_time: «-5 min")],
        [
            (
                "machine 'gas_engine': min_down_time must not be negative (got -5 min); "
                "give a duration such as '87 d'"
            )
        ],
    ),
    (
        "negative run",
        [("min_up_time: 20 min", "min_up_time: «-20 min")],
        [
            (
                "machine 'gas_engine': min_up_time must not be negative (got -20 min); "
                "give a duration such as '87 d'"
            )
        ],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_network(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

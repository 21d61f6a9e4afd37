"""Faults of a site file: references to what the site does not have."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "unknown place",
        [("    place: north\n", "    place: «nroth\n")],
        [("source 'north_well': place names the unknown place 'nroth'; did you mean 'north'?")],
    ),
    (
        "unknown fluid",
        [("    fluid: diesel", "    fluid: «petrol")],
        [("source 'tank_farm': fluid names the unknown fluid 'petrol'; list it under 'fluids'")],
    ),
    (
        "unknown material",
        [("connection: {materials: {pipe_steel", "connection: {materials: {«pipe_stele")],
        [
            (
                "source 'north_well': connection.materials names the unknown material "
                "'pipe_stele'; did you mean 'pipe_steel'?"
            )
        ],
    ),
    (
        "unknown material of a layer",
        [("material: mineral_wool", "material: «glass_wool")],
        [
            (
                "pipe 'dn50': layers[2].material names the unknown material "
                "'glass_wool'; list it under 'materials'"
            )
        ],
    ),
    (
        "unknown pipe",
        [("pipes: [dn50]", "pipes: [«dn5O]")],
        [("route 'ridge': pipes[1] names the unknown pipe 'dn5O'; did you mean 'dn50'?")],
    ),
    (
        "unknown goal",
        [("goals: [served_power, clean_power, money]", "goals: [served_power, «clean, money]")],
        ["site: goals[2] 'clean' is unknown; did you mean 'clean_power'?"],
    ),
    (
        "goal twice",
        [
            (
                "goals: [served_power, clean_power, money]",
                "goals: [served_power, clean_power, «served_power]",
            )
        ],
        ["site: goals holds 'served_power' twice; keep it once"],
    ),
    (
        "no goals",
        [("goals: [served_power, clean_power, money]", "goals: «[]")],
        ["site: goals expects at least 1 value, got 0"],
    ),
    (
        "unknown excluded place",
        [("excluded_places: [old pond]", "excluded_places: [«old_pond]")],
        [
            (
                "site: limits.excluded_places[1] names the unknown place 'old_pond'; "
                "did you mean 'old pond'?"
            )
        ],
    ),
    (
        "unknown fluid of a store",
        [("holds: well_gas", "holds: «gas")],
        [("store 'gas_holder': holds names the unknown fluid 'gas'; list it under 'fluids'")],
    ),
    (
        "unknown fluid of a machine",
        [("inputs: {diesel: 2 g/s}", "inputs: {«desel: 2 g/s}")],
        [("machine 'diesel_set': inputs names the unknown fluid 'desel'; did you mean 'diesel'?")],
    ),
    (
        "place of a store twice",
        [("places: [north, works]", "places: [north, «north]")],
        ["store 'gas_holder': places holds 'north' twice; keep it once"],
    ),
    (
        "no place for a store",
        [("    holds: power\n    places: [works]", "    holds: power\n    places: «[]")],
        ["store 'battery': places expects at least 1 value, got 0"],
    ),
    (
        "unknown place of a machine",
        [("places: {works: 6, yard: 2}", "places: {works: 6, «yrad: 2}")],
        [("machine 'gas_engine': places names the unknown place 'yrad'; did you mean 'yard'?")],
    ),
    (
        "no such fluid of a pipe",
        [("fluids: [well_gas, hydrogen]", "fluids: [well_gas, «helium]")],
        [("pipe 'dn50': fluids[2] names the unknown fluid 'helium'; list it under 'fluids'")],
    ),
    (
        "number of machines missing",
        [("places: {works: 6, yard: 2}", "places: {works: 6, yard: «}")],
        [("machine 'gas_engine': places.yard expects a whole number such as 3, got nothing")],
    ),
    (
        "places in a word",
        [
            (
                "    outputs: {hydrogen: 0.27 g/s}\n    places: [works]",
                "    outputs: {hydrogen: 0.27 g/s}\n    places: «works",
            )
        ],
        [
            (
                "machine 'electrolyser': places expects a list of names, or a "
                "mapping of name to number, got 'works'; write '[works]' or '{works: "
                "6}'"
            )
        ],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_references(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

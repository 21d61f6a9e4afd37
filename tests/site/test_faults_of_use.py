"""Faults of a site file: demands, and what stands already, that cannot be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "fluid without place",
        [
            (
                "  kiln: {fluid: hydrogen, flow: 0.1 g/s, place: works}",
                "  «kiln: {fluid: hydrogen, flow: 0.1 g/s}",
            )
        ],
        ["demand 'kiln': needs the key 'place'; a fluid is wanted at one place"],
    ),
    (
        "power without place beside lines",
        [("    place: works\n    profile", "    profile"), ("  town:", "  «town:")],
        [("demand 'town': needs the key 'place'; power moves by lines here, to one place")],
    ),
    (
        "power and fluid",
        [("  kiln: {fluid: hydrogen", "  kiln: {power: 1 kW, fluid: «hydrogen")],
        [("demand 'kiln': has keys of more than one of: 'power', or 'fluid' and 'flow'; keep one")],
    ),
    (
        "neither power nor fluid",
        [("  kiln: {fluid: hydrogen, flow: 0.1 g/s, place: works}", "  «kiln: {place: works}")],
        ["demand 'kiln': needs 'power', or 'fluid' and 'flow'; add it"],
    ),
    (
        "fluid without flow",
        [("  kiln: {fluid: hydrogen, flow: 0.1 g/s,", "  «kiln: {fluid: hydrogen,")],
        [("demand 'kiln': needs the key 'flow'; add 'flow': mean flow of the fluid, or a series")],
    ),
    (
        "profile of zeros",
        [("profile: [0.6, 0.6, 0.8, 1.2, 1.5, 1.3]", "profile: «[0, 0, 0]")],
        ["demand 'town': profile is 0 all of the time; give one step above 0 at least"],
    ),
    (
        "negative step",
        [("profile: [0.6, 0.6,", "profile: [0.6, «-0.6,")],
        [
            (
                "demand 'town': profile[2] must not be negative (got -0.6); give a "
                "number such as '1.5'"
            )
        ],
    ),
    (
        "empty profile",
        [("profile: [0.6, 0.6, 0.8, 1.2, 1.5, 1.3]", "profile: «[]")],
        ["demand 'town': profile expects at least 1 value, got 0"],
    ),
    (
        "period without profile",
        [("    profile: [0.6, 0.6, 0.8, 1.2, 1.5, 1.3]\n", ""), ("period: 1 d", "period: «1 d")],
        [("demand 'town': period is given without 'profile'; add the profile or leave it out")],
    ),
    (
        "profile beside a series",
        [("place: yard, priority: 2", "place: yard, profile: «[1, 2]")],
        ["demand 'hall': profile is given beside a series of 'power'; keep one of them"],
    ),
    (
        "no such series",
        [("{csv: hall_load.csv}", "{csv: «hall_laod.csv}")],
        [
            (
                "demand 'hall': power.csv names 'hall_laod.csv', which cannot be "
                "read (No such file or directory); paths start at the folder of the "
                "site file"
            )
        ],
    ),
    (
        "series without file",
        [("{csv: hall_load.csv}", "«{}")],
        [
            (
                "demand 'hall': power needs the key 'csv'; add 'csv': path of the "
                "CSV file, from the site file"
            )
        ],
    ),
    (
        "least share above one",
        [("min_share: 20 %", "min_share: «120 %")],
        [
            (
                "demand 'town': min_share must be at most 100 % (got 120 %); give "
                "a share such as '35 %'"
            )
        ],
    ),
    (
        "tap of no source",
        [("sources: [north_well]", "sources: [«north_wel]")],
        [
            (
                "site: built.sources[1] names the unknown source 'north_wel'; did you "
                "mean 'north_well'?"
            )
        ],
    ),
    (
        "tap twice",
        [("sources: [north_well]", "sources: [north_well, «north_well]")],
        ["site: built.sources holds 'north_well' twice; keep it once"],
    ),
    (
        "run on no route",
        [("{route: ridge,", "{route: «rigde,")],
        [("site: built.pipes[1].route names the unknown route 'rigde'; did you mean 'ridge'?")],
    ),
    (
        "run of a pipe that may not carry it",
        [("pipe: dn50, fluid: well_gas, t", "pipe: «dn50, fluid: diesel, t")],
        [
            (
                "site: built.pipes[1].pipe names 'dn50', which may not carry "
                "'diesel'; add it to the pipe's 'fluids' (well_gas, hydrogen)"
            )
        ],
    ),
    (
        "run twice",
        [("from: north}]", "from: north}, {route: «ridge, pipe: hose, fluid: well_gas}]")],
        ["site: built.pipes[2].route has two runs for 'well_gas'; keep one of them"],
    ),
    (
        "run from another place",
        [("from: north}]", "from: «yard}]")],
        ["site: built.pipes[1].from names 'yard', no end of the route; name 'north' or 'works'"],
    ),
    (
        "line that is not listed",
        [("power_lines: [feeder]", "power_lines: [«feder]")],
        ["site: built.power_lines[1] names the unknown power line 'feder'; did you mean 'feeder'?"],
    ),
    (
        "store of no kind",
        [("storage: {gas_holder: {north", "storage: {«gas_tank: {north")],
        [("site: built.storage names the unknown store 'gas_tank'; list it under 'storage'")],
    ),
    (
        "store where it may not stand",
        [("gas_holder: {north: 500 kg}", "gas_holder: {yard: «500 kg}")],
        [
            (
                "site: built.storage.gas_holder.yard is at a place that 'gas_holder' "
                "does not list; add 'yard' to the 'places' of the store"
            )
        ],
    ),
    (
        "store above its most",
        [("gas_holder: {north: 500 kg}", "gas_holder: {north: «5 t}")],
        [
            (
                "site: built.storage.gas_holder.north is above the maximum size "
                "there (5 t > 4 t); raise 'size.max' of the store"
            )
        ],
    ),
    (
        "store of no whole units",
        [("battery: {works: 40 kWh}", "battery: {works: «50 kWh}")],
        [
            (
                "site: built.storage.battery.works is no whole number of units of 20 "
                "kWh; give a multiple of the store's 'unit'"
            )
        ],
    ),
    (
        "store of wrong dimension",
        [("battery: {works: 40 kWh}", "battery: {works: «40 kg}")],
        [("site: built.storage.battery.works expects an energy such as '20 kWh', got '40 kg'")],
    ),
    (
        "store of no size",
        [("gas_holder: {north: 500 kg}", "gas_holder: {north: «0 kg}")],
        [
            (
                "site: built.storage.gas_holder.north must be above 0 (got 0 kg); "
                "give a positive mass such as '2.4 t'"
            )
        ],
    ),
    (
        "machine of no kind",
        [("machines: {gas_engine: {works: 1}}", "machines: {«gas_engin: {works: 1}}")],
        [
            (
                "site: built.machines names the unknown machine 'gas_engin'; did you "
                "mean 'gas_engine'?"
            )
        ],
    ),
    (
        "machine where it may not stand",
        [("machines: {gas_engine: {works: 1}}", "machines: {gas_engine: {north: «1}}")],
        [
            (
                "site: built.machines.gas_engine.north is at a place that 'gas_engine' "
                "does not list; add 'north' to the 'places' of the machine"
            )
        ],
    ),
    (
        "machines above the place's number",
        [("machines: {gas_engine: {works: 1}}", "machines: {gas_engine: {yard: «3}}")],
        [
            (
                "site: built.machines.gas_engine.yard is above the maximum number "
                "there (3 > 2); raise the number under 'places' of the machine"
            )
        ],
    ),
    (
        "machines above the number in all",
        [("machines: {gas_engine: {works: 1}}", "machines: {gas_engine: «{works: 6, yard: 2}}")],
        [
            (
                "site: built.machines.gas_engine is above the machine's 'max_units' "
                "(8 > 7); raise 'max_units' of the machine"
            )
        ],
    ),
    (
        "half a machine",
        [("machines: {gas_engine: {works: 1}}", "machines: {gas_engine: {works: «0.5}}")],
        [("site: built.machines.gas_engine.works expects a whole number such as 3, got '0.5'")],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_use(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

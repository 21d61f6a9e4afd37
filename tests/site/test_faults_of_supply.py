"""Faults of a site file: sources and stores that cannot be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "stage on longer than its period",
        [("{on: 310 s, every: 470 s}", "{on: «470 s, every: 310 s}")],
        [
            (
                "source 'north_well': cycle[1].on is longer than its period (470 s "
                "of every 310 s); 'every' is the time from one start to the next"
            )
        ],
    ),
    (
        "stages in the wrong order",
        [
            (
                "      - {on: 310 s, every: 470 s}\n      - {on: 80 d, every: 160 d}",
                "      - {on: 80 d, every: «160 d}\n      - {on: 310 s, every: 470 s}",
            )
        ],
        [
            (
                "source 'north_well': cycle[1].every must fit into the on-time of "
                "the next stage (160 d > 310 s); list the stages innermost first"
            )
        ],
    ),
    (
        "stage of no length",
        [("{on: 310 s, every: 470 s}", "{on: «0 s, every: 470 s}")],
        [
            (
                "source 'north_well': cycle[1].on must be above 0 (got 0 s); give a "
                "positive duration such as '87 d'"
            )
        ],
    ),
    (
        "stages as a mapping",
        [
            (
                ("    cycle:\n      - {on: 310 s, every: 470 s}\n      - {on: 80 d, every: 160 d}"),
                "    cycle: «{on: 310 s, every: 470 s}",
            )
        ],
        ["source 'north_well': cycle expects a list of values, got a mapping"],
    ),
    (
        "cycle and delivery",
        [("    next_start: 6 spell", "    delivery: «{every: 1 d, batch: 1 kg}")],
        ["source 'north_well': has both 'cycle' and 'delivery'; keep one of them"],
    ),
    (
        "too many on-times",
        [
            ("{on: 310 s, every: 470 s}", "{on: 1 ms, every: 2 ms}"),
            ("    cycle:\n      ", "    cycle:\n      «"),
        ],
        [
            (
                "source 'north_well': cycle has about 3e+09 on-times in one period "
                "of its last stage; leave the first stage out and give the mean flow "
                "while it lasts"
            )
        ],
    ),
    (
        "delivery longer than its interval",
        [("delivery: {every: 14 d, batch: 2 t}", "delivery: {every: 10 h, batch: «2 t}")],
        [
            (
                "source 'tank_farm': delivery.batch takes 13.9 h to unload at this "
                "flow, longer than 'every' (10 h); give a higher 'flow' or a smaller "
                "'batch'"
            )
        ],
    ),
    (
        "next spell of a steady source",
        [("    delivery: {every: 14 d, batch: 2 t}", "    next_start: «1 d")],
        [
            (
                "source 'tank_farm': next_start is given for a source that is always "
                "on; give its 'cycle'"
            )
        ],
    ),
    (
        "next spell beyond the period",
        [("next_start: 6 spell", "next_start: «200 d")],
        [
            (
                "source 'north_well': next_start is later than the period of the "
                "last stage (160 d); give the time until it next turns on"
            )
        ],
    ),
    (
        "pump without energy",
        [("pump: {energy: 350 kJ/kg, rate: 3 g/s, chamber", "pump: «{rate: 3 g/s, chamber")],
        ["source 'north_well': pump needs the key 'energy'; add 'energy: 42.8 MJ/kg'"],
    ),
    (
        "chamber without pressure",
        [
            ("    pressure: 1.1 bar\n", ""),
            (
                "chamber: {volume: 40 m^3, min_pressure: 1.02 bar}",
                "chamber: «{volume: 40, min_pressure: 1 bar}",
            ),
        ],
        [
            (
                "source 'north_well': pump.chamber needs the pressure at the source's mouth, to "
                "which it is filled; add 'pressure' to the source"
            )
        ],
    ),
    (
        "chamber at too high a pressure",
        [("min_pressure: 1.02 bar", "min_pressure: «1.1 bar")],
        [
            (
                "source 'north_well': pump.chamber.min_pressure is not below the "
                "pressure at the mouth "
                "(110 kPa absolute), so nothing can be drawn; give a lower one"
            )
        ],
    ),
    (
        "chamber of a gas of which nothing is known",
        [
            (", constants: {density: 1.2 kg/m^3}", ""),
            ("chamber: {volume", "chamber: «{volume"),
        ],
        [
            (
                "source 'north_well': pump.chamber holds 'well_gas', the amount of which is not "
                "known; give the gas a 'molar_mass' or 'density' among its constants, or a "
                "'substance'"
            )
        ],
    ),
    (
        "least above most",
        [("size: {min: 100 kg, max: 4 t}", "size: {min: «5 t, max: 4 t}")],
        [("store 'gas_holder': size.min is above 'max' (5 t > 4 t); give a smaller 'min'")],
    ),
    (
        "unit above most",
        [("size: {unit: 20 kWh, max: 400 kWh}", "size: {unit: «500 kWh, max: 400 kWh}")],
        [
            (
                "store 'battery': size.unit is above 'max' (500 kWh > 400 kWh); "
                "give a smaller 'unit' or a larger 'max'"
            )
        ],
    ),
    (
        "no whole unit fits",
        [
            (
                "size: {unit: 20 kWh, max: 400 kWh}",
                "size: {unit: «30 kWh, min: 31 kWh, max: 59 kWh}",
            ),
            ("battery: {works: 40 kWh}", "battery: {works: 30 kWh}"),
        ],
        [
            (
                "store 'battery': size.unit fits no whole number of times between "
                "'min' and 'max' (59 kWh); change one of the three"
            )
        ],
    ),
    (
        "charge efficiency above one",
        [("charge_efficiency: 90 %", "charge_efficiency: «110 %")],
        [
            (
                "store 'battery': charge_efficiency must be at most 100 % (got 110 "
                "%); give a positive share such as '35 %'"
            )
        ],
    ),
    (
        "charge efficiency of zero",
        [("charge_efficiency: 90 %", "charge_efficiency: «0")],
        [
            (
                "store 'battery': charge_efficiency must be above 0 (got 0); give a "
                "positive share such as '35 %'"
            )
        ],
    ),
    (
        "charge efficiency of a fluid store",
        [("    loss: 0.1 %/d", "    charge_efficiency: «90 %")],
        [
            (
                "store 'gas_holder': charge_efficiency is only for a store of power; "
                "leave it out, or use 'loss'"
            )
        ],
    ),
    (
        "size of a battery in kg",
        [("max: 400 kWh", "max: «400 kg")],
        ["store 'battery': size.max expects an energy such as '20 kWh', got '400 kg'"],
    ),
    (
        "size of a holder in kWh",
        [("max: 4 t", "max: «4 MWh")],
        ["store 'gas_holder': size.max expects a mass such as '2.4 t', got '4 MWh'"],
    ),
    (
        "size without most",
        [("size: {min: 100 kg, max: 4 t}", "size: «{min: 100 kg}")],
        ["store 'gas_holder': size needs the key 'max'; add 'max: 2.4 t'"],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_supply(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

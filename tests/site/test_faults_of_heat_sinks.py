"""Faults of a site file: baths that cannot be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "efficiency above Carnot's",
        [("efficiency: 5 %", "efficiency: «12 %")],
        [
            (
                "heat sink 'quench': recovery.efficiency is 12 %, and no engine between "
                "30 degC and "
                "10 degC passes 6.6 % (Carnot); give a lower efficiency or a higher 'threshold'"
            )
        ],
    ),
    (
        "recovery from cold",
        [("threshold: 30 degC", "threshold: «9 degC")],
        [
            (
                "heat sink 'quench': recovery.threshold is no hotter than what the heat "
                "is rejected to "
                "(9 degC and 10 degC); raise it, or give a lower 'cold_temperature'"
            )
        ],
    ),
    (
        "cooler above the limit",
        [("set_point: 33 degC", "set_point: «36 degC")],
        [
            (
                "heat sink 'quench': cooler.set_point is above the heat sink's "
                "'max_temperature' (36 degC > 35 degC)"
                "; give that or less"
            )
        ],
    ),
    (
        "source of unknown temperature",
        [
            (", heat_while_on: 1 kW", ""),
            ("{source: north_well, mass", "{source: «tank_farm, mass"),
        ],
        [
            (
                "heat sink 'stones': source names 'tank_farm', whose temperature is not known; "
                "add 'temperature' to the source, or 'heat_while_on' to the heat sink"
            )
        ],
    ),
    (
        "heat and an outlet",
        [("heat_while_on: 1 kW", "heat_while_on: 1 kW, max_outlet_temperature: «40 degC")],
        [
            (
                "heat sink 'stones': max_outlet_temperature is given beside "
                "'heat_while_on', from which no "
                "temperature of gas follows; leave one of them out"
            )
        ],
    ),
    (
        "less than stands there",
        [("max_mass: 9 t", "max_mass: «1 t")],
        [
            (
                "heat sink 'quench': max_mass is less than 'mass' (1 t < 2 t); "
                "give the maximum mass, existing mass included"
            )
        ],
    ),
    (
        "less than the heaviest that is offered",
        [("mass: 2 t", "mass: [12 t, 2 t]"), ("max_mass: 9 t", "max_mass: «9 t")],
        [
            (
                "heat sink 'quench': max_mass is less than 'mass' (9 t < 12 t); "
                "give the maximum mass, existing mass included"
            )
        ],
    ),
    (
        "no mass to choose from",
        [("mass: 2 t", "mass: «[]")],
        ["heat sink 'quench': mass expects at least 1 value, got 0"],
    ),
    (
        "a mass twice",
        [("mass: 2 t", "mass: [2 t, «2 t]")],
        ["heat sink 'quench': mass holds '2 t' twice; keep it once"],
    ),
    (
        "an unknown material",
        [("mass: 2 t", "mass: 2 t\n    materials: {«stele: 40 g/kg}")],
        [
            "heat sink 'quench': materials names the unknown material 'stele'; list it "
            "under 'materials'"
        ],
    ),
    (
        "warmer at first than it boils",
        [
            ("  diesel: {", "  water: {phase: liquid, substance: Water}\n  diesel: {"),
            ("    fluid: bio_co2\n", "    fluid: water\n"),
            ("initial_temperature: 12 degC", "initial_temperature: «110 degC"),
        ],
        [
            "heat sink 'quench': initial_temperature is 110 degC, and its water boils at "
            "105 degC; start it no warmer, or give a higher 'pressure'"
        ],
    ),
    (
        "nothing in it",
        [
            ("    fluid: bio_co2\n    initial_temperature", "    initial_temperature"),
            ("  quench:", "  «quench:"),
        ],
        ["heat sink 'quench': needs 'fluid', or 'specific_heat'; add it"],
    ),
    (
        "one that exists of a mass that is not offered",
        [("mass: 2000 kg", "mass: «3 t")],
        [
            "site: built.heat_sinks[1].mass is 3 t, which 'quench' does not offer (2 t); add 3 t "
            "to the 'mass' of the heat sink"
        ],
    ),
    (
        "one that exists with a recovery that is none",
        [("recovery: true}", "recovery: true}, {heat_sink: stones, mass: 1 t, recovery: «true}")],
        [
            "site: built.heat_sinks[2].recovery is true, and 'stones' has none; add 'recovery' to "
            "the heat sink"
        ],
    ),
    (
        "one that exists twice",
        [("recovery: true}", "recovery: true}, {heat_sink: «quench, mass: 2 t}")],
        ["site: built.heat_sinks[2].heat_sink has 'quench' twice; keep it once"],
    ),
    (
        "unknown source and no loss",
        [
            ("{source: north_well, mass", "{source: «tank_fram, mass"),
            ("loss_conductance: 5 W/K", "loss_conductance: «-5 W/K"),
        ],
        [
            (
                "heat sink 'stones': source names the unknown source 'tank_fram'; did you "
                "mean 'tank_farm'?"
            ),
            "heat sink 'stones': loss_conductance must not be negative (got -5 W/K); "
            "give a conductance such as "
            "'400 W/K'",
        ],
    ),
]


@pytest.mark.parametrize(("patches", "messages"), [c[1:] for c in CASES], ids=[c[0] for c in CASES])
def test_faults(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

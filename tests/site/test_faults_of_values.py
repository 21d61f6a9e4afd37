"""Faults of a site file: values that cannot be read, and units of the user's own."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "negative flow",
        [("flow: 3.2 g/s", "flow: «-3 g/s")],
        [
            (
                "source 'north_well': flow must be above 0 (got -3 g/s); give a "
                "positive rate such as '3 g/s'"
            )
        ],
    ),
    (
        "zero flow",
        [("flow: 3.2 g/s", "flow: «0")],
        [
            (
                "source 'north_well': flow must be above 0 (got 0); give a positive "
                "rate such as '3 g/s'"
            )
        ],
    ),
    (
        "wrong dimension",
        [("flow: 3.2 g/s", "flow: «3 kg")],
        ["source 'north_well': flow expects a mass rate such as '3 g/s', got '3 kg'"],
    ),
    (
        "unknown unit",
        [("flow: 3.2 g/s", "flow: «3.2 gramm/s")],
        [
            (
                "source 'north_well': flow has the unknown unit 'gramm' in '3.2 "
                "gramm/s'; did you mean 'gram'?"
            )
        ],
    ),
    (
        "ambiguous unit",
        [("flow: 3.2 g/s", "flow: «3.2 gr/s")],
        [
            (
                "source 'north_well': flow has the ambiguous unit 'gr' in '3.2 "
                "gr/s'; write 'g' for grams, or 'grain'"
            )
        ],
    ),
    (
        "unreadable unit",
        [("flow: 3.2 g/s", "flow: «3.2 g/(s")],
        [
            (
                "source 'north_well': flow has the unreadable unit 'g/(s' in '3.2 "
                "g/(s'; write units like 'g/s', 'MJ/kg' or 'W/(m*K)'"
            )
        ],
    ),
    (
        "unit of wrong case",
        [("power: 60 kW\n", "power: «60 KW\n")],
        [("demand 'town': power has the unknown unit 'KW' in '60 KW'; did you mean 'kW'?")],
    ),
    (
        "no number",
        [("flow: 3.2 g/s", "flow: «plenty")],
        ["source 'north_well': flow expects a mass rate such as '3 g/s', got 'plenty'"],
    ),
    (
        "not a number",
        [("flow: 3.2 g/s", "flow: «.nan")],
        [("source 'north_well': flow must be a finite number, got nan; write it like '3 g/s'")],
    ),
    (
        "infinite",
        [("money: 2000000", "money: «.inf")],
        ["site: limits.money must be a finite number, got inf; write it like '900'"],
    ),
    (
        "infinite text",
        [("flow: 3.2 g/s", "flow: «inf kg/s")],
        [
            (
                "source 'north_well': flow must be a finite number, got 'inf kg/s'; "
                "write it like '3 g/s'"
            )
        ],
    ),
    (
        "boolean in place of a quantity",
        [("flow: 3.2 g/s", "flow: «true")],
        ["source 'north_well': flow expects a mass rate such as '3 g/s', got 'true'"],
    ),
    (
        "list in place of a quantity",
        [("flow: 3.2 g/s", "flow: «[3 g/s]")],
        ["source 'north_well': flow expects a mass rate such as '3 g/s', got a list"],
    ),
    (
        "no value",
        [("flow: 3.2 g/s", "flow:« ")],
        ["source 'north_well': flow expects a mass rate such as '3 g/s', got nothing"],
    ),
    (
        "decimal comma",
        [("flow: 3.2 g/s", "flow: «'3,2 g/s'")],
        [
            (
                "source 'north_well': flow has no readable number in '3,2 g/s'; "
                "write digits without separators and with a decimal point, like '3 "
                "g/s'"
            )
        ],
    ),
    (
        "out of proportion",
        [("stock: 14 t", "stock: «1e40 t")],
        [
            (
                "material 'pipe_steel': stock is out of all proportion, got '1e40 "
                "t'; give at most 1e+12 kg, like '2.4 t'"
            )
        ],
    ),
    (
        "huge whole number",
        [
            (
                "money: 2000000",
                "money: «999999999999999999999999999999999999999999999999999999999999",
            )
        ],
        [
            (
                "site: limits.money is out of all proportion, got "
                "999999999999999999999999999999999999999999999999999999999999; give "
                "at most 1e+18, like '900'"
            )
        ],
    ),
    (
        "negative stock",
        [("stock: 14 t", "stock: «-14 t")],
        [
            (
                "material 'pipe_steel': stock must not be negative (got -14 t); give "
                "a mass such as '2.4 t'"
            )
        ],
    ),
    (
        "negative price",
        [("price: 1.9 /kg", "price: «-1.9 /kg")],
        [
            (
                "material 'pipe_steel': price must not be negative (got -1.9 /kg); "
                "give a price such as '1.9 /kg'"
            )
        ],
    ),
    (
        "price with currency",
        [("price: 1.9 /kg", "price: «1.9 EUR/kg")],
        [
            (
                "material 'pipe_steel': price has the unknown unit 'EUR' in '1.9 "
                "EUR/kg'; money has no unit: write it like '1.9 /kg'"
            )
        ],
    ),
    (
        "money with a unit",
        [("money: 2000000", "money: «2000 kEUR")],
        [
            (
                "site: limits.money expects a sum of money without a unit, got '2000 "
                "kEUR'; write it like '900'"
            )
        ],
    ),
    (
        "share above one",
        [("load_factor: 33 %", "load_factor: «33")],
        [
            (
                "site: load_factor must be at most 100 % (got 33); give a positive "
                "share such as '35 %'"
            )
        ],
    ),
    (
        "share of zero",
        [("load_factor: 33 %", "load_factor: «0 %")],
        [("site: load_factor must be above 0 (got 0 %); give a positive share such as '35 %'")],
    ),
    (
        "below absolute zero",
        [("temperature: 8 degC", "temperature: «-300 degC")],
        [
            (
                "site: ambient.temperature must be above 0 (got -300 degC); give a "
                "positive temperature such as '40 degC'"
            )
        ],
    ),
    (
        "offset unit in a quotient",
        [("loss: 0.1 %/d", "loss: «0.1 degC/d")],
        [
            (
                "store 'gas_holder': loss multiplies or divides by 'degC', whose "
                "zero is shifted, in '0.1 degC/d'; write kelvin, 'K'"
            )
        ],
    ),
    (
        "flag in words",
        [("count_biogenic: false", "count_biogenic: «no")],
        ["site: count_biogenic expects true or false, got 'no'"],
    ),
    (
        "whole number with a fraction",
        [("max_units: 7", "max_units: «7.5")],
        ["machine 'gas_engine': max_units expects a whole number such as 3, got '7.5'"],
    ),
    (
        "whole number too small",
        [("priority: 1\n", "priority: «0\n")],
        ["demand 'town': priority must be at least 1 (got 0); give 1 or more"],
    ),
    (
        "whole number too large",
        [("max_units: 7", "max_units: «70000000000")],
        [
            (
                "machine 'gas_engine': max_units is out of all proportion (got "
                "70000000000); leave it out for no limit"
            )
        ],
    ),
    (
        "word instead of a whole number",
        [("max_units: 7", "max_units: «seven")],
        ["machine 'gas_engine': max_units expects a whole number such as 3, got 'seven'"],
    ),
    (
        "unknown phase",
        [("well_gas: {phase: gas", "well_gas: {phase: «gass")],
        ["fluid 'well_gas': phase 'gass' is unknown; did you mean 'gas'?"],
    ),
    (
        "unknown emission",
        [("fossil_co2: {emission: counted}", "fossil_co2: {emission: «yes}")],
        [("fluid 'fossil_co2': emission 'yes' is unknown; choose one of none, counted, biogenic")],
    ),
    (
        "heating value of zero",
        [("heating_value: 42.8 MJ/kg", "heating_value: «0 MJ/kg")],
        [
            (
                "fluid 'diesel': heating_value must be above 0 (got 0 MJ/kg); give a "
                "positive energy per mass such as '42.8 MJ/kg'"
            )
        ],
    ),
    (
        "control character in text",
        [("about: free text", 'about: «"bell \\a"')],
        ["site: about holds a control character; delete it"],
    ),
    (
        "range of values",
        [("loss_conductance: 40 W/K", "loss_conductance: «{low: 30 W/K, high: 40 W/K}")],
        [
            (
                "heat sink 'quench': loss_conductance may not be a range of values "
                "(flows, stages, efficiencies "
                "and demands may); give one value such as '400 W/K'"
            )
        ],
    ),
    (
        "mean and spread",
        [("power: 60 kW\n", "power: {mean: 60 kW, sd: «0 kW}\n")],
        ["demand 'town': power.sd must be above 0; give one value if it is certain"],
    ),
    (
        "range that reaches below zero",
        [("flow: 3.2 g/s", "flow: {mean: 3.2 g/s, sd: «2 g/s}")],
        ["source 'north_well': flow.sd reaches low values that must be above 0; narrow the range"],
    ),
    (
        "range the wrong way round",
        [("flow: 3.2 g/s", "flow: {low: 3 g/s, high: «2 g/s}")],
        ["source 'north_well': flow.high must be above 'low'; give one value if it is certain"],
    ),
    (
        "likely value outside of the range",
        [("flow: 3.2 g/s", "flow: {low: 3 g/s, likely: «5 g/s, high: 4 g/s}")],
        ["source 'north_well': flow.likely must be from 'low' to 'high'; check the three"],
    ),
    (
        "half a range",
        [("flow: 3.2 g/s", "flow: «{low: 3 g/s}")],
        ["source 'north_well': flow needs the key 'high'; add 'high: 3 g/s'"],
    ),
    (
        "stage that some draw makes longer than its period",
        [("{on: 310 s, every: 470 s}", "{on: «{low: 310 s, high: 500 s}, every: 470 s}")],
        [
            (
                "source 'north_well': cycle[1].on is longer than its period (500 s of every "
                "470 s); 'every' is the time from one start to the next"
            )
        ],
    ),
    (
        "machine that some draw gives more than it takes",
        [("outputs: {power: 30 kW, fossil", "outputs: «{power: {mean: 80 kW, sd: 3 kW}, fossil")],
        [
            (
                "machine 'diesel_set': gives more energy than it takes (89 kW of "
                "85.6 kW by lower heating value); check 'inputs', 'outputs' and the heating values"
            )
        ],
    ),
    (
        "own unit that exists",
        [("  shift: 8 h", "  «week: 8 d\n  shift: 8 h")],
        ["unit 'week': is a unit already; give it another name"],
    ),
    (
        "own unit of no word",
        [("  shift: 8 h", "  «a b: 8 h\n  shift: 8 h")],
        ["unit 'a b': the name of a unit must be one word; use letters and '_'"],
    ),
    (
        "own unit of zero",
        [("  shift: 8 h", "  idle: «0 h\n  shift: 8 h")],
        ["unit 'idle': must be above 0; give a positive duration"],
    ),
    (
        "own unit of mass",
        [("  shift: 8 h", "  sack: «50 kg\n  shift: 8 h")],
        ["unit 'sack': expects a duration such as '87 d', got '50 kg'"],
    ),
    (
        "own unit of an unknown one",
        [("  shift: 8 h", "  idle: «3 shift\n  shift: 8 h")],
        ["unit 'idle': has the unknown unit 'shift' in '3 shift'; write it like '87 d'"],
    ),
    (
        "own unit misspelt in use",
        [("100 kg/shift", "«100 kg/shfit")],
        [
            (
                "pipe 'hose': capacity has the unknown unit 'shfit' in '100 "
                "kg/shfit'; did you mean 'shift'?"
            )
        ],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_values(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

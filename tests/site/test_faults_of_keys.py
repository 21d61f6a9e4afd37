"""Faults of a site file: keys unknown, missing, twice or reserved; names that may not be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

CASES: list[Case] = [
    (
        "misspelt key of the site",
        [("\nsources:", "\n«sorces:")],
        ["site: has the unknown key 'sorces'; did you mean 'sources'?"],
    ),
    (
        "unknown key of the site",
        [("horizon: 10 a", "horizon: 10 a\n«zebra: 1")],
        [
            (
                "site: has the unknown key 'zebra'; its keys are format, name, "
                "about, currency, units, horizon, starts_at, survey_ends and 26 "
                "more"
            )
        ],
    ),
    (
        "misspelt key with a faulty value",
        [("    flow: 3.2 g/s", "    «flwo: «-3 g/s")],
        [
            "source 'north_well': has the unknown key 'flwo'; did you mean 'flow'?",
            (
                "source 'north_well': flow must be above 0 (got -3 g/s); give a "
                "positive rate such as '3 g/s'"
            ),
        ],
    ),
    (
        "misspelt key",
        [("    flow: 3.2 g/s", "    «flwo: 3.2 g/s")],
        ["source 'north_well': has the unknown key 'flwo'; did you mean 'flow'?"],
    ),
    (
        "unknown key far from any",
        [("    flow: 3.2 g/s", "    flow: 3.2 g/s\n    «zzz: 1")],
        [
            (
                "source 'north_well': has the unknown key 'zzz'; its keys are place, "
                "fluid, flow, series, cycle, delivery, next_start, clock and 12 more"
            )
        ],
    ),
    (
        "misspelt nested key",
        [("size: {min: 100 kg", "size: {«mxa: 100 kg")],
        ["store 'gas_holder': size has the unknown key 'mxa'; did you mean 'max'?"],
    ),
    (
        "key twice",
        [("    flow: 3.2 g/s", "    flow: 3.2 g/s\n    «flow: 3 g/s")],
        [("source 'north_well': has the key 'flow' twice (first at line 55); keep one of them")],
    ),
    (
        "name twice",
        [("  tank_farm:", "  «north_well:")],
        [("site: sources has the key 'north_well' twice (first at line 52); keep one of them")],
    ),
    (
        "section twice",
        [
            ("\nstorage:", "\n«sources:"),
            ("storage: {gas_holder", "storage: {«gas_holder"),
            ("battery: {works: 40", "«battery: {works: 40"),
        ],
        [
            "site: has the key 'sources' twice (first at line 51); keep one of them",
            ("site: built.storage names the unknown store 'gas_holder'; list it under 'storage'"),
            "site: built.storage names the unknown store 'battery'; list it under 'storage'",
        ],
    ),
    (
        "key missing",
        [("    flow: 3.2 g/s\n", ""), ("  north_well:", "  «north_well:")],
        ["source 'north_well': needs 'flow', or 'series'; add it"],
    ),
    (
        "key missing in a stage",
        [("{on: 310 s, every: 470 s}", "«{on: 310 s}")],
        ["source 'north_well': cycle[1] needs the key 'every'; add 'every: 87 d'"],
    ),
    (
        "record is text",
        [("  hose: {capacity: 100 kg/shift}", "  hose: «100 kg/shift")],
        [
            (
                "pipe 'hose': expects a mapping of keys (capacity, bore, layers, "
                "price, ...), got '100 kg/shift'"
            )
        ],
    ),
    (
        "record is a list",
        [("limits:\n", "limits: «[300 t/a]\n«limit:\n")],
        [
            (
                "site: limits expects a mapping of keys (emission, money, "
                "excluded_places, ...), got a list"
            ),
            "site: has the unknown key 'limit'; did you mean 'limits'?",
        ],
    ),
    (
        "section is a list",
        [
            ("power_lines: [feeder]", "power_lines: [«feeder]"),
            ("\npower_lines:\n", "\npower_lines: «[feeder]\n«power_line:\n"),
        ],
        [
            "site: power_lines expects a mapping of names to power lines, got a list",
            "site: has the unknown key 'power_line'; did you mean 'power_lines'?",
            (
                "site: built.power_lines[1] names the unknown power line 'feeder'; list it "
                "under 'power_lines'"
            ),
        ],
    ),
    (
        "merge",
        [("    flow: 3.2 g/s", "    flow: 3.2 g/s\n    «<<: {price: 1}")],
        ["source 'north_well': merges ('<<') are not read; write the keys out"],
    ),
    (
        "key that is a list",
        [("    flow: 3.2 g/s", "    flow: 3.2 g/s\n    ? «[a, b]\n    : 1")],
        ["source 'north_well': has a key that is not text; write keys as plain words"],
    ),
    (
        "reserved stream",
        [("horizon: 10 a", "horizon: 10 a\n«streams: {}")],
        [
            (
                "site: has the key 'streams', which is not yet read; list each fluid "
                "once: streams follow from temperatures, limits and coolers"
            )
        ],
    ),
    (
        "a mix of unknown machines and goals",
        [
            (
                "machines: [gas_engine, electrolyser]\n    goals: [served_power, money]",
                "machines: [«gas_engin]\n    goals: [«power]",
            )
        ],
        [
            "mix 'gas alone': machines[1] names the unknown machine 'gas_engin'; "
            "did you mean 'gas_engine'?",
            "mix 'gas alone': goals[1] 'power' is unknown; did you mean 'clean_power'?",
        ],
    ),
    (
        "reserved geometry",
        [("length: 900 m,", "length: 900 m, «geometry: a.geojson,")],
        [("route 'ridge': has the key 'geometry', which is not yet read; give 'via'")],
    ),
    (
        "reserved outages",
        [("    max_units: 7", "    max_units: 7\n    «outages: 5 %")],
        [
            (
                "machine 'gas_engine': has the key 'outages', which is not yet read; "
                "give 'mtbf' and 'mttr', or plan with fewer units"
            )
        ],
    ),
    (
        "no time between failures",
        [("mtbf: 2000 h", "mtbf: «0 h")],
        [
            "machine 'gas_engine': mtbf must be above 0 (got 0 h); "
            "give a positive duration such as '87 d'"
        ],
    ),
    (
        "failures without repair",
        [("mtbf: 2000 h", "mtbf: «2000 h"), ("    mttr: 24 h\n", "")],
        ["machine 'gas_engine': mtbf says nothing without 'mttr'; add 'mttr: 24 h'"],
    ),
    (
        "repair without failures",
        [("mttr: 24 h", "mttr: «24 h"), ("    mtbf: 2000 h\n", "")],
        ["machine 'gas_engine': mttr says nothing without 'mtbf'; add 'mtbf: 2000 h'"],
    ),
    (
        "service for all the year",
        [("service: 120 h", "service: «1 a")],
        [
            "machine 'gas_engine': service is a year or more of each; "
            "give a duration such as '120 h'"
        ],
    ),
    (
        "bore without capacity",
        [("    capacity: 12 g/s\n", ""), ("bore: 53 mm", "bore: «53 mm")],
        [
            (
                "pipe 'dn50': cannot carry 'well_gas' by its bore: it has no known "
                "viscosity; add 'substance', or 'constants: {viscosity: ... Pa*s}'"
            )
        ],
    ),
    (
        "neither capacity nor bore",
        [("  hose: {capacity: 100 kg/shift}", "  «hose: {}")],
        [
            "pipe 'hose': needs the key 'capacity', or 'bore' to find it; add 'capacity: "
            "12 g/s' or 'bore: 52.5 mm'"
        ],
    ),
    (
        "name with a sign of plans",
        [("  hose:", "  «ho@se:")],
        ["pipe 'ho@se': the name must not hold '@'; give it another name"],
    ),
    (
        "name with a colon",
        [("  hose:", "  «'ho:se':")],
        ["pipe 'ho:se': the name must not hold ':'; give it another name"],
    ),
    (
        "name with a control character",
        [("  hose:", '  «"ho\\tse":')],
        [("pipe 'ho\\tse': the name must not hold control characters; give it another name")],
    ),
    (
        "empty name",
        [("  hose:", "  «'':")],
        ["pipe '': the name must not be empty; give it another name"],
    ),
    (
        "name with a space at its end",
        [("  hose:", "  «'hose ':")],
        [("pipe 'hose ': the name must not begin or end with a space; give it another name")],
    ),
    (
        "fluid named power",
        [("  methane_slip: {", "  «power: {"), ("methane_slip: 1 mg/s", "bio_co2: 1 mg/s")],
        ["fluid 'power': the name 'power' is reserved; give it another name"],
    ),
    (
        "demand named flat",
        [("  kiln:", "  «flat:")],
        ["demand 'flat': the name 'flat' is reserved; give it another name"],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_keys(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

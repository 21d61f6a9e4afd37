"""Faults of a site file: gas that is not burnt, and flares."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from allocator.network.reading import check_site

Case = tuple[str, list[tuple[str, str]], list[str]]

FLARE = "gas_flare: {inputs: {well_gas: 20 g/s}"

CASES: list[Case] = [
    (
        "a release that counts twice",
        [("fossil_co2: {emission: counted", "fossil_co2: {vented_weight: «2, emission: counted")],
        [
            "fluid 'fossil_co2': vented_weight is given beside 'emission: counted'; keep 'emission'"
            " for what machines give off, 'vented_weight' for unburnt gas"
        ],
    ),
    (
        "a negative weight",
        [("vented_weight: 16.2", "vented_weight: «-1")],
        [
            "fluid 'well_gas': vented_weight must not be negative (got -1); give a number such as"
            " '1.5'"
        ],
    ),
    (
        "harm that no caution is about",
        [("may_hold: hydrogen sulphide", "may_hold: [carbon monoxide, «sulphur]")],
        [
            "fluid 'well_gas': may_hold[2] 'sulphur' is unknown; choose one of carbon monoxide, "
            "hydrogen sulphide, carbon dioxide"
        ],
    ),
    (
        "bought fuel that vents",
        [("    reliable: true", "    reliable: true\n    when_untapped: «vents")],
        [
            "source 'tank_farm': when_untapped is 'vents', but nothing comes that is not bought;"
            " leave it out"
        ],
    ),
    (
        "an unknown fate",
        [("when_untapped: vents", "when_untapped: «burns")],
        ["source 'north_well': when_untapped 'burns' is unknown; choose one of stays, vents"],
    ),
    (
        "a flare that takes what does not burn",
        [(FLARE, "gas_flare: {inputs: «{fossil_co2: 20 g/s}")],
        [
            "machine 'gas_flare': inputs of a flare hold 'fossil_co2', which does not burn; give"
            " that fluid its 'heating_value', or leave 'flare' out"
        ],
    ),
    (
        "a flare that gives power",
        [("bio_co2: 34 g/s}, places: [north], flare: ", "power: 1 kW}, places: [north], flare: «")],
        [
            "machine 'gas_flare': flare is no machine that takes or gives power; leave 'flare' or"
            " power out"
        ],
    ),
    (
        "a flare of two fluids",
        [
            (FLARE, "gas_flare: {inputs: {well_gas: 20 g/s, hydrogen: 1 g/s}"),
            ("places: [north], flare: true", "places: [north], flare: «true"),
        ],
        [
            "machine 'gas_flare': flare takes more than one fluid; give each fluid a flare of its"
            " own"
        ],
    ),
    (
        "a flare with a least load",
        [(FLARE, "gas_flare: {min_load: «10 %, inputs: {well_gas: 20 g/s}")],
        [
            "machine 'gas_flare': min_load is above 0 of a flare, which burns whatever comes; leave"
            " it out"
        ],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_venting(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)


def test_a_source_that_vents_what_counts_for_nothing_is_odd(
    kitchen_sink: Path, tmp_path: Path
) -> None:
    text = kitchen_sink.read_text(encoding="utf-8").replace("vented_weight: 16.2, ", "")
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    series = kitchen_sink.with_name("hall_load.csv")
    (tmp_path / series.name).write_bytes(series.read_bytes())
    (warning,) = check_site(path).warnings
    assert "gives 'well_gas', which counts for nothing when it is vented" in str(warning)

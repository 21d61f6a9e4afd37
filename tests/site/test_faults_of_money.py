"""Faults of a site file: interest and lives that cannot be."""

from __future__ import annotations

from collections.abc import Callable

import pytest

Case = tuple[str, list[tuple[str, str]], list[str]]

LIVES = [
    ("life: 20 a\n", ""),
    ("price: 900, life: 25 a}", "price: 900}"),
    ("    life: 40 a\n", ""),
    ("    life: 10 a\n", ""),
]

CASES: list[Case] = [
    (
        "more than all of a battery",
        [("usable: 80 %", "usable: «120 %")],
        [
            "store 'battery': usable must be at most 100 % (got 120 %); give a positive share such"
            " as '35 %'"
        ],
    ),
    (
        "a rate that is none",
        [("fill_rate_per_size: 0.5 /h\n    release", "fill_rate_per_size: «0 /h\n    release")],
        [
            "store 'battery': fill_rate_per_size must be above 0 (got 0 /h); give a positive share"
            " per time such as '0.1 %/d'"
        ],
    ),
    (
        "a discount rate of 100",
        [("discount_rate: 6 %", "discount_rate: «100")],
        ["site: discount_rate must be below 100 % (got 100); give a share such as '35 %'"],
    ),
    (
        "a discount rate below 0",
        [("discount_rate: 6 %", "discount_rate: «-1 %")],
        ["site: discount_rate must not be negative (got -1 %); give a share such as '35 %'"],
    ),
    (
        "a life of nothing",
        [("    life: 10 a\n", "    life: «0 a\n")],
        [
            "machine 'gas_engine': life must be above 0 (got 0 a); give a positive duration such as"
            " '87 d'"
        ],
    ),
    (
        "nothing said of how long things last",
        [
            *LIVES,
            ("  north_well:", "  «north_well:"),
            ("  dn50:", "  «dn50:"),
            ("  battery:", "  «battery:"),
            ("  gas_engine:\n", "  «gas_engine:\n"),
        ],
        [
            f"{kind} '{name}': costs money, but nothing says how long it lasts; give it a 'life', "
            "or the whole site one"
            for kind, name in (
                ("source", "north_well"),
                ("store", "battery"),
                ("pipe", "dn50"),
                ("machine", "gas_engine"),
            )
        ],
    ),
]


@pytest.mark.parametrize(
    ("patches", "messages"), [case[1:] for case in CASES], ids=[case[0] for case in CASES]
)
def test_faults_of_money(
    patches: list[tuple[str, str]], messages: list[str], check_faults: Callable[..., None]
) -> None:
    check_faults(patches, messages)

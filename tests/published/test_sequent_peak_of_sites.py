"""Published reservoir tables through the whole engine: a record, and sources with known clocks.

A table of n steps of inflow is a site of n sources, each on in one step of the day and at rest in
the others, with calendar clocks and no error. Its store and its firm draw must be the table's.
Tables and their answers are in ``test_storage_sizing.py``; the first, Table 11.2 of Loucks & van
Beek, is also worked in the lecture notes of ECI 273, UC Davis (github.com/jdherman/eci273,
``L3-sequentpeak.py``), with the same inflow and release.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from published.test_storage_sizing import MONTHS, NINE, NINE_STORES, PONDAGE

import allocator as al
from allocator.cli.entry import main

HALF_DAY, DAY = 12 * 3600.0, 24 * 3600.0
FUEL = 1e-3
"""kg/s that one unit takes for 1 kW."""


def site_of(inflow: list[int], period: float, size: float, clock: str) -> al.Site:
    """A table's amounts are g/s in its steps of a period; ``size``: kg."""
    step = period / len(inflow)
    known = {"clock": clock, "error": 0.0} if clock != "free" else {}
    sources = {
        f"step_{n}": al.Source(
            f"step_{n}",
            "dam",
            "gas",
            flow=1e-3 * amount,
            stages=(al.Stage(step, period),),
            next_start=n * step,
            **known,  # type: ignore[arg-type]
        )
        for n, amount in enumerate(inflow)
        if amount
    }
    most = sum(inflow)
    return al.Site(
        name="Table",
        starts_at="2027-01-01T00:00",
        fluids={"gas": al.Fluid("gas", heating_value=20e6)},
        materials={},
        places={"dam": al.Place("dam")},
        sources=sources,
        storage={"holder": al.StoreType("holder", "gas", ("dam",), max_size=size)},
        pipes={},
        routes={},
        machines={"unit": al.MachineType("unit", {"gas": FUEL}, {}, {"dam": None}, power_out=1e3)},
        demands={"all": al.Demand("all", "power", mean=1e6 * most)},
    )


TABLES = [(NINE, HALF_DAY, 3.5, 7.5), (MONTHS, DAY, 23, 124), (PONDAGE, DAY, 1000, 1500)]
NODES = 20


@pytest.mark.parametrize(("inflow", "period", "draft", "store"), TABLES)
def test_the_firm_draw_of_known_clocks_is_the_draft_of_the_table(
    inflow: list[int], period: float, draft: float, store: float
) -> None:
    size = 1e-3 * store * period / len(inflow)
    site = site_of(inflow, period, size, "calendar")
    result = al.plan(site, node_limit=NODES)
    assert result.plan.power.firm_clean == pytest.approx(1e3 * draft, rel=1e-6)
    assert result.plan.ceiling.clean == pytest.approx(1e3 * draft, rel=1e-6)
    assert al.audit(site, result.plan).accepted
    assert al.simulate(site, result.plan).kept


def test_of_unknown_clocks_the_same_store_gives_less() -> None:
    size = 1e-3 * 7.5 * HALF_DAY / 9
    powers = [
        al.plan(site_of(NINE, HALF_DAY, size, clock), node_limit=NODES).plan.power.firm_clean
        for clock in ("calendar", "free")
    ]
    assert powers[1] < 0.5 * powers[0]


@pytest.mark.parametrize(
    ("inflow", "period", "draft", "store"),
    [*TABLES, *((NINE, HALF_DAY, draft, store) for draft, store in NINE_STORES.items() if store)],
)
def test_the_command_finds_the_store_of_the_table(
    inflow: list[int],
    period: float,
    draft: float,
    store: float,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    step = period / len(inflow)
    rows = [f"{n * step!r},{amount}" for n, amount in enumerate(inflow)]
    file = tmp_path / "record.csv"
    file.write_text("time [s],flow [g/s]\n" + "\n".join(rows) + "\n", encoding="utf-8")
    assert main(["reservoir", str(file), "--draw", f"{draft} g/s"]) == 0
    head, row = capsys.readouterr().out.splitlines()[1:3]
    unit = head.rpartition("storage, ")[2].strip()
    number = re.split(" {2,}", row.strip())[-1].replace("\N{NO-BREAK SPACE}", "")
    amount = al.parse_quantity(f"{number} {unit}", "mass")
    assert amount == pytest.approx(1e-3 * store * step, rel=5e-3)  # three figures are printed

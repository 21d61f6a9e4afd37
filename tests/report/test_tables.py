"""Tables for spreadsheets: units in the heads, whole rows, nothing that runs as a formula."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from hypothesis import given
from hypothesis import strategies as st

from allocator.base.rendering import csv_of
from allocator.base.table import Column, Table
from allocator.network.deriving import network_of
from allocator.plans.records import SourceUse
from allocator.report import line_tables, tables


def read(table: Table) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(csv_of(table))))


def test_sources_used_has_a_row_a_destination() -> None:
    assert read(tables.sources_used(network_of(COVE), COVE_PLAN)) == [
        {
            "source": "north",
            "place": "well",
            "fluid": "gas",
            "new_tap": "yes",
            "goes_to": "store:holder@works",
            "rate_while_on_kg_per_s": "0.016",
            "mean_kg_per_s": "",
        },
        {
            "source": "kiln",
            "place": "yard",
            "fluid": "gas",
            "new_tap": "no",
            "goes_to": "supply:flat",
            "rate_while_on_kg_per_s": "",
            "mean_kg_per_s": "0.0003",
        },
        {
            "source": "drum",
            "place": "works",
            "fluid": "oil",
            "new_tap": "no",
            "goes_to": "store:tank@works",
            "rate_while_on_kg_per_s": "0.05",
            "mean_kg_per_s": "",
        },
    ]


def test_a_tapped_source_that_goes_nowhere_keeps_its_row() -> None:
    plan = replace(COVE_PLAN, sources=(SourceUse("kiln", True, False),))
    (row,) = read(tables.sources_used(network_of(COVE), plan))
    assert (row["source"], row["goes_to"]) == ("kiln", "")


def test_store_sizes_in_kg_or_j() -> None:
    rows = {row["store"]: row for row in read(tables.store_sizes(network_of(COVE), COVE_PLAN))}
    holder, cells = rows["holder@works"], rows["cells@works"]
    assert (holder["size_kg"], holder["size_j"], holder["new_units"]) == ("250", "", "5")
    assert holder["promised_kg_per_s"] == "0.0036"
    assert (cells["size_kg"], cells["size_j"], cells["new_units"]) == ("", "72000000", "2")


def test_runs_and_lines_against_their_capacity() -> None:
    (track, feeder) = read(line_tables.runs(network_of(RIDGE), RIDGE_PLAN))
    assert (track["kind"], track["peak_kg_per_s"], track["used_share"]) == (
        "pipe",
        "0.0095",
        "0.95",
    )
    # 4 kW flat and 2 kW at one and a half times the mean
    assert (feeder["kind"], feeder["peak_w"], feeder["used_share"]) == ("line", "7000", "0.875")


def test_machine_counts_say_what_stands() -> None:
    rows = {row["type"]: row for row in read(tables.machine_counts(network_of(COVE), COVE_PLAN))}
    oil_set = rows["oil_set"]
    assert (oil_set["count"], oil_set["new"], oil_set["standing"]) == ("1", "0", "1")
    assert oil_set["cycled_load_units"] == "0.35"


def test_the_bill_as_a_table_holds_the_same_money() -> None:
    rows = read(tables.bill(network_of(COVE), COVE_PLAN))
    assert sum(float(row["money"]) for row in rows) == pytest.approx(15800.0)
    assert [row["kg"] for row in rows if row["material"] == ""] == [""] * 13  # four valves
    assert [row["quantity"] for row in rows if row["unit"] == "kg of fluid"] == ["0.7"]


def test_a_unit_stands_in_every_head_that_needs_one() -> None:
    unitless = {"units", "quantity", "count", "new", "standing", "turning", "share"}
    for table in (
        tables.store_sizes(network_of(COVE), COVE_PLAN),
        line_tables.runs(network_of(COVE), COVE_PLAN),
        tables.machine_counts(network_of(COVE), COVE_PLAN),
        tables.bill(network_of(COVE), COVE_PLAN),
    ):
        for head, cells in zip(table.keys, zip(*table.rows, strict=True), strict=True):
            numbers = [cell for cell in cells if isinstance(cell, float)]
            last = head.rsplit("_", 1)[-1]
            assert not numbers or last in unitless | {"kg", "s", "j", "m", "w", "money"}, head


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", " @", "\r+"])
def test_a_cell_that_would_run_is_led_by_an_apostrophe(start: str) -> None:
    text = csv_of(Table("t", "T", (Column("name", "name"),), ((f"{start}SUM(A1)",),)))
    (row,) = csv.DictReader(io.StringIO(text, newline=""))
    assert row["name"][0] == "'"
    assert row["name"].endswith(f"{start[-1]}SUM(A1)")


def test_negative_numbers_stay_numbers() -> None:
    text = csv_of(Table("t", "T", (Column("x", "x", "number"),), ((-1.5,), (2,))))
    assert text == "x\n-1.5\n2\n"


@given(st.text(max_size=12))
def test_no_text_reaches_a_spreadsheet_as_a_formula(name: str) -> None:
    heads = (Column("name", "name"), Column("end", "end", "count"))
    text = csv_of(Table("t", "T", heads, ((name, 1),)))
    rows = list(csv.reader(io.StringIO(text, newline="")))
    assert len(rows) == 2
    assert rows[1][0].lstrip()[:1] not in set("=+-@")
    plain = "".join(c if c.isprintable() else " " for c in name)
    assert rows[1][0].removeprefix("'") == plain.removeprefix("'")


def test_the_same_plan_gives_the_same_bytes() -> None:
    first = [csv_of(f(network_of(COVE), COVE_PLAN)) for f in (line_tables.runs, tables.bill)]
    second = [csv_of(f(network_of(COVE), COVE_PLAN)) for f in (line_tables.runs, tables.bill)]
    assert first == second

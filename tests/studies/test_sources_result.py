"""The table of sources as text, JSON and CSV: the same figures three times."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import replace
from pathlib import Path

import pytest
from handmade_cove import COVE

from allocator.base.text import WIDTH
from allocator.network.reading import read_site
from allocator.site.records import Built
from allocator.studies.source_worth import source_rows
from allocator.studies.sources_result import sources

HARBOUR_UNDER_PRESSURE = Path(__file__).parents[2] / "networks" / "harbour.yaml"
HARBOUR = read_site(Path(__file__).parents[2] / "networks" / "harbour_capacities.yaml")


def test_text_as_stored() -> None:
    stored = Path(__file__).with_name("cove_sources.txt").read_text(encoding="utf-8")
    assert sources(COVE).summary() == stored


def test_text_fits_a_terminal_and_names_every_source() -> None:
    text = sources(HARBOUR).summary()
    assert max(map(len, text.splitlines())) <= WIDTH
    assert all(name in text for name in HARBOUR.sources)


def test_text_says_that_pressure_counts_where_it_does() -> None:
    words = "Pressures hold along the pipes"
    assert words in " ".join(sources(HARBOUR_UNDER_PRESSURE).summary().split())
    assert words not in " ".join(sources(COVE).summary().split())


def test_json_holds_the_rows_exactly() -> None:
    data = json.loads(sources(HARBOUR).to_json())
    assert data["format"] == "allocator.sources/1"
    assert data["site"] == {"name": HARBOUR.name, "sha256": HARBOUR.sha256}
    records = {written["source"]: written for written in data["sources"]}
    assert len(records) == len(data["sources"]) == len(HARBOUR.sources)
    for row in source_rows(HARBOUR):
        written = records[row.source]
        assert written["firm_kg_s"] == row.firm_draw
        assert written["firm_per_store_kg_s_per_kg"] == row.per_store
        assert [c["machine"] for c in written["carries"]] == [c.machine for c in row.carries]


def test_csv_has_a_line_a_source_and_machine() -> None:
    lines = list(csv.DictReader(io.StringIO(sources(COVE).to_csv())))
    assert [(line["source"], line["machine"]) for line in lines] == [
        ("north", "set"),
        ("kiln", "set"),
        ("drum", "oil_set"),
    ]
    rows = {row.source: row for row in source_rows(COVE)}
    for line in lines:
        assert float(line["mean_kg_s"]) == pytest.approx(rows[line["source"]].mean_flow)
        assert float(line["store_kg"]) == pytest.approx(rows[line["source"]].store)


def test_csv_keeps_a_source_that_no_machine_takes() -> None:
    bare = replace(COVE, machines={}, built=Built())
    lines = list(csv.DictReader(io.StringIO(sources(bare).to_csv())))
    assert [(line["source"], line["machine"]) for line in lines] == [
        ("north", ""),
        ("kiln", ""),
        ("drum", ""),
    ]

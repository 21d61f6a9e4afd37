"""The protocol of results: tables by name, text, JSON, HTML, and files saved in one step."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from handmade_cove import COVE

from allocator.base.rendering import csv_of
from allocator.studies.sources_result import sources

RESULT = sources(COVE)


def test_tables_are_had_by_name_and_in_the_order_of_the_fields() -> None:
    assert [table.name for table in RESULT.tables()] == [
        "sources",
        "shared",
        "supportable",
        "supportable_together",
        "generators",
    ]
    assert RESULT["shared"] is RESULT.shared
    with pytest.raises(KeyError, match="there are sources, shared"):
        RESULT["share"]


def test_a_result_shows_itself() -> None:
    assert repr(RESULT) == RESULT.summary()
    assert RESULT._repr_html_().count("<table>") == 5


def test_saved_files_are_text_json_and_every_table(tmp_path: Path) -> None:
    RESULT.save(tmp_path / "worth")
    folder = tmp_path / "worth"
    assert (folder / "sources.txt").read_text("utf-8") == RESULT.summary()
    assert json.loads((folder / "sources.json").read_text("utf-8"))["load_factor"] > 0
    for table in RESULT.tables():
        assert (folder / f"{table.name}.csv").read_text("utf-8") == csv_of(table)
    first = {path.name: path.read_bytes() for path in folder.iterdir()}
    RESULT.save(folder)
    assert {path.name: path.read_bytes() for path in folder.iterdir()} == first

"""No cell of a table is run as a formula by a spreadsheet, and none is lost for it."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.base.spreadsheet_cells import inert, without_guard
from allocator.simulation.files import events_csv, levels_csv
from allocator.simulation.trace import Event, Recording


@pytest.mark.parametrize("text", ["=1+1", " =1+1", "+1", "-1", "@cmd", "\t=1", "\r=1"])
def test_formulas_are_led_by_an_apostrophe(text: str) -> None:
    assert inert(text)[0] == "'"


@given(st.text().filter(str.isprintable))
def test_a_guarded_text_comes_back(text: str) -> None:
    assert without_guard(inert(text)) == text or text.startswith("'")
    assert not inert(text).lstrip().startswith(("=", "+", "-", "@"))


def test_names_in_files_of_a_simulation_are_guarded() -> None:
    name = '=HYPERLINK("x","y")'
    one = np.zeros((1, 1))
    recording = Recording(
        "draw", np.zeros(1), (name,), ("kg",), one, one, one, one, (Event(0.0, "on", name, 1.0),)
    )
    for text in (levels_csv(recording), events_csv(recording)):
        (_, row) = csv.reader(io.StringIO(text))
        assert f"'{name}" in row

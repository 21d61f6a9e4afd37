"""Plans and traces in a console and in a notebook."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from handmade_cove import COVE_PLAN
from hostile_cove import SCRIPT

from allocator.simulation import SimulationSettings, Trace
from allocator.simulation.trace import Event, Recording

TRACE = Trace(
    site_name="Cove",
    site_sha256="c0" * 32,
    settings=SimulationSettings(),
    promised_firm_w=7750.0,
    promised_clean_w=6750.0,
    ceiling_w=None,
    draws=(),
    recording=Recording(
        draw="random 1",
        times=np.array([0.0, 60.0]),
        tanks=("holder@works", "cells@works levelling"),
        units=("kg", "J"),
        levels=np.array([[250.0, 4e7], [249.0, 3e7]]),
        events=(Event(30.0, "off", "north", 0.0),),
    ),
)


def test_a_plan_in_a_line() -> None:
    assert repr(COVE_PLAN) == (
        "Plan('Cove': clean at all times 6.75 kW, in all 7.75 kW, sources connected 3, machines 3, "
        f"search {COVE_PLAN.status}, verified {'yes' if COVE_PLAN.verified else 'NO'})"
    )
    mean = replace(COVE_PLAN, basis="mean")
    assert "clean on average 6.75 kW" in repr(mean)


def test_a_plan_in_a_notebook_escapes_its_name() -> None:
    shown = replace(COVE_PLAN, site_name=SCRIPT)._repr_html_()
    assert "<script>" not in shown
    assert "&lt;script&gt;" in shown
    assert "<td>6.75 kW</td>" in shown


@pytest.mark.parametrize(
    ("part", "rows"),
    [
        ("sources", 4),
        ("stores", 2),
        ("batteries", 1),
        ("runs", 2),
        ("flows", 2),
        ("lines", 0),
        ("machines", 3),
        ("demands", 5),
        ("materials", 3),
        ("goals", 6),
    ],
)
def test_parts_of_a_plan_are_frames(part: str, rows: int) -> None:
    assert len(COVE_PLAN.to_frame(part)) == rows


def test_columns_say_their_units() -> None:
    assert "levelled_w town" in COVE_PLAN.to_frame("batteries")
    stores = COVE_PLAN.to_frame("stores").set_index("name")
    assert stores.loc["holder@works", "size_kg"] == 250.0
    assert stores.loc["holder@works", "draw_kg_per_s town"] == 0.0012
    flows = COVE_PLAN.to_frame("flows")
    assert list(flows["route"]) == ["lane", "quay"]
    assert list(flows["rate_kg_per_s"]) == [0.016, 0.0003]


def test_an_unknown_part_is_refused() -> None:
    with pytest.raises(ValueError, match="no part is called 'tanks'; write one of"):
        COVE_PLAN.to_frame("tanks")
    with pytest.raises(ValueError, match="levels, draws, events"):
        TRACE.to_frame("tanks")


def test_a_trace_gives_levels_and_events() -> None:
    levels = TRACE.to_frame()
    assert list(levels.columns) == ["time_s", "holder@works_kg", "cells@works levelling_j"]
    assert list(levels["holder@works_kg"]) == [250.0, 249.0]
    events = TRACE.to_frame("events")
    assert events.to_dict("records") == [
        {"time_s": 30.0, "kind": "off", "name": "north", "value": 0.0}
    ]


def test_the_record_of_a_plan_needs_no_pandas() -> None:
    imported = "import sys, allocator.plans.records"
    code = f"{imported}; print('pandas' in sys.modules, 'numpy' in sys.modules)"
    found = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert found.stdout.split() == ["False", "False"]

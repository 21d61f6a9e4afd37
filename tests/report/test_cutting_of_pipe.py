"""Pipe that is delivered in lengths: pieces, joints, orders and waste, worked out by hand."""

from __future__ import annotations

from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_PLAN

from allocator.network.deriving import network_of
from allocator.report.files import hand_over_files, plan_tables
from allocator.report.handover.cut_list import cut_list
from allocator.report.handover.cutting import pipe_cuttings
from allocator.report.handover.lists import cutting_table
from allocator.report.handover.stock import stock_table

# Both runs laid new in dn25: the lane of 100 m is 16 lengths of 6 m and 4 m, the quay of 50 m is
# 8 lengths and 2 m.
BOTH_NEW = replace(
    COVE_PLAN, runs=tuple(replace(run, new=True, build="dn25") for run in COVE_PLAN.runs)
)


def site(saw_cut: float, stock_length: float = 6.0):  # type: ignore[no-untyped-def]
    dn25 = replace(COVE.pipes["dn25"], stock_length=stock_length, saw_cut=saw_cut)
    return network_of(replace(COVE, pipes={**COVE.pipes, "dn25": dn25}))


def test_without_a_saw_cut_both_rests_come_from_one_length() -> None:
    (cutting,) = pipe_cuttings(site(0.0), BOTH_NEW)
    assert [(one.full, one.rest, one.joints) for one in cutting.runs] == [
        (16, 4000, 16),
        (8, 2000, 8),
    ]
    assert (cutting.lengths, cutting.waste) == (25, 0)
    (row,) = cutting_table(site(0.0), BOTH_NEW).records()
    assert row == {
        "pipe": "dn25",
        "lengths": 1,
        "stock_length_m": 6.0,
        "cuts_m": "4.000 + 2.000",
        "for_runs": "4.000 for lane (gas); 2.000 for quay (gas)",
        "off_cut_m": 0.0,
    }


def test_a_saw_cut_asks_for_one_length_more() -> None:
    lane, _, quay, _, order, steel, wool = cut_list(site(0.003), BOTH_NEW)
    assert (lane.full_lengths, lane.rest, lane.joints) == (16, 4.0, 16)
    assert (quay.full_lengths, quay.rest, quay.joints) == (8, 2.0, 8)
    # 24 whole lengths and two cut ones; 5 % of 26 as spares is 2; 6 m are wasted
    assert (order.lengths, order.spare, order.joints) == (26, 2, 24)
    assert order.waste == pytest.approx(6.0)
    assert order.note == "proven: fewest lengths"
    assert steel.off_cut_mass == pytest.approx(15.0)  # 6 m of 2.5 kg/m; wool is not sawn
    assert wool.off_cut_mass == 0.0
    first, second = cutting_table(site(0.003), BOTH_NEW).records()
    assert (first["cuts_m"], first["off_cut_m"]) == ("4.000", pytest.approx(1.997))
    assert (second["cuts_m"], second["off_cut_m"]) == ("2.000", pytest.approx(3.997))


def test_off_cuts_that_the_stock_does_not_cover_are_reported() -> None:
    # 40 kg of steel are left: a spare length of 100 m and 50 m of off-cut at 2.5 kg/m are more
    *_, steel, _ = cut_list(site(0.0, 100.0), BOTH_NEW)
    assert steel.off_cut_mass == pytest.approx(125.0)
    assert steel.note == "335 kg of the spares and off-cuts are not in stock"


def test_spares_of_pipe_in_lengths_are_whole_lengths_in_every_list() -> None:
    """26 lengths and 2 spare ones: 168 m of 2.5 kg/m, 150 m of them laid and 6 m of them waste."""
    network = site(0.003)
    lane, lane_wool, quay, quay_wool, order, steel, wool = cut_list(network, BOTH_NEW)
    assert (lane.cut_mass, quay.cut_mass) == (lane.mass, quay.mass)
    assert (order.cut_length, steel.cut_length) == (pytest.approx(162.0), pytest.approx(162.0))
    assert steel.cut_mass == pytest.approx(162.0 * 2.5)
    assert steel.cut_mass + steel.off_cut_mass == pytest.approx(28 * 6.0 * 2.5)
    assert wool.cut_mass == pytest.approx(1.05 * (lane_wool.mass + quay_wool.mass))
    assert wool.cut_mass == pytest.approx(lane_wool.cut_mass + quay_wool.cut_mass)
    assert order.cut_mass == pytest.approx(steel.cut_mass + wool.cut_mass)
    assert steel.note == "5 kg of the spares and off-cuts are not in stock"  # 30 + 15 of 40 left
    row = next(r for r in stock_table(network, BOTH_NEW).records() if r["material"] == "steel")
    assert (row["spares_kg"], row["off_cuts_kg"]) == (pytest.approx(30.0), pytest.approx(15.0))
    assert row["short_kg"] == pytest.approx(5.0)


def test_a_run_of_whole_lengths_has_no_cut() -> None:
    (cutting,) = pipe_cuttings(site(0.003, 50.0), BOTH_NEW)
    assert [(one.full, one.rest) for one in cutting.runs] == [(2, 0), (1, 0)]
    assert (cutting.lengths, cutting.waste) == (3, 0)
    assert not len(cutting_table(site(0.003, 50.0), BOTH_NEW))


def test_the_cutting_plan_is_a_file_where_pipe_comes_in_lengths() -> None:
    assert "cutting_plan.csv" in hand_over_files(site(0.003), BOTH_NEW)
    assert "cutting_plan" not in {t.name for t in plan_tables(network_of(COVE), COVE_PLAN)}

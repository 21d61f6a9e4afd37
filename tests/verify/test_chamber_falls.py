"""How far a chamber falls, by hand; and a plan whose chamber is level through long pauses."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from allocator.engine import plan_site
from allocator.network.reading import read_site
from allocator.search import Settings
from allocator.verify.chambers import deepest_fall
from allocator.verify.cycle import cycle_of

CASE = Path(__file__).parents[1] / "cases" / "chamber_level_pause.yaml"


def test_a_fall_that_spans_the_end_of_a_period() -> None:
    # 2 kg/s in for 10 s and nothing for 30 s, with 0.5 kg/s always drawn: 15 kg in every pause,
    # which begins in one period and ends in the next where the burst comes in the middle.
    net = cycle_of(40.0, np.array([0.0, 15.0, 25.0]), np.array([0.0, 2.0, 0.0]))
    assert deepest_fall(net, 0.5) == pytest.approx((15.0, 30.0))


def test_falls_add_up_where_what_comes_between_does_not_fill_it() -> None:
    # Down 6 kg, up 2 kg, down 6 kg, level for a while, up 10 kg.
    times = np.array([0.0, 6.0, 8.0, 14.0, 20.0])
    net = cycle_of(30.0, times, np.array([-1.0, 1.0, -1.0, 0.0, 1.0]))
    assert deepest_fall(net, 0.0) == pytest.approx((10.0, 14.0))


def test_a_chamber_that_is_level_through_long_pauses_passes() -> None:
    planned = plan_site(read_site(CASE), Settings(node_limit=100_000, gap=5e-7))
    assert planned.audit.accepted, "\n".join(map(str, planned.audit.breaches))
    assert planned.plan.power.firm_clean == pytest.approx(5000.0, rel=1e-6)

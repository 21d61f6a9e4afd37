"""Firm power against the draw of boosters."""

import math
from pathlib import Path

import pytest
from pressed_sites import pressed_site

from allocator.search import Settings
from allocator.studies.frontier_result import frontier_result
from allocator.studies.trade_off import frontier_steps


def test_more_draw_of_boosters_gives_more_power(tmp_path: Path) -> None:
    site = pressed_site(9, tmp_path)
    steps = frontier_steps(site, "booster_power", 3, Settings(node_limit=5000))
    assert len(steps) == 3
    given = [step.point.given for step in steps]
    assert given[0] == pytest.approx(0.0, abs=1e-3)
    assert given == sorted(given)
    assert [step.point.power for step in steps] == sorted(step.point.power for step in steps)
    for step in steps:
        drawn = math.fsum(use.power for use in step.plan.boosters)
        assert drawn == pytest.approx(step.point.given, rel=1e-6, abs=1e-3)
    assert steps[-1].plan.boosters
    assert "against boosters.power" in str(frontier_result(site, "booster_power", steps))

"""Seconds of work, where others have the core."""

import pytest

from allocator.base import clock
from allocator.base.clock import STRETCH, Clock


def test_a_step_has_longer_where_others_have_the_core(monkeypatch: pytest.MonkeyPatch) -> None:
    wall, work = [0.0], [0.0]
    monkeypatch.setattr(clock.time, "perf_counter", lambda: wall[0])
    monkeypatch.setattr(clock.time, "process_time", lambda: work[0])
    made = Clock(100.0, started=0.0, started_work=0.0)
    wall[0], work[0] = 30.0, 10.0
    assert made.stretched(2.0) == pytest.approx(6.0)
    work[0] = 60.0  # two cores
    assert made.stretched(2.0) == 2.0
    work[0] = 0.1
    assert made.stretched(2.0) == 2.0 * STRETCH

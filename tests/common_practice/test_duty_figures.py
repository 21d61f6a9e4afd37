"""Common practice, no source: what a planner works out by hand for one nested cycle."""

from __future__ import annotations

import pytest

from allocator.cycles import pattern_of
from allocator.site.records import Stage

DAY = 86400.0


def test_a_source_of_two_stages_by_rule_of_thumb() -> None:
    bursts, spells = Stage(260.0, 486.0), Stage(87.4 * DAY, 154.7 * DAY)
    pattern = pattern_of([bursts, spells])
    assert bursts.on / bursts.every == pytest.approx(0.535, abs=5e-4)
    assert spells.on / spells.every == pytest.approx(0.565, abs=5e-4)
    assert pattern.rule_of_thumb == pytest.approx(0.302, abs=5e-4)
    mean = 0.3258 * pattern.rule_of_thumb
    assert mean == pytest.approx(0.0985, abs=5e-5)
    assert mean / 0.100 == pytest.approx(0.985, abs=5e-4)  # machines of 100 g/s all the time
    # The bursts nearly fill the spell evenly, so the exact duty is next to it.
    assert pattern.duty == pytest.approx(pattern.rule_of_thumb, rel=1e-4)
    assert pattern.duty != pattern.rule_of_thumb

"""What was measured beside a plan: counted as it was, and told no better than it was."""

from __future__ import annotations

import random
from pathlib import Path

import pytest

import allocator as al
from allocator.base.quantities import parse_quantity
from allocator.intake.source_record import Departure
from allocator.studies.following import MeasuredKey, _change, measured

FIRST = al.read_site(Path(__file__).resolve().parents[2] / "networks" / "first.yaml")


def change(key: str, value: float) -> MeasuredKey:
    return _change(FIRST, Departure("digester", key, 9e5, 0.0, value, 5))


@pytest.mark.parametrize(
    ("key", "value", "told"),
    [
        ("flow", 11.9551e-3, "11.9 g/s"),  # 12 g/s in three digits, which is what the file says
        ("flow", 1.0051e-3, "1 g/s"),
        ("flow", 9.996e-3, "9.99 g/s"),
        ("flow", 11.9e-3 * (1 - 1e-12), "11.9 g/s"),
        ("cycle[1].on", 5.996 * 3600.0, "5.99 h"),
        ("cycle[1].on", 5.0 * 3600.0 - 1e-6, "5 h"),
        ("cycle[1].every", 24.04 * 3600.0, "24.1 h"),
        ("cycle[1].every", 25.0 * 3600.0 + 1e-6, "25 h"),
    ],
)
def test_what_was_measured_is_counted_in_full(key: str, value: float, told: str) -> None:
    found = change(key, value)
    assert found.measured == told
    source = measured(FIRST, (found,)).sources["digester"]
    (stage,) = source.stages
    now = {"flow": source.flow, "cycle[1].on": stage.on, "cycle[1].every": stage.every}
    assert now[key] == value


def test_no_text_is_better_than_what_was_measured() -> None:
    draw = random.Random(6)
    for _ in range(2000):
        value = 10.0 ** draw.uniform(-6.0, 3.0)
        down = parse_quantity(change("flow", value).measured, "mass_rate")
        assert value * (1.0 - 0.0101) <= down <= value * (1.0 + 1e-6)
        on = parse_quantity(change("cycle[1].on", 1e3 * value).measured, "duration")
        assert 1e3 * value * (1.0 - 0.0101) <= on <= 1e3 * value * (1.0 + 1e-6)
        every = parse_quantity(change("cycle[1].every", 1e3 * value).measured, "duration")
        assert 1e3 * value * (1.0 - 1e-6) <= every <= 1e3 * value * (1.0 + 0.0101)

"""The record of a source against its statement: by hand, and on drawn records."""

from __future__ import annotations

import math
import os
from collections.abc import Sequence

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.intake.page_test import PageTest, threshold_of
from allocator.intake.source_record import Departure, SourceRecord, statement_of
from allocator.site.records import Source, Stage
from allocator.verify.cycle import source_cycle

EXAMPLES = int(os.environ.get("ALLOCATOR_LAWS", "12"))
HOUR, DAY = 3600.0, 86400.0
STEP = 600.0


def source(*stages: Stage, jitter: float = 0.0, drift: float = 0.0) -> Source:
    return Source("well", "tip", "gas", 0.01, stages, jitter=jitter, drift=drift)


def told(
    stated: Source, stages: Sequence[Stage], flow: float = 0.01, days: float = 30.0,
    phase: float = 0.0, step: float = STEP, noise: float = 0.0,
) -> list[Departure]:  # fmt: skip
    """What the record of a source of these stages and this flow tells."""
    cycle = source_cycle(stages)
    times = np.arange(0.0, days * DAY, step)
    place = (times + phase) % cycle.period
    on = cycle.rates[np.searchsorted(cycle.times, place, side="right") - 1] > 0.0
    means = np.random.default_rng(5).normal(1.0, noise, int(24 * days) + 1)
    flows = np.where(on, flow * means[(times // HOUR).astype(int)], 0.0)
    record = SourceRecord(statement_of(stated, {}), threshold_of(10_000.0))
    rows = zip(times.tolist(), flows.tolist(), strict=True)
    return [one for at, value in rows for one in record.read(at, value)]


def test_the_sum_by_hand() -> None:
    """k = 1/2: sums of z - 1/2, and 0 where they fall below it."""
    test = PageTest()
    sums = [test.add(z, 0.5, z, 10.0 * n) for n, z in enumerate((1.0, 2.5, 0.0, -3.0, 1.5, 1.0))]
    assert sums == pytest.approx([0.5, 2.5, 2.0, 0.0, 1.0, 1.5])
    assert (test.begin, test.count, test.mean) == (40.0, 2, 1.25)


def test_false_alarms_are_rarer_than_wald_says() -> None:
    """400 runs of 2,000 observations that are as stated, with a threshold for 1 %."""
    rng = np.random.default_rng(1)
    sums, most = np.zeros(400), np.zeros(400)
    for _ in range(2000):
        sums = np.maximum(0.0, sums + rng.normal(size=400) - 0.5)
        most = np.maximum(most, sums)
    assert (most > threshold_of(2000.0)).sum() <= 4
    assert (most > threshold_of(2000.0) - math.log(100.0)).sum() > 20  # the test sees something


DAILY = Stage(6 * HOUR, 24 * HOUR)
NESTED = (Stage(100 * 60.0, 230 * 60.0), Stage(6.5 * DAY, 7 * DAY))


@settings(max_examples=EXAMPLES)
@given(
    st.sampled_from([(DAILY,), NESTED, (Stage(3 * HOUR, 4 * HOUR), Stage(20 * HOUR, 24 * HOUR))]),
    st.floats(0.0, 7 * DAY),
    st.floats(61.0, 900.0),
)
def test_an_exact_record_is_no_departure(
    stages: tuple[Stage, ...], phase: float, step: float
) -> None:
    assert told(source(*stages), stages, phase=phase, step=step, days=15.0) == []


def test_less_flow_is_found_with_its_value() -> None:
    (one,) = told(source(DAILY), (DAILY,), flow=0.009, noise=0.02)
    assert one.key == "flow"
    assert one.measured == pytest.approx(0.009, rel=0.02)
    assert one.at < 3 * DAY


def test_a_short_burst_and_a_long_rest() -> None:
    """The rest of 18.5 h is too long: its burst is seen to have been 5.5 h, on the second day."""
    (one, *_) = told(source(DAILY), (Stage(5.5 * HOUR, 24 * HOUR),), phase=3 * HOUR)
    assert (one.key, one.measured) == ("cycle[1].on", 5.5 * HOUR)
    assert one.at < 4 * DAY
    first, *_, last = told(source(DAILY), (Stage(6 * HOUR, 25 * HOUR),))
    assert (first.key, first.lasting) == ("cycle[1].every", True)
    assert (last.key, last.lasting, last.measured) == ("cycle[1].every", False, 25 * HOUR)


def test_a_period_that_creeps_is_found() -> None:
    """2 % of 230 min is less than a row: many bursts show it."""
    longer = (Stage(100 * 60.0, 1.02 * 230 * 60.0), NESTED[1])
    (one,) = told(source(*NESTED), longer, step=300.0)
    assert one.key == "cycle[1].every"
    assert one.count > 3
    assert one.measured == pytest.approx(1.02 * 230 * 60.0, rel=0.01)


def test_jitter_and_drift_that_are_stated_are_none() -> None:
    slow = (Stage(6 * HOUR * 1.02, 24 * HOUR * 1.02),)
    assert told(source(DAILY, drift=0.02), slow) == []
    assert told(source(DAILY), (Stage(6 * HOUR * 1.03, 24 * HOUR * 1.03),)) != []
    assert told(source(DAILY, drift=0.02), (Stage(6 * HOUR * 1.05, 24 * HOUR * 1.05),)) != []


def test_jitter_begins_again_with_each_spell() -> None:
    """In each spell the first burst comes 20 min early and the second 20 min late."""
    stages = (Stage(3 * HOUR, 6 * HOUR), Stage(12 * HOUR, 24 * HOUR))
    record = SourceRecord(statement_of(source(*stages, jitter=1200.0), {}), 12.0)
    found = []
    for n in range(144 * 30):
        place = (n * STEP) % DAY
        on = 3600.0 <= place + 1200.0 < 4 * HOUR or 7 * HOUR <= place - 1200.0 < 10 * HOUR
        found += list(record.read(n * STEP, 0.01 * on))
    assert found == []


def test_a_rest_that_never_ends_and_a_steady_source_that_stops() -> None:
    record = SourceRecord(statement_of(source(DAILY), {}), 12.0)
    rows = [(n * STEP, 0.0) for n in range(200)]
    (one,) = [d for at, value in rows for d in record.read(at, value)]
    assert (one.key, one.lasting) == ("cycle[1].every", True)
    assert 24 * HOUR < one.at < 25 * HOUR  # however long it was on before
    record = SourceRecord(statement_of(source(), {}), 12.0)
    rows = [(n * STEP, 0.01 if n < 100 else 0.0) for n in range(200)]
    (one,) = [d for at, value in rows for d in record.read(at, value)]
    assert (one.key, one.measured, one.begin) == ("flow", 0.0, 100 * STEP)


def test_a_known_clock_that_is_off() -> None:
    known = Source(
        "well", "tip", "gas", 0.01, (DAILY,), next_start=DAY, clock="calendar", error=HOUR
    )
    for late, count in ((0.9 * HOUR, 0), (2 * HOUR, 1)):
        record = SourceRecord(statement_of(known, {}), 12.0, absolute=True)
        found = []
        for n in range(700):
            at = n * STEP
            found += list(record.read(at, 0.01 * ((at - late) % DAY < 6 * HOUR)))
        assert [one.key for one in found] == ["next_start"] * count


def test_rows_too_far_apart_are_no_departure() -> None:
    record = SourceRecord(statement_of(source(*NESTED), {}), 12.0)
    assert not [d for n in range(300) for d in record.read(n * 4000.0, 0.01 * (n % 2))]
    assert record.sparse

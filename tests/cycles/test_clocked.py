"""Sure on-times of drifting clocks and of known phases, against true clocks drawn by hand."""

from __future__ import annotations

import os
import time

import numpy as np
import pytest

from allocator.cycles import (
    KnownCurve,
    StoppedError,
    curve_of,
    curve_of_timing,
    ending,
    ever_off,
    spans,
    worst_span,
    worst_window,
)
from allocator.site.clocks import Timing
from allocator.site.records import Stage

HOUR = 3600.0
NUMBER = int(os.environ.get("ALLOCATOR_LAWS", "12"))
HALF = (Stage(12 * HOUR, 24 * HOUR),)
NESTED = (Stage(10.0, 40.0), Stage(100.0, 1000.0))


def known(stages, start, error=0.0) -> KnownCurve:
    curve = curve_of_timing(Timing(tuple(stages), start=start, error=error))
    assert isinstance(curve, KnownCurve)
    return curve


def intervals(stages, turns):
    """On-intervals of many periods, stage by stage, nothing shared with the engine."""
    spans = [(n * stages[-1].every, n * stages[-1].every + stages[-1].on) for n in turns]
    for stage in reversed(stages[:-1]):
        inner = []
        for begin, end in spans:
            at = begin
            while at < end - 1e-9:
                inner.append((at, min(at + stage.on, end)))
                at += stage.every
        spans = inner
    return np.array(spans)


def on_in(spans, begin, end):
    return float(
        np.sum(np.clip(np.minimum(spans[:, 1], end) - np.maximum(spans[:, 0], begin), 0, None))
    )


@pytest.mark.parametrize("stages", [HALF, NESTED, (Stage(3.0, 7.0), Stage(50.0, 80.0))])
def test_known_phase_is_never_less_than_any_true_clock_and_is_attained(stages) -> None:
    rng = np.random.default_rng(1)
    period = stages[-1].every
    spans = intervals(stages, range(-4, 8))
    for _ in range(60):
        error = float(rng.choice([0.0, 0.02, 0.2])) * period
        start = float(rng.uniform(0, period))
        curve = known(stages, start, error)
        begin, length = float(rng.uniform(0, period)), float(rng.uniform(0, 2 * period))
        sure = float(curve.between(np.array([begin]), np.array([length]))[0])
        shifts = np.concatenate((rng.uniform(-error, error, 300), np.linspace(-error, error, 1201)))
        true = [on_in(spans + start + e, begin, begin + length) for e in shifts]
        assert sure <= min(true) + 1e-6
        assert sure >= min(true) - 2 * error / 600 - 1e-6
        assert sure >= float(curve.guaranteed(np.array([length]))[0]) - 1e-6


@pytest.mark.parametrize("stages", [HALF, NESTED])
@pytest.mark.parametrize("drift", [0.01, 0.3])
def test_no_drifting_clock_gives_less(stages, drift) -> None:
    """Clocks that change their pace as they please, on a grid of moments: 2,000 windows each."""
    rng = np.random.default_rng(2)
    curve = curve_of_timing(Timing(tuple(stages), drift))
    period = stages[-1].every
    spans = intervals(stages, range(-2, 8))
    least = np.inf
    for draw in range(40):
        # time between changes of the clock's pace, in the clock's own time
        edges = np.unique(
            np.concatenate((spans.ravel(), np.arange(-period, 6 * period, period / 7)))
        )
        edges = edges[(edges >= -period) & (edges <= 6 * period)]
        middle = 0.5 * (edges[:-1] + edges[1:])
        on = ((middle[:, None] > spans[None, :, 0]) & (middle[:, None] < spans[None, :, 1])).any(
            axis=1
        )
        pace = np.where(on, 1 + drift, 1 / (1 + drift))
        if draw:
            pace = np.exp(rng.uniform(-1, 1, len(middle)) * np.log(1 + drift))
        true = np.concatenate(([0.0], np.cumsum(np.diff(edges) / pace)))
        done = np.concatenate(([0.0], np.cumsum(np.diff(edges) / pace * on)))
        for _ in range(50):
            length = float(rng.uniform(0, 2 * period))
            begins = rng.choice(true, 30)
            begins = begins[begins + length <= true[-1]]
            have = np.interp(begins + length, true, done) - np.interp(begins, true, done)
            sure = float(curve.guaranteed(np.array([length]))[0])
            assert have.min(initial=np.inf) >= sure - 1e-6
            least = min(least, have.min(initial=np.inf) - sure)
    assert least < 1e-3 * period  # and the worst clock has no more


def drawn_bursts(ranges, end, rng, ends_only):
    """On-intervals up to an end of nested stages whose durations (low, high) vary, in whole s."""
    (on_low, on_high), (low, high) = ranges[-1]
    found, at = [], 0
    while at < end:
        on, every = (
            int(rng.choice([a, b]) if ends_only else rng.integers(a, b + 1))
            for a, b in ((on_low, on_high), (low, high))
        )
        until = min(at + on, end)
        inner = drawn_bursts(ranges[:-1], until - at, rng, ends_only) if len(ranges) > 1 else None
        found += [(at, until)] if inner is None else [(at + a, at + b) for a, b in inner]
        at += max(on, every)
    return found


def random_ranges(rng):
    """Two or three stages, each fitting into the next whatever their durations."""
    found, on = [], int(rng.integers(1, 6))
    for _ in range(int(rng.integers(2, 4))):
        most = on + int(rng.integers(0, 5))
        every = most + int(rng.integers(0, 4))
        found.append(((on, most), (every, every + int(rng.integers(0, 6)))))
        on = found[-1][1][1] + int(rng.integers(0, 3 * every))
    return found


@pytest.mark.parametrize("number", range(NUMBER))
def test_no_true_cycle_of_varying_stages_gives_less(number: int) -> None:
    """The sure curve against worlds drawn second by second, and jitter of each burst on top."""
    rng = np.random.default_rng([7, number])
    ranges = random_ranges(rng)
    stages = tuple(Stage(float(on[0]), float(every[1])) for on, every in ranges)
    inner = (n for n, one in enumerate(ranges[:-1], 1) if any(a != b for a, b in one))
    jitter = int(rng.integers(0, 3))
    curve = curve_of_timing(Timing(stages, jitter=float(jitter), varying=next(inner, 0)))
    span = 5 * int(stages[-1].every)
    lengths = np.arange(0, 2 * int(stages[-1].every) + 1)
    sure = curve.guaranteed(lengths.astype(float))
    assert (sure <= curve_of(stages).guaranteed(lengths.astype(float)) + 1e-9).all()
    for draw in range(12):
        bursts = drawn_bursts(ranges, span, rng, draw % 2 == 0)
        on, free = np.zeros(span + 1), 0
        for begin, end in bursts:
            moved = max(free, begin + int(rng.integers(-jitter, jitter + 1)))
            free = moved + end - begin
            on[moved:free] = 1.0
        done = np.concatenate(([0.0], np.cumsum(on)))
        for length, least in zip(lengths, sure, strict=True):
            assert (done[length:span] - done[: span - length]).min() >= least - 1e-9


def test_a_spell_may_end_in_any_rest_of_its_bursts() -> None:
    """Bursts of 10 s every 30 to 40 s in 100 s of 1000 s: a spell may end with 30 s of rest."""
    stages = (Stage(10.0, 40.0), Stage(100.0, 1000.0))
    curve = curve_of_timing(Timing(stages, varying=1))
    assert curve.guaranteed(np.array([930.0, 940.0])).tolist() == [0.0, 10.0]
    assert curve_of(stages).guaranteed(np.array([910.0, 920.0])).tolist() == [0.0, 10.0]
    assert curve.duty == pytest.approx(30.0 / 1000.0)


def test_jitter_by_hand() -> None:
    """12 h of 24 h, each burst up to 1 h early or late: 14 h of rest at most, and the same mean."""
    curve = curve_of_timing(Timing(HALF, jitter=HOUR))
    on = curve.guaranteed(np.array([14.0, 15.0, 26.0, 27.0, 38.0, 39.0]) * HOUR) / HOUR
    assert on.tolist() == [0.0, 1.0, 12.0, 12.0, 12.0, 13.0]
    assert curve.duty == 0.5
    worst = worst_window([(curve, 1.0)], 0.5)  # at the whole mean: of windows of a period and 2 J
    assert (worst.length, worst.shortfall) == (14 * HOUR, 7 * HOUR)
    drifting = curve_of_timing(Timing(HALF, 0.1, HOUR))
    assert drifting.guaranteed(np.array([15.4, 15.5]) * HOUR) / HOUR == pytest.approx([0.0, 0.1])


def test_drift_by_hand() -> None:
    """Always almost on, five percent of drift: the mean D / (D + (1 - D) (1 + rho)^2)."""
    curve = curve_of_timing(Timing((Stage(0.9, 1.0),), 0.05))
    assert curve.duty == pytest.approx(0.9 / (0.9 + 0.1 * 1.05**2), rel=1e-12)
    assert curve_of_timing(Timing(HALF)) is curve_of(HALF)


@pytest.mark.parametrize(("error", "store"), [(0.0, 0.0), (300.0, 3.6), (1800.0, 21.6)])
def test_two_halves_of_the_day(error: float, store: float) -> None:
    """6 g/s from one of two sources at any time; with errors, a gap of twice the error."""
    inflows = [(known(HALF, 0.0, error), 0.006), (known(HALF, 12 * HOUR, error), 0.006)]
    assert worst_span(inflows, 0.006).shortfall == pytest.approx(store, abs=1e-9)


def test_three_thirds_need_no_store_and_one_source_gains_nothing() -> None:
    third = (Stage(8 * HOUR, 24 * HOUR),)
    inflows = [(known(third, 8 * HOUR * n), 0.006) for n in range(3)]
    assert worst_span(inflows, 0.006).shortfall == pytest.approx(0.0, abs=1e-9)
    for error in (0.0, 600.0):
        one = [(known(NESTED, 70.0, error), 0.01)]
        anyhow = worst_window([(curve_of(NESTED), 0.01)], 0.0003)
        assert worst_span(one, 0.0003).shortfall == pytest.approx(anyhow.shortfall, rel=1e-9)


def up_to(time, on, every):
    turns, rest = np.divmod(time, every)
    return turns * on + np.minimum(rest, on)


def test_the_worst_span_of_many_is_that_of_a_grid() -> None:
    """All windows on a grid of minutes, on which every change lies, give the same worst one."""
    rng = np.random.default_rng(3)
    for _ in range(25):
        inflows, grid = [], []
        for _ in range(int(rng.integers(1, 4))):
            every = int(rng.choice([30, 60, 40, 120]))
            on = int(rng.integers(1, every))
            error = int(rng.integers(0, max(1, every // 4)))
            start = int(rng.integers(0, every))
            inflows.append((known((Stage(on, every),), start, error), float(rng.uniform(0.5, 2))))
            grid.append((on, every, start, error))
        free = (Stage(7, 24),)
        inflows.append((curve_of(free), 0.7))
        mean = sum(rate * curve.duty for curve, rate in inflows)
        flat = mean * float(rng.uniform(0.6, 1.0))
        found = worst_span(inflows, flat)
        at, length = np.meshgrid(np.arange(0, 120.0), np.arange(1, 241.0))
        need = flat * length - 0.7 * curve_of(free).guaranteed(length)
        for (on, every, start, error), (_, rate) in zip(grid, inflows, strict=False):
            least = np.full(at.shape, np.inf)
            for shift in range(-error, error + 1):
                moved = at - start + shift
                least = np.minimum(
                    least, up_to(moved + length, on, every) - up_to(moved, on, every)
                )
            need = need - rate * least
        assert found.shortfall == pytest.approx(max(0.0, need.max()), rel=1e-9, abs=1e-9)


def test_a_moment_with_all_off_by_hand() -> None:
    """Halves of a day in turn leave none, even if another one is off more; a few minutes do."""
    day = [known(HALF, 0.0), known(HALF, 12 * HOUR)]
    assert ever_off([])
    assert ever_off(day[:1])
    assert not ever_off(day)
    assert not ever_off([*day, known((Stage(HOUR, 48 * HOUR),), 3 * HOUR)])
    assert ever_off([day[0], known(HALF, 12 * HOUR, 60.0)])
    assert ever_off([day[0], known(HALF, 12.1 * HOUR)])
    late = curve_of_timing(Timing(HALF, jitter=60.0, start=12 * HOUR))
    assert isinstance(late, KnownCurve)
    assert ever_off([day[0], late])


def test_long_searches_end_soon_with_two_known_among_many() -> None:
    """Nearly at the mean, over hundreds of periods, as bounds ask: it took half a minute."""
    day = 86400.0
    inflows = [
        (known((Stage(15 * HOUR, 26 * HOUR), Stage(20.5 * day, 21 * day)), 3 * day, 7200.0), 4.3),
        (known((Stage(6.5 * HOUR, 9.2 * HOUR), Stage(5.4 * day, 7 * day)), day, HOUR), 2.0),
        (curve_of((Stage(17 * HOUR, 29 * HOUR), Stage(18 * day, 18.6 * day))), 10.0),
        (curve_of((Stage(13 * HOUR, 23.5 * HOUR), Stage(25 * day, 25.4 * day))), 9.0),
        (curve_of((Stage(9 * HOUR, 13 * HOUR),)), 6.8),
    ]
    flat = sum(rate * curve.duty for curve, rate in inflows) * (1.0 - 2e-3)
    began = time.process_time()
    found = worst_span(inflows, flat)
    assert time.process_time() - began < 5.0
    assert 0.0 < found.shortfall <= worst_window(inflows, flat).shortfall * (1 + 1e-12)


def two_nested():
    """Bursts of 20 and of 30 min every hour, 12 h of 24 h each, not quite in turn."""
    nights = known((Stage(1200.0, HOUR), Stage(12 * HOUR, 24 * HOUR)), 0.0, 600.0)
    days = known((Stage(1800.0, HOUR), Stage(12 * HOUR, 24 * HOUR)), 12 * HOUR, 300.0)
    return [(nights, 0.006), (days, 0.006)]


def test_few_crossings_are_compared_at_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """As bad as what a search of boxes finds, and no box is looked at."""
    flat = [5e-4, 1e-3, 1.5e-3, 2e-3]
    with monkeypatch.context() as searched:
        searched.setattr(spans, "_ALL_AT_ONCE", 0)
        expected = [worst_span(two_nested(), draw).shortfall for draw in flat]

    def none(*_: object) -> None:
        raise AssertionError("a box was looked at")

    monkeypatch.setattr(spans._Field, "bound", none)
    found = [worst_span(two_nested(), draw).shortfall for draw in flat]
    assert found == pytest.approx(expected, rel=1e-9)
    assert max(found) > 0.0


def test_a_search_of_boxes_ends_where_time_is_out(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(spans, "_ALL_AT_ONCE", 0)
    asked = []

    def out() -> bool:
        asked.append(None)
        return len(asked) > 3

    with ending(out), pytest.raises(StoppedError):
        worst_span(two_nested(), 2e-3)
    assert len(asked) == 4
    with ending(lambda: False):
        assert worst_span(two_nested(), 2e-3) == worst_span(two_nested(), 2e-3)

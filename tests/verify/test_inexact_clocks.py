"""What the audit counts on of inexact clocks, against the engine's own curves and worst windows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from breakpoints import breakpoints

from allocator.cycles import KnownCurve, Span, curve_of_timing, worst_span, worst_window
from allocator.site.clocks import Timing
from allocator.site.records import Stage
from allocator.verify.cycle import sure_cycle
from allocator.verify.tanks.true_clocks import against
from allocator.verify.timetables import least_in
from allocator.verify.windows import shortfall


def random_timing(rng: np.random.Generator, longest: float | None) -> Timing:
    """``longest``: the period of a known clock before it."""
    stages: list[Stage] = []
    on = int(rng.integers(1, 6))
    for _ in range(int(rng.integers(1, 4))):
        every = on + int(rng.integers(1, 12))
        stages.append(Stage(float(on), float(every)))
        on = every + int(rng.integers(0, 3 * every))
    timing = Timing(tuple(stages), jitter=float(rng.choice([0.0, 0.5, 3.0])))
    period = stages[-1].every
    if rng.random() < 0.4 and longest in (None, period):
        error = min(float(rng.choice([0.0, 0.5, 2.0])), 0.49 * period)
        return replace(timing, start=float(rng.integers(0, int(period))), error=error)
    drift, varying = float(rng.choice([0.0, 0.02, 0.3])), int(rng.integers(0, len(stages)))
    return replace(timing, drift=drift, varying=varying)


def test_both_have_the_same_curves() -> None:
    rng = np.random.default_rng(11)
    for _ in range(60):
        timing = random_timing(rng, None).any_phase
        line = curve_of_timing(timing).line
        ends = breakpoints(line, 0.0, 4 * line.period)
        lengths = np.concatenate((rng.uniform(0.0, 5 * line.period, 40), ends))
        mine = least_in(sure_cycle(timing), np.zeros(lengths.shape), lengths)
        assert mine == pytest.approx(line.at(lengths), abs=1e-9 * line.period)


def test_both_have_the_same_worst_windows() -> None:
    rng = np.random.default_rng(12)
    tried = 0
    for _ in range(20):
        timings: list[Timing] = []
        for _ in range(int(rng.integers(1, 4))):
            known = [t.stages[-1].every for t in timings if t.start is not None]
            timings.append(random_timing(rng, known[0] if known else None))
        rates = rng.uniform(0.5, 2.0, len(timings))
        inflows = [(curve_of_timing(t), float(r)) for t, r in zip(timings, rates, strict=True)]
        flat = sum(r * curve.duty for curve, r in inflows) * float(rng.choice([1 - 1e-9, 0.9, 0.6]))
        if any(isinstance(curve, KnownCurve) for curve, _ in inflows):
            worst = worst_span(inflows, flat)
        else:
            found = worst_window(inflows, flat)
            worst = Span(None, found.length, found.shortfall, found.tail)
        if worst.tail:
            continue
        tried += 1
        parts = [(sure_cycle(t), float(r)) for t, r in zip(timings, rates, strict=True)]
        size = worst.shortfall
        assert shortfall(parts, flat * (1 - 1e-9), size * (1 + 1e-8) + 1e-8) is None
        if size > 0:
            short = shortfall(parts, flat, size * (1 - 1e-5) - 1e-9)
            assert short is not None
            assert short.kind == "window"
    assert tried > 10


def test_bursts_shifted_against_a_window_attain_what_is_sure() -> None:
    rng = np.random.default_rng(13)
    for _ in range(40):
        timing = replace(random_timing(rng, None).any_phase, drift=0.0, varying=0, jitter=0.5)
        cycle = sure_cycle(timing)
        length = float(rng.uniform(1.0, 2 * cycle.period))
        inner = np.array([max(0.0, length - 1.0)])
        starts = np.concatenate((cycle.drops, (cycle.rises - inner) % cycle.period))
        plain = replace(cycle, delay=0.0, start=0.0)
        given = [float(least_in(plain, np.array([at]), inner)[0]) for at in starts]
        begin = float(starts[int(np.argmin(given))]) - 0.5
        true = against(cycle, begin, length)
        have = least_in(replace(true, start=0.0, delay=0.0), np.array([begin]), np.array([length]))
        sure = curve_of_timing(timing).guaranteed(np.array([length]))
        assert have == pytest.approx(sure, abs=1e-9 * cycle.period)

"""The audit's own window search against brute force over every breakpoint."""

from __future__ import annotations

import itertools
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from allocator.cycles import curve_of, curve_of_timing, worst_span, worst_window
from allocator.site.clocks import Timing
from allocator.site.records import Profile, Stage
from allocator.verify.cycle import Cycle, cycle_of, demand_cycle, source_cycle
from allocator.verify.timetables import least_in, worst_known
from allocator.verify.windows import Shortfall, shortfall

Pieces = list[tuple[Fraction, Fraction]]  # duration, rate


def integral(pieces: Pieces, until: Fraction) -> Fraction:
    period = sum((length for length, _ in pieces), Fraction(0))
    whole = until // period
    rest = until - whole * period
    done = whole * sum((length * rate for length, rate in pieces), Fraction(0))
    for length, rate in pieces:
        done += min(length, rest) * rate
        rest -= min(length, rest)
    return done


def nodes(pieces: Pieces) -> list[Fraction]:
    return [Fraction(0), *itertools.accumulate(length for length, _ in pieces)]


def least(pieces: Pieces, length: Fraction) -> Fraction:
    """Least integral over any window of a length, from every start at which it can be least."""
    period = nodes(pieces)[-1]
    starts = [*nodes(pieces), *((node - length) % period for node in nodes(pieces))]
    return min(integral(pieces, s + length) - integral(pieces, s) for s in starts)


def largest_need(parts: list[tuple[Pieces, Fraction]], draw: Fraction, end: Fraction) -> Fraction:
    lengths = {end}
    for pieces, _ in parts:
        period = nodes(pieces)[-1]
        for a, b in itertools.product(nodes(pieces), repeat=2):
            length = (b - a) % period
            while length <= end:
                lengths.add(length)
                length += period
    return max(
        draw * length - sum((w * least(p, length) for p, w in parts), Fraction(0))
        for length in lengths
    )


def as_cycle(pieces: Pieces) -> Cycle:
    times = np.array([float(t) for t in nodes(pieces)[:-1]])
    return cycle_of(float(nodes(pieces)[-1]), times, np.array([float(r) for _, r in pieces]))


rates = st.sampled_from([0, 1])
levels = st.sampled_from([Fraction(-5, 2), Fraction(-1), Fraction(-1, 2), Fraction(0)])


@st.composite
def onoffs(draw: st.DrawFn) -> Pieces:
    count = draw(st.integers(2, 6))
    pieces = [(Fraction(draw(st.integers(1, 5))), Fraction(draw(rates))) for _ in range(count)]
    return [*pieces, (Fraction(draw(st.integers(1, 12))), Fraction(0)), (Fraction(1), Fraction(1))]


@st.composite
def demands(draw: st.DrawFn) -> Pieces:
    count = draw(st.integers(2, 4))
    pieces = [(Fraction(draw(st.integers(1, 4))), draw(levels)) for _ in range(count)]
    return [*pieces, (Fraction(1), Fraction(-1))]


@settings(deadline=None, max_examples=60)
@given(
    st.lists(st.tuples(onoffs(), st.integers(1, 4)), min_size=1, max_size=3),
    st.lists(st.tuples(demands(), st.integers(1, 2)), max_size=1),
    st.sampled_from([Fraction(1), Fraction(9, 10), Fraction(1, 2)]),
)
def test_worst_need_equals_brute_force(
    sources: list[tuple[Pieces, int]], followed: list[tuple[Pieces, int]], share: Fraction
) -> None:
    parts = [(p, Fraction(w)) for p, w in [*sources, *followed]]
    mean = sum((w * integral(p, nodes(p)[-1]) / nodes(p)[-1] for p, w in parts), Fraction(0))
    if mean <= 0:
        return  # demand beyond the supply: the long-run rule speaks of this one
    draw = mean * share
    common = 1
    for pieces, _ in parts:
        common = int(np.lcm(common, int(nodes(pieces)[-1])))
    longest = max(int(nodes(p)[-1]) for p, _ in parts)
    if common > 4 * longest:
        return  # brute force would take too long
    # One common period says it all: over it the need is not above 0.
    expected = largest_need(parts, draw, Fraction(common))
    cycles = [(as_cycle(p), float(w)) for p, w in parts]
    if expected <= 0:
        assert shortfall(cycles, float(draw), 0.0) is None
        return
    found = shortfall(cycles, float(draw), 0.0, precision=1e-12)
    assert found is not None
    assert found.kind == "window"
    assert found.amount == pytest.approx(float(expected), rel=1e-9)
    need = largest_need(parts, draw, Fraction(found.length).limit_denominator(1000))
    assert float(need) == pytest.approx(float(expected), rel=1e-9)
    # The same size is enough, and a size smaller by a millionth is not.
    assert shortfall(cycles, float(draw), float(expected) * (1 + 1e-9)) is None
    assert shortfall(cycles, float(draw), float(expected) * (1 - 1e-6)) is not None


def test_one_simple_source_by_hand() -> None:
    # 6 h of every 24 h at 12 g/s: in the 18 h of quiet a draw of 2 g/s takes 129.6 kg.
    cycle = source_cycle((Stage(21600.0, 86400.0),))
    assert shortfall([(cycle, 0.012)], 0.002, 129.6) is None
    found = shortfall([(cycle, 0.012)], 0.002, 129.0, precision=1e-12)
    assert found is not None
    assert found.length == pytest.approx(64800.0)
    assert found.amount == pytest.approx(0.6)


def test_unrelated_periods_are_searched_and_then_the_straight_lines_hold() -> None:
    # Two sources of one hour and of pi half hours: no common period at all.
    a = source_cycle((Stage(1800.0, 3600.0),))
    b = source_cycle((Stage(1000.0, 1800.0 * np.pi),))
    mean = a.mean + b.mean
    lags = a.lag + b.lag
    assert shortfall([(a, 1.0), (b, 1.0)], mean, lags) is None
    # With the rates in balance to the last bit, nothing less than the lags is surely enough.
    found = shortfall([(a, 1.0), (b, 1.0)], mean * (1 - 1e-12), lags * 0.999999)
    assert found is not None
    # With a margin in the rates less is enough, and the search proves it.
    assert shortfall([(a, 1.0), (b, 1.0)], mean * 0.9, lags * 0.98) is None


def test_a_pooled_store_needs_no_more_than_separate_ones() -> None:
    a = source_cycle((Stage(100.0, 1000.0),))
    b = source_cycle((Stage(5e3, 15e3),))
    alone = [shortfall([(c, 1.0)], c.mean * 0.9, 0.0, 1e-9) for c in (a, b)]
    together = shortfall([(a, 1.0), (b, 1.0)], (a.mean + b.mean) * 0.9, 0.0, 1e-9)
    assert together is not None
    assert all(one is not None for one in alone)
    assert together.amount <= sum(one.amount for one in alone if one is not None) * (1 + 1e-9)


def test_a_steady_source_needs_no_store() -> None:
    assert shortfall([(source_cycle(()), 2.0)], 2.0, 0.0) is None


def test_a_profile_that_is_followed_needs_its_largest_fall() -> None:
    profile = Profile(24.0, (0.0, 12.0), (0.5, 1.5))
    found = shortfall([(demand_cycle(profile), 1.0)], -1.0, 0.0, 1e-12)
    assert found == Shortfall(12.0, 6.0, "window")


@pytest.mark.parametrize(
    ("stages", "weights", "spare", "worst"),
    [
        ([(57.84, 154.46), (617.92, 917.4)], (2.8888, 0.0758), 1.5e-7, 119.74),
        ([(402.82, 575.62), (5.46, 13.0), (9.81, 28.0)], (0.0432, 2.1130, 1.0866), 2.1e-6, 18.57),
        ([(25.91, 89.8), (17.07, 54.78)], (0.0878, 1.5812), 2.2e-6, 20.19),
    ],
)
def test_a_need_that_is_gone_after_whole_periods_of_a_strong_cycle_needs_no_straight_lines(
    stages: list[tuple[float, float]], weights: tuple[float, ...], spare: float, worst: float
) -> None:
    """The longest period is a weak source's, and no whole number of it ends the search."""
    cycles = [source_cycle((Stage(on, every),)) for on, every in stages]
    parts = list(zip(cycles, weights, strict=True))
    draw = (1.0 - spare) * sum(weight * cycle.mean for cycle, weight in parts)
    # the duty package finds the same worst window by another search, and that it is the last word
    curves = [curve_of((Stage(on, every),)) for on, every in stages]
    found = worst_window(list(zip(curves, weights, strict=True)), draw, [], 0.0)
    assert found.shortfall == pytest.approx(worst, rel=1e-3)
    assert not found.tail
    assert shortfall(parts, draw, found.shortfall * (1.0 + 1e-7)) is None
    short = shortfall(parts, draw, found.shortfall * (1.0 - 1e-4))
    assert short is not None
    assert short.kind == "window"


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 10_000))
def test_no_window_is_worse_than_the_worst_of_known_timetables(seed: int) -> None:
    """Windows that are left out cannot be worst: 4,000 windows, some of all lengths, against it."""
    rng = np.random.default_rng(seed)
    parts = []
    for number in range(3):
        every = float(rng.choice([20.0, 30.0, 60.0]))
        cycle = source_cycle((Stage(float(rng.integers(1, int(every))), every),))
        if number < 2:
            known = float(rng.uniform(0.0, every)), float(rng.choice([0.0, 1.5]))
            cycle = replace(cycle, start=known[0], error=known[1])
        parts.append((cycle, float(rng.uniform(0.5, 2.0))))
    draw = 0.97 * sum(weight * cycle.mean for cycle, weight in parts)
    found = worst_known(parts, draw, 600.0)
    assert found is not None
    begins, lengths = rng.uniform(0.0, 60.0, 4000), rng.uniform(0.0, 600.0, 4000)
    need = draw * lengths
    at_worst = draw * found[2]
    for cycle, weight in parts:
        need = need - weight * least_in(cycle, begins, lengths)
        worst = least_in(cycle, np.array([found[1]]), np.array([found[2]]))[0]
        at_worst -= weight * float(worst)
    assert need.max() <= found[0] + 1e-9
    assert at_worst == pytest.approx(found[0], abs=1e-9)


@pytest.mark.parametrize("draw", [0.012, 0.0152])
def test_a_well_of_thousands_of_bursts_beside_two_calendars(draw: float) -> None:
    """The window that the model finds; the audit gave up on it and said that of any phase."""
    well = (Stage(165.0, 345.0), Stage(19.8 * 86400.0, 20.4 * 86400.0))
    shift = (Stage(43200.0, 86400.0),)
    known = [Timing(shift, start=0.0, error=300.0), Timing(shift, start=43200.0)]
    timings = [Timing(well), *known]
    cycles = [replace(source_cycle(t.stages), start=t.start, error=t.error) for t in timings]
    assert len(cycles[0].drops) > 4900
    weights = [0.02, 0.006, 0.006]
    worst = worst_span(
        [(curve_of_timing(t), w) for t, w in zip(timings, weights, strict=True)], draw
    )
    found = shortfall(list(zip(cycles, weights, strict=True)), draw, 0.0)
    assert found is not None
    assert found.begin is not None
    assert found.amount == pytest.approx(worst.shortfall, rel=1e-9)
    anyhow = [(replace(c, start=None, error=0.0), w) for c, w in zip(cycles, weights, strict=True)]
    of_any_phase = shortfall(anyhow, draw, 0.0)
    assert of_any_phase is not None
    assert of_any_phase.amount > 1.3 * found.amount

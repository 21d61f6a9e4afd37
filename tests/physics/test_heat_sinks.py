"""Thermal mass beside a source, against an integrator, balances and closed forms."""

from __future__ import annotations

import itertools
import math
import random
from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_cycles import CycleRow, Repeat, cycle_of
from allocator.physics.heat_sink_settled import course, least, settled
from allocator.physics.thermal_mass import HeatDraw, HeatSinkStep, Inflow, ThermalMass

AROUND = 283.15
STAGES = [(600.0, 6000.0)]
BURST = 40_000.0


def heated(watts: float):
    return lambda span: Inflow(span, heat=watts)


def inflows(stages, on, length):
    """The same cycle unrolled by plain recursion: (duration, on?) from the outermost inward."""
    if not stages:
        return [(length, on)]
    *inner, (active, every) = stages
    found, left = [], length
    while left > 1e-9 * length:
        spell = min(active, left)
        found += inflows(inner, on, spell)
        left -= spell
        if (rest := min(every - active, left)) > 1e-9 * length:
            found.append((rest, None))
            left -= rest
    return found


def integrated(body: ThermalMass, steps, start: float):
    """K at the end, least, most, and J of (came, lost, *draws): by an integrator that knows no

    closed form. Each draw comes on evenly within ``width`` K around its threshold."""
    width = 1e-3

    def taken(now: float) -> list[float]:
        return [
            (1e5 if math.isinf(d.most) else 1.0 / width)
            * max(0.0, now - d.above)
            * (body.capacity if math.isinf(d.most) else d.most)
            if math.isinf(d.most)
            else d.most * min(1.0, max(0.0, (now - d.above) / width))
            for d in body.draws
        ]

    state = np.array([start, 0.0, 0.0, *(0.0 for _ in body.draws)])
    low = high = start
    for inflow in steps:

        def slope(_, y, flow=inflow):
            came = flow.heat + flow.contact * (flow.hot - y[0])
            lost = body.loss * (y[0] - body.around)
            drawn = taken(y[0])
            return [(came - lost - sum(drawn)) / body.capacity, came, lost, *drawn]

        run = solve_ivp(
            slope, (0, inflow.duration), state, method="LSODA", rtol=1e-8, atol=1e-7, max_step=1e4
        )
        state = run.y[:, -1]
        low, high = min(low, state[0]), max(high, state[0])
    return state[0], low, high, state[1:]


def drawn_case(seed: int):
    """A body, its cycle in blocks, the same cycle unrolled, and a start."""
    rng = random.Random(seed)
    draws = []
    if rng.random() < 0.7:
        draws.append(HeatDraw(rng.uniform(300, 360), rng.uniform(2e3, 3e4)))
    if rng.random() < 0.5:
        draws.append(HeatDraw(rng.uniform(320, 370), rng.uniform(2e3, 3e4)))
    if rng.random() < 0.5:
        draws.append(HeatDraw(373.15, math.inf))
    body = ThermalMass(rng.uniform(1e5, 2e7), rng.uniform(5.0, 200.0), AROUND, tuple(draws))
    stages = [(rng.uniform(60, 400), rng.uniform(500, 900))]
    if rng.random() < 0.7:
        on = stages[0][1] * rng.uniform(2.2, 9.7)
        stages.append((on, on * rng.uniform(1.3, 3.0)))
    contact, heat = (
        (rng.uniform(20, 200), 0.0) if rng.random() < 0.5 else (0.0, rng.uniform(1e4, 1e5))
    )
    hot = rng.uniform(400, 900)

    def on_for(span: float) -> Inflow:
        return Inflow(span, heat, contact, hot)

    unrolled = [
        on_for(span) if on else Inflow(span) for span, on in inflows(stages, True, stages[-1][1])
    ]
    return body, cycle_of(body, stages, on_for), unrolled, rng.uniform(285, 340)


@pytest.mark.parametrize("seed", range(50))
def test_random_cycles_against_an_integrator(seed: int) -> None:
    body, period, unrolled, start = drawn_case(seed)
    end, low, high, heats = integrated(body, unrolled, start)
    piece, totals = period.piece(start), period.totals(start)
    scale = max(high - low, 1.0)
    assert piece.end == pytest.approx(end, abs=5e-3 * scale)
    assert piece.low == pytest.approx(low, abs=5e-3 * scale)
    assert piece.high == pytest.approx(high, abs=5e-3 * scale)
    for mine, other in zip((totals.came, totals.lost, *totals.drawn), heats, strict=True):
        assert mine == pytest.approx(other, abs=5e-3 * totals.came)


@pytest.mark.parametrize("seed", range(50))
def test_energy_is_kept(seed: int) -> None:
    body, period, _, start = drawn_case(seed)
    for begin in (start, settled(body, period, start)):
        totals = period.totals(begin)
        kept = body.capacity * (period.piece(begin).end - begin)
        assert kept + totals.lost + math.fsum(totals.drawn) == pytest.approx(totals.came, rel=1e-9)
        assert period.piece(begin).high <= body.ceiling


@pytest.mark.parametrize("seed", range(50))
def test_the_blocks_are_the_steps_one_by_one(seed: int) -> None:
    """Closed forms over many turns against every single step in a row, and what a piece claims."""
    body, period, unrolled, start = drawn_case(seed)
    plain = CycleRow([HeatSinkStep(body, inflow) for inflow in unrolled])
    for begin in (start, settled(body, period, start)):
        one, other = period.piece(begin), plain.piece(begin)
        for name in ("end", "low", "high", "high_on"):
            assert getattr(one, name) == pytest.approx(getattr(other, name), abs=1e-8), name
        assert one.slope == pytest.approx(other.slope, abs=1e-9)
        assert one.rise == pytest.approx(other.rise, abs=1e-8)
        lo, hi = max(one.lo, begin - 5.0), min(one.hi, begin + 5.0)
        for near in (lo, (lo + hi) / 2, hi):
            near = min(near, body.ceiling)
            claimed = one.end + one.slope * (near - begin)
            assert plain.piece(near).end == pytest.approx(claimed, abs=1e-7)
        for mine, plainly in itertools.zip_longest(
            period.totals(begin).drawn, plain.totals(begin).drawn
        ):
            assert mine == pytest.approx(plainly, abs=1e-7 * plain.totals(begin).came)
        mark = (one.low + one.high) / 2
        assert period.reach(begin, mark) == pytest.approx(plain.reach(begin, mark), abs=1e-4)


@pytest.mark.parametrize("seed", range(50))
def test_settled_repeats(seed: int) -> None:
    body, period, _, start = drawn_case(seed)
    found = settled(body, period, start)
    assert period.piece(found).end == pytest.approx(found, abs=1e-9)
    # and it is where many periods lead to, from cold
    slow = body.capacity / body.loss / period.span
    turns = int(30 * slow) + 30
    assert Repeat(period, turns).piece(AROUND).end == pytest.approx(found, abs=1e-6)


def test_one_stage_by_hand() -> None:
    """Burst and quiet of one linear body: T_low = Ta + q/UA (1 - x) y / (1 - x y)."""
    body = ThermalMass(2e5, 40.0, AROUND)
    x, y = math.exp(-600 * 40 / 2e5), math.exp(-5400 * 40 / 2e5)
    top = BURST / 40.0
    low = AROUND + top * (1 - x) * y / (1 - x * y)
    high = AROUND + top * (1 - x) / (1 - x * y)
    period = cycle_of(body, STAGES, heated(BURST))
    assert settled(body, period, AROUND) == pytest.approx(low, abs=1e-9)
    found = course(body, period, AROUND)
    assert found.high == pytest.approx(high, abs=1e-9)
    assert found.rest.rise == pytest.approx(high - low, abs=1e-9)
    # from a start that is hotter than that, the first burst is the hottest
    first = AROUND + top - (top - (high + 50 - AROUND)) * x
    assert course(body, period, high + 50).high == pytest.approx(first, abs=1e-9)


def test_a_long_spell_of_bursts_by_hand() -> None:
    """Ten thousand bursts that only add up: no loss, so heat over capacity."""
    body = ThermalMass(4e8, 0.0, AROUND)
    stages = [(40.0, 200.0), (2_000_000.0, 4_000_000.0)]
    period = cycle_of(body, stages, heated(1e4))
    gained = 10_000 * 40.0 * 1e4 / 4e8
    assert period.piece(AROUND).end - AROUND == pytest.approx(gained, rel=1e-9)
    # a burst gains 1 mK, so 3.9995 K are reached half way through burst number 4,000
    assert period.reach(AROUND, AROUND + 3.9995) == pytest.approx(3999 * 200 + 20, abs=0.01)


def test_the_mean_is_the_balance_whatever_the_mass() -> None:
    for capacity in (1e4, 1e6):
        body = ThermalMass(capacity, 40.0, AROUND)
        period = cycle_of(body, STAGES, heated(BURST))
        lost = period.totals(settled(body, period, AROUND)).lost
        assert lost == pytest.approx(600 * BURST, rel=1e-9)


def test_steps_below_the_rounding_of_a_temperature_add_up() -> None:
    """Bursts of 4 s that move 1e-15 K each: a body that only gas at 350 K reaches rests there."""
    body = ThermalMass(2.9e7, 0.0, AROUND)
    stages = [(3.85, 3.8500001), (38_020.1, 38_020.2), (3.56e7, 3.8e7)]
    period = cycle_of(body, stages, lambda span: Inflow(span, contact=0.1, hot=350.0))
    assert settled(body, period, 300.0) == pytest.approx(350.0, abs=1e-12)


def test_a_body_that_hovers_at_an_edge_is_soon_done() -> None:
    """Boiling in every burst: no turn lies within a piece, yet all are the same to rounding."""
    body = ThermalMass(2e5, 5.0, AROUND, (HeatDraw(373.15, math.inf), HeatDraw(350.0, 0.0)))
    period = cycle_of(body, [(30.0, 60.0), (3000.0, 4000.0)], heated(1e5))
    assert Repeat(period, 10**9).reach(AROUND, 374.0) is None
    assert Repeat(period, 10**9).reach(AROUND, 373.15) is not None


def test_boiling_takes_all_that_comes() -> None:
    body = ThermalMass(1e5, 0.0, AROUND, (HeatDraw(373.15, math.inf),))
    step = HeatSinkStep(body, Inflow(1000.0, 20_000.0))
    assert step.piece(373.15).end == 373.15
    assert step.totals(373.15).drawn == (pytest.approx(2e7),)
    with pytest.raises(PhysicsError, match="warmer than it boils"):
        step.piece(380.0)


def test_recovery_that_can_keep_up_holds_the_threshold() -> None:
    """Between no draw and the whole draw the body stays where the draw begins."""
    body = ThermalMass(1e5, 0.0, AROUND, (HeatDraw(350.0, 30_000.0),))
    step = HeatSinkStep(body, Inflow(1000.0, 20_000.0))
    assert step.piece(350.0).end == 350.0
    assert step.totals(350.0).drawn == (pytest.approx(2e7),)


def test_gas_brings_less_to_a_warm_body_and_never_heats_it_beyond_itself() -> None:
    body = ThermalMass(1e5, 10.0, AROUND)
    flow = cycle_of(body, [], lambda span: Inflow(span, contact=90.0, hot=700.0))
    rest = (90 * 700 + 10 * AROUND) / 100
    assert settled(body, flow, AROUND) == pytest.approx(rest, abs=1e-9)


@pytest.mark.parametrize(
    ("stages", "draws"),
    [
        (STAGES, ()),
        ([(600.0, 6000.0), (26_000.0, 60_000.0)], (HeatDraw(360.0, 4000.0),)),
    ],
)
def test_least_mass_by_the_integrator(
    stages: list[tuple[float, float]], draws: tuple[HeatDraw, ...]
) -> None:
    """Halving with the integrator over periods until it repeats: another road to the mass."""
    heat, limit = 4180.0, 420.0
    unrolled = [
        Inflow(span, BURST if on else 0.0) for span, on in inflows(stages, True, stages[-1][1])
    ]

    def body_of(mass: float) -> ThermalMass:
        return ThermalMass(mass * heat, 40.0, AROUND, draws)

    def peak(mass: float) -> float:
        return course(body_of(mass), cycle_of(body_of(mass), stages, heated(BURST)), AROUND).high

    def peak_integrated(mass: float) -> float:
        now = high = AROUND + 60.0
        for _ in range(12):
            now, _, high, _ = integrated(body_of(mass), unrolled, now)
        return high

    found = least(lambda mass: peak(mass) <= limit, 1.0, 5000.0)
    assert found is not None
    low, high = 20.0, 500.0
    for _ in range(12):
        middle = (low + high) / 2
        low, high = (low, middle) if peak_integrated(middle) <= limit else (middle, high)
    assert found == pytest.approx(high, rel=5e-3)
    assert peak(found) == pytest.approx(limit, abs=1e-6)


@pytest.mark.parametrize("seed", range(0, 50, 2))
def test_the_peak_never_rises_with_mass(seed: int) -> None:
    """So the least mass that keeps a limit is where the halving ends."""
    body, _, unrolled, _ = drawn_case(seed)
    first = unrolled[0]
    stages = [(400.0, 900.0), (7000.0, 20_000.0)]
    peaks = []
    for times in np.geomspace(0.01, 1e4, 15):
        larger = replace(body, capacity=times * body.capacity)
        period = cycle_of(larger, stages, lambda span: first._replace(duration=span))
        peaks.append(course(larger, period, AROUND).high)
    assert all(after <= before + 1e-9 for before, after in itertools.pairwise(peaks))


def test_limits_that_no_mass_or_any_mass_keeps() -> None:
    """The mean is 383.15 K, and no mass brings the peak below it."""

    def keeps(limit: float) -> float | None:
        def good(mass: float) -> bool:
            body = ThermalMass(mass * 4180.0, 40.0, AROUND)
            return course(body, cycle_of(body, STAGES, heated(BURST)), AROUND).high <= limit

        return least(good, 1.0, 5000.0)

    assert keeps(380.0) is None
    assert keeps(9000.0) == 1.0


def test_more_mass_swings_less_and_drives_later() -> None:
    peaks, waits = [], []
    for mass in (100.0, 300.0, 1000.0):
        body = ThermalMass(mass * 4180.0, 40.0, AROUND)
        period = cycle_of(body, STAGES, heated(BURST))
        peaks.append(course(body, period, AROUND).high)
        waits.append(Repeat(period, 10_000).reach(AROUND, 350.0))
    assert peaks == sorted(peaks, reverse=True)
    assert None not in waits
    assert waits == sorted(waits)


def test_refusals() -> None:
    closed = ThermalMass(1e5, 0.0, AROUND)
    with pytest.raises(PhysicsError, match="never settles"):
        settled(closed, cycle_of(closed, STAGES, heated(BURST)), AROUND)
    with pytest.raises(PhysicsError, match="capacity above 0"):
        ThermalMass(0.0, 1.0, AROUND)
    with pytest.raises(PhysicsError, match="below 0"):
        ThermalMass(1.0, 1.0, AROUND, (HeatDraw(300.0, -1.0),))
    with pytest.raises(PhysicsError, match="cycle that cannot be"):
        cycle_of(closed, [(10.0, 5.0)], heated(BURST))
    with pytest.raises(PhysicsError, match="inflow that cannot be"):
        HeatSinkStep(closed, Inflow(0.0))

"""Traces of single tanks against a published table, closed forms and the design's figures."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from allocator.simulation.columns import LEVEL, LOWEST, SHORT, SPILL
from allocator.simulation.running import Finished, run_circuit
from allocator.site.records import Stage
from allocator.verify.cycle import source_cycle
from allocator.verify.tanks.circuit import Circuit, Rate, SourceClock, Tank, clock_of

# Shammas & Wang, Fair, Geyer, and Okun's Water and Wastewater Engineering, 3rd ed., Wiley 2011,
# Example 2.1, Table 2.2, p. 36: a varying draft from a store of 176, two years from empty.
INFLOW = [94.0, 122, 45, 5, 5, 2, 0, 2, 16, 7, 72, 92]
DRAFT = [27.0, 27, 30, 30, 33, 30, 27, 27, 30, 36, 33, 30]
LEVELS = [67, 162, 176, 151, 123, 95, 68, 43, 29, 0, 39, 101]
LEVELS += [168, 176, 176, 151, 123, 95, 68, 43, 29, 0, 39, 101]
SPILLS = {3: 1.0, 14: 87.0, 15: 15.0}
MONTH = 2_629_800.0


def monthly(name: str, kind: str, amounts: list[float]) -> SourceClock:
    times = np.arange(12, dtype=np.float64) * MONTH
    return SourceClock(name, kind, 12 * MONTH, times, np.array(amounts, np.float64) / MONTH, name)


def single(
    clocks: list[SourceClock], size: float, first: float, draw: float, rate: float = 1.0
) -> Circuit:
    """One tank, filled by the first clock, drawn on steadily and by the others."""
    arrivals = Rate(0.0, ((clocks[0].name, rate),))
    draws = Rate(draw, tuple((clock.name, 1.0) for clock in clocks[1:]))
    net = Rate(-draw, arrivals.terms + tuple((name, -w) for name, w in draws.terms))
    tank = Tank("tank", "kg", size, net, arrivals, draws, first=first)
    return Circuit(tuple(clocks), (tank,))


def test_two_years_of_a_reservoir_month_by_month() -> None:
    circuit = single(
        [monthly("river", "source", INFLOW), monthly("draft", "shape", DRAFT)], 176, 0, 0
    )
    run = run_circuit(circuit, {}, 24 * MONTH, samples=24, book=100)
    assert run.sums.sample_level[1:, 0] == pytest.approx(LEVELS, abs=1e-9)
    spilt = np.diff(run.sums.sample_spill[:, 0])
    assert spilt == pytest.approx([SPILLS.get(month, 0.0) for month in range(1, 25)], abs=1e-9)
    assert run.sums.tank[0, SHORT] == pytest.approx(0.0, abs=1e-9)


# Loucks & van Beek, Water Resources Systems Planning and Management, UNESCO 2005, Table 11.2:
# the sequent peak method finds a store of 7.5 for a release of 3.5 from this cyclic inflow.
def test_the_store_of_the_sequent_peak_table_is_just_enough() -> None:
    inflow = np.array([1.0, 3, 3, 5, 8, 6, 7, 2, 1])
    river = SourceClock("river", "source", 9.0, np.arange(9.0), inflow, "river")
    enough = run_circuit(single([river], 7.5, 7.5, 3.5), {}, 90.0)
    assert enough.sums.tank[0, SHORT] == pytest.approx(0.0, abs=1e-12)
    assert float(enough.sums.tank[0, LOWEST]) == pytest.approx(0.0, abs=1e-12)
    # The dry months 8, 9, 1, 2, 3 span the turn of the year, so ten years hold nine of them.
    less = run_circuit(single([river], 7.4, 7.4, 3.5), {}, 90.0)
    assert less.sums.tank[0, SHORT] == pytest.approx(9 * 0.1, rel=1e-9)


@given(
    every=st.floats(10, 1e5),
    share=st.floats(0.05, 0.95),
    size=st.floats(0, 2.0),
    draw=st.floats(0.01, 0.99),
    periods=st.integers(2, 40),
)
def test_closed_form_of_one_tank_in_its_steady_cycle(
    every: float, share: float, size: float, draw: float, periods: int
) -> None:
    """Rate 1 for a of every T into a tank of size B, with a draw d.

    While on it gains (1 - d) a, while off it gives d (T - a); it holds at most B. Each period
    from a full tank at the end of a burst: served off = min(B, d (T - a)).
    """
    on = share * every
    store = size * every * 0.3
    clock = clock_of("source", "source", source_cycle([Stage(on, every)]))
    circuit = single([clock], store, store, draw)
    run = run_circuit(circuit, {"source": on % every}, periods * every)
    off_short = max(0.0, draw * (every - on) - store)
    gain, fall = (1 - draw) * on, draw * (every - on)
    if gain >= min(store, fall):  # full again after each burst
        spilt = gain - min(store, fall)
        scale = every * periods
        assert run.sums.tank[0, SHORT] == pytest.approx(periods * off_short, abs=1e-9 * scale)
        assert run.sums.tank[0, SPILL] == pytest.approx(periods * spilt, abs=1e-9 * scale)
        assert run.sums.tank[0, LEVEL] == pytest.approx(store, abs=1e-9 * scale)


# The design's worked figures: one source of 30 % duty, one generator that takes its mean flow.
# Its stages are not given, but the four figures leave no room. Let bursts fill a share a of a
# spell, spells a share b of the time, with N bursts in each. With no store the generator takes its
# rate while the source is on, so the share it takes of the mean is the duty, a b. With half a burst
# or more it never stops within a spell, and lives off the store after it: b + (bursts held) / N.
# It never stops at all where the store holds (1 - b) N bursts, a quiet spell's worth. So
# b + 0.5 / N = 0.58 and (1 - b) N = 47 give b = 0.5755 and N = 111; then 5 bursts must give
# 0.5755 + 5 / 111 = 0.62, which is the third figure, and is not fitted.
BURST = Stage(310.0, 580.0)
BURSTS = 111
SPELL = Stage((BURSTS - 1) * BURST.every + BURST.on, 111_399.0)


@pytest.mark.parametrize(
    ("bursts", "captured"), [(0.0, 0.31), (0.5, 0.58), (5.0, 0.62), (47.0, 1.0)]
)
def test_share_of_the_mean_that_a_store_lets_one_generator_take(
    bursts: float, captured: float
) -> None:
    cycle = source_cycle([BURST, SPELL])
    circuit = single([clock_of("source", "source", cycle)], bursts * BURST.on, 0.0, cycle.mean)
    run = run_circuit(circuit, {}, 200 * SPELL.every)
    found = share_taken(run)
    assert found == pytest.approx(captured, rel=0.01)
    assert round(found, 2) == captured


def test_a_quiet_spell_s_worth_is_the_last_of_the_figures() -> None:
    quiet = SPELL.every - SPELL.on
    mean = source_cycle([BURST, SPELL]).mean
    assert quiet * mean / BURST.on == pytest.approx(47.0, rel=0.01)
    assert mean == pytest.approx(0.30, abs=0.01)


def share_taken(run: Finished) -> float:
    tank = run.circuit.tanks[0]
    drawn = tank.draws.steady * run.seconds
    return float((drawn - run.sums.tank[0, SHORT]) / (tank.arrivals.at(run.means) * run.seconds))


def test_nothing_to_run_is_refused() -> None:
    circuit = single([monthly("river", "source", INFLOW)], 1.0, 1.0, 0.0)
    with pytest.raises(ValueError, match="nothing to run"):
        run_circuit(circuit, {}, 0.0)
    with pytest.raises(ValueError, match="samples"):
        run_circuit(circuit, {}, 1.0, samples=0)

"""The settled state of a bath behind 7,560 bursts a period, by closed forms.

Baseline: the same body marched through every burst and quiet of the period, one exact step after
the other, from period to period until it repeats. Answers agree.
"""

from __future__ import annotations

import time

from allocator.physics.heat_sink_cycles import CycleRow, cycle_of
from allocator.physics.heat_sink_settled import settled
from allocator.physics.thermal_mass import HeatDraw, HeatSinkStep, Inflow, ThermalMass

DAY = 86_400.0
ON, EVERY, SPELL, PERIOD = 40.0, 240.0, 21 * DAY, 63 * DAY
BODY = ThermalMass(2e8, 60.0, 288.15, (HeatDraw(330.0, 6000.0),))
LEAST_RATIO = 20.0


def burst(span: float) -> Inflow:
    """Gas at 427 degC."""
    return Inflow(span, contact=400.0, hot=700.0)


def marched() -> float:
    """K at the start of the period that repeats."""
    on, quiet = HeatSinkStep(BODY, burst(ON)), HeatSinkStep(BODY, Inflow(EVERY - ON))
    rest = HeatSinkStep(BODY, Inflow(PERIOD - SPELL))
    period = CycleRow([*[on, quiet] * round(SPELL / EVERY), rest])
    now, before = 288.15, 0.0
    while abs(now - before) > 1e-9:
        before, now = now, period.piece(now).end
    return now


def closed() -> float:
    """The same by closed forms."""
    return settled(BODY, cycle_of(BODY, [(ON, EVERY), (SPELL, PERIOD)], burst), 288.15)


def seconds(work: object) -> tuple[float, float]:
    assert callable(work)
    begin = time.perf_counter()
    answer = float(work())
    return answer, time.perf_counter() - begin


def main() -> None:
    """Print the ratio to the baseline of this run."""
    plain, slow = seconds(marched)
    exact, quick = seconds(closed)
    assert abs(plain - exact) < 1e-6, (plain, exact)
    ratio = slow / quick
    print(f"settled at {exact - 273.15:.6f} degC; marched {slow:.3f} s, closed {quick:.5f} s")
    print(f"{ratio:.0f} times the step-by-step baseline of this run")
    assert ratio > LEAST_RATIO


if __name__ == "__main__":
    main()

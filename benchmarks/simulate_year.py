"""Benchmark: one simulated year of the harbour, whole plan, on one core.

    python benchmarks/simulate_year.py [PLAN.json]

Without a plan file a plan is made first, in three quarters of a minute.
Measured beside it, over a short span each and scaled to a year (said so):

* a SimPy model of the same clocks and stores: a process a source, levels brought up to date at
  every change, marks waited for; no machines, no surplus;
* a plain Python march of half a second a step over the same clocks and stores.

Seconds are the processor's, so that a busy machine does not count. Both must find the same levels
as the simulation at the end of their span, or nothing is told.
"""

from __future__ import annotations

import bisect
import sys
import time
from collections.abc import Generator, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import simpy

from allocator.network.reading import read_site
from allocator.plans.file import read_plan
from allocator.plans.records import Plan
from allocator.simulation.columns import EVENTS, LEVEL, LOWEST
from allocator.simulation.running import run_circuit
from allocator.simulation.tracing import assemble
from allocator.site.records import Site
from allocator.verify.tanks.circuit import Circuit, SourceClock, Tank
from allocator.verify.tanks.phases import random_phases

YEAR = 365.0 * 86400.0
SIMPY_SPAN = 20.0 * 86400.0
MARCH_SPAN = 3.0 * 3600.0
STEP = 0.5
MOST_SECONDS = 5.0
NETWORK = Path(__file__).parents[1] / "networks" / "harbour_capacities.yaml"


def plan_of(site: Site) -> Plan:
    from allocator.search import Settings, make_plan

    plan = make_plan(site, Settings(time_limit=45.0, gap=0.05)).plan
    assert plan is not None
    return plan


def changes(clock: SourceClock, phase: float) -> Iterator[tuple[float, float]]:
    """Times and values of a clock's changes, the first at 0."""
    times, values = clock.times.tolist(), clock.values.tolist()
    offset = phase % clock.period
    node, turn = bisect.bisect_right(times, offset) - 1, 0
    yield 0.0, values[node]
    while len(times) > 1:
        node += 1
        if node == len(times):
            node, turn = 0, turn + 1
        yield turn * clock.period + times[node] - offset, values[node]


def simpy_levels(circuit: Circuit, phases: Mapping[str, float], seconds: float) -> list[float]:
    """Levels at the end of a span, by SimPy."""
    world = simpy.Environment()
    values: dict[str, float] = {}
    tanks = circuit.tanks
    level = [tank.size for tank in tanks]
    rate, at = [0.0] * len(tanks), [0.0] * len(tanks)
    waiting: list[Any] = [None] * len(tanks)
    touched: dict[str, list[int]] = {clock.name: [] for clock in circuit.clocks}
    for k, tank in enumerate(tanks):
        for name, _ in tank.net.terms:
            touched[name].append(k)

    def settle(k: int) -> None:
        moved = level[k] + rate[k] * (world.now - at[k])
        level[k], at[k] = min(tanks[k].size, max(0.0, moved)), world.now

    def mark(k: int, wait: float) -> Generator[Any, Any, Any]:
        try:
            yield world.timeout(wait)
        except simpy.Interrupt:
            return
        waiting[k] = None
        settle(k)
        rate[k] = 0.0

    def aim(k: int) -> None:
        if waiting[k] is not None:
            waiting[k].interrupt()
            waiting[k] = None
        rate[k] = tanks[k].net.at(values) - tanks[k].loss
        if rate[k] > 0 and level[k] < tanks[k].size:
            waiting[k] = world.process(mark(k, (tanks[k].size - level[k]) / rate[k]))
        elif rate[k] < 0 and level[k] > 0:
            waiting[k] = world.process(mark(k, level[k] / -rate[k]))

    def toggle(
        clock: SourceClock, story: Iterator[tuple[float, float]]
    ) -> Generator[Any, Any, Any]:
        for when, value in story:
            yield world.timeout(max(0.0, when - world.now))
            for k in touched[clock.name]:
                settle(k)
            values[clock.name] = value
            for k in touched[clock.name]:
                aim(k)

    stories = {c.name: changes(c, phases.get(c.follows, 0.0)) for c in circuit.clocks}
    for clock in circuit.clocks:
        values[clock.name] = next(stories[clock.name])[1]
    for clock in circuit.clocks:
        if len(clock.times) > 1:
            world.process(toggle(clock, stories[clock.name]))
    for k in range(len(tanks)):
        aim(k)
    world.run(until=seconds)
    for k in range(len(tanks)):
        settle(k)
    return level


def marched_levels(circuit: Circuit, phases: Mapping[str, float], seconds: float) -> list[float]:
    """Levels at the end of a span, by half-second steps in plain Python."""
    clocks = [
        (c.name, c.times.tolist(), c.values.tolist(), c.period, phases.get(c.follows, 0.0))
        for c in circuit.clocks
    ]
    tanks = circuit.tanks
    level = [tank.size for tank in tanks]
    for number in range(int(seconds / STEP)):
        now = number * STEP
        values = {
            name: held[bisect.bisect_right(times, (now + phase) % period) - 1]
            for name, times, held, period, phase in clocks
        }
        for k, tank in enumerate(tanks):
            moved = level[k] + (tank.net.at(values) - tank.loss) * STEP
            level[k] = min(tank.size, max(0.0, moved))
    return level


def step_error(circuit: Circuit, tank: Tank) -> float:
    """What a march may be wrong by: each change of a clock comes up to a step too late."""
    clocks = {clock.name: clock for clock in circuit.clocks}
    error = 1e-9 * tank.size
    for name, weight in tank.net.terms:
        changes = 1.0 + MARCH_SPAN / clocks[name].period * len(clocks[name].times)
        error += STEP * abs(weight) * float(np.abs(clocks[name].values).max()) * (1.0 + changes)
    return error


def main() -> int:
    site = read_site(NETWORK)
    plan = read_plan(sys.argv[1]) if len(sys.argv) > 1 else plan_of(site)
    whole = assemble(site, plan).circuit
    bare = assemble(site, plan, surplus=False).circuit
    phases = random_phases(whole, 0, 1)
    run_circuit(whole, phases, 86400.0)  # compiled, or fetched

    begin = time.process_time()
    year = run_circuit(whole, phases, YEAR, samples=400, book=2000)
    ours = time.process_time() - begin
    begin = time.process_time()
    run_circuit(bare, phases, YEAR)
    plain = time.process_time() - begin
    assert all(
        float(low) >= -1e-9 * tank.size
        for tank, low in zip(whole.tanks, year.sums.tank[:, LOWEST], strict=True)
    )
    assert year.sums.whole[4] <= 1e-9 * plan.power.firm_total * YEAR, "the promise was broken"

    begin = time.process_time()
    queued = simpy_levels(bare, phases, SIMPY_SPAN)
    slow = (time.process_time() - begin) * YEAR / SIMPY_SPAN
    exact = run_circuit(bare, phases, SIMPY_SPAN).sums.tank[:, LEVEL]
    for tank, a, b in zip(bare.tanks, queued, exact, strict=True):
        assert abs(a - float(b)) <= 1e-6 * max(tank.size, 1e-9), (tank.name, a, b)

    begin = time.process_time()
    stepped = marched_levels(bare, phases, MARCH_SPAN)
    slower = (time.process_time() - begin) * YEAR / MARCH_SPAN
    exact = run_circuit(bare, phases, MARCH_SPAN).sums.tank[:, LEVEL]
    for tank, a, b in zip(bare.tanks, stepped, exact, strict=True):
        assert abs(a - float(b)) <= step_error(bare, tank), (tank.name, a, b)

    print(f"clocks {len(whole.clocks)}, tanks {len(whole.tanks)}, a year of {YEAR:.0f} s")
    print(f"events {int(year.sums.whole[EVENTS])}")
    print(f"simulation, with surplus    {ours:10.3f} s")
    print(f"simulation, promises only   {plain:10.3f} s")
    print(f"SimPy, promises only        {slow:10.1f} s (measured on {SIMPY_SPAN / 86400:.0f} d),")
    print(f"                            {slow / plain:10.0f} times the promises-only run")
    print(f"half-second march           {slower:10.1f} s (measured on {MARCH_SPAN / 3600:.0f} h),")
    print(f"                            {slower / plain:10.0f} times the promises-only run")
    if ours > MOST_SECONDS:
        print(f"too slow: a year must take at most {MOST_SECONDS} s", file=sys.stderr)
        return 1
    return 0


if __name__ == "__main__":
    sys.exit(main())

"""The simulation against two others: a plain march by fixed steps, and SimPy's event queue."""

from __future__ import annotations

from collections.abc import Generator, Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
import simpy
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from strategies import cycles, sites

from allocator.search import Settings, make_plan
from allocator.simulation import events
from allocator.simulation.columns import SHORT, SPILL, empty_sums, tables_of
from allocator.simulation.packed import packed_sums, packed_tables
from allocator.simulation.recording import recording_of
from allocator.simulation.running import run_circuit
from allocator.simulation.tracing import assemble, emptied
from allocator.site.records import Site, Stage
from allocator.verify.cycle import source_cycle
from allocator.verify.tanks.circuit import Circuit, Rate, SourceClock, Tank, clock_of
from allocator.verify.tanks.phases import random_phases

quick = settings(
    max_examples=30,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)


def value_of(clock: SourceClock, time: float, phases: Mapping[str, float]) -> float:
    within = (time + phases.get(clock.follows, 0.0)) % clock.period
    number = int(np.searchsorted(clock.times, within, side="right")) - 1
    return float(clock.values[number])


def marched(
    circuit: Circuit, phases: Mapping[str, float], seconds: float, step: float
) -> dict[str, tuple[float, float, float]]:
    """Level, spill and shortfall of each tank after equal steps of the rates at their start."""
    level = {tank.name: tank.size if tank.first is None else tank.first for tank in circuit.tanks}
    spill = dict.fromkeys(level, 0.0)
    short = dict.fromkeys(level, 0.0)
    for number in range(round(seconds / step)):
        values = {c.name: value_of(c, number * step, phases) for c in circuit.clocks}
        for tank in circuit.tanks:
            moved = level[tank.name] + (tank.net.at(values) - tank.loss) * step
            spill[tank.name] += max(0.0, moved - tank.size)
            short[tank.name] += max(0.0, -moved)
            level[tank.name] = min(tank.size, max(0.0, moved))
    return {name: (level[name], spill[name], short[name]) for name in level}


def error_of(circuit: Circuit, tank: Tank, seconds: float, step: float) -> float:
    """What fixed steps may be wrong by: each change of a clock comes up to a step too late.

    A level bounded above and below never makes an error larger, and loss at an empty tank,
    which gives way within a step, is counted besides.
    """
    clocks = {clock.name: clock for clock in circuit.clocks}
    wrong = tank.loss * step
    for name, weight in tank.net.terms:
        clock = clocks[name]
        changes = (seconds / clock.period + 2) * len(clock.times)
        wrong += abs(weight) * float(np.ptp(clock.values)) * changes * step
    return wrong + 1e-9 * tank.size


@pytest.mark.slow
@quick
@given(site=sites(), number=st.integers(0, 1000), empty=st.booleans())
def test_random_sites_agree_with_a_march_by_fixed_steps(
    site: Site, number: int, empty: bool
) -> None:
    plan = make_plan(site, Settings(node_limit=5000, gap=1e-6)).plan
    assert plan is not None
    circuit = assemble(site, plan, surplus=False).circuit
    # A march cannot tell loss from shortfall at an empty tank: loss has its own tests.
    circuit = replace(circuit, tanks=tuple(replace(t, loss=0.0) for t in circuit.tanks))
    if empty:
        circuit = emptied(circuit)
    phases = random_phases(circuit, 0, number)
    seconds, step = 86400.0, 20.0
    sums = run_circuit(circuit, phases, seconds).sums
    rough = marched(circuit, phases, seconds, step)
    for k, tank in enumerate(circuit.tanks):
        exact = [float(sums.tank[k, column]) for column in (0, SPILL, SHORT)]
        # Spill and shortfall each take part of the error of the level.
        allowed = 2.0 * error_of(circuit, tank, seconds, step)
        assert exact == pytest.approx(rough[tank.name], abs=allowed, rel=0)


def test_finer_steps_come_nearer() -> None:
    cycle = source_cycle([Stage(130.0, 290.0), Stage(7000.0, 11000.0)])
    clock = clock_of("well", "source", cycle)
    arrivals = Rate(0.0, (("well", 3.0),))
    tank = Tank("holder", "kg", 300.0, Rate(-0.8, arrivals.terms), arrivals, Rate(0.8), first=0.0)
    circuit = Circuit((clock,), (tank,))
    exact = float(run_circuit(circuit, {"well": 37.3}, 90000.0).sums.tank[0, SPILL])
    wrong = [
        abs(marched(circuit, {"well": 37.3}, 90000.0, step)["holder"][1] - exact)
        for step in (40.0, 4.0, 0.5)
    ]
    assert wrong[2] < wrong[0] / 10
    assert wrong[2] <= error_of(circuit, tank, 90000.0, 0.5)


Story = list[tuple[float, str, str]]


def told_by_simpy(
    clocks: Mapping[str, tuple[Stage, float]], draw: float, size: float, seconds: float
) -> Story:
    """A toy site in SimPy: each source is a process, the store one that waits for its mark."""
    world = simpy.Environment()
    story: Story = []
    on: dict[str, bool] = {}
    store: dict[str, Any] = {"level": size, "at": 0.0, "waiting": None, "state": ""}

    def rate() -> float:
        return sum(1.0 for flag in on.values() if flag) - draw

    def settle() -> None:
        moved = store["level"] + store["rate"] * (world.now - store["at"])
        store["level"], store["at"] = min(size, max(0.0, moved)), world.now

    def look() -> None:
        """Say what has changed at the store's ends, and wait for the next mark."""
        now_rate = store["rate"] = rate()
        state = ""
        if store["level"] >= size and now_rate > 0:
            state = "full"
        elif store["level"] <= 0 and now_rate < 0:
            state = "empty"
        if state != store["state"]:
            if store["state"]:
                story.append((world.now, f"not_{store['state']}", "store"))
            if state:
                story.append((world.now, state, "store"))
            store["state"] = state
        if store["waiting"] is not None and store["waiting"].is_alive:
            store["waiting"].interrupt()
        store["waiting"] = None
        if not state and now_rate != 0:
            store["waiting"] = world.process(mark(now_rate))

    def mark(now_rate: float) -> Generator[Any, Any, Any]:
        aim = size if now_rate > 0 else 0.0
        try:
            yield world.timeout((aim - store["level"]) / now_rate)
        except simpy.Interrupt:
            return
        store["level"], store["at"], store["waiting"] = aim, world.now, None
        look()

    def source(name: str, stage: Stage, offset: float) -> Generator[Any, Any, Any]:
        yield world.timeout((stage.on if on[name] else stage.every) - offset)
        while True:
            settle()
            on[name] = not on[name]
            story.append((world.now, "on" if on[name] else "off", name))
            look()
            yield world.timeout(stage.on if on[name] else stage.every - stage.on)

    for name, (stage, offset) in clocks.items():
        on[name] = offset < stage.on
    store["rate"] = rate()
    for name, (stage, offset) in clocks.items():
        world.process(source(name, stage, offset))
    look()
    world.run(until=seconds)
    return story


def test_every_event_comes_in_the_order_and_at_the_time_that_simpy_gives_it() -> None:
    stages = {
        "brook": (Stage(70.0, 190.0), 11.37),
        "well": (Stage(31.0, 83.0), 50.11),
        "spring": (Stage(120.0, 500.0), 320.73),
    }
    draw, size, seconds = 0.93, 41.0, 40_000.0
    clocks = tuple(clock_of(n, "source", source_cycle([s])) for n, (s, _) in stages.items())
    arrivals = Rate(0.0, tuple((name, 1.0) for name in stages))
    tank = Tank("store", "kg", size, Rate(-draw, arrivals.terms), arrivals, Rate(draw))
    run = run_circuit(
        Circuit(clocks, (tank,)), {n: o for n, (_, o) in stages.items()}, seconds, book=10_000
    )
    ours = [(event.time, event.kind, event.name) for event in recording_of(run, "toy").events]
    theirs = told_by_simpy(stages, draw, size, seconds)
    assert {kind for _, kind, _ in ours} == {"on", "off", "full", "not_full", "empty", "not_empty"}
    assert len(ours) > 1000
    assert [event[1:] for event in ours] == [event[1:] for event in theirs[: len(ours)]]
    assert [event[0] for event in ours] == pytest.approx([e[0] for e in theirs[: len(ours)]])
    assert len(theirs) == len(ours)


def test_ties_are_settled_by_the_order_of_the_clocks() -> None:
    cycle = source_cycle([Stage(10.0, 20.0)])
    clocks = tuple(clock_of(name, "source", cycle) for name in ("b", "a", "c"))
    run = run_circuit(Circuit(clocks, ()), {}, 30.0, book=100)
    told = [(event.time, event.name) for event in recording_of(run, "ties").events]
    assert told == [(time, name) for time in (10.0, 20.0, 30.0) for name in ("b", "a", "c")]


@quick
@given(
    stages=st.lists(cycles(2), min_size=1, max_size=3),
    share=st.floats(0.05, 1.5),
    size=st.floats(0, 3e4),
    more=st.floats(1.0, 5.0),
    number=st.integers(0, 99),
)
def test_more_store_never_raises_the_shortfall(
    stages: list[tuple[Stage, ...]], share: float, size: float, more: float, number: int
) -> None:
    found = [source_cycle(one) for one in stages]
    clocks = tuple(clock_of(f"s{i}", "source", cycle) for i, cycle in enumerate(found))
    arrivals = Rate(0.0, tuple((clock.name, 1.0) for clock in clocks))
    draw = share * sum(cycle.mean for cycle in found)

    def short(store: float) -> float:
        tank = Tank("tank", "kg", store, Rate(-draw, arrivals.terms), arrivals, Rate(draw))
        circuit = Circuit(clocks, (tank,))
        run = run_circuit(circuit, random_phases(circuit, 1, number), 3e5)
        return float(run.sums.tank[0, SHORT])

    assert short(more * size) <= short(size) + 1e-9 * draw * 3e5


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(6))
def test_of_many_clocks_none_is_forgotten(seed: int) -> None:
    """Each clock changes as often, and is on for as long, as its own cycle says.

    With the heap of events badly made at the start, one of two dozen clocks was passed over.
    A heap and a look through all of them find the same, to the last bit.
    """
    draw = np.random.default_rng(seed)
    clocks, phases = [], {}
    for number in range(40):
        every = float(draw.uniform(50.0, 5000.0))
        name = f"source {number}"
        times = np.array([0.0, every * float(draw.uniform(0.2, 0.8))])
        clocks.append(SourceClock(name, "source", every, times, np.array([1.0, 0.0]), name))
        phases[name] = float(draw.uniform(0.0, every))
    net = Rate(-20.0, tuple((clock.name, 1.0) for clock in clocks))
    circuit = Circuit(tuple(clocks), (Tank("tank", "kg", 5000.0, net, net, Rate()),))
    seconds = 20_000.0
    run = run_circuit(circuit, phases, seconds, book=40_000)
    heaped = empty_sums(circuit, 1, 40_000)
    # packed, as run_circuit hands them over: arrays of other types would be compiled once more
    events.run(packed_tables(tables_of(circuit, phases)), packed_sums(heaped), seconds, 1, 0)
    for name, by_look, by_heap in zip(run.sums._fields, run.sums, heaped, strict=True):
        assert by_look.tobytes() == by_heap.tobytes(), name
    count = int(run.sums.event_count[0])
    told = run.sums.event_time[:count]
    assert (np.diff(told) >= 0).all()
    changed = np.bincount(run.sums.event_index[:count], minlength=40)
    for c, clock in enumerate(clocks):
        begin, end = phases[clock.name], phases[clock.name] + seconds
        turns = np.arange(np.ceil(end / clock.period) + 1)[:, None] * clock.period + clock.times
        assert changed[c] == ((turns > begin) & (turns <= end)).sum()
        on = [turn * clock.period for turn in range(int(end / clock.period) + 1)]
        expected = sum(max(0.0, min(end, a + float(clock.times[1])) - max(begin, a)) for a in on)
        assert run.sums.clock[c] == pytest.approx(expected, rel=1e-9)

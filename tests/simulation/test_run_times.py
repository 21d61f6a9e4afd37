"""Idle units that keep least load, run and rest times: by hand, against a march, and laws."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.simulation.columns import (
    BURNT,
    CLEAN,
    LEVEL,
    LOWEST,
    SHORT,
    SPILL,
    empty_sums,
    tables_of,
)
from allocator.simulation.recording import recording_of
from allocator.simulation.running import run_circuit
from allocator.simulation.tracing import assemble
from allocator.site.records import Stage
from allocator.verify.case import case_of
from allocator.verify.cycle import source_cycle
from allocator.verify.tanks.circuit import (
    Burner,
    Circuit,
    CircuitArc,
    GroupLoad,
    Rate,
    Tank,
    clock_of,
)

NETWORKS = Path(__file__).parents[2] / "networks"
GROUP = GroupLoad("engine", 0, True, Rate(), 0.0, 0.0, Rate())
BATCH = Burner("engine", 0, True, 0, Rate(1.0), 100.0, 5.0, run=50.0, rest=40.0, least=0.6)


def site_of(
    *, on: float = 1e4, batches: int = 1, rest: float = 40.0, want: float = 1e6, size: float = 1e3
) -> Circuit:
    """3 kg/s while a well is on, 1 kg/s promised, 100 kg kept; a lot takes 5 kg/s, at least 3."""
    clock = clock_of("well", "source", source_cycle([Stage(on, 2e4)]))
    arrivals = Rate(0.0, (("well", 3.0),))
    net = Rate(-1.0, arrivals.terms)
    tank = Tank("holder", "kg", size, net, arrivals, Rate(1.0), reserve=100.0, first=100.0)
    return Circuit(
        (clock,),
        (tank,),
        wants=(Rate(want),),
        burners=(replace(BATCH, rest=rest),) * batches,
        arcs=tuple(CircuitArc(0, i, 5.0) for i in range(batches)),
        groups=(GROUP,),
    )


def told(circuit: Circuit, seconds: float, phase: float = 0.0) -> list[tuple[str, float]]:
    run = run_circuit(circuit, {"well": phase}, seconds, book=1000)
    return [
        (e.kind, e.time) for e in recording_of(run, "told").events if e.kind in ("starts", "stops")
    ]


def test_it_starts_when_a_run_cannot_take_the_reserve_and_stops_at_it() -> None:
    """100 kg + (5 + 1 kg/s) x 50 s = 400 kg are there after 150 s; at 3 kg/s less they last 100 s.

    At the reserve 2 kg/s come and the least is 3. The first stop is after the 50 s.
    """
    expected = [("starts", 150.0), ("stops", 250.0), ("starts", 400.0), ("stops", 500.0)]
    found = told(site_of(), 600.0)
    assert [kind for kind, _ in found] == [kind for kind, _ in expected]
    assert [time for _, time in found] == pytest.approx([time for _, time in expected])
    sums = run_circuit(site_of(), {}, 600.0).sums
    assert sums.tank[0, [BURNT, LOWEST]] == pytest.approx([1000.0, 100.0])
    assert sums.bus[0, CLEAN] == pytest.approx(200.0 * 100.0)
    assert list(sums.started) == [2]


def test_a_well_that_stops_as_the_lot_starts_takes_it_to_its_reserve_and_no_further() -> None:
    """From 400 kg at 6 kg/s: 100 kg after the run of 50 s, to the second."""
    circuit = site_of(on=150.0)
    found = told(circuit, 210.0)
    assert found == [("starts", pytest.approx(150.0)), ("stops", pytest.approx(200.0, abs=1e-6))]
    assert run_circuit(circuit, {}, 200.0).sums.tank[0, LOWEST] == pytest.approx(100.0)


def test_a_lot_rests() -> None:
    """150 s after the stop the level is there, but it waits for 300 s."""
    times = [time for _, time in told(site_of(rest=300.0), 700.0)]
    assert times[2] - times[1] == pytest.approx(300.0)


def test_no_start_where_its_least_load_has_no_use_or_no_store_is_large_enough() -> None:
    assert told(site_of(want=59.0), 2000.0) == []
    assert told(site_of(want=61.0), 2000.0)
    assert told(site_of(size=399.0), 2000.0) == []


def test_fuel_at_no_load_is_burnt_for_nothing() -> None:
    """At 40 of 100 W a unit with a fifth at no load takes 0.2 + 0.8 x 0.4 of 5 kg/s."""
    circuit = site_of(want=40.0)
    batch = replace(BATCH, idle=0.2, least=0.2)
    circuit = replace(circuit, burners=(batch,))
    sums = run_circuit(circuit, {}, 300.0).sums
    span = 300.0 - 150.0
    assert sums.bus[0, CLEAN] == pytest.approx(40.0 * span)
    assert sums.tank[0, BURNT] == pytest.approx(0.52 * 5.0 * span)


def marched(circuit: Circuit, phase: float, seconds: float, step: float) -> tuple[float, int]:
    """kg burnt and starts of one lot, by steps: a machine told anew in plain words."""
    (tank,), (batch,), (clock,) = circuit.tanks, circuit.burners, circuit.clocks
    assert tank.reserve is not None
    level, burnt, starts, on, until = 100.0, 0.0, 0, False, 0.0
    enough = tank.reserve + (batch.take + 1.0) * batch.run
    for number in range(round(seconds / step)):
        now = number * step
        within = (now + phase) % clock.period
        came = 3.0 * clock.values[np.searchsorted(clock.times, within, side="right") - 1] - 1.0
        take = 0.0
        if on and now >= until and level <= tank.reserve and came < batch.least * batch.take:
            on, until = False, now + batch.rest
        elif not on and now >= until and level >= enough:
            on, until, starts = True, now + batch.run, starts + 1
        if on:
            take = batch.take if level > tank.reserve else batch.least * batch.take
        level = min(tank.size, max(0.0, level + (came - take) * step))
        burnt += take * step
    return burnt, starts


@pytest.mark.parametrize("phase", [0.0, 37.0, 333.3, 700.7, 911.0])
def test_a_march_by_fixed_steps_finds_the_same(phase: float) -> None:
    clock = clock_of("well", "source", source_cycle([Stage(610.0, 1100.0)]))
    circuit = replace(site_of(), clocks=(clock,))
    seconds, step = 6000.0, 0.1
    sums = run_circuit(circuit, {"well": phase}, seconds).sums
    burnt, starts = marched(circuit, phase, seconds, step)
    assert starts == sums.started[0]
    # A step of takings for each change of the lot and of the well, and what follows from each.
    assert float(sums.tank[0, BURNT]) == pytest.approx(
        burnt, abs=8.0 * step * 2 * (2 * starts + 12)
    )


@pytest.mark.parametrize("seed", range(12))
def test_laws_of_drawn_circuits(seed: int) -> None:
    """Run and rest times, the reserve, mass, bytes; and no more is short than without the lots."""
    from allocator.simulation import events

    draw = np.random.default_rng(seed)
    clocks = tuple(
        clock_of(f"s{i}", "source", source_cycle([Stage(every * draw.uniform(0.2, 0.8), every)]))
        for i, every in enumerate(draw.uniform(100.0, 3000.0, 3))
    )
    arrivals = Rate(0.2, tuple((c.name, float(draw.uniform(0.5, 2.0))) for c in clocks))
    promised = 0.5 * float(draw.uniform(0.2, 1.0))
    net = Rate(arrivals.steady - promised, arrivals.terms)
    size = float(draw.uniform(1e3, 1e4))
    reserve = 0.4 * size
    tank = Tank("holder", "kg", size, net, arrivals, Rate(promised), 0.01, reserve)
    batches = tuple(
        Burner(
            "engine",
            0,
            True,
            0,
            Rate(float(draw.integers(1, 3))),
            100.0,
            float(draw.uniform(0.3, 2.0)),
            run=float(draw.uniform(10.0, 600.0)),
            rest=float(draw.uniform(1.0, 900.0)),
            least=float(draw.uniform(0.2, 0.8)),
            idle=0.1,
        )
        for _ in range(3)
    )
    arcs = tuple(
        CircuitArc(0, i, batch.capacity.steady * batch.take) for i, batch in enumerate(batches)
    )
    turning = Burner("turning", 0, True, -1, Rate(0.3), 100.0, 1.0)
    circuit = Circuit(
        clocks,
        (tank,),
        wants=(Rate(1e3),),
        burners=(turning, *batches),
        arcs=(CircuitArc(0, 0, 1.0), *(replace(a, burner=a.burner + 1) for a in arcs)),
        groups=(GROUP,),
    )
    phases = {clock.name: float(draw.uniform(0, clock.period)) for clock in clocks}
    seconds = 2e5
    run = run_circuit(circuit, phases, seconds, book=20_000)
    sums = run.sums
    bare = run_circuit(
        replace(circuit, burners=(turning,), arcs=(CircuitArc(0, 0, 1.0),)), phases, seconds
    )
    assert sums.tank[0, SHORT] == bare.sums.tank[0, SHORT] == 0.0
    # What the promise alone takes of a brim-full store without end, in these phases.
    deep = replace(tank, size=1e9, reserve=None)
    taken = 1e9 - run_circuit(Circuit(clocks, (deep,)), phases, seconds).sums.tank[0, LOWEST]
    assert sums.tank[0, LOWEST] >= reserve - taken - 1e-6
    closed = size + float(sums.clock @ [w for _, w in arrivals.terms]) + seconds * 0.2
    closed -= float(sums.tank[0, [LEVEL, SPILL, 3, BURNT]].sum()) + seconds * promised
    assert abs(closed) <= 1e-9 * (size + seconds * 5)
    takes = [b.take for b in circuit.burners]
    assert float(sums.burner @ takes) == pytest.approx(float(sums.tank[0, BURNT]), rel=1e-9)
    assert sums.bus[0, CLEAN] >= bare.sums.bus[0, CLEAN] * (1 - 1e-9)
    assert sums.started.sum() > 0
    count = int(sums.event_count[1])
    room = len(sums.event_time) // 2
    for i, batch in enumerate(batches, start=1):
        rows = [
            r
            for r in range(room, room + count)
            if sums.event_kind[r] >= events.STARTED and sums.event_index[r] == i
        ]
        for a, b in pairwise(rows):
            least = batch.run if sums.event_kind[a] == events.STARTED else batch.rest
            assert sums.event_time[b] - sums.event_time[a] >= least * (1 - 1e-9)
            assert sums.event_kind[a] != sums.event_kind[b]
    heaped = empty_sums(circuit, 1, 20_000)
    events.run(tables_of(circuit, phases), heaped, seconds, 1, 0)
    for name, ours, theirs in zip(sums._fields, sums, heaped, strict=True):
        assert ours.tobytes() == theirs.tobytes(), name


@pytest.mark.parametrize("name", ["first", "two_bays"])
def test_examples_keep_their_promise_with_units_that_keep_times(name: str) -> None:
    site = read_site(NETWORKS / f"{name}.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    kinds = {
        n: replace(m, min_up_time=1800.0, min_down_time=900.0, min_load=max(0.4, m.min_load))
        for n, m in site.machines.items()
    }
    site = replace(site, machines=kinds)
    machines = tuple(replace(m, count=m.count + 2) for m in plan.machines)
    plan = replace(plan, machines=machines)
    asked = SimulationSettings(days=60.0, phases=6, hold="need")
    plain = simulate(site, plan, replace(asked, surplus=False))
    greedy = simulate(site, plan, asked)
    assert plain.kept
    assert greedy.kept
    for a, b in zip(plain.draws, greedy.draws, strict=True):
        assert a.mean_clean_w <= b.mean_clean_w * (1 + 1e-9)
        assert a.mean_total_w <= b.mean_total_w * (1 + 1e-9)
        for tank in b.tanks:
            came = tank.arrived + tank.short + tank.saved
            went = tank.drawn + tank.lost + tank.spilt + tank.untaken + tank.burnt
            scale = tank.arrived + tank.drawn + tank.size
            assert tank.last - tank.first == pytest.approx(came - went, abs=1e-9 * scale)


def test_ways_out_of_a_store_share_what_it_may_release() -> None:
    """One store feeds units that turn and units that idle: together no more than it lets out."""
    site = read_site(NETWORKS / "first.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    machines = tuple(replace(m, count=m.count + 4) for m in plan.machines)
    plan = replace(plan, machines=machines)
    spare = 0.01
    kinds = dict(site.storage)
    for store in plan.stores:
        peak = case_of(network_of(site), plan).at_peak(store.draw)
        kinds[store.type] = replace(kinds[store.type], release_rate=peak + spare)
    circuit = assemble(replace(site, storage=kinds), plan).circuit
    widths = [0.0] * len(circuit.tanks)
    for arc in circuit.arcs:
        widths[arc.tank] += arc.most
    fed = [w for w, t in zip(widths, circuit.tanks, strict=True) if t.kind == "store" and w > 0]
    assert fed
    assert max(fed) <= spare * (1 + 1e-9)

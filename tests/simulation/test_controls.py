"""What the controls do at one instant, by hand: shedding, surplus, throttling, bought fuel."""

from __future__ import annotations

from dataclasses import replace

import pytest

from allocator.simulation.columns import (
    BURNT,
    CLEAN,
    CLEAN_DIRECT,
    LEAST_SHARE,
    LEVEL,
    LOST,
    SAVED,
    SHORT,
    SHORT_SECONDS,
    SPILL,
    UNSERVED,
    UNTAKEN,
)
from allocator.simulation.running import run_circuit
from allocator.site.records import Stage
from allocator.verify.cycle import source_cycle
from allocator.verify.tanks.circuit import (
    Burner,
    Circuit,
    CircuitArc,
    GroupLoad,
    Load,
    Rate,
    Tank,
    Throttle,
    clock_of,
)

WELL = clock_of("well", "source", source_cycle([Stage(100.0, 200.0)]))
ARRIVALS = Rate(0.0, (("well", 3.0),))


def tank(name: str, size: float, draw: float, **more: object) -> Tank:
    net = Rate(-draw, ARRIVALS.terms)
    return Tank(name, "kg", size, net, ARRIVALS, Rate(draw), **more)  # type: ignore[arg-type]


def test_the_last_in_priority_is_shed_first() -> None:
    """No store: for 100 s of 200 the draw of 1 kg/s is not there, 1000 W of 1500 W."""
    loads = (Load("hall", Rate(600.0)), Load("ward", Rate(900.0)))
    circuit = Circuit((WELL,), (tank("none", 0.0, 1.0, worth=1000.0),), loads=loads)
    sums = run_circuit(circuit, {}, 200.0).sums
    assert sums.load == pytest.approx([600.0 * 100, 400.0 * 100])
    assert sums.whole[SHORT_SECONDS] == pytest.approx(100.0)
    assert sums.whole[LEAST_SHARE] == pytest.approx(1 / 3)
    assert sums.whole[UNSERVED] == pytest.approx(1000.0 * 100)
    assert sums.tank[0, [SPILL, SHORT]] == pytest.approx([2.0 * 100, 1.0 * 100])


def _throttled(failed: float = 0.0) -> Circuit:
    """2 kg/s spill, of 100 W each; 150 W are wanted, and 30 W of power of oil may be throttled."""
    burner = Burner("idle", 0, True, -1, Rate(10.0), 100.0, 1.0)
    oil = Tank("oil", "kg", 50.0, Rate(-0.1), Rate(), Rate(0.1), first=40.0, clean=False)
    return Circuit(
        (WELL,),
        (tank("gas", 10.0, 1.0), oil),
        wants=(Rate(150.0),),
        burners=(burner,),
        arcs=(CircuitArc(0, 0, 5.0),),
        throttles=(Throttle(0, 0, 1, 0.001, Rate(30.0)),),
        groups=(GroupLoad("boiler", 0, False, Rate(30.0), 1.0, 0.0, Rate(failed)),),
    )


def test_surplus_is_burnt_up_to_what_is_wanted_then_throttles_emitting_power() -> None:
    """2 kg/s spill for 100 s at 100 W each kg/s; 150 W are wanted, 30 W may be throttled."""
    sums = run_circuit(_throttled(), {}, 100.0).sums
    assert sums.bus[0, [CLEAN, CLEAN_DIRECT]] == pytest.approx([180.0 * 100, 150.0 * 100])
    assert sums.tank[0, [BURNT, SPILL]] == pytest.approx([1.8 * 100, 0.2 * 100])
    assert sums.throttle[0] == pytest.approx(30.0 * 100)
    assert sums.tank[1, SAVED] == pytest.approx(0.03 * 100)
    assert sums.tank[1, LEVEL] == pytest.approx(40.0 - 10.0 + 3.0)


def test_bought_fuel_that_does_not_fit_is_not_taken() -> None:
    circuit = Circuit((WELL,), (tank("oil", 10.0, 1.0, bought=ARRIVALS),))
    sums = run_circuit(circuit, {}, 100.0).sums
    assert sums.tank[0, UNTAKEN] == pytest.approx(2.0 * 100)


def test_what_is_empty_loses_nothing() -> None:
    """Off for 100 s from 10 kg: a draw of 0.1 and a loss of 0.4 a second last 20 s."""
    circuit = Circuit((WELL,), (tank("leaky", 10.0, 0.1, loss=0.4),))
    sums = run_circuit(circuit, {"well": 100.0}, 100.0).sums
    assert sums.tank[0, [LOST, SHORT]] == pytest.approx([0.4 * 20, 0.1 * 80])


def test_gas_above_the_reserve_is_burnt_at_once_and_below_it_never() -> None:
    """Off for 100 s from 100 kg: 1 kg/s promised and 1 kg/s burnt until 40 kg are left."""
    burner = Burner("idle", 0, True, -1, Rate(1.0), 100.0, 1.0)
    circuit = Circuit(
        (WELL,),
        (tank("gas", 100.0, 1.0, reserve=40.0),),
        wants=(Rate(1e6),),
        burners=(burner,),
        arcs=(CircuitArc(0, 0, 5.0),),
    )
    sums = run_circuit(circuit, {"well": 100.0}, 60.0).sums
    assert sums.tank[0, BURNT] == pytest.approx(30.0)
    assert sums.tank[0, LEVEL] == pytest.approx(10.0)


def _failing(burner: Burner, spare: float = 0.0) -> Circuit:
    """One promised unit of two that turn at half load, 100 W each, out for 100 s of 200 s."""
    fails = clock_of("fails", "outage", source_cycle([Stage(100.0, 200.0)]))
    failed = Rate(0.0, (("fails", 1.0),))
    return Circuit(
        (WELL, fails),
        (tank("gas", 1e3, 1.0, reserve=0.0),),
        wants=(Rate(1e6),),
        burners=(burner,),
        arcs=(CircuitArc(0, 0, 50.0),),
        groups=(GroupLoad("engine", 0, True, Rate(100.0), 2.0, spare, failed),),
        loads=(Load("town", Rate(100.0)),),
    )


def test_promised_units_that_are_out_burn_no_surplus() -> None:
    """Two units with room for 1 unit more, 1 kg/s and 100 W: while one is out there is half of it.

    It stands in for the 50 W that were lost, and nothing is short of the promise; with no room in
    the unit left, 50 W are short. A unit that is spare takes nothing away.
    """
    turning = Burner("engine", 0, True, -1, Rate(1.0), 100.0, 1.0, turns=0)
    phases = {"well": 100.0}  # off, from a full store of 1000 kg
    sums = run_circuit(_failing(turning), phases, 100.0).sums
    assert sums.tank[0, BURNT] == pytest.approx(0.5 * 100)
    assert sums.bus[0, CLEAN_DIRECT] == pytest.approx(50.0 * 100)
    assert sums.whole[UNSERVED] == 0.0
    in_order = run_circuit(_failing(turning), {**phases, "fails": 100.0}, 100.0).sums
    assert in_order.tank[0, BURNT] == pytest.approx(1.0 * 100)
    spare = run_circuit(_failing(turning, 1.0), phases, 100.0).sums
    assert spare.tank[0, BURNT] == pytest.approx(1.0 * 100)
    full = replace(turning, capacity=Rate(0.0))
    lost = run_circuit(_failing(full), phases, 100.0).sums
    assert lost.whole[UNSERVED] == pytest.approx(50.0 * 100)


def test_what_a_failed_emitting_unit_lost_cannot_be_throttled() -> None:
    """30 W of emitting power are out: 180 W of surplus are wanted, and no oil is saved for it."""
    circuit = replace(_throttled(failed=1.0), loads=(Load("hall", Rate(30.0)),))
    sums = run_circuit(circuit, {}, 100.0).sums
    assert sums.bus[0, [CLEAN, CLEAN_DIRECT]] == pytest.approx([180.0 * 100, 180.0 * 100])
    assert sums.throttle[0] == sums.tank[1, SAVED] == sums.whole[UNSERVED] == 0.0

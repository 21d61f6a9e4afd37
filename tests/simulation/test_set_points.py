"""Set-points: reserves that keep a promise, one that would not is named, starts in closed form."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.plans.records import Plan, SetPoints
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.simulation.running import run_circuit
from allocator.simulation.search import best_reserves, quick_reserves, set_points_of
from allocator.simulation.tracing import assemble
from allocator.site.records import Site

NETWORKS = Path(__file__).parents[2] / "networks"
ASKED = SimulationSettings(days=60.0, phases=2)


def roomy(factor: float = 2.0) -> tuple[Site, Plan]:
    """The first example with a larger holder than its promise needs, and a larger inflow."""
    site = read_site(NETWORKS / "first.yaml")
    plan = make_plan(site, Settings(node_limit=200)).plan
    assert plan is not None
    store = replace(plan.stores[0], size=factor * plan.stores[0].size)
    (source,) = plan.sources
    collect = dict.fromkeys(source.collect, 12e-3)
    return site, replace(plan, stores=(store,), sources=(replace(source, collect=collect),))


def test_the_reserve_is_what_the_worst_window_needs() -> None:
    """The longest quiet spell of 18 h at the promised draw: more is free to be burnt."""
    site, plan = roomy()
    trace = simulate(site, plan, ASKED)
    (point,) = trace.set_points
    need = 18 * 3600.0 * sum(plan.stores[0].draw.values())
    assert point.reserve == pytest.approx(need, rel=2e-6)
    assert trace.unsafe == ()


def test_a_reserve_below_the_need_is_named_and_breaks_the_promise() -> None:
    """From 1.2 needs, 3 g/s go until 0.3 of it is left, which lasts 19 400 s of the last 25 000."""
    site, plan = roomy(1.2)
    (name,) = (store.name for store in plan.stores)
    need = 18 * 3600.0 * sum(plan.stores[0].draw.values())
    low = simulate(site, plan, ASKED, reserves={name: 0.3 * need})
    assert low.unsafe == (name,)
    assert not low.kept
    safe = simulate(site, plan, ASKED, reserves={name: need * (1 + 1e-6)})
    assert safe.unsafe == ()
    assert safe.kept


def test_the_search_burns_what_is_free_and_keeps_the_promise() -> None:
    site, plan = roomy()
    full = simulate(site, plan, ASKED)
    found = best_reserves(network_of(site), plan, ASKED)
    assert found.mean_clean_w > full.mean("mean_clean_w") * 1.01
    again = simulate(site, plan, ASKED, reserves=found.levels)
    assert again.kept
    assert again.unsafe == ()


def test_starts_of_a_unit_behind_a_battery() -> None:
    """On at P, used at e c P: a swing S fills in S/(e P (1 - c)), empties in S/(e c P)."""
    site = read_site(NETWORKS / "two_bays.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    (machine,) = (m for m in plan.machines if m.cycled > 0)
    kind = site.machines[machine.type]
    trace = simulate(site, plan, replace(ASKED, phases=1))
    (point,) = trace.cycle_points
    kept = sum(battery.swing_part for battery in plan.batteries)
    efficiency = site.storage[plan.batteries[0].type].charge_efficiency
    on = kept / (efficiency * kind.power_out * (1 - machine.cycled))
    off = kept / (efficiency * kind.power_out * machine.cycled)
    assert point.stop == pytest.approx(kept)
    assert point.starts_a_day == pytest.approx(86400.0 / (on + off))
    assert on >= kind.min_up_time


def test_a_plan_s_own_set_points_are_kept_to() -> None:
    site, plan = roomy()
    full = simulate(site, plan, ASKED)
    found = quick_reserves(network_of(site), plan, ASKED)
    assert found.mean_clean_w > full.mean("mean_clean_w") * 1.01
    held = replace(plan, set_points=set_points_of(network_of(site), plan, found.levels))
    trace = simulate(site, held, ASKED)
    assert trace.kept
    assert trace.mean("mean_clean_w") == pytest.approx(found.mean_clean_w, rel=1e-9)
    assert trace.reserves == found.levels
    told = simulate(site, held, replace(ASKED, hold="full"))
    assert told.mean("mean_clean_w") == full.mean("mean_clean_w")


def test_a_plan_s_reserve_that_is_too_low_is_named() -> None:
    site, plan = roomy(1.2)
    low = {plan.stores[0].name: 0.1 * plan.stores[0].size}
    held = replace(plan, set_points=set_points_of(network_of(site), plan, low))
    trace = simulate(site, held, ASKED)
    assert trace.unsafe == tuple(low)
    assert not trace.kept


def test_a_smaller_swing_starts_more_often() -> None:
    """Half the swing, twice the starts."""
    site = read_site(NETWORKS / "two_bays.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    points = set_points_of(network_of(site), plan, {})
    (levels,) = points.cycled
    half = replace(levels, start=0.25 * levels.stop, stop=0.75 * levels.stop)
    (whole_run,), (half_run,) = (
        simulate(site, replace(plan, set_points=p), replace(ASKED, phases=1)).cycle_points
        for p in (points, replace(points, cycled=(half,)))
    )
    assert whole_run.starts_a_day is not None
    assert half_run.starts_a_day == pytest.approx(2 * whole_run.starts_a_day)


def test_what_idles_starts_in_the_order_that_is_set() -> None:
    """Two groups of one kind could burn what spills; the one named first gets more of it."""
    site, plan = roomy()
    (machine,) = plan.machines
    kind = replace(site.machines[machine.type], places={"mill": None})
    site = replace(
        site,
        machines={"first": replace(kind, name="first"), "second": replace(kind, name="second")},
    )
    one = replace(machine, name="first@mill", type="first", count=machine.count + 1)
    two = replace(
        one, name="second@mill", type="second", count=1, running=0, flat_load=0.0, following={}
    )
    both = replace(plan, machines=(one, two))
    burnt = {}
    for order in (("first@mill", "second@mill"), ("second@mill", "first@mill")):
        held = replace(both, set_points=SetPoints(start_order=order))
        circuit = assemble(site, held).circuit
        names = [circuit.burners[arc.burner].name for arc in circuit.arcs]
        sums = run_circuit(circuit, {}, 20 * 86400.0).sums.burner
        spent = {burner.name: 0.0 for burner in circuit.burners}
        for burner, units in zip(circuit.burners, sums, strict=True):
            spent[burner.name] += float(units)
        burnt[order[0]] = spent
        assert list(dict.fromkeys(names)) == list(order)
    assert burnt["second@mill"]["second@mill"] > burnt["first@mill"]["second@mill"]


def test_idle_units_that_no_store_lets_start_are_told() -> None:
    """A brim-full reserve has nothing above it for a run; so has none that lasts for months."""
    site, plan = roomy()
    needs = quick_reserves(network_of(site), plan, ASKED).levels
    held = replace(plan, set_points=set_points_of(network_of(site), plan, needs))
    (name,) = (machine.name for machine in plan.machines)
    for count, run, hold, told in (
        (0, 1800.0, "full", ()),
        (1, 1800.0, "full", (name,)),
        (1, 1e7, "need", (name,)),
        (1, 600.0, "need", ()),
    ):
        kinds = {
            n: replace(m, min_down_time=60.0, min_up_time=run, no_load=0.0)
            for n, m in site.machines.items()
        }
        machine = replace(plan.machines[0], count=plan.machines[0].count + count)
        wide = replace(held, machines=(machine,))
        asked = replace(ASKED, phases=1, hold=hold)
        trace = simulate(replace(site, machines=kinds), wide, asked)
        assert trace.no_safe_start == told


def test_starts_are_told_of_units_that_idle_alone() -> None:
    site, plan = roomy()
    (name,) = (machine.name for machine in plan.machines)
    kinds = {
        n: replace(m, min_up_time=600.0, min_burst_time=600.0) for n, m in site.machines.items()
    }
    site = replace(site, machines=kinds)
    for more, told in ((0, []), (1, [name])):
        machine = replace(plan.machines[0], count=plan.machines[0].count + more)
        trace = simulate(site, replace(plan, machines=(machine,)), replace(ASKED, phases=1))
        assert list(trace.draws[0].starts) == told

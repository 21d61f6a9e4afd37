"""Units that burn steady gas, or what a store gives for ever, and bursts at one time."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import linprog

from allocator.network.reading import read_site
from allocator.plans.records import NOTHING, MachineUse, Plan, Robustness
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.site.records import PipeType, Route, Site, Source, Stage
from allocator.verify import audit

CASES = Path(__file__).parents[1] / "cases"
HOUR, GRAM, KILOWATT, KILOWATT_HOUR = 3600.0, 1e-3, 1e3, 3.6e6
HALF = 0.75 * GRAM  # of what the engine takes


def planned(site: Site, robustness: Robustness = NOTHING) -> Plan:
    """The best plan of a site: audited, and simulated from phases set against it."""
    asked = Settings(gap=1e-7, node_limit=10_000, robustness=robustness)
    plan = make_plan(site, asked).plan
    assert plan is not None
    assert plan.status == "optimal"
    assert audit(site, plan).breaches == ()
    assert simulate(site, plan, SimulationSettings(days=20.0, phases=4)).kept
    return plan


def one_engine(
    efficiency: float = 1.0, no_load: float = 0.0, min_load: float = 0.0, **sources: Source
) -> Site:
    """The engine of 10 kW with a battery that is large enough, and other sources if any."""
    site = read_site(CASES / "one_engine_steady_and_bursts.yaml")
    engine = replace(site.machines["engine"], no_load=no_load, min_load=min_load, min_up_time=600.0)
    battery = replace(
        site.storage["battery"], charge_efficiency=efficiency, max_size=80.0 * KILOWATT_HOUR
    )
    return replace(
        site,
        machines={"engine": engine},
        storage={"battery": battery},
        sources={**(sources or site.sources)},
    )


def the_engine(plan: Plan) -> MachineUse:
    (engine,) = plan.machines
    assert engine.count == 1
    return engine


def test_one_engine_takes_steady_gas_and_bursts() -> None:
    site = read_site(CASES / "one_engine_steady_and_bursts.yaml")
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(7.5 * KILOWATT, rel=1e-5)
    assert sum(b.size for b in plan.batteries) == pytest.approx(15.0 * KILOWATT_HOUR, rel=1e-5)
    assert plan.ceiling.clean is not None
    assert plan.ceiling.clean >= plan.power.firm_clean


@pytest.mark.parametrize(
    ("efficiency", "no_load", "min_load", "power"),
    [
        # fuel in proportion: 5 kW flat past the battery, 5 kW of bursts half the time through it
        (0.9, 0.0, 0.0, 5.0 + 0.9 * 2.5),
        # a least load alone: turning at half load the unit keeps it
        (0.9, 0.0, 0.4, 5.0 + 0.9 * 2.5),
        # and a higher one than the steady gas: in lumps, all through the battery
        (0.9, 0.0, 0.6, 0.9 * 7.5),
        # fuel at no load and a good battery: in lumps, all of it at full load
        (0.9, 0.2, 0.0, 0.9 * 7.5),
        # a bad battery: turning at (0.5 - 0.2) / 0.8 of its load, bursts on top of that
        (0.7, 0.2, 0.0, 3.75 + 0.7 * 2.5),
    ],
)
def test_fuel_at_no_load_and_least_load_decide_how_the_unit_is_shared(
    efficiency: float, no_load: float, min_load: float, power: float
) -> None:
    plan = planned(one_engine(efficiency, no_load, min_load))
    assert plan.power.firm_clean == pytest.approx(power * KILOWATT, rel=1e-5)
    engine = the_engine(plan)
    in_batches = bool(no_load or min_load) and not engine.running
    assert bool(engine.buffer_vessel) == in_batches


@pytest.mark.parametrize(("no_load", "power"), [(0.0, 5.0 + 0.9 * 2.5), (0.2, 0.9 * 7.5)])
def test_what_a_store_gives_for_ever_shares_the_unit_too(no_load: float, power: float) -> None:
    """The well gives what a hundred engines take for minutes, half of what one takes on average."""
    well = Source("well", "field", "biogas", 200 * HALF, stages=(Stage(0.25 * HOUR, 50.0 * HOUR),))
    site = one_engine(0.9, no_load)
    site = one_engine(0.9, no_load, well=well, lagoon=site.sources["lagoon"])
    holder = replace(site.storage["battery"], name="holder", holds="biogas", max_size=1e4)
    site = replace(
        site,
        places={**site.places, "field": replace(site.places["mill"], name="field")},
        storage={
            **site.storage,
            "holder": replace(holder, places=("field",), charge_efficiency=1.0),
        },
        pipes={"tube": PipeType("tube", 4.0 * HALF)},
        routes={"track": Route("track", "field", "mill", 10.0, ("tube",), one_way=True)},
    )
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(power * KILOWATT, rel=1e-5)
    engine = the_engine(plan)
    assert engine.running == (0 if no_load else 1)
    assert sum(engine.burst.values()) == pytest.approx(0.5, rel=1e-5)


def test_steady_gas_that_may_be_lost_promises_through_a_battery() -> None:
    """Two equal kilns, either of which may be lost: one of them is always there."""
    kiln = read_site(CASES / "one_engine_steady_and_bursts.yaml").sources["kiln"]
    site = one_engine(0.9, north=replace(kiln, name="north"), south=replace(kiln, name="south"))
    plan = planned(site, Robustness(lost=1))
    assert plan.power.firm_clean == pytest.approx(0.9 * 5.0 * KILOWATT, rel=1e-5)


def test_two_units_against_windows_marched_one_by_one() -> None:
    site = read_site(CASES / "two_units_steady_and_bursts.yaml")
    apart, shared = best_of_two_units(site, apart=True), best_of_two_units(site, apart=False)
    assert apart == pytest.approx(25.643 * KILOWATT, rel=1e-4)
    assert shared > apart
    assert planned(site).power.firm_clean == pytest.approx(shared, rel=1e-5)


def best_of_two_units(site: Site, apart: bool) -> float:
    """The most power over builds, W: all windows of one period, which is that of all there is.

    ``apart``: units for what is flat or follows, and units for what is burnt as it comes, are
    counted each in whole numbers; else their loads share the units.
    """
    bursting, steady, unit = site.sources["s0"], site.sources["s1"], site.machines["m"]
    (demand,) = site.demands.values()
    assert demand.profile is not None
    steel, copper = site.materials["steel"].stock, site.materials["copper"].stock
    holder, battery = site.storage["h"], site.storage["bat"]
    inner, outer = bursting.stages
    period, full = outer.every, unit.inputs["gas"]
    starts = np.arange(0.0, outer.on, inner.every)
    ends = np.minimum(starts + inner.on, outer.on)
    times, levels = np.array(demand.profile.starts), np.array(demand.profile.levels)

    def on(until: np.ndarray) -> np.ndarray:
        turns, rest = np.divmod(until, period)
        part = np.clip(rest[:, None] - starts, 0.0, ends - starts).sum(axis=1)
        return np.asarray(turns * (ends - starts).sum() + part)

    def asked(until: np.ndarray) -> np.ndarray:
        turns, rest = np.divmod(until, period)
        step = period / len(levels)
        part = (np.clip(rest[:, None] - times, 0.0, step) * levels).sum(axis=1)
        return np.asarray(turns * period + part)

    def extreme(sums: object, marks: np.ndarray, length: float) -> np.ndarray:
        begins = np.concatenate([marks, marks - length])
        return sums(begins + length) - sums(begins)  # type: ignore[operator]

    marks = np.concatenate([starts, ends])
    apart_by = [np.subtract.outer(m, m).ravel() % period for m in (marks, times)]
    lengths = np.unique(np.round(np.concatenate([*apart_by, [period]]), 9))[1:]
    least = [extreme(on, marks, x).min() for x in lengths]
    most_asked = [extreme(asked, times, x).max() for x in lengths]
    fall = max(extreme(asked, times, x).max() - x for x in lengths)
    peak, each = levels.max(), unit.power_out / full
    names = "holder battery level part kept burnt steady flat follow gives shaped out_flat out"
    keys = [*names.split(), "straight"]
    found = 0.0
    for count in range(3):
        for build in (None, *site.pipes.values()):
            for running in range(count + 1) if apart else (count,):
                rows: list[tuple[dict[str, float], float]] = []
                turning = {"flat": 1.0, "gives": 1.0, "follow": peak, "shaped": peak}
                coming = {"burnt": 1.0, "steady": 1.0}
                if apart:
                    rows += [(turning, running * full), (coming, (count - running) * full)]
                else:
                    rows.append((turning | coming, count * full))
                pipe = 0.0 if build is None else build.layers[0].mass * site.routes["r0"].length
                fixed = (
                    pipe + count * unit.materials["steel"] + bursting.connection_materials["steel"]
                )
                rows += [
                    ({"kept": 1.0, "burnt": 1.0}, bursting.flow),
                    ({"steady": 1.0, "flat": 1.0, "follow": peak}, steady.flow),
                    (
                        {"kept": 1.0, "gives": 1.0, "shaped": peak},
                        0.0 if build is None else build.capacity,
                    ),
                    ({"level": 1.0, "flat": -each, "gives": -each, "out_flat": -1.0}, 0.0),
                    ({"straight": 1.0, "follow": -each, "shaped": -each, "out": -1.0}, 0.0),
                    ({"level": 1.0, "straight": 1.0}, demand.mean),
                    ({"level": fall, "part": 1.0, "battery": -1.0}, 0.0),
                    ({"holder": holder.materials["steel"]}, (steel or 0.0) - fixed),
                    ({"battery": battery.materials["copper"]}, copper or 0.0),
                ]
                for x, fed, need in zip(lengths, least, most_asked, strict=True):
                    for held in (1.0, 0.0) if x == period else (1.0,):
                        store = {"holder": -held, "kept": -fed, "gives": x, "shaped": need}
                        behind = {"part": -held, "burnt": -each * fed, "steady": -each * x}
                        rows += [(store, 0.0), (behind | {"out_flat": x, "out": need}, 0.0)]
                matrix = [[terms.get(key, 0.0) for key in keys] for terms, _ in rows]
                bounds = [
                    (0.0, holder.max_size),
                    (0.0, battery.max_size),
                    *[(0.0, None)] * (len(keys) - 2),
                ]
                cost = [-1.0 if key in ("level", "straight") else 0.0 for key in keys]
                solved = linprog(cost, matrix, [high for _, high in rows], bounds=bounds)
                if solved.status == 0:
                    found = max(found, -float(solved.fun))
    return found

"""Chambers that bridge pauses: promises by hand, by closed form and beside any control."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import linprog

from allocator.cycles.chambers import on_times, pumped, worst_drawdown
from allocator.engine import simulate_plan
from allocator.network.reading import read_site
from allocator.plans.records import Plan, Robustness
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.site.chambers import GAS_CONSTANT, held
from allocator.site.records import (
    POWER,
    Chamber,
    Demand,
    Fluid,
    MachineType,
    Place,
    Pump,
    Site,
    Source,
    Stage,
    StoreType,
)
from allocator.solver.linear import least_value
from allocator.studies.source_worth import source_rows
from allocator.verify import audit

CASE = Path(__file__).parents[1] / "cases" / "chamber_bridges_gap.yaml"
GRAM, DAY = 1e-3, 86400.0
KELVIN, MOLAR, LEAST = 300.0, 0.020, 1e5
EXACT = Settings(gap=1e-9, node_limit=20_000)


def planned(site: Site, settings: Settings = EXACT) -> Plan:
    plan = make_plan(site, settings).plan
    assert plan is not None
    assert [str(breach) for breach in audit(site, plan).breaches] == []
    return plan


def test_a_pause_is_bridged_out_of_the_chamber() -> None:
    """By hand, in the head of the file: 276.09 kW less 1.38 kW of pumping."""
    site = read_site(CASE)
    mean = 9.5 * GRAM * 310 / 640
    right = mean * 60e6 - mean * 300e3
    assert right == pytest.approx(274.71e3, rel=1e-4)
    assert held(site, site.sources["cell_purge"]) == pytest.approx(6.11, rel=1e-3)
    plan = planned(site)
    assert plan.power.firm_clean == pytest.approx(right, rel=1e-6)
    assert plan.status == "optimal"
    assert plan.ceiling.clean is not None
    assert plan.ceiling.clean == pytest.approx(right, rel=1e-6)
    assert plan.power.mean_clean == pytest.approx(right, rel=1e-5)
    (use,) = (use for use in plan.sources if use.direct)
    assert use.name == "cell_purge: chamber, always"
    assert use.direct["flat"] == pytest.approx(mean, rel=1e-6)
    trace = simulate_plan(site, plan)
    assert trace.kept
    assert trace.worst_firm_w == plan.power.firm_total
    (chamber,) = (tank for tank in trace.draws[0].tanks if tank.unit == "kg")
    assert chamber.size - chamber.lowest == pytest.approx(330 * mean, rel=1e-6)


def test_on_the_mean_basis_the_pump_may_go_on_for_what_its_chamber_holds() -> None:
    """5 g/s for 310 s and 0.5 kg in each pause of 330 s; in the whole chamber there is enough."""
    site = read_site(CASE)
    plan = planned(site, replace(EXACT, basis="mean"))
    assert plan.power.firm_clean == pytest.approx(274.71e3, rel=1e-4)
    assert all(not use.name.startswith("cell_purge:") for use in plan.sources)
    source = site.sources["cell_purge"]
    assert source.pump is not None
    assert source.pump.chamber is not None
    volume = 60.0 * 0.5 / held(site, source)
    small = with_source(site, replace(source, pump=pump_with(source.pump, volume)))
    mean = (5 * GRAM * 310 + 0.5) / 640
    plan = planned(small, replace(EXACT, basis="mean"))
    assert plan.power.firm_clean == pytest.approx(mean * 59.7e6, rel=1e-6)


def test_a_promise_that_withstands_lost_sources_does_not_count_with_chambers() -> None:
    site = read_site(CASE)
    plan = planned(site, replace(EXACT, robustness=Robustness(lost=1)))
    assert plan.power.firm_clean == 0.0
    reliable = with_source(site, replace(site.sources["cell_purge"], reliable=True))
    plan = planned(reliable, replace(EXACT, robustness=Robustness(lost=1)))
    assert plan.power.firm_clean == pytest.approx(5 * GRAM * 310 / 640 * 60e6 - 5 * 300.0, rel=1e-3)


def pump_with(pump: Pump, volume: float) -> Pump:
    assert pump.chamber is not None
    return replace(pump, chamber=replace(pump.chamber, volume=volume))


def with_source(site: Site, source: Source) -> Site:
    return replace(site, sources={**site.sources, source.name: source})


def one_source(
    flow: float, stages: tuple[Stage, ...], rate: float | None, held_kg: float, store: float
) -> Site:
    """One gas at 1 kJ/g, a chamber that holds so many kg, a store of so many kg that stands."""
    volume = held_kg * GAS_CONSTANT * KELVIN / (LEAST * MOLAR)
    pump = Pump(0.0, rate=rate, chamber=Chamber(max(volume, 1e-12), LEAST))
    holder = StoreType("holder", "gas", ("yard",), max(store, 1e-12))
    source = Source(
        "kiln", "yard", "gas", flow, stages, temperature=KELVIN, pressure=2 * LEAST, pump=pump
    )
    return Site(
        "one",
        fluids={"gas": Fluid("gas", heating_value=1e6, constants={"molar_mass": MOLAR})},
        materials={},
        places={"yard": Place("yard")},
        sources={"kiln": source},
        storage={"holder": holder},
        pipes={},
        routes={},
        machines={"set": MachineType("set", {"gas": 1.0}, {}, {"yard": None}, power_out=1e6)},
        demands={"all": Demand("all", POWER, 1e6)},
    )


@pytest.mark.parametrize(
    ("rate", "held_kg", "store"),
    [
        (None, 0.0, 50.0),  # the store alone: 50 / 600
        (None, 30.0, 0.0),  # the chamber alone: 30 / 600
        (None, 30.0, 50.0),  # both together: 80 / 600
        (None, 500.0, 0.0),  # all of the mean, 0.4
        (0.3, 30.0, 500.0),  # (0.3 * 400 + 30) / 1000: what the pump brings through
        (0.3, 30.0, 40.0),  # 70 / 600
        (0.3, 500.0, 10.0),  # the pump's rate
        (0.5, 150.0, 200.0),  # (0.5 * 400 + 150) / 1000
    ],
)
def test_one_stage_by_closed_form(rate: float | None, held_kg: float, store: float) -> None:
    """1 kg/s for 400 s of every 1000 s: min((held + store) / pause, what the pump brings, mean)."""
    on, pause = 400.0, 600.0
    most = math.inf if rate is None else rate
    brought = (most * on + min(held_kg, most * pause)) / (on + pause)
    right = min((held_kg + store) / pause, brought, 0.4)
    site = one_source(1.0, (Stage(on, on + pause),), rate, held_kg, store)
    plan = planned(site)
    assert plan.power.firm_clean / 1e6 == pytest.approx(right, rel=3e-6)
    check_simulated(site, plan)


def check_simulated(site: Site, plan: Plan) -> None:
    asked = SimulationSettings(days=20.0, phases=5, foresight=DAY)
    trace = simulate(site, plan, asked, solve=least_value)
    assert trace.kept
    assert trace.foresight is not None
    assert not trace.foresight.refuted
    assert plan.ceiling.clean is not None
    assert plan.power.firm_clean <= plan.ceiling.clean * (1 + 1e-9)


NESTED = [
    # bursts of 100 s every 250 s, in spells that end in a pause, in a burst, or after one
    ((Stage(100.0, 250.0), Stage(1200.0, 3000.0)), 0.6, 40.0, 300.0),
    ((Stage(100.0, 250.0), Stage(1080.0, 3000.0)), 0.6, 90.0, 300.0),
    ((Stage(100.0, 250.0), Stage(1100.0, 1500.0)), 0.45, 60.0, 20.0),
    ((Stage(100.0, 250.0), Stage(1000.0, 1500.0)), None, 200.0, 0.0),
    ((Stage(50.0, 100.0), Stage(450.0, 700.0), Stage(2100.0, 4200.0)), 0.7, 60.0, 200.0),
]


@pytest.mark.slow
@pytest.mark.parametrize(("stages", "rate", "held_kg", "store"), NESTED)
def test_nested_stages_beside_any_control(
    stages: tuple[Stage, ...], rate: float | None, held_kg: float, store: float
) -> None:
    """The promise is no more than any control has, the ceiling no less; both are near to it.

    Any control: a linear program over steps of 10 s of a period, pump and levels free in each.
    """
    site = one_source(1.0, stages, rate, held_kg, store)
    plan = planned(site)
    best = any_control(stages, rate, held_kg, store)
    promise = plan.power.firm_clean / 1e6
    without = planned(one_source(1.0, stages, rate, 0.0, store)).power.firm_clean / 1e6
    assert without < promise <= best * (1 + 1e-6)
    assert promise >= 0.97 * best
    assert plan.ceiling.clean is not None
    assert plan.ceiling.clean / 1e6 >= best * (1 - 1e-6)
    check_simulated(site, plan)


def any_control(
    stages: tuple[Stage, ...], rate: float | None, held_kg: float, store: float
) -> float:
    """Greatest draw for ever, kg/s: chamber and store end a period as they began it."""
    step = 10.0
    on = by_hand(stages, step)
    n = len(on)
    # variables: pumped (n), chamber (n), store (n), taken in from the source (n), draw
    pumped, chamber, level, given, draw = (slice(k * n, (k + 1) * n) for k in range(4)), 0, 0, 0, 0
    columns = 4 * n + 1
    rows = np.zeros((2 * n, columns))
    for k in range(n):
        after = (k + 1) % n
        # chamber: next = now + step (given - pumped)
        rows[k, n + after], rows[k, n + k] = 1.0, -1.0
        rows[k, k], rows[k, 3 * n + k] = step, -step
        # store: next <= now + step (pumped - draw)
        rows[n + k, 2 * n + after], rows[n + k, 2 * n + k] = 1.0, -1.0
        rows[n + k, k], rows[n + k, 4 * n] = -step, step
    del pumped, chamber, level, given, draw
    most = [(0.0, rate)] * n + [(0.0, held_kg)] * n + [(0.0, store)] * n
    most += [(0.0, float(o)) for o in on] + [(0.0, None)]
    cost = np.zeros(columns)
    cost[-1] = -1.0
    found = linprog(cost, rows[n:], np.zeros(n), rows[:n], np.zeros(n), bounds=most, method="highs")
    assert found.status == 0
    return -float(found.fun)


def by_hand(stages: tuple[Stage, ...], step: float) -> np.ndarray:
    """On (1) or off (0) in each step of a period, stage by stage from the outermost."""
    times = (np.arange(round(stages[-1].every / step)) + 0.5) * step
    on = np.ones(len(times), dtype=bool)
    for stage in reversed(stages):
        times = times % stage.every
        on &= times < stage.on
    return on.astype(float)


@pytest.mark.parametrize(("stages", "rate", "held_kg", "store"), NESTED)
def test_a_worst_drawdown_is_that_of_a_march(
    stages: tuple[Stage, ...], rate: float | None, held_kg: float, store: float
) -> None:
    """Steps of 10 s over two periods, all pairs of times."""
    del rate, held_kg, store
    step, flow = 10.0, 1.0
    patterns = tuple(stages[k:] for k in range(len(stages) + 1))
    draw = np.random.default_rng(7)
    for _ in range(20):
        rates = draw.uniform(0.0, 0.3, len(patterns))
        net = flow * by_hand(stages, step)
        for pattern, rate_i in zip(patterns, rates, strict=True):
            net -= (
                rate_i * (by_hand(pattern, step) if pattern else 1.0)[: len(net)]
                if (pattern)
                else np.full(len(net), rate_i)
            )
        if net.sum() < 0:
            continue
        level = np.concatenate(([0.0], np.cumsum(np.tile(net, 2)) * step))
        worst = max(float((level[: k + 1] - level[k]).max()) for k in range(len(level)))
        found = worst_drawdown(on_times(patterns), flow, list(rates))
        assert found.amount == pytest.approx(worst, rel=1e-9, abs=1e-9)


def test_what_a_pump_moves_at_most() -> None:
    """By hand: 1 kg/s for 400 of 1000 s, 0.5 kg/s pumped on, and 60 kg in the pause."""
    one = (Stage(400.0, 1000.0),)
    assert pumped(one, 1.0, 0.5, 60.0) == pytest.approx(0.26)
    assert pumped(one, 1.0, 0.5, 1e9) == pytest.approx(0.4)  # all that comes
    assert pumped(one, 1.0, 0.3, 1e9) == pytest.approx(0.3)
    assert pumped(one, 0.4, 0.5, 1e9) == pytest.approx(0.16)
    # 5 bursts in 1200 s of every 3000 s; each pause empties 10 kg
    nested = (Stage(100.0, 250.0), Stage(1200.0, 3000.0))
    assert pumped(nested, 1.0, 0.5, 10.0) == pytest.approx((0.5 * 500 + 50) / 3000)


@pytest.mark.parametrize(("stages", "rate", "held_kg", "store"), NESTED)
def test_the_mean_basis_beside_any_control(
    stages: tuple[Stage, ...], rate: float | None, held_kg: float, store: float
) -> None:
    """With a store of any size the best control has what the mean basis says."""
    del store
    site = one_source(1.0, stages, rate, held_kg, 0.0)
    plan = planned(site, replace(EXACT, basis="mean"))
    best = any_control(stages, rate, held_kg, 1e6)
    assert plan.power.firm_clean / 1e6 == pytest.approx(best, rel=1e-5)


@pytest.mark.parametrize(("stages", "rate", "held_kg", "store"), NESTED)
def test_what_a_source_is_worth_counts_with_its_chamber(
    stages: tuple[Stage, ...], rate: float | None, held_kg: float, store: float
) -> None:
    """Near to what a plan promises with the same store, and never more."""
    site = one_source(1.0, stages, rate, held_kg, store)
    promise = planned(site).power.firm_clean / 1e6
    (row,) = source_rows(site)
    assert 0.97 * promise <= row.firm_draw <= promise * (1 + 1e-5)
    assert row.duty == pytest.approx(by_hand(stages, 10.0).mean())
    assert row.mean_flow <= row.duty * (1 + 1e-9)


def test_the_study_of_sources_knows_that_a_chamber_bridges_all() -> None:
    (row,) = source_rows(read_site(CASE))
    assert row.firm_draw == pytest.approx(9.5 * GRAM * 310 / 640, rel=1e-9)
    assert row.full_store == pytest.approx(0.0, abs=1e-9)

"""Promise <= simulated <= foresight, with SciPy's solver; and one case by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from scipy.optimize import LinearConstraint, milp
from scipy.sparse import coo_array
from strategies import sites

from allocator.network.reading import read_site
from allocator.plans.records import Plan, Power
from allocator.search import Settings, make_plan
from allocator.simulation import SimulationSettings, simulate
from allocator.simulation.accounts import draw_of
from allocator.simulation.better import not_passed
from allocator.simulation.foresight import LinearProgram, foresight, means_of, slices_of
from allocator.simulation.running import run_circuit
from allocator.simulation.trace import Bounds
from allocator.simulation.tracing import assemble
from allocator.site.records import Site
from allocator.solver.linear import least_value
from allocator.verify.tanks.circuit import SourceClock
from allocator.verify.tanks.phases import random_phases

NETWORKS = Path(__file__).parents[2] / "networks"


def solved(program: LinearProgram) -> float | None:
    shape = (len(program.row_low), len(program.costs))
    matrix = coo_array((program.coefficients, (program.rows, program.columns)), shape=shape)
    found = milp(
        program.costs,
        constraints=LinearConstraint(matrix.tocsr(), program.row_low, program.row_high),
        bounds=(program.low, program.high),
    )
    return None if found.fun is None else float(found.fun)


def plan_for(site: Site) -> Plan:
    plan = make_plan(site, Settings(node_limit=5000, gap=1e-6)).plan
    assert plan is not None
    return plan


def assert_in_order(site: Site, plan: Plan, number: int, seconds: float, slices: int) -> None:
    assembly = assemble(site, plan)
    phases = random_phases(assembly.circuit, 0, number)
    bound = foresight(assembly, phases, seconds, solved, slices)
    assert bound is not None
    run = run_circuit(assembly.circuit, phases, bound.seconds)
    draw = draw_of(assembly, run, "drawn")
    asked = sum(
        d.mean * draw_mean(run.means, assembly.case.shape_of[d.name])
        for d in plan.demands
        if d.wants == "power"
    )
    slack = 1e-6 * plan.power.demand_mean
    assert draw.kept
    assert draw.mean_total_w <= bound.power + slack
    assert bound.power <= asked + slack


def draw_mean(means: dict[str, float], shape: str) -> float:
    return means.get(f"shape:{shape}", 1.0)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["first", "ridge_battery", "island", "two_bays"])
def test_examples_lie_between_promise_and_foresight(name: str) -> None:
    site = read_site(NETWORKS / f"{name}.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    assert_in_order(site, plan, 1, 5 * 86400.0, 300)


@pytest.mark.slow
@settings(
    max_examples=10,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(site=sites())
def test_random_sites_lie_between_promise_and_foresight(site: Site) -> None:
    assert_in_order(site, plan_for(site), 3, 2 * 86400.0, 120)


@pytest.mark.slow
@settings(
    max_examples=12,
    derandomize=True,
    deadline=None,
    phases=[Phase.explicit, Phase.reuse, Phase.generate],
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large],
)
@given(site=sites())
def test_promise_worst_instant_any_control_and_ceiling_in_order(site: Site) -> None:
    """Promise <= worst simulated <= what any control could promise; promise <= ceiling.

    The bound on any control is of this plan, the ceiling of all plans; the lesser counts. The
    means stand in order as well: simulated <= any control, clean and in all.
    """
    plan = plan_for(site)
    asked = SimulationSettings(days=20.0, phases=2, foresight=2 * 86400.0, samples=1, events=0)
    trace = simulate(site, plan, asked, solve=least_value)
    slack = 1e-6 * plan.power.demand_mean
    bounds = trace.foresight
    assert trace.kept
    assert bounds is not None
    assert not bounds.refuted
    assert trace.promised_firm_w == trace.worst_firm_w
    for firm, any_control, ceiling in (
        (plan.power.firm_clean, bounds.firm_clean, plan.ceiling.clean),
        (plan.power.firm_total, bounds.firm_total, plan.ceiling.total),
    ):
        at_most = [value for value in (any_control, ceiling) if value is not None]
        assert firm <= min(at_most, default=firm) + slack
    for simulated, any_control in (
        (bounds.beside_clean, bounds.mean_clean),
        (bounds.beside_total, bounds.mean_total),
    ):
        assert simulated is not None
        assert any_control is not None
        assert simulated <= any_control + slack


TWO_CLOCKS = """
format: allocator.site/2
name: Two clocks
fluids: {gas: {heating_value: 20 MJ/kg}}
materials: {steel: {stock: 800}}
places: {yard: {}}
sources:
  kiln:
    place: yard
    fluid: gas
    flow: 6 g/s
    cycle: [{on: 2430 s, every: 2700 s}]
    connection: {materials: {steel: 20}}
storage: {holder: {holds: gas, places: [yard], size: {max: 400}, materials: {steel: 1 kg/kg}}}
machines:
  engine: {inputs: {gas: 0.6666666666666666 g/s}, outputs: {power: 4 kW}, places: {yard: 4}}
demands:
  town: {power: 20 kW, profile: [2, 1], period: 12 h}
  mill: {power: 8 kW, profile: [2, 1], period: 24 h}
"""


def test_changes_that_are_one_but_for_rounding_leave_the_bound_one(tmp_path: Path) -> None:
    """Four engines of 4 kW carry profiles of mean 12 kW and peak 16 kW, and a bound says so.

    Source and profiles change together at 19,170 s but for rounding. In a slice of 4e-11 s, a
    mean from differences of long integrals made the peak 15/11 in place of 4/3, and the
    "bound" 11,733 W.
    """
    file = tmp_path / "two_clocks.yaml"
    file.write_text(TWO_CLOCKS)
    site = read_site(file)
    plan = plan_for(site)
    assembly = assemble(site, plan)
    phases = {"kiln": 2430.0, "shape:town": 2429.99999999996, "shape:mill": 24029.99999999996}
    bound = foresight(assembly, phases, 1.001 * 19170.00000000004, least_value, firm=True)
    assert bound is not None
    assert bound.power == pytest.approx(12e3, rel=1e-9)
    assert plan.power.firm_total <= bound.power


@pytest.mark.parametrize("most", [1500, 40, 7])
def test_means_over_slices_stay_in_the_range_of_their_clocks(most: int) -> None:
    """Whatever rounding does to phases that line changes up, and with slices joined."""
    rng = np.random.default_rng(7)
    clocks = [
        SourceClock(
            f"c{i}", "shape", period, period * np.arange(n) / n, rng.permutation(n) + 1.0, f"c{i}"
        )
        for i, (period, n) in enumerate([(43200.0, 2), (86400.0, 3), (63000.0, 4), (2700.0, 2)])
    ]
    assembly = SimpleNamespace(circuit=SimpleNamespace(clocks=clocks))
    for length in rng.uniform(1e4, 3e5, 40):
        phases = {
            c.name: float((rng.choice(c.times) - rng.choice([0.0, length])) % c.period)
            for c in clocks
        }
        cuts = slices_of(assembly, phases, 1.001 * length, most)  # type: ignore[arg-type]
        assert np.diff(cuts).min() > 1e-7
        for clock in clocks:
            means = means_of(clock, phases, cuts)
            assert means.min() >= clock.values.min() * (1 - 1e-12)
            assert means.max() <= clock.values.max() * (1 + 1e-12)
            fine = np.linspace(0.0, cuts[-1], 200_001)
            middle = 0.5 * (fine[1:] + fine[:-1]) + phases[clock.name]
            node = np.searchsorted(clock.times, middle % clock.period, side="right") - 1
            step = fine[1] * np.ptp(clock.values) * (len(cuts) + cuts[-1] / clock.period * 4)
            assert means @ np.diff(cuts) == pytest.approx(
                clock.values[node].sum() * fine[1], abs=step
            )


def test_joined_slices_are_a_bound_still() -> None:
    """Fewer slices never lower the bound, on the mean or on what can be promised."""
    site = read_site(NETWORKS / "two_bays.yaml")
    plan = make_plan(site, Settings(node_limit=200, gap=1e-3)).plan
    assert plan is not None
    assembly = assemble(site, plan)
    phases = random_phases(assembly.circuit, 0, 2)
    for firm in (False, True):
        found = [
            foresight(assembly, phases, 4 * 86400.0, least_value, most, firm=firm)
            for most in (1500, 60, 12)
        ]
        powers = [bound.power for bound in found if bound is not None]
        assert len(powers) == 3
        assert powers == pytest.approx(sorted(powers), rel=1e-7)
        assert [bound.slices for bound in found if bound is not None][1:] <= [60, 12]


def test_one_store_and_one_draw_leave_better_control_nothing_to_add() -> None:
    """The store cut is "if and only if": set against it, the best control promises no more."""
    site = read_site(NETWORKS / "first.yaml")
    plan = plan_for(site)
    trace = simulate(
        site, plan, SimulationSettings(days=20.0, phases=1, foresight=86400.0), solve=least_value
    )
    assert trace.foresight is not None
    assert trace.foresight.firm_clean == pytest.approx(plan.power.firm_clean, rel=1e-6)
    assert trace.foresight.firm_draw == "against gas_holder@mill"


def test_the_first_example_by_hand() -> None:
    """Over whole days the engines can burn what comes and what the holder held at first.

    The tap gives 12 g/s for 6 h of 24, the pipe carries 15 g/s, two engines take 3 g/s, and
    a holder of 130 kg fills during the burst (9 g/s for 6 h would be 194 kg) and then runs
    down: a day serves 3 g/s for 6 h and then 130 kg more, after the first day as well.
    """
    site = read_site(NETWORKS / "first.yaml")
    plan = plan_for(site)
    assembly = assemble(site, plan)
    days = 4
    bound = foresight(assembly, {"digester": 0.0}, days * 86400.0, solved)
    assert bound is not None
    size = plan.stores[0].size
    per_kg = 10e3 / 1.5e-3
    by_hand = per_kg * (3e-3 * 6 * 3600.0 + size) / 86400.0
    assert bound.power == pytest.approx(by_hand, rel=1e-6)
    assert bound.slices == 2 * days


def test_a_solver_without_an_answer_gives_no_bound() -> None:
    site = read_site(NETWORKS / "first.yaml")
    assembly = assemble(site, plan_for(site))
    assert foresight(assembly, {}, 86400.0, lambda program: None) is None


def test_a_larger_store_never_lowers_the_bound() -> None:
    site = read_site(NETWORKS / "first.yaml")
    plan = plan_for(site)
    bounds = []
    for factor in (0.5, 1.0, 2.0):
        store = replace(plan.stores[0], size=factor * plan.stores[0].size)
        found = foresight(assemble(site, replace(plan, stores=(store,))), {}, 3 * 86400.0, solved)
        assert found is not None
        bounds.append(found.power)
    assert bounds == sorted(bounds)
    assert np.ptp(bounds) > 0


def test_a_simulation_tells_the_bound_beside_what_it_served() -> None:
    site = read_site(NETWORKS / "first.yaml")
    plan = plan_for(site)
    asked = SimulationSettings(days=4.0, phases=1, foresight=2 * 86400.0)
    trace = simulate(site, plan, asked, solve=solved)
    found = trace.foresight
    assert found is not None
    assert found.seconds == 2 * 86400.0
    assert found.mean_total is not None
    assert found.beside_total is not None
    assert plan.power.firm_total <= found.beside_total * (1 + 1e-9)
    assert found.beside_total <= found.mean_total
    with pytest.raises(ValueError, match="needs a solver"):
        simulate(site, plan, asked)


def test_a_bound_on_promises_that_a_kept_promise_passes_is_dropped_and_told() -> None:
    kept = Power(10e3, 10e3, 12e3, 12e3, 20e3, 0.6)
    bounds = Bounds(firm_clean=9e3, firm_total=12e3, firm_draw="against a store")
    assert not_passed(bounds, kept) == replace(bounds, firm_clean=None, refuted={"firm_clean": 9e3})
    assert not_passed(replace(bounds, firm_total=11e3), kept) == Bounds(
        refuted={"firm_clean": 9e3, "firm_total": 11e3}
    )
    assert not_passed(replace(bounds, firm_clean=10e3), kept).refuted == {}

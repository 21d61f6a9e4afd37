"""Hours and energy short a year where machines fail, against closed forms."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import pytest
from machine_sites import engines, named, planned

from allocator.engine.simulating import simulate_plan
from allocator.network.deriving import network_of
from allocator.report.simulated import simulation_text
from allocator.simulation import Outages, SimulationSettings, Trace
from allocator.simulation.adequacy import (
    AdequacyWork,
    ShortYear,
    adequacy_of,
    estimated,
    half_width,
    student,
)
from allocator.simulation.columns import BURNT
from allocator.simulation.files import simulation_json
from allocator.simulation.outages import YEAR, OutageSchedule, availability, drawn_schedule
from allocator.simulation.regimes import Regimes
from allocator.simulation.steady_states import REST, SteadyStates, _rest, steady_states
from allocator.simulation.tracing import assemble
from allocator.site.records import POWER, Demand, Site, Source, Stage, StoreType
from allocator.verify.case import Case, case_of
from allocator.verify.tanks.circuit import Rate, added, turned

HOUR = 3600.0
OFTEN = Outages(500 * HOUR, 50 * HOUR)
OUT = 50.0 / 550.0
"""Share of the time that a unit is out of order."""


def site(**changes: object) -> Site:
    """Gas for three engines, five of them there, and a town that takes no more than they give."""
    fields = {
        "sources": named(Source("well", "mill", "gas", flow=0.003)),
        "built": replace(engines().built, machines={("engine", "mill"): 5}),
        "demands": named(Demand("town", POWER, 30e3)),
        **changes,
    }
    found: Site = engines(**fields)
    return found


def chance(out: int, units: int) -> float:
    """Of exactly so many of some units being out: binomial."""
    return math.comb(units, out) * OUT**out * (1.0 - OUT) ** (units - out)


def work_of(place: Site, machines: int = 0, outages: Outages | None = OFTEN) -> AdequacyWork:
    assembly = assemble(network_of(place), planned(place, machines))
    return AdequacyWork(Regimes(assembly, assembly.circuit), outages, 7)


@pytest.mark.parametrize("machines", [0, 2])
def test_k_out_of_n_units(machines: int) -> None:
    """Three of five must run: short while three or more are out (k out of n, binomial).

    R. Billinton & R. N. Allan, Reliability Evaluation of Engineering Systems, 2nd ed. 1992,
    chapters 3 and 9 (from memory); availability mtbf / (mtbf + mttr) of each.
    """
    found = adequacy_of(work_of(site(), machines), 64)
    assert found is not None
    hours = YEAR * math.fsum(chance(out, 5) for out in (3, 4, 5))
    lost = {3: 10e3, 4: 20e3, 5: 30e3}
    energy = YEAR * math.fsum(power * chance(out, 5) for out, power in lost.items())
    for estimate, exact in (
        (found.promise_short_s, hours),
        (found.promise_unserved_j, energy),
        (found.demand_short_s, hours),
        (found.demand_unserved_j, energy),
    ):
        # how long units are out is known, and there is nothing else to be found out
        assert estimate.mean == pytest.approx(exact, rel=1e-4)
        assert estimate.half_width < 1e-3 * exact
        assert estimate.by_cause == pytest.approx(
            {"machine": estimate.mean, "source": 0.0, "storage": 0.0}, rel=1e-6, abs=1e-3
        )


def test_the_only_engine_burns_no_surplus_while_it_is_out() -> None:
    """Gas for 15 kW by halves of a day, of which a store of 20 kg makes 4.63 kW firm in 10 kW.

    It refills first, then 5.37 kW of surplus are burnt until the well stops. Both are lost while
    the engine is out: OUT of the year.
    """
    place = site(
        sources=named(
            Source("well", "mill", "gas", flow=0.0015, stages=(Stage(12 * HOUR, 24 * HOUR),))
        ),
        storage=named(StoreType("holder", "gas", ("mill",), max_size=20.0)),
        built=replace(engines().built, machines={("engine", "mill"): 1}),
        machines=named(replace(engines().machines["engine"], places={"mill": 1})),
    )
    assembly = assemble(network_of(place), planned(place, 0))
    (holder,) = assembly.circuit.tanks
    all_gas = Rate(0.0, (("well", 0.0015),))  # the plan takes no more than it needs
    holder = replace(holder, arrivals=all_gas, net=added(all_gas, turned(holder.draws)))
    circuit = replace(assembly.circuit, tanks=(holder,))
    regimes = Regimes(replace(assembly, circuit=circuit), circuit)
    found = adequacy_of(AdequacyWork(regimes, OFTEN, 7), 64)
    assert found is not None
    firm = 10e3 * 20.0 / 43.2
    refill = 20.0 / (0.0015 - firm / 1e7)
    surplus = (10e3 - firm) * (12 * HOUR - refill) / (24 * HOUR)
    assert found.promise_short_s.mean == pytest.approx(YEAR * OUT, rel=1e-4)
    assert found.promise_unserved_j.mean == pytest.approx(YEAR * OUT * firm, rel=1e-4)
    lost = YEAR * OUT * (firm + surplus)
    assert found.demand_unserved_j.mean == pytest.approx(
        YEAR * (30e3 - firm - surplus) + lost, 1e-3
    )
    run = regimes.run({}, 10 * 86400.0, OutageSchedule((0.0,), ({"engine@mill": 1},)))
    assert run.sums.tank[0, BURNT] == run.sums.burner.sum() == 0.0


def test_what_is_known_of_outages_keeps_the_mean_and_narrows_its_interval() -> None:
    """Against years drawn without it, and the closed form, where a store bridges short outages."""
    place = site(
        sources=named(
            Source("well", "mill", "gas", flow=0.006, stages=(Stage(12 * HOUR, 24 * HOUR),))
        ),
        storage=named(StoreType("holder", "gas", ("mill",), max_size=400.0)),
        demands=named(Demand("town", POWER, 45e3)),
    )
    work = work_of(place, 1)
    known = replace(work, steady=steady_states(work.regimes, work.outages, work.seed))
    years = known.years(range(100))
    plain, better = estimated(years), estimated(years, known.steady)
    for name in ("promise_short_s", "promise_unserved_j", "demand_unserved_j"):
        one, other = getattr(plain, name), getattr(better, name)
        assert abs(one.mean - other.mean) < 1.2 * one.half_width
        assert other.half_width < 0.5 * one.half_width


def test_states_that_were_never_drawn_or_run_widen_the_interval() -> None:
    work = work_of(site())
    steady = steady_states(work.regimes, work.outages, work.seed)
    few = dict(list(steady.known.items())[:4])
    few = {**few, REST: _rest(few)}
    assert few[REST].chance == pytest.approx(math.fsum(chance(out, 5) for out in (4, 5)))
    years = [ShortYear((0.0,) * 4, (0.0,) * 4, 0.0, {next(iter(few)): YEAR})] * 16
    found = estimated(years, SteadyStates(work.regimes, few)).promise_short_s
    assert found.half_width > YEAR * few[REST].chance


def test_a_unit_that_fails_while_it_is_serviced_is_out_once() -> None:
    place = site()
    (kind,) = place.machines.values()
    served = site(machines=named(replace(kind, service=0.2 * YEAR)))
    case = case_of(network_of(served), planned(served, 0))
    exact = 1.0 - availability(replace(kind, service=0.2 * YEAR), OFTEN)
    assert share_out(case, OFTEN, 100) == pytest.approx(exact, rel=0.01)


def test_promise_and_demand_are_told_apart() -> None:
    """A town of 50 kW: short of it all the time for want of gas, of the promise now and then."""
    place = site(demands=named(Demand("town", POWER, 50e3)))
    found = adequacy_of(work_of(place), 32)
    assert found is not None
    assert found.demand_short_s.mean == pytest.approx(YEAR)
    assert found.promise_short_s.mean < 0.1 * YEAR
    missing = 20e3 * YEAR
    assert found.demand_unserved_j.by_cause["source"] == pytest.approx(missing, rel=1e-3)
    more = found.demand_unserved_j.mean - missing
    assert found.promise_unserved_j.mean == pytest.approx(more, rel=1e-6)
    for name in ("promise_short_s", "demand_short_s", "promise_unserved_j", "demand_unserved_j"):
        estimate = getattr(found, name)
        assert math.fsum(estimate.by_cause.values()) == pytest.approx(estimate.mean)


def test_availability_is_the_steady_state_and_service_comes_off() -> None:
    (kind,) = engines().machines.values()
    failing = replace(kind, mtbf=500 * HOUR, mttr=50 * HOUR)
    assert availability(kind) == 1.0
    assert availability(failing) == pytest.approx(500 / 550)
    served = replace(failing, service=0.02 * YEAR)
    assert availability(served) == pytest.approx(500 / 550 * 0.98)
    assert availability(served, Outages(HOUR, HOUR)) == pytest.approx(0.5 * 0.98)


def share_out(case: Case, outages: Outages | None, years: int) -> float:
    """Share of the time that a unit is out, of all units and years drawn."""
    out = 0.0
    for number in range(years):
        schedule = drawn_schedule(case, outages, YEAR, 3, number)
        ends = [*schedule.times[1:], YEAR]
        for begin, end, units in zip(schedule.times, ends, schedule.out, strict=True):
            out += (min(end, YEAR) - begin) * sum(units.values())
    return out / (years * YEAR * sum(machine.count for machine in case.plan.machines))


def test_drawn_outages_are_those_of_the_steady_state_from_the_start_on() -> None:
    place = site()
    (kind,) = place.machines.values()
    case = case_of(network_of(place), planned(place, 0))
    assert share_out(case, OFTEN, 60) == pytest.approx(OUT, rel=0.05)
    serviced = site(machines=named(replace(kind, service=0.02 * YEAR)))
    case = case_of(network_of(serviced), case.plan)
    assert share_out(case, None, 60) == pytest.approx(0.02, rel=1e-6)


def test_the_same_unit_has_the_same_outages_in_every_plan() -> None:
    few, many = site(), site(built=replace(engines().built, machines={("engine", "mill"): 7}))
    one, other = (case_of(network_of(place), planned(place, 0)) for place in (few, many))
    assert sum(m.count for m in other.plan.machines) > sum(m.count for m in one.plan.machines)
    fewer = drawn_schedule(one, OFTEN, YEAR, 0, 1)
    more = drawn_schedule(other, OFTEN, YEAR, 0, 1)
    assert set(fewer.times) <= set(more.times)
    assert fewer == drawn_schedule(one, OFTEN, YEAR, 0, 1)


@pytest.mark.parametrize(
    ("freedom", "exact"),
    [(1, 12.706), (2, 4.303), (3, 3.182), (8, 2.306), (15, 2.131), (60, 2.0), (10**6, 1.96)],
)
def test_students_t(freedom: int, exact: float) -> None:
    """Table of percentage points: Abramowitz & Stegun, table 26.10 (from memory)."""
    assert student(freedom) == pytest.approx(exact, abs=6e-4)


def test_an_interval_of_two_years_by_hand() -> None:
    """0 and 2: mean 1, variance 2, so one standard error of the mean is 1."""
    assert half_width([0.0, 2.0]) == pytest.approx(12.706, abs=6e-4)


def simulated(place: Site, years: int, failing: Outages | None = None) -> Trace:
    settings = SimulationSettings(days=30, phases=2, failing=failing)
    return simulate_plan(place, planned(place, 0), settings, years=years)


def test_times_of_the_site_file_are_used_and_overridden() -> None:
    (kind,) = engines().machines.values()
    failing = site(machines=named(replace(kind, mtbf=500 * HOUR, mttr=50 * HOUR)))
    trace = simulated(failing, 16)
    assert trace.kept  # the draws that test the promise have every unit in order
    assert trace.adequacy is not None
    assert trace.adequacy.promise_short_s.mean > 0
    seldom = simulated(failing, 16, Outages(1e12, HOUR)).adequacy
    assert seldom is not None
    assert seldom.promise_short_s.mean == 0.0
    text = simulation_text(planned(failing, 0), trace)
    assert "firm output: hours short" in text
    assert "demand: hours short" in text
    assert json.loads(simulation_json(trace))["adequacy_per_year"]["years"] == 16


def test_without_failures_there_is_no_adequacy_in_the_files() -> None:
    trace = simulated(site(), 16)
    assert trace.adequacy is None
    assert "adequacy" not in simulation_json(trace)
    assert "Adequacy" not in simulation_text(planned(site(), 0), trace)

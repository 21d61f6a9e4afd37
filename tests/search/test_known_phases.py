"""Plans, audits and simulations of sites whose clocks are known, or run unevenly."""

from __future__ import annotations

from dataclasses import replace

import pytest

import allocator as al
from allocator.base.clock import Clock
from allocator.base.status import Status
from allocator.cycles import StoppedError
from allocator.model.model import Row
from allocator.network.deriving import network_of
from allocator.search.elastic import elastic_relaxation_of
from allocator.simulation import simulate
from allocator.site.records import Spread
from allocator.solver.settings import Settings

HOUR = 3600.0
HALF = (al.Stage(12 * HOUR, 24 * HOUR),)


def site_of(*sources: al.Source, steel: float = 2000.0) -> al.Site:
    return al.Site(
        name="Digesters",
        starts_at="2027-03-01T06:00",
        fluids={"gas": al.Fluid("gas", heating_value=20e6)},
        materials={"steel": al.Material("steel", stock=steel)},
        places={"farm": al.Place("farm")},
        sources={source.name: source for source in sources},
        storage={
            "holder": al.StoreType(
                "holder", "gas", ("farm",), max_size=1000.0, materials={"steel": 20.0}
            )
        },
        pipes={},
        routes={},
        machines={
            "engine": al.MachineType("engine", {"gas": 0.0015}, {}, {"farm": 10}, power_out=10e3)
        },
        demands={"all": al.Demand("all", "power", mean=100e3)},
    )


def source(name: str, start: float, *, stages=HALF, **known) -> al.Source:
    return al.Source(name, "farm", "gas", flow=0.006, stages=stages, next_start=start, **known)


def planned(site: al.Site) -> tuple[float, float, float]:
    """Firm clean power and its ceiling, W, and the store, kg; audited and simulated."""
    result = al.plan(site, node_limit=1000)
    assert al.audit(site, result.plan).accepted
    assert al.simulate(site, result.plan).kept
    power = result.plan.power.firm_clean
    assert result.plan.ceiling.clean is not None
    assert power <= result.plan.ceiling.clean * (1 + 1e-6)
    return power, result.plan.ceiling.clean, sum(store.size for store in result.plan.stores)


@pytest.mark.parametrize("clock", ["calendar", "surveyed"])
@pytest.mark.parametrize(("error", "store"), [(0.0, 0.0), (300.0, 3.6), (1800.0, 21.6)])
def test_opposite_halves_of_the_day(clock: str, error: float, store: float) -> None:
    sources = [source(n, s, clock=clock, error=error) for n, s in (("a", 0.0), ("b", 12 * HOUR))]
    power, ceiling, size = planned(site_of(*sources))
    assert power == pytest.approx(40e3, rel=1e-6)
    assert ceiling == pytest.approx(40e3, rel=1e-6)
    assert size == pytest.approx(store, abs=1e-5)


def test_without_the_key_they_stay_free() -> None:
    power, ceiling, size = planned(site_of(source("a", 0.0), source("b", 12 * HOUR)))
    assert power == pytest.approx(15432.0987, rel=1e-6)
    assert size == pytest.approx(100.0, rel=1e-6)
    assert ceiling == pytest.approx(power, rel=1e-6)


def test_three_thirds_need_no_store() -> None:
    third = (al.Stage(8 * HOUR, 24 * HOUR),)
    sources = [
        source(str(n), 8.0 * HOUR * n, stages=third, clock="calendar", error=0.0) for n in range(3)
    ]
    power, _, size = planned(site_of(*sources))
    assert power == pytest.approx(40e3, rel=1e-6)
    assert size == pytest.approx(0.0, abs=1e-6)


def test_more_error_and_more_drift_never_give_more() -> None:
    for key, values in (("error", (0.0, 600.0, 7200.0, 12 * HOUR)), ("drift", (0.0, 0.01, 0.1))):
        powers = []
        for value in values:
            known = {"clock": "surveyed", "error": 600.0, "drift": 0.0, key: value}
            sources = [source(n, s, **known) for n, s in (("a", 0.0), ("b", 12 * HOUR))]
            powers.append(planned(site_of(*sources, steel=300.0))[0])
        assert powers == sorted(powers, reverse=True)
        assert powers[-1] < powers[0]


def test_drift_of_a_free_clock_by_hand() -> None:
    """Of 12 h on and 12 h off at 10 % of drift the worst window is 13.2 h long."""
    power, ceiling, _ = planned(site_of(source("a", 0.0, drift=0.1)))
    assert power == pytest.approx(100.0 / (13.2 * HOUR) / 0.0015 * 10e3, rel=1e-6)
    assert ceiling == pytest.approx(power, rel=1e-6)


def test_the_audit_refuses_a_store_too_small_for_the_error() -> None:
    exact = [source(n, s, clock="calendar", error=0.0) for n, s in (("a", 0.0), ("b", 12 * HOUR))]
    plan = al.plan(site_of(*exact), node_limit=1000).plan
    for changed in ({"error": 300.0}, {"clock": "free", "error": None}, {"next_start": 1.0}):
        site = site_of(replace(exact[0], **changed), exact[1])
        report = al.audit(site, replace(plan, site_sha256=site.sha256, set_points=None))
        assert {breach.rule for breach in report.breaches} == {"store_cut"}


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ({"clock": "calendar", "error": 0.0}, {"clock": "calendar", "error": 300.0}),
        ({"clock": "calendar", "error": 0.0}, {"clock": "free", "error": None}),
        ({}, {"drift": 0.05}),
        ({}, {"jitter": 1800.0}),
        ({"clock": "calendar", "error": 0.0}, {"clock": "calendar", "error": 0.0, "jitter": 60.0}),
    ],
)
def test_the_adversary_moves_true_clocks(before, after) -> None:
    """A plan for better clocks fails in the run against its store."""
    known = [source(n, s, **before) for n, s in (("a", 0.0), ("b", 12 * HOUR))]
    plan = al.plan(site_of(*known), node_limit=1000).plan
    site = site_of(*(replace(one, **after) for one in known))
    trace = simulate(site, replace(plan, site_sha256=site.sha256))
    kept = {draw.name: draw.kept for draw in trace.draws}
    assert not kept["against holder@farm"]


def test_a_cycle_that_varies_is_planned_at_its_least() -> None:
    free = source("a", 0.0)
    free = replace(free, next_start=None)
    site = replace(
        site_of(free),
        spreads={"sources.a.cycle[1].on": Spread(10 * HOUR, 12 * HOUR, 14 * HOUR, varies=True)},
    )
    least = site_of(replace(free, stages=(al.Stage(10 * HOUR, 24 * HOUR),)))
    assert planned(site)[0] == pytest.approx(planned(least)[0], rel=1e-9)


@pytest.mark.parametrize("clock", ["calendar", "surveyed"])
def test_jitter_of_bursts_that_follow_each_other(clock: str) -> None:
    """A burst may end five minutes early and the next begin five minutes late: 3.6 kg."""
    known = {"clock": clock, "error": 0.0, "jitter": 300.0}
    sources = [source(n, s, **known) for n, s in (("a", 0.0), ("b", 12 * HOUR))]
    power, ceiling, size = planned(site_of(*sources))
    assert power == pytest.approx(40e3, rel=1e-6)
    assert ceiling == pytest.approx(power, rel=1e-6)
    assert size == pytest.approx(3.6, abs=1e-5)


def test_jitter_of_a_free_clock_by_hand() -> None:
    """Of 12 h on and 12 h off with an hour of jitter the worst window is 14 h long."""
    one = site_of(source("a", 0.0, jitter=HOUR))
    power, ceiling, _ = planned(one)
    assert power == pytest.approx(100.0 / (14 * HOUR) / 0.0015 * 10e3, rel=1e-6)
    assert ceiling == pytest.approx(power, rel=1e-6)
    trace = simulate(one, al.plan(one, node_limit=1000).plan)
    tanks = {draw.name: draw.tanks[0] for draw in trace.draws}
    assert tanks["against holder@farm"].lowest == pytest.approx(0.0, abs=1e-4)
    assert all(tank.lowest >= -1e-9 for tank in tanks.values())


def test_more_jitter_never_gives_more() -> None:
    powers = []
    for jitter in (0.0, 600.0, 7200.0, 6 * HOUR):
        known = {"clock": "surveyed", "error": 600.0, "jitter": jitter}
        sources = [source(n, s, **known) for n, s in (("a", 0.0), ("b", 12 * HOUR))]
        powers.append(planned(site_of(*sources, steel=300.0))[0])
    assert powers == sorted(powers, reverse=True)
    assert powers[-1] < powers[0]


WORLDS = [pytest.param(40), pytest.param(2000, marks=pytest.mark.slow)]


@pytest.mark.parametrize("draws", WORLDS)
def test_no_admitted_world_breaks_the_plan_or_passes_its_ceiling(draws: int) -> None:
    """True clocks drawn by error, jitter, drift and durations that vary, in nested stages too."""
    nested = (al.Stage(1800.0, 4200.0), al.Stage(10 * HOUR, 30 * HOUR))
    sources = [
        source("a", 0.0, clock="calendar", error=300.0, jitter=120.0),
        replace(source("b", 0.0, drift=0.02, jitter=60.0), next_start=None),
        replace(source("c", 0.0, stages=nested), next_start=None),
    ]
    site = replace(
        site_of(*sources, steel=1500.0),
        spreads={
            "sources.c.cycle[1].every": Spread(3600.0, 4200.0, 5400.0, varies=True),
            "sources.c.cycle[2].on": Spread(8 * HOUR, 10 * HOUR, 12 * HOUR, varies=True),
        },
        built=al.Built(sources=("a", "b", "c")),
    )
    result = al.plan(site, node_limit=1000, prove=0)
    assert al.audit(site, result.plan).accepted
    assert result.plan.ceiling.clean is not None
    assert result.plan.power.firm_clean <= result.plan.ceiling.clean * (1 + 1e-6)
    trace = al.simulate(site, result.plan, draws=draws, days=6, foresight=0)
    assert trace.kept
    assert len({draw.tanks[0].lowest for draw in trace.draws}) > draws // 4


def test_a_point_whose_windows_are_not_known_in_time_is_not_sound() -> None:
    """The bound of the relaxation stands; with all the time that it takes its point is sound."""
    site = network_of(site_of(source("a", 0.0), source("b", 12 * HOUR)))
    elastic = elastic_relaxation_of(site, Settings(), Clock(None), ())
    model = elastic.solver_model
    elastic.hold(elastic.limits)
    assert model.relaxed(60.0).status == Status.OPTIMAL

    def out_of_time(values: object, tolerance: float) -> list[Row]:
        raise StoppedError

    model.separator = out_of_time
    stopped = model.relaxed(60.0)
    assert (stopped.status, stopped.point) == (Status.TIME_LIMIT, None)
    assert stopped.bound is not None

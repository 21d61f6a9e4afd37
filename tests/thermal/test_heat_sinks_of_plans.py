"""Baths in a plan: is active cooling needed at all, told and audited by another model."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from strategies import sites_with_heat_sinks

from allocator.engine import plan_files
from allocator.network.deriving import network_of
from allocator.network.heat_sink_body import HeatSinkError
from allocator.network.reading import read_site
from allocator.physics.faults import PhysicsError
from allocator.plans.file import plan_from_json, plan_to_json
from allocator.plans.records import HeatSinkUse, Plan
from allocator.report.summary import full_summary as summary
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.thermal.sink_temperatures import HeatSinkStudy
from allocator.verify import audit
from allocator.verify.case import Case, case_of
from allocator.verify.sink_states import Reached, _can_be_known, reached

NETWORKS = Path(__file__).resolve().parents[2] / "networks"


@pytest.fixture(scope="module")
def site() -> Site:
    return network_of(read_site(NETWORKS / "hot_purge.yaml"))


@pytest.fixture(scope="module")
def plan(site: Site) -> Plan:
    found = make_plan(site, Settings(node_limit=20, gap=1e-2)).plan
    assert found is not None
    assert [str(breach) for breach in audit(site, found).breaches] == []
    return found


def test_the_mean_basis_has_them_with_their_bursts(site: Site, plan: Plan) -> None:
    """A mean has no bursts, but a bath does: the same baths on both bases."""
    mean = make_plan(site, Settings(node_limit=20, gap=1e-2, basis="mean")).plan
    assert mean is not None
    assert mean.heat_sinks == plan.heat_sinks
    assert [str(breach) for breach in audit(site, mean).breaches] == []


def use(plan: Plan, name: str) -> HeatSinkUse:
    return next(heat_sink for heat_sink in plan.heat_sinks if heat_sink.name == name)


def test_the_smallest_sets(plan: Plan) -> None:
    """The site's head: stones by hand at 68 degC; the pool boils below its limit."""
    stones = use(plan, "stones")
    assert (stones.recovery, stones.cooler, stones.keeps) == (False, False, True)
    assert stones.high == pytest.approx(273.15 + (6 * 300 + 24 * 10) / 30)
    assert stones.margin == pytest.approx(22)
    oil = use(plan, "oil_tank")
    assert (oil.recovery, oil.cooler, oil.keeps) == (True, False, True)
    pool = use(plan, "pool")
    # saturation of water at 101 325 Pa: 99.97 degC (IAPWS-IF97, from memory)
    assert pool.high == pytest.approx(273.15 + 99.97, abs=0.02)
    quench = use(plan, "quench")
    assert (quench.recovery, quench.cooler, quench.keeps) == (False, True, True)
    assert quench.cooling is not None
    assert 0 < quench.cooling < 40_000


def test_it_is_said(site: Site, plan: Plan) -> None:
    text = " ".join(summary(site, plan).split())
    assert "stones low_furnace yes no no 68 68 22 -" in text  # hottest, gas out, margin
    assert "quench high_furnace yes no yes 40 54.1 5.9 18.4" in text
    assert "TOO HOT" not in text
    table = plan_files(site, plan)["baths.csv"].decode("utf-8")
    assert table.startswith("bath,source,recovery,cooler,keeps,hottest_k")
    assert plan_from_json(plan_to_json(plan), "plan").heat_sinks == plan.heat_sinks


def test_nothing_at_hand(site: Site, plan: Plan) -> None:
    """Without its cooler the quench keeps no limit, and the plan says so."""
    warm = replace(site, heat_sinks={"quench": replace(site.heat_sinks["quench"], cooler=None)})
    found = make_plan(warm, Settings(node_limit=20, gap=1e-2)).plan
    assert found is not None
    assert [str(breach) for breach in audit(warm, found).breaches] == []
    (quench,) = found.heat_sinks
    assert not quench.keeps
    assert quench.margin < 0
    told = "TOO HOT, and nothing that may be built keeps the limits: quench."
    assert told in summary(warm, found)


@pytest.mark.parametrize(
    ("name", "change", "rule"),
    [
        ("stones", lambda b: replace(b, source="roar"), "heat_sink_source"),
        ("stones", lambda b: replace(b, recovery=True), "heat_sink_set"),
        ("stones", lambda b: replace(b, high=b.high - 1.0), "heat_sink_hottest"),
        ("quench", lambda b: replace(b, outlet=b.outlet - 2.0), "heat_sink_outlet"),
        ("quench", lambda b: replace(b, outlet=None), "heat_sink_outlet"),
        ("pool", lambda b: replace(b, margin=b.margin + 1.0), "heat_sink_margin"),
        ("pool", lambda b: replace(b, keeps=False), "heat_sink_keeps"),
        ("quench", lambda b: replace(b, cooling=0.5 * b.cooling), "heat_sink_cooling"),
    ],
)
def test_the_audit_finds_what_is_tampered_with(
    site: Site, plan: Plan, name: str, change: Callable[[HeatSinkUse], HeatSinkUse], rule: str
) -> None:
    heat_sinks = tuple(
        change(heat_sink) if heat_sink.name == name else heat_sink for heat_sink in plan.heat_sinks
    )
    assert rule in audit(site, replace(plan, heat_sinks=heat_sinks)).rules


def test_left_out_or_larger_than_needed(site: Site, plan: Plan) -> None:
    rules = {rule for rule in audit(site, plan).checks if rule.startswith("heat_sink_")}
    assert len(rules) == 8  # and bath_told, where one is left out
    assert "heat_sink_told" in audit(site, replace(plan, heat_sinks=plan.heat_sinks[1:])).rules
    # with recovery the oil keeps its limit already: a cooler there would not be the smallest set
    oil = replace(site.heat_sinks["oil_tank"], cooler=site.heat_sinks["quench"].cooler)
    other = replace(site, heat_sinks={**site.heat_sinks, "oil_tank": oil})
    heat_sinks = tuple(
        replace(heat_sink, cooler=True) if heat_sink.name == "oil_tank" else heat_sink
        for heat_sink in plan.heat_sinks
    )
    assert "heat_sink_smallest" in audit(other, replace(plan, heat_sinks=heat_sinks)).rules


@pytest.mark.parametrize("error", [ZeroDivisionError, KeyError, RuntimeError])
def test_a_fault_of_the_audit_is_no_pass(
    site: Site, plan: Plan, error: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where its own model of a bath fails, an untold bath is not one that cannot be known."""

    def fails(*_: object) -> Reached:
        raise error

    monkeypatch.setattr("allocator.verify.sink_states.marched", fails)
    untold = replace(plan, heat_sinks=())
    if error is RuntimeError:
        with pytest.raises(error):
            audit(site, untold)
    else:
        assert "not_recomputed" in audit(site, untold).rules


def test_a_bath_of_an_unknown_property_is_left_out(site: Site, plan: Plan) -> None:
    """Planning and audit agree that nothing can be said of it."""
    quench, fluids = site.heat_sinks["quench"], dict(site.fluids)
    gas = site.sources[quench.source].fluid
    unknown = replace(fluids[gas], substance=None, constants={"density": 0.1})
    bare = replace(site, fluids={**fluids, gas: unknown}, heat_sinks={"quench": quench})
    case = case_of(bare, plan)
    assert not _can_be_known(case, quench)
    with pytest.raises(HeatSinkError, match="no known specific heat"):
        HeatSinkStudy.of(bare, quench)


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(site=sites_with_heat_sinks(), recovery=st.booleans(), cooled=st.booleans())
def test_two_models_agree(site: Site, recovery: bool, cooled: bool) -> None:
    """Affine pieces and geometric sums, against stepping through time: to 0.05 K."""
    case = Case(site, None, True, {}, {}, {}, {}, {}, {}, site)  # type: ignore[arg-type]
    for heat_sink in site.heat_sinks.values():
        duty = heat_sink.cooler.duty if heat_sink.cooler is not None and cooled else 0.0
        mine = reached(case, heat_sink, recovery, duty)
        try:
            state = HeatSinkStudy.of(network_of(site), heat_sink).state(
                heat_sink.mass, recovery, duty
            )
        except (HeatSinkError, PhysicsError):
            continue
        assert mine.high == pytest.approx(state.high, abs=0.05)

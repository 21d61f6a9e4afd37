"""Money over time: annuity tables, and plans that must follow from them."""

from __future__ import annotations

from dataclasses import replace

import pytest

from allocator.base.errors import SiteFileError
from allocator.engine import NoPlanError, plan_site
from allocator.engine.result import PlanResult
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.site.money import PLAIN_SUM, YEAR, annuity
from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    Layer,
    Limits,
    MachineType,
    Material,
    PipeType,
    Place,
    Route,
    Site,
    Source,
)

# Blank and Tarquin, Engineering Economy, compound interest factor tables, column A/P (from memory;
# the same five figures stand in every handbook of engineering economics).
TABLE = {
    (0.05, 1): 1.05000,
    (0.05, 10): 0.12950,
    (0.05, 20): 0.08024,
    (0.08, 5): 0.25046,
    (0.10, 5): 0.26380,
    (0.10, 10): 0.16275,
    (0.10, 30): 0.10608,
    (0.15, 4): 0.35027,
}


@pytest.mark.parametrize(("rate", "years"), TABLE)
def test_annuities_are_those_of_the_tables(rate: float, years: int) -> None:
    assert annuity(rate, years * YEAR) == pytest.approx(TABLE[rate, years], abs=5.1e-6)


def test_without_interest_a_price_is_spread_evenly() -> None:
    assert annuity(0.0, 8 * YEAR) == 1 / 8
    assert annuity(1e-12, 8 * YEAR) == pytest.approx(1 / 8, rel=1e-9)
    for rate, life in ((0.1, 0.0), (-0.1, YEAR), (float("nan"), YEAR)):
        with pytest.raises(ValueError, match="no annuity"):
            annuity(rate, life)


def works(**changes: object) -> Site:
    """40 kW of an engine that is cheap and lasts 3 years, or of one that is dear and lasts 30."""
    machines = {
        name: MachineType(
            name, {"gas": 2e-3}, {}, {"mill": 1}, power_out=40e3, price=price, life=years * YEAR
        )
        for name, price, years in (("light", 20e3, 3), ("heavy", 50e3, 30))
    }
    site = Site(
        "Works",
        fluids={"gas": Fluid("gas", heating_value=40e6)},
        materials={"steel": Material("steel", price=2.0)},
        places={"well": Place("well"), "mill": Place("mill")},
        sources={"well": Source("well", "well", "gas", flow=2e-3, price=0.1)},
        storage={},
        pipes={"dn50": PipeType("dn50", 1.0, (Layer("steel", 5.0),), price=30.0)},
        routes={"lane": Route("lane", "well", "mill", 100.0, ("dn50",))},
        machines=machines,
        demands={"town": Demand("town", POWER, 40e3)},
        goals=("served_power", "money"),
        horizon=2 * YEAR,
        life=20 * YEAR,
    )
    return replace(site, **changes)  # type: ignore[arg-type]


GAS_A_YEAR = 2e-3 * 0.1 * YEAR
PIPE = 100.0 * (30.0 + 5.0 * 2.0)


def planned(site: Site) -> PlanResult:
    result = plan_site(site, Settings(node_limit=100))
    assert result.audit.accepted, [str(breach) for breach in result.audit.breaches]
    return result


def engine_of(result: PlanResult) -> str:
    (engine,) = [use.type for use in result.plan.machines if use.new]
    return engine


def test_a_plain_sum_buys_what_is_cheap() -> None:
    result = planned(works())
    assert engine_of(result) == "light"
    assert result.plan.money == pytest.approx(20e3 + PIPE + 2 * GAS_A_YEAR, rel=1e-6)


def test_it_is_told_that_lives_count_for_nothing_in_a_plain_sum() -> None:
    result = planned(works())
    assert "plain sum; lives have no effect" in " ".join(result.summary().split())
    assert PLAIN_SUM in " ".join(result.summary(full=True).split())
    without = {name: replace(kind, life=None) for name, kind in works().machines.items()}
    assert "plain sum" not in planned(works(machines=without, life=None)).summary()
    assert "plain sum" not in planned(works(discount_rate=0.1)).summary()


def test_annuities_buy_what_lasts() -> None:
    result = planned(works(discount_rate=0.10))
    assert engine_of(result) == "heavy"
    spent = 0.10608 * 50e3 + 0.11746 * PIPE + GAS_A_YEAR  # A/P of 20 years at 10 %: 0.11746
    assert result.plan.money == pytest.approx(spent, rel=2e-5)
    assert "to run for 365 d" in (text := result.summary()), text
    assert "/a to build" in text


def test_a_cap_is_on_the_annuities() -> None:
    spent = 0.10608 * 50e3 + 0.11746 * PIPE + GAS_A_YEAR
    site = works(discount_rate=0.10, limits=Limits(money=spent * 1.001))
    assert planned(site).plan.power.firm_total == pytest.approx(40e3, rel=1e-5)
    asked = {"town": Demand("town", POWER, 40e3, min_share=1.0)}
    short = replace(site, limits=Limits(money=spent * 0.999), demands=asked)
    with pytest.raises(NoPlanError) as found:
        planned(short)
    assert found.value.outcome.proven_impossible


def test_a_thing_that_costs_money_must_last_some_time() -> None:
    with pytest.raises(SiteFileError) as found:
        network_of(works(discount_rate=0.10, life=None))
    (fault,) = found.value.faults
    assert str(fault) == (
        "site 'Works': pipes.dn50: costs money, but nothing says how long it lasts; give it a"
        " 'life', or the whole site one"
    )


def test_a_pipe_that_is_cheap_and_soon_worn_does_not_beat_one_that_lasts() -> None:
    pipes = {
        "thin": PipeType("thin", 1.0, price=30.0, life=2 * YEAR),
        "thick": PipeType("thick", 1.0, price=40.0, life=40 * YEAR),
    }
    lane = {"lane": Route("lane", "well", "mill", 100.0, ("thin", "thick"))}
    site = works(pipes=pipes, routes=lane)
    assert planned(site).plan.runs[0].build == "thin"
    result = planned(replace(site, discount_rate=0.05))
    assert result.plan.runs[0].build == "thick"

"""Heat that a place must be given: by hand, in the simulation, and where it cannot be had."""

from __future__ import annotations

from dataclasses import replace

import pytest
from tampered_warmth import BOILER, ENGINE, WARM

from allocator.base.errors import SiteFileError
from allocator.engine import NoPlanError, plan_site
from allocator.engine.result import PlanResult
from allocator.network.deriving import network_of
from allocator.search import Settings
from allocator.site.records import POWER, Demand, Fluid, Limits, Profile, Site, Source

HOUR = 3600.0


def planned(site: Site, basis: str = "firm") -> PlanResult:
    result = plan_site(site, Settings(node_limit=200, basis=basis))
    assert result.audit.accepted, [str(breach) for breach in result.audit.breaches]
    return result


def asked(power: float, kelvin: float = 328.15) -> Site:
    place = replace(WARM.places["digester"], heat_demand=power, heat_temperature=kelvin)
    return replace(WARM, places={"digester": place})


@pytest.mark.parametrize("basis", ["firm", "mean"])
def test_gas_is_shared_between_power_and_heat(basis: str) -> None:
    # x of the engine and y of the boiler: x + y = 1, 8 x + 18 y = 12: x = 0.6
    power = planned(WARM, basis).plan.power
    assert power.mean_clean == pytest.approx(6e3, rel=1e-5)
    assert planned(asked(8e3), basis).plan.power.mean_clean == pytest.approx(10e3, rel=1e-5)


def test_heat_must_be_hot_enough() -> None:
    # only the engine gives heat of 80 degC, and 8 kW of it at full load
    assert planned(asked(7e3, 353.15)).plan.power.firm_clean == pytest.approx(10e3, rel=1e-5)
    with pytest.raises(NoPlanError) as found:
        planned(asked(9e3, 353.15))
    assert found.value.outcome.proven_impossible
    assert "places.digester.heat_demand.power is 9 kW" in str(found.value)


def test_an_engine_that_follows_a_demand_gives_the_heat_of_its_lowest_load() -> None:
    day = Profile(24 * HOUR, (0.0, 12 * HOUR), (0.5, 1.5))
    site = replace(
        asked(2e3),
        machines={"engine": ENGINE},
        demands={"town": Demand("town", POWER, 4e3, profile=day)},
    )
    # 40 % on average: at night 20 %, which gives 1.6 kW
    assert planned(
        replace(site, places=asked(1.6e3).places)
    ).plan.power.firm_clean == pytest.approx(4e3, rel=1e-4)
    warm = planned(site).plan
    (engine,) = warm.machines
    assert engine.flat_load + 0.5 * sum(engine.following.values()) >= 0.25 * (1 - 2e-6)


def test_the_heat_is_there_where_clean_power_could_stand_in_for_its_engine() -> None:
    """The simulation does not throttle an engine whose heat is asked for."""
    site = replace(
        asked(8e3),
        fluids={**WARM.fluids, "air": Fluid("air"), "smoke": Fluid("smoke", emission="counted")},
        machines={"engine": replace(ENGINE, outputs={"smoke": 1e-3})},
    )
    result = planned(replace(site, goals=("served_power",)))
    for draw in result.simulate(days=2, draws=1).draws:
        assert draw.kept
        assert draw.emissions_kg / draw.seconds == pytest.approx(1e-3, rel=1e-5)


@pytest.mark.parametrize(
    ("site", "problem"),
    [
        (replace(WARM, machines={"engine": replace(ENGINE, heat_temperature=None)}), "no machine"),
        (asked(5e3, 400.0), "and nothing that may be built there gives heat hotter than"),
        (replace(WARM, limits=Limits(excluded_places=("digester",))), "is excluded"),
        (
            replace(WARM, machines={"boiler": replace(BOILER, heat_out=0.0)}),
            "heat_temperature is given, but its outputs hold no heat",
        ),
    ],
    ids=["no temperature", "too cold", "excluded", "no heat"],
)
def test_what_cannot_be_is_said(site: Site, problem: str) -> None:
    with pytest.raises(SiteFileError) as found:
        network_of(site)
    assert any(problem in str(fault) for fault in found.value.faults)


def test_a_second_source_is_used_for_heat_alone() -> None:
    site = replace(
        WARM,
        sources={**WARM.sources, "more": Source("more", "digester", "gas", flow=0.25e-3)},
    )
    # x + y = 1.25, 8 x + 18 y = 12: x = 1.05, of which one engine can use 1
    assert planned(site).plan.power.firm_clean == pytest.approx(10e3, rel=1e-5)

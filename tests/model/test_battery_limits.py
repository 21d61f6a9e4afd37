"""Batteries: what of their size may be used, how fast, and what it costs; by hand and by force."""

from __future__ import annotations

from dataclasses import replace

import pytest
from brute.faults import faults_of
from brute.sites import battery_site
from brute.test_by_hand import ENGINE, site_of

from allocator.engine import plan_site
from allocator.engine.result import PlanResult
from allocator.search import Settings
from allocator.site.records import (
    POWER,
    Demand,
    MachineType,
    Profile,
    Site,
    Source,
    Stage,
    StoreType,
)
from allocator.verify import audit

HOUR = 3600.0
KILOWATT_HOUR = 3.6e6
YEAR = 31_557_600.0
BATTERY = StoreType("battery", POWER, ("works",), max_size=15 * KILOWATT_HOUR)


def planned(site: Site) -> PlanResult:
    result = plan_site(site, Settings(node_limit=200))
    assert result.audit.accepted, [str(breach) for breach in result.audit.breaches]
    return result


def kilns(battery: StoreType, **changes: object) -> Site:
    """5 kW always, and 5 kW more through 6 of 12 hours: 7.5 kW with 15 kWh of battery."""
    kiln = Source("kiln", "works", "gas", flow=0.75e-3)
    lagoon = replace(kiln, name="lagoon", stages=(Stage(6 * HOUR, 12 * HOUR),))
    return replace(site_of([kiln, lagoon], [ENGINE], battery), **changes)  # type: ignore[arg-type]


def firm(battery: StoreType) -> float:
    return planned(kilns(battery)).plan.power.firm_clean


def test_a_share_of_a_battery_serves_as_a_smaller_one_would() -> None:
    assert firm(BATTERY) == pytest.approx(7500.0, rel=1e-6)
    # 40 % of 15 kWh are 6 kWh: 1 kW through a pause of 6 h
    assert firm(replace(BATTERY, usable=0.4)) == pytest.approx(6000.0, rel=1e-6)
    assert firm(replace(BATTERY, max_size=37.5 * KILOWATT_HOUR, usable=0.4)) == pytest.approx(
        7500.0, rel=1e-6
    )
    # the whole battery loses, of which half is used: 0.1 %/h of 15 kWh are 15 W
    leaky = replace(BATTERY, usable=0.5, loss=1e-3 / HOUR)
    assert firm(leaky) == pytest.approx(5000.0 + 7500.0 / 6.0 - 15.0, rel=1e-6)


def test_rates_of_a_battery_follow_its_size() -> None:
    # 2.5 kW out of 15 kWh are 1/6 of its size an hour; 5 kW into it are a third
    for rate, power in ((1 / 6, 7500.0), (0.1, 6500.0)):
        limited = replace(BATTERY, release_rate_per_size=rate / HOUR)
        assert firm(limited) == pytest.approx(power, rel=1e-6)
    for rate, power in ((1 / 3, 7500.0), (1 / 6, 6250.0)):
        limited = replace(BATTERY, fill_rate_per_size=rate / HOUR)
        assert firm(limited) == pytest.approx(power, rel=1e-6)


def test_wear_is_paid_for_what_goes_through() -> None:
    price = 0.1 / KILOWATT_HOUR
    worn = replace(BATTERY, throughput_price=price)
    result = planned(kilns(worn, goals=("clean_power", "money"), horizon=YEAR))
    # 2.5 kW out of it for ever
    assert result.plan.money == pytest.approx(2500.0 * price * YEAR, rel=1e-6)
    told = replace(result.plan, money=result.plan.money * 0.99)
    assert "money_reported" in audit(kilns(worn, horizon=YEAR), told).rules


def test_wear_of_a_battery_that_levels_a_demand() -> None:
    price = 0.1 / KILOWATT_HOUR
    day = Profile(24 * HOUR, (0.0, 12 * HOUR), (0.5, 1.5))
    battery = replace(BATTERY, max_size=60 * KILOWATT_HOUR, throughput_price=price)
    # one small engine that runs at full load, below what the demand asks for by day
    engine = MachineType("engine", {"gas": 1e-3}, {}, {"works": 1}, power_out=8e3, min_load=1.0)
    site = replace(
        kilns(battery),
        sources={"well": Source("well", "works", "gas", flow=1e-3)},
        machines={"engine": engine},
        demands={"town": Demand("town", POWER, 8e3, profile=day)},
        goals=("clean_power", "money"),
        horizon=YEAR,
    )
    result = planned(site)
    assert result.plan.power.firm_clean == pytest.approx(8e3, rel=1e-5)
    # half of the time 1.5 times the mean is asked for, and one mean is generated
    assert result.plan.money == pytest.approx(0.25 * 8e3 * price * YEAR, rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize("number", [5, 6, 24])
def test_batteries_by_brute_force(number: int) -> None:
    assert faults_of(battery_site(number), "firm") == []

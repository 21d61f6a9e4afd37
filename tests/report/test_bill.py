"""The bill of materials adds up to what the plan says it uses, thing by thing."""

from __future__ import annotations

import json
import math
from collections.abc import Iterable
from dataclasses import replace

import pytest
from handmade_cove import COVE, COVE_MEAN_PLAN, COVE_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN

from allocator.network.deriving import network_of
from allocator.plans.records import BoosterUse, Plan
from allocator.report.bill import BillLine, bill_of_materials, running_money
from allocator.report.handover.geojson import plan_geojson
from allocator.report.tags import valve_tags
from allocator.site.records import BoosterType, Site
from allocator.verify import audit

CASES = [(COVE, COVE_PLAN), (COVE, COVE_MEAN_PLAN), (RIDGE, RIDGE_PLAN)]


def masses(lines: Iterable[BillLine]) -> dict[str, float]:
    found: dict[str, list[float]] = {}
    for line in lines:
        if line.kg is not None:
            found.setdefault(line.material, []).append(line.kg)
    return {name: math.fsum(kg) for name, kg in found.items()}


def test_pipe_on_dear_ground_costs_its_factor() -> None:
    """100 m of dn25 at 12 a metre, on ground three times as dear: 2400 more, in bill and audit."""
    (lane, *others) = COVE.routes.values()
    dear = replace(lane, ground_factor=3.0)
    site = replace(COVE, routes={one.name: one for one in (dear, *others)})
    built = sum(line.money for line in bill_of_materials(network_of(site), COVE_PLAN))
    assert built == pytest.approx(15800.0 + 2400.0)
    assert "money_reported" in {breach.rule for breach in audit(site, COVE_PLAN).breaches}
    more = replace(COVE_PLAN, money=COVE_PLAN.money + 2400.0)
    assert "money_reported" not in {breach.rule for breach in audit(site, more).breaches}


@pytest.mark.parametrize(("site", "plan"), CASES)
def test_masses_add_up_to_what_the_plan_uses(site: Site, plan: Plan) -> None:
    found = masses(bill_of_materials(network_of(site), plan))
    assert found == pytest.approx({use.name: use.used for use in plan.materials if use.used})


def test_money_to_build_and_to_run() -> None:
    built = sum(line.money for line in bill_of_materials(network_of(COVE), COVE_PLAN))
    assert built == pytest.approx(15800.0)  # worked out beside the plan
    assert running_money(network_of(COVE), COVE_PLAN) == pytest.approx(0.05 / 120 * 1e6 + 0.3)
    assert running_money(network_of(RIDGE), RIDGE_PLAN) == pytest.approx(
        3.5
    )  # steel costs nothing there


def test_a_run_lists_its_price_and_each_layer() -> None:
    lines = [
        line
        for line in bill_of_materials(network_of(COVE), COVE_PLAN)
        if line.item.startswith("dn25")
    ]
    assert lines == [
        BillLine(
            "dn25 pipe for gas", "lane: well to works", 100.0, "m", 100.0, "", None, 1200.0, 1200.0
        ),
        BillLine(
            "dn25 pipe for gas",
            "lane: well to works",
            100.0,
            "m",
            100.0,
            "steel",
            250.0,
            500.0,
            500.0,
        ),
        BillLine(
            "dn25 pipe for gas",
            "lane: well to works",
            100.0,
            "m",
            100.0,
            "wool",
            50.0,
            200.0,
            200.0,
        ),
    ]


def test_what_stands_is_not_bought() -> None:
    items = [line.item for line in bill_of_materials(network_of(COVE), COVE_PLAN)]
    assert "connection of kiln" not in items
    assert "connection of north" in items
    assert "oil_set" not in items
    assert not any("dn15" in item for item in items)
    # 100 kg of the tank stand: only the other 250 kg are on the bill, and no base
    (tank,) = {
        line.quantity
        for line in bill_of_materials(network_of(COVE), COVE_PLAN)
        if line.item == "tank"
    }
    assert tank == 250.0
    assert items.count("holder base") == 2  # its price and its steel


@pytest.mark.parametrize(("site", "plan"), CASES)
def test_valves_and_switches_of_new_things_are_bought(site: Site, plan: Plan) -> None:
    network = network_of(site)
    tags = valve_tags(network, plan).values()
    new = {use.name for use in plan.sources if use.new}
    new |= {use.name for use in plan.stores if use.new_size == use.size > 0}
    wanted: dict[str, int] = {}
    for tag in tags:
        if tag.thing in new:
            wanted[tag.what] = wanted.get(tag.what, 0) + 1
    bought: dict[str, float] = {}
    for line in bill_of_materials(network, plan):
        if line.item.endswith("to be chosen"):
            kind = line.item.partition(" for ")[0]
            bought[kind] = bought.get(kind, 0.0) + line.quantity
            assert (line.kg, line.money, line.unit) == (None, 0.0, "piece")
    assert bought == wanted
    assert wanted


def test_valves_are_counted_by_kind_fluid_and_pipe() -> None:
    found = {
        line.item: (line.quantity, line.where)
        for line in bill_of_materials(network_of(COVE), COVE_PLAN)
    }
    assert found["hand valve for gas, on dn25, to be chosen"] == (1.0, "well")
    assert found["level switch for gas, to be chosen"] == (1.0, "works")


def test_a_new_booster_is_on_the_bill_and_in_the_geojson() -> None:
    blower = BoosterType(
        "blower",
        kind="blower",
        fluids=("gas",),
        places=("well",),
        efficiency=0.6,
        materials={"steel": 12.0},
        price=300.0,
    )
    use = BoosterUse("blower", "gas", "lane", "well", "", True, 0.016, 50.0)
    site = replace(network_of(COVE), boosters={"blower": blower})
    lines = bill_of_materials(site, replace(COVE_PLAN, boosters=(use,)))
    found = [line for line in lines if "blower for gas" in line.item]
    assert [(line.where, line.material, line.kg, line.money) for line in found] == [
        ("well", "", None, 300.0),
        ("well", "steel", 12.0, 24.0),
    ]
    features = json.loads(plan_geojson(site, replace(COVE_PLAN, boosters=(use,))))["features"]
    (feature,) = (one for one in features if one["properties"]["kind"] == "booster")
    assert feature["id"] == "booster:blower@well>lane"
    assert feature["geometry"]["type"] == "Point"
    assert feature["properties"] == {
        "kind": "booster",
        "name": "blower",
        "place": "well",
        "fluid": "gas",
        "into": "lane",
        "new": True,
        "flow_kg_per_s": 0.016,
        "power_w": 50.0,
        "tag": "B-0102",
    }

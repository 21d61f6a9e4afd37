"""Promises that hold with machine units out of order, by hand and against every choice of units."""

from __future__ import annotations

import os
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from machine_sites import drawn, engines, named, planned

from allocator.engine.planning import NoPlanError, check_lost_machines, plan_site
from allocator.model.outages import scenarios_of
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.plans.file import plan_to_json
from allocator.plans.outages import plan_during
from allocator.plans.records import Robustness
from allocator.search import Settings
from allocator.site.records import (
    POWER,
    Demand,
    Fluid,
    MachineType,
    Material,
    Place,
    Site,
    Source,
    Stage,
    StoreType,
)

HOUR = 3600.0
DRAWS = int(os.environ.get("ALLOCATOR_LAWS", "3"))


@pytest.mark.parametrize(("out", "power"), [(0, 40e3), (1, 40e3), (2, 40e3), (3, 40e3), (4, 30e3)])
def test_spares_are_bought_while_there_is_steel_for_them(out: int, power: float) -> None:
    # seven engines of 100 kg; gas is enough for four of them
    plan = planned(engines(), out)
    assert plan.power.firm_clean == pytest.approx(power)
    assert sum(machine.count for machine in plan.machines) >= power / 10e3 + out


def test_nothing_lost_is_the_plan_of_before_to_the_byte() -> None:
    site = engines()
    plain = plan_site(site, Settings(node_limit=500, threads=1)).plan
    assert plan_to_json(planned(site, 0)) == plan_to_json(plain)
    assert "machines_out" not in plan_to_json(plain)


def test_another_type_at_another_place_takes_over() -> None:
    """One engine and one oil set: with the engine out, the set's steady oil makes half of it."""
    site = engines(
        fluids=named(
            Fluid("gas", heating_value=20e6), Fluid("oil", phase="liquid", heating_value=40e6)
        ),
        materials={},
        places=named(Place("mill"), Place("quay")),
        sources=named(
            Source("well", "mill", "gas", flow=0.001), Source("tank", "quay", "oil", flow=0.0005)
        ),
        machines=named(
            MachineType("engine", {"gas": 0.001}, {}, {"mill": 1}, power_out=10e3),
            MachineType("set", {"oil": 0.001}, {}, {"quay": 1}, power_out=10e3),
        ),
    )
    assert planned(site, 0).power.firm_clean == pytest.approx(15e3)
    plan = planned(site, 1)
    assert plan.power.firm_clean == pytest.approx(5e3)
    by_out = {tuple(outage.out): outage for outage in plan.outages}
    (engine_out,) = [o for key, o in by_out.items() if key == ("engine@mill",)]
    loads = {machine.name: machine.flat_load for machine in engine_out.machines}
    assert loads == {"engine@mill": 0.0, "set@quay": pytest.approx(0.5)}


def test_units_that_fill_a_store_are_replaced_or_not_counted_on() -> None:
    """An electrolyser fills a vessel: while its only unit may be out, nothing may fill it.

    An outage of 12 h of the only unit would run the store dry (brute force found -24 kg).
    """
    site = engines(
        fluids=named(Fluid("gas", heating_value=20e6), Fluid("hydrogen", heating_value=120e6)),
        materials={},
        sources=named(Source("well", "mill", "gas", flow=0.004)),
        storage=named(StoreType("vessel", "hydrogen", ("mill",), max_size=10.0)),
        machines=named(
            MachineType("engine", {"gas": 0.001}, {}, {"mill": 6}, power_out=10e3),
            MachineType("splitter", {}, {"hydrogen": 5e-5}, {"mill": 1}, power_in=10e3),
        ),
        demands=named(
            Demand("lamp", POWER, 10e3), Demand("torch", "hydrogen", 2.5e-5, place="mill")
        ),
        goals=("served_fluid", "clean_power"),
    )
    one = planned(site, 1)
    assert all(demand.clean_share == 0.0 for demand in one.demands if demand.wants == "hydrogen")
    splitter = replace(site.machines["splitter"], places={"mill": 2})
    two = planned(replace(site, machines={**site.machines, "splitter": splitter}), 1)
    (torch,) = (demand for demand in two.demands if demand.wants == "hydrogen")
    assert torch.clean_share == pytest.approx(1.0)


def test_a_place_is_given_its_heat_with_units_out() -> None:
    """A digester is warmed by engines beside it; one at the quay cannot take that over."""
    (kind,) = engines().machines.values()
    kind = replace(kind, heat_out=8e3, heat_temperature=360.0, places={"mill": 1, "quay": 3})
    site = engines(
        machines={kind.name: kind},
        places=named(
            Place("mill", heat_demand=6e3, heat_temperature=330.0), Place("quay", x=100.0)
        ),
        sources=named(
            Source("well", "mill", "gas", flow=0.002), Source("spring", "quay", "gas", flow=0.002)
        ),
    )
    assert planned(site, 0).power.firm_clean == pytest.approx(30e3)
    with pytest.raises(NoPlanError):
        planned(site, 1)
    spare = replace(kind, places={"mill": 2, "quay": 3})
    plan = planned(replace(site, machines={kind.name: spare}), 1)
    assert plan.power.firm_clean == pytest.approx(30e3)
    for outage in plan.outages:
        (mill,) = (machine for machine in outage.machines if machine.place == "mill")
        assert mill.flat_load >= 0.75 - 1e-6


def test_sources_and_machines_lost_at_once_combine() -> None:
    site = engines(
        sources=named(
            Source("north", "mill", "gas", flow=0.004, stages=(Stage(12 * HOUR, 24 * HOUR),)),
            Source("south", "mill", "gas", flow=0.004, stages=(Stage(12 * HOUR, 24 * HOUR),)),
        ),
        storage=named(StoreType("holder", "gas", ("mill",), max_size=400.0)),
    )
    assert planned(site, 1).power.firm_clean == pytest.approx(40e3)
    both = planned(site, 1, lost=1)
    assert both.power.firm_clean == pytest.approx(20e3)
    assert both.robustness == Robustness(lost=1, machines=1)


def test_more_units_than_there_can_be_are_refused_by_place() -> None:
    with pytest.raises(ValueError, match=r"11 units .* at most 10 .*engine at mill: 10"):
        check_lost_machines(engines(), 11)
    check_lost_machines(engines(), 10)
    free = replace(engines().machines["engine"], places={"mill": None})
    check_lost_machines(engines(machines={"engine": free}), 11)


def kinds_of_engines(number: int) -> Site:
    kinds = [
        replace(engines().machines["engine"], name=f"engine{i}", places={"mill": 2})
        for i in range(number)
    ]
    return engines(machines=named(*kinds))


def test_small_sites_have_room_for_more_than_a_hundred_scenarios() -> None:
    """Any two units of 16 kinds: two of one kind, or one of each of two kinds."""
    site = network_of(kinds_of_engines(16))
    _, sets = state(site, "firm", Robustness(machines=2))
    assert len(scenarios_of(sets)) == 16 + 16 * 15 // 2


def test_more_scenarios_than_there_is_room_for_are_refused() -> None:
    settings = Settings(node_limit=10, threads=1, robustness=Robustness(machines=9))
    with pytest.raises(ValueError, match="in 1\u00a0307\u00a0504 ways, more than"):
        plan_site(kinds_of_engines(16), settings)


def test_lost_machines_need_the_firm_basis() -> None:
    with pytest.raises(ValueError, match="lost machines need the firm basis"):
        Settings(basis="mean", robustness=Robustness(machines=1))


# ---- drawn sites


def best_by_hand(site: Site, out: int) -> float:
    """The most that any choice of units keeps with any ``out`` of them away, one by one.

    One place and steady gas: the units that are left burn it in the order of their efficiency.
    """
    flow = sum(source.flow for source in site.sources.values())
    kinds = sorted(site.machines.values(), key=lambda kind: -kind.power_out / kind.inputs["gas"])
    stock, best = site.materials["steel"].stock or 0.0, 0.0
    for counts in product(*(range((kind.places["mill"] or 0) + 1) for kind in kinds)):
        steel = sum(n * kind.materials["steel"] for n, kind in zip(counts, kinds, strict=True))
        if steel > stock:
            continue
        worst = float("inf")
        for lost in product(*(range(min(n, out) + 1) for n in counts)):
            if sum(lost) != min(out, sum(counts)):
                continue
            left, power = flow, 0.0
            for kind, n, gone in zip(kinds, counts, lost, strict=True):
                burnt = min(left, (n - gone) * kind.inputs["gas"])
                left -= burnt
                power += burnt / kind.inputs["gas"] * kind.power_out
            worst = min(worst, power)
        best = max(best, worst)
    return best


def drawn_engines(seed: int) -> Site:
    random = np.random.default_rng(seed)

    def pick(*values: float) -> float:
        return float(random.choice(values))

    def kind(name: str) -> MachineType:
        return MachineType(
            name,
            {"gas": pick(0.001, 0.0015, 0.002)},
            {},
            {"mill": int(random.integers(1, 4))},
            power_out=pick(8e3, 10e3, 15e3),
            materials={"steel": pick(60.0, 100.0, 140.0)},
        )

    return engines(
        materials=named(Material("steel", stock=pick(250.0, 400.0, 700.0))),
        sources=named(Source("well", "mill", "gas", flow=pick(0.002, 0.003, 0.0045))),
        machines=named(kind("engine"), kind("turbine")),
    )


@pytest.mark.parametrize("seed", range(DRAWS))
def test_no_choice_of_units_keeps_more_one_by_one(seed: int) -> None:
    site = drawn_engines(seed)
    for out in (1, 2):
        most = sum(kind.places["mill"] or 0 for kind in site.machines.values())
        if out <= most:
            power = planned(site, out).power.firm_total
            assert power == pytest.approx(best_by_hand(site, out), rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(DRAWS))
def test_more_units_lost_never_gives_more(seed: int) -> None:
    site = drawn(seed)
    none, one, two = (planned(site, out) for out in (0, 1, 2))
    for fewer, more in ((none, one), (one, two)):
        bound = fewer.goals[0].bound
        assert bound is None or more.goals[0].value <= bound * (1 + 1e-6) + 1e-3
    for plan in (one, two):
        for outage in plan.outages:
            during = plan_during(plan, outage)
            assert sum(m.count for m in during.machines) + sum(outage.out.values()) == sum(
                m.count for m in plan.machines
            )

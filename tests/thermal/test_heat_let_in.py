"""Heat let into a place: summed by the program, told after the solve, recomputed by the audit."""

from __future__ import annotations

import math
import random
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
from thermal.test_drawn_hot_sites import site_text

from allocator.network.deriving import network_of
from allocator.network.reading import check_site, read_site
from allocator.plans.records import Heat, HeatLimit, Plan
from allocator.report.prices import price_rows
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.solver.settings import Lift
from allocator.studies.lifting import lift_of
from allocator.studies.why_result import conflict_for
from allocator.thermal.upper import most_through, upper_heat
from allocator.verify import audit

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
QUICK = Settings(gap=1e-3, node_limit=40, time_limit=20.0)
FURNACES = ("furnaces: {at: [0 m, 0 m]}", "furnaces: {at: [0 m, 0 m], heat_limit: %s}")
WORKS = ("works: {at: [700 m, 0 m]}", "works: {at: [700 m, 0 m], heat_limit: 32 kW}")
WARM_CELLS = ("outputs: {power: 11 kW", "outputs: {heat: 9 kW, power: 11 kW")


def changed(tmp_path: Path, *changes: tuple[str, str]) -> Site:
    text = (NETWORKS / "cool_first.yaml").read_text(encoding="utf-8")
    for old, new in changes:
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    return network_of(read_site(path))


def furnaces(limit: str) -> tuple[str, str]:
    return FURNACES[0], FURNACES[1] % limit


def planned(site: Site) -> Plan:
    plan = make_plan(site, QUICK).plan
    assert plan is not None
    assert [str(breach) for breach in audit(site, plan).breaches] == []
    return plan


def told(plan: Plan, place: str) -> HeatLimit:
    assert plan.heat is not None
    return next(limit for limit in plan.heat.limits if limit.subject == f"place {place}")


def units(plan: Plan, name: str) -> int:
    return sum(machine.count for machine in plan.machines if machine.type == name)


def test_a_limit_is_told_with_what_it_comes_to(tmp_path: Path) -> None:
    """Hydrogen cooled to 50 degC, and 2 % of its heat for the fans."""
    plan = planned(changed(tmp_path, furnaces("50 kW")))
    limit = told(plan, "furnaces")
    assert plan.heat is not None
    (cooler,) = plan.heat.coolers
    (pipe,) = [f for f in plan.heat.flows if "track" in f.route and f.state == "busiest"]
    assert limit.most == 50_000
    (hot,) = [f for f in plan.heat.flows if "fin_fan" in f.route and f.state == "busiest"]
    # hydrogen from 50 to 380 degC: 14.5 kJ/(kg K) within 1 % (JANAF tables, from memory)
    assert cooler.duty == pytest.approx(hot.rate * 14.5e3 * (hot.inlet - hot.outlet), rel=0.01)
    # the pipe cools to the air's 10 degC within its first half, so all of its heat is there
    assert limit.value == pytest.approx(1.02 * cooler.duty + pipe.loss, rel=1e-3)


def test_a_tight_limit_changes_the_plan(tmp_path: Path) -> None:
    """Cooling heats the furnaces' chamber; rejected elsewhere it does not."""
    free = planned(changed(tmp_path))
    tight = planned(changed(tmp_path, furnaces("4 kW")))
    assert free.power.firm_clean == pytest.approx(60_000, rel=1e-4)
    assert tight.power.firm_clean < 0.1 * free.power.firm_clean
    assert told(tight, "furnaces").value <= 4000
    elsewhere = (
        furnaces("4 kW"),
        ("works: {at: [700 m, 0 m]}", "works: {at: [700 m, 0 m]}\n  pond: {at: [9 m, 9 m]}"),
        ("duty: 12 kW", "duty: 12 kW\n    rejects_at: pond"),
    )
    assert planned(changed(tmp_path, *elsewhere)).power.firm_clean == pytest.approx(
        60_000, rel=1e-4
    )


def test_machines_at_full_load_count(tmp_path: Path) -> None:
    """32 kW for cells that let 9 kW in each: three of them, whatever their load."""
    plan = planned(changed(tmp_path, WORKS, WARM_CELLS))
    assert units(plan, "fuel_cell") == 3
    limit = told(plan, "works")
    assert 27_000 <= limit.value <= 30_000


def test_standing_machines_count(tmp_path: Path) -> None:
    stands = ("demands:\n", "built: {machines: {fuel_cell: {works: 2}}}\ndemands:\n")
    plan = planned(changed(tmp_path, WORKS, WARM_CELLS, stands))
    assert units(plan, "fuel_cell") == 3
    # more stand than the place bears: no plan, and the limit is named
    stands = ("demands:\n", "built: {machines: {fuel_cell: {works: 4}}}\ndemands:\n")
    outcome = make_plan(changed(tmp_path, WORKS, WARM_CELLS, stands), QUICK)
    assert outcome.plan is None


def test_why_names_it(tmp_path: Path) -> None:
    site = changed(
        tmp_path,
        WORKS,
        WARM_CELLS,
        ("town: {power: 60 kW}", "town: {power: 60 kW, min_share: 90 %}"),
    )
    found = conflict_for(site, QUICK)
    words = [limit.stated for limit in found.limits]
    assert any("places.works.heat_limit is" in word for word in words)


def test_upper_values_are_no_less_than_true_ones(tmp_path: Path) -> None:
    site = changed(tmp_path, furnaces("50 kW"))
    plan = planned(site)
    upper = upper_heat(network_of(site))["furnaces"]
    total = 0.0
    for run in plan.runs:
        total += upper.pipes.get((run.route, run.build, run.fluid), 0.0)
        total += upper.coolers.get(run.route, 0.0) * math.fsum(flow.rate for flow in run.flows)
    assert told(plan, "furnaces").value <= total * (1 + 1e-9)


def test_a_wide_pipe_lets_in_what_small_sources_can_give(tmp_path: Path) -> None:
    """0.7 g/s of hydrogen in a pipe for 3 g/s: 14.5 kJ/(kg K) (JANAF tables, from memory)."""
    small = (("flow: 2 g/s", "flow: 0.5 g/s"), ("flow: 1.5 g/s", "flow: 0.2 g/s"))
    site = changed(tmp_path, furnaces("8 kW"), *small)
    upper = upper_heat(network_of(site))["furnaces"]
    hot = {key: heat for key, heat in upper.pipes.items() if "380 degC" in key[0]}
    assert hot
    assert max(hot.values()) == pytest.approx(0.7e-3 * 14.5e3 * 370, rel=0.02)
    # counted with what the bore carries, no hot pipe could be laid there
    dry = ("  fins: {stock: 1 t, price: 6 /kg}", "  fins: {stock: 1 kg, price: 6 /kg}")
    plan = planned(changed(tmp_path, furnaces("8 kW"), *small, dry))
    assert plan.power.firm_clean > 1000
    assert told(plan, "furnaces").value <= sum(hot.values())


def test_stores_and_machines_may_give_more_than_sources(tmp_path: Path) -> None:
    site = changed(tmp_path, furnaces("8 kW"))
    most = 3.5e-3
    assert most_through(network_of(site), "hydrogen", 653.15) == pytest.approx(most, rel=1e-5)
    assert (
        most_through(network_of(site), "hydrogen", 323.15) == math.inf
    )  # the holder gives 50 degC
    hot_store = changed(tmp_path, furnaces("8 kW"), ("    max_inlet_temperature: 50 degC\n", ""))
    assert most_through(network_of(hot_store), "hydrogen", 653.15) == math.inf


def with_limits(plan: Plan, change: Callable[[HeatLimit], HeatLimit | None]) -> Plan:
    assert plan.heat is not None
    limits = tuple(new for old in plan.heat.limits if (new := change(old)) is not None)
    return replace(plan, heat=replace(plan.heat, limits=limits))


def test_the_audit_finds_what_is_tampered_with(tmp_path: Path) -> None:
    site = changed(tmp_path, furnaces("50 kW"))
    plan = planned(site)
    assert {"let_in", "let_in_told", "let_in_limit"} <= set(audit(site, plan).checks)
    place = "place furnaces"
    low = with_limits(plan, lambda x: replace(x, value=0.8 * x.value) if x.subject == place else x)
    assert "let_in" in audit(site, low).rules
    gone = with_limits(plan, lambda x: None if x.subject == place else x)
    assert "let_in_told" in audit(site, gone).rules
    tight = replace(
        site, places={n: replace(p, heat_limit=9e3) if n == "furnaces" else p
                      for n, p in site.places.items()}
    )  # fmt: skip
    assert "let_in_limit" in audit(tight, plan).rules
    warm = changed(tmp_path, WORKS, WARM_CELLS)
    plan = planned(warm)
    more = replace(plan, machines=tuple(replace(m, count=m.count + 1) for m in plan.machines))
    assert "let_in" in audit(warm, more).rules


def test_a_place_of_machines_alone(tmp_path: Path) -> None:
    """Nothing hot flows: what machines let in is told and held all the same."""
    text = (NETWORKS / "first.yaml").read_text(encoding="utf-8")
    text = text.replace("  mill: {", "  mill: {heat_limit: 9 kW, ")
    text = text.replace("outputs: {power: 10 kW", "outputs: {heat: 6 kW, power: 10 kW")
    path = tmp_path / "site.yaml"
    path.write_text(text, encoding="utf-8")
    site = network_of(read_site(path))
    plan = planned(site)
    assert units(plan, "small_engine") == 1
    assert plan.heat == Heat(limits=(HeatLimit("place mill", "heat released", "W", 6e3, 9e3),))


@pytest.mark.parametrize("seed", [2, 26, 44])
def test_law_of_drawn_sites(seed: int, tmp_path: Path) -> None:
    """Tighter limits never bring more, are kept, and the audit's own sum agrees."""
    chance = random.Random(1000 + seed)
    limit = chance.uniform(2, 12)
    served = []
    for factor in (1.0, 3.0):
        text = site_text(random.Random(seed))
        for place in ("tip", "shed"):
            text = text.replace(
                f"  {place}: {{at", f"  {place}: {{heat_limit: {factor * limit} kW, at"
            )
        text = text.replace("outputs: {power: 9 kW", "outputs: {heat: 3 kW, power: 9 kW")
        path = tmp_path / "site.yaml"
        path.write_text(text, encoding="utf-8")
        site = check_site(path).site
        assert site is not None
        plan = planned(site)
        for place in ("tip", "shed"):
            assert told(plan, place).value <= factor * limit * 1000
        goal = plan.goals[0]
        assert goal.bound is not None
        served.append((goal.value, goal.bound))
    assert served[0][0] <= served[1][1] * (1 + 1e-6)


def test_what_more_of_a_limit_is_worth(tmp_path: Path) -> None:
    """32 kW bear three cells of 9 kW; lifted by 9 kW they bear a fourth: 11 kW."""
    site = changed(tmp_path, WORKS, WARM_CELLS)
    lift = lift_of(network_of(site), "places.works.heat_limit=9kW")
    assert lift == Lift("heat", "works", 9000.0)
    plan = make_plan(site, replace(QUICK, prices=True, lifts=(lift,))).plan
    assert plan is not None
    price = next(price for price in plan.prices if price.kind == "heat")
    assert (price.name, price.step) == ("works", 9000.0)
    assert price.gain == pytest.approx(11_000, rel=1e-3)
    assert any(row[0] == "places.works.heat_limit" for row in price_rows(plan))


def held(plan: Plan) -> list[str]:
    return [line for line in plan.limits if ".heat_limit: " in line]


def test_what_holds_back_names_a_full_place(tmp_path: Path) -> None:
    """Cells in whole units: 30 kW of 32 kW leaves no room for the fourth."""
    plan = planned(changed(tmp_path, WORKS, WARM_CELLS))
    assert units(plan, "fuel_cell") == 3
    (line,) = held(plan)
    assert line.startswith(
        "places.works.heat_limit: 30"
    )  # the pipe's warm end as well, by its upper value
    assert "of 32 kW counted; one more 'fuel_cell' releases 9 kW" in line
    # room for all that the demand can use, and for a cell more
    wide = (WORKS[0], WORKS[1].replace("32 kW", "300 kW"))
    assert held(planned(changed(tmp_path, wide, WARM_CELLS))) == []


def test_what_holds_back_names_a_place_that_cooling_fills(tmp_path: Path) -> None:
    plan = planned(changed(tmp_path, furnaces("4 kW")))
    (line,) = held(plan)
    assert line.startswith("places.furnaces.heat_limit: ")
    assert line.endswith("of 4 kW counted")
    assert held(planned(changed(tmp_path, furnaces("80 kW")))) == []

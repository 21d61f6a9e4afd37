"""Every field of a plan file, changed by more than the stated tolerance, is a breach or is listed.

The fields are those of the plan file's schema: a new one fails here until a plan below has it and
the audit recomputes it, or it is on a list with its reason.
"""

from __future__ import annotations

import copy
import json
import re
from dataclasses import replace
from pathlib import Path

import pytest
from damaged_plans import at, leaves, put
from handmade_cove import COVE, COVE_MEAN_PLAN
from handmade_moor import MOOR, MOOR_LOST_PLAN, MOOR_OUT_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from plan_fields import ROOM, accepted, fields, is_held, others, pattern
from pressed_sites import LINE
from tampered_holds import COVE_HELD

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.file import plan_schema, plan_to_json
from allocator.plans.records import HeatLimit, Plan
from allocator.search import Settings, make_plan
from allocator.site.records import Site
from allocator.verify import audit
from allocator.verify.trusted import TRUSTED

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
CASES = Path(__file__).resolve().parents[1] / "cases"

NOT_SEEN = (
    "set_points.chambers[].source",
    "set_points.chambers[].pressure_pa",
    "mix",
    "recoveries[].heat_w",
    "demands[].mean_kg_s",
    "set_points.reserve_rules",
    "set_points.reserve_rules[].store",
    "set_points.reserve_rules[].unit",
    "set_points.reserve_rules[].state",
    "set_points.reserve_rules[].keep",
    "set_points.reserve_rules[].burn_above",
    "set_points.reserve_rules[].source",
    "set_points.reserve_rules[].at_s",
    "set_points.reserve_rules[].every_s",
    "set_points.reserve_rules[].free",
    "set_points.reserve_rules[].free[]",
    "machines_out[].demands[].mean_kg_s",
    *(
        name
        for name in fields(plan_schema())
        if name.startswith(tuple(f"machines_out[].{part}" for part in ("runs", "lines", "recov")))
        or (
            name.startswith("machines_out[].machines[].")
            and name.split(".")[2] in ("following", "burst", "overflow_kg_s")
        )
    ),
)
"""Fields that no plan below has; tests/tampered_holds.py, tampered_outages.py, tests/studies
and tests/thermal/test_heat_of_coolers.py break their rules, test_lumpy_bursts.py those of
bursts in outages."""


def planned(path: Path) -> tuple[Site, Plan]:
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    return site, plan


@pytest.fixture(scope="module")
def plans(tmp_path_factory: pytest.TempPathFactory) -> list[tuple[Site, Plan]]:
    line = tmp_path_factory.mktemp("line") / "site.yaml"
    line.write_text(LINE, encoding="utf-8")
    return [
        (COVE, COVE_HELD),
        (RIDGE, RIDGE_PLAN),
        (MOOR, MOOR_LOST_PLAN),
        (MOOR, MOOR_OUT_PLAN),
        (COVE, COVE_MEAN_PLAN),
        planned(NETWORKS / "warm_kiln.yaml"),
        planned(NETWORKS / "hot_purge.yaml"),
        planned(CASES / "heat_sink_cools.yaml"),
        planned(line),
        planned(CASES / "flare_guards_store.yaml"),
    ]


OFTEN = 2
"""Times that each field is changed in each plan."""


@pytest.mark.slow
def test_every_field_changed_is_a_breach_or_is_listed(plans: list[tuple[Site, Plan]]) -> None:
    wrong: list[str] = []
    changed: dict[str, int] = {}
    for site, plan in plans:
        data = json.loads(plan_to_json(plan))
        assert accepted(site, data), [str(b) for b in audit(site, plan).breaches]
        here: dict[str, int] = {}
        for path in leaves(data):
            name = pattern(path)
            here[name] = here.get(name, 0) + 1
            if here[name] > OFTEN or not is_held(name):
                continue
            if changed.get(name, 0) >= 2 * OFTEN and not name.startswith(("heat", "baths")):
                continue
            changed[name] = changed.get(name, 0) + 1
            value = at(data, path)
            for other in others(value, name):
                if accepted(site, put(data, path, other)):
                    wrong.append(f"{plan.site_name}: {name} {path[-1]}: {value!r} -> {other!r}")
    print(*wrong, sep="\n")
    assert wrong == []
    untried = set(fields(plan_schema())) - set(changed) - {*NOT_SEEN}
    assert {n for n in untried if is_held(n)} == set()


DECIDED = ("withstands", "set_points", "sources", "materials", "mix", "machines_out")
"""What is on the list for being left out, not for being another number."""


def test_the_decisions_with_room_are_held_to_their_rules(plans: list[tuple[Site, Plan]]) -> None:
    free = {name for name in ROOM if not name.startswith(DECIDED)} | {"set_points.stores[].reserve"}
    tried, held = set(), set()
    for site, plan in plans:
        data = json.loads(plan_to_json(plan))
        for path in leaves(data):
            name, value = pattern(path), at(data, path)
            if name not in free - held:
                continue
            tried.add(name)
            changes = [[]] if isinstance(value, list) else [value * 0.01, value * 3.0 + 1.0]
            if not all(accepted(site, put(data, path, other)) for other in changes):
                held.add(name)
    assert tried - held == set()
    assert free - tried == set()


def test_each_limit_of_heat_is_told_once_as_the_site_has_it(plans: list[tuple[Site, Plan]]) -> None:
    site, plan = plans[5]
    assert plan.heat is not None
    limits = plan.heat.limits
    kelvins = next(n for n, limit in enumerate(limits) if limit.unit == "K")
    for rule, told in {
        "limit_told": (limits[1:], (*limits, HeatLimit("place of none", "inlet", "K", 1.0, 2.0))),
        "limit_of_site": (altered(limits, kelvins, most=limits[kelvins].most + 1.0),),
        "limit_value": (
            altered(limits, kelvins, value=limits[kelvins].value - 2.0),
            altered(limits, kelvins, value=0.0),
        ),
    }.items():
        for row in told:
            report = audit(site, replace(plan, heat=replace(plan.heat, limits=row)))
            assert {rule} <= {breach.rule for breach in report.breaches}


def altered(limits: tuple[HeatLimit, ...], which: int, **changes: float) -> tuple[HeatLimit, ...]:
    return (*limits[:which], replace(limits[which], **changes), *limits[which + 1 :])


def test_a_network_that_differs_from_its_file_is_found_out(plans: list[tuple[Site, Plan]]) -> None:
    site, plan = plans[5]
    assert isinstance(site, Network)
    plain = site.site

    def each(rows: str, network: Site = site, **changes: object) -> Site:
        made = {name: replace(row, **changes) for name, row in getattr(network, rows).items()}
        return replace(network, **{rows: made})

    def warmer(kelvin: float) -> Site:
        streams = {
            name: replace(route, stream=replace(route.stream, inlet=route.stream.inlet - kelvin))
            for name, route in site.routes.items()
            if route.stream is not None
        }
        return replace(site, routes={**site.routes, **streams})

    less = replace(plain, pipes={n: replace(b, capacity=1e-9) for n, b in plain.pipes.items()})
    for rule, network in (
        ("plain_thing", each("machines", max_inlet_temperature=1e4)),
        ("plain_thing", each("sources", temperature=300.0)),
        ("plain_route", each("routes", length=0.5)),
        ("plain_route", each("routes", energy=0.123)),
        ("plain_route", each("pipes", price=0.123)),
        ("plain_route", each("places", part_of="works")),
        ("plain_capacity", replace(site, site=less)),
        ("plain_temperature", warmer(50.0)),
    ):
        assert rule in audit(network, plan).rules, rule
    assert audit(site, plan).accepted


def test_the_build_of_another_kind_of_run_is_a_breach(plans: list[tuple[Site, Plan]]) -> None:
    """Found by benchmarks/tampering.py: a pipe of the build of a passage ended in a traceback."""
    tried = 0
    for site, plan in plans[5:]:
        for number, run in enumerate(plan.runs):
            for build in {other.build for other in plan.runs} - {run.build}:
                other = replace(run, build=build)
                runs = (*plan.runs[:number], other, *plan.runs[number + 1 :])
                assert not audit(site, replace(plan, runs=runs)).accepted, other
                tried += 1
    assert tried >= 8


def test_a_key_that_is_left_out_is_a_breach_or_is_listed(plans: list[tuple[Site, Plan]]) -> None:
    wrong = []
    for site, plan in plans[:2] + plans[5:]:
        data = json.loads(plan_to_json(plan))
        for path in [p for p in leaves(data) if len(p) == 1 or pattern(p).endswith("*")]:
            name = pattern(path)
            if not is_held(name):
                continue
            less = copy.deepcopy(data)
            del at(less, path[:-1])[path[-1]]
            if accepted(site, less):
                wrong.append(f"{plan.site_name}: {name} {path[-1]}")
    assert wrong == []


def test_the_lists_speak_of_fields_that_there_are() -> None:
    known = set(fields(plan_schema()))
    for name in (*TRUSTED, *ROOM, *NOT_SEEN):
        assert any(field == name or re.match(re.escape(name) + r"[.\[]", field) for field in known)
    assert not {*TRUSTED} & {*ROOM}

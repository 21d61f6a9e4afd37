"""Every field of a plan file, changed by more than the stated tolerance, is a breach or is listed.

The fields are those of the plan file's schema: a new one fails here until a plan below has it and
the audit recomputes it, or it is on a list with its reason.
"""

from __future__ import annotations

import copy
import json
import re
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest
from damaged_plans import at, leaves, put
from handmade_cove import COVE, COVE_MEAN_PLAN
from handmade_moor import MOOR, MOOR_LOST_PLAN
from handmade_ridge import RIDGE, RIDGE_PLAN
from tampered_holds import COVE_HELD

from allocator.errors import PlanFileError
from allocator.plan import HeatLimit, Plan
from allocator.plan_file import plan_from_json, plan_schema, plan_to_json
from allocator.planning import Settings, make_plan
from allocator.proof import audit
from allocator.proof.trusted import TRUSTED
from allocator.site.network import network_of
from allocator.site.reading import read_site
from allocator.site.records import Site

NETWORKS = Path(__file__).resolve().parents[2] / "networks"
CASES = Path(__file__).resolve().parents[1] / "cases"

ROOM = {
    "sources": "what is not used need not be listed",
    "withstands": "to say that a promise withstands less is true as well",
    "withstands.lost": "to say that a promise withstands less is true as well",
    "withstands.low": "to say that a promise withstands less is true as well",
    "set_points": "a plan may tell none",
    "set_points.stores[].reserve": "any reserve from what the promise needs to the size",
    "set_points.cycled[].start_at_j": "any level that leaves long enough runs and rests",
    "set_points.cycled[].stop_at_j": "any level that leaves long enough runs and rests",
    "set_points.chambers[].pressure_pa": "any pressure from the least to that at the mouth",
    "batteries[].level_part_j": "more may be kept than levelling needs",
    "batteries[].burst_part_j.*": "more may be kept than bursts need",
    "batteries[].swing_part_j": "more may be kept than runs on and off need",
    "machines[].running": "more units may turn than the load needs",
    "machines[].receiver_kg.*": "a receiver may be larger than it must be",
    "sources[].collect_kg_s.*": "what is given may be more than what is used",
    "sources[].direct_mean_kg_s.*": "what is given may be more than what is used",
    "stores[].inflow_kg_s": "what is given may be more than what is used",
    "stores[].draw_mean_kg_s.*": "what is given may be more than what is used",
    "runs[].flows[].rate_kg_s": "what is given may be more than what is used",
    "batteries[].release_mean_w.*.*": "what is given may be more than what is used",
    "batteries[].levelled_mean_w.*.*": "what is given may be more than what is used",
    "lines[].flows[].sent_w": "what is given may be more than what is used",
    "materials": "what is not used need not be listed",
    "goals": "a goal by which nothing can be decided need not be told",
    "mix": "a plan of the site's own goals may be one of a mix with the same",
}
"""Decisions that may differ with every claim still true: every rule holds for what is accepted."""

NOT_SEEN = (
    "set_points.chambers[].source",
    "set_points.chambers[].pressure_pa",
    "mix",
    "demands[].mean_kg_s",
)
"""Fields that no plan below has; tests/tampered_holds.py and tests/studies break their rules."""

TIMES = (1.01, 0.99, 1.5, 0.5)
"""Beyond every tolerance but those of :data:`COARSE`."""

COARSE = ("temperature_k", "heat_loss_w", "hottest_k", "outlet_k", "margin_k")
"""Figures of models: two models of one pipe or bath may differ by 1 K and 2 %."""


def pattern(path: tuple[str | int, ...]) -> str:
    """A path without its numbers, and with ``*`` for names of the site."""
    words: list[str] = []
    schema = plan_schema()
    for step in path:
        schema = next((s for s in schema.get("anyOf", []) if s.get("type") != "null"), schema)
        if isinstance(step, int):
            words[-1] += "[]"
            schema = schema["items"]
        elif step in schema.get("properties", {}):
            words.append(step)
            schema = schema["properties"][step]
        else:
            words.append("*")
            schema = schema["additionalProperties"]
    return ".".join(words)


def fields(schema: Any, path: str = "") -> Iterator[str]:
    """Every leaf of the schema, as a pattern."""
    schema = next((s for s in schema.get("anyOf", []) if s.get("type") != "null"), schema)
    if schema.get("type") == "array":
        yield from fields(schema["items"], f"{path}[]")
    elif "properties" in schema:
        for key, inner in schema["properties"].items():
            yield from fields(inner, f"{path}.{key}".lstrip("."))
    elif isinstance(schema.get("additionalProperties"), dict):
        yield from fields(schema["additionalProperties"], f"{path}.*")
    else:
        yield path


def listed(name: str, table: Any) -> bool:
    """Whether a field, or what it is part of, is on a list."""
    return any(name == key or name.startswith((f"{key}.", f"{key}[")) for key in table)


def planned(path: Path) -> tuple[Site, Plan]:
    site = network_of(read_site(path))
    plan = make_plan(site, Settings(node_limit=100, threads=1)).plan
    assert plan is not None
    return site, plan


@pytest.fixture(scope="module")
def plans() -> list[tuple[Site, Plan]]:
    return [
        (COVE, COVE_HELD),
        (RIDGE, RIDGE_PLAN),
        (MOOR, MOOR_LOST_PLAN),
        (COVE, COVE_MEAN_PLAN),
        planned(NETWORKS / "warm_kiln.yaml"),
        planned(NETWORKS / "hot_vents.yaml"),
        planned(CASES / "heat_sink_cools.yaml"),
    ]


def others(value: Any, name: str) -> list[Any]:
    """What a field could say in place of a value, far enough from it."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, str):
        return [f"{value}x"]
    if value is None:
        return [1e3]
    if isinstance(value, list):
        return [value[:-1], []] if value else []
    if isinstance(value, dict):
        return []
    if value == 0:
        return [1, 1000] if isinstance(value, int) else [1.0, 1e3]
    if isinstance(value, int):
        return [value + 1, value - 1]
    times = (1.5, 0.5) if name.endswith(COARSE) else TIMES
    return [value * factor for factor in times]


def accepted(site: Site, data: Any) -> bool:
    try:
        return audit(site, plan_from_json(json.dumps(data), "plan.json")).accepted
    except PlanFileError:
        return False


OFTEN = 2
"""Times that each field is changed in each plan."""


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
            if here[name] > OFTEN or listed(name, TRUSTED) or name in ROOM:
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
    assert {n for n in untried if not listed(n, TRUSTED) and n not in ROOM} == set()


DECIDED = ("withstands", "set_points", "sources", "materials", "mix")
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
    site, plan = plans[4]
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
    site, plan = plans[4]
    plain = site.plain
    assert plain is not None

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

    less = replace(plain, builds={n: replace(b, capacity=1e-9) for n, b in plain.builds.items()})
    for rule, network in (
        ("plain_thing", each("machines", hottest_inlet=1e4)),
        ("plain_thing", each("sources", temperature=300.0)),
        ("plain_route", each("routes", length=0.5)),
        ("plain_route", each("routes", energy=0.123)),
        ("plain_route", each("builds", price=0.123)),
        ("plain_route", each("places", part_of="works")),
        ("plain_capacity", replace(site, plain=less)),
        ("plain_temperature", warmer(50.0)),
    ):
        assert rule in audit(network, plan).rules, rule
    assert audit(site, plan).accepted


def test_a_key_that_is_left_out_is_a_breach_or_is_listed(plans: list[tuple[Site, Plan]]) -> None:
    wrong = []
    for site, plan in plans[:2] + plans[4:]:
        data = json.loads(plan_to_json(plan))
        for path in [p for p in leaves(data) if len(p) == 1 or pattern(p).endswith("*")]:
            name = pattern(path)
            if listed(name, TRUSTED) or name in ROOM:
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

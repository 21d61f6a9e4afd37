"""Fields of a plan file: their names in the schema, which may differ, and what else they could say.

``ROOM`` lists the decisions that may differ with every claim still true.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

from allocator.base.errors import PlanFileError
from allocator.plans.file import plan_from_json, plan_schema
from allocator.site.records import Site
from allocator.verify import audit
from allocator.verify.trusted import TRUSTED

ROOM = {
    "sources": "what is not used need not be listed",
    "withstands": "to say that a promise withstands less is true as well",
    "withstands.lost": "to say that a promise withstands less is true as well",
    "withstands.low": "to say that a promise withstands less is true as well",
    "withstands.lost_machines": "to say that a promise withstands less is true as well",
    "machines_out[].machines[].running": "more units may turn than the load needs",
    "machines_out[].machines[].receiver_kg.*": "a receiver may be larger than it must be",
    "machines_out[].draw_mean_kg_s.*.*": "what is given may be more than what is used",
    "machines_out[].direct_mean_kg_s.*.*": "what is given may be more than what is used",
    "machines_out[].runs[].flows[].rate_kg_s": "what is given may be more than what is used",
    "machines_out[].lines[].flows[].sent_w": "what is given may be more than what is used",
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
    "batteries[].level_surplus_w.*.*": "what is given may be more than what is used",
    "lines[].flows[].sent_w": "what is given may be more than what is used",
    "materials": "what is not used need not be listed",
    "goals": "a goal by which nothing can be decided need not be told",
    "mix": "a plan of the site's own goals may be one of a mix with the same",
}
"""Decisions that may differ with every claim still true: every rule holds for what is accepted."""

TIMES = (1.01, 0.99, 1.5, 0.5)
"""Beyond every tolerance but those of :data:`COARSE`."""

COARSE = ("temperature_k", "heat_loss_w", "hottest_k", "outlet_k", "margin_k")
"""Figures of models: two models of one pipe or bath may differ by 1 K and 2 %."""


def pattern(path: tuple[str | int, ...]) -> str:
    """A path without its numbers, and with ``*`` for names of the site."""
    words: list[str] = []
    schema = whole = plan_schema()
    for step in path:
        schema = inlined(schema, whole["$defs"])
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


def inlined(schema: Any, defs: Any) -> Any:
    """What a schema refers to, of a value that is not null."""
    schema = next((s for s in schema.get("anyOf", []) if s.get("type") != "null"), schema)
    return defs[schema["$ref"].rpartition("/")[2]] if "$ref" in schema else schema


def fields(schema: Any, path: str = "", defs: Any = None) -> Iterator[str]:
    """Every leaf of the schema, as a pattern."""
    defs = schema["$defs"] if defs is None else defs
    schema = inlined(schema, defs)
    if schema.get("type") == "array":
        yield from fields(schema["items"], f"{path}[]", defs)
    elif "properties" in schema:
        for key, inner in schema["properties"].items():
            yield from fields(inner, f"{path}.{key}".lstrip("."), defs)
    elif isinstance(schema.get("additionalProperties"), dict):
        yield from fields(schema["additionalProperties"], f"{path}.*", defs)
    else:
        yield path


def listed(name: str, table: Any) -> bool:
    """Whether a field, or what it is part of, is on a list."""
    return any(name == key or name.startswith((f"{key}.", f"{key}[")) for key in table)


def is_held(name: str) -> bool:
    """Whether the audit recomputes a field, or holds it to a rule with no other value."""
    return not listed(name, TRUSTED) and name not in ROOM


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

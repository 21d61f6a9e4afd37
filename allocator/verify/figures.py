"""Rule: every number of a plan is finite, and none that must not be is below zero."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Mapping
from typing import Any

from allocator.plans.records import Plan
from allocator.verify.report import Findings

MAY_BE_NEGATIVE = ("goals", "ceiling")

GAINS = (".loss", ".value")
"""Heat that a flow loses, and what a limit of heat comes to: below zero where cold gas warms."""


def check_numbers(plan: Plan, findings: Findings) -> None:
    """Rules ``finite`` and ``negative``."""
    for field in dataclasses.fields(plan):
        for subject, number in numbers_in(getattr(plan, field.name), field.name):
            findings.holds(
                "finite", subject, math.isfinite(number), f"the number {number} is not finite"
            )
            signed = field.name in MAY_BE_NEGATIVE
            signed = signed or (field.name == "heat_sinks" and subject.endswith(".margin"))
            signed = signed or (field.name == "heat" and subject.endswith(GAINS))
            if not signed and math.isfinite(number):
                findings.at_least("negative", subject, number, 0.0, "", "the number")


def numbers_in(value: Any, path: str) -> Iterator[tuple[str, float]]:
    """Every number in a record, with its path; rows go by their names."""
    if isinstance(value, bool) or value is None or isinstance(value, str):
        return
    if isinstance(value, Mapping):
        for key, item in value.items():
            yield from numbers_in(item, f"{path}[{key}]")
    elif isinstance(value, tuple):
        for number, item in enumerate(value):
            name = getattr(item, "name", None) or getattr(item, "route", None) or number
            yield from numbers_in(item, f"{path}[{name}]")
    elif dataclasses.is_dataclass(value):
        for field in dataclasses.fields(value):
            yield from numbers_in(getattr(value, field.name), f"{path}.{field.name}")
    else:
        yield path, float(value)

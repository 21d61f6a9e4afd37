"""A site while its file is read: what was read of each section, and the records made so far."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

from allocator.site.table import Values

Filled = dict[str, Any]
"""Fields of a record that no key fills alone, by name."""


@dataclass(slots=True)
class SiteValues:
    """``values``: of the whole file. ``made``: fields of the site so far."""

    values: Values
    made: dict[str, Any] = field(default_factory=dict)

    def section(self, name: str) -> Mapping[str, Values]:
        """What was read of a section, by the names of its things."""
        found: dict[str, Values] = self.values.get(name, {})
        return found


Rule = Callable[[Values, SiteValues], Filled | None]
"""Checks what needs more than one value of a record, and notes faults at them.

Gives the fields that no key fills alone; None where the record cannot be made.
"""

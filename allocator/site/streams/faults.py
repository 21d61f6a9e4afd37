"""Faults of physics told at the thing and key of the site file that they come from."""

from __future__ import annotations

from allocator.physics.faults import PhysicsError
from allocator.site.table import Values


def note(values: Values, section: str, name: str, key: str, error: PhysicsError) -> None:
    """Notes a fault at a key of a thing of a section."""
    record: Values = values.get(section, {})[name]
    record.fault_here(key, error.problem, error.remedy)

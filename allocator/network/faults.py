"""What is wrong or odd about a site when its streams are worked out, each at its thing and key."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from allocator.physics.faults import PhysicsError


class Noted(NamedTuple):
    """A fault of physics at a key of a thing of a section of the site file."""

    section: str
    name: str
    key: str
    error: PhysicsError


class Remark(NamedTuple):
    """What is odd about a thing of a section of the site file."""

    section: str
    name: str
    problem: str
    remedy: str


@dataclass(slots=True)
class Notes:
    """Collects faults and remarks: nothing is raised until the end."""

    faults: list[Noted] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)


def note(notes: Notes, section: str, name: str, key: str, error: PhysicsError) -> None:
    """Notes a fault at a key of a thing of a section."""
    notes.faults.append(Noted(section, name, key, error))

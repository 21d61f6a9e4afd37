"""Names that differ in capitals or spaces alone: most likely one thing, written in two ways."""

from __future__ import annotations

from allocator.base.quantities import shown
from allocator.site.table import Values

SECTIONS = ("fluids", "materials", "places", "sources", "storage", "pipes", "machines")


def note_alike(values: Values) -> None:
    """Warn of each name that another one of its section is but for capitals and spaces."""
    for section in SECTIONS:
        seen: dict[str, str] = {}
        for name, record in values.get(section, {}).items():
            first = seen.setdefault(" ".join(name.casefold().split()), name)
            if first != name:
                problem = f"differs from {shown(first)} in capitals or spaces alone"
                record.warn("", problem, "give one thing one name, or two things clearer ones")

"""A duration from the site's ``starts_at``, which may be given by the time when it is over."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import datetime, timedelta

from allocator.base.quantities import format_quantity
from allocator.site.diagnostics import Where
from allocator.site.kinds import FAULTY, Defs, Faulty, Quantity, Schema
from allocator.site.nodes import Node, Scalar

DATE = r"^[0-9]{4}-[0-9]{2}-[0-9]{2}"
MOMENT = re.compile(DATE + r"[T ][0-9]{2}(:?[0-9]{2})")


@dataclass(frozen=True, slots=True)
class SpanFromStart(Quantity):
    """A duration above 0, or a date with a time, both counted from ``starts_at``."""

    dimension: str = "duration"
    above: float | None = 0.0

    def read(self, node: Node, where: Where) -> float | Faulty:
        if not isinstance(node, Scalar) or not re.match(DATE, node.text):
            return Quantity.read(self, node, where)
        text = node.text.strip()
        try:
            end = datetime.fromisoformat(text)
        except ValueError:
            where.fault(node, f"is no date and time (got '{text}')", "write it as 2027-03-01T06:00")
            return FAULTY
        begin = _start(where)
        if begin is None:
            return 1.0  # that 'starts_at' is missing, or is no time, is noted elsewhere
        if not MOMENT.match(text):
            where.fault(
                node,
                f"is a date without a time of day (got '{text}')",
                f"write '{text}T{begin:%H:%M}', or the duration from 'starts_at'",
            )
            return FAULTY
        if (end.tzinfo is None) != (begin.tzinfo is None):
            where.fault(
                node,
                f"is '{text}' and 'starts_at' is '{begin.isoformat()}': one has a time zone",
                "give both with one, or none",
            )
            return FAULTY
        seconds = (end - begin).total_seconds()
        if seconds <= 0.0:
            later = (begin + timedelta(days=14)).isoformat(timespec="minutes")
            where.fault(
                node,
                f"is not after 'starts_at' (got '{text}', starts_at {begin.isoformat()})",
                f"write a later time such as '{later}', or a duration such as "
                f"'{format_quantity(14 * 86400.0, 'duration')}'",
            )
            return FAULTY
        return seconds

    def schema(self, defs: Defs) -> Schema:
        moment = {"type": "string", "pattern": MOMENT.pattern}
        return {"anyOf": [Quantity("duration", above=0).schema(defs), moment]}


def _start(where: Where) -> datetime | None:
    try:
        return datetime.fromisoformat(where.diagnostics.starts_at)
    except ValueError:
        return None

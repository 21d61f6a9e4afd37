"""Why there is no plan, or not the one wanted, for people: in their words, with file and line."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from allocator.planning.clock import Clock
from allocator.planning.limits import Limit, Want
from allocator.planning.settings import Settings
from allocator.planning.why import Change, Conflict, conflict_of
from allocator.reporting.text import paragraph
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.studies.wanted import amount_shown

FORMAT = "allocator.why/1"


def why_not(site: Site, settings: Settings, wants: Sequence[Want] = ()) -> Conflict:
    """Limits that conflict on a site, with what is wanted of it; see :mod:`allocator.planning.why`.

    The settings' time limit is that of the whole search.
    """
    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    return conflict_of(site, settings, clock, tuple(wants))


def why_text(site: Site, marks: Marks, found: Conflict, wants: Sequence[Want] = ()) -> str:
    """The answer in words; each limit with its place in the file and the change that would do."""
    what = "what is wanted" if wants else "a plan"
    name = site.name
    if found.status == "possible":
        return f"{name}: {what} is possible; no limits conflict.\n"
    if found.status == "unknown":
        return f"{name}: whether {what} is possible was not found out in the time; allow more.\n"
    lines = [f"{name}: {what} is proven impossible."]
    if found.status == "unlimited":
        told = (
            "No limit is to blame: it cannot be done whatever stocks, caps, sizes and flows are "
            "lifted. Look for missing routes, places, stores or machines."
        )
        lines += paragraph(told, indent=0)
        lines += [f"  rule that cannot hold: {rule}" for rule in found.rules]
        return "\n".join(lines) + "\n"
    lines.append(_set(found))
    for change in found.changes:
        lines += [
            "",
            *paragraph(f"{said(change.limit)} ({place(marks, change.limit)})", bullet="* "),
        ]
        lines += paragraph(f"{what_would_do(change)}.", indent=4)
    return "\n".join(lines) + "\n"


def _set(found: Conflict) -> str:
    if len(found.limits) == 1:
        return "One limit by itself is to blame; without it, the others can hold:"
    if found.minimal:
        return "These limits cannot hold together; without any one of them the others can:"
    return "These limits cannot hold together (in the time, some of them may be there needlessly):"


def said(limit: Limit) -> str:
    """A limit as a sentence without its end."""
    if limit.kind == "want" and limit.name.startswith("tap:"):
        return limit.words
    if limit.kind == "flow":
        return f"{limit.words} no more than is said of them"
    return f"{limit.words} {_most(limit)}{amount_shown(limit.value, limit.dimension)}"


def _most(limit: Limit) -> str:
    kinds = ("capacity", "fill_rate", "release_rate", "size", "places", "most", "money", "emission")
    return "at most " if limit.kind in kinds else ""


def place(marks: Marks, limit: Limit) -> str:
    """Where a limit stands: ``file:line``, or that it was asked for."""
    return marks.of(limit.path) if limit.path else "asked for"


def what_would_do(change: Change) -> str:
    """The least change of a limit alone, in words."""
    limit = change.limit
    if change.amount is None:
        if change.proven:
            return "No change of this limit alone would do"
        if change.least > 0:
            least = amount_shown(change.least, limit.dimension)
            way = "more" if limit.more else "less"
            return f"At least {least} {way} is needed; what would do was not found out in the time"
        return "Whether a change of this limit alone would do was not found out in the time"
    after = limit.value + change.amount if limit.more else limit.value - change.amount
    by = amount_shown(change.amount, limit.dimension)
    word = "more" if limit.more else "less"
    least = amount_shown(change.least, limit.dimension)
    exact = "" if change.proven else f" (at least {least} is needed)"
    if limit.kind == "want" and limit.name.startswith("tap:"):
        return "Without it the rest can hold"
    if limit.kind == "flow":
        return f"{by} more from each of them would do{exact}"
    return f"{by} {word}, {amount_shown(max(0.0, after), limit.dimension)}, would do{exact}"


def why_json(site: Site, marks: Marks, found: Conflict) -> str:
    """The answer as JSON, SI units, ending in a new line."""
    data = {
        "format": FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "status": found.status,
        "minimal": found.minimal,
        "limits": list(_facts(marks, found.changes)),
        "rules": list(found.rules),
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _facts(marks: Marks, changes: Sequence[Change]) -> Iterator[dict[str, object]]:
    for change in changes:
        limit = change.limit
        yield {
            "kind": limit.kind,
            "name": limit.name,
            "where": place(marks, limit),
            "value": limit.value,
            "dimension": limit.dimension,
            "least_change": change.amount,
            "direction": "more" if limit.more else "less",
            "proven": change.proven,
            "least_needed": change.least,
        }

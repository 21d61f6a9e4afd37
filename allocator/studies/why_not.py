"""Why there is no plan, or not the one wanted, for people: in their words, with file and line."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence
from dataclasses import replace

from allocator.planning import make_plan
from allocator.planning.clock import Clock
from allocator.planning.limits import Limit, Want
from allocator.planning.settings import Settings
from allocator.planning.why import CLOSE, Change, Conflict, conflict_of
from allocator.reporting.text import paragraph
from allocator.reporting.words import quantity
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.studies.wanted import amount_shown

FORMAT = "allocator.why/1"


WHY_SHARE = 0.65
"""Of the time for the conflict; the rest is for a plan that comes as near as can be to a want."""
GOALS = {"firm_clean": "clean_power", "firm_total": "served_power"}


def why_not(site: Site, settings: Settings, wants: Sequence[Want] = ()) -> Conflict:
    """Limits that conflict on a site, with what is wanted of it; see :mod:`allocator.planning.why`.

    The settings' time limit is that of the whole search. Where power is all that is wanted and
    it is not settled how much there can be, a plan is looked for in the rest of the time.
    """
    timed = settings.node_limit is None
    clock = Clock(settings.time_limit * (WHY_SHARE if wants else 1.0) if timed else None)
    found = conflict_of(site, settings, clock, tuple(wants))
    if len(wants) != 1 or wants[0].kind not in GOALS or _settled(found):
        return found
    left = max(1.0, settings.time_limit - clock.seconds()) if timed else settings.time_limit
    reached = _most_power(site, replace(settings, time_limit=left), GOALS[wants[0].kind])
    return found if reached is None else _with_plan(found, wants[0], reached)


def _settled(found: Conflict) -> bool:
    if found.status in ("possible", "unlimited"):
        return True
    return any(change.proven for change in found.changes if change.limit.kind == "want")


def _most_power(site: Site, settings: Settings, goal: str) -> float | None:
    """Power of the best plan that is found for one goal, W; None without a plan."""
    plan = make_plan(replace(site, goals=(goal,)), settings).plan
    if plan is None:
        return None
    firm, power = plan.basis == "firm", plan.power
    if goal == "clean_power":
        return power.firm_clean if firm else power.mean_clean
    return power.firm_total if firm else power.mean_total


def _with_plan(found: Conflict, want: Want, reached: float) -> Conflict:
    """What a plan says of a conflict: that there is none, or how far the want must come down."""
    if found.status == "unknown" and reached >= want.amount:
        return Conflict("possible")
    changes = []
    for change in found.changes:
        amount = want.amount - reached
        if change.limit.kind == "want" and (change.amount is None or amount < change.amount):
            least = min(change.least, amount)
            change = Change(change.limit, amount, amount <= least * (1 + CLOSE), least)
        changes.append(change)
    return replace(found, changes=tuple(changes), reached=reached)


def why_text(site: Site, marks: Marks, found: Conflict, wants: Sequence[Want] = ()) -> str:
    """The answer in words; each limit with its place in the file and the change that would do."""
    what = "what is wanted" if wants else "a plan"
    name = site.name
    if found.status == "possible":
        return f"{name}: {what} is possible; no limits conflict.\n"
    if found.status == "unknown":
        told = f"{name}: whether {what} is possible was not found out in the time; allow more.\n"
        if found.reached is not None:
            told += f"The best plan that was found reaches {quantity(found.reached, 'power')}.\n"
        return told
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
    silent = [change for change in found.changes if _unknown(change)]
    for change in found.changes:
        if change not in silent or len(silent) < 2:
            lines += ["", *_bullet(marks, change)]
            lines += paragraph(f"{what_would_do(change)}.", indent=4)
    if len(silent) > 1:
        told = "Of these it was not found out in the time whether a change of one alone would do:"
        lines += ["", *paragraph(told, indent=0)]
        for change in silent:
            lines += _bullet(marks, change)
    return "\n".join(lines) + "\n"


def _bullet(marks: Marks, change: Change) -> list[str]:
    return paragraph(f"{said(change.limit)} ({place(marks, change.limit)})", bullet="* ")


def _unknown(change: Change) -> bool:
    return change.amount is None and not change.proven and change.least <= 0


def _set(found: Conflict) -> str:
    if len(found.limits) == 1:
        return "One limit by itself is to blame; without it, the others can hold:"
    if found.minimal:
        return "These limits cannot hold together; without any one of them the others can:"
    return (
        "These limits cannot hold together (that none of them is there needlessly is not proven):"
    )


def said(limit: Limit) -> str:
    """A limit as a sentence without its end."""
    if limit.kind == "want" and limit.name.startswith("tap:"):
        return limit.words
    if limit.shared:
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
    if limit.shared:
        return f"{by} more of each of them would do{exact}"
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
        "reached_w": found.reached,
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

"""Why there is no plan, or not the one wanted, for people: in their words, with file and line."""

from __future__ import annotations

import json
from collections.abc import Iterator, Sequence

from allocator.base.clock import Clock
from allocator.model.index_sets import index_sets_of
from allocator.model.kept_out import kept_out, kept_out_lines
from allocator.model.limits import Limit, Want
from allocator.network.deriving import network_of
from allocator.report.text import paragraph
from allocator.report.words import quantity
from allocator.search.conflicts import Conflict, conflict_of
from allocator.search.elastic import Change
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.solver.settings import Settings
from allocator.studies.most_power import GOALS, MostPower
from allocator.studies.wanted import amount_shown

FORMAT = "allocator.why/1"


def why_not(site: Site, settings: Settings, wants: Sequence[Want] = ()) -> Conflict:
    """Limits that conflict on a site, with what is wanted of it; see ``search.conflicts``.

    The settings' time limit is that of the whole search. Where power is all that is wanted and
    it is not seen at once that there can be so much, a plan of the most power is looked for too.
    """
    site = network_of(site)
    clock = Clock(settings.time_limit if settings.node_limit is None else None)
    only_power = len(wants) == 1 and wants[0].kind in GOALS
    nearer = MostPower(site, settings, wants[0]) if only_power else None
    return conflict_of(site, settings, clock, tuple(wants), nearer=nearer)


def why_text(site: Site, marks: Marks, found: Conflict, wants: Sequence[Want] = ()) -> str:
    """The answer in words; each limit with its place in the file and the change that would do."""
    what = "what is wanted" if wants else "a plan"
    name = site.name
    if found.status == "possible":
        return f"{name}: {what} is possible; no limits conflict.\n"
    if found.status == "unknown":
        lines = [f"{name}: whether {what} is possible was not found out in the time."]
        lines += _known(found)
        return "\n".join([*lines, *_undecided(marks, found)]) + "\n"
    lines = [f"{name}: {what} is proven impossible.", *_known(found)]
    out = _kept_out(site, wants)
    if found.status == "unlimited":
        told = (
            "No limit is to blame: it cannot be done whatever stocks, caps, sizes and flows are "
            "lifted. Look for missing routes, places, stores or machines."
        )
        lines += paragraph(told, indent=0)
        lines += [f"  rule that cannot hold: {rule}" for rule in found.rules]
        return "\n".join([*lines, *out]) + "\n"
    lines += paragraph(_set(found), indent=0)
    silent = [change for change in found.changes if _unknown(change)]
    for change in found.changes:
        if change not in silent or len(silent) < 2:
            lines += ["", *_bullet(marks, found, change)]
            lines += paragraph(f"{what_would_do(change)}.", indent=4)
    if len(silent) > 1:
        told = "Of these it was not found out in the time whether a change of one alone would do:"
        lines += ["", *paragraph(told, indent=0)]
        for change in silent:
            lines += _bullet(marks, found, change)
    return "\n".join([*lines, *out]) + "\n"


def _kept_out(site: Site, wants: Sequence[Want]) -> list[str]:
    """Sources that can give no power whatever is built; of a tap that is wanted, that one."""
    out = kept_out_lines(index_sets_of(network_of(site)))
    taps = [f"source '{want.name}':" for want in wants if want.kind == "tap"]
    if len(taps) == len(wants) and taps:
        out = [line for line in out if line.startswith(tuple(taps))]
    if not out:
        return []
    told = [text for line in out for text in paragraph(f"{line}.", bullet="* ")]
    return ["", "Kept out of power, whatever is built:", *told]


def _known(found: Conflict) -> list[str]:
    """What is known of the power that is wanted."""
    if found.reached is None:
        return []
    told = f"The best plan that was found reaches {quantity(found.reached, 'power')}"
    if found.bound is not None:
        told += f"; no plan can pass {quantity(found.bound, 'power')}"
    return paragraph(f"{told}.", indent=0)


def _undecided(marks: Marks, found: Conflict) -> list[str]:
    """Where nothing is proven: what would have a part in a conflict, what may, what to try."""
    lines: list[str] = []
    needed = [c for c in found.changes if c.amount is not None and c.limit.kind != "want"]
    if needed:
        told = (
            "Should it be impossible, each of these has a part in every conflict, for with a "
            "change of it alone a plan was found:"
        )
        lines += ["", *paragraph(told, indent=0)]
        for change in needed:
            lines += ["", *_bullet(marks, found, change)]
            lines += paragraph(f"{what_would_do(change)}.", indent=4)
    if found.unsettled:
        told = "Whether a change of one of these alone would do was not found out in the time:"
        lines += ["", *paragraph(told, indent=0)]
        for change in found.changes:
            if change.amount is None:
                lines += _bullet(marks, found, change)
    lines += _without(found)
    told = "To try: more time (--time-limit)"
    if needed:
        told += "; a change that is named above"
    if found.bound is not None:
        told += f"; whatever is above {quantity(found.bound, 'power')} is proven impossible"
    return [*lines, "", *paragraph(f"{told}.", indent=0)]


def _without(found: Conflict) -> list[str]:
    """What plans reach without a limit each."""
    if not found.without:
        return []
    lines = ["", *paragraph("The best plan that was found with one limit dropped:", indent=0)]
    for one in found.without:
        told = f"without the limit that {said(one.limit)}: {quantity(one.reached, 'power')}"
        if one.bound is not None:
            told += f"; no plan can pass {quantity(one.bound, 'power')} then"
        lines += paragraph(f"{told}.", bullet="* ")
    return lines


def _bullet(marks: Marks, found: Conflict, change: Change) -> list[str]:
    bullet = "? " if found.status == "conflict" and change.limit in found.unsettled else "* "
    return paragraph(f"{said(change.limit)} ({place(marks, change.limit)})", bullet=bullet)


def _unknown(change: Change) -> bool:
    return change.amount is None and not change.proven and change.least <= 0


def _set(found: Conflict) -> str:
    if len(found.limits) == 1:
        return "One limit by itself is to blame; without it, the others can hold:"
    if found.minimal:
        return (
            "These limits cannot hold together; without any one of them the others can, and "
            "that is proven:"
        )
    if set(found.unsettled) >= set(found.limits):
        return (
            "These limits cannot hold together. That none of them is there needlessly is not "
            "proven:"
        )
    return (
        "These limits cannot hold together. Those with a star are proven to have a part in it; of "
        "those with a question mark that is not proven:"
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
            return "No change of this limit alone would do: others, held as they are, would stop it"
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
    if not change.proven and change.least <= 0:
        exact = " (whether less would do is not known)"
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
        "limits": list(_facts(marks, found)),
        "rules": list(found.rules),
        "kept_out": {} if found.status == "possible" else kept_out(index_sets_of(network_of(site))),
        "reached_w": found.reached,
        "bound_w": found.bound,
        "without": [
            {
                "kind": one.limit.kind,
                "name": one.limit.name,
                "reached_w": one.reached,
                "bound_w": one.bound,
            }
            for one in found.without
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _facts(marks: Marks, found: Conflict) -> Iterator[dict[str, object]]:
    for change in found.changes:
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
            "needed_proven": limit not in found.unsettled,
        }

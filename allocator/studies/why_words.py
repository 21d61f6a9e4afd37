"""Why there is no plan, or not the one that is wanted, in words, with file and line."""

from __future__ import annotations

from collections.abc import Sequence

from allocator.base.text import paragraph
from allocator.model.index_sets import index_sets_of
from allocator.model.kept_out import kept_out_lines
from allocator.model.limits import Want, amount_shown, change_shown
from allocator.network.deriving import network_of
from allocator.report.words import quantity
from allocator.search.conflicts import Conflict
from allocator.search.elastic import Change
from allocator.site.marks import Marks
from allocator.site.records import Site
from allocator.studies.limit_words import where


def why_text(site: Site, marks: Marks | None, found: Conflict, wants: Sequence[Want] = ()) -> str:
    """The answer; each limit with its place in the file and the change that is sufficient."""
    what = "what is wanted" if wants else "a plan"
    name = site.name
    if found.status == "possible":
        return f"{name}: {what} is possible; no limits conflict.\n"
    if found.status == "unknown":
        lines = [f"{name}: whether {what} is possible was not determined in the time."]
        lines += _known(found)
        return "\n".join([*lines, *_undecided(marks, found)]) + "\n"
    lines = [f"{name}: {what} is proven impossible.", *_known(found)]
    out = _kept_out(site, wants)
    if found.status == "unlimited":
        told = (
            "No limit causes it: it is impossible with any stocks, caps, sizes and flows. "
            "Look for missing routes, places, storage or machines."
        )
        lines += paragraph(told, indent=0)
        lines += [f"  rule that cannot hold: {rule}" for rule in found.rules]
        return "\n".join([*lines, *out]) + "\n"
    lines += paragraph(_set(found), indent=0)
    silent = [change for change in found.changes if _unknown(change)]
    for change in found.changes:
        if change not in silent or len(silent) < 2:
            lines += ["", *_bullet(marks, found, change)]
            lines += paragraph(f"{sufficient(change)}", indent=4)
    if len(silent) > 1:
        told = "Not determined in the time, whether a change of one of these alone is sufficient:"
        lines += ["", *paragraph(told, indent=0)]
        for change in silent:
            lines += _bullet(marks, found, change)
    return "\n".join([*lines, *out]) + "\n"


def _kept_out(site: Site, wants: Sequence[Want]) -> list[str]:
    """Sources that can give no power whatever is built; only those wanted."""
    out = kept_out_lines(index_sets_of(network_of(site)))
    taps = [f"source '{want.name}':" for want in wants if want.kind == "connect"]
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
    told = f"Best plan found: {quantity(found.reached, 'power')}"
    if found.bound is not None:
        told += f"; proven limit {quantity(found.bound, 'power')}"
    return paragraph(f"{told}.", indent=0)


def _undecided(marks: Marks | None, found: Conflict) -> list[str]:
    """Where nothing is proven: what would have a part in a conflict, what may, what to try."""
    lines: list[str] = []
    needed = [c for c in found.changes if c.amount is not None and c.limit.kind != "want"]
    if needed:
        told = (
            "If it is impossible, each of these is part of every conflict, for with a change of "
            "it alone a plan was found:"
        )
        lines += ["", *paragraph(told, indent=0)]
        for change in needed:
            lines += ["", *_bullet(marks, found, change)]
            lines += paragraph(f"{sufficient(change)}", indent=4)
    if found.unsettled:
        told = "Not determined in the time, whether a change of one of these alone is sufficient:"
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
    lines = ["", *paragraph("Best plan found without one of the limits:", indent=0)]
    for one in found.without:
        told = f"without the limit that {one.limit.stated}: {quantity(one.reached, 'power')}"
        if one.bound is not None:
            told += f"; proven limit then {quantity(one.bound, 'power')}"
        lines += paragraph(f"{told}.", bullet="* ")
    return lines


def _bullet(marks: Marks | None, found: Conflict, change: Change) -> list[str]:
    bullet = "? " if found.status == "conflict" and change.limit in found.unsettled else "* "
    return paragraph(f"{change.limit.stated} ({where(marks, change.limit)})", bullet=bullet)


def _unknown(change: Change) -> bool:
    return change.amount is None and not change.proven and change.least <= 0


def _set(found: Conflict) -> str:
    if len(found.limits) == 1:
        return "One limit alone makes it impossible; without it, the others can hold:"
    if found.minimal:
        return "These limits cannot hold together; without any one of them the others can (proven):"
    if set(found.unsettled) >= set(found.limits):
        return (
            "These limits cannot hold together. It is not proven that each of them is needed "
            "for the conflict:"
        )
    return (
        "These limits cannot hold together. Those with a star are proven to be part of the "
        "conflict; for those with a question mark that is not proven:"
    )


def sufficient(change: Change) -> str:
    """The least change of a limit alone that is sufficient, in words."""
    limit = change.limit
    least = change_shown(change.least, limit, -1)
    if change.amount is None:
        if change.proven:
            return (
                "no change of this limit alone is sufficient: other limits, as they are, prevent it"
            )
        if change.least > 0:
            return f"at least {least} is needed; what is sufficient was not determined in the time"
        return "not determined in the time, whether a change of this limit alone is sufficient"
    if limit.kind == "want" and limit.name.startswith("connect:"):
        return "without it the rest can hold"
    open_ = "" if change.proven else f"; at least {least} is needed"
    if not change.proven and change.least <= 0:
        open_ = "; whether less is sufficient is not known"
    by = change_shown(change.amount, limit, 1)
    if limit.shared:
        return f"sufficient: {by} for each of them{open_}"
    way = 1 if limit.more else -1
    after = max(0.0, limit.value + way * change.amount)
    return f"sufficient: {amount_shown(after, limit.dimension, way)} ({by}){open_}"

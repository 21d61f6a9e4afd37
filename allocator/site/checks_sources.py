"""Checks of a source that need more than one value: duty cycle, delivery, chamber of the pump."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from allocator.base.dimensions import format_absolute, format_quantity
from allocator.site.checks_series import recorded_source
from allocator.site.records import Stage
from allocator.site.site_values import Filled, SiteValues
from allocator.site.spreads import ends
from allocator.site.table import Values

MOST_INTERVALS = 5_000_000
"""On-intervals in one outermost period beyond which a cycle cannot be planned exactly."""


def stages_of(values: Values, whole: SiteValues) -> Filled | None:
    """The stages of a source, by its cycle, its delivery or its series."""
    if values.has("series"):
        return recorded_source(values, whole)
    stages = _cycle(values) if values.has("cycle") else _delivery(values)
    _check_next_start(values, stages)
    _check_chamber(values)
    if stages is None:
        return None
    return {"stages": _without_idle_stages(stages), "delivered": values.has("delivery")}


def _check_chamber(values: Values) -> None:
    """A chamber is filled up to the pressure at the mouth, which must be above its least one."""
    pump: Values | None = values.get("pump")
    chamber: Values | None = pump.get("chamber") if pump else None
    if pump is None or chamber is None or not chamber.whole:
        return
    pressure, least = values.get("pressure"), chamber.get("min_pressure")
    if not values.has("pressure"):
        pump.fault(
            "chamber",
            "needs the pressure at the source's mouth, to which it is filled",
            "add 'pressure' to the source",
        )
    elif pressure is not None and least >= pressure:
        chamber.fault(
            "min_pressure",
            f"is not below the pressure at the mouth ({format_absolute(pressure)}), "
            "so nothing can be drawn",
            "give a lower one",
        )


def _cycle(values: Values) -> tuple[Stage, ...] | None:
    """The stages as given, or None where a fault was noted."""
    read: tuple[Values, ...] | None = values.get("cycle")
    if read is None:
        return None
    sound = True
    for number, stage in enumerate(read, 1):
        # Where values have a range, no draw of it may break the nesting.
        on = ends(stage, "on")[1] if "on" in stage.found else None
        least, every = ends(stage, "every") if "every" in stage.found else (None, None)
        if on is not None and least is not None and on > least:
            sound = False
            stage.fault(
                "on",
                f"is longer than its period ({_span(on)} of every {_span(least)})",
                "'every' is the time from one start to the next",
            )
        outer = read[number] if number < len(read) else None
        room = ends(outer, "on")[0] if outer is not None and "on" in outer.found else None
        if room is not None and every is not None and every > room:
            sound = False
            stage.fault(
                "every",
                f"must fit into the on-time of the next stage ({_span(every)} > {_span(room)})",
                "list the stages innermost first",
            )
    if not sound or not all(stage.whole for stage in read):
        return None
    stages = tuple(Stage(stage.get("on"), stage.get("every")) for stage in read)
    if len(_without_idle_stages(stages)) < len(stages) and _has_ranges(read):
        values.fault(
            "cycle",
            "has a range, and a first stage that is on all the time",
            "leave that stage out",
        )
        return None
    return stages if _countable(values, stages) else None


def _has_ranges(stages: Sequence[Values]) -> bool:
    return any(low < high for s in stages for low, high in (ends(s, "on"), ends(s, "every")))


def _countable(values: Values, stages: Sequence[Stage]) -> bool:
    count = math.prod(outer.on / inner.every for inner, outer in pairwise(stages))
    if count <= MOST_INTERVALS:
        return True
    values.fault(
        "cycle",
        f"has about {count:.0e} on-times in one period of its last stage",
        "leave the first stage out and give the mean flow while it lasts",
    )
    return False


def _delivery(values: Values) -> tuple[Stage, ...] | None:
    """Bought fuel: it unloads for ``batch / flow`` of every delivery interval."""
    delivery: Values | None = values.get("delivery")
    if delivery is None:
        return () if not values.has("delivery") else None
    flow = values.get("flow")
    if flow is None or not delivery.whole:
        return None
    on, every = ends(delivery, "batch")[1] / ends(values, "flow")[0], ends(delivery, "every")[0]
    if on > every:
        delivery.fault(
            "batch",
            f"takes {_span(on)} to unload at this flow, longer than 'every' ({_span(every)})",
            "give a higher 'flow' or a smaller 'batch'",
        )
        return None
    return (Stage(delivery.get("batch") / flow, delivery.get("every")),)


def _check_next_start(values: Values, stages: tuple[Stage, ...] | None) -> None:
    next_start = values.get("next_start")
    if next_start is None or stages is None:
        return
    if not stages:
        values.fault("next_start", "is given for a source that is always on", "give its 'cycle'")
    elif next_start > stages[-1].every:
        values.fault(
            "next_start",
            f"is later than the period of the last stage ({_span(stages[-1].every)})",
            "give the time until it next turns on",
        )


def _without_idle_stages(stages: tuple[Stage, ...]) -> tuple[Stage, ...]:
    """Drops inner stages that are on all the time: they change nothing.

    An outer one stays, as the stages inside begin anew each time that it turns on.
    """
    while stages and stages[0].on >= stages[0].every:
        stages = stages[1:]
    return stages


def _span(seconds: float) -> str:
    return format_quantity(seconds, "duration")

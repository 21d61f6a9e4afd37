"""What firm power costs of one scarce thing: the frontier with its knees and its jumps."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from allocator.base.errors import AllocatorError
from allocator.base.quantities import shown
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.report.text import paragraph, section, table, width
from allocator.report.words import STATUS_WORDS, at, gap, quantity
from allocator.report.words import money as sum_of_money
from allocator.search import Settings
from allocator.search.frontier_points import Point, frontier_of
from allocator.site.records import Site
from allocator.verify import audit

FORMAT = "allocator.frontier/1"
AUDITS_ASIDE = 0.96
"""Share of the time that is for the points; the rest is for their audits."""
BEND = 2.0
"""A knee: what is given after it buys less than half of what was bought before it."""


@dataclass(frozen=True, slots=True)
class TradeOffStep:
    """A point of the frontier; ``changes``: whole things that differ from the point before.

    ``rate``: W a unit (SI) of what is given since the point before. ``knee``: how many times less
    the next step buys a unit, where that is :data:`BEND` or more.
    """

    point: Point
    plan: Plan
    changes: tuple[str, ...]
    rate: float | None
    knee: float | None


def check_give(site: Site, give: str) -> None:
    """Raises AllocatorError where there is nothing of that name to give."""
    names = [*site.materials, "money", "emissions"]
    if give not in names:
        raise AllocatorError(f"--give {shown(give)}: choose one of {', '.join(names)}")


def trade_off(
    site: Site,
    give: str,
    steps: int,
    settings: Settings | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> list[TradeOffStep]:
    """The frontier of :func:`~allocator.search.frontier_points.frontier_of`, each plan audited."""
    site = network_of(site)
    settings = settings or Settings()
    # the audits are part of what the user waits for
    searched = replace(settings, time_limit=AUDITS_ASIDE * settings.time_limit)
    points = frontier_of(site, give, steps, searched, tell)
    rates = [None, *(_rate(a, b) for a, b in itertools.pairwise(points))]
    found = []
    for number, point in enumerate(points):
        before = points[number - 1].plan if number else None
        plan = replace(point.plan, cautions=cautions_for(site), verified=False)
        plan = replace(plan, verified=audit(site, plan).accepted)
        own = rates[number]
        after = rates[number + 1] if number + 1 < len(points) else None
        knee = own / after if own is not None and after and own >= BEND * after else None
        changes = () if before is None else _changes(before, plan)
        found.append(TradeOffStep(point, plan, changes, own, knee))
    return found


def _rate(before: Point, after: Point) -> float:
    given = after.given - before.given
    return (after.power - before.power) / given if given > 0 else float("inf")


def _changes(before: Plan, after: Plan) -> tuple[str, ...]:
    """Taps, runs, lines, stores and machines that came or went: the jumps of whole things."""
    old, new = _whole(before), _whole(after)
    found = []
    for name in dict.fromkeys((*old, *new)):
        more = new.get(name, 0) - old.get(name, 0)
        if more:
            number = f"{abs(more)} " if abs(more) > 1 else ""
            found.append(f"{'+' if more > 0 else '-'}{number}{name}")
    return tuple(found)


def _whole(plan: Plan) -> dict[str, int]:
    found = {at(m.name): m.new for m in plan.machines if m.new}
    found |= {f"{at(s.name)} (store)": 1 for s in plan.stores if s.new_size > 0}
    found |= {f"{at(b.name)} (store)": 1 for b in plan.batteries if b.new_size > 0}
    found |= {f"tap {s.name}": 1 for s in plan.sources if s.new}
    found |= {f"{r.build} on {r.route}": 1 for r in plan.runs if r.new}
    found |= {f"line {use.name}": 1 for use in plan.lines if use.new}
    return found


def trade_off_text(site: Site, give: str, steps: Sequence[TradeOffStep]) -> str:
    """The frontier on a terminal."""
    power = "power in all" if give == "emissions" else "clean power"
    lines = [f"{site.name}: firm {power} against {give}", "-" * width()]
    cells = [
        (
            given_shown(give, step.point.given),
            quantity(step.point.power, "power"),
            "-" if step.point.bound is None else quantity(step.point.bound, "power"),
            gap(step.point.gap),
            STATUS_WORDS.get(step.point.status, step.point.status),
            step.point.end or ("knee" if step.knee else ""),
            "accepted" if step.plan.verified else "REJECTED",
        )
        for step in steps
    ]
    heads = (give, "firm power", "bound", "gap", "search", "", "audit")
    lines += section("Points that no other dominates", table(heads, cells, right=(0, 1, 2, 3)))
    lines += section("Knees", _knees(give, steps))
    lines += section("What changes in whole pieces from point to point", _jumps(give, steps))
    return "\n".join(lines) + "\n"


def given_shown(give: str, value: float) -> str:
    """An amount of what is given, as people write it."""
    if give == "money":
        return sum_of_money(value)
    return quantity(value, "emission_rate" if give == "emissions" else "mass")


def _knees(give: str, steps: Sequence[TradeOffStep]) -> list[str]:
    lines = []
    for step in sorted(steps, key=lambda s: -(s.knee or 0.0)):
        if step.knee is not None:
            times = f"{step.knee:.2g} times less" if step.knee < 1000 else "next to nothing"
            lines += paragraph(
                f"{given_shown(give, step.point.given)} for "
                f"{quantity(step.point.power, 'power')}: what is given beyond buys {times}",
                bullet="* ",
            )
    return lines


def _jumps(give: str, steps: Sequence[TradeOffStep]) -> list[str]:
    lines = []
    for step in steps[1:]:
        listed = ", ".join(step.changes) or "nothing: amounts alone"
        lines += paragraph(f"to {given_shown(give, step.point.given)}: {listed}", bullet="* ")
    return lines


def trade_off_csv(give: str, steps: Sequence[TradeOffStep]) -> str:
    """A line a point, SI."""
    import pandas as pd

    from allocator.report.tables import csv_text

    return csv_text(pd.DataFrame([_facts(give, step) for step in steps], dtype=object))


def _facts(give: str, step: TradeOffStep) -> dict[str, object]:
    unit = {"money": "", "emissions": "_kg_per_s"}.get(give, "_kg")
    point = step.point
    return {
        f"{give}{unit}": point.given,
        "firm_power_w": point.power,
        "bound_w": point.bound,
        "gap": point.gap,
        "status": point.status,
        f"least_{give}{unit}_for_it": point.least_given,
        "end": point.end,
        "knee": step.knee,
        "audited": step.plan.verified,
        "changes": "; ".join(step.changes),
    }


def trade_off_json(site: Site, give: str, steps: Sequence[TradeOffStep]) -> str:
    """The points as JSON, SI, ending in a new line."""
    data = {
        "format": FORMAT,
        "site": {"name": site.name, "sha256": site.sha256},
        "give": give,
        "basis": steps[0].plan.basis if steps else "",
        "points": [
            {
                "given": step.point.given,
                "power_w": step.point.power,
                "bound_w": step.point.bound,
                "gap": step.point.gap,
                "status": step.point.status,
                "least_given": step.point.least_given,
                "end": step.point.end,
                "knee": step.knee,
                "audited": step.plan.verified,
                "changes": list(step.changes),
            }
            for step in steps
        ],
    }
    return json.dumps(data, indent=2, ensure_ascii=False, allow_nan=False) + "\n"

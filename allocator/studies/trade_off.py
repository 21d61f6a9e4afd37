"""What firm power costs of one scarce thing: the frontier with its knees and its jumps."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, replace

from allocator.base.quantities import shown
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.plans.records import Plan, Run
from allocator.report.words import at, units_words
from allocator.search import Settings
from allocator.search.frontier_points import Point, frontier_of
from allocator.site.addresses import GIVEN, AddressError, Path, resolved
from allocator.site.records import Site
from allocator.verify import audit

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


def given_of(site: Site, give: str) -> str:
    """What is given, by its address: a material, ``money``, ``booster_power`` or ``emissions``.

    Raises AddressError where the site has nothing with that address to give.
    """
    names: dict[Path, str] = {("materials", name, "stock"): name for name in site.materials}
    names |= {path: name for name, path in GIVEN.items() if path[0] != "boosters" or site.boosters}
    try:
        return names[resolved(give, names, "stock or limit")]
    except AddressError as error:
        raise AddressError(f"--give {shown(give)}: {error}") from None


def frontier_steps(
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


def _laid(run: Run) -> str:
    """A pipe on its route; a cooler or heat sink at its place, which its route names."""
    built = units_words(run.build)
    kind = built.lstrip("0123456789 ").partition(" (")[0]
    if run.route.startswith(f"{kind} at "):
        return f"{built}{run.route.removeprefix(kind).replace(': ', ', ', 1)}"
    return f"{run.build} on {run.route}"


def _whole(plan: Plan) -> dict[str, int]:
    found = {at(m.name): m.new for m in plan.machines if m.new}
    found |= {f"{at(s.name)} (store)": 1 for s in plan.stores if s.new_size > 0}
    found |= {f"{at(b.name)} (store)": 1 for b in plan.batteries if b.new_size > 0}
    found |= {f"connection of {s.name}": 1 for s in plan.sources if s.new}
    found |= {_laid(r): 1 for r in plan.runs if r.new}
    found |= {f"line {use.name}": 1 for use in plan.lines if use.new}
    return found

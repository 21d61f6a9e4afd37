"""The parts of a plan, each as a table of text: taps, machines, stores, pipes."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.text import paragraph, table
from allocator.network.records import Network
from allocator.plans.records import MachineUse, Plan
from allocator.report.loads import (
    corridor_of,
    mean_load,
    run_ends,
    run_peak,
    runs_of_kind,
)
from allocator.report.pressures import (
    booster_into,
    pressure_ends,
    unchecked_pipes,
    valves_of,
)
from allocator.report.words import at, count, destination, percent, quantity, shape


def sources_tapped(site: Network, plan: Plan) -> list[str]:
    """Connected sources: flow, and what each feeds; a line a destination.

    Rates are those while a source is on; on the mean basis they are means.
    """
    rows: list[tuple[str, ...]] = []
    for use in plan.sources:
        if not use.tapped:
            continue
        source = site.sources[use.name]
        ways = [(quantity(rate, "mass_rate"), destination(to)) for to, rate in use.collect.items()]
        ways += [
            (quantity(mean, "mass_rate"), f"supply, {shape(to)}") for to, mean in use.direct.items()
        ]
        through = {site.sources[u.name].part_of for u in plan.sources if u.from_chamber}
        nowhere = ("", "through its chamber alone") if use.name in through else ("0", "nowhere")
        for i, (rate, to) in enumerate(ways or [nowhere]):
            place = site.ground(source.place)
            tap = "the same" if use.from_chamber else _new(use.new)
            whence = (use.name, place, source.fluid, tap) if i == 0 else ("",) * 4
            rows.append((*whence, rate, to))
    rate = "flow when on" if plan.basis == "firm" else "mean flow"
    heads = ("source", "place", "fluid", "status", rate, "feeds")
    return table(heads, rows, right=(4,)) if rows else []


def machines(site: Network, plan: Plan) -> list[str]:
    """Machines where and how many, and their duty."""
    rows = []
    for use in plan.machines:
        if use.count <= 0:
            continue
        kind = site.machines[use.type]
        existing = use.count - use.new
        if kind.power_out > 0:
            each = f"{quantity(kind.power_out, 'power')} out"
        elif kind.power_in > 0:
            each = f"{quantity(kind.power_in, 'power')} in"
        else:
            each = ""
        rows.append(
            (use.type, site.ground(use.place), str(use.new), str(existing), each, _work(use))
        )
    heads = ("type", "place", "new", "existing", "rated, each", "duty")
    return table(heads, rows, right=(2, 3)) if rows else []


def _work(use: MachineUse) -> str:
    """How a group runs, in words; loads in units at full load."""
    parts = []
    if use.running:
        load = percent((use.flat_load + sum(use.following.values())) / use.running)
        followed = ", ".join(use.following)
        way = f", load-following {followed}" if any(use.following.values()) else ""
        parts.append(f"{use.running} running, mean load {load}{way}")
    elif mean_load(use) > use.cycled:
        parts.append(f"{count(mean_load(use) - use.cycled)} at full load")
    held = " and ".join(f"{quantity(kg, 'mass')} {name}" for name, kg in use.buffer_vessel.items())
    if use.cycled > 0:
        beside = f"; buffer vessel: {held}" if held else ""
        parts.append(f"1 on {percent(use.cycled)} of the time{beside}")
    burst = sum(use.burst.values())
    if burst > 0:
        into = ", ".join(at(name) for name, units in use.burst.items() if units > 0)
        beside = f"; buffer vessel: {held}" if held and use.cycled <= 0 else ""
        parts.append(f"{count(burst)} run direct, charging {into}{beside}")
    return "; ".join(parts) or "spare"


def stores_built(site: Network, plan: Plan) -> list[str]:
    """Store sizes, what of them is new, and what each gives at all times."""
    rows = []
    for use in plan.stores:
        if use.size > 0:
            promise = _promised(use.draw)
            place, size = site.ground(use.place), _size(use.size, use.new_size, "mass")
            rows.append((use.type, place, use.holds, *size, promise))
    for battery in plan.batteries:
        if battery.size > 0:
            promise = _battery_work(battery.level_part, battery.burst_part, battery.swing_part)
            size = _size(battery.size, battery.new_size, "energy")
            rows.append((battery.type, battery.place, "power", *size, promise))
    heads = ("store", "place", "holds", "size", "new", "firm output / purpose")
    return table(heads, rows, right=(3, 4)) if rows else []


def _size(size: float, new: float, dimension: str) -> tuple[str, str]:
    return quantity(size, dimension), quantity(new, dimension) if new > 0 else "0"


def _promised(draw: Mapping[str, float]) -> str:
    kept = {name: rate for name, rate in draw.items() if rate > 0}
    return ", ".join(f"{quantity(r, 'mass_rate')} {shape(name)}" for name, r in kept.items())


def _battery_work(level: float, burst: Mapping[str, float], swing: float) -> str:
    parts = [
        (level, "levelling"),
        (sum(burst.values()), "bursts"),
        (swing, "machine runs"),
    ]
    return ", ".join(f"{quantity(size, 'energy')} {use}" for size, use in parts if size > 0)


def runs_laid(site: Network, plan: Plan) -> list[str]:
    """Pipes: from where to where, which build, how long, how full at the busiest moment."""
    rows = []
    for run in runs_of_kind(site, plan, "pipe"):
        start, end = (site.ground(place) for place in run_ends(site, run))
        peak = run_peak(site, run)
        route = site.routes[run.route]
        length = quantity(route.length, "length")
        use = percent(peak / site.capacity(run.route, run.build, run.fluid))
        flow = quantity(peak, "mass_rate")
        way = f"{start} > {end}"
        rows.append(
            (corridor_of(route), way, run.build, run.fluid, _new(run.new), length, flow, use)
        )
    heads = (
        "route",
        "from > to",
        "build",
        "carries",
        "status",
        "length",
        "peak flow",
        "of capacity",
    )
    return table(heads, rows, right=(5, 6, 7)) if rows else []


def _new(new: bool) -> str:
    return "new" if new else "existing"


LOWEST = 12
"""Places with the least margins that a summary lists; all are in pressures.csv."""


def pressures_along(site: Network, plan: Plan) -> list[str]:
    """Pressures at the places with the least margins, and what they need to hold."""
    ends = sorted(pressure_ends(site, plan), key=lambda end: end.margin)
    if not ends:
        return []
    rows = [
        (
            end.place,
            end.at.fluid,
            *(quantity(p, "pressure") for p in (end.at.high, end.at.low, end.needs, end.margin)),
            quantity(end.at.shut_in, "pressure"),
        )
        for end in ends[:LOWEST]
    ]
    heads = ("place", "fluid", "arrives at", "leaves at", "needed", "margin", "shut in")
    lines = table(heads, rows, right=(2, 3, 4, 5, 6))
    if len(ends) > LOWEST:
        lines.append(f"{len(ends) - LOWEST} more places with wider margins: pressures.csv")
    valves = sum(valve.count for valve in valves_of(site, plan))
    lines += paragraph(
        f"Absolute pressures. They hold with {valves:.0f} non-return and control valves, listed "
        "under set-points; ratings must be above the pressure shut in."
    )
    if unchecked := unchecked_pipes(site, plan):
        lines += paragraph(
            f"Pressure is not checked in {', '.join(unchecked)}: no bore, or no pressure of its "
            "fluid is known."
        )
    return lines


def boosters_placed(site: Network, plan: Plan) -> list[str]:
    """Boosters with their duty."""
    rows = [
        (
            use.booster,
            site.ground(use.start),
            use.fluid,
            booster_into(site, use),
            _new(use.new),
            quantity(use.flow, "mass_rate"),
            quantity(use.power, "power"),
        )
        for use in plan.boosters
    ]
    heads = ("booster", "place", "fluid", "into", "status", "flow", "power")
    return table(heads, rows, right=(5, 6)) if rows else []

"""A site file with what is built so far: ``built``, stock and money left, lengths as laid."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from allocator.base.quantities import exact_text, parse_quantity
from allocator.network.draft import is_mouth
from allocator.network.records import Network
from allocator.plans.records import BatteryUse, Plan, Run, StoreUse
from allocator.report.bill import bill_of_materials
from allocator.report.handover.things import booster_key
from allocator.report.line_tables import count_of_units
from allocator.report.loads import corridor_of
from allocator.site.records import POWER
from allocator.studies.done_steps import DoneStep, StepError

Tree = dict[str, Any]
LEAST = 1e-9
"""Share of a stock below which nothing is left of it."""


def built_part(site: Network, plan: Plan, done: Mapping[str, DoneStep]) -> tuple[Network, Plan]:
    """The plan with what is done as the only new things, pipe as it was laid, and its network.

    Raises:
        StepError: a pipe that the site does not have, or that may not carry the fluid.
    """
    runs, routes = [], dict(site.routes)
    for run in plan.runs:
        one = done.get(f"run:{run.route}:{run.fluid}")
        laid = run
        if one is not None and run.new and _kind(site, run) == "pipe":
            laid = replace(run, build=_pipe_laid(site, run, one))
            if one.length is not None:
                routes[run.route] = replace(routes[run.route], length=one.length)
        runs.append(replace(laid, new=run.new and one is not None))

    def is_new(key: str, new: bool) -> bool:
        return new and key in done

    def count(name: str, new: int) -> int:
        return sum(f"machine:{name}#{number}" in done for number in range(1, new + 1))

    def size(name: str, new: float) -> float:
        return new if f"store:{name}" in done else 0.0

    part = replace(
        plan,
        runs=tuple(runs),
        sources=tuple(replace(s, new=is_new(f"tap:{s.name}", s.new)) for s in plan.sources),
        lines=tuple(
            replace(line, new=is_new(f"line:{line.name}", line.new)) for line in plan.lines
        ),
        boosters=tuple(replace(b, new=is_new(booster_key(b), b.new)) for b in plan.boosters),
        stores=tuple(_sized(use, size(use.name, use.new_size)) for use in plan.stores),
        batteries=tuple(_sized(use, size(use.name, use.new_size)) for use in plan.batteries),
        machines=tuple(_counted(m, count(m.name, m.new)) for m in plan.machines),
    )
    return replace(site, routes=routes), part


def _sized(use: Any, new: float) -> Any:
    """A store with so much of its new size, on top of what was there."""
    return replace(use, size=use.size - use.new_size + new, new_size=new)


def _counted(use: Any, new: int) -> Any:
    return replace(use, count=use.count - use.new + new, new=new)


def _kind(site: Network, run: Run) -> str:
    stream = site.routes[run.route].stream
    return "pipe" if stream is None else stream.kind


def _pipe_laid(site: Network, run: Run, one: DoneStep) -> str:
    if not one.pipe:
        return run.build
    pipe = site.pipes.get(one.pipe)
    if pipe is None or pipe.sink is not None:
        raise StepError(f"no pipe of the site is called {one.pipe!r}")
    if pipe.fluids is not None and run.fluid not in pipe.fluids:
        raise StepError(f"pipe {one.pipe!r} may not carry {run.fluid!r}")
    return one.pipe


def standing_tree(tree: Tree, site: Network, part: Plan, lengths: Mapping[str, float]) -> Tree:
    """The tree of a site file with what a plan has new added to what exists.

    ``part``: see :func:`built_part`; ``lengths``: m of routes as laid, by name in the file.

    Raises:
        StepError: two pipes for a fluid on a route, which ``built`` cannot say.
    """
    found = dict(tree)
    found["built"] = _built(dict(tree.get("built") or {}), site, part)
    used, money = materials_built(site, part), 0.0
    for line in bill_of_materials(site, part):
        money += line.money
    found["materials"] = _less_stock(tree.get("materials") or {}, used)
    limits = tree.get("limits") or {}
    if money > 0 and limits.get("money") is not None:
        left = _less(limits["money"], money, "money")
        found["limits"] = {**limits, "money": left}
    if lengths:
        routes = dict(tree["routes"])
        for name, metres in lengths.items():
            routes[name] = {**routes[name], "length": exact_text(metres, "length")}
            routes[name].pop("detour_factor", None)
        found["routes"] = routes
    return {key: value for key, value in found.items() if value or key in tree}


def materials_built(site: Network, part: Plan) -> dict[str, float]:
    """Kilograms of each material in what a plan has new."""
    used: dict[str, float] = {}
    for line in bill_of_materials(site, part):
        if line.kg is not None:
            used[line.material] = used.get(line.material, 0.0) + line.kg
    return used


def _built(built: Tree, site: Network, part: Plan) -> Tree:
    """The section ``built`` with what is new in a plan."""
    sources = [use.name for use in part.sources if use.new]
    lines = [line.name for line in part.lines if line.new]
    pipes = [_pipe(site, run) for run in part.runs if run.new and _kind(site, run) == "pipe"]
    met = [(run["route"], run["fluid"]) for run in (*(built.get("pipes") or []), *pipes)]
    for route, fluid in met:
        if met.count((route, fluid)) > 1:
            raise StepError(
                f"route {route!r} has two pipes for {fluid!r}, and 'built' can state one; "
                "leave one of them out"
            )
    boosters = [
        {
            "booster": one.booster,
            "place": site.ground(one.start),
            "fluid": one.fluid,
            **(
                {"route": corridor_of(site.routes[one.route])}
                if one.route
                else {"store": one.store.partition("@")[0]}
            ),
        }
        for one in part.boosters
        if one.new
    ]
    storage = {name: dict(sizes) for name, sizes in (built.get("storage") or {}).items()}
    uses: list[StoreUse | BatteryUse] = [*part.stores, *part.batteries]
    for use in uses:
        if use.new_size > 0:
            dimension = "energy" if site.storage[use.type].holds == POWER else "mass"
            told = exact_text(use.size, dimension)
            storage.setdefault(use.type, {})[site.ground(use.place)] = told
    machines = {name: dict(counts) for name, counts in (built.get("machines") or {}).items()}
    for group in part.machines:
        if group.new > 0:
            machines.setdefault(group.type, {})[site.ground(group.place)] = str(group.count)
    parts: Tree = {
        "sources": [*(built.get("sources") or []), *sources],
        "pipes": [*(built.get("pipes") or []), *pipes],
        "power_lines": [*(built.get("power_lines") or []), *lines],
        "storage": storage,
        "machines": machines,
        "boosters": [*(built.get("boosters") or []), *boosters],
        "coolers": _coolers(list(built.get("coolers") or []), site, part),
        "heat_sinks": [*(built.get("heat_sinks") or []), *_heat_sinks(site, part)],
    }
    return {key: value for key, value in parts.items() if value or key in built}


def _coolers(found: list[Tree], site: Network, part: Plan) -> list[Tree]:
    """Existing coolers: with what is new, and more units where some cool the stream already."""
    for run in part.runs:
        arc = site.routes[run.route]
        if not run.new or arc.stream is None or arc.stream.kind != "cooler":
            continue
        units = {"units": str(count_of_units(run.build))}
        if arc.existing is not None:
            found[arc.existing] = {**found[arc.existing], **units}
            continue
        told = {"cooler": arc.stream.corridor, "place": site.ground(arc.start), **units}
        if is_mouth(arc.start):
            own = site.own_sources.values()
            told["source"] = next(one.name for one in own if one.place == arc.start)
        else:
            told["temperature"] = exact_text(arc.stream.inlet, "temperature")
        found.append(told)
    return found


def _heat_sinks(site: Network, part: Plan) -> list[Tree]:
    found = []
    for run in part.runs:
        sink = site.pipes[run.build].sink
        if run.new and sink is not None:
            told: Tree = {"heat_sink": sink.heat_sink, "mass": exact_text(sink.mass, "mass")}
            found.append({**told, "recovery": True} if sink.recovery else told)
    return found


def _pipe(site: Network, run: Run) -> Tree:
    """A pipe under ``built``; where one may bear streams of several temperatures, which it is."""
    arc = site.routes[run.route]
    told = {"route": corridor_of(arc), "pipe": run.build, "fluid": run.fluid}
    if arc.stream is None:
        return told
    others = [
        other
        for other in site.routes.values()
        if other.stream is not None and corridor_of(other) == told["route"]
        if other.stream.kind == "pipe" and other.stream.fluid == run.fluid
    ]
    if len({other.stream.inlet for other in others if other.stream}) > 1:
        told["temperature"] = exact_text(arc.stream.inlet, "temperature")
    if arc.one_way and site.ground(arc.start) != site.corridors[told["route"]].start:
        told["from"] = site.ground(arc.start)
    return told


def _less_stock(materials: Tree, used: Mapping[str, float]) -> Tree:
    """Materials with the stock that is left."""
    found = dict(materials)
    for name, kg in used.items():
        stock = found[name].get("stock") if name in found else None
        if stock is not None and kg > 0:
            found[name] = {**found[name], "stock": _less(stock, kg, "mass")}
    return found


def _less(written: Any, used: float, dimension: str) -> Any:
    """A quantity in the unit in which it is written, less what is used; each end of a range."""
    if isinstance(written, Mapping):
        ends = ("low", "likely", "high", "mean")
        return {
            key: _less(value, used, dimension) if key in ends else value
            for key, value in written.items()
        }
    text = str(written).strip()
    unit = text.lstrip("+-.0123456789eE_").strip() if " " in text else ""
    one = parse_quantity(f"1 {unit}", dimension) if unit else 1.0
    whole = parse_quantity(text, dimension) / one
    left = whole - used / one
    return f"{0.0 if left <= LEAST * whole else _rounded_down(left):.9g} {unit}".rstrip()


def _rounded_down(value: float) -> float:
    """A value above 0 in nine figures: not a gram more than there is."""
    digits = 8 - math.floor(math.log10(value))
    return float(f"{math.floor(value * 10.0**digits) * 10.0**-digits:.9g}")

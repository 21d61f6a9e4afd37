"""Ways that cost nothing between levels and equipment, and routes of fluids without levels."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace

from allocator.network.draft import Draft
from allocator.network.levels import SAME, discharges_of, level_above
from allocator.network.records import Arc, Network, PipeBuild, Stream
from allocator.network.sinks import bears
from allocator.site.records import BuiltPipe

PASSAGE = "passage"
ROOMY = 10.0
"""A passage carries this much more than all sources together: no limit, but a finite number."""


def open_passages(draft: Draft, sources: Mapping[str, str]) -> None:
    """Ways that cost nothing: into equipment from every level that it bears, and out of it.

    Up to what boosters give: gas ahead of one counts as hot as it leaves it, which is never colder.
    And past a heat sink, from the mouth of a source (``sources``: where each comes out) whose pump
    bears its gas uncooled.
    """
    site = draft.site
    room = ROOMY * _most_flow(site)
    for name, mouth in sources.items():
        source = site.sources[name]
        if name in draft.sinks.usable and source.temperature is not None and bears(source):
            level = level_above(draft.levels[source.fluid], source.temperature)
            ends = (mouth, draft.node(source.place, source.fluid, level))
            stream = Stream("passage", source.fluid, source.place, level, level)
            _passage(draft, ends, (source.fluid,), False, room, stream)
    for place, inlet_nodes in draft.inlet_nodes.items():
        for inlet_node in inlet_nodes:
            where = draft.part(place, inlet_node.name) if inlet_node.name else place
            for fluid, levels in draft.levels.items():
                enters = [t for t in levels if inlet_node.takes(fluid, t)]
                leaves = inlet_node.leaves(fluid, levels)
                for level in dict.fromkeys([*enters, *([leaves] if leaves is not None else [])]):
                    node = draft.node(place, fluid, level)
                    ends = (node, where) if level in enters else (where, node)
                    both = level in enters and level == leaves
                    stream = Stream("passage", fluid, place, level, level)
                    _passage(draft, ends, (fluid,), both, room, stream)
            others = [f for f in inlet_node.fluids if f not in draft.levels]
            if inlet_node.name and others:
                stream = Stream("passage", "", place, 0.0, 0.0)
                _passage(draft, (place, where), tuple(others), True, room, stream)
    for fluid, levels in draft.levels.items():
        for place, hot in _blown(site, fluid, levels):
            for level in (level for level in levels if level < hot[-1]):
                above = level_above(hot, level + 2.0 * SAME)
                ends = (draft.node(place, fluid, level), draft.node(place, fluid, above))
                stream = Stream("passage", fluid, place, level, above)
                _passage(draft, ends, (fluid,), False, room, stream)


def _blown(
    site: Network, fluid: str, levels: tuple[float, ...]
) -> Iterator[tuple[str, tuple[float, ...]]]:
    """Places where boosters may stand or stand, each with the levels, rising, of what they give."""
    given: dict[str, set[float]] = {}
    for name, kelvin in discharges_of(site, fluid).items():
        standing = [b.place for b in site.built.boosters if (b.booster, b.fluid) == (name, fluid)]
        for place in (*site.boosters[name].places, *standing):
            given.setdefault(place, set()).add(level_above(levels, kelvin))
    for place, hot in given.items():
        yield place, tuple(sorted(hot))


def _passage(
    draft: Draft,
    ends: tuple[str, str],
    fluids: tuple[str, ...],
    both_ways: bool,
    room: float,
    stream: Stream,
) -> None:
    build = PASSAGE
    while build in draft.site.pipes:
        build += "'"
    draft.builds[build] = PipeBuild(build, room)
    name = f"{ends[0]} to {ends[1]}"
    draft.lay(
        Arc(
            name,
            *ends,
            1.0,
            (build,),
            one_way=not both_ways,
            capacities={(build, fluid): room for fluid in fluids},
            stream=stream,
        )
    )
    draft.existing += [BuiltPipe(name, build, fluid) for fluid in fluids]


def _most_flow(site: Network) -> float:
    """kg/s: more than any fluid ever flows at one place."""
    peaks = [max(d.profile.levels) for d in site.demands.values() if d.profile is not None]
    flows = sum(source.flow for source in site.sources.values())
    given = [rate for machine in site.machines.values() for rate in machine.outputs.values()]
    return (flows + sum(given)) * max([1.0, *peaks])


def keep_other_routes(draft: Draft) -> None:
    """Routes as they are for fluids that are not planned with temperatures."""
    site = draft.site
    for route in site.routes.values():
        existing = [r.pipe for r in site.built.pipes if r.route == route.name]
        listed = {
            (build, fluid): site.capacity(route.name, build, fluid)
            for build in dict.fromkeys((*route.pipes, *existing))
            for fluid in site.fluids
            if fluid not in draft.levels and site.may_carry(route.name, build, fluid)
        }
        if listed:
            draft.lay(replace(route, capacities=listed))
    draft.existing += [run for run in site.built.pipes if run.fluid not in draft.levels]

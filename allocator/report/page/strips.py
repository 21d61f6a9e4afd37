"""What the on/off strips need: cycles with phases, and levels of stores from a simulation."""

from __future__ import annotations

from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.page.simulation import Simulation

MOST_STRIPS = 60
"""Strips on the page: tapped sources that are not always on, in the plan's order."""


@dataclass(frozen=True, slots=True)
class Strips:
    """``data``: for the page's script. ``known``: phases and levels come from a simulation."""

    data: dict[str, object]
    known: bool
    left_out: int


def _shown(site: Network, name: str) -> str:
    """A store or a part of one by its name and the place in the site file."""
    kind, at, rest = name.partition("@")
    place, space, part = rest.rpartition(" ")
    if rest in site.places:
        return f"{kind}{at}{site.ground(rest)}"
    return f"{kind}{at}{site.ground(place)}{space}{part}" if place in site.places else name


def strips_of(
    site: Network, plan: Plan, colours: dict[str, int], found: Simulation | None
) -> Strips:
    """Strips of tapped sources; phases of the first draw of a simulation, else all 0."""
    phases = {} if found is None else found.phases
    tapped = [use.name for use in plan.sources if use.tapped]
    changing = [name for name in tapped if site.sources[name].stages]
    sources = [
        {
            "name": name,
            "look": colours[site.sources[name].fluid],
            "stages": [[stage.on, stage.every] for stage in site.sources[name].stages],
            "phase": phases.get(site.sources[name].part_of or name, 0.0),
        }
        for name in changing[:MOST_STRIPS]
    ]
    longest = max(
        (site.sources[name].stages[-1].every for name in changing[:MOST_STRIPS]), default=86400.0
    )
    data: dict[str, object] = {
        "sources": sources,
        "stores": []
        if found is None
        else [{**level, "name": _shown(site, level["name"])} for level in found.levels],
        "end": 3.0 * longest if found is None else found.seconds,
    }
    return Strips(data, found is not None, max(0, len(changing) - MOST_STRIPS))

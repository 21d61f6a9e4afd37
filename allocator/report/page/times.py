"""What the time slider needs: cycles of sources, levels of stores, and which pipes they feed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.report.page.figures import PageFigures
from allocator.report.page.map import Map
from allocator.report.page.simulation import Simulation
from allocator.report.words import plain
from allocator.site.clocks import timings_of
from allocator.site.records import Site

MOST_STRIPS = 60
"""Strips on the page: connected sources that are not always on, in the plan's order."""


@dataclass(frozen=True, slots=True)
class Times:
    """``data``: for the page's script. ``known``: phases and levels come from a simulation.

    ``said``: where they do not, what is drawn, and for which phases firm output holds.
    """

    data: dict[str, object]
    known: bool
    left_out: int
    said: str = ""


def times_of(figures: PageFigures, site_map: Map, found: Simulation | None) -> Times:
    """Cycles of connected sources, in the phases of the first draw of a simulation.

    Without one, known clocks are drawn as the site file has them, the others from time 0 on.
    ``pipes`` in the data: of each pipe its thing on the map, the kg/s that flow at all times, and
    the sources that feed it with kg/s of each while it is on.
    """
    site, plan = figures.site, figures.plan
    starts = known_starts(site)
    if found is None:
        phases = {
            name: -start % site.sources[name].stages[-1].every for name, start in starts.items()
        }
    else:
        phases = found.phases
    numbers = {name: k for k, name in enumerate(site_map.details.names)}
    rates = {use.name: _rate(figures, use.name) for use in plan.sources if use.tapped}
    changing = [name for name in rates if site.sources[name].stages]
    sources = [
        {
            "name": name,
            "look": site_map.legend[site.sources[name].fluid],
            "stages": [[stage.on, stage.every] for stage in site.sources[name].stages],
            "phase": phases.get(site.sources[name].part_of or name, 0.0),
            "flow": _short(rates[name]),
            "k": numbers.get(f"source:{plain(name)}", -1),
        }
        for name in changing
    ]
    longest = max((site.sources[name].stages[-1].every for name in changing), default=86400.0)
    data: dict[str, object] = {
        "sources": sources,
        "shown": MOST_STRIPS,
        "stores": [] if found is None else [_level(site, x, numbers) for x in found.levels],
        "end": 3.0 * longest if found is None else found.seconds,
        "pipes": _fed(figures, site_map, {name: i for i, name in enumerate(changing)}),
    }
    own = dict.fromkeys(site.sources[name].part_of or name for name in changing)
    said = phases_held([name for name in own if name in starts], len(own), plan.basis == "firm")
    return Times(data, found is not None, max(0, len(changing) - MOST_STRIPS), said)


def known_starts(site: Site) -> dict[str, float]:
    """When the outermost stage of each source with a known clock turns on, s; others are free."""
    starts = {name: timing.start for name, timing in timings_of(site).items()}
    return {name: start for name, start in starts.items() if start is not None}


def phases_held(known: Sequence[str], count: int, firm: bool) -> str:
    """What is drawn without a simulation, and for which phases firm output holds.

    ``known``: of the ``count`` sources drawn, those whose clocks are known.
    """
    if not known:
        said = "An example: every cycle starts at time 0."
        return f"{said} Firm output holds for any phases." if firm else said
    if len(known) == count:
        said = "Cycles are drawn by their known clocks."
    else:
        said = (
            f"Cycles of {len(known)} of {count} sources are drawn by their known clocks; "
            "the others start at time 0, as an example."
        )
    if not firm:
        return said
    others = "" if len(known) == count else " and any phases of the others"
    return f"{said} Firm output holds for those clocks, within their stated errors{others}."


def _rate(figures: PageFigures, name: str) -> float:
    """kg/s that a source gives while it is on, to all that it feeds."""
    use = next(use for use in figures.plan.sources if use.name == name)
    return sum(use.collect.values()) + sum(use.direct.values())


def _fed(figures: PageFigures, site_map: Map, index: dict[str, int]) -> list[list[object]]:
    steady: dict[int, float] = dict.fromkeys(site_map.run_numbers.values(), 0.0)
    fed: dict[int, dict[int, float]] = {k: {} for k in steady}
    for way in figures.ways:
        source = index.get(way.giver.partition(":")[2]) if way.layer == "collect" else None
        for route in way.routes:
            k = site_map.run_numbers.get((route, way.fluid))
            if k is None:
                continue
            if source is None:
                steady[k] += way.rate
            else:
                fed[k][source] = fed[k].get(source, 0.0) + way.rate
    return [
        [k, _short(rate), [[i, _short(r)] for i, r in fed[k].items()]] for k, rate in steady.items()
    ]


def _short(rate: float) -> float:
    return float(f"{rate:.4g}")


def _level(site: Network, level: dict[str, object], numbers: dict[str, int]) -> dict[str, object]:
    name = _shown(site, str(level["name"]))
    owner = name if f"store:{name}" in numbers else name.rpartition(" ")[0]
    return {**level, "name": name, "k": numbers.get(f"store:{owner}", -1)}


def _shown(site: Network, name: str) -> str:
    """A store or a part of one by its name and the place in the site file."""
    kind, at, rest = name.partition("@")
    place, space, part = rest.rpartition(" ")
    if rest in site.places:
        return f"{kind}{at}{site.ground(rest)}"
    return f"{kind}{at}{site.ground(place)}{space}{part}" if place in site.places else name

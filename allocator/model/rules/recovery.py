"""Rules of recovered heat: what of it may be promised.

``recover[route,j]`` is the supply flow of shape j through a cooler whose heat counts as power, at
``P`` J/kg: its efficiency times what the gas gives up from the *lowest* temperature at which it
can come, down to the set-point. The promise is sound, whatever the sources do: what counts is
given by steady sources at the cooler's own place, at all times (``supply`` never stops), and
nothing else comes there (``fed``), so what enters is a mixture of gas that is no colder than the
coldest of these sources, bursts among them or not; a mixture gives up no less than that. It comes
above the threshold, or ``P`` is 0 and there is nothing to count. Bursts promise nothing: their
heat is told as mean power, and the simulation adds it up.

On the mean basis the flows are means, and so is the power. A ceiling counts ``P`` of the hottest
gas for all that flows (``Recovery.always``), with none of the rules below but the first.
"""

from __future__ import annotations

from allocator.model.expressions import moved_at_most, recovering
from allocator.model.index_sets import IndexSets, PipeArc
from allocator.model.model import Model, Terms


def recovered_flow(model: Model, sets: IndexSets) -> None:
    """``recover[route,j] <= supply[route,j]``; ``sum_j peak_j recover[j] <= sum_b cap_b lay_b``."""
    for arc, _, shapes in recovering(sets):
        most: Terms = []
        for shape in shapes:
            key = ("recover", arc.route, shape)
            supply = ("supply", arc.route, arc.start, arc.fluid, shape)
            model.row(f"recovered[{arc.route},{shape}]", [(1.0, key), (-1.0, supply)], high=0)
            most.append((sets.peak(shape), key))
        for build in sets.pipes[arc.route, arc.fluid].builds:
            capacity = sets.site.capacity(arc.route, build, arc.fluid)
            most.append((-capacity, ("lay", arc.route, build, arc.fluid)))
        model.row(f"recovered_of_units[{arc.route}]", most, high=0.0)


def recovered_of_sources(model: Model, sets: IndexSets) -> None:
    """``sum over coolers there of recover[j] <= sum over sources there of direct[j]``."""
    found: dict[tuple[str, str, str], Terms] = {}
    for arc, recovery, shapes in recovering(sets):
        if not recovery.always:
            for shape in shapes:
                terms = found.setdefault((arc.start, arc.fluid, shape), [])
                terms.append((1.0, ("recover", arc.route, shape)))
    for (place, fluid, shape), terms in found.items():
        given: Terms = [
            (-1.0, ("direct", name, shape))
            for name in sets.sources
            if sets.site.sources[name].place == place
            and sets.site.sources[name].fluid == fluid
            and not sets.site.sources[name].part_of  # nobody knows how warm it still is
            and model.has(("direct", name, shape))
        ]
        model.row(f"recovered_of_sources[{place},{fluid},{shape}]", terms + given, high=0.0)


def recovered_unfed(model: Model, sets: IndexSets) -> None:
    """``sum_j peak_j recover[route,j] <= cap (1 - fed)``; ``what arrives there <= most * fed``."""
    stated = set()
    for arc, recovery, shapes in recovering(sets):
        if recovery.always:
            continue
        fed = ("fed", arc.start, arc.fluid)
        most = _widest(sets, arc)
        terms: Terms = [(sets.peak(shape), ("recover", arc.route, shape)) for shape in shapes]
        model.row(f"recovered_unfed[{arc.route}]", [*terms, (most, fed)], high=most)
        if fed in stated:
            continue
        stated.add(fed)
        into = [other for other in sets.arcs[arc.fluid] if other.end == arc.start]
        moved = [term for other in into for term in moved_at_most(sets, other)]
        moved = [(factor, key) for factor, key in moved if model.has(key)]
        room = sum(_widest(sets, other) for other in into)
        model.row(f"fed[{arc.start},{arc.fluid}]", [*moved, (-room, fed)], high=0.0)


def _widest(sets: IndexSets, arc: PipeArc) -> float:
    builds = sets.pipes[arc.route, arc.fluid].builds
    return max(sets.site.capacity(arc.route, build, arc.fluid) for build in builds)

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

from allocator.model.choices import Arc, Choices
from allocator.model.expressions import moved_at_most, recovering
from allocator.model.statement import Statement, Terms


def recovered_flow(statement: Statement, choices: Choices) -> None:
    """``recover[route,j] <= supply[route,j]``; ``sum_j peak_j recover[j] <= sum_b cap_b lay_b``."""
    for arc, _, shapes in recovering(choices):
        most: Terms = []
        for shape in shapes:
            key = ("recover", arc.route, shape)
            supply = ("supply", arc.route, arc.start, arc.fluid, shape)
            statement.row(f"recovered[{arc.route},{shape}]", [(1.0, key), (-1.0, supply)], high=0)
            most.append((choices.peak(shape), key))
        for build in choices.pipes[arc.route, arc.fluid].builds:
            capacity = choices.site.capacity(arc.route, build, arc.fluid)
            most.append((-capacity, ("lay", arc.route, build, arc.fluid)))
        statement.row(f"recovered_of_units[{arc.route}]", most, high=0.0)


def recovered_of_sources(statement: Statement, choices: Choices) -> None:
    """``sum over coolers there of recover[j] <= sum over sources there of direct[j]``."""
    found: dict[tuple[str, str, str], Terms] = {}
    for arc, recovery, shapes in recovering(choices):
        if not recovery.always:
            for shape in shapes:
                terms = found.setdefault((arc.start, arc.fluid, shape), [])
                terms.append((1.0, ("recover", arc.route, shape)))
    for (place, fluid, shape), terms in found.items():
        given: Terms = [
            (-1.0, ("direct", name, shape))
            for name in choices.sources
            if choices.site.sources[name].place == place
            and choices.site.sources[name].fluid == fluid
            and not choices.site.sources[name].part_of  # nobody knows how warm it still is
            and statement.has(("direct", name, shape))
        ]
        statement.row(f"recovered_of_sources[{place},{fluid},{shape}]", terms + given, high=0.0)


def recovered_unfed(statement: Statement, choices: Choices) -> None:
    """``sum_j peak_j recover[route,j] <= cap (1 - fed)``; ``what arrives there <= most * fed``."""
    stated = set()
    for arc, recovery, shapes in recovering(choices):
        if recovery.always:
            continue
        fed = ("fed", arc.start, arc.fluid)
        most = _widest(choices, arc)
        terms: Terms = [(choices.peak(shape), ("recover", arc.route, shape)) for shape in shapes]
        statement.row(f"recovered_unfed[{arc.route}]", [*terms, (most, fed)], high=most)
        if fed in stated:
            continue
        stated.add(fed)
        into = [other for other in choices.arcs[arc.fluid] if other.end == arc.start]
        moved = [term for other in into for term in moved_at_most(choices, other)]
        moved = [(factor, key) for factor, key in moved if statement.has(key)]
        room = sum(_widest(choices, other) for other in into)
        statement.row(f"fed[{arc.start},{arc.fluid}]", [*moved, (-room, fed)], high=0.0)


def _widest(choices: Choices, arc: Arc) -> float:
    builds = choices.pipes[arc.route, arc.fluid].builds
    return max(choices.site.capacity(arc.route, build, arc.fluid) for build in builds)

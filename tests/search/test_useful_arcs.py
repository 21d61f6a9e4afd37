"""Arcs that an origin's flow may use: against the definition, applied until nothing changes."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any, cast

from hypothesis import given
from hypothesis import strategies as st

from allocator.model.index_sets import IndexSets, PipeArc
from allocator.search.bounds.multicommodity import Origin, useful_arcs

PLACES = [f"p{n}" for n in range(7)]


def by_definition(arcs: list[PipeArc], home: str, sinks: set[str]) -> set[PipeArc]:
    """Reached from home, none back into it, none into a dead end where nothing is taken."""
    kept = {arc for arc in arcs if arc.end != home}
    while True:
        reached = {home}
        for _ in PLACES:
            reached |= {arc.end for arc in kept if arc.start in reached}
        good = {
            arc
            for arc in kept
            if arc.start in reached
            and (
                arc.end in sinks or any(on.start == arc.end and on.end != arc.start for on in kept)
            )
        }
        if good == kept:
            return kept
        kept = good


@st.composite
def networks(draw: Any) -> list[PipeArc]:
    pairs = st.tuples(st.sampled_from(PLACES), st.sampled_from(PLACES), st.booleans())
    arcs = []
    for number, (start, end, both) in enumerate(draw(st.lists(pairs, max_size=14))):
        if start != end:
            arcs.append(PipeArc(f"r{number}", start, end, "gas"))
            if both:
                arcs.append(PipeArc(f"r{number}", end, start, "gas"))
    return arcs


@given(networks(), st.sampled_from(PLACES), st.sets(st.sampled_from(PLACES), max_size=3))
def test_they_are_those_of_the_definition_in_the_order_of_the_site(
    arcs: list[PipeArc], home: str, sinks: set[str]
) -> None:
    choices = cast(IndexSets, SimpleNamespace(arcs={"gas": tuple(arcs)}))
    origin = cast(Origin, SimpleNamespace(fluid="gas", place=home))
    found = useful_arcs(choices, origin, sinks)
    expected = by_definition(arcs, home, sinks)
    # what is reached by arcs that are left out later is left in: it does no harm
    assert expected <= set(found)
    assert list(found) == [arc for arc in arcs if arc in set(found)]
    for arc in found:
        assert arc.end in sinks or any(a.start == arc.end and a.end != arc.start for a in found)
        assert arc.end != home

"""Cuts of chambers at sources: what may be drawn out of them through pauses, found lazily.

A pump that draws from a chamber goes on when its source pauses. The program takes that as further
sources (:meth:`allocator.site.records.Source.through_chamber`): one on throughout the on-time of
each stage but the innermost, and one always on, which need no store in those pauses. With the
source's own rate r_0 (as its gas comes) and theirs r_i, following parts at their peak, a chamber
that holds C kg above its least pressure, and is full at first, needs for all times t <= u

    C + integral from t to u of (flow on_0 - sum_i r_i on_i)  >=  0,

which is linear in the rates for each window. Shown for a source of one stage: no control of the
pump has more to promise than some r_0 and r_1 have, for in a pause it has no more than C to give,
and gives it evenly. The pump's power is counted at ``energy * sum_i r_i``, always on: what it
takes where r_n alone is drawn, and on the safe side elsewhere. Stores see r_0 and r_i as sources
of unknown phases, which is on the safe side as well.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from allocator.cycles.chambers import OnTimes, on_times, worst_drawdown
from allocator.model.expressions import drawn_at_most
from allocator.model.index_sets import IndexSets
from allocator.model.model import Key, Model, Row, Terms
from allocator.site.chambers import held


@dataclass(frozen=True)
class ChamberCut:
    """The chamber of a source: ``flow`` kg/s into it, ``held`` kg above its least pressure.

    ``on``: on-times of the source and of what is drawn through pauses; ``draws``: their rates.
    """

    source: str
    flow: float
    held: float
    on: OnTimes
    draws: tuple[Terms, ...]

    def worst(
        self, model: Model, values: Mapping[Key, float], tolerance: float, less: float
    ) -> Row | None:
        """The cut that a point (SI values by key) breaks most, if any.

        ``less``: share of what is drawn that may be lacking.
        """
        rates = [
            model.value(terms, values) * (1.0 - less) if terms else 0.0 for terms in self.draws
        ]
        if not any(rates[1:]):
            return None
        more = ("more", self.source)
        flow = self.flow + (values[more] if model.has(more) else 0.0)
        found = worst_drawdown(self.on, flow, rates)
        slack = tolerance * max(self.held, flow * found.on[0])
        if found.amount <= self.held + slack:
            return None
        terms: Terms = [(self.held + self.flow * found.on[0], ("tap", self.source))]
        if model.has(more):
            terms.append((found.on[0], more))
        for draw, seconds in zip(self.draws, found.on, strict=True):
            terms += [(-seconds * peak, key) for peak, key in draw]
        name = f"chamber_cut[{self.source},{found.length!r},{found.on[0]!r}]"
        return model.scaled_row(name, terms, low=0.0)


def chamber_cuts(sets: IndexSets) -> tuple[ChamberCut, ...]:
    """The cuts of every chamber that is counted with."""
    found = []
    for name in sets.sources if not sets.robustness.of_sources else ():
        parts = [part for part in sets.site.parts_of(name) if part in sets.curves]
        if parts:
            source = sets.site.sources[name]
            stages = tuple(sets.site.sources[one].stages for one in (name, *parts))
            draws = tuple(drawn_at_most(sets, one) for one in (name, *parts))
            kept = held(sets.site, source)
            found.append(ChamberCut(name, source.flow, kept, on_times(stages), draws))
    return tuple(found)

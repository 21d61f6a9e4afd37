"""Rows of stores that some best plan keeps, and that a relaxation would not."""

from __future__ import annotations

from allocator.cycles import KnownCurve, ever_off
from allocator.model.index_sets import IndexSets
from allocator.model.model import Model


def collected_where_built(model: Model, sets: IndexSets) -> None:
    """``r[s,k] <= flow_s * stand_k`` for sources s that are not steady, stores k not yet there.

    Proof: where k is not built its size is 0. A source that is not steady is off for a while in
    some window, so its guaranteed on-time is 0 for all short windows L, and the store cuts there
    say ``inflow + steady rates >= draws at their peak``. The same then holds for every longer
    window without that source, since no window of a shape asks more than its peak. So r[s,k] = 0
    serves as well, and with it the flow there is no longer needed: no row is broken and no goal
    worse. The size that counts may be limited in the model by ``size <= most * stand`` alone,
    which the relaxation meets with a sliver of a base. Sources of known phase may follow each other
    without a store: such a window needs a moment at which all of them may be off, and where there
    is none, k has no such rows at all for them.
    """
    for name in sets.fluid_stores:
        if not model.has(("stand", name)):
            continue
        k = f"store:{name}"
        feeding = [source for source in sets.sources if k in sets.reach[source]]
        curves = [sets.curves[source] for source in feeding]
        gap = ever_off([curve for curve in curves if isinstance(curve, KnownCurve)])
        for source, curve in zip(feeding, curves, strict=True):
            if curve.pattern.steady or (isinstance(curve, KnownCurve) and not gap):
                continue
            most = sets.site.sources[source].flow
            model.row(
                f"where_built[{source},{name}]",
                [(1.0, ("collect", source, k)), (-most, ("stand", name))],
                high=0.0,
            )

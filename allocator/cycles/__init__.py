"""Duty cycles, exactly: intervals, guaranteed and most on-time, firm draw and store size.

Knows sources, stages and profiles of demand. Never knows what is built or what is decided.
"""

from allocator.cycles.balance import search_length
from allocator.cycles.clocked import KnownCurve, attained_curve, curve_of_timing
from allocator.cycles.curves import Curve, Supply, curve_of, curve_of_pattern
from allocator.cycles.demand import (
    DemandCurve,
    SeriesCurve,
    demand_curve_of,
    series_curve_of,
)
from allocator.cycles.firm import draw_for_store, store_for_draw, store_value
from allocator.cycles.many import draws_for_stores
from allocator.cycles.patterns import Pattern, pattern_from_intervals, pattern_of
from allocator.cycles.spans import Span, StoppedError, ending, ever_off, worst_span, worst_until
from allocator.cycles.timeline import (
    Timeline,
    draw_for_store_known,
    joint_timeline,
    store_for_draw_known,
)
from allocator.cycles.windows import Window, worst_window

__all__ = [
    "Curve",
    "DemandCurve",
    "KnownCurve",
    "Pattern",
    "SeriesCurve",
    "Span",
    "StoppedError",
    "Supply",
    "Timeline",
    "Window",
    "attained_curve",
    "curve_of",
    "curve_of_pattern",
    "curve_of_timing",
    "demand_curve_of",
    "draw_for_store",
    "draw_for_store_known",
    "draws_for_stores",
    "ending",
    "ever_off",
    "joint_timeline",
    "pattern_from_intervals",
    "pattern_of",
    "search_length",
    "series_curve_of",
    "store_for_draw",
    "store_for_draw_known",
    "store_value",
    "worst_span",
    "worst_until",
    "worst_window",
]

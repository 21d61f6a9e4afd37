"""Duty cycles, exactly: intervals, guaranteed and most on-time, firm draw and store size."""

from allocator.duty.balance import search_length
from allocator.duty.curves import Curve, Supply, curve_of, curve_of_pattern
from allocator.duty.demand import (
    DemandCurve,
    SeriesCurve,
    demand_curve_of,
    series_curve_of,
)
from allocator.duty.firm import draw_for_store, store_for_draw, store_value
from allocator.duty.many import draws_for_stores
from allocator.duty.patterns import Pattern, pattern_from_intervals, pattern_of
from allocator.duty.series import Reservoir, reservoir, sequent_peak
from allocator.duty.timeline import (
    Timeline,
    draw_for_store_known,
    joint_timeline,
    store_for_draw_known,
)
from allocator.duty.windows import Window, worst_window

__all__ = [
    "Curve",
    "DemandCurve",
    "Pattern",
    "Reservoir",
    "SeriesCurve",
    "Supply",
    "Timeline",
    "Window",
    "curve_of",
    "curve_of_pattern",
    "demand_curve_of",
    "draw_for_store",
    "draw_for_store_known",
    "draws_for_stores",
    "joint_timeline",
    "pattern_from_intervals",
    "pattern_of",
    "reservoir",
    "search_length",
    "sequent_peak",
    "series_curve_of",
    "store_for_draw",
    "store_for_draw_known",
    "store_value",
    "worst_window",
]

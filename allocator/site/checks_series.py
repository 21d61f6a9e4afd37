"""A source with a measured flow: its record read, and the duty cycle that it is sure to keep."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.quantities import format_quantity
from allocator.site.recorded import SHARE, Bound, bound_of, longest_without, mean_of, without_gaps
from allocator.site.records import Fluid, RecordedFlow, Stage
from allocator.site.series import read_series
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values

ROUNDING = 1e-12
"""Share of a window for which a source may be off and counts as always on."""


def recorded_source(values: Values, whole: SiteValues) -> Filled | None:
    """Flow, stages and record of a source with a series."""
    series: Values | None = values.get("series")
    _check_uses(values, whole)
    if series is None or not series.whole:
        return None
    read = read_series(series, "mass_rate", dates=True)
    if read is None:
        return None
    starts, levels, length = read
    levels, gaps = without_gaps(starts, levels)
    record = RecordedFlow(0.0, tuple(starts), tuple(levels), length, gaps)
    window = series.get("window")
    if not any(levels):
        series.fault("csv", "has flow in gaps of the record alone", "give a record without gaps")
        return None
    if window is not None and window > length:
        told = format_quantity(length, "duration")
        series.fault("window", f"is longer than the record ({told})", "give a shorter one")
        return None
    bound = bound_of(record, series.get("share", SHARE), window, series.get("max_flow"))
    if bound.amount <= 0:
        told = format_quantity(longest_without(record), "duration")
        problem = f"is sure to give nothing: the record has no flow for {told}"
        remedy = "give a longer 'window', or a longer record"
        series.fault("window" if window is not None else "csv", problem, remedy)
        return None
    _warn(series, record, bound)
    always = bound.on >= bound.window * (1 - ROUNDING)
    return {
        "flow": bound.max_flow,
        "stages": () if always else (Stage(bound.on, bound.window),),
        "series": RecordedFlow(bound.window, record.starts, record.levels, length, gaps),
    }


def _warn(series: Values, record: RecordedFlow, bound: Bound) -> None:
    share, mean = series.get("share", SHARE), mean_of(record)
    if record.gaps:
        series.warn(
            "csv",
            f"has {record.gaps} gaps, longer than 20 times its usual step, in which nothing is "
            "counted on",
            "give a record without gaps",
        )
    if bound.mean < share * mean * (1 - 1e-9) and not series.has("window"):
        told = f"{100 * bound.mean / mean:.0f} % of the mean flow can be counted on"
        series.warn("csv", f"is too short or too uneven: {told}", "give a longer record")


def _check_uses(values: Values, whole: SiteValues) -> None:
    """Notes what needs more than a lower bound on the flow."""
    fluids: Mapping[str, Fluid] = whole.made["fluids"]
    fluid = fluids.get(values.get("fluid", ""))
    if fluid is not None and fluid.vented_weight > 0:
        values.fault(
            "series",
            f"cannot be used for '{fluid.name}', of which vented gas is counted: no more than the "
            "least flow is known to be used",
            "give 'flow' and 'cycle', or the fluid 'vented_weight: 0'",
        )
    pump: Values | None = values.get("pump")
    if pump is not None and pump.has("chamber"):
        pump.fault("chamber", "cannot be used with 'series'", "give 'flow' and 'cycle'")

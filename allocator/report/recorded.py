"""What is counted on of measured flows, and what of them is lost by that."""

from __future__ import annotations

from allocator.base.dimensions import format_quantity
from allocator.site.recorded import mean_of, store_in_record
from allocator.site.records import Site


def series_rows(site: Site) -> list[tuple[str, str]]:
    """For each source with a measured flow: its address, and what is counted on."""
    rows = []
    for name, source in site.sources.items():
        record = source.series
        if record is None:
            continue
        share = source.stages[0].on / source.stages[0].every if source.stages else 1.0
        counted, mean = source.flow * share, mean_of(record)
        window = format_quantity(record.window, "duration")
        brought = format_quantity(counted * record.window, "mass")
        most = format_quantity(source.flow, "mass_rate")
        told = (
            f"counted on: {format_quantity(counted, 'mass_rate')}, {100 * counted / mean:.0f} % of "
            f"the mean of the record ({format_quantity(mean, 'mass_rate')} in "
            f"{format_quantity(record.length, 'duration')}); taken: up to {most}. "
            f"Holds while every {window} brings {brought}, the least in the record"
        )
        held = counted * record.window * (1 - share)
        own = store_in_record(record, counted)
        if held > 0:
            told += f". Storage for that flow: {format_quantity(held, 'mass')}"
            if own is not None:
                told += f"; the record repeated needs {format_quantity(own, 'mass')}"
        rows.append((f"sources {name} series", told))
    return rows

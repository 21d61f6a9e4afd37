"""``allocator reservoir``: store against draw for a record of inflow."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import mass, mass_rate, rows_option
from allocator.cli.terminal import show, tell

HELP = "store that keeps a draw from a measured inflow (sequent peak)"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument(
        "log",
        metavar="LOG",
        help="CSV with the columns time [s] and flow [g/s]; each flow lasts until the next row, "
        "the last one as long as the step before it",
    )
    rows_option(command)
    one = command.add_mutually_exclusive_group()
    one.add_argument(
        "--store",
        type=mass,
        metavar="MASS",
        help="storage, such as '200 kg': the greatest firm flow that it keeps",
    )
    one.add_argument(
        "--demand",
        metavar="CSV",
        help="what is drawn over time, in columns like those of LOG; it repeats; its last row "
        "lasts as long as the step before it",
    )
    one.add_argument(
        "--draw",
        type=mass_rate,
        metavar="RATE",
        help="firm flow, such as '2 g/s' (by default shares of the mean inflow)",
    )


def run(given: argparse.Namespace) -> int:
    """Read, work out, print."""
    from allocator.base.dimensions import format_quantity
    from allocator.base.errors import AllocatorError
    from allocator.base.rendering import text_of
    from allocator.intake.logs import HELD, gap_notes, read_log
    from allocator.intake.record_store import (
        StoreForDraw,
        draw_for_record,
        draws_of_record,
        length,
        store_for_demand,
        store_for_record,
        store_table,
        with_end,
    )

    log = with_end(read_log(Path(given.log), rows=given.rows, fewest=2))
    if log.marks:
        raise AllocatorError(f"{given.log}: marks have no flow; give a column 'flow [g/s]'")
    gaps = gap_notes(log, "left out, as if there were no such time")
    for note in (*log.repairs, *gaps, *log.cautions):
        tell(f"note: {given.log}: {note}")
    ends = [f"The record lasts {format_quantity(length(log), 'duration')} with its last row"]
    draws = draws_of_record(log)
    if given.store is not None:
        draws = (StoreForDraw(draw_for_record(log, given.store), given.store),)
    elif given.demand:
        demand = with_end(read_log(Path(given.demand), fewest=2))
        if demand.marks or demand.gaps.any():
            lacks = "marks have no flow" if demand.marks else "it has gaps"
            raise AllocatorError(f"{given.demand}: {lacks}; give the flow that is drawn throughout")
        for note in (*demand.repairs, *demand.cautions):
            tell(f"note: {given.demand}: {note}")
        if bool(demand.began) != bool(log.began):
            tell(f"note: {given.demand}: begins with the record; only one of them has dates")
        every = format_quantity(length(demand), "duration")
        ends.append(f"the demand repeats every {every}, from its first row to the end of its last")
        draws = (store_for_demand(log, demand),)
    elif given.draw:
        draws = (StoreForDraw(given.draw, store_for_record(log, given.draw)),)
    head = [HELD] if log.held else []
    return show("\n".join([*head, text_of(store_table(log, draws)), "; ".join(ends)]))

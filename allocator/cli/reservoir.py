"""``allocator reservoir``: store against draw for a record of inflow."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import mass_rate
from allocator.cli.terminal import show, tell

HELP = "store that keeps a draw from a measured inflow (sequent peak)"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    command.add_argument("log", metavar="LOG", help="CSV: time [s], flow [g/s]")
    command.add_argument(
        "--draw", type=mass_rate, metavar="RATE", help="such as '2 g/s' (shares of the mean)"
    )


def run(given: argparse.Namespace) -> int:
    """Read, work out, print."""
    from allocator.base.dimensions import format_quantity as text
    from allocator.base.errors import AllocatorError
    from allocator.intake.logs import read_log
    from allocator.intake.record_store import (
        StoreForDraw,
        draws_of_record,
        mean_inflow,
        store_for_record,
    )

    log = read_log(Path(given.log))
    if log.marks:
        raise AllocatorError(f"{given.log}: marks have no flow; give a column 'flow [g/s]'")
    for repair in log.repairs:
        tell(f"note: {given.log}: {repair}")
    draws = draws_of_record(log)
    if given.draw:
        draws = (StoreForDraw(given.draw, store_for_record(log, given.draw)),)
    lines = [f"Mean inflow {text(mean_inflow(log), 'mass_rate')}; the record is taken to repeat"]
    for one in draws:
        store = "none: more than the mean" if one.store is None else text(one.store, "mass")
        lines.append(f"firm draw {text(one.draw, 'mass_rate')}  store {store}")
    return show("\n".join(lines) + "\n")

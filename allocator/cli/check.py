"""``allocator check``: all that is wrong with a site file."""

from __future__ import annotations

import argparse
from dataclasses import replace

from allocator.cli.arguments import site_argument
from allocator.cli.files import warn
from allocator.cli.terminal import BAD_INPUT, DONE, show, tell, times

HELP = "all faults of a site file at once, each with its line, and warnings"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "--assumptions",
        action="store_true",
        help="list the values that the file does not give: of the catalogue, and defaults",
    )
    command.add_argument("--strict", action="store_true", help="exit with 2 on warnings as well")


def run(given: argparse.Namespace) -> int:
    """Tell every fault and warning, and what the file holds."""
    from allocator.base.errors import fault_lines
    from allocator.base.rendering import text_of
    from allocator.network.reading import check_site
    from allocator.report.catalogue import assumption_table
    from allocator.report.recorded import series_rows

    found = check_site(given.site)
    found = replace(found, warnings=(*found.warnings, *found.unitless))
    warn(found)
    for line in fault_lines(found.faults):
        tell(line)
    if found.site is None:
        return show(f"{given.site}: {times(len(found.faults), 'fault')}\n") or BAD_INPUT
    site = found.site
    if given.assumptions:
        show(text_of(assumption_table(site, found.defaults)))
    elif site.catalogued:
        count = times(len(site.catalogued), "value")
        tell(f"note: {count} taken from the catalogue; --assumptions lists them with their sources")
    for address, words in series_rows(site):
        tell(f"note: {address}: {words}")
    held = [
        times(len(part), name)
        for part, name in (
            (site.sources, "source"),
            (site.storage, "storage type"),
            (site.routes, "route"),
            (site.machines, "machine type"),
            (site.demands, "demand"),
        )
        if part
    ]
    noted = times(len(found.warnings), "warning") if found.warnings else "no warnings"
    show(f"{given.site}: no faults, {noted}; {', '.join(held)}\n")
    return BAD_INPUT if given.strict and found.warnings else DONE

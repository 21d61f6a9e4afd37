"""``allocator bath``: thermal mass beside sources, and whether it must be cooled."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import site_argument
from allocator.cli.files import site_of
from allocator.cli.terminal import show

HELP = "how warm baths beside sources get, and whether they must be cooled"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "-o", "--output", metavar="FILE", help="write sets and curves as CSV as well"
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Print the tables; write them as CSV when asked to."""
    from allocator.base.errors import AllocatorError
    from allocator.base.folders import check_file, write_file

    if given.output is not None:
        check_file(Path(given.output))
    site = site_of(given.site)
    if not site.heat_sinks:
        raise AllocatorError(f"{given.site} lists no heat sinks; add one under 'heat_sinks'")
    from allocator.studies.heat_sinks_result import heat_sinks

    result = heat_sinks(site)
    if given.output is not None:
        write_file(Path(given.output), result.to_csv().encode("utf-8"))
    return show(result.to_json() if given.json else result.summary())

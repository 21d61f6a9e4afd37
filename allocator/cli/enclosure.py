"""``allocator enclosure``: the walls of closed rooms."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import site_argument
from allocator.cli.files import site_of
from allocator.cli.terminal import show

HELP = "walls of closed rooms: heat let out, temperatures, the least material"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument("--name", metavar="NAME", help="one enclosure of the site (all)")
    command.add_argument("-o", "--output", metavar="FILE", help="write the areas as CSV as well")
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Print the tables; write them as CSV when asked to."""
    from allocator.base.folders import check_file, write_file
    from allocator.studies.enclosure_result import enclosure

    if given.output is not None:
        check_file(Path(given.output))
    result = enclosure(site_of(given.site), given.name)
    if given.output is not None:
        write_file(Path(given.output), result.to_csv().encode("utf-8"))
    return show(result.to_json() if given.json else result.summary())

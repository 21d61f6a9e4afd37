"""``allocator sources``: what each source is worth."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import site_argument
from allocator.cli.files import site_of
from allocator.cli.terminal import show

HELP = "sources ranked by firm clean power per tonne of the scarcest stock, and what each supplies"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument("-o", "--output", metavar="FILE", help="write the table as CSV as well")
    command.add_argument(
        "--full", action="store_true", help="all tables, also where the site has many sources"
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Print the tables; write them as CSV when asked to."""
    from allocator.base.folders import check_file, write_file

    if given.output is not None:
        check_file(Path(given.output))
    site = site_of(given.site)
    from allocator.studies.sources_result import sources

    result = sources(site)
    if given.output is not None:
        write_file(Path(given.output), result.to_csv().encode("utf-8"))
    return show(result.to_json() if given.json else result.summary(full=given.full))

"""``allocator frontier``: firm power against one scarce thing."""

from __future__ import annotations

import argparse

from allocator.cli.arguments import (
    counting,
    progress_of,
    settings_of,
    site_argument,
    solving_arguments,
)
from allocator.cli.files import note_first_run, site_of
from allocator.cli.study_folder import folder_argument, folder_of, write_study
from allocator.cli.terminal import BAD_INPUT, NOT_FOUND, fail

HELP = "firm power against a material, money or emissions, point by point"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "--give",
        required=True,
        metavar="WHAT",
        help="what is scarce: stock.steel, limits.money, boosters.power or limits.emission "
        "(then all power counts)",
    )
    command.add_argument(
        "--steps", type=counting, default=10, metavar="N", help="points, ends included (10)"
    )
    folder_argument(command, "folder for the table and the plans")
    solving_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Work the points out, write, and print them."""
    from allocator.studies.frontier_result import FrontierResult

    folder = folder_of(given, FrontierResult)
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.studies.frontier_result import frontier
    from allocator.studies.trade_off import given_of

    given_of(site, given.give)
    if given.steps < 2:
        return fail("allocator: --steps must be 2 or more: the two ends are points", BAD_INPUT)
    try:
        with stdout_for_data():
            result = frontier(
                site,
                given.give,
                steps=given.steps,
                settings=settings_of(given, site),
                tell=progress_of(given),
            )
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    if not result.steps:
        return fail(
            "no plan exists or none was found: 'allocator why' gives the reasons", NOT_FOUND
        )
    return write_study(folder, result)

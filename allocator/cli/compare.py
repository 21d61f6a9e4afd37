"""``allocator compare``: clean and emitting supply mixes side by side."""

from __future__ import annotations

import argparse

from allocator.cli.arguments import (
    positive,
    progress_of,
    settings_of,
    site_argument,
    solving_arguments,
    workers_arguments,
    workers_of,
)
from allocator.cli.files import note_first_run, site_of
from allocator.cli.study_folder import folder_argument, folder_of, write_study
from allocator.cli.terminal import BAD_INPUT, IMPOSSIBLE, fail

HELP = "plan a site under clean and emitting supply mixes, side by side"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    folder_argument(command, "folder for the tables and the plans")
    command.add_argument(
        "--simulate",
        type=positive,
        default=None,
        metavar="DAYS",
        help="also simulate each plan for that many days, and give its hours short",
    )
    solving_arguments(command)
    workers_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Plan each mix, write, and print the comparison."""
    from allocator.studies.compare_result import CompareResult

    folder = folder_of(given, CompareResult)
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.studies.compare_result import compare

    try:
        settings = settings_of(given, site)
        with stdout_for_data():
            result = compare(
                site,
                settings=settings,
                workers=workers_of(given),
                simulated_days=given.simulate or 0.0,
                tell=progress_of(given),
            )
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    code = write_study(folder, result)
    return code if result.plans() else IMPOSSIBLE

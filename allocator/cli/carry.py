"""``allocator carry``: how many generators a site can carry, and what stops the next one."""

from __future__ import annotations

import argparse

from allocator.cli.arguments import (
    progress_of,
    settings_of,
    site_argument,
    solving_arguments,
    workers_arguments,
    workers_of,
)
from allocator.cli.files import note_first_run, site_of
from allocator.cli.terminal import BAD_INPUT, DONE, NOT_FOUND, fail, show

HELP = "how many generators a site can carry, and what stops the next one"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument("--json", action="store_true", help="print JSON in place of text")
    solving_arguments(command, basis=False)
    workers_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Work the counts out and tell them."""
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.studies.carry_result import carry

    try:
        with stdout_for_data():
            result = carry(
                site,
                file=given.site,
                settings=settings_of(given, site),
                workers=workers_of(given),
                tell=progress_of(given),
            )
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    show(result.to_json() if given.json else result.summary())
    return NOT_FOUND if result.rows and all(row.reason for row in result.rows) else DONE

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
from allocator.cli.study_folder import folder_argument, folder_of, for_file, write_study
from allocator.cli.terminal import BAD_INPUT, NOT_FOUND, fail

HELP = "firm power against a material, money or emissions, point by point"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "--give",
        required=True,
        metavar="WHAT",
        help="a material of the site, money, or emissions (then all power counts)",
    )
    command.add_argument(
        "--steps", type=counting, default=10, metavar="N", help="points, ends included (10)"
    )
    folder_argument(command, "folder for the table and the plans")
    solving_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Work the points out, write, and print them."""
    folder = folder_of(given)
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.report.page import study_page
    from allocator.report.page.study_files import frontier_of_text
    from allocator.studies.trade_off import (
        check_give,
        trade_off,
        trade_off_csv,
        trade_off_json,
        trade_off_text,
    )

    check_give(site, given.give)
    if given.steps < 2:
        return fail("allocator: --steps must be 2 or more: the two ends are points", BAD_INPUT)
    try:
        with stdout_for_data():
            steps = trade_off(
                site, given.give, given.steps, settings_of(given, site), progress_of(given)
            )
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    if not steps:
        return fail("no plan exists or none was found: 'allocator why' tells more", NOT_FOUND)
    text = trade_off_text(site, given.give, steps)
    facts = trade_off_json(site, given.give, steps)
    found = frontier_of_text(facts, site, folder / "frontier.json")
    files = {
        "frontier.csv": trade_off_csv(given.give, steps),
        "frontier.txt": for_file(lambda: trade_off_text(site, given.give, steps)),
        "page.html": study_page(site, frontier=found),
        "frontier.json": facts,
    }
    plans = {f"point_{number:02}": step.plan for number, step in enumerate(steps, 1)}
    return write_study(folder, site, files, plans, text, "frontier")

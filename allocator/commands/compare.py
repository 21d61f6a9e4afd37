"""``allocator compare``: clean and emitting supply mixes side by side."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.commands.arguments import (
    settings_of,
    site_argument,
    solving_arguments,
    workers_arguments,
    workers_of,
)
from allocator.commands.files import site_of
from allocator.commands.terminal import BAD_INPUT, IMPOSSIBLE, UNVERIFIED, fail, show, tell

HELP = "plan a site under clean and emitting supply mixes, side by side"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "-o", "--output", metavar="DIR", required=True, help="folder for the tables and the plans"
    )
    command.add_argument(
        "--simulate",
        type=float,
        default=0.0,
        metavar="DAYS",
        help="run each plan through that many days as well, and tell the hours short",
    )
    solving_arguments(command)
    workers_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Plan each mix, write, and print the comparison."""
    from allocator.reporting.folder import check_folder, write_folder

    folder = Path(given.output)
    check_folder(folder)
    site = site_of(given.site)
    from allocator.quiet import stdout_for_data
    from allocator.reporting.page import study_page
    from allocator.reporting.page.study_files import mixes_of_text
    from allocator.studies.comparison import compare
    from allocator.studies.comparison_report import (
        comparison_csv,
        comparison_json,
        comparison_text,
    )

    try:
        settings = settings_of(given)
        with stdout_for_data():
            rows = compare(site, settings, workers_of(given), given.simulate, tell)
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    text = comparison_text(site, rows)
    facts = comparison_json(site, rows)
    path = folder / "comparison.json"
    files = {
        "comparison.csv": comparison_csv(site, rows),
        "comparison.txt": text,
        "page.html": study_page(site, mixes=mixes_of_text(facts, site, path)),
        "comparison.json": facts,
    }
    write_folder(folder, {name: held.encode("utf-8") for name, held in files.items()})
    from allocator.engine import write_plan_files

    for row in rows:
        if row.plan is not None:
            write_plan_files(folder / row.name.replace(" ", "_"), site, row.plan)
    show(f"{text}\nFiles: {given.output}; a plan for each mix in a folder of its name\n")
    if any(row.plan is not None and not row.plan.verified for row in rows):
        return fail("A PLAN FAILED ITS AUDIT: do not build from it.", UNVERIFIED)
    return IMPOSSIBLE if all(row.plan is None for row in rows) else 0

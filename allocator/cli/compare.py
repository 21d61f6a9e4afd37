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
from allocator.cli.study_folder import folder_argument, folder_of, for_file, write_study
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
        help="run each plan through that many days as well, and tell the hours short",
    )
    solving_arguments(command)
    workers_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Plan each mix, write, and print the comparison."""
    folder = folder_of(given)
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.report.page import study_page
    from allocator.report.page.study_files import mixes_of_text
    from allocator.studies.comparison import compare
    from allocator.studies.comparison_report import (
        comparison_csv,
        comparison_json,
        comparison_text,
    )

    try:
        settings = settings_of(given, site)
        with stdout_for_data():
            rows = compare(
                site, settings, workers_of(given), given.simulate or 0.0, progress_of(given)
            )
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    text = comparison_text(site, rows)
    facts = comparison_json(site, rows)
    path = folder / "comparison.json"
    files = {
        "comparison.csv": comparison_csv(site, rows),
        "comparison.txt": for_file(lambda: comparison_text(site, rows)),
        "page.html": study_page(site, mixes=mixes_of_text(facts, site, path)),
        "comparison.json": facts,
    }
    plans = {row.name: row.plan for row in rows if row.plan is not None}
    code = write_study(folder, site, files, plans, text, "compare")
    return code if plans else IMPOSSIBLE

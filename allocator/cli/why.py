"""``allocator why``: which limits conflict when there is no plan, or not the one wanted."""

from __future__ import annotations

import argparse

from allocator.cli.arguments import settings_of, site_argument, solving_arguments
from allocator.cli.files import note_first_run, site_of
from allocator.cli.terminal import BAD_INPUT, DONE, IMPOSSIBLE, NOT_FOUND, fail, show

HELP = "which limits conflict when no plan exists, or not the one that is wanted"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "--want",
        action="append",
        default=[],
        metavar="WANT",
        help="firm_clean=40kW, firm_total=..., served:DEMAND=80%%, tap:SOURCE, machines:TYPE=3, "
        "emission=..., money=... (at most); may be given again",
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")
    solving_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Find the conflict and tell it."""
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.site.marks import Marks
    from allocator.studies.wanted import want_of
    from allocator.studies.why_not import why_json, why_not, why_text

    wants = [want_of(site, text) for text in given.want]
    try:
        with stdout_for_data():
            found = why_not(site, settings_of(given, site), wants)
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    marks = Marks(given.site)
    show(why_json(site, marks, found) if given.json else why_text(site, marks, found, wants))
    return {"possible": DONE, "unknown": NOT_FOUND}.get(found.status, IMPOSSIBLE)

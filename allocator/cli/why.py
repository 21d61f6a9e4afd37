"""``allocator why``: which limits conflict when there is no plan, or not the one wanted."""

from __future__ import annotations

import argparse
from dataclasses import replace

from allocator.cli.arguments import (
    count_from_none,
    settings_of,
    site_argument,
    solving_arguments,
)
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
        help="firm_clean=40kW, firm_total=..., demands.NAME.min_share=80%%, connect:SOURCE, "
        "machines.NAME=3, machines.NAME.places.PLACE=2, limits.emission=..., limits.money=... "
        "(at most); may be given again",
    )
    command.add_argument(
        "--lose-machines",
        type=count_from_none,
        default=0,
        metavar="K",
        help="of plans that hold with any K machine units out of order (0)",
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")
    solving_arguments(command)


def run(given: argparse.Namespace) -> int:
    """Find the conflict and tell it."""
    site = site_of(given.site)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.engine.planning import check_lost_machines
    from allocator.plans.records import Robustness
    from allocator.studies.why_result import why

    try:
        with stdout_for_data():
            check_lost_machines(site, given.lose_machines)
            robustness = Robustness(machines=given.lose_machines)
            settings = replace(settings_of(given, site), robustness=robustness)
            result = why(site, given.want, file=given.site, settings=settings)
    except ValueError as error:
        return fail(f"allocator: {error}", BAD_INPUT)
    show(result.to_json() if given.json else result.summary())
    return {"possible": DONE, "unknown": NOT_FOUND}.get(result.status, IMPOSSIBLE)

"""``allocator schedule``: in which order a crew builds a plan, and what is ready when."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import (
    duration,
    mass_rate,
    plan_argument,
    site_argument,
    span,
)
from allocator.cli.files import plan_for, plan_path, site_of
from allocator.cli.terminal import show

HELP = "order of the build by crew hours, when its firm power begins, spells that are missed"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)
    command.add_argument(
        "--crew",
        type=mass_rate,
        required=True,
        metavar="RATE",
        help="material that the crew builds in working time, such as '40 kg/h'",
    )
    command.add_argument(
        "--step",
        type=span,
        default=7200.0,
        metavar="TIME",
        help="working time of each step besides, tests and starts too (2 h)",
    )
    command.add_argument(
        "--week",
        type=duration,
        default=None,
        metavar="TIME",
        help="working time in a week, such as '45 h' (day and night)",
    )
    command.add_argument(
        "--begin",
        type=span,
        default=0.0,
        metavar="TIME",
        help="from the time of the site file, from which next_start counts too (0)",
    )
    command.add_argument(
        "--until",
        type=duration,
        default=None,
        metavar="TIME",
        help="firm energy counts up to then (a year from the begin)",
    )
    command.add_argument(
        "--record", metavar="FILE", help="what is done already (built.csv beside the plan)"
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")
    command.add_argument("-o", "--output", metavar="DIR", help="write text, JSON and tables")


def run(given: argparse.Namespace) -> int:
    """Read, work out, write, print."""
    site = site_of(given.site)
    plan = plan_for(site, given.plan)
    from allocator.base.errors import AllocatorError
    from allocator.report.handover.build_order import build_order
    from allocator.studies.done_steps import read_record
    from allocator.studies.schedule_result import schedule
    from allocator.studies.scheduling import WEEK, Crew

    record = Path(given.record or plan_path(given.plan).parent / "built.csv")
    if given.record and not record.exists():
        raise AllocatorError(f"{record}: there is no such file; check the path")
    try:
        crew = Crew(given.crew, given.step, WEEK if given.week is None else given.week)
        result = schedule(
            site,
            plan,
            crew,
            begin=given.begin,
            until=given.until,
            done=read_record(record, build_order(site, plan)),
        )
    except ValueError as error:
        raise AllocatorError(str(error)) from None
    if given.output:
        result.save(given.output)
    return show(result.to_json() if given.json else result.summary())

"""``allocator built``: note what of a plan is built, and write the site file that says so."""

from __future__ import annotations

import argparse
import os
from pathlib import Path

from allocator.cli.arguments import plan_argument, site_argument
from allocator.cli.files import plan_for, plan_path, site_of
from allocator.cli.terminal import show

HELP = "note which steps of the build order are done, and write what exists as a site file"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)
    command.add_argument(
        "--done", metavar="STEPS", default=None, help="steps of the build order, such as 1-30,34"
    )
    command.add_argument("--undo", metavar="STEPS", default=None, help="steps not done after all")
    command.add_argument("--date", metavar="DATE", default="", help="when, such as 2027-03-14")
    command.add_argument(
        "--pipe",
        action="append",
        default=[],
        metavar="STEP=PIPE",
        help="the pipe that a step laid, where it is not the plan's",
    )
    command.add_argument(
        "--length",
        action="append",
        default=[],
        metavar="STEP=LENGTH",
        help="its length, where it is not the plan's: --length '12=212 m'",
    )
    command.add_argument(
        "--record",
        metavar="FILE",
        default=None,
        help="file that keeps what is done (built.csv beside the plan)",
    )
    command.add_argument(
        "-o", "--output", metavar="FILE", help="write the site file with what exists"
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Keep the record, write the site file, and print how far the build is."""
    from allocator.base.folders import check_file, write_file
    from allocator.base.locks import alone_in

    site = site_of(given.site)
    plan = plan_for(site, given.plan, older=True)
    from allocator.base.errors import AllocatorError
    from allocator.base.quantities import QuantityError, parse_quantity
    from allocator.report.handover.build_order import build_order
    from allocator.studies.built_result import built
    from allocator.studies.done_steps import numbers_of, read_record

    record = Path(given.record or plan_path(given.plan).parent / "built.csv")
    check_file(record)
    if given.output:
        check_file(Path(given.output))
    lengths = {}
    for step, text in map(_pair, given.length):
        try:
            lengths[step] = parse_quantity(text, "length")
        except QuantityError as error:
            raise AllocatorError(f"--length {error}") from None
    order = build_order(site, plan)
    with alone_in(Path(os.path.realpath(record)).parent):  # no other run adds to it meanwhile
        result = built(
            given.site,
            plan,
            done=numbers_of(given.done) if given.done else (),
            undo=numbers_of(given.undo) if given.undo else (),
            before=read_record(record, order),
            date=given.date,
            pipes=dict(map(_pair, given.pipe)),
            lengths=lengths,
        )
        # the record first: the site file follows from it, and can be written again
        if given.done or given.undo or given.pipe or given.length:
            write_file(record, result.record.encode("utf-8"))
        if given.output:
            write_file(Path(given.output), result.site_text.encode("utf-8"))
    show(result.to_json() if given.json else result.summary())
    return show(f"Site file: {given.output}\n") if given.output and not given.json else 0


def _pair(text: str) -> tuple[int, str]:
    """A step and a value. Raises StepError."""
    from allocator.studies.done_steps import StepError

    step, sign, value = text.partition("=")
    if not (step.strip().isdecimal() and sign and value.strip()):
        raise StepError(f"{text!r} is no step and value; write '12=dn50'")
    return int(step), value.strip()

"""``allocator operate``: a plan's run sheet for the days ahead, from what is there now."""

from __future__ import annotations

import argparse
from pathlib import Path

from allocator.cli.arguments import plan_argument, positive, site_argument
from allocator.cli.files import plan_for, site_of, told_of
from allocator.cli.terminal import DONE, show

HELP = "run sheet for the days ahead: head room of stores, when to burn surplus, when to back up"
TEMPLATE = "state.yaml"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)
    command.add_argument(
        "--state",
        metavar="FILE",
        help="levels, sources and units now; without it a template is written to fill in "
        f"({TEMPLATE}, or -o)",
    )
    command.add_argument("--days", type=positive, default=7.0, metavar="N", help="days ahead (7)")
    command.add_argument(
        "-o", "--output", metavar="DIR", help="folder for the files; without --state: the template"
    )
    command.add_argument("--json", action="store_true", help="print JSON in place of text")


def run(given: argparse.Namespace) -> int:
    """Print the run sheet, and write it where asked; or write a template of the state."""
    from allocator.base.folders import check_file, check_folder, write_file

    site = site_of(given.site)
    plan = plan_for(site, given.plan)
    from allocator.base.errors import AllocatorError
    from allocator.simulation.tracing import assemble
    from allocator.studies.operate_result import operate
    from allocator.studies.operate_state import refuse_existing, template_of

    if given.days >= 3660.0:
        raise AllocatorError("--days must be below 3,660")
    if given.state is None:
        file = Path(given.output or TEMPLATE)
        refuse_existing(file)
        check_file(file)
        with told_of(given.plan):
            write_file(file, template_of(assemble(site, plan)).encode("utf-8"))
        show(f"Fill in {file} and give it with --state.\n")
        return DONE
    if given.output:
        check_folder(Path(given.output))
    with told_of(given.plan):
        result = operate(site, plan, given.state, days=given.days)
    if given.output:
        result.save(given.output)
    show(result.to_json() if given.json else result.summary())
    if given.output and not given.json:
        show(f"Files: {given.output}\n")
    return DONE

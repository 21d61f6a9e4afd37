"""``allocator operate``: a plan's run sheet for the days ahead, from what is there now."""

from __future__ import annotations

import argparse
import time
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.base.errors import AllocatorError
from allocator.cli.arguments import duration, plan_argument, positive, share, site_argument
from allocator.cli.files import plan_for, site_of, told_of
from allocator.cli.terminal import BAD_INPUT, BREACHES, DONE, show, tell, times

if TYPE_CHECKING:
    from allocator.plans.records import Plan
    from allocator.site.records import Site

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
    command.add_argument(
        "--follow",
        metavar="LEVELS",
        help="read a logger's CSV as it grows (time, stores and sources by name with units: "
        "'gas_holder@mill [kg]', 'digester [g/s]', 'digester [on]'); tell when sources no longer "
        "do what the site file says, and the firm output that is left; Ctrl-C ends it",
    )
    command.add_argument(
        "--once", action="store_true", help="with --follow: read what is there, and end"
    )
    command.add_argument(
        "--wait",
        type=duration,
        default=10.0,
        metavar="T",
        help="with --follow: time from one look at the file to the next (10 s)",
    )
    command.add_argument(
        "--meter",
        type=share,
        default=0.02,
        metavar="SHARE",
        help="with --follow: standard deviation of an hour's mean of the flow meters, share of "
        "the stated flow (0.02)",
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
    from allocator.simulation.tracing import assemble
    from allocator.studies.operate_result import OperateResult, operate
    from allocator.studies.operate_state import refuse_existing, template_of

    if given.follow is not None:
        if given.state or given.output or given.json:
            raise AllocatorError("--follow prints as it reads: leave out --state, -o and --json")
        return _follow(given, site, plan)
    if given.once:
        raise AllocatorError("--once goes with --follow")
    if given.days >= 3660.0:
        raise AllocatorError("--days must be below 3660")
    if given.state is None:
        file = Path(given.output or TEMPLATE)
        refuse_existing(file)
        check_file(file)
        with told_of(given.plan):
            write_file(file, template_of(assemble(site, plan)).encode("utf-8"))
        show(f"Fill in {file} and give it with --state.\n")
        return DONE
    if given.output:
        check_folder(Path(given.output), OperateResult.usual_files())
    with told_of(given.plan):
        result = operate(site, plan, given.state, days=given.days)
    if given.output:
        result.save(given.output)
    show(result.to_json() if given.json else result.summary())
    if given.output and not given.json:
        show(f"Files: {given.output}\n")
    return DONE


def _follow(given: argparse.Namespace, site: Site, plan: Plan) -> int:
    """Tell what new rows show, until Ctrl-C; 1 where the firm output no longer holds."""
    from allocator.base.clock import interrupts_end_all
    from allocator.base.errors import fault_lines
    from allocator.studies.following import Follower, told_lines

    if given.meter <= 0.0:
        raise AllocatorError("--meter must be above 0")
    with told_of(given.plan):
        follower = Follower(site, plan, given.follow, given.meter)
    low: dict[str, bool] = {}
    broken = unread = False
    try:
        with interrupts_end_all():
            while True:
                look = follower.look(last=given.once)
                for note in look.notes:
                    tell(f"note: {given.follow}: {note}")
                for line in fault_lines(look.faults):
                    tell(line)
                unread = bool(look.faults) and not follower.rows
                lines = list(told_lines(follower, look))
                if look.promise is not None:
                    broken = not follower.promised.kept_by(look.promise)
                for store in look.stores:
                    if low.get(store.name) != store.low:
                        low[store.name] = store.low
                        lines.append(f"{follower.log.time_text(follower.at)}  {store}")
                if lines:
                    show("\n".join(lines) + "\n")
                if given.once:
                    break
                time.sleep(given.wait)
    except KeyboardInterrupt:
        pass
    changes = len(follower.changes)
    told = f"{times(changes, 'departure')} from the site file" if changes else "all as stated"
    if not follower.rows:
        told = "nothing known"
    show(f"{times(follower.rows, 'row')} read; sources: {told}\n")
    if unread:
        return BAD_INPUT
    return BREACHES if broken or any(low.values()) else DONE

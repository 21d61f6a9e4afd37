"""``allocator replan``: plan a changed site again, with as little changed as that allows."""

from __future__ import annotations

import argparse
from dataclasses import replace

from allocator.cli.arguments import (
    crew_argument,
    plan_argument,
    progress_of,
    settings_of,
    share,
    site_argument,
    solving_arguments,
)
from allocator.cli.files import note_first_run, plan_of, plan_path, site_of
from allocator.cli.plan import compiles_proof, no_plan, proof_argument, proved_in_time, verdict
from allocator.cli.terminal import follower, show

HELP = "plan a changed site again, keeping as much of a former plan as that allows"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)
    command.add_argument(
        "-o", "--output", metavar="DIR", required=True, help="folder for the new plan's files"
    )
    command.add_argument(
        "--keep-weight",
        type=share,
        default=0.1,
        metavar="SHARE",
        help="share of what the former plan serves that may be given up to keep all of it (0.1: a "
        "change of a tenth of its material must serve 1 %% more; 0: nothing is given up)",
    )
    solving_arguments(command)
    crew_argument(command)
    proof_argument(command)
    command.add_argument("--full", action="store_true", help="print all tables of the plan")


def run(given: argparse.Namespace) -> int:
    """Plan again, audit, write, and print the plan and what it changes."""
    from pathlib import Path

    from allocator.base.folders import check_folder
    from allocator.engine.plan_folder import PLAN_FILES

    check_folder(Path(given.output), PLAN_FILES)
    site = site_of(given.site)
    former = plan_of(given.plan)
    note_first_run(site)
    from allocator.base.quiet import stdout_for_data
    from allocator.engine import NoPlanError
    from allocator.engine.compiling import compiling_beside
    from allocator.engine.replanning import replan_site
    from allocator.report.changes import changes_lines

    settings = replace(settings_of(given, site), prices=True)
    try:
        with compiling_beside(site, compiles_proof(given)) as compiler:
            with stdout_for_data():
                report = follower(progress_of(given))
                file = str(plan_path(given.plan))
                result = replan_site(site, former, settings, given.keep_weight, report, file=file)
            result = proved_in_time(given, result, compiler)
    except NoPlanError as error:
        return no_plan(error.outcome)
    result.save(given.output, crew=given.crew, site_file=given.site)
    show(f"{result.summary(full=given.full)}\n")
    show("\n".join(["Changes to the former plan", *changes_lines(former, result.plan), ""]))
    show(f"Files: {given.output}\n")
    return verdict(given, result)

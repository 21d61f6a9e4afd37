"""``allocator sweep``: a plan, or planning, over draws of uncertain values and over grids."""

from __future__ import annotations

import argparse
import os
from typing import TYPE_CHECKING

from allocator.base.grouped import grouped
from allocator.cli.arguments import (
    counting,
    positive,
    progress_of,
    settings_of,
    site_argument,
    solving_arguments,
    workers_arguments,
    workers_of,
)
from allocator.cli.files import note_first_run, plan_of, site_of
from allocator.cli.study_folder import folder_argument, folder_of
from allocator.cli.terminal import (
    BAD_INPUT,
    BREACHES,
    DONE,
    NOT_FOUND,
    UNVERIFIED,
    fail,
    show,
    tell,
    tell_breaches,
)

if TYPE_CHECKING:
    from pathlib import Path

    from allocator.plans.records import Plan
    from allocator.site.records import Site
    from allocator.studies.sweep_cases import Asked

HELP = "what a plan gives when flows, stages, efficiencies, demands or stocks are otherwise"
STOPPED = 130
MOST_CASES = 1_000_000


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    folder_argument(
        command,
        "folder for the tables and for finished cases; an interrupted sweep continues there",
    )
    command.add_argument(
        "--draws", type=counting, default=0, metavar="N", help="draws of the site's ranges"
    )
    command.add_argument(
        "--grid",
        action="append",
        default=[],
        metavar="ADDRESS=VALUES",
        help="values of one number of the site file, by its address, such as stock.steel=4t,6t "
        "or sources.north.flow=3g/s,4g/s; may be repeated",
    )
    command.add_argument(
        "--plan",
        metavar="PLAN",
        help="operate this plan again in each case; without it each case is planned from scratch",
    )
    command.add_argument(
        "--simulate",
        type=positive,
        default=None,
        metavar="DAYS",
        help="with --plan: run it through that many days of each case, valves untouched",
    )
    command.add_argument(
        "--phases",
        type=counting,
        default=2,
        metavar="N",
        help="random phases of each simulation (2)",
    )
    solving_arguments(command, limit_of="each case")
    workers_arguments(command, os.cpu_count() or 1)


def run(given: argparse.Namespace) -> int:
    """Work the cases out, write, and print the summary."""
    from allocator.studies.sweep_result import SweepResult

    folder = folder_of(given, SweepResult)
    site = site_of(given.site)
    note_first_run(site)
    plan = None if given.plan is None else plan_of(given.plan)
    asked = _asked(given, site, plan)
    if isinstance(asked, str):
        return fail(f"allocator: {asked}", BAD_INPUT)
    if plan is not None:
        from allocator.verify import audit

        found = audit(site, plan)
        if not found.accepted:
            tell_breaches(found, tell)
            return fail("the plan does not pass its audit on the site as it is", BREACHES)
    return _swept(given, site, asked, folder)


def _asked(given: argparse.Namespace, site: Site, plan: Plan | None) -> Asked | str:
    """What is asked for, or why it cannot be."""
    from allocator.network.facts import facts_of
    from allocator.studies.grids import grids_of, points
    from allocator.studies.sweep_cases import Asked, nothing_varied

    if not given.draws and not given.grid:
        return "nothing to vary; give --draws N, --grid ADDRESS=VALUES, or both"
    grids = grids_of(facts_of(site), given.grid, plan is not None)
    if problem := nothing_varied(site, given.draws, grids):
        return f"--{problem}"
    if given.simulate is not None and (plan is None or plan.basis != "firm"):
        return "--simulate: runs a plan of the firm basis; name one with --plan"
    count = len(points(grids)) * (given.draws + 1)
    if count > MOST_CASES:
        return f"would be {grouped(count)} cases; ask for no more than {grouped(MOST_CASES)}"
    return Asked(given.draws, grids, plan, given.seed, given.simulate or 0.0, given.phases)


def _swept(given: argparse.Namespace, site: Site, asked: Asked, folder: Path) -> int:
    from dataclasses import replace

    from allocator.base.quiet import stdout_for_data
    from allocator.studies.running import ClusterError
    from allocator.studies.sweep_result import sweep

    made = not folder.exists()
    folder.mkdir(exist_ok=True)
    try:
        settings = settings_of(given, site, whole=True)
        if asked.plan is not None:
            settings = replace(settings, basis=asked.plan.basis)
        with stdout_for_data():
            result = sweep(
                site,
                asked,
                settings=settings,
                workers=workers_of(given),
                folder=folder,
                tell=progress_of(given),
            )
    except KeyboardInterrupt:
        return fail(f"stopped by hand; the same command goes on from {folder}", STOPPED)
    except (ClusterError, ValueError) as error:
        if made:
            _take_away(folder)
        return fail(f"allocator: {error}", BAD_INPUT)
    result.save(folder)
    show(f"{result.summary()}\nFiles: {given.output}\n")
    rows = result.rows
    if all(row.firm_clean is None for row in rows):
        return fail("no case gave a result", NOT_FOUND)
    if any(row.status and not row.verified and row.demand is not None for row in rows):
        return fail("SOME CASES FAILED THEIR AUDIT: see 'verified' in cases.csv.", UNVERIFIED)
    return DONE


def _take_away(folder: Path) -> None:
    """Leave no folder behind that was made for nothing."""
    from allocator.studies.results import cases_in
    from allocator.studies.sweep_cases import STORE

    if cases_in(folder / STORE) == 0:
        for file in folder.glob(f"{STORE}*"):
            file.unlink()
        folder.rmdir()

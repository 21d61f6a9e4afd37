"""``allocator report``: a plan as a page to look at."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from allocator.cli.arguments import crew_argument, plan_argument, site_argument
from allocator.cli.files import plan_for, plan_path, site_of
from allocator.cli.terminal import show

HELP = "write a plan, with its simulation if there is one, as a page that needs no network"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)
    command.add_argument(
        "simulation",
        metavar="SIMULATION",
        nargs="?",
        help="folder that simulate has written (default: the plan's own)",
    )
    command.add_argument("-o", "--output", metavar="FILE", required=True, help="page to write")
    command.add_argument(
        "--mixes", metavar="DIR", help="folder that compare has written: its mixes beside the plan"
    )
    command.add_argument(
        "--frontier",
        metavar="DIR",
        action="append",
        default=[],
        help="folder that frontier has written: its curve with the plan on it; may be given again",
    )
    command.add_argument(
        "--sweep",
        metavar="DIR",
        action="append",
        default=[],
        help="folder that sweep has written: its draws as a tab; may be given again",
    )
    crew_argument(command)


def run(given: argparse.Namespace) -> int:
    """Read, check that all belongs together, write."""
    from allocator.base.folders import check_file, write_file

    check_file(Path(given.output))
    site = site_of(given.site)
    plan = plan_for(site, given.plan, older=True)
    from allocator.report.page import PageStudies, page_html
    from allocator.report.page.simulation import read_simulation
    from allocator.report.page.study_files import read_frontier, read_mixes, read_sweep

    folder = given.simulation
    if folder is None and (plan_path(given.plan).parent / "simulation.json").exists():
        folder = plan_path(given.plan).parent
    from allocator.engine import plan_digest

    simulation = None if folder is None else read_simulation(folder, plan, plan_digest(plan))
    mixes = None if given.mixes is None else read_mixes(given.mixes, site)
    frontiers = [read_frontier(folder, site) for folder in given.frontier]
    sweeps = [read_sweep(folder, site) for folder in given.sweep]
    page = page_html(
        site,
        plan,
        simulation,
        _run_of(given.plan),
        given.crew,
        PageStudies(mixes, frontiers, sweeps),
    )
    write_file(Path(given.output), page.encode("utf-8"))
    return show(f"Page: {given.output}\n")


def _run_of(plan: str) -> Mapping[str, Any] | None:
    """What run.json beside the plan says; None where there is none, or it says nothing."""
    try:
        found = json.loads((plan_path(plan).parent / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None
    return found if isinstance(found, dict) else None

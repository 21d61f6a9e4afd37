"""``allocator simulate``: a plan run through time, from phases that try to break its promise."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.base.grouped import grouped
from allocator.cli.arguments import (
    count_from_none,
    counting,
    duration,
    plan_argument,
    positive,
    seed,
    site_argument,
    workers_arguments,
    workers_of,
)
from allocator.cli.files import plan_for, site_of, told_of
from allocator.cli.terminal import BREACHES, DONE, fail, show, tell

if TYPE_CHECKING:
    from allocator.simulation import SimulationSettings

HELP = "run a plan through time, from phases chosen against its firm output"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    plan_argument(command)
    command.add_argument(
        "-o", "--output", metavar="DIR", required=True, help="folder for the simulation's files"
    )
    command.add_argument(
        "--days", type=days, default=365.0, metavar="N", help="days of each draw (365)"
    )
    command.add_argument(
        "--phases", type=counting, default=8, metavar="N", help="draws from random phases (8)"
    )
    command.add_argument("--seed", type=seed, default=0, metavar="N", help="seed of the draws (0)")
    command.add_argument(
        "--adversarial",
        action=argparse.BooleanOptionalAction,
        default=True,
        help="also set a draw against each store's worst window (the default)",
    )
    command.add_argument(
        "--from-now",
        action="store_true",
        help="besides, a draw from empty stores with the sources as surveyed",
    )
    command.add_argument(
        "--hold",
        choices=("plan", "full", "need", "rule"),
        default="plan",
        help="plan: keep in stores what the plan's set-points say (default); full: keep them "
        "full; need: burn all that the firm output does not need; rule: the same, by what sources "
        "are seen to do",
    )
    command.add_argument(
        "--outages",
        nargs=2,
        type=duration,
        metavar=("BETWEEN", "REPAIR"),
        help="let units fail: mean time between failures and of repair, such as 2000h 24h, in "
        "place of the 'mtbf' and 'mttr' of the site file",
    )
    command.add_argument(
        "--years",
        type=count_from_none,
        default=64,
        metavar="N",
        help="years at most that are drawn for the hours and energy short a year, where machines "
        "fail (64; 0: none)",
    )
    command.add_argument(
        "--foresight",
        type=not_negative,
        default=60.0,
        metavar="DAYS",
        help="bound what any control could serve over the first days (60; 0: no bounds)",
    )
    command.add_argument(
        "--replay", metavar="FILE", help="run the draws of a broken.json again, and no others"
    )
    workers_arguments(command)


def days(text: str) -> float:
    """A number of days that can be run through."""
    from allocator.simulation.trace import MOST_DAYS

    value = positive(text)
    if value > MOST_DAYS:
        raise argparse.ArgumentTypeError(f"must be at most {grouped(MOST_DAYS)}, got {text!r}")
    return value


def not_negative(text: str) -> float:
    """A number of 0 or more."""
    value = float(text)
    if not 0 <= value < float("inf"):
        raise argparse.ArgumentTypeError(f"must be 0 or more, got {text!r}")
    return value


not_negative.__name__ = days.__name__ = "number"


def run(given: argparse.Namespace) -> int:
    """Simulate, write, and print what was found."""
    from allocator.base.folders import check_folder
    from allocator.engine.plan_folder import PROOF_FILES

    check_folder(Path(given.output), PROOF_FILES)
    site = site_of(given.site)
    plan = plan_for(site, given.plan)
    if not plan.verified:
        tell("warning: the plan failed its audit or its proof when it was made")
    from allocator.base.quiet import stdout_for_data
    from allocator.engine import simulate_plan
    from allocator.report.simulated import simulation_text
    from allocator.simulation import write_simulation
    from allocator.simulation.broken import BROKEN_FILE, read_broken
    from allocator.studies.running import executor_of

    settings = simulation_settings(given)
    again = None if given.replay is None else read_broken(given.replay, site)
    with stdout_for_data(), told_of(given.plan):
        if again is not None:
            trace = simulate_plan(
                site, plan, again.settings, reserves=again.reserves, given=again.runs
            )
        else:
            with executor_of(workers_of(given)) as executor:
                trace = simulate_plan(site, plan, settings, executor=executor, years=given.years)
    write_simulation(given.output, trace)
    show(f"{simulation_text(plan, trace)}\nFiles: {given.output}\n")
    if trace.kept:
        return DONE
    if not trace.broken:
        return fail("THE FIRM OUTPUT WAS NOT KEPT: pressure is too low along lines", BREACHES)
    file = Path(given.output) / BROKEN_FILE
    failing = (settings if again is None else again.settings).failing
    if failing is not None and not any(draw.turns for draw in trace.broken):
        beyond = (
            "more than firm output covers" if plan.outages else "which firm output does not cover"
        )
        tell(f"short with machines out, {beyond}: {file} reproduces it")
        return DONE
    return fail(f"FIRM OUTPUT WAS NOT KEPT. {file} reproduces it: --replay {file}", BREACHES)


def simulation_settings(given: argparse.Namespace) -> SimulationSettings:
    """The settings that the arguments ask for."""
    from allocator.simulation import Outages, SimulationSettings

    return SimulationSettings(
        days=given.days,
        phases=given.phases,
        seed=given.seed,
        adversarial=given.adversarial,
        from_now=given.from_now,
        hold=given.hold,
        foresight=86400.0 * given.foresight,
        failing=None if given.outages is None else Outages(*given.outages),
    )

"""``allocator plan``: make an audited plan and write its files."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from allocator.cli.arguments import (
    count_from_none,
    counting,
    crew_argument,
    progress_of,
    seconds_left,
    settings_of,
    share,
    site_argument,
    solving_arguments,
    workers_arguments,
)
from allocator.cli.files import note_first_run, plan_of, site_of
from allocator.cli.terminal import (
    BAD_INPUT,
    DONE,
    IMPOSSIBLE,
    NOT_FOUND,
    UNVERIFIED,
    fail,
    follower,
    show,
    tell,
    tell_breaches,
    times,
    told_when_slow,
)

if TYPE_CHECKING:
    from allocator.engine import PlanResult
    from allocator.engine.compiling import Compiler
    from allocator.plans.records import Plan
    from allocator.search import Outcome, Settings
    from allocator.site.records import Site

HELP = "make an audited plan for a site and write its files"


def arguments(command: argparse.ArgumentParser) -> None:
    """Add the command's arguments."""
    site_argument(command)
    command.add_argument(
        "-o", "--output", metavar="DIR", required=True, help="folder for the plan's files"
    )
    solving_arguments(command)
    workers_arguments(command)
    crew_argument(command)
    proof_argument(command)
    command.add_argument(
        "--lift",
        action="append",
        default=[],
        metavar="LIMIT=STEP",
        help="plan again with more of a limit and print the gain; a limit is named by its address, "
        "as 'Marginal values' prints it: stock.steel=250kg, storage.holder.size.max=2t, "
        "machines.engine.places.mill=1, limits.money=900",
    )
    command.add_argument(
        "--lose",
        type=count_from_none,
        default=0,
        metavar="K",
        help="keep the firm output when any K sources give nothing, with no valve touched (0)",
    )
    command.add_argument(
        "--robust",
        type=count_from_none,
        default=0,
        metavar="N",
        help="hold it when any N sources give the low end of their range (0)",
    )
    command.add_argument(
        "--lose-machines",
        type=count_from_none,
        default=0,
        metavar="K",
        help="hold it with any K machine units out of order; the plan has an operation for each "
        "choice (0)",
    )
    command.add_argument(
        "--start",
        metavar="PLAN",
        default=None,
        help="begin from this plan of the site (plan.json or its folder), which may be older",
    )
    command.add_argument(
        "--alternatives",
        type=counting,
        default=1,
        metavar="K",
        help="K plans that differ in what is laid; the others go to DIR_2, DIR_3, ... (1)",
    )
    command.add_argument(
        "--within",
        type=share,
        default=0.05,
        metavar="LOSS",
        help="share of the first goal that an alternative may lose (0.05)",
    )
    command.add_argument("--full", action="store_true", help="print all tables of the plan")
    command.add_argument("--cautions", action="store_true", help="print the cautions as well")
    command.add_argument(
        "--write-program",
        metavar="FILE",
        help="write the integer program of the first goal, with its store cuts, as .lp or .mps; "
        "a quarter of the time limit more",
    )


def proof_argument(command: argparse.ArgumentParser) -> None:
    """--prove."""
    command.add_argument(
        "--prove",
        type=draws,
        default=None,
        metavar="N",
        help="simulate the plan from N random phases, a year each (by default a short proof; "
        "0: none)",
    )


WHAT_TO_DO = (
    "To find another: plan again with another --seed or more time, or change what a breach names "
    "by a millionth of itself in the site file."
)
"""What helps against a plan that fails its audit, which is a fault of the program."""


def draws(text: str) -> int:
    """A number of draws, or none."""
    value = int(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"must be 0 or more, got {text!r}")
    return value


draws.__name__ = "whole number"


def run(given: argparse.Namespace) -> int:
    """Plan, audit, write, and print the summary."""
    from allocator.base.folders import check_file, check_folder
    from allocator.engine.plan_folder import PLAN_FILES, folder_of
    from allocator.report.handover.coordinates import check_origin

    for number in range(1, given.alternatives + 1):
        check_folder(folder_of(given.output, number), PLAN_FILES)
    if given.write_program is not None:
        from allocator.search.writing import check_program_path

        check_program_path(given.write_program)
        check_file(Path(given.write_program))
    site = site_of(given.site)
    check_origin(site)
    from allocator.studies.lifting import lift_of
    from allocator.studies.running import Workers, executor_of

    start = None if given.start is None else start_of(given.start, site)
    lifts = tuple(lift_of(site, text) for text in given.lift)
    from allocator.base.quiet import stdout_for_data
    from allocator.engine import NoPlanError, plan_site
    from allocator.engine.compiling import compiling_beside
    from allocator.engine.planning import check_lost_machines, check_lost_sources, check_robust
    from allocator.plans.records import Robustness
    from allocator.search.outcome import REFUSED

    try:
        check_lost_sources(site, given.lose)
        check_robust(site, given.robust)
        check_lost_machines(site, given.lose_machines)
        settings = replace(
            settings_of(given, site),
            prices=True,
            lifts=lifts,
            start=start,
            alternatives=given.alternatives,
            loss=given.within,
            robustness=Robustness(given.lose, given.robust, given.lose_machines),
            workers=given.workers,
        )
        with compiling_beside(site, compiles_proof(given)) as compiler:
            settings = with_search_compiled(given, site, settings)
            with stdout_for_data(), executor_of(Workers(cluster=given.cluster)) as executor:
                result = plan_site(site, settings, follower(progress_of(given)), executor)
            result = proved_in_time(given, result, compiler)
    except NoPlanError as error:
        return no_plan(error.outcome)
    except ValueError as error:  # a solver that is not there, or too much to withstand
        return fail(f"allocator: {error}", BAD_INPUT)
    result.save(given.output, crew=given.crew, site_file=given.site)
    show(f"{result.summary(full=given.full)}\nFiles: {given.output}\n")
    if given.lift and not given.full:
        from allocator.base.text import section
        from allocator.report.prices import prices
        from allocator.site.money import unit_of_money

        gains = section("Marginal values", prices(result.plan, unit_of_money(site)))
        show("\n".join([*gains, ""]))
    if given.cautions and not given.full:
        from allocator.report.brief import cautions_text

        show("\n" + cautions_text(result.plan))
    if given.alternatives > 1:
        from allocator.report.alternatives import alternatives_text

        show("\n" + alternatives_text(result.plan, result.alternatives, given.within))
    for number, _ in enumerate(result.alternatives, 2):
        show(f"Files: {folder_of(given.output, number)}\n")
    assert result.outcome is not None
    refused = [line.note for line in result.outcome.search if line.note.startswith(REFUSED)]
    if result.audit.accepted and refused:
        for note in refused:
            tell(f"warning: {note}")
        tell(f"warning: the plan printed is the best earlier one that passes. {WHAT_TO_DO}")
    if given.write_program is not None:
        _write_program(given.write_program, site, settings, result.plan)
    return verdict(given, result)


def start_of(path: str, site: Site) -> Plan:
    """A plan to begin from. Raises AllocatorError where it is of another site."""
    from allocator.base.errors import AllocatorError

    start = plan_of(path)
    if start.site_name != site.name:
        raise AllocatorError(
            f"--start: the plan is for {start.site_name!r}, and the site is {site.name!r}; name a "
            "plan of this site, or of an older file of it"
        )
    return start


def with_search_compiled(given: argparse.Namespace, site: Site, settings: Settings) -> Settings:
    """The settings with the time that is left for planning, which begins after compiling.

    With a time limit of the user's the search is compiled beside, and a note says so.
    """
    from allocator.search.first_run import compiled_first

    if given.limit_given or given.cluster is not None:
        note_first_run(site)
        return settings
    given.began += compiled_first(site, settings, tell)
    return replace(settings, time_limit=seconds_left(given, site))


def compiles_proof(given: argparse.Namespace) -> bool:
    """Whether the loops of the simulation are compiled beside the search, if they are not yet."""
    return given.prove != 0 and given.node_limit is None and getattr(given, "basis", "") != "mean"


def proved_in_time(given: argparse.Namespace, result: PlanResult, compiler: Compiler) -> PlanResult:
    """The plan with its set-points and its simulation, where that is asked for and time is left."""
    from allocator.engine.planning import proved, time_after_search

    limit = None if given.node_limit is not None else given.time_limit
    after = time_after_search(result, limit, given.began)
    with told_when_slow("simulating (on a first run some seconds to compile)"):
        result = proved(result, given.prove, given.seed, after=after, compiler=compiler)
    before = () if result.outcome is None else result.outcome.left_out
    if left_out := (*before, *result.left_out):
        tell(f"note: no time was left for: {', '.join(left_out)}; see --time-limit")
    if result.not_simulated:
        tell(f"warning: the plan was not simulated: {result.not_simulated}")
    return result


def verdict(given: argparse.Namespace, result: PlanResult) -> int:
    """The exit code of a plan that is written, and why it is not 0."""
    if not result.audit.accepted:
        tell_breaches(result.audit, tell)
        return fail(
            f"THE PLAN FAILED ITS AUDIT: do not build from it. {WHAT_TO_DO}",
            UNVERIFIED,
        )
    if result.simulation is not None and not result.simulation.kept:
        file = Path(given.output) / "broken.json"
        return fail(
            "THE PLAN DID NOT KEEP ITS FIRM OUTPUT when it was simulated: do not build from it. "
            f"'allocator simulate ... --replay {file}' shows how.",
            UNVERIFIED,
        )
    if poor := nothing_served(result.plan):
        return fail(poor, NOT_FOUND)
    return DONE


def nothing_served(plan: Plan) -> str:
    """What to say of a plan that serves nothing though it is not proven that none can; or ""."""
    from allocator.base.quantities import format_quantity

    service = [goal for goal in plan.goals if goal.sense == "max"]
    least = 1e-9 * plan.power.demand_mean
    if not service or any(goal.value > least for goal in service):
        return ""
    open_goals = [g for g in service if g.bound is None or g.bound > least]
    if not open_goals:
        return ""
    goal, possible = open_goals[0], ""
    if goal.bound is not None:
        dimension = "power" if goal.unit == "W" else "mass_rate"
        possible = f", and up to {format_quantity(goal.bound, dimension)} may be possible"
    return (
        f"nothing better than a plan that serves nothing was found in the time{possible}: allow "
        "more with --time-limit, begin from a plan with --start, or look for a better one with "
        "--effort thorough"
    )


def _write_program(path: str, site: Site, settings: Settings, plan: Plan) -> None:
    """Write the program of the first goal, and say what its optimum is worth."""
    from allocator.base.folders import write_file
    from allocator.base.quiet import stdout_for_data
    from allocator.search.writing import written_program

    quarter = replace(settings, time_limit=settings.time_limit / 4)
    with stdout_for_data():
        written = written_program(site, quarter, Path(path).suffix, plan)
    write_file(Path(path), written.text)
    worth = "its optimum is the goal's" if written.whole else "its optimum bounds the goal"
    told = f"{written.goal}, {times(written.cuts, 'store cut')}; {worth}"
    show(f"Program: {path} ({told})\n")


def no_plan(outcome: Outcome) -> int:
    """Tell why there is no plan; the exit code."""
    if not outcome.proven_impossible:
        return fail(outcome.reason, NOT_FOUND)
    tell(outcome.reason)
    return fail(
        "'allocator why' gives their lines in the file and the change that is sufficient.",
        IMPOSSIBLE,
    )

"""Arguments that several commands take, and the kinds of number that they may be."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

from allocator.cli.terminal import tell

if TYPE_CHECKING:
    from allocator.search import Settings
    from allocator.site.records import Site
    from allocator.studies.running import Workers


def positive(text: str) -> float:
    """A number above 0."""
    value = float(text)
    if value == float("inf"):
        raise argparse.ArgumentTypeError(f"must be finite, got {text!r}")
    if not value > 0:
        raise argparse.ArgumentTypeError(f"must be above 0, got {text!r}")
    return value


def share(text: str) -> float:
    """A number from 0 up to 1, without 1."""
    value = float(text)
    if not 0 <= value < 1:
        raise argparse.ArgumentTypeError(f"must be from 0 up to 1, got {text!r}")
    return value


def counting(text: str) -> int:
    """A whole number above 0."""
    value = int(text)
    if value < 1:
        raise argparse.ArgumentTypeError(f"must be 1 or more, got {text!r}")
    return value


def count_from_none(text: str) -> int:
    """A whole number from 0 on."""
    value = int(text)
    if value < 0:
        raise argparse.ArgumentTypeError(f"must be 0 or more, got {text!r}")
    return value


def seed(text: str) -> int:
    """A seed."""
    value = int(text)
    if not 0 <= value < 2**31:
        raise argparse.ArgumentTypeError(f"must be from 0 to {2**31 - 1}, got {text!r}")
    return value


def mass_rate(text: str) -> float:
    """A mass rate above 0, kg/s."""
    return _above_none(text, "mass_rate")


def mass(text: str) -> float:
    """A mass above 0, kg."""
    return _above_none(text, "mass")


def _above_none(text: str, dimension: str) -> float:
    """A quantity above 0, SI."""
    from allocator.base.quantities import QuantityError, parse_quantity, unit_lacking

    if remedy := unit_lacking(text, dimension):
        raise argparse.ArgumentTypeError(f"{text!r} has no unit; {remedy}")
    try:
        value = parse_quantity(text, dimension)
    except QuantityError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if value <= 0:
        raise argparse.ArgumentTypeError(f"must be above 0, got {text!r}")
    return value


# argparse names the type in its message when a number cannot be read
positive.__name__ = share.__name__ = "number"
counting.__name__ = count_from_none.__name__ = seed.__name__ = "whole number"


def duration(text: str) -> float:
    """A duration above 0, s."""
    value = span(text)
    if not value > 0:
        raise argparse.ArgumentTypeError(f"must be above 0, got {text!r}")
    return value


def span(text: str) -> float:
    """A duration of 0 or more, s."""
    from allocator.base.quantities import QuantityError, parse_quantity

    try:
        value = parse_quantity(text, "duration")
    except QuantityError as error:
        raise argparse.ArgumentTypeError(str(error)) from None
    if value < 0:
        raise argparse.ArgumentTypeError(f"must not be negative, got {text!r}")
    return value


def rows_option(command: argparse.ArgumentParser) -> None:
    """How the rows of a log are read."""
    command.add_argument(
        "--rows",
        choices=("changes", "samples"),
        default="",
        help="changes: the logger writes a row only on a change, so each flow lasts until the next "
        "row and long steps are no gaps; samples: it writes at set times (by default, as the rows "
        "show it)",
    )


def crew_argument(command: argparse.ArgumentParser) -> None:
    """--crew."""
    command.add_argument(
        "--crew",
        type=mass_rate,
        default=None,
        metavar="RATE",
        help="material that the crew builds, such as '800 kg/d': the build order then has days",
    )


def site_argument(command: argparse.ArgumentParser) -> None:
    """SITE."""
    command.add_argument("site", metavar="SITE", help="site file (YAML)")


def plan_argument(command: argparse.ArgumentParser) -> None:
    """PLAN."""
    command.add_argument("plan", metavar="PLAN", help="plan file (plan.json) or its folder")


class TimeLimit(argparse.Action):
    """The time limit, and that somebody gave it (``limit_given``)."""

    def __call__(
        self,
        parser: argparse.ArgumentParser,
        namespace: argparse.Namespace,
        values: Any,
        option_string: str | None = None,
    ) -> None:
        namespace.time_limit, namespace.limit_given = values, True


def solving_arguments(
    command: argparse.ArgumentParser, *, basis: bool = True, limit_of: str = "everything"
) -> None:
    """How to plan: basis (where there is a choice), limits, seed, solver.

    ``limit_of``: what the time limit is of.
    """
    if basis:
        command.add_argument(
            "--basis",
            choices=("firm", "mean"),
            default="firm",
            help="firm: power that holds at all times (default); mean: averages, not firm",
        )
    command.add_argument(
        "--time-limit",
        type=positive,
        action=TimeLimit,
        default=60.0,
        metavar="S",
        help=f"seconds for {limit_of} (default 60); Ctrl-C keeps the best plan so far",
    )
    command.set_defaults(limit_given=False)
    command.add_argument(
        "--gap",
        type=share,
        default=1e-4,
        metavar="G",
        help="relative gap at which the search of a goal ends (0.0001)",
    )
    command.add_argument("--seed", type=seed, default=0, metavar="N", help="seed of the search (0)")
    command.add_argument(
        "--threads",
        type=counting,
        default=None,
        metavar="N",
        help="threads of the solver, all in one process (by default one, and a process beside "
        "that tightens the bound where there is a second core)",
    )
    command.add_argument(
        "--solver",
        default="highs",
        metavar="NAME",
        help="solver of integer programs: highs, or another that PuLP finds, such as cbc or scip",
    )
    command.add_argument(
        "--effort",
        choices=("quick", "normal", "thorough"),
        default="normal",
        help="how long a search of a larger site tries for better plans (normal)",
    )
    command.add_argument(
        "--node-limit",
        type=counting,
        default=None,
        metavar="N",
        help="search nodes of each solve in place of the time limit: same plan on any machine",
    )
    progress_arguments(command)


def progress_arguments(command: argparse.ArgumentParser) -> None:
    """--progress and --quiet."""
    told = command.add_mutually_exclusive_group()
    told.add_argument(
        "--progress",
        action="store_true",
        help="show progress on stderr (done by default where stderr is a terminal)",
    )
    told.add_argument("--quiet", action="store_true", help="show no progress")


def progress_of(given: argparse.Namespace) -> Callable[[str], object]:
    """Who hears of progress: stderr, or nobody."""
    shown = given.progress or (sys.stderr.isatty() and not given.quiet)
    return tell if shown else lambda words: None


def seconds_left(given: argparse.Namespace, site: Site) -> float:
    """Seconds of the time limit that are left for planning now."""
    from allocator.engine.time_limit import seconds_for_search

    gone = time.perf_counter() - given.began
    clocks = hasattr(given, "prove") and any(s.clock != "free" for s in site.sources.values())
    return seconds_for_search(given.time_limit, gone, len(site.sources), clocks)


def settings_of(given: argparse.Namespace, site: Site, *, whole: bool = False) -> Settings:
    """The settings that the solving arguments ask for, for a site.

    ``whole``: the time limit as it is given; by default, what is left of it for planning.

    Raises:
        SolverError: the solver is not available here.
    """
    from allocator.search import Settings

    if given.solver.lower() != "highs":
        from allocator.solver.other_solver import solver_named

        solver_named(given.solver)  # said at once where it is not there
    return Settings(
        basis=getattr(given, "basis", "firm"),
        time_limit=given.time_limit if whole else seconds_left(given, site),
        gap=given.gap,
        seed=given.seed,
        threads=given.threads,
        solver=given.solver,
        node_limit=given.node_limit,
        effort=given.effort,
    )


def workers_arguments(command: argparse.ArgumentParser, default: int = 1) -> None:
    """Who works on the cases of a study."""
    told = "1" if default == 1 else "one per core"
    command.add_argument(
        "--workers",
        type=counting,
        default=default,
        metavar="N",
        help=f"processes that share the work ({told})",
    )
    command.add_argument(
        "--cluster", metavar="ADDRESS", help="Dask scheduler to work on, such as tcp://HOST:8786"
    )


def workers_of(given: argparse.Namespace) -> Workers:
    """The workers that the arguments ask for."""
    from allocator.studies.running import Workers

    return Workers(given.workers, given.cluster)

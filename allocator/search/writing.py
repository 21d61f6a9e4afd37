"""The stated model of a site's first goal as an LP or MPS file, for any other solver to read."""

from __future__ import annotations

import re
from functools import partial
from typing import NamedTuple

from allocator.base.clock import Clock
from allocator.base.errors import AllocatorError
from allocator.base.status import Status
from allocator.model.cuts import lazy_cuts
from allocator.model.goals import Goal, goals_of
from allocator.model.model import Key, Model, Row
from allocator.model.stating import state
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.search.paths.known import point_of_plan
from allocator.search.strategy.question_budgets import QUESTIONS
from allocator.site.records import Site
from allocator.solver.pulp_model import FileTextError, PulpColumn, file_text, problem_of
from allocator.solver.settings import Settings
from allocator.solver.solver_model import SolverModel

FORMATS = (".lp", ".mps")
ROUNDS = 50
"""Times that the model is solved for store cuts that its best point breaks."""


class ProgramFileError(AllocatorError):
    """A model that cannot be written."""


class WrittenProgram(NamedTuple):
    """A model as the text of a file. ``cuts``: store cuts in it.

    ``whole``: its best point keeps every promise, so that its optimum is that of the goal; else it
    is a bound of the goal.
    """

    text: bytes
    goal: str
    cuts: int
    whole: bool


def check_program_path(path: str) -> None:
    """Raises ProgramFileError where a path does not end as a format does that can be written."""
    if not path.lower().endswith(FORMATS):
        raise ProgramFileError(
            f"{path}: a program is written to a file that ends in {' or '.join(FORMATS)}"
        )


def written_program(
    site: Site, settings: Settings, suffix: str, plan: Plan | None = None
) -> WrittenProgram:
    """The integer model of a site's first goal, with the store cuts that its optimum needs.

    The objective is in SI and minimised (a goal that is maximised has its sign changed); variables
    are in steps of the model's own, so that numbers are near 1.

    Parameters
    ----------
    site : Site
        The site.
    settings : Settings
        As for planning; the time or node limit is that of the search for cuts.
    suffix : str
        ``.lp`` or ``.mps``.
    plan : Plan, optional
        One that is known, to begin from.

    Raises
    ------
    ProgramFileError
        Another suffix, or a model that no solver need look at: nothing may be built that gives
        what must be served, or there is nothing to decide.
    """
    check_program_path(suffix)
    site = network_of(site)
    model, sets = state(site, settings.basis, settings.robustness)
    goals = goals_of(model, sets)
    if not goals or any(not row.columns for row in model.rows):
        raise ProgramFileError(f"the program of {site.name!r} holds nothing to decide, or no plan")
    lazily = lazy_cuts(model, sets)
    cuts: list[Row] = []

    def separate(values: dict[Key, float], tolerance: float) -> list[Row]:
        found = lazily(values, tolerance)
        cuts.extend(found)  # a model is given every cut that is found for it
        return found

    clock = Clock(None if settings.node_limit is not None else settings.time_limit)
    solver_model = SolverModel(model, separate, settings, clock)
    solver_model.aim(goals[0])
    solver_model.relaxed(clock.left(QUESTIONS.written))
    start = None if plan is None else point_of_plan(model, sets, plan)
    if start is not None:
        start = solver_model.repaired(start, clock.left(QUESTIONS.written)).point
    run = partial(solver_model.run, node_limit=settings.node_limit, gap=settings.gap)
    whole = False
    for _ in range(ROUNDS):
        if clock.out() or whole:
            break
        solved = run(time_limit=clock.left(), start=start)
        if solved.point is None:
            break
        rows = solver_model.broken(solved.point)
        solver_model.add(rows)
        whole = not rows and solved.status == Status.OPTIMAL
    text = _text(model, goals[0], cuts, suffix.lower(), site.name)
    return WrittenProgram(text, goals[0].name, len(cuts), whole)


def _text(model: Model, goal: Goal, cuts: list[Row], suffix: str, site: str) -> bytes:
    sign = -1.0 if goal.maximise else 1.0
    columns = (
        PulpColumn(f"v{number}_{_plain(column.key)}", column.low, column.high, column.integer)
        for number, column in enumerate(model.columns)
    )
    rows = (
        Row(f"r{number}_{_plain(row.name)}", row.columns, row.coefficients, row.low, row.high)
        for number, row in enumerate([*model.rows, *cuts])
    )
    costs = {column: sign * value for column, value in model.summed(goal.terms).items()}
    name = _plain(f"{site} {'minus ' if goal.maximise else ''}{goal.name} {goal.unit}")
    problem, _ = problem_of(columns, rows, costs, name)
    try:
        return file_text(problem, suffix)
    except FileTextError as error:
        raise ProgramFileError(f"the program cannot be written: {error}") from error


def _plain(name: object) -> str:
    """A name of letters, digits and underscores, which every format of files bears."""
    words = name if isinstance(name, tuple) else (name,)
    return re.sub(r"[^A-Za-z0-9]+", "_", "_".join(str(word) for word in words)).strip("_")[:60]

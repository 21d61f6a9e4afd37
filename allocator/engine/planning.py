"""A site planned, and the plan audited: by keywords for users, by a record for other rooms."""

from __future__ import annotations

import time
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial
from numbers import Integral
from typing import Literal

from allocator.base.errors import AllocatorError, PlanFileError
from allocator.base.numbers_given import check_whole
from allocator.engine.compiling import Compiler, compiled_before, compiling_beside
from allocator.engine.known_clocks import with_clock_worth
from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.engine.result import PlanResult
from allocator.engine.simulating import prove_plan
from allocator.engine.time_limit import TimeAfter, seconds_for_search, time_after
from allocator.network.cautions import cautions_for
from allocator.network.deriving import network_of
from allocator.plans.records import Plan, Robustness
from allocator.search import Outcome, Settings, make_plan
from allocator.search.first_run import compiled_first
from allocator.search.outcome import Progress, Reporter
from allocator.site.records import Site
from allocator.solver.settings import Lift
from allocator.verify import audit

STANDARD_SECONDS = 60.0
"""For a plan, where nobody says how many."""
SIMULATION = "simulating the plan"
"""What is left out, in words."""


class NoPlanError(AllocatorError):
    """Planning ended without a plan.

    Attributes
    ----------
    outcome : Outcome
        ``outcome.proven_impossible`` is true where no plan can exist; ``outcome.reason`` says why,
        ``outcome.search`` how the search went.

    Examples
    --------
    >>> import allocator as al
    >>> try:
    ...     al.plan("networks/dry_valley.yaml", node_limit=1000)
    ... except al.NoPlanError as error:
    ...     print(error.outcome.proven_impossible)
    True
    """

    def __init__(self, outcome: Outcome) -> None:
        self.outcome = outcome
        super().__init__(outcome.reason)


def plan(
    site: SiteOrPath,
    *,
    basis: Literal["firm", "mean"] = "firm",
    time_limit: float | None = None,
    node_limit: int | None = None,
    gap: float = 1e-4,
    seed: int = 0,
    threads: int | None = None,
    solver: str = "highs",
    effort: Literal["quick", "normal", "thorough"] = "normal",
    workers: int = 1,
    start: PlanOrPath | None = None,
    lose: int = 0,
    robust: int = 0,
    lose_machines: int = 0,
    alternatives: int = 1,
    within: float = 0.05,
    prices: bool = True,
    lifts: Sequence[Lift] = (),
    prove: int | None = None,
    report: Reporter | None = None,
    executor: Executor | None = None,
) -> PlanResult:
    """Plan a site, audit the plan, and simulate it: what ``allocator plan`` does.

    Parameters
    ----------
    site
        The site, or the path of its file.
    basis
        ``"firm"``: what the plan promises holds at all times. ``"mean"``: every source at its
        average, as if stores of any size stood everywhere.
    time_limit
        Seconds for everything. By default 60; on a larger site the first run on a machine compiles
        its search before they begin, once, for some 15 s.
    node_limit
        Nodes of a branch-and-bound search, in place of the time limit: the same plan on every
        machine.
    gap
        Relative gap between a goal and its bound that is good enough.
    seed
        Seed of the search. The same site, seed and node limit give the same plan.
    threads
        Threads of the solver, all in this process. By default one, and a second process for the
        bound where there is a time limit and a second core.
    solver
        Solver of the integer programs: ``"highs"``, or another that PuLP finds, such as ``"cbc"``.
    effort
        How many starts the search of a larger site makes.
    workers
        Processes that the starts of that search run on. Sites too large for many starts have as
        many long ones, side by side.
    start
        A plan of this site, or of an older version of it, to start from; or its result, or its
        path.
    lose
        Hold the promise when any so many sources give nothing, with no valve touched.
    robust
        Hold the promise when any so many sources give the low end of their range.
    lose_machines
        Hold the promise when any so many machine units are out of order, each by an operation of
        its own that the plan lists.
    alternatives
        Plans in all, which differ in what is built.
    within
        Share of the first goal that an alternative may lose.
    prices
        Find what one more of each limit is worth.
    lifts
        Steps of limits, to find what the plan gains when it is planned again with more of each.
    prove
        Draws from random phases, a year each, in the simulation of the plan. By default a short
        one that is left out where the time is over; 0: none.
    report
        Called with each line of progress.
    executor
        Runs the starts of the search in place of these, such as a cluster's.

    Returns
    -------
    PlanResult
        The plan with its bound, gap, status, audit, simulation and tables. Where the best plan
        fails its audit, it is the best one found on the way that passes.

    Raises
    ------
    SiteFileError
        The site has faults: all of them, each with its line where it is read from a file.
    PlanFileError
        The plan to start from has faults.
    NoPlanError
        No plan exists, or none was found in the time.
    ValueError
        A setting that cannot be, or a solver that is not available.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.plan("networks/first.yaml", node_limit=1000)
    >>> result
    PlanResult('First site': firm clean power 13.4 kW, proven limit 13.4 kW, gap 0 %,
    search optimal, audit passed, firm output kept when simulated)
    >>> result.machines.to_frame()[["type", "place", "count"]].to_dict("records")
    [{'type': 'small_engine', 'place': 'mill', 'count': 2}]
    """
    began = time.perf_counter()
    most = STANDARD_SECONDS if time_limit is None else time_limit
    site = site_of(site)
    network_of(site)  # what cannot be of a site changed in Python is told first
    check_lost_sources(site, lose)
    check_robust(site, robust)
    check_lost_machines(site, lose_machines)
    if prove is not None:
        check_whole("prove", prove, 0)
    settings = Settings(
        basis=basis,
        time_limit=most,
        gap=gap,
        seed=seed,
        threads=threads,
        solver=solver,
        node_limit=node_limit,
        prices=prices,
        lifts=tuple(lifts),
        robustness=Robustness(lose, robust, lose_machines),
        effort=effort,
        workers=workers,
        start=None if start is None else plan_of(start),
        alternatives=alternatives,
        loss=within,
    )
    wanted = basis == "firm" and prove != 0 and node_limit is None
    with compiling_beside(site, wanted) as compiler:
        if time_limit is None and executor is None:
            began += compiled_first(site, settings, partial(_told, report))
        gone = time.perf_counter() - began
        limit = seconds_for_search(most, gone, len(site.sources), clocks_known(site))
        result = plan_site(site, replace(settings, time_limit=limit), report, executor)
        after = time_after_search(result, None if node_limit is not None else most, began)
        return proved(result, prove, seed, executor, after, compiler)


def _told(report: Reporter | None, words: str) -> None:
    """Report what is done before the first goal."""
    if report is not None:
        report(Progress(0.0, "", None, None, None, words))


def clocks_known(site: Site) -> bool:
    """Whether more is known of some source's clock than nothing."""
    return any(source.clock != "free" for source in site.sources.values())


def time_after_search(result: PlanResult, time_limit: float | None, began: float) -> TimeAfter:
    """The time for what comes after the search for a plan; see :func:`time_after`."""
    interrupted = result.outcome is not None and result.outcome.interrupted
    return time_after(time_limit, began, len(result.site.sources), interrupted)


def check_robust(site: Site, robust: int) -> None:
    """Raises ValueError where a promise is to hold at low ends of ranges that no source has."""
    if robust and not any(f"sources.{name}.flow" in site.spreads for name in site.sources):
        raise ValueError(
            "robust: no source has a range for its flow; write, for instance, "
            "'flow: {low: 2 g/s, high: 4 g/s}'"
        )


def check_lost_sources(site: Site, sources: int) -> None:
    """Raises ValueError where more sources may be lost than there are."""
    if isinstance(sources, Integral) and sources > len(site.sources):
        raise ValueError(
            f"lose: {sources} sources cannot be lost on a site of {len(site.sources)}; "
            "ask for fewer"
        )


def check_lost_machines(site: Site, units: int) -> None:
    """Raises ValueError where more units may be out of order than the site may have."""
    most: dict[str, int | None] = {}
    for machine in site.machines.values():
        for place, limit in machine.places.items():
            standing = site.built.machines.get((machine.name, place), 0)
            most[f"{machine.name} at {place}"] = None if limit is None else max(limit, standing)
    limits = [limit for limit in most.values() if limit is not None]
    if len(limits) == len(most) and units > sum(limits):
        places = ", ".join(f"{name}: {limit}" for name, limit in most.items()) or "no machine"
        raise ValueError(
            f"lose_machines: {units} units cannot be out of order on a site of at most "
            f"{sum(limits)} ({places}); ask for fewer"
        )


def proved(
    result: PlanResult,
    draws: int | None = None,
    seed: int = 0,
    executor: Executor | None = None,
    after: TimeAfter | None = None,
    compiler: Compiler | None = None,
) -> PlanResult:
    """The result with the plan's set-points and simulation, where there is a promise to test.

    ``draws``: see :func:`allocator.engine.simulating.prove_plan`; 0: none. ``after``: the time for
    it; None: no limit. ``compiler``: compiles the loops of the simulation beside, and is waited for
    as long as a proof would still end in time: it is ahead of what this process could compile.
    What has no time is left out, and ``left_out`` says so; a simulation of ``draws`` is never.
    Ctrl-C, and a plan with too much in it to simulate, leave the result as it
    is but for a note of that.
    """
    if not result.audit.accepted or result.plan.basis != "firm" or draws == 0:
        return result
    after = after or TimeAfter()
    left_out: list[str] = []
    try:
        plan = with_clock_worth(result.site, result.plan, after, left_out)
        if draws is None:
            (compiler or Compiler()).wait(lambda: after.for_proof(compiled=True))
            compiled = compiled_before()
            if not after.for_proof(compiled):
                left_out.append(f"{SIMULATION} ({after.need_of_proof(compiled)})")
                return replace(result, plan=plan, left_out=tuple(left_out))
        plan, trace = prove_plan(
            result.site, plan, draws, seed=seed, executor=executor, after=after, left_out=left_out
        )
    except PlanFileError as error:
        return replace(result, not_simulated=error.faults[0].problem)
    except KeyboardInterrupt:  # the plan is there, and audited: it is not lost for its simulation
        return replace(result, not_simulated="interrupted")
    return replace(result, plan=plan, simulation=trace, left_out=tuple(left_out))


def plan_site(
    site: SiteOrPath,
    settings: Settings | None = None,
    report: Reporter | None = None,
    executor: Executor | None = None,
) -> PlanResult:
    """The same as :func:`plan` by a record of settings, without the simulation.

    Raises:
        SiteFileError: the file has faults.
        NoPlanError: no plan exists, or none was found in the time.
        ValueError: the named solver is not available.
    """
    site = site_of(site)
    settings = replace(settings or Settings(), breaches=breaches_of)
    outcome = make_plan(site, settings, report, executor)
    if outcome.plan is None:
        raise NoPlanError(outcome)
    plan = replace(outcome.plan, cautions=cautions_for(site), verified=False)
    found = audit(site, plan)
    others = tuple(
        replace(other, verified=True)
        for plain in outcome.alternatives
        if audit(site, other := replace(plain, cautions=plan.cautions, verified=False)).accepted
    )
    outcome = replace(outcome, alternatives=others)
    audited = replace(plan, verified=found.accepted)
    return PlanResult(site, audited, found, outcome, former=settings.keep)


def breaches_of(site: Site, plan: Plan) -> tuple[str, ...]:
    """What the audit has against a plan, in words."""
    return tuple(str(breach) for breach in audit(site, plan).breaches)

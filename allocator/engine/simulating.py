"""A plan run through time: on request, and as the proof that every firm plan gets."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING, Literal

from allocator.base.errors import Fault, PlanFileError
from allocator.engine.paths import PlanOrPath, SiteOrPath, plan_of, site_of
from allocator.engine.plan_folder import plan_digest
from allocator.engine.time_limit import TimeAfter
from allocator.network.deriving import network_of
from allocator.plans.records import Plan
from allocator.site.records import Site
from allocator.solver.linear import least_value
from allocator.verify import audit

if TYPE_CHECKING:
    from allocator.simulation import Outages, SimulationSettings, SourceState, Trace
    from allocator.simulation.work import DrawRun

DAY = 86400.0
BY_STATE = "some reserves by the state of sources"
"""What is left out, in words."""

SHORT_PROOF = 200_000
"""Events, about, of the proof that a plan gets unasked: some tenths of a second of work."""


def simulate(
    site: SiteOrPath,
    plan: PlanOrPath,
    *,
    days: float = 365.0,
    draws: int = 8,
    seed: int = 0,
    adversarial: bool = True,
    from_now: bool = False,
    surplus: bool = True,
    hold: Literal["plan", "full", "need", "rule"] = "plan",
    outages: Outages | None = None,
    years: int = 64,
    foresight: float = 0.0,
    samples: int = 400,
    events: int = 2000,
    reserves: Mapping[str, float] | None = None,
    executor: Executor | None = None,
) -> Trace:
    """Run a firm plan through time, from phases of its sources that try to break its promise.

    The same site, plan and settings give the same trace, on every machine.

    Parameters
    ----------
    site, plan
        The site and a plan for it on the firm basis (a result has one), or the paths of their
        files.
    days
        Days of each draw.
    draws
        Draws from random phases. One from the phases of the survey comes besides, where the file
        gives them.
    seed
        Seed of the random phases and outages.
    adversarial
        Besides, a draw set against the worst window of each store.
    from_now
        Besides, a draw from empty stores with the sources as surveyed.
    surplus
        Burn what would spill; otherwise no more than the promises is served.
    hold
        ``"plan"``: keep in stores what the plan's set-points say, ``"full"``: keep them full,
        ``"need"``: burn all that no promise needs, ``"rule"``: the same by what the sources are
        seen to do, as :func:`allocator.reserve_now` says.
    outages
        Let machines fail: mean seconds between failures and of repair, in place of the ``mtbf``
        and ``mttr`` of the site file. A promise covers that only as far as it was made to.
    years
        Years at most that are drawn for the adequacy of the plan, where machines fail.
    foresight
        Days of the first draw for which the bound on any control is found; 0: none.
    samples
        Levels that are recorded of the first draw.
    events
        Changes of state that are written down of the first draw, at most.
    reserves
        Store -> kg or J that is kept for its promise, in place of what ``hold`` says.
    executor
        Runs the draws after the first, such as a process pool; by default one after the other.

    Returns
    -------
    Trace
        What every draw found; ``kept`` is true when the promise held in all.

    Raises
    ------
    SiteFileError
        The site file has faults.
    PlanFileError
        The plan is for another site, not on the firm basis, claims to be verified and fails its
        audit, or makes no sense.
    ValueError
        A setting that cannot be.

    Examples
    --------
    >>> import allocator as al
    >>> result = al.plan("networks/first.yaml", node_limit=1000)
    >>> trace = al.simulate("networks/first.yaml", result.plan, days=30, draws=2)
    >>> trace.kept
    True
    >>> [draw.name for draw in trace.draws]
    ['random 1', 'random 2', 'against gas_holder@mill']
    """
    from allocator.simulation import SimulationSettings

    if draws < 1:
        raise ValueError(f"draws must be 1 or more (got {draws!r})")
    settings = SimulationSettings(
        days=days,
        phases=draws,
        seed=seed,
        adversarial=adversarial,
        from_now=from_now,
        surplus=surplus,
        hold=hold,
        samples=samples,
        events=events,
        foresight=DAY * foresight,
        failing=outages,
    )
    return simulate_plan(
        site_of(site), plan_of(plan), settings, reserves=reserves, executor=executor, years=years
    )


def simulate_plan(
    site: Site,
    plan: Plan,
    settings: SimulationSettings | None = None,
    *,
    reserves: Mapping[str, float] | None = None,
    executor: Executor | None = None,
    given: Sequence[DrawRun] = (),
    years: int = 0,
) -> Trace:
    """The same as :func:`simulate` by a record of settings; ``given``: draws in place of its own.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, claims to be audited
            and fails its audit, or makes no sense.
    """
    if plan.verified and plan.site_sha256 == site.sha256 and plan.basis == "firm":
        found = audit(site, plan)
        if not found.accepted:
            fault = Fault(
                "plan",
                0,
                0,
                "",
                f"the plan says that it is verified but fails its audit: {found.breaches[0]}",
                "it was changed after it was made: plan again, or see 'allocator audit'",
            )
            raise PlanFileError([fault])
    from allocator.simulation import simulate
    from allocator.simulation.tracing import with_adequacy

    trace = simulate(site, plan, settings, reserves, least_value, executor, given)
    trace = with_adequacy(site, plan, trace, years, executor)
    return replace(trace, plan_sha256=plan_digest(plan))


def prove_plan(
    site: Site,
    plan: Plan,
    draws: int | None = None,
    *,
    seed: int = 0,
    executor: Executor | None = None,
    after: TimeAfter | None = None,
    left_out: list[str] | None = None,
) -> tuple[Plan, Trace]:
    """Simulate an audited plan; the plan with set-points, not ``verified`` if its promise failed.

    ``draws``: from random phases, of a year each, and one against each store; None: two draws
    and those against stores, cut to :data:`SHORT_PROOF` events. With ``draws`` the set-points
    are searched store by store; else the better is taken of all full, or as promises need.
    ``after``: the time for reserves by the state of sources; those that have none are told in
    ``left_out``.

    Raises:
        PlanFileError: the plan is not on the firm basis, or has too much in it to simulate.
    """
    from allocator.simulation import SimulationSettings, simulate
    from allocator.simulation.rules import rules_of
    from allocator.simulation.search import best_reserves, quick_reserves, set_points_of
    from allocator.simulation.tracing import assemble
    from allocator.verify.tanks.phases import worst_windows

    site = network_of(site)
    settings = SimulationSettings(
        phases=2 if draws is None else draws,
        seed=seed,
        budget=SHORT_PROOF if draws is None else None,
    )
    assembly = assemble(site, plan)
    worst = worst_windows(assembly.case, assembly.circuit)
    short = replace(settings, phases=1, budget=SHORT_PROOF // 4)
    if draws is None:
        levels = quick_reserves(site, plan, short, worst).levels
    else:
        levels = best_reserves(site, plan, short, worst=worst).levels
    points = set_points_of(site, plan, levels)
    if any(source.clock != "free" for source in site.sources.values()):
        rules, whole = rules_of(assembly, (after or TimeAfter()).left)
        points = replace(points, rules=rules)
        if left_out is not None and not whole:
            left_out.append(BY_STATE)
    plan = replace(plan, set_points=points)
    trace = simulate(site, plan, settings, executor=executor, worst=worst)
    plan = replace(plan, verified=plan.verified and trace.kept)
    return plan, replace(trace, plan_sha256=plan_digest(plan))


def reserve_now(
    site: SiteOrPath,
    plan: PlanOrPath,
    states: Mapping[str, SourceState] | None = None,
    *,
    at: float | None = None,
) -> dict[str, float]:
    """What each store of a firm plan must hold now, for its promise to hold whatever comes.

    What a store holds above that may be burnt at once, as often as it likes.

    Parameters
    ----------
    site, plan
        The site and a plan for it on the firm basis (a result has one), or the paths of their
        files.
    states
        Source -> what is seen of it. Sources left out may be at any phase.
    at
        Seconds from the start of the site file's times, for sources of known clock; without it
        their clocks are not used.

    Returns
    -------
    dict
        Store, or battery and its part -> kg or J.

    Raises
    ------
    SiteFileError
        The site file has faults.
    PlanFileError
        The plan is for another site, not on the firm basis, or makes no sense.
    ValueError
        A state is of no source of the plan, or the time is no number of seconds from 0 on.

    Examples
    --------
    >>> import allocator as al
    >>> plan = al.plan("networks/first.yaml", node_limit=1000).plan
    >>> {store: round(kg) for store, kg in al.reserve_now("networks/first.yaml", plan).items()}
    {'gas_holder@mill': 130}
    >>> seen = {"digester": al.SourceState(on=False, since=9 * 3600.0)}
    >>> round(al.reserve_now("networks/first.yaml", plan, seen)["gas_holder@mill"])
    65
    """
    from allocator.simulation.rules import reserves_at
    from allocator.simulation.tracing import assemble

    if at is not None and not 0.0 <= at < math.inf:
        raise ValueError(f"at must be 0 s or more (got {at!r})")
    return reserves_at(assemble(site_of(site), plan_of(plan)), states or {}, at)

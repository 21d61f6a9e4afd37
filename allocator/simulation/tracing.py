"""A plan run through time, again and again, from phases that try to break its promise."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING

from allocator.base.errors import Fault, PlanFileError
from allocator.network.deriving import network_of
from allocator.network.records import Network
from allocator.plans.file import other_version
from allocator.plans.records import RULES, Plan
from allocator.simulation.accounts import draw_of
from allocator.simulation.adequacy import AdequacyWork, adequacy_of
from allocator.simulation.columns import tables_of
from allocator.simulation.outages import fails
from allocator.simulation.pressures import pressures_met
from allocator.simulation.recording import recording_of
from allocator.simulation.regimes import Regimes
from allocator.simulation.rules import rules_of
from allocator.simulation.running import Finished, run_circuit
from allocator.simulation.setpoints import (
    cycle_points,
    needed_levels,
    planned_reserves,
    set_points,
    unsafe_set_points,
)
from allocator.simulation.start import start_of
from allocator.simulation.trace import DAY, Bounds, Draw, SimulationSettings, Trace
from allocator.simulation.work import DrawRun, Work, with_reserves, worked_off
from allocator.site.records import RecordedFlow, Site
from allocator.verify.case import Case, case_of
from allocator.verify.figures import check_numbers
from allocator.verify.march import TooManyIntervalsError
from allocator.verify.names import check_names
from allocator.verify.report import Findings
from allocator.verify.tanks.assembly import Assembly, assembly_of, without_chambers
from allocator.verify.tanks.chambers import chambers_of
from allocator.verify.tanks.circuit import Circuit
from allocator.verify.tanks.phases import (
    Phases,
    Worst,
    WorstWindow,
    admitted_phases,
    surveyed_phases,
    worst_windows,
)
from allocator.verify.tanks.true_clocks import inexact, records_of
from allocator.verify.tanks.weakened import hardest_choices, must_withstand

if TYPE_CHECKING:
    from allocator.simulation.foresight import Solve

MOST_TURNS = 120.0
"""Days of a draw in which units are out by turns."""
LONGEST = 20.0 * 365.25 * DAY
"""A draw against one store runs on until its worst window is over, but no longer than this."""


def simulate(
    site: Site,
    plan: Plan,
    settings: SimulationSettings | None = None,
    reserves: Mapping[str, float] | None = None,
    solve: Solve | None = None,
    executor: Executor | None = None,
    given: Sequence[DrawRun] = (),
    worst: Worst | None = None,
) -> Trace:
    """Run a firm plan from random, surveyed and adversarial phases; see the settings.

    Every run but the one from empty stores starts with all stores full, and the promise must
    hold in each. Pressures along lines are checked in the states that the runs meet. The same
    site, plan and settings give the same trace, whoever does the work.

    Args:
        site, plan: a plan on the firm basis, and the site that it is for.
        settings: what to run.
        reserves: tank -> kg or J that is kept for the promise, in place of what the settings'
            ``hold`` says.
        solve: a solver of linear programs for the bounds on any control, where asked for.
        executor: runs the draws after the first; None: here, one after the other.
        given: runs to do in place of those of the settings, such as those that broke a promise.
        worst: what :func:`worst_windows` says of the plan, where that is known already.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
        ValueError: a foresight bound is asked for, but no solver is given.
    """
    trace, work, runs = _simulated(site, plan, settings, reserves, solve, executor, given, worst)
    return replace(trace, pressures=pressures_met(work, runs))


def simulated_levels(
    site: Site,
    plan: Plan,
    settings: SimulationSettings,
    reserves: Mapping[str, float],
    worst: Worst,
) -> Trace:
    """The same of levels and power alone: what is kept in stores changes no pressure."""
    return _simulated(site, plan, settings, reserves, None, None, (), worst)[0]


def _simulated(
    site: Site,
    plan: Plan,
    settings: SimulationSettings | None,
    reserves: Mapping[str, float] | None,
    solve: Solve | None,
    executor: Executor | None,
    given: Sequence[DrawRun],
    worst: Worst | None,
) -> tuple[Trace, Work, Sequence[DrawRun]]:
    """The trace without pressures, and the runs that were worked off."""
    site = network_of(site)
    settings = settings or SimulationSettings()
    if settings.foresight > 0 and solve is None:
        raise ValueError("the foresight bound needs a solver of linear programs")
    assembly = assemble(site, plan, surplus=settings.surplus)
    if worst is None:
        worst = worst_windows(assembly.case, assembly.circuit)
    if reserves is None and settings.hold == "need":
        reserves = needed_levels(assembly.case, assembly.circuit, worst)
    elif reserves is None and settings.hold == "plan":
        reserves = planned_reserves(plan)
    circuit = with_reserves(assembly.circuit, reserves or {})
    settings = within_budget(assembly.case, circuit, settings, worst)
    runs = tuple(given) or planned_runs(assembly, circuit, settings, worst)
    unknown = {name for run in runs for name in run.phases} - {c.name for c in circuit.clocks}
    unknown |= {name for run in runs for name in run.shares} - {s.name for s in plan.sources}
    if unknown:
        raise _refused(f"the draws name {min(unknown)!r}, which the plan does not use")
    by_rule = settings.hold == "rule"
    work = Work(assembly, reserves or {}, settings.failing, settings.seed, by_rule)
    first, recorded = work.recorded(runs[0], settings.samples, settings.events)
    draws = [first, *worked_off(work, runs[1:], executor)]
    start = None
    if settings.from_now and not given:
        waiting = without_chambers(assembly)
        empty = emptied(with_reserves(waiting.circuit, reserves or {}))
        surveyed = surveyed_phases(assembly.case, circuit, settings.seed)
        waited = run_circuit(empty, surveyed, settings.days * DAY)
        draws.append(draw_of(waiting, waited, "from now"))
        start = start_of(waiting, empty, surveyed, draws[-1])
    trace = Trace(
        site_name=site.name,
        site_sha256=site.sha256,
        settings=settings,
        promised_firm_w=plan.power.firm_total,
        promised_clean_w=plan.power.firm_clean,
        ceiling_w=plan.ceiling.total,
        draws=tuple(draws),
        recording=recording_of(recorded, runs[0].name),
        set_points=set_points(assembly.case, circuit, worst),
        unsafe=unsafe_set_points(assembly.case, circuit, worst, reserves or {}),
        cycle_points=cycle_points(assembly.case),
        start=start,
        foresight=_bounds(assembly, circuit, runs, draws, settings, solve),
        ceiling_clean_w=plan.ceiling.clean,
        reserves=dict(reserves or {}),
        chambers=chambers_of(assembly.case, circuit.clocks),
        no_safe_start=no_safe_start(circuit),
        rules=rules_of(assembly)[0] if by_rule else (),
        full_total_w=_with_full_stores(work, runs) if by_rule else None,
    )
    return trace, work, runs


def _with_full_stores(work: Work, runs: Sequence[DrawRun]) -> float:
    """Mean power that random draws serve where stores are kept full, W."""
    drawn = [run for run in runs if run.name.startswith("random")] or list(runs)
    draws = replace(work, rule=False, reserves={}).draws(drawn)
    return math.fsum(draw.mean_total_w for draw in draws) / len(draws)


def with_adequacy(
    site: Site, plan: Plan, trace: Trace, years: int, executor: Executor | None = None
) -> Trace:
    """A trace with how short its plan is a year, where machines fail; as it is where none does.

    ``years``: that may be drawn at most; 0: none.
    """
    settings = trace.settings
    assembly = assemble(site, plan, surplus=settings.surplus)
    if years <= 0 or not fails(assembly.case, settings.failing):
        return trace
    circuit = with_reserves(assembly.circuit, trace.reserves)
    work = AdequacyWork(Regimes(assembly, circuit), settings.failing, settings.seed)
    return replace(trace, adequacy=adequacy_of(work, years, executor))


def _bounds(
    assembly: Assembly,
    circuit: Circuit,
    runs: Sequence[DrawRun],
    draws: Sequence[Draw],
    settings: SimulationSettings,
    solve: Solve | None,
) -> Bounds | None:
    """Bounds on any control, where they are asked for; none that a kept promise passes."""
    if solve is None or settings.foresight <= 0:
        return None
    from allocator.simulation.better import bounds_of, not_passed

    bounds = bounds_of(assembly, circuit, runs, settings.foresight, solve)
    if not all(draw.kept for draw in draws):
        return bounds
    return not_passed(bounds, assembly.case.plan.power)


def planned_runs(
    assembly: Assembly,
    circuit: Circuit,
    settings: SimulationSettings,
    worst: Worst,
) -> tuple[DrawRun, ...]:
    """The runs of the settings: random ones, the surveyed one, one against each store.

    Where the plan withstands lost or low sources, one more against each, without those that it
    needs most.
    """
    seconds = settings.days * DAY
    case = assembly.case
    moves = any(inexact(case, c.name) for c in circuit.clocks if c.kind == "source")

    def phases_of(number: int) -> Phases:
        return admitted_phases(assembly.case, circuit, settings.seed, number)

    found = [
        DrawRun(
            f"random {number}",
            phases_of(number),
            seconds,
            number - 1,
            drawn=moves,
        )
        for number in range(1, settings.phases + 1)
    ]
    if any(source.next_start is not None for source in assembly.case.site.sources.values()):
        surveyed = surveyed_phases(assembly.case, circuit, settings.seed)
        found.append(DrawRun("surveyed", surveyed, seconds, len(found)))
    records = records_of(case, circuit)
    if records:
        phases = {**phases_of(0), **dict.fromkeys(records, 0.0)}
        span = _recorded_span(records.values(), settings)
        found.append(DrawRun("as recorded", phases, span, len(found), drawn=moves, recorded=True))
    if settings.adversarial:
        for name, window in worst.items():
            if window is not None:
                phases = {
                    **phases_of(0),
                    **window.phases,
                }
                span = min(max(seconds, 1.001 * window.length), max(LONGEST, seconds))
                found.append(
                    DrawRun(
                        f"against {name}",
                        phases,
                        span,
                        len(found),
                        {name: window.need},
                        window.length,
                        against=_span(window) if moves else None,
                    )
                )
        for tank, shares, window in hardest_choices(assembly):
            words = " and ".join(
                name if share == 0 else f"some of {name}" for name, share in shares.items()
            )
            phases, span, needs = (
                phases_of(0),
                seconds,
                {},
            )
            if window is not None:
                phases |= window.phases
                span = min(max(seconds, 1.001 * window.length), max(LONGEST, seconds))
                needs = {tank.name: window.need}
            name = f"against {tank.name} without {words}"
            against = _span(window) if moves else None
            found.append(
                DrawRun(name, phases, span, len(found), needs, shares=shares, against=against)
            )
        if assembly.case.plan.outages:
            found += _with_units_out(found, phases_of, seconds)
    return tuple(found)


def _recorded_span(records: Iterable[RecordedFlow], settings: SimulationSettings) -> float:
    """Seconds of the longest record, or what a quarter of the budget of events is enough for."""
    records = list(records)
    span = max(record.length for record in records)
    if settings.budget is not None:
        rate = 1.5 * sum(len(record.starts) / record.length for record in records)
        span = min(span, 0.25 * settings.budget / rate)
    return span


def _span(window: WorstWindow | None) -> tuple[float, float]:
    """Begin and length of a worst window, s."""
    return (0.0, 0.0) if window is None else (window.begin, window.length - window.begin)


def _with_units_out(
    planned: Sequence[DrawRun], phases_of: Callable[[int], Phases], seconds: float
) -> Iterator[DrawRun]:
    """The draws set against stores once more, with units out by turns, and one at random."""
    again = [run for run in planned if run.name.startswith("against")]
    again = [DrawRun("random", phases_of(1), seconds), *again]
    for turns, run in enumerate(again, 1):
        name = f"{run.name}, units out by turns".replace("random,", "against firm output,")
        seconds = min(run.seconds, MOST_TURNS * DAY)
        number = len(planned) + turns - 1
        yield replace(run, name=name, seconds=seconds, number=number, turns=turns)


def within_budget(
    case: Case, circuit: Circuit, settings: SimulationSettings, worst: Worst
) -> SimulationSettings:
    """The settings with no more days, and no more draws, than their budget of events allows."""
    if settings.budget is None:
        return settings
    # Every change of a clock is an event, and every other one makes a tank fill up or run dry.
    rate = 1.5 * DAY * sum(len(c.times) / c.period for c in circuit.clocks if len(c.times) > 1)
    windows = [1.001 * w.length / DAY for w in worst.values() if w is not None]
    if must_withstand(case):
        windows *= 2  # once more without the sources that are needed most

    def days(asked: float, against: bool) -> float:
        longest = [max(asked, window) for window in windows] if against else []
        return asked * (settings.phases + 1) + sum(longest)

    against = settings.adversarial and rate * days(0.0, True) <= 0.75 * settings.budget
    asked = settings.days
    while rate * days(asked, against) > settings.budget:
        asked *= 0.8
    # Whole rounds of the demands: a mean over part of a day is no mean of the day.
    whole = max((profile.period / DAY for profile in case.profiles.values()), default=0.0)
    if whole and asked > whole:
        asked = math.floor(asked / whole) * whole
    return replace(settings, days=asked, adversarial=against)


def replay(
    site: Network, plan: Plan, phases: Phases, settings: SimulationSettings | None = None
) -> tuple[Draw, Finished]:
    """One run from given phases, such as those that broke a promise."""
    settings = settings or SimulationSettings()
    assembly = assemble(site, plan, surplus=settings.surplus)
    work = Work(assembly, {}, None, settings.seed)
    run = DrawRun("replay", phases, settings.days * DAY)
    return work.recorded(run, settings.samples, settings.events)


def assemble(site: Site, plan: Plan, *, surplus: bool = True) -> Assembly:
    """The circuit of a plan, once it is sure that the plan is one for this site.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
    """
    site = network_of(site)
    if plan.basis != "firm":
        raise _refused(
            f"a plan on the {plan.basis} basis has no firm output to simulate",
            "plan on the firm basis",
        )
    if plan.site_name != site.name or plan.site_sha256 != site.sha256:
        raise _refused(f"the plan is for another site or an older file of {plan.site_name!r}")
    if plan.rules != RULES:
        raise other_version(plan.rules, "plan")
    findings = Findings()
    check_numbers(plan, findings)
    check_names(site, plan, findings)
    if not findings.clean:
        breach = findings.report().breaches[0]
        raise _refused(f"{breach.subject}: {breach.message}")
    try:
        case = case_of(site, plan)
    except TooManyIntervalsError as error:
        raise _refused(f"{error}: too many to simulate") from error
    return assembly_of(case, surplus=surplus)


def no_safe_start(circuit: Circuit) -> tuple[str, ...]:
    """Groups whose idle units keep run times, and that no tank can ever let start.

    A tank must hold what it could fall by in a run above its reserve; with a reserve of all of
    its size it never does.
    """
    tables = tables_of(circuit, {})
    can: dict[str, bool] = {}
    for arc in circuit.arcs:
        burner, k = circuit.burners[arc.burner], arc.tank
        if burner.run > 0:
            taken = min(arc.most, burner.capacity.steady * burner.take)
            falls = max(0.0, float(tables.drains[k]) + taken) * float(tables.runs[k])
            starts = tables.reserves[k] + falls <= tables.sizes[k]
            can[burner.name] = can.get(burner.name, False) or bool(starts)
    return tuple(name for name, starts in can.items() if not starts)


def _refused(problem: str, remedy: str = "plan this site again") -> PlanFileError:
    return PlanFileError([Fault("plan", 0, 0, "", problem, remedy)])


def emptied(circuit: Circuit) -> Circuit:
    """The circuit with every store and battery empty at the start."""
    return replace(circuit, tanks=tuple(replace(tank, first=0.0) for tank in circuit.tanks))


__all__ = [
    "WorstWindow",
    "assemble",
    "emptied",
    "replay",
    "simulate",
    "with_adequacy",
    "with_reserves",
]

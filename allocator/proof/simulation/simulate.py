"""A plan run through time, again and again, from phases that try to break its promise."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

from allocator.errors import Fault, PlanFileError
from allocator.plan import Plan
from allocator.proof.case import case_of
from allocator.proof.figures import check_numbers
from allocator.proof.march import TooManyIntervalsError
from allocator.proof.names import check_names
from allocator.proof.report import Findings
from allocator.proof.simulation.accounts import draw_of
from allocator.proof.simulation.assembly import Assembly, assembly_of
from allocator.proof.simulation.circuit import Circuit
from allocator.proof.simulation.outages import with_outages
from allocator.proof.simulation.phases import (
    Phases,
    WorstWindow,
    random_phases,
    surveyed_phases,
    worst_window,
)
from allocator.proof.simulation.recording import recording_of
from allocator.proof.simulation.running import Finished, run_circuit
from allocator.proof.simulation.setpoints import (
    cycle_points,
    needed_levels,
    set_points,
    unsafe_set_points,
)
from allocator.proof.simulation.start import start_of
from allocator.proof.simulation.trace import DAY, Draw, SimulationSettings, Trace
from allocator.site.records import Site

if TYPE_CHECKING:
    from allocator.proof.foresight import Solve

LONGEST = 20.0 * 365.25 * DAY
"""A draw against one store runs on until its worst window is over, but no longer than this."""


def simulate(
    site: Site,
    plan: Plan,
    settings: SimulationSettings | None = None,
    reserves: Mapping[str, float] | None = None,
    solve: Solve | None = None,
) -> Trace:
    """Run a firm plan from random, surveyed and adversarial phases; see the settings.

    Every run but the one from empty stores starts with all stores full, and the promise must
    hold in each. ``reserves``: tank -> kg or J that is kept for the promise, in place of what
    the settings' ``hold`` says. ``solve``: a solver of linear programs for the foresight bound,
    where the settings ask for one. The same site, plan and settings give the same trace.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
        ValueError: a foresight bound is asked for, but no solver is given.
    """
    settings = settings or SimulationSettings()
    if settings.foresight > 0 and solve is None:
        raise ValueError("the foresight bound needs a solver of linear programs")
    assembly = assemble(site, plan, surplus=settings.surplus)
    worst = {tank.name: worst_window(assembly.case, tank) for tank in assembly.circuit.tanks}
    if reserves is None and settings.hold == "need":
        reserves = needed_levels(assembly.circuit, worst)
    circuit = with_reserves(assembly.circuit, reserves or {})
    seconds = settings.days * DAY
    draws: list[Draw] = []
    first: Finished | None = None

    def add(name: str, phases: Phases, span: float, window: Mapping[str, float] | None) -> Finished:
        used = circuit
        if settings.failing is not None:
            used = with_outages(
                circuit, assembly.case, settings.failing, span, [settings.seed, len(draws), 1]
            )
        run = run_circuit(
            used,
            phases,
            span,
            settings.samples if first is None else 1,
            settings.events if first is None else 0,
        )
        draws.append(draw_of(assembly, run, name, window))
        return run

    for number in range(1, settings.phases + 1):
        run = add(f"random {number}", random_phases(circuit, settings.seed, number), seconds, None)
        first = first or run
    surveyed = surveyed_phases(assembly.case, circuit, settings.seed)
    if any(s.next_spell is not None for s in site.sources.values()):
        add("surveyed", surveyed, seconds, None)
    if settings.adversarial:
        for name, window in worst.items():
            if window is not None:
                phases = {**random_phases(circuit, settings.seed, 0), **window.phases}
                span = min(max(seconds, 1.001 * window.length), max(LONGEST, seconds))
                add(f"against {name}", phases, span, {name: window.need})
    start = None
    if settings.from_now:
        empty = emptied(circuit)
        run = run_circuit(empty, surveyed, seconds)
        draws.append(draw_of(assembly, run, "from now"))
        start = start_of(assembly, empty, surveyed, draws[-1])
    bound, beside = None, None
    if solve is not None and settings.foresight > 0:
        from allocator.proof.foresight import foresight

        given = draws[0].phases
        bound = foresight(assembly, given, min(seconds, settings.foresight), solve)
        if bound is not None:
            beside = draw_of(assembly, run_circuit(circuit, dict(given), bound.seconds), "beside")
    assert first is not None  # the settings ask for one draw at least
    return Trace(
        site_name=site.name,
        site_sha256=site.sha256,
        settings=settings,
        promised_firm_w=plan.power.firm_total,
        promised_clean_w=plan.power.firm_clean,
        ceiling_w=plan.ceiling.total,
        draws=tuple(draws),
        recording=recording_of(first, draws[0].name),
        set_points=set_points(circuit, worst),
        unsafe=unsafe_set_points(circuit, worst, reserves or {}),
        cycle_points=cycle_points(assembly.case),
        start=start,
        foresight_w=None if bound is None else bound.power,
        foresight_s=0.0 if bound is None else bound.seconds,
        simulated_over_foresight_w=None if beside is None else beside.mean_total_w,
    )


def replay(
    site: Site, plan: Plan, phases: Phases, settings: SimulationSettings | None = None
) -> tuple[Draw, Finished]:
    """One run from given phases, such as those that broke a promise."""
    settings = settings or SimulationSettings()
    assembly = assemble(site, plan, surplus=settings.surplus)
    run = run_circuit(
        assembly.circuit, phases, settings.days * DAY, settings.samples, settings.events
    )
    return draw_of(assembly, run, "replay"), run


def assemble(site: Site, plan: Plan, *, surplus: bool = True) -> Assembly:
    """The circuit of a plan, once it is sure that the plan is one for this site.

    Raises:
        PlanFileError: the plan is for another site, not on the firm basis, or makes no sense.
    """
    if plan.basis != "firm":
        raise _refused(
            f"a plan on the {plan.basis} basis promises nothing over time; plan on the firm basis"
        )
    if plan.site_name != site.name or plan.site_sha256 != site.sha256:
        raise _refused(f"the plan is for another site or an older file of {plan.site_name!r}")
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


def _refused(problem: str) -> PlanFileError:
    return PlanFileError([Fault("plan", 0, 0, "", problem)])


def with_reserves(circuit: Circuit, reserves: Mapping[str, float]) -> Circuit:
    """The circuit with levels that are kept for the promise; tanks not named stay full."""
    tanks = (replace(tank, reserve=reserves.get(tank.name, tank.reserve)) for tank in circuit.tanks)
    return replace(circuit, tanks=tuple(tanks))


def emptied(circuit: Circuit) -> Circuit:
    """The circuit with every store and battery empty at the start."""
    return replace(circuit, tanks=tuple(replace(tank, first=0.0) for tank in circuit.tanks))


__all__ = ["WorstWindow", "assemble", "emptied", "replay", "simulate", "with_reserves"]

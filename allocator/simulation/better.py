"""What better control of the same plan could add: bounds beside what the simulation finds."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from allocator.plans.records import Power
from allocator.simulation.accounts import draw_of
from allocator.simulation.foresight import Solve, foresight
from allocator.simulation.running import run_circuit
from allocator.simulation.trace import Bounds
from allocator.simulation.work import DrawRun
from allocator.verify.case import class_of
from allocator.verify.tanks.assembly import Assembly
from allocator.verify.tanks.circuit import Circuit

COLUMNS = 10_000
"""Variables of a bound's program, about: some seconds of work."""
LEAST_SLICES = 24


def bounds_of(
    assembly: Assembly, circuit: Circuit, runs: Sequence[DrawRun], seconds: float, solve: Solve
) -> Bounds:
    """The bounds for some runs. A promise must hold from all phases, so the least bound counts.

    For the bound on promises a run is followed for its worst window. It starts with full
    stores, as the simulation does.
    """
    slices = slices_for(assembly)
    case = assembly.case
    mixed = any(
        case.machine_type(m).power_out > 0 and class_of(case.site, case.machine_type(m)) != "clean"
        for m in case.plan.machines
    )

    def bound(run: DrawRun, span: float, *, firm: bool, clean: bool) -> float | None:
        found = foresight(assembly, run.phases, span, solve, slices, firm=firm, clean=clean)
        return None if found is None else found.power

    span = min(runs[0].seconds, seconds)
    total = bound(runs[0], span, firm=False, clean=False)
    clean = bound(runs[0], span, firm=False, clean=True) if mixed else total
    beside = draw_of(assembly, run_circuit(circuit, dict(runs[0].phases), span), "beside")
    firm_clean: float | None = None
    firm_total: float | None = None
    firm_draw = None
    for run in runs:
        if run.window <= 0:
            continue
        window = min(run.seconds, 1.001 * run.window)
        found = bound(run, window, firm=True, clean=False)
        if found is not None and (firm_total is None or found < firm_total):
            firm_total, firm_draw = found, run.name
        if mixed:
            found = bound(run, window, firm=True, clean=True)
        if found is not None and (firm_clean is None or found < firm_clean):
            firm_clean = found
    return Bounds(
        span,
        clean,
        total,
        beside.mean_clean_w,
        beside.mean_total_w,
        firm_clean,
        firm_total,
        firm_draw,
    )


def not_passed(bounds: Bounds, kept: Power) -> Bounds:
    """The bounds without any on promises that a promise, kept in every draw, passes.

    Such a bound was never one (a fault of its statement, or of its solver): it is dropped and
    told as ``refuted``, not moved to fit.
    """
    slack = 1e-6 * kept.demand_mean
    refuted = {
        name: value
        for name, value, promised in (
            ("firm_clean", bounds.firm_clean, kept.firm_clean),
            ("firm_total", bounds.firm_total, kept.firm_total),
        )
        if value is not None and value < promised - slack
    }
    if not refuted:
        return bounds
    clean = None if "firm_clean" in refuted else bounds.firm_clean
    total = None if "firm_total" in refuted else bounds.firm_total
    draw = bounds.firm_draw if total is not None else None
    return replace(bounds, firm_clean=clean, firm_total=total, firm_draw=draw, refuted=refuted)


def slices_for(assembly: Assembly) -> int:
    """Slices of time for which the program has about :data:`COLUMNS` variables."""
    plan = assembly.case.plan
    each = len(plan.sources) + 2 * len(plan.runs) + 2 * len(plan.lines)
    each += 3 * len(assembly.case.holders) + len(plan.machines) + len(plan.demands)
    return max(LEAST_SLICES, min(1500, COLUMNS // max(each, 1)))

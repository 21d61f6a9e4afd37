"""What pumps take in, and what coolers must take away, against what they bear."""

from __future__ import annotations

import math

from allocator.plans.records import Run
from allocator.verify.case import Case
from allocator.verify.properties import INTEGRALS, heat_between
from allocator.verify.report import LIMIT, Findings
from allocator.verify.wet_gas import condensed_heat

PANELS = 2000
CONDUCTANCES = 1e-4
"""Share by which two computations of a UA may differ: integrals of heat, panels of wet gas."""


def check_pumps(case: Case, findings: Findings) -> None:
    """A pump takes in no more than it bears: the gas of its source, or what coolers there give.

    Or what a heat sink there guarantees, which :mod:`allocator.verify.sinks` works out again.
    """
    for use in case.plan.sources:
        source = case.site.sources[use.name]
        if source.pump is None or source.pump.max_inlet_temperature is None:
            continue
        if not any(use.collect.values()) and not any(use.direct.values()):
            continue
        kelvin = source.temperature or case.site.ambient.temperature
        if kelvin > source.pump.max_inlet_temperature:
            behind = [_after(case, run) for run in case.plan.runs if _leaves(case, run, use.name)]
            kelvin = max(behind, default=kelvin)
        findings.at_most(
            "pump_inlet",
            f"pump of {use.name!r}",
            kelvin,
            source.pump.max_inlet_temperature,
            "K",
            "what it takes in",
        )


def _leaves(case: Case, run: Run, source: str) -> bool:
    record = case.site.sources[source]
    return run.fluid == record.fluid and any(f.start == record.place for f in run.flows)


def _after(case: Case, run: Run) -> float:
    stream = case.site.routes[run.route].stream
    if stream is not None and stream.kind == "cooler":
        return case.site.coolers[stream.corridor].set_point
    sink = case.site.pipes[run.build].sink
    return math.inf if sink is None else sink.outlet


def check_coolers(case: Case, findings: Findings) -> None:
    """A cooler's duty: units times what one takes away (rate, duty, UA with its coolant)."""
    for run in case.plan.runs:
        route = case.site.routes[run.route]
        if route.stream is None or route.stream.kind != "cooler":
            continue
        cooler = case.site.coolers[route.stream.corridor]
        subject = f"cooler {run.route!r}"
        units = int(run.build.rstrip("'").rpartition(" x ")[2])
        rate = math.fsum(
            f.rate * (case.peak(f.carries) if f.layer == "supply" else 1.0) for f in run.flows
        )
        sensible = heat_between(case, run.fluid, cooler.set_point, route.stream.inlet)
        condensed = condensed_heat(case, route, route.stream.inlet, cooler.set_point)
        heat = sensible + condensed
        for name, moved, each, unit, share in (
            ("cooler_rate", rate, cooler.rate, "kg/s", LIMIT),
            ("cooler_duty", rate * heat, cooler.duty, "W", INTEGRALS),
        ):
            if each is not None:
                most = units * each
                findings.at_most(name, subject, moved, most, unit, "what it takes", share * most)
        if cooler.conductance is not None and cooler.coolant is not None and rate > 0:
            needed = _conductance(
                rate / units,
                heat,
                condensed / heat,
                route.stream.inlet,
                cooler.set_point,
                cooler.coolant,
                None if cooler.arrangement == "condenser" else cooler.coolant_capacity,
                cooler.arrangement,
            )
            findings.at_most(
                "cooler_conductance",
                subject,
                needed,
                cooler.conductance,
                "W/K",
                "the UA that it needs",
                CONDUCTANCES * cooler.conductance,
            )


def _conductance(
    rate: float,
    heat: float,
    wet: float,
    inlet: float,
    outlet: float,
    coolant: float,
    capacity: float | None,
    arrangement: str,
) -> float:
    """UA = Q / mean difference: the logarithmic one, and that of one shell pass.

    ``wet``: the share of the heat of what condenses, all of it at the outlet; then summed panel by
    panel, of one shell pass as for parallel flow, which needs more.
    """
    duty = rate * heat
    if wet > 0:
        together = arrangement in ("parallel", "shell")
        return _in_panels(duty, wet, inlet, outlet, coolant, capacity, together)
    warm = coolant if capacity is None else coolant + duty / capacity
    first, second = inlet - warm, outlet - coolant
    if arrangement == "shell" and capacity is not None:
        return _of_shell(duty, inlet - outlet, warm - coolant, first + second)
    if arrangement == "parallel" and capacity is not None:
        first, second = inlet - coolant, outlet - warm
    if first <= 0 or second <= 0:
        return math.inf
    near = abs(first - second) < 1e-9 * first
    mean = first if near else (first - second) / math.log(first / second)
    return duty / mean


def _of_shell(duty: float, cooled: float, warmed: float, apart: float) -> float:
    """UA of one shell pass and two tube passes; infinite where none can do the duty.

    ``apart``: the sum of the differences at both ends, in counter flow. The mean difference is
    ``D / ln((apart + D) / (apart - D))`` with ``D^2 = cooled^2 + warmed^2`` (A. J. V. Underwood, J.
    Inst. Petroleum Technologists 20, 1934), which is the F of R. A. Bowman, A. C. Mueller and W. M.
    Nagle (Trans. ASME 62, 1940) times the logarithmic mean of counter flow.
    """
    both = math.hypot(cooled, warmed)
    return duty / both * math.log((apart + both) / (apart - both)) if apart > both else math.inf


def _in_panels(
    duty: float,
    wet: float,
    inlet: float,
    outlet: float,
    coolant: float,
    capacity: float | None,
    together: bool,
) -> float:
    """The integral of dQ / (T_gas - T_coolant) from the cold end of the gas, by its midpoints.

    ``together``: both pass in the same direction, so the coolant is warmest at that end.
    """
    found, warms = 0.0, 0.0 if capacity is None else duty / capacity
    for number in range(PANELS):
        share = (number + 0.5) / PANELS
        gas = outlet + (inlet - outlet) * max(0.0, share - wet) / (1.0 - wet)
        beside = coolant + warms * ((1.0 - share) if together else share)
        if gas <= beside:
            return math.inf
        found += duty / PANELS / (gas - beside)
    return found

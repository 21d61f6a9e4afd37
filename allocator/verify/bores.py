"""Rules of capacity by bore: what a pipe carries at its peak is slow enough and gets there.

Of fluids whose pressures along lines are not known (:mod:`allocator.verify.pressures`).
"""

from __future__ import annotations

import math

from allocator.physics.substances import Substance, value
from allocator.plans.records import Run
from allocator.site.records import PipeType
from allocator.verify.case import Case
from allocator.verify.pressure_walk import end_of_gas, friction, walked_fluid
from allocator.verify.properties import substance_of
from allocator.verify.report import Findings

USUAL = {"gas": 20.0, "liquid": 2.0, "solid": 2.0}
"""m/s that the site file's documentation gives builds without a velocity."""


def check_bores(case: Case, findings: Findings) -> None:
    """Per run whose build has no capacity of its own: velocity, Mach number, end pressure."""
    along = {fluid for fluid in case.site.fluids if walked_fluid(case, fluid) is not None}
    for run in case.plan.runs:
        build = case.site.pipes[run.build]
        peak = math.fsum(
            f.rate * (case.peak(f.carries) if f.layer == "supply" else 1.0) for f in run.flows
        )
        if build.by_bore and build.bore is not None and peak > 0 and run.fluid not in along:
            _check(case, findings, run, build, peak)


def _check(case: Case, findings: Findings, run: Run, build: PipeType, peak: float) -> None:
    site, subject = case.site, f"run {run.route!r} of {run.fluid!r}"
    route, substance = site.routes[run.route], substance_of(case, run.fluid)
    kelvin = _temperature(case, run)
    first, last = _pressures(case, build, run.fluid)
    assert build.bore is not None
    area = math.pi * build.bore**2 / 4
    density = _at(substance, "density", kelvin, first)
    thin = density * last / first if substance.phase == "gas" else density
    speed = peak / (thin * area)
    most = USUAL[substance.phase] if build.max_velocity is None else build.max_velocity
    real = speed / (1 + substance.vapour[0])
    findings.at_most("bore_velocity", subject, real, most, "m/s", "its velocity")
    if substance.phase == "gas":
        sound = _at(substance, "sound_speed", kelvin, first)
        mach = speed / sound
        findings.at_most("bore_mach", subject, mach, build.max_mach, "", "its Mach number")
    end = _end_pressure(
        peak / area,
        route.length,
        build.bore,
        build.roughness,
        first,
        density,
        _at(substance, "viscosity", kelvin, first),
        substance.phase == "gas",
    )
    findings.at_least("bore_pressure", subject, end, last, "Pa", "the pressure at its end")


def _temperature(case: Case, run: Run) -> float:
    stream = case.site.routes[run.route].stream
    if stream is not None:
        return stream.inlet
    hot = [
        s.temperature for s in case.site.sources.values() if s.fluid == run.fluid and s.temperature
    ]
    return max(hot, default=case.site.ambient.temperature)


def _pressures(case: Case, build: PipeType, fluid: str) -> tuple[float, float]:
    given = [s.pressure for s in case.site.sources.values() if s.fluid == fluid and s.pressure]
    last = build.outlet_pressure or case.site.ambient.pressure
    return build.inlet_pressure or min(given, default=last), last


def _at(substance: Substance, name: str, kelvin: float, pascal: float) -> float:
    return float(value(substance, name, kelvin, pascal))


def _end_pressure(
    flux: float,
    length: float,
    bore: float,
    roughness: float,
    pressure: float,
    density: float,
    viscosity: float,
    gas: bool,
) -> float:
    """Pa at the end, of gas walked in steps; 0 where nothing gets there."""
    factor = friction(flux * bore / viscosity, roughness / bore) / bore
    if not gas:
        return pressure - factor * length * flux**2 / (2 * density)
    law = pressure / density
    return end_of_gas(pressure**2, length, factor * flux**2 * law, (0.0, 0.0), flux**2 * law)

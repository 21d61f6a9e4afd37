"""Rules of capacity by bore: what a pipe carries at its peak is slow enough and gets there."""

from __future__ import annotations

import math

from allocator.physics.substances import Substance, value
from allocator.plan import Run
from allocator.proof.case import Case
from allocator.proof.heat import substance_of
from allocator.proof.report import Findings
from allocator.site.records import Build

STEPS = 400
USUAL = {"gas": 20.0, "liquid": 2.0, "solid": 2.0}
"""m/s that the site file's documentation gives builds without a velocity."""

ROOM = 0.05
"""Share of the pressure drop by which two friction formulas may differ."""

HAIR = 1e-6


def check_bores(case: Case, findings: Findings) -> None:
    """Per run whose build has no capacity of its own: velocity, Mach number, end pressure."""
    for run in case.plan.runs:
        build = case.site.builds[run.build]
        peak = math.fsum(
            f.rate * (case.peak(f.carries) if f.layer == "supply" else 1.0) for f in run.flows
        )
        if build.by_bore and build.bore is not None and peak > 0:
            _check(case, findings, run, build, peak)


def _check(case: Case, findings: Findings, run: Run, build: Build, peak: float) -> None:
    site, subject = case.site, f"run {run.route!r} of {run.fluid!r}"
    route, substance = site.routes[run.route], substance_of(case, run.fluid)
    kelvin = _temperature(case, run)
    first, last = _pressures(case, build, run.fluid)
    assert build.bore is not None
    area = math.pi * build.bore**2 / 4
    density = _at(substance, "density", kelvin, first)
    thin = density * last / first if substance.phase == "gas" else density
    speed = peak / (thin * area)
    most = USUAL[substance.phase] if build.velocity is None else build.velocity
    findings.at_most("bore_velocity", subject, speed, most * (1 + HAIR), "m/s", "its velocity")
    if substance.phase == "gas":
        sound = _at(substance, "sound_speed", kelvin, first)
        mach = speed / sound
        findings.at_most("bore_mach", subject, mach, build.mach * (1 + HAIR), "", "its Mach number")
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
    findings.at_least(
        "bore_pressure", subject, end, last - ROOM * (first - last), "Pa", "the pressure at its end"
    )


def _temperature(case: Case, run: Run) -> float:
    stream = case.site.routes[run.route].stream
    if stream is not None:
        return stream.inlet
    hot = [
        s.temperature for s in case.site.sources.values() if s.fluid == run.fluid and s.temperature
    ]
    return max(hot, default=case.site.ambient.temperature)


def _pressures(case: Case, build: Build, fluid: str) -> tuple[float, float]:
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
    """Pa at the end, walked: ``dp/dx = -f G^2/(2 D rho) / (1 - G^2/(rho p))``; 0 where it chokes.

    Friction by S. W. Churchill, Chem. Eng. 84(24), 1977, one formula for all Reynolds numbers.
    """
    reynolds = flux * bore / viscosity
    a = (-2.457 * math.log((7 / reynolds) ** 0.9 + 0.27 * roughness / bore)) ** 16
    b = (37530 / reynolds) ** 16
    factor = 8 * ((8 / reynolds) ** 12 + (a + b) ** -1.5) ** (1 / 12)
    now = pressure
    for _ in range(STEPS):
        thick = density * now / pressure if gas else density
        slope = factor * flux**2 / (2 * bore * thick)
        if gas:
            room = 1 - flux**2 / (thick * now)
            if room <= 0:
                return 0.0
            slope /= room
        now -= slope * length / STEPS
        if now <= 0:
            return 0.0
    return now

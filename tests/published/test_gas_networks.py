"""Gas networks: a published one, and a loop by other libraries, in the walk of the audit.

D. De Wolf, Y. Smeers: The gas transmission problem solved by an extension of the simplex
algorithm. Management Science 46 (2000) 1454-1465: the Belgian network. Lengths, diameters, demands,
limits, roughness, temperature, density and compressibility as in the model library of GAMS
(``gastrans``), and the cost of its optimum, 89.0858, as in MINLPLib.
"""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from fluids.compressible import isothermal_gas
from fluids.friction import friction_factor
from scipy.optimize import fsolve

from allocator.network.deriving import network_of
from allocator.network.reading import read_site
from allocator.network.records import Network
from allocator.plans.records import BoosterUse, PipeFlow, Plan, Run, SourceUse
from allocator.report.page.drawing import existing_plan
from allocator.verify.case import case_of
from allocator.verify.pressure_lines import Lines, lines_of, settled
from allocator.verify.pressure_walk import walked_fluid

PIPES = (
    ("Zeebrugge", "Dudzele", 890.0, 4.0),
    ("Zeebrugge", "Dudzele", 890.0, 4.0),
    ("Dudzele", "Brugge", 890.0, 6.0),
    ("Dudzele", "Brugge", 890.0, 6.0),
    ("Brugge", "Zomergem", 890.0, 26.0),
    ("Loenhout", "Antwerpen", 590.1, 43.0),
    ("Antwerpen", "Gent", 590.1, 29.0),
    ("Zomergem", "Gent", 590.1, 19.0),
    ("Zomergem", "Peronnes", 890.0, 55.0),
    ("Voeren", "Berneau", 890.0, 5.0),
    ("Voeren", "Berneau", 395.0, 5.0),
    ("Berneau", "Liege", 890.0, 20.0),
    ("Berneau", "Liege", 395.0, 20.0),
    ("Liege", "Warnand", 890.0, 25.0),
    ("Liege", "Warnand", 395.0, 25.0),
    ("Warnand", "Namur", 890.0, 42.0),
    ("Namur", "Anderlues", 890.0, 40.0),
    ("Anderlues", "Peronnes", 890.0, 5.0),
    ("Peronnes", "Mons", 890.0, 10.0),
    ("Mons", "Blaregnies", 890.0, 25.0),
    ("Warnand", "Wanze", 395.5, 10.5),
    ("Wanze", "Sinsin", 315.5, 26.0),
    ("Sinsin", "Arlon", 315.5, 98.0),
    ("Arlon", "Petange", 315.5, 6.0),
)
"""From, to (in the direction of the flow), mm, km; the compressor is at Wanze."""
TAKEN = {
    **{"Antwerpen": 4.034, "Arlon": 0.222, "Blaregnies": 15.616, "Brugge": 3.918, "Gent": 5.256},
    **{"Liege": 6.385, "Mons": 6.848, "Namur": 2.120, "Petange": 1.919},
}
COST = {"Anderlues": 0.0, "Peronnes": 1.68, "Voeren": 1.68}
"""$ per MBTU; 2.28 at the other sources."""
GIVEN = {
    **{"Anderlues": 1.2, "Peronnes": 0.96, "Voeren": 22.012},
    **{"Dudzele": 8.4, "Loenhout": 4.8, "Zeebrugge": 8.946},
}
"""10^6 m3 a day: at their upper limits in the order of cost, and Zeebrugge the rest."""
HIGHEST = {"Zeebrugge": 77.0, "Dudzele": 77.0, "Loenhout": 77.0, "Sinsin": 63.0}
LOWEST = {
    **{"Antwerpen": 30.0, "Blaregnies": 50.0, "Brugge": 30.0, "Gent": 30.0, "Liege": 30.0},
    **{"Petange": 25.0, "Voeren": 50.0},
}
"""bar; the highest is 66.2 at most where nothing is said."""
AIR, NORMAL = 28.964e-3, (101_325.0, 273.15)
"""kg/mol, and Pa and K of a normal cubic metre."""
MOLE = 0.616 * AIR
DAILY = 1e6 / 86_400 * NORMAL[0] * MOLE / (8.314462618 * NORMAL[1])
"""kg/s of 10^6 m3 a day."""


NEAR = {"Petange": 0.035, "Arlon": 0.035}
"""Ends of 130 km of the smallest bore, along which half of the pressure is lost."""


def published_constant(bore: float, length: float) -> float:
    """``C^2`` of ``f^2 = C^2 (p_i^2 - p_j^2)``, 10^6 m3 a day and bar; pages 1463 and 1464."""
    friction = 1.0 / (2.0 * math.log10(3.7 * bore / 0.05)) ** 2
    return 96.074830e-15 * bore**5 / friction / 0.8 / 281.15 / length / 0.616


def published() -> tuple[list[float], dict[str, float]]:
    """Flows of all pipes and pressures (bar) by the published equations.

    But for pipes that lie in parallel the network is a tree, so that what is given and taken says
    what flows. Blaregnies has its lowest pressure, and Sinsin, behind the compressor, its highest.
    """
    roots: dict[tuple[str, str], float] = {}
    for start, end, bore, length in PIPES:
        root = math.sqrt(published_constant(bore, length))
        roots[start, end] = roots.get((start, end), 0.0) + root
    places = sorted({place for link in roots for place in link})
    leaving = np.array([[(p == i) - (p == j) for i, j in roots] for p in places], dtype=float)
    net = np.array([GIVEN.get(p, 0.0) - TAKEN.get(p, 0.0) for p in places])
    found, *_ = np.linalg.lstsq(leaving, net, rcond=None)
    assert np.allclose(leaving @ found, net)
    flows = dict(zip(roots, found.tolist(), strict=True))
    squares = {"Blaregnies": 50.0**2, "Sinsin": 63.0**2}
    for (start, end), flow in 20 * list(flows.items()):
        lost = (flow / roots[start, end]) ** 2
        if end == "Sinsin":
            continue
        if start in squares:
            squares.setdefault(end, squares[start] - lost)
        elif end in squares:
            squares[start] = squares[end] + lost
    each = [
        flows[start, end] * math.sqrt(published_constant(bore, length)) / roots[start, end]
        for start, end, bore, length in PIPES
    ]
    return each, {name: math.sqrt(square) for name, square in squares.items()}


def lines_along(site: Network, plan: Plan) -> Lines:
    """The lines of a plan, with the pressures of the audit's walk."""
    case = case_of(site, plan)
    walked = walked_fluid(case, "gas")
    assert walked is not None
    lines = lines_of(case, "gas", walked)
    assert settled(lines)
    return lines


def laid(
    folder: Path,
    gas: str,
    pipes: dict[str, tuple[str, str, float, float, float]],
    given: dict[str, tuple[float, float]],
    more: str = "",
) -> tuple[Network, Plan]:
    """A network as a site, and the plan that lays it. ``pipes``: from, to, bore, length, kg/s.

    ``given``: kg/s and Pa of the source at a place.
    """
    places = dict.fromkeys(place for start, end, *_ in pipes.values() for place in (start, end))
    lines = ["format: allocator.site/2", "name: Published", f"fluids: {{gas: {gas}}}"]
    lines += ["ambient: {temperature: 281.15 K}", "places:"]
    lines += [f"  {place}: {{at: [{n} m, 0 m]}}" for n, place in enumerate(places)]
    lines.append("sources:")
    for place, (flow, pressure) in given.items():
        said = f"place: {place}, fluid: gas, flow: {flow!r} kg/s, pressure: {pressure!r} Pa"
        lines.append(f"  {place}: {{{said}}}")
    lines.append("pipes:")
    for bore in sorted({bore for _, _, bore, _, _ in pipes.values()}):
        limits = "roughness: 0.05 mm, max_velocity: 100 m/s, max_mach: 1"
        lines.append(f"  d{bore * 1e4:.0f}: {{bore: {bore!r} m, {limits}}}")
    lines.append("routes:")
    for name, (start, end, _, length, _) in pipes.items():
        lines.append(f"  {name}: {{between: [{start}, {end}], length: {length!r} m}}")
    lines += [more, "demands: {light: {power: 1 W}}"]
    path = folder / "site.yaml"
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    site = network_of(read_site(path))
    runs = tuple(
        Run(name, f"d{bore * 1e4:.0f}", "gas", True, (PipeFlow(start, end, "supply", "flat", q),))
        for name, (start, end, bore, _, q) in pipes.items()
    )
    sources = tuple(SourceUse(n, True, True, {}, {"flat": q}) for n, (q, _) in given.items())
    return site, replace(existing_plan(site), sources=sources, runs=runs)


def test_the_cost_of_the_published_optimum() -> None:
    """What the supplies cost, and that flows by them keep the published limits of pressure."""
    cost = sum(COST.get(place, 2.28) * flow for place, flow in GIVEN.items())
    assert cost == pytest.approx(89.0858, abs=1e-4)
    flows, pressures = published()
    assert min(flows) > 0
    for place, pressure in pressures.items():
        assert LOWEST.get(place, 0.0) <= pressure + 1e-9 <= HIGHEST.get(place, 66.2) + 2e-9


def test_the_belgian_network_in_the_walk_of_the_audit(tmp_path: Path) -> None:
    """Pressures within 0.5 % of those of the published equations, which have fully rough friction.

    Pipe by pipe what is lost differs by the friction factor, and by no more than 0.3 % besides.
    Compressibility is in the molar mass; the viscosity, which they do not need, is 1.1e-5 Pa s.
    """
    flows, pressures = published()
    pipes = {
        f"r{n}": (start, end, bore / 1e3, 1e3 * length, DAILY * flow)
        for n, ((start, end, bore, length), flow) in enumerate(zip(PIPES, flows, strict=True))
    }
    given = {place: (DAILY * GIVEN[place], 1e5 * pressures[place]) for place in GIVEN}
    gas = (
        f"{{phase: gas, heating_value: 50 MJ/kg, constants: {{molar_mass: {MOLE / 0.8!r}, "
        "viscosity: 1.1e-5, specific_heat: 2200, conductivity: 0.03}}"
    )
    lost = flows[21] ** 2 / published_constant(315.5, 26.0)
    ratio = math.sqrt(63.0**2 + lost) / pressures["Wanze"]
    more = (
        f"boosters: {{station: {{kind: compressor, fluids: [gas], places: [Wanze], "
        f"ratio: {ratio!r}, efficiency: 80 %, discharge_temperature: 281.15 K}}}}"
    )
    site, plan = laid(tmp_path, gas, pipes, given, more)
    onward = next(name for name, (start, *_) in pipes.items() if start == "Wanze")
    plan = replace(
        plan, boosters=(BoosterUse("station", "gas", onward, "Wanze", "", True, 1.0, 1.0),)
    )
    lines = lines_along(site, plan)
    found = lines.pressures
    for place, pressure in pressures.items():
        assert found["high", place] == pytest.approx(1e5 * pressure, rel=NEAR.get(place, 5e-3))
    for way in lines.ways:
        *_, bore, length, flow = pipes[way.key[0]]
        first = found[way.start] * (ratio if way.boosters else 1.0)
        lost = 1e-10 * (first**2 - lines.after(way, found[way.start]) ** 2)
        rough = 1.0 / (2.0 * math.log10(3.7 * bore / 5e-5)) ** 2
        friction = friction_factor(4 * flow / (math.pi * bore * 1.1e-5), 5e-5 / bore)
        daily = flow / DAILY
        told = daily**2 / published_constant(1e3 * bore, 1e-3 * length) * friction / rough
        assert lost == pytest.approx(told, rel=3e-3)


LOOP = {
    "ab": ("a", "b", 0.0525, 400.0),
    "ac": ("a", "c", 0.0409, 300.0),
    "cb": ("c", "b", 0.0266, 250.0),
    "cd": ("c", "d", 0.0525, 350.0),
    "bd": ("b", "d", 0.0409, 500.0),
}
"""From, to, bore and length, m: two loops that share a pipe."""


def test_a_loop_by_scipy_and_fluids(tmp_path: Path) -> None:
    """Flows that share out among the loops, by the isothermal formula of `fluids` in each pipe."""
    mole, kelvin, viscosity = 0.027, 281.15, 1.2e-5
    law = 8.314462618 / mole * kelvin
    mouth, taken = 112e3, {"b": 4e-3, "d": 8e-3}

    def flow(start: float, end: float, bore: float, length: float) -> float:
        first, last = max(start, end), min(start, end)
        q = 1e-3
        for _ in range(60):
            re = 4 * q / (math.pi * bore * viscosity)
            friction = friction_factor(re, 5e-5 / bore)
            q = isothermal_gas(first / law, friction, first, last, length, bore)
        return math.copysign(q, start - end)

    def lacking(unknown: np.ndarray) -> list[float]:
        at = {"a": mouth, **dict(zip("bcd", (1e3 * unknown).tolist(), strict=True))}
        rest = {place: -taken.get(place, 0.0) for place in "bcd"}
        for start, end, bore, length in LOOP.values():
            q = flow(at[start], at[end], bore, length)
            for place, sign in ((start, -1), (end, 1)):
                if place != "a":
                    rest[place] += sign * q
        return [1e3 * rest[place] for place in "bcd"]

    solved, _, status, _ = fsolve(lacking, np.array([110.0, 110.5, 109.0]), full_output=True)
    assert status == 1
    at = {"a": mouth, **dict(zip("bcd", (1e3 * solved).tolist(), strict=True))}
    pipes = {}
    for name, (start, end, bore, length) in LOOP.items():
        q = flow(at[start], at[end], bore, length)
        ends = (start, end) if q > 0 else (end, start)
        pipes[name] = (*ends, bore, length, abs(q))
    gas = (
        f"{{phase: gas, heating_value: 20 MJ/kg, constants: {{molar_mass: {mole}, "
        f"viscosity: {viscosity}, specific_heat: 1500, conductivity: 0.03}}}}"
    )
    site, plan = laid(tmp_path, gas, pipes, {"a": (sum(taken.values()), mouth)})
    found = lines_along(site, plan).pressures
    for place, pressure in at.items():
        assert found["high", place] - 101_325 == pytest.approx(pressure - 101_325, rel=2e-3)

"""Promises that must hold without some of their sources: the choices that hurt a store most."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import replace
from itertools import combinations, islice

import numpy as np

from allocator.verify.case import Case
from allocator.verify.tanks.assembly import Assembly, assembly_of
from allocator.verify.tanks.circuit import Tank
from allocator.verify.tanks.phases import WorstWindow, worst_window
from allocator.verify.without import min_share

BALANCED = 1e-9
"""What is missing below this share of a draw is the rounding of a sum."""
MOST_TRIED = 40
"""Choices of sources that are tried for a store, those that give most first."""

Shares = Mapping[str, float]
"""Source -> share of its flow that is left: 0 where it is lost."""


def must_withstand(case: Case) -> bool:
    """True where the plan's promise holds without some sources, or with less of them."""
    return case.plan.robustness is not None and case.plan.robustness.of_sources


def weakened(assembly: Assembly, shares: Shares) -> Assembly:
    """The circuit with less collected of some sources, no valve touched.

    What they release straight into supply stays: a plan may count on it only where it is sure.
    """
    sources = tuple(
        replace(use, collect={to: rate * shares[use.name] for to, rate in use.collect.items()})
        if use.name in shares
        else use
        for use in assembly.case.plan.sources
    )
    case = replace(assembly.case, plan=replace(assembly.case.plan, sources=sources))
    return assembly_of(case, surplus=assembly.surplus)


def hardest_choices(assembly: Assembly) -> Iterator[tuple[Tank, Shares, WorstWindow | None]]:
    """For each store, or part behind bursts, the choice of sources with the worst window.

    None in place of the window where the mean inflow is below the draw: no store is large enough.
    """
    if not must_withstand(assembly.case):
        return
    for k, tank in enumerate(assembly.circuit.tanks):
        hardest: tuple[float, Shares, WorstWindow | None] | None = None
        for shares in islice(_choices(assembly.case, tank), MOST_TRIED):
            weak = weakened(assembly, shares)
            lean = _mean_net(weak, k) < -BALANCED * tank.draws.steady
            window = None if lean else worst_window(weak.case, weak.circuit.tanks[k])
            need = math.inf if lean else -math.inf if window is None else window.need
            if need > -math.inf and (hardest is None or need > hardest[0]):
                hardest = (need, shares, window)
        if hardest is not None:
            yield tank, *hardest[1:]


def _mean_net(assembly: Assembly, k: int) -> float:
    """Mean of what comes into a tank less what goes out and is lost, a second."""
    tank = assembly.circuit.tanks[k]
    means = {
        clock.name: float(clock.values @ np.diff(np.append(clock.times, clock.period)))
        / clock.period
        for clock in assembly.circuit.clocks
    }
    return float(tank.net.at(means)) - tank.loss


def _choices(case: Case, tank: Tank) -> Iterator[Shares]:
    asked = case.plan.robustness
    assert asked is not None
    given = _feeders(case, tank)
    names = sorted(given, key=lambda name: (-given[name], name))
    may_go = [name for name in names if not case.site.sources[name].reliable]
    for gone in combinations(may_go, min(asked.lost, len(may_go))):
        uncertain = [n for n in names if n not in gone and min_share(case, n) < 1.0]
        for weak in combinations(uncertain, min(asked.low, len(uncertain))):
            if gone or weak:
                yield {**dict.fromkeys(gone, 0.0), **{n: min_share(case, n) for n in weak}}


def _feeders(case: Case, tank: Tank) -> dict[str, float]:
    """Mean kg/s of each source to a tank."""
    found: dict[str, float] = {}
    for name, destination in case.destinations.items():
        to_store = tank.kind == "store" and name == f"store:{tank.name}"
        battery = destination.battery
        to_burst = tank.kind == "burst" and battery is not None
        if to_store or (to_burst and battery and tank.name.startswith(f"{battery.name} ")):
            for source, rate in case.collected(name):
                mean = rate * case.duty(source.name)
                found[source.name] = found.get(source.name, 0.0) + mean
    return found

"""When a store of a finished plan is filled to its reserve, for any time at which it is begun."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from allocator.plans.records import Plan
from allocator.simulation.setpoints import needed_levels, planned_reserves
from allocator.simulation.tracing import assemble
from allocator.simulation.work import with_reserves
from allocator.site.records import Site
from allocator.verify.cycle import Cycle, cycle_of
from allocator.verify.tanks.assembly import Assembly, without_chambers
from allocator.verify.tanks.circuit import SourceClock, Tank
from allocator.verify.tanks.phases import worst_windows
from allocator.verify.timetables import least_in

LONGEST = 10.0 * 365.25 * 86400.0
"""s; what is not filled after so long never is."""
HALVINGS = 60


@dataclass(frozen=True, slots=True, eq=False)
class StoreFilling:
    """How a tank fills with nothing drawn: ``steady`` less what is lost, a second, and cycles.

    ``amount``: that its promise needs, kg or J; ``parts``: cycles with what each brings a second.
    """

    name: str
    amount: float
    steady: float
    parts: tuple[tuple[Cycle, float], ...]

    @property
    def dated(self) -> bool:
        """Whether it matters when it begins."""
        return any(cycle.start is not None for cycle, _ in self.parts)

    def brought(self, begin: float, length: float) -> float:
        """What is sure to be in it ``length`` s after it is begun at ``begin`` s, kg or J."""
        begins, lengths = np.array([begin]), np.array([length])
        sure = (weight * float(least_in(c, begins, lengths)[0]) for c, weight in self.parts)
        return self.steady * length + math.fsum(sure)

    def filled(self, begin: float) -> float:
        """When it holds its amount if it is begun at ``begin`` s; infinite if it never does."""
        if self.amount <= 0.0:
            return begin
        high = 3600.0
        while self.brought(begin, high) < self.amount:
            high *= 2.0
            if high > LONGEST:
                return math.inf
        low = 0.0 if high <= 3600.0 else 0.5 * high
        for _ in range(HALVINGS):
            middle = 0.5 * (low + high)
            if self.brought(begin, middle) < self.amount:
                low = middle
            else:
                high = middle
        return begin + high


def fillings_of(site: Site, plan: Plan) -> dict[str, StoreFilling]:
    """How each tank of a plan fills, by its name.

    A source whose ``next_start`` is given follows that timetable; of all others what is sure at any
    phase counts. Where a plan sets no reserves, they are what its promise needs.

    Raises:
        PlanFileError: the plan is for another site, or not on the firm basis.
    """
    whole = assemble(site, plan)
    reserves = planned_reserves(plan)
    if reserves is None:
        worst = worst_windows(whole.case, whole.circuit)
        reserves = needed_levels(whole.case, whole.circuit, worst)
    waiting = without_chambers(whole)
    circuit = with_reserves(waiting.circuit, reserves)
    clocks = {clock.name: clock for clock in circuit.clocks}
    return {tank.name: _filling(waiting, tank, clocks) for tank in circuit.kept}


def _filling(assembly: Assembly, tank: Tank, clocks: Mapping[str, SourceClock]) -> StoreFilling:
    parts = tuple((_cycle(assembly, clocks[name]), weight) for name, weight in tank.arrivals.terms)
    amount = tank.size if tank.reserve is None else min(tank.size, tank.reserve)
    return StoreFilling(tank.name, amount, tank.arrivals.steady - tank.loss, parts)


def _cycle(assembly: Assembly, clock: SourceClock) -> Cycle:
    sure = assembly.case.sure.get(clock.name)
    if clock.kind != "source" or sure is None:
        return cycle_of(clock.period, clock.times, clock.values)
    source = assembly.case.site.sources.get(clock.name)
    if source is None or source.next_start is None:
        return replace(sure, start=None)
    return replace(sure, start=source.next_start, error=0.0, table=None, delay=0.0)

"""What the promise is worth while a plan is half built: firm power of some of its chains.

A group of units that gets a part of its gas does not give that part of its power. With takings of
t units at full load and n whole units that turn, of which each takes z at no load, it gives
``(t - n z) / (1 - z)`` units' power, where that is at least the least load of n units and at most
n; of all n that are built by then the best counts. What a battery promises behind bursts counts
once all that charges it is built. A booster takes all its power as soon as one chain needs it.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

from allocator.network.records import Network
from allocator.plans.records import FLAT, MachineUse, Plan
from allocator.report.handover.chains import Chain, firm_load
from allocator.report.handover.things import booster_key
from allocator.report.loads import least_factor, peak_factor
from allocator.report.ways import machine_named

ROUNDING = 1e-6
"""Share of a unit that is rounding."""


class FirmStages:
    """Firm power of sets of chains, by their numbers."""

    def __init__(self, site: Network, plan: Plan, chains: Sequence[Chain]) -> None:
        self._site, self._plan, self._chains = site, plan, chains
        self._groups: dict[str, list[int]] = {}
        self._bursts: dict[str, list[int]] = {}
        for number, chain in enumerate(chains):
            if chain.battery:
                self._bursts.setdefault(chain.battery, []).append(number)
            elif chain.takes:
                self._groups.setdefault(next(iter(chain.units)), []).append(number)
        promised = plan.power.firm_total if plan.basis == "firm" else plan.power.mean_total
        whole = self._gross(range(len(chains)))
        self._scale = promised / whole if whole > 0 else 0.0
        self._known: dict[frozenset[int], float] = {}

    def power(self, members: Iterable[int]) -> float:
        """W that a set of chains promises, with nothing else built; less the plant's own load."""
        key = frozenset(members)
        if key not in self._known:
            self._known[key] = self._scale * self._gross(key)
        return self._known[key]

    def gains(self, order: Iterable[int]) -> Iterator[float]:
        """W that each chain of an order adds to what those before it promise, never below 0."""
        members, so_far = set[int](), 0.0
        for number in order:
            members.add(number)
            gain = max(0.0, self.power(members) - so_far)
            so_far += gain
            yield gain

    @property
    def additive(self) -> bool:
        """Whether what a chain adds depends on no other chain."""
        if any(len(numbers) > 1 for numbers in self._bursts.values()):
            return False
        for name, numbers in self._groups.items():
            kind = self._site.machines[name.rpartition("@")[0]]
            if len(numbers) > 1 and self._plan.basis == "firm" and (kind.no_load or kind.min_load):
                return False
        powered = [set(chain.needs) for chain in self._chains if chain.power > 0]
        return all(
            sum(booster_key(use) in needs for needs in powered) <= 1 for use in self._plan.boosters
        )

    def _gross(self, members: Collection[int]) -> float:
        found = []
        for name, numbers in self._groups.items():
            own = [self._chains[number] for number in numbers if number in members]
            machine = machine_named(self._plan, name)
            whole = self._site.machines[machine.type].power_out * firm_load(machine)
            if len(own) == len(numbers):
                found.append(whole)
            elif own:
                found.append(min(whole, self._partly(machine, own)))
        for numbers in self._bursts.values():
            if all(number in members for number in numbers):
                found += [self._chains[number].power for number in numbers]
        needs = {
            key
            for number in members
            if self._chains[number].power > 0
            for key in self._chains[number].needs
        }
        found += [-use.power for use in self._plan.boosters if booster_key(use) in needs]
        return max(0.0, math.fsum(found))

    def _partly(self, machine: MachineUse, chains: Sequence[Chain]) -> float:
        """W of a group that gets the gas of some of its chains."""
        takes: dict[str, float] = {}
        for chain in chains:
            for shape, units in chain.takes.items():
                takes[shape] = takes.get(shape, 0.0) + units
        wanted = math.fsum(chain.units[machine.name] for chain in chains)
        built = max(machine.count - machine.new, math.ceil(wanted - ROUNDING))
        kind = self._site.machines[machine.type]
        power = kind.power_out
        if self._plan.basis == "mean":
            return power * math.fsum(takes.values())
        least = {shape: least_factor(self._site, shape) for shape in takes}
        peak = {shape: peak_factor(self._site, shape) for shape in takes}
        runs = machine.cycled > 0  # the battery that smooths it is among what the chains need
        return power * most_load(takes, peak, least, kind.no_load, kind.min_load, built, runs)


def most_load(
    takes: Mapping[str, float],
    peak: Mapping[str, float],
    least: Mapping[str, float],
    no_load: float,
    min_load: float,
    units: int,
    runs: bool,
) -> float:
    """Most mean load in units that some takings give, out of ``units`` whole ones.

    Parameters
    ----------
    takes
        Mean takings by supply shape, in units at full load.
    peak, least
        Highest and lowest level of each shape.
    no_load, min_load
        Shares of full load: takings of a unit that turns idle, and the least load of one.
    units
        Units that stand.
    runs
        Whether one of them may run on and off, at full load.
    """
    flat, best = takes.get(FLAT, 0.0), 0.0
    following = {shape: t / (1.0 - no_load) for shape, t in takes.items() if shape != FLAT}
    high = math.fsum(load * peak[shape] for shape, load in following.items())
    for turning in range(units + 1):
        spare = flat - turning * no_load
        if spare < -ROUNDING:
            break
        part = min(1.0, turning / high) if high > 0 else 1.0
        room = turning - part * high
        follow = part * math.fsum(following.values())
        low = part * math.fsum(load * least[shape] for shape, load in following.items())
        fits = runs and turning < units
        most = min(1.0, max(0.0, spare)) if fits else 0.0
        for cycled in (0.0, most, min(most, max(0.0, spare - (1.0 - no_load) * room))):
            steady = max(0.0, min((spare - cycled) / (1.0 - no_load), room))
            if steady + low >= turning * min_load - ROUNDING:
                best = max(best, steady + follow + cycled)
    return best

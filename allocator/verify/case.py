"""A site and a plan side by side, with what the rules look up again and again."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import FLAT, BatteryUse, MachineUse, Plan, SourceUse, StoreUse
from allocator.site.clocks import Timing
from allocator.site.records import MachineType, Profile, Stage
from allocator.verify.basis import averaged
from allocator.verify.cycle import Cycle, demand_cycle, source_cycle, sure_cycle
from allocator.verify.sure_clocks import sure_timings

CLASSES = ("clean", "emitting")

BALANCE = 1e-6
"""Balances hold to this share of the largest flow of the fluid (or of the largest power)."""

ROUNDING = 1e-12
"""What adding a few floats in another order may change, relative."""


@dataclass(frozen=True, slots=True)
class AuditDestination:
    """Where the collect layer may send: a store, machines that burn bursts for a battery, a flare.

    ``fluid`` is None where the machines take other than exactly one fluid.
    """

    name: str
    fluid: str | None
    place: str
    store: StoreUse | None = None
    machine: MachineUse | None = None
    battery: BatteryUse | None = None


@dataclass(frozen=True)
class Case:
    """``site``: as the plan's basis sees it; ``whole``: as it is, with its bursts.

    ``cycles``: of the sources that the plan uses; ``sure``: what a promise may count on of them.

    ``shape_of``: demand -> shape; ``profiles``: shape -> profile, without ``flat``.
    """

    site: Network
    plan: Plan
    firm: bool
    cycles: Mapping[str, Cycle]
    sure: Mapping[str, Cycle]
    shape_of: Mapping[str, str]
    profiles: Mapping[str, Profile]
    shape_cycles: Mapping[str, Cycle]
    destinations: Mapping[str, AuditDestination]
    whole: Network

    def peak(self, shape: str) -> float:
        """Highest level of a shape of mean 1."""
        return 1.0 if shape == FLAT else max(self.profiles[shape].levels)

    def least(self, shape: str) -> float:
        """Lowest level of a shape of mean 1."""
        return 1.0 if shape == FLAT else min(self.profiles[shape].levels)

    def at_peak(self, means: Mapping[str, float]) -> float:
        """Sum of means by shape, each at the peak of its shape."""
        return math.fsum(mean * self.peak(shape) for shape, mean in means.items())

    def bus(self, place: str | None) -> str:
        """The power bus of a place: one for all places unless the site lists lines."""
        return self.site.ground(place) if self.site.power_lines and place else ""

    def duty(self, source: str) -> float:
        """Share of the time that a source is on."""
        return self.cycles[source].mean

    def machine_type(self, machine: MachineUse) -> MachineType:
        """The type of a machine group."""
        return self.site.machines[machine.type]

    @property
    def holders(self) -> tuple[StoreUse | BatteryUse, ...]:
        """Stores of fluid and batteries together."""
        return (*self.plan.stores, *self.plan.batteries)

    def batteries_at(self, bus: str) -> list[BatteryUse]:
        """Batteries with a size at a bus, in the plan's order."""
        return [b for b in self.plan.batteries if b.size > 0 and self.bus(b.place) == bus]

    def collected(self, destination: str) -> Iterator[tuple[SourceUse, float]]:
        """Sources that send to a destination, with their rates."""
        for source in self.plan.sources:
            rate = source.collect.get(destination, 0.0)
            if rate > 0:
                yield source, rate

    def arriving(self, destination: str) -> float:
        """Rate at a destination with all its sources on, kg/s."""
        return math.fsum(rate for _, rate in self.collected(destination))

    def bursts(self, machine: MachineUse) -> Iterator[AuditDestination]:
        """Destinations at which a machine group burns bursts."""
        for destination in self.destinations.values():
            if destination.machine is machine:
                yield destination


def destinations_of(site: Network, plan: Plan) -> dict[str, AuditDestination]:
    """Every destination that the plan's stores, machines and batteries make."""
    found = {}
    for store in plan.stores:
        name = f"store:{store.name}"
        found[name] = AuditDestination(name, store.holds, store.place, store=store)
    for machine in plan.machines:
        taken = tuple(site.machines[machine.type].inputs)
        fluid = taken[0] if len(taken) == 1 else None
        if site.machines[machine.type].flare:
            name = f"flare:{machine.name}"
            found[name] = AuditDestination(name, fluid, machine.place, machine=machine)
        for battery in plan.batteries:
            name = f"burn:{machine.name}>{battery.name}"
            found[name] = AuditDestination(
                name, fluid, machine.place, machine=machine, battery=battery
            )
    return found


def shapes_of(site: Network) -> tuple[dict[str, str], dict[str, Profile]]:
    """Shape of each demand, and the profile of each shape; equal profiles share a shape."""
    shape_of: dict[str, str] = {}
    profiles: dict[str, Profile] = {}
    for demand in site.demands.values():
        if demand.profile is None:
            shape_of[demand.name] = FLAT
            continue
        known = next((s for s, p in profiles.items() if p == demand.profile), demand.name)
        profiles.setdefault(known, demand.profile)
        shape_of[demand.name] = known
    return shape_of, profiles


def case_of(site: Network, plan: Plan) -> Case:
    """The case of a plan whose names are all known.

    Raises:
        TooManyIntervalsError: a cycle that cannot be marched.
    """
    firm, whole = plan.basis == "firm", site
    used = [s.name for s in plan.sources if any(s.collect.values()) or any(s.direct.values())]
    # A chamber is filled while its source is on, whether the source is drawn on directly or not.
    used += [behind for name in used if (behind := site.sources[name].part_of)]
    cycles = _cycles(site, used)
    if not firm:
        site = averaged(site, {name: cycle.mean for name, cycle in cycles.items()})
        cycles = _cycles(site, used)
    shape_of, profiles = shapes_of(site)
    return Case(
        site=site,
        plan=plan,
        firm=firm,
        cycles=cycles,
        sure=_sure(site, used, cycles) if firm else cycles,
        shape_of=shape_of,
        profiles=profiles,
        shape_cycles={shape: demand_cycle(profile) for shape, profile in profiles.items()},
        destinations=destinations_of(site, plan),
        whole=whole,
    )


def _cycles(site: Network, names: Iterable[str]) -> dict[str, Cycle]:
    # Sources with the same stages share one cycle, and so one search for the worst window.
    known: dict[tuple[Stage, ...], Cycle] = {}
    found = {}
    for name in names:
        stages = site.sources[name].stages
        if stages not in known:
            known[stages] = source_cycle(stages)
        found[name] = known[stages]
    return found


def _sure(site: Network, names: Iterable[str], cycles: Mapping[str, Cycle]) -> dict[str, Cycle]:
    # Where nothing more is known of a clock, the cycle as it is: one search for all alike.
    timings, known, found = sure_timings(site), {}, {}
    for name in names:
        timing = timings[name]
        if timing == Timing(site.sources[name].stages):
            found[name] = cycles[name]
            continue
        if timing not in known:
            known[timing] = sure_cycle(timing)
        found[name] = known[timing]
    return found


def counts(site: Network, fluid: str) -> bool:
    """True when releasing a fluid is a counted emission on this site."""
    emission = site.fluids[fluid].emission
    return emission == "counted" or (site.count_biogenic and emission == "biogenic")


def class_of(site: Network, machine: MachineType) -> str:
    """``clean`` where a machine releases no counted emission, else ``emitting``."""
    return "emitting" if any(counts(site, fluid) for fluid in machine.outputs) else "clean"

"""Power that nobody uses while its gas counts as burnt: it needs a load bank.

Generation may be more than what is served. Where gas that is not burnt counts as vented, the plan
counts what units take as burnt, so they may not throttle: a load bank takes what is left. Own load
counts as at its peak, and a battery behind bursts as full.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import FLAT, BatteryUse, MachineUse, Plan
from allocator.report.loads import least_factor, loads, peak_factor, run_peak, turnover
from allocator.report.ways import shape_of
from allocator.report.words import quantity
from allocator.site.records import POWER, Profile

NOTHING = 1e-4
"""Share of what is generated that control of units takes up."""
ROUNDS = 60


@dataclass(frozen=True, slots=True)
class LoadBank:
    """A load bank of at least ``power`` W, rounded up, at a place of the site file."""

    place: str
    power: float

    @property
    def words(self) -> str:
        """What it must be."""
        return f"load bank of at least {quantity(self.power, 'power')}"


def load_banks(site: Network, plan: Plan) -> Iterator[LoadBank]:
    """One for each bus whose generators give more than is used, of gas that counts when vented."""
    groups = [use for use in plan.machines if site.machines[use.type].power_out > 0]
    for bus in dict.fromkeys(_bus(site, use.place) for use in groups):
        here = [use for use in groups if _bus(site, use.place) == bus]
        bound = [use for use in here if _counts(site, plan, use)]
        made = math.fsum(_most(site, use) for use in here)
        spare = _steady(site, plan, bus, here) + _bursts(site, plan, bus, bound)
        spare = min(spare, math.fsum(_most(site, use) for use in bound))
        if bound and spare > NOTHING * made:
            largest = max(bound, key=lambda use: _most(site, use))
            yield LoadBank(site.ground(largest.place), _up(spare))


def _bus(site: Network, place: str | None) -> str:
    return site.ground(place) if site.power_lines and place is not None else ""


def _counts(site: Network, plan: Plan, use: MachineUse) -> bool:
    """Whether a group burns gas that is vented, and counts, where nobody takes it."""
    vents = {
        one.fluid
        for source in plan.sources
        for one in (site.sources[source.name],)
        if source.tapped and one.when_untapped == "vents" and site.fluids[one.fluid].vented_weight
    }
    return bool(vents & set(site.machines[use.type].inputs))


def _most(site: Network, use: MachineUse) -> float:
    """W of a group at its peak."""
    steady = math.fsum(load * peak_factor(site, shape) for shape, load in loads(use).items())
    return site.machines[use.type].power_out * (steady + math.fsum(use.burst.values()))


def _steady(site: Network, plan: Plan, bus: str, groups: list[MachineUse]) -> float:
    """W of steady and following power beyond what is served and used at a bus, at its peak."""
    pools: dict[str, float] = {}

    def add(shape: str, power: float) -> None:
        pools[shape] = pools.get(shape, 0.0) + power

    batteries = [use for use in plan.batteries if _bus(site, use.place) == bus]
    worst = min((site.storage[b.type].charge_efficiency for b in batteries), default=1.0)
    for use in groups:
        power = site.machines[use.type].power_out
        add(FLAT, power * (use.flat_load + worst * use.cycled))
        for shape, load in use.following.items():
            add(shape, power * load)
    for recovery in plan.recoveries:
        if _bus(site, site.routes[recovery.route].start) == bus:
            for shape, power in recovery.power.items():
                add(shape, power)
    for line in plan.lines:
        arrives = 1.0 - site.power_lines[line.name].loss
        for start, end, _, shape, sent in line.flows:
            add(
                shape, sent * arrives * (_bus(site, end) == bus) - sent * (_bus(site, start) == bus)
            )
    for battery in batteries:
        for released in battery.release.values():
            for shape, power in released.items():
                add(shape, power)
    for demand in plan.demands:
        if demand.wants != POWER or _bus(site, site.demands[demand.name].place) != bus:
            continue
        levelled = 0.0
        for battery in batteries:
            mine = math.fsum(battery.levelled.get(demand.name, {}).values())
            levelled += mine
            add(FLAT, -mine * _flat_for(site, battery, demand.name))
            add(FLAT, _not_charged(site, battery, demand.name))
        served = demand.mean * (demand.clean_share + demand.emitting_share)
        add(shape_of(site, demand.name), levelled - served)
    add(FLAT, -_own_load(site, plan, bus, batteries))
    return max(0.0, math.fsum(power * peak_factor(site, shape) for shape, power in pools.items()))


def _flat_for(site: Network, battery: BatteryUse, demand: str) -> float:
    """W of flat generation for each W of mean demand that a battery levels."""
    profile = site.demands[demand].profile
    if profile is None:
        return 1.0
    efficiency = site.storage[battery.type].charge_efficiency
    low, high = 0.0, max(profile.levels)
    for _ in range(ROUNDS):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if _charges(profile, middle, efficiency) else (middle, high)
    return high


def _not_charged(site: Network, battery: BatteryUse, demand: str) -> float:
    """W that charge a battery no more once it is full, as it has more generation than the least."""
    profile, more = site.demands[demand].profile, battery.level_surplus.get(demand, {})
    if profile is None:
        return 0.0
    served = [watts for kind, watts in battery.levelled.get(demand, {}).items() if more.get(kind)]
    return math.fsum(served) * (_flat_for(site, battery, demand) - min(profile.levels))


def _charges(profile: Profile, flat: float, efficiency: float) -> bool:
    """Whether what flat generation charges covers what is drawn above it."""
    ends = (*profile.starts[1:], profile.period)
    spans = [end - start for start, end in zip(profile.starts, ends, strict=True)]
    over = [(flat - level) * s for level, s in zip(profile.levels, spans, strict=True)]
    return efficiency * sum(max(0.0, x) for x in over) >= sum(max(0.0, -x) for x in over)


def _own_load(site: Network, plan: Plan, bus: str, batteries: list[BatteryUse]) -> float:
    """W that pumps, coolers, boosters, machines and the loss of batteries take, at the most."""
    found = [use.power for use in plan.boosters if _bus(site, use.start) == bus]
    for use in plan.sources:
        source = site.sources[use.name]
        if source.pump is not None and _bus(site, source.place) == bus:
            direct = [rate * peak_factor(site, shape) for shape, rate in use.direct.items()]
            found.append(source.pump.energy * math.fsum([*use.collect.values(), *direct]))
    for run in plan.runs:
        route = site.routes[run.route]
        if route.energy and _bus(site, route.start) == bus:
            found.append(route.energy * run_peak(site, run))
    for machine in plan.machines:
        kind = site.machines[machine.type]
        if kind.power_in and _bus(site, machine.place) == bus:
            found.append(kind.power_in * turnover(plan, kind, machine)[FLAT])
    for battery in batteries:
        kept = site.storage[battery.type]
        share = kept.part_loss / kept.charge_efficiency
        found.append(share * (battery.level_part + battery.swing_part))
    return math.fsum(found)


def _bursts(site: Network, plan: Plan, bus: str, groups: list[MachineUse]) -> float:
    """W of bursts that come to a full battery which is given more than it promises."""
    found = []
    for battery in plan.batteries:
        if _bus(site, battery.place) != bus:
            continue
        power = math.fsum(
            use.burst.get(battery.name, 0.0) * site.machines[use.type].power_out for use in groups
        )
        out = [shape for shapes in battery.release.values() for shape in shapes.items()]
        least = math.fsum(watts * least_factor(site, shape) for shape, watts in out)
        found.append(max(0.0, power - least))
    return math.fsum(found)


def _up(power: float) -> float:
    """W rounded up to two figures."""
    size = 10.0 ** (math.floor(math.log10(power)) - 1)
    return size * math.ceil(power / size - 1e-9)

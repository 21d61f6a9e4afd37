"""The new things of a plan, each with the key that chains name it by, and its materials."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from allocator.network.records import Network
from allocator.plans.records import BatteryUse, BoosterUse, Plan, StoreUse
from allocator.report.drains import drain_pots
from allocator.report.loads import corridor_of, runs_of_kind
from allocator.report.pressures import booster_into
from allocator.report.words import to_build, units_words
from allocator.site.records import POWER


@dataclass(frozen=True, slots=True)
class Thing:
    """A new thing to build. ``fluid``: what is in it, empty for power. ``materials``: kg."""

    key: str
    kind: str
    what: str
    where: str
    fluid: str
    materials: Mapping[str, float]

    @property
    def mass(self) -> float:
        """kg of material that goes into it."""
        return sum(self.materials.values())


def things_of(site: Network, plan: Plan) -> dict[str, Thing]:
    """All new things by key; machines a unit each: ``machine:type@place#1``."""
    found = [
        *_machines(site, plan),
        *_stores(site, plan),
        *_lines(site, plan),
        *_boosters(site, plan),
        *_runs(site, plan),
        *_drains(site, plan),
        *_taps(site, plan),
    ]
    return {thing.key: thing for thing in found}


def _taps(site: Network, plan: Plan) -> list[Thing]:
    found = []
    for use in plan.sources:
        if use.tapped and use.new:
            source = site.sources[use.name]
            found.append(
                Thing(
                    f"tap:{use.name}",
                    "tap",
                    f"connection of {use.name}",
                    site.ground(source.place),
                    source.fluid,
                    source.connection_materials,
                )
            )
    return found


def booster_key(use: BoosterUse) -> str:
    """The key of a booster."""
    return f"booster:{use.booster}@{use.start}>{use.route or use.store}"


def _boosters(site: Network, plan: Plan) -> list[Thing]:
    return [
        Thing(
            booster_key(use),
            "booster",
            f"{use.booster} for {use.fluid}, into {booster_into(site, use)}",
            site.ground(use.start),
            use.fluid,
            site.boosters[use.booster].materials,
        )
        for use in plan.boosters
        if use.new
    ]


def _drains(site: Network, plan: Plan) -> list[Thing]:
    return [
        Thing(pot.key, "drain", pot.what, pot.where, pot.drain.fluid, {})
        for pot in drain_pots(site, plan)
        if pot.new
    ]


_LAID = ("pipe", "cooler", "sink")


def _runs(site: Network, plan: Plan) -> list[Thing]:
    found: dict[str, Thing] = {}
    for run in (run for kind in _LAID for run in runs_of_kind(site, plan, kind)):
        if not run.new:
            continue
        route, build = site.routes[run.route], site.pipes[run.build]
        key = f"run:{run.route}:{run.fluid}"
        materials = dict(found[key].materials) if key in found else {}
        for material, kg in build.masses(route.length).items():
            materials[material] = materials.get(material, 0.0) + kg
        if route.stream is not None and route.stream.kind in ("cooler", "sink"):
            what, where = f"{units_words(run.build)} for {run.fluid}", site.ground(route.start)
        else:
            what = f"{to_build(route.length, 'length')} of {run.build} for {run.fluid}"
            ends = f"{site.ground(route.start)} to {site.ground(route.end)}"
            where = f"{corridor_of(route)}: {ends}"
        if key in found:  # two builds side by side are laid as one
            what = f"{found[key].what}; {what}"
        kind = "run" if route.stream is None else route.stream.kind.replace("pipe", "run")
        found[key] = Thing(key, kind, what, where, run.fluid, materials)
    return list(found.values())


def _lines(site: Network, plan: Plan) -> list[Thing]:
    found = []
    for use in plan.lines:
        if use.new:
            line = site.power_lines[use.name]
            materials = {name: mass * line.length for name, mass in line.materials.items()}
            what = f"{to_build(line.length, 'length')} of power line"
            where = f"{use.name}: {line.start} to {line.end}"
            found.append(Thing(f"line:{use.name}", "line", what, where, "", materials))
    return found


def _stores(site: Network, plan: Plan) -> list[Thing]:
    found = []
    uses: list[StoreUse | BatteryUse] = [*plan.stores, *plan.batteries]
    for use in uses:
        if use.new_size <= 0:
            continue
        kind = site.storage[use.type]
        materials = {name: mass * use.new_size for name, mass in kind.materials.items()}
        if use.size == use.new_size:
            for name, mass in kind.base_materials.items():
                materials[name] = materials.get(name, 0.0) + mass
        power = kind.holds == POWER
        size = to_build(use.new_size, "energy" if power else "mass")
        key, fluid = f"store:{use.name}", "" if power else kind.holds
        what = f"{use.type} of {size}"
        found.append(Thing(key, "store", what, site.ground(use.place), fluid, materials))
    return found


def _machines(site: Network, plan: Plan) -> list[Thing]:
    found = []
    for use in plan.machines:
        kind = site.machines[use.type]
        for number in range(1, use.new + 1):
            key = f"machine:{use.name}#{number}"
            what = f"{use.type}, {number} of {use.new} new"
            if number == 1 and use.buffer_vessel:
                held = use.buffer_vessel.items()
                what += "; buffer vessel for " + " and ".join(
                    f"{to_build(kg, 'mass')} {fluid}" for fluid, kg in held
                )
            where = site.ground(use.place)
            found.append(Thing(key, "machine", what, where, "", kind.materials))
    return found

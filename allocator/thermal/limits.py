"""Every limit of temperature and heat, and what a plan comes to."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from allocator.network.records import Network
from allocator.plans.records import HeatLimit, Plan
from allocator.thermal.temperatures import CarriedHeat, FoundTemperatures


def limits_met(
    site: Network, plan: Plan, states: Mapping[str, Sequence[FoundTemperatures]]
) -> tuple[HeatLimit, ...]:
    """The worst of all states at each limit; ``states``: fluid -> what was found in each state."""
    worst: dict[tuple[str, str], HeatLimit] = {}
    for fluid, founds in states.items():
        for found in founds:
            checks = [*_inlets(site, plan, fluid, found), *_pumps(site, plan, fluid, found)]
            for carried in found.carried:
                checks += _run(site, carried)
            for check in checks:
                key = (check.subject, check.what)
                if key not in worst or check.value > worst[key].value:
                    worst[key] = check
    return tuple(worst.values())


def _inlets(site: Network, plan: Plan, fluid: str, found: FoundTemperatures) -> Iterator[HeatLimit]:
    for machine in plan.machines:
        kind = site.machines[machine.type]
        if (
            fluid in kind.inputs
            and kind.max_inlet_temperature is not None
            and machine.place in found.at
        ):
            name = f"machine {machine.type} at {site.ground(machine.place)}"
            yield _inlet(name, fluid, found.at[machine.place], kind.max_inlet_temperature)
    for store in plan.stores:
        most = site.storage[store.type].max_inlet_temperature
        if store.holds == fluid and most is not None and store.place in found.at:
            name = f"store {store.type} at {site.ground(store.place)}"
            # a booster at its inlet gives it gas as hot as the site says that may be
            blown = [b.booster for b in plan.boosters if b.store == store.name]
            hot = [site.boosters[booster].discharge_temperature or 0.0 for booster in blown]
            yield _inlet(name, fluid, max(found.at[store.place], *hot, 0.0), most)
    for demand in site.demands.values():
        most, place = demand.max_inlet_temperature, demand.place
        if demand.wants == fluid and most is not None and place is not None and place in found.at:
            yield _inlet(f"demand {demand.name}", fluid, found.at[place], most)


def _inlet(subject: str, fluid: str, value: float, most: float) -> HeatLimit:
    return HeatLimit(subject, f"{fluid} taken in", "K", value, most)


def _pumps(site: Network, plan: Plan, fluid: str, found: FoundTemperatures) -> Iterator[HeatLimit]:
    """A pump stands at the mouth; where that is too hot for it, behind the coolers there, or the

    heat sink."""
    for use in plan.sources:
        source = site.sources[use.name]
        pump = source.pump
        if source.fluid != fluid or pump is None or pump.max_inlet_temperature is None:
            continue
        if not any(use.collect.values()) and not any(use.direct.values()):
            continue
        kelvin = source.temperature or site.ambient.temperature
        if kelvin > pump.max_inlet_temperature:
            behind = [c.outlet for c in found.carried if c.flow.start == source.place]
            if not behind:
                continue
            kelvin = max(behind)
        yield HeatLimit(
            f"pump of {use.name}", f"{fluid} taken in", "K", kelvin, pump.max_inlet_temperature
        )


def _run(site: Network, carried: CarriedHeat) -> Iterator[HeatLimit]:
    run = carried.flow.run
    route, build = site.routes[run.route], site.pipes[run.build]
    if route.stream is not None and route.stream.kind != "pipe":
        return
    name = f"run {run.route}" if route.stream is not None else f"run {run.route} of {run.fluid}"
    if route.max_surface_temperature is not None and carried.surface is not None:
        yield HeatLimit(name, "surface", "K", carried.surface, route.max_surface_temperature)
    if route.heat_limit is not None:
        yield HeatLimit(name, "heat released", "W", carried.loss, route.heat_limit)
    if build.max_temperature is not None:
        yield HeatLimit(
            name, f"{run.fluid} in {run.build}", "K", carried.inlet, build.max_temperature
        )

"""A site on which all that a plan builds exists already, and nothing more may be built.

Planning such a site is operating the plan: valves and shares are set anew, nothing is moved.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from allocator.network.deriving import studied
from allocator.network.pressure_records import FluidPressures
from allocator.network.records import Network
from allocator.plans.records import BatteryUse, Plan, StoreUse
from allocator.site.records import Built, BuiltBooster, BuiltPipe, Limits, StoreType

OPERATED = ("clean_power", "served_power", "served_fluid")
"""The goals that operation can serve: what is new costs nothing any more."""


def as_built(site: Network, plan: Plan) -> Network:
    """The site with the plan standing: its taps, pipes, lines, stores and machines, no others.

    Shares that a demand must have are dropped: what is short is seen in what is served.
    """
    sources = {use.name: site.sources[use.name] for use in plan.sources if use.tapped}
    # One type a place, so that no place may grow to the size that another has.
    stores: dict[str, StoreType] = {}
    sizes: dict[tuple[str, str], float] = {}
    holders: tuple[StoreUse | BatteryUse, ...] = (*plan.stores, *plan.batteries)
    for use in holders:
        if use.size > 0:
            stores[use.name] = replace(
                site.storage[use.type],
                name=use.name,
                places=(use.place,),
                max_size=use.size,
                min_size=0.0,
                unit=None,
            )
            sizes[use.name, use.place] = use.size
    counts = {(use.type, use.place): use.count for use in plan.machines if use.count > 0}
    machines = {
        name: replace(
            kind, places={p: n for (t, p), n in counts.items() if t == name}, max_units=None
        )
        for name, kind in site.machines.items()
        if any(t == name for t, _ in counts)
    }
    laid: dict[str, dict[tuple[str, str], float]] = {}
    for run in plan.runs:
        held = laid.setdefault(run.route, {})
        held[run.build, run.fluid] = site.capacity(run.route, run.build, run.fluid)
    routes = {
        name: replace(site.routes[name], pipes=tuple({b: 0 for b, _ in held}), capacities=held)
        for name, held in laid.items()
    }
    lines = {use.name: site.power_lines[use.name] for use in plan.lines}
    return studied(
        site,
        pressures={fluid: _pressures(one, plan) for fluid, one in site.pressures.items()},
        sources=sources,
        storage=stores,
        machines=machines,
        routes=routes,
        power_lines=lines,
        demands={n: replace(d, min_share=0.0) for n, d in site.demands.items()},
        places={n: replace(p, heat_demand=None) for n, p in site.places.items()},
        built=Built(
            sources=tuple(sources),
            pipes=tuple(BuiltPipe(run.route, run.build, run.fluid) for run in plan.runs),
            power_lines=tuple(lines),
            storage=sizes,
            machines=counts,
            boosters=tuple(
                BuiltBooster(
                    use.booster,
                    site.ground(use.start),
                    use.fluid,
                    use.route or None,
                    use.store.partition("@")[0] or None,
                )
                for use in plan.boosters
            ),
        ),
        limits=Limits(emission=site.limits.emission),
        goals=tuple(goal for goal in site.goals if goal in OPERATED) or OPERATED,
    )


def _pressures(one: FluidPressures, plan: Plan) -> FluidPressures:
    """Pressures of a fluid where every store is a type of its own, and boosters are the plan's."""
    kinds = {use.name: use.type for use in plan.stores}
    standing = {(use.booster, use.route, use.start, use.store) for use in plan.boosters}

    def renamed(known: Mapping[tuple[str, str], float]) -> dict[tuple[str, str], float]:
        mine = {
            ("storage", name): known["storage", kind]
            for name, kind in kinds.items()
            if ("storage", kind) in known
        }
        return {**known, **mine}

    return replace(
        one,
        stores={name: one.stores[kind] for name, kind in kinds.items() if kind in one.stores},
        ratings=renamed(one.ratings),
        shut_in=renamed(one.shut_in),
        boosters=tuple(
            replace(option, existing=True, store=_place_added(option.store))
            for option in one.boosters
            if (option.booster, option.route, option.start, option.store) in standing
        ),
    )


def _place_added(store: str) -> str:
    """`type@place` of a store that is a type of its own."""
    return f"{store}@{store.partition('@')[2]}" if store else ""

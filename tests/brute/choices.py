"""Every choice of whole numbers of a small site: what is tapped, laid, stood and run.

Written from the site's records alone, with nothing of the planning code.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from allocator.site.records import POWER, MachineType, Site, Source


@dataclass(frozen=True)
class State:
    """A machine type at a place: units that stand, that turn for ever, and how others run.

    ``cycling``: one more unit may be run on and off for a steady mean load; ``batch_draw``: units
    may be run on and off for what comes and goes.
    """

    count: int
    running: int
    cycling: bool
    batch_draw: bool


@dataclass(frozen=True)
class Whole:
    """The whole numbers of a plan.

    ``lay``: route -> build or None. ``units``: whole units of a store that comes in units, by
    (type, place). ``stands``: whether a store with a base or a least size stands. ``guards``: the
    flare that burns what overflows of a store, or None, by (type, place).
    """

    tap: Mapping[str, int]
    lay: Mapping[str, str | None]
    states: Mapping[tuple[str, str], State]
    units: Mapping[tuple[str, str], int]
    stands: Mapping[tuple[str, str], int]
    guards: Mapping[tuple[str, str], str | None]


def own_sources(site: Site) -> dict[str, Source]:
    """The sources of the site file, without what the engine adds to them."""
    return {n: s for n, s in site.sources.items() if not getattr(s, "part_of", "")}


def spots(site: Site) -> list[tuple[MachineType, str]]:
    """Machine types by place."""
    return [(machine, place) for machine in site.machines.values() for place in machine.places]


def has_battery(site: Site) -> bool:
    """Whether power may be stored."""
    return any(kind.holds == POWER for kind in site.storage.values())


def uneven(machine: MachineType) -> bool:
    """Whether fuel is not in proportion to load all the way down to nothing."""
    return machine.no_load > 0 or machine.min_load > 0


def _states(site: Site, machine: MachineType, place: str, firm: bool) -> list[State]:
    most = machine.places[place] or 0
    if not firm or not uneven(machine):
        # Any load of what stands is possible: which of the units turn is of no account.
        return [State(count, count, False, False) for count in range(most + 1)]
    cycled = machine.power_out > 0 and has_battery(site)
    either = (False, True) if cycled else (False,)
    found = []
    for count in range(most + 1):
        for running in range(count + 1):
            for cycling, batch_draw in itertools.product(either, either):
                if running < count or not (cycling or batch_draw):
                    found.append(State(count, running, cycling, batch_draw))
    return found


def choices(site: Site, firm: bool) -> Iterator[Whole]:
    """Every choice that the stocks allow."""
    # What costs nothing to have is had: tapping without material hurts no goal.
    taps = [
        (0, 1) if source.connection_materials else (1,) for source in own_sources(site).values()
    ]
    lays = [(None, *route.pipes) for route in site.routes.values()]
    groups = spots(site)
    states = [_states(site, machine, place, firm) for machine, place in groups]
    sited = [(kind, place) for kind in site.storage.values() if firm for place in kind.places]
    united = [(kind, place) for kind, place in sited if kind.unit is not None]
    stored = [(kind, place) for kind, place in sited if kind.holds != POWER]
    guards = [
        [None] + [m.name for m, p in groups if m.flare and p == place and kind.holds in m.inputs]
        for kind, place in stored
    ]
    based = [(kind, place) for kind, place in sited if kind.base_materials or kind.min_size > 0]
    for tap, lay, state, unit, stand, guard in itertools.product(
        itertools.product(*taps),
        itertools.product(*lays),
        itertools.product(*states),
        itertools.product(*[range(round(k.max_size / (k.unit or 1.0)) + 1) for k, _ in united]),
        itertools.product(*[(0, 1) for _ in based]),
        itertools.product(*guards),
    ):
        whole = Whole(
            tap=dict(zip(own_sources(site), tap, strict=True)),
            lay=dict(zip(site.routes, lay, strict=True)),
            states={(m.name, p): s for (m, p), s in zip(groups, state, strict=True)},
            units={(k.name, p): u for (k, p), u in zip(united, unit, strict=True)},
            stands={(k.name, p): u for (k, p), u in zip(based, stand, strict=True)},
            guards={(k.name, p): g for (k, p), g in zip(stored, guard, strict=True)},
        )
        if all(used(site, whole, n) <= (m.stock or 0.0) for n, m in site.materials.items()):
            yield whole


def used(site: Site, whole: Whole, material: str) -> float:
    """kg of a material in what is counted in whole numbers, but for stores by size."""
    kilograms = 0.0
    for name, tapped in whole.tap.items():
        kilograms += site.sources[name].connection_materials.get(material, 0.0) * tapped
    for route, build in whole.lay.items():
        if build is not None:
            metre = sum(x.mass for x in site.pipes[build].layers if x.material == material)
            kilograms += metre * site.routes[route].length
    for (kind, _), state in whole.states.items():
        kilograms += site.machines[kind].materials.get(material, 0.0) * state.count
    for (kind, _), stands in whole.stands.items():
        kilograms += site.storage[kind].base_materials.get(material, 0.0) * stands
    return kilograms

"""The build order: what comes first, what each step needs, and what it unlocks."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from itertools import takewhile

from allocator.network.records import Network
from allocator.plans.records import Plan
from allocator.report.handover.chains import Chain, chains_of
from allocator.report.handover.firm_stages import FirmStages
from allocator.report.handover.things import Thing, things_of
from allocator.report.tags import valve_tags, valves_of, valves_of_runs
from allocator.report.words import quantity, to_build

DAY = 86400.0
LIGHT = 1.0
"""kg that a chain without material counts as, so that chains can be compared."""

LATER = "firm with a later stage"
"""What a chain unlocks that alone gives nothing, such as gas below the least load of a unit."""

_RANK = {
    "machine": 0,
    "store": 1,
    "line": 2,
    "run": 3,
    "booster": 4,
    "cooler": 4,
    "sink": 4,
    "drain": 5,
    "tap": 6,
}
_DOES = {
    "machine": "install",
    "store": "build",
    "line": "erect",
    "run": "lay",
    "drain": "fit",
    "booster": "install",
    "cooler": "install",
    "sink": "install",
    "tap": "connect",
}
_TESTED = ("run", "booster", "cooler", "sink")


@dataclass(frozen=True, slots=True)
class BuildStep:
    """A step of the build. ``key``: of the thing it is about, ``test KEY`` for a pressure test.

    ``mass``: kg of material; ``mass_so_far`` with all before it.

    ``after``: numbers of steps that must be done before. ``unlocks``: in words. ``firm_power``: W
    promised once it is done (mean W on the mean basis), as far as the steps so far carry it.
    ``done``: s from the start, for a crew of known rate. ``due``: s until the source's next
    active spell. ``note``: what to mind. ``valves``: tags of the valves that belong to it.
    """

    number: int
    key: str
    action: str
    what: str
    where: str
    materials: str
    mass: float
    mass_so_far: float
    after: tuple[int, ...]
    unlocks: str
    firm_power: float
    done: float | None
    due: float | None
    note: str
    valves: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class _Draft:
    """A step before it has its number: ``key`` names it, ``after`` are keys."""

    key: str
    action: str
    what: str
    where: str
    thing: Thing | None
    after: tuple[str, ...]
    unlocks: str
    gain: float
    due: float | None
    note: str


def build_order(site: Network, plan: Plan, crew: float | None = None) -> tuple[BuildStep, ...]:
    """Steps in the order in which to build.

    The chains of the promise are built one after the other, each time the one that adds most firm
    power for a kg that is still to be built, or where none does, the one with the largest share of
    the whole plan's for a kg (a greedy order, not proven best). Within a
    chain: machines, stores, lines, pipe from the user's end, a pressure test of each new run,
    connections (the one whose spell comes next first), then purge and first gas. One that would
    miss the source's next active spell is moved to the front where that helps. ``crew``: kg/s of
    material that the crew builds; without it no step has a time.
    """
    if crew is not None and not (math.isfinite(crew) and crew > 0):
        raise ValueError(f"the crew's rate must be above 0 kg/s (got {crew!r})")
    things = things_of(site, plan)
    drafts = _chained(site, plan, things)
    if crew is not None:
        drafts = _in_time(drafts, crew)
    return _numbered(drafts, crew, valves_by_thing(site, plan))


def valves_by_thing(site: Network, plan: Plan) -> dict[str, tuple[str, ...]]:
    """Tags of the valves of a thing, or at the ends of a run, by the key of the thing."""
    tags = valve_tags(site, plan)
    found = {f"tap:{use.name}": valves_of(tags, use.name) for use in plan.sources}
    found |= {f"store:{use.name}": valves_of(tags, use.name) for use in plan.stores}
    for (route, fluid), own in valves_of_runs(site, plan, tags).items():
        found[f"run:{route}:{fluid}"] = own
    return found


def _chained(site: Network, plan: Plan, things: dict[str, Thing]) -> list[_Draft]:
    chains = chains_of(site, plan)
    stages = FirmStages(site, plan, chains)
    waiting = list(range(len(chains)))
    begun: list[int] = []
    existing = {m.name: m.count - m.new for m in plan.machines}
    wanted = dict.fromkeys(existing, 0.0)
    done: set[str] = set()
    drafts: list[_Draft] = []

    def added(number: int) -> tuple[float, list[Thing]]:
        *_, gain = stages.gains([*begun, number])
        return gain, _missing(chains[number], things, done, existing, wanted)

    while waiting:
        best = max(waiting, key=lambda number: _worth(chains[number], *added(number)))
        gain, missing = added(best)
        waiting.remove(best)
        begun.append(best)
        for name, units in chains[best].units.items():
            wanted[name] += units
        done |= {thing.key for thing in missing}
        drafts += _steps_of(site, chains[best], missing, gain)
    rest = [thing for key, thing in things.items() if key not in done]
    if rest:
        drafts += _steps_of(site, None, rest, 0.0)
    return drafts


def _worth(chain: Chain, gain: float, missing: Iterable[Thing]) -> tuple[bool, float, float]:
    mass = max(LIGHT, sum(thing.mass for thing in missing))
    return chain.power > 0, gain / mass, chain.power / mass


def _missing(
    chain: Chain,
    things: dict[str, Thing],
    done: set[str],
    existing: dict[str, int],
    wanted: dict[str, float],
) -> list[Thing]:
    keys = list(chain.needs)
    for name, units in chain.units.items():
        number = math.ceil(wanted[name] + units - 1e-6) - existing[name]
        units_by_number = (f"machine:{name}#{k}" for k in range(1, number + 1))
        # a plan that fails its audit may ask for more units than there are
        keys += takewhile(things.__contains__, units_by_number)
    return [things[key] for key in keys if key in things and key not in done]


def _steps_of(
    site: Network, chain: Chain | None, missing: list[Thing], gain: float
) -> list[_Draft]:
    drafts = []
    tests = []
    for thing in sorted(missing, key=lambda t: (_RANK[t.kind], _due(site, t))):
        due = _due(site, thing)
        after = [f"test {t.key}" for t in missing if t.kind in _TESTED and t.fluid == thing.fluid]
        drafts.append(
            _Draft(
                key=thing.key,
                action=_DOES[thing.kind],
                what=thing.what,
                where=thing.where,
                thing=thing,
                after=tuple(after) if thing.kind == "tap" else (),
                unlocks="",
                gain=0.0,
                due=due if math.isfinite(due) else None,
                note="",
            )
        )
        if thing.kind in _TESTED:
            tests.append(_test(site, thing))
    taps = [draft for draft in drafts if draft.action == "connect"]
    built = [draft for draft in drafts if draft.action != "connect"]
    out = [*built, *tests, *taps]
    title = "all other items" if chain is None else chain.title
    needed = [draft.key for draft in out]
    for key in () if chain is None else chain.needs:
        needed += [key, f"test {key}"]  # of earlier chains as well
    fluids = sorted({thing.fluid for thing in missing if thing.fluid})
    power = f"{quantity(gain, 'power')} firm" if gain > 0 else ""
    action = "purge and start" if fluids else "start"
    if chain is not None and chain.power <= 0:
        power = "fluid demand"
    elif chain is not None and gain <= 0:
        power, action = LATER, "purge, do not run" if fluids else "do not run"
    out.append(
        _Draft(
            key=f"start {title}",
            action=action,
            what=title,
            where="",
            thing=None,
            after=tuple(dict.fromkeys(needed)),
            unlocks=power,
            gain=gain,
            due=None,
            note=_starting(site, missing, fluids),
        )
    )
    return out


def _test(site: Network, thing: Thing) -> _Draft:
    gas = site.fluids[thing.fluid].phase == "gas"
    note = "before first gas" if gas else "before first fill"
    return _Draft(
        key=f"test {thing.key}",
        action="pressure-test",
        what=thing.what,
        where=thing.where,
        thing=None,
        after=(thing.key,),
        unlocks="",
        gain=0.0,
        due=None,
        note=note,
    )


def _starting(site: Network, missing: list[Thing], fluids: list[str]) -> str:
    burns = [name for name in fluids if site.fluids[name].heating_value is not None]
    gases = [name for name in burns if site.fluids[name].phase == "gas"]
    notes = [f"purge all air before the first {', '.join(gases)}"] if gases else []
    if any(site.machines[_machine_of(thing)].flare for thing in missing if thing.kind == "machine"):
        notes.insert(0, "flare ready before any gas")
    stores = [f"{thing.what} at {thing.where}" for thing in missing if thing.kind == "store"]
    if stores:
        notes.append(f"no firm output before it is full: {', '.join(stores)}")
    return "; ".join(notes)


def _machine_of(thing: Thing) -> str:
    """The type of a machine of the things to build."""
    return thing.key.partition(":")[2].rpartition("@")[0]


def _due(site: Network, thing: Thing) -> float:
    if thing.kind != "tap":
        return math.inf
    spell = site.sources[thing.key.partition(":")[2]].next_start
    return math.inf if spell is None else spell


def _in_time(drafts: list[_Draft], crew: float) -> list[_Draft]:
    """Connections that would miss their next spell moved ahead, where that is in time.

    The one that is due first is looked at first, so that later ones do not push it out again.
    A connection may stand before its pipe: it is shut until the purge.
    """
    late = sorted((d for d in drafts if d.due is not None), key=lambda d: d.due or 0.0)
    ahead: list[_Draft] = []
    for draft in late:
        assert draft.due is not None
        order = [*ahead, *(d for d in drafts if d not in ahead)]
        if _finish(order, draft, crew) <= draft.due:
            continue
        early = replace(
            draft, after=(), note="early, for the next spell; stays shut until the purge"
        )
        if _finish([*ahead, early], early, crew) <= draft.due:
            ahead.append(early)
            drafts = [early if d is draft else d for d in drafts]
    return [*ahead, *(d for d in drafts if d not in ahead)]


def _finish(order: list[_Draft], draft: _Draft, crew: float) -> float:
    mass = 0.0
    for one in order:
        mass += one.thing.mass if one.thing else 0.0
        if one is draft:
            break
    return mass / crew


def _numbered(
    drafts: list[_Draft], crew: float | None, valves: Mapping[str, tuple[str, ...]]
) -> tuple[BuildStep, ...]:
    numbers: dict[str, int] = {}
    steps = []
    so_far, power = 0.0, 0.0
    for number, draft in enumerate(drafts, 1):
        numbers[draft.key] = number
        mass = draft.thing.mass if draft.thing else 0.0
        so_far += mass
        power += draft.gain
        done = None if crew is None else so_far / crew
        note = draft.note
        if draft.due is not None and done is not None:
            early = draft.due - done
            told = quantity(abs(early), "duration")
            when = f"{told} before the next active spell"
            if early < 0:
                when = f"MISSES the next active spell by {told}"
            note = f"{note}; {when}" if note else when
        used = draft.thing.materials.items() if draft.thing else ()
        steps.append(
            BuildStep(
                number=number,
                key=draft.key,
                action=draft.action,
                what=draft.what,
                where=draft.where,
                materials="; ".join(f"{to_build(kg, 'mass')} {name}" for name, kg in used if kg),
                mass=mass,
                mass_so_far=so_far,
                after=tuple(sorted(numbers[key] for key in draft.after if key in numbers)),
                unlocks=draft.unlocks,
                firm_power=power,
                done=done,
                due=draft.due,
                note=note,
                valves=valves.get(draft.key.removeprefix("test "), ()),
            )
        )
    return tuple(steps)

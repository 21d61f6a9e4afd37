"""What two plans have differently: each thing kept, changed, moved, new or lost."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from allocator.plans.records import Plan

KEPT, CHANGED, MOVED, NEW, LOST = "kept", "changed", "moved", "new", "lost"
PASSAGE = "passage"
"""Build of an arc within a place, as the network names it."""
SAME_SIZE = 1e-3
"""Share of a size by which two sizes must differ at the least for a crew to build otherwise."""


@dataclass(frozen=True, slots=True)
class Difference:
    """A thing of either plan, existing or new.

    ``kind``: source, pipe, cooler, power line, storage, generator or booster. ``what``: its type,
    or its name. ``where``: its place, or its route with the fluid. ``before``, ``after``: kg or J
    of storage, units of machines, 1 of all else; 0 where a plan has none. ``dimension`` of
    both: ``mass``, ``energy``, or empty for a number. ``fate``: ``kept``, ``changed`` (another
    size, number or pipe), ``moved`` (from the place in ``was``), ``new`` or ``lost``. ``was``: the
    pipe or place in the earlier plan where that differs.
    """

    kind: str
    what: str
    where: str
    before: float
    after: float
    dimension: str
    fate: str
    was: str = ""


@dataclass(frozen=True, slots=True)
class _Thing:
    """``slot``: where the same thing would be in another plan. ``amount``: how much of it."""

    kind: str
    slot: tuple[str, ...]
    what: str
    where: str
    amount: float
    dimension: str = ""


def differences(before: Plan, after: Plan) -> tuple[Difference, ...]:
    """All things of two plans, by kind and in the order of the later plan, lost ones last.

    A thing of a type that one place loses and another gets, as much of it, has moved.
    """
    found: list[Difference] = []
    for things in _KINDS:
        old = {thing.slot: thing for thing in things(before)}
        new = {thing.slot: thing for thing in things(after)}
        found += _moved([_difference(old.get(s), new.get(s)) for s in {**new, **old}])
    return tuple(found)


def ground(name: str) -> str:
    """What the site file calls a place or route: parts, by temperature, change with the site."""
    return name.partition(":")[0]


def _difference(old: _Thing | None, new: _Thing | None) -> Difference:
    one = new or old
    assert one is not None
    before, after = (0.0 if thing is None else thing.amount for thing in (old, new))
    fate, was = (LOST if new is None else NEW), ""
    if old is not None and new is not None:
        same = abs(after - before) <= SAME_SIZE * max(before, after) and old.what == new.what
        fate = KEPT if same else CHANGED
        was = "" if old.what == new.what else old.what
    return Difference(one.kind, one.what, one.where, before, after, one.dimension, fate, was)


def _moved(found: list[Difference]) -> list[Difference]:
    """Pairs of a lost and a new thing of one type and amount, as one thing that moved."""
    lost = [one for one in found if one.fate == LOST]
    moved: list[Difference] = []
    for one in found:
        pair = None
        if one.fate == NEW and one.kind in ("storage", "generator"):
            pair = next((o for o in lost if _alike(o, one)), None)
        if pair is None:
            moved.append(one)
        else:
            lost.remove(pair)
            moved.append(replace(one, before=pair.before, fate=MOVED, was=pair.where))
    return [one for one in moved if one.fate != LOST or one in lost]


def _alike(old: Difference, new: Difference) -> bool:
    same_amount = abs(new.after - old.before) <= SAME_SIZE * old.before
    return old.what == new.what and same_amount


def _sources(plan: Plan) -> Iterator[_Thing]:
    for use in plan.sources:
        if use.tapped and not use.from_chamber:
            yield _Thing("source", (use.name,), use.name, "", 1.0)


def _pipes(plan: Plan) -> Iterator[_Thing]:
    """Pipes and coolers. Pipes of a fluid on a route, one a temperature, are told apart by number.

    A passage within a place is no thing that anybody builds.
    """
    coolers = set() if plan.heat is None else {cooler.route for cooler in plan.heat.coolers}
    met: Counter[tuple[str, str]] = Counter()
    for run in plan.runs:
        if run.build == PASSAGE:
            continue
        corridor = ground(run.route)
        met[corridor, run.fluid] += 1
        slot = (corridor, run.fluid, str(met[corridor, run.fluid]))
        kind = "cooler" if run.route in coolers else "pipe"
        yield _Thing(kind, slot, run.build, f"{corridor}, {run.fluid}", 1.0)


def _lines(plan: Plan) -> Iterator[_Thing]:
    for line in plan.lines:
        yield _Thing("power line", (line.name,), line.name, "", 1.0)


def _stores(plan: Plan) -> Iterator[_Thing]:
    for store in plan.stores:
        place, size = ground(store.place), store.size
        yield _Thing("storage", (store.type, place), store.type, place, size, "mass")
    for battery in plan.batteries:
        place, size = ground(battery.place), battery.size
        yield _Thing("storage", (battery.type, place), battery.type, place, size, "energy")


def _machines(plan: Plan) -> Iterator[_Thing]:
    for use in plan.machines:
        if use.count > 0:
            place = ground(use.place)
            yield _Thing("generator", (use.type, place), use.type, place, float(use.count))


def _boosters(plan: Plan) -> Iterator[_Thing]:
    """Boosters, at a place of the file by the corridor or store into which they blow."""
    met: Counter[tuple[str, ...]] = Counter()
    for use in plan.boosters:
        place, into = ground(use.start), ground(use.route or use.store)
        met[use.fluid, place, into] += 1
        slot = (use.fluid, place, into, str(met[use.fluid, place, into]))
        yield _Thing("booster", slot, use.booster, f"{place}, into {into}", 1.0)


_KINDS: tuple[Callable[[Plan], Iterator[_Thing]], ...] = (
    _sources,
    _pipes,
    _lines,
    _stores,
    _machines,
    _boosters,
)

"""Where what would spill of a tank goes: the ways on which machines and batteries still take it.

A store releases no more than its limit, of which its promise comes first, and a pipe carries no
more than what the plan leaves of it. Each way is laid out at its greatest width, in the order in
which units start: what one takes is no longer there for those after it.
"""

from __future__ import annotations

from allocator.verify.case import Case
from allocator.verify.tanks.circuit import Burner, CircuitArc, Tank
from allocator.verify.tanks.feeds import spare_room, widest_way

PLENTY = 1e18
"""A capacity that is no limit."""


def ways_to_burn(
    case: Case, tanks: list[Tank], burners: list[Burner], owners: list[str | None]
) -> list[CircuitArc]:
    """Ways from what would spill to burners: clean ones first, units that turn before others.

    All ways out of a store share what it may release beyond its promise, in that order.
    """
    machines = {machine.name: machine for machine in case.plan.machines}
    stores = {store.name: store for store in case.plan.stores}
    rooms = {fluid: spare_room(case, fluid) for fluid in case.site.fluids}
    found = []
    points = case.plan.set_points
    first = {} if points is None else {name: i for i, name in enumerate(points.start_order)}
    last = len(first)
    left: dict[tuple[int, str], float] = {}
    spare = [PLENTY if tank.name not in stores else _spare_release(case, tank) for tank in tanks]
    order = sorted(
        range(len(burners)),
        key=lambda b: (not burners[b].clean, first.get(owners[b] or "", last), b),
    )
    for b in order:
        burner, owner = burners[b], owners[b]
        for k, tank in enumerate(tanks):
            if owner is None:
                if tank.name == burner.name:
                    found.append(CircuitArc(k, b, PLENTY))
                continue
            store, machine = stores.get(tank.name), machines[owner]
            if store is None or store.holds not in case.machine_type(machine).inputs:
                continue
            if burner.run > 0 and (k, owner) in left:
                found += _batch_arc(k, b, burner, left, owner)
                continue
            if store.place == machine.place:
                units = machine.running if burner.group < 0 else machine.count
                width = _shared(spare, k, units * burner.take)
                if burner.run > 0:
                    left[k, owner] = width
                    found += _batch_arc(k, b, burner, left, owner)
                else:
                    found.append(CircuitArc(k, b, width))
                continue
            if burner.group < 0:
                continue  # one way is laid out once: for the units that stand still
            room = rooms[store.holds]
            width, way = widest_way(store.place, machine.place, room)
            (take,) = case.machine_type(machine).inputs.values()
            width = _shared(spare, k, min(width, machine.count * take))
            if width <= 0:
                left[k, owner] = 0.0
                continue
            for start, end in way:
                for arc in ((start, end), (end, start)):
                    if arc in room:
                        room[arc] -= width
            if burner.run > 0:
                left[k, owner] = width
                found += _batch_arc(k, b, burner, left, owner)
            else:
                found.append(CircuitArc(k, b, width))
    return found


def _batch_arc(
    k: int, b: int, burner: Burner, left: dict[tuple[int, str], float], owner: str
) -> list[CircuitArc]:
    """The way of one lot, in what is ``left`` of the way of its group: none below its least."""
    units = burner.capacity.steady
    most = min(left[k, owner], units * burner.take)
    if units <= 0 or most <= 0 or most < burner.least * units * burner.take:
        return []
    left[k, owner] -= most
    return [CircuitArc(k, b, most)]


def _shared(spare: list[float], tank: int, most: float) -> float:
    """What one more way out of a tank may carry, at the most ``most``; the others have the rest."""
    width = min(spare[tank], most)
    spare[tank] -= width
    return width


def _spare_release(case: Case, tank: Tank) -> float:
    store = next(s for s in case.plan.stores if s.name == tank.name)
    most = case.site.storage[store.type].release_rate
    return PLENTY if most is None else max(0.0, most - case.at_peak(store.draw))

"""A limit that is to be raised by a step, read from words such as ``stock.steel=250kg``."""

from __future__ import annotations

from collections.abc import Iterator

from allocator.base.errors import AllocatorError
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.network.records import Network
from allocator.site.addresses import AddressError, Path, address_of, path_of_limit, resolved
from allocator.site.records import POWER
from allocator.solver.settings import Lift


class LiftError(AllocatorError):
    """A step that cannot be read: what is wrong, what to do."""


def lift_of(site: Network, text: str) -> Lift:
    """One step. Raises :class:`LiftError` for unknown addresses and quantities that do not fit."""
    name, equals, amount = (part.strip() for part in text.partition("="))
    known = liftable(site)
    try:
        path = resolved(name, known, "limit")
    except AddressError as error:
        raise LiftError(f"--lift {shown(text)}: {error}") from None
    kind, named, dimension = known[path]
    if not equals:
        raise LiftError(f"--lift {shown(text)}: has no step; write '{address_of(path)}=...'")
    try:
        step = parse_quantity(amount, dimension)
    except QuantityError as error:
        raise LiftError(f"--lift {shown(text)}: {error}") from None
    if not step > 0:
        raise LiftError(f"--lift {shown(text)}: the step must be above 0")
    return Lift(kind, named, step)


def liftable(site: Network) -> dict[Path, tuple[str, str, str]]:
    """The limits of a site that may be raised, by path: kind, name and dimension."""
    found: dict[Path, tuple[str, str, str]] = {}
    for limit in _limits(site):
        # where levels of temperature part a place, machines are at one of the parts
        found.setdefault(path_of_limit(*limit), limit)
    return found


def _limits(site: Network) -> Iterator[tuple[str, str, str]]:
    for material in site.materials.values():
        if material.stock is not None:
            yield "stock", material.name, "mass"
    for kind, dimension in (("emission", "emission_rate"), ("money", "money")):
        if getattr(site.limits, kind) is not None:
            yield kind, "", dimension
    for store in site.storage.values():
        power = store.holds == POWER
        yield "size", store.name, "energy" if power else "mass"
        for key in ("fill_rate", "release_rate"):
            if getattr(store, key) is not None:
                yield key, store.name, "power" if power else "mass_rate"
    for machine in site.machines.values():
        if machine.max_units is not None:
            yield "most", machine.name, "number"
        for place, most in machine.places.items():
            if most is not None:
                yield "places", f"{machine.name}@{place}", "number"
    for node in site.places.values():
        if node.heat_limit is not None:
            yield "heat", node.name, "power"
    made = {
        build
        for route in site.routes.values()
        if route.stream is not None and route.stream.kind in ("passage", "sink")
        for build in route.pipes
    }
    yield from (("capacity", build, "mass_rate") for build in site.pipes if build not in made)
    for fluid in dict.fromkeys(source.fluid for source in site.sources.values()):
        yield "flow", fluid, "share"
    for demand in site.demands.values():
        yield "demand", demand.name, "power" if demand.wants == POWER else "mass_rate"

"""A limit that is to be lifted by a step, read from words such as ``stock.steel=250kg``."""

from __future__ import annotations

import difflib

from allocator.base.errors import AllocatorError
from allocator.base.quantities import QuantityError, parse_quantity, shown
from allocator.network.records import Network
from allocator.site.records import POWER
from allocator.solver.settings import Lift


class LiftError(AllocatorError):
    """A lift that cannot be read: what is wrong, what to do."""


def lift_of(site: Network, text: str) -> Lift:
    """One lift. Raises :class:`LiftError` for unknown names and quantities that do not fit."""
    name, equals, amount = (part.strip() for part in text.partition("="))
    known = liftable(site)
    if name not in known:
        close = difflib.get_close_matches(name, known, n=1)
        listed = f"there are {', '.join(list(known)[:8])}"
        remedy = f"did you mean '{close[0]}'?" if close else listed
        raise LiftError(f"--lift {shown(text)}: the site has no limit {shown(name)}; {remedy}")
    if not equals:
        raise LiftError(f"--lift {shown(text)}: has no step; write '{name}=...'")
    try:
        step = parse_quantity(amount, known[name])
    except QuantityError as error:
        raise LiftError(f"--lift {shown(text)}: {error}") from None
    if not step > 0:
        raise LiftError(f"--lift {shown(text)}: the step must be above 0")
    kind, _, rest = name.partition(".")
    if kind == "places":
        machine, _, place = rest.rpartition("@")
        # where levels of temperature part a place, machines stand at one of the parts
        part = next(p for p in site.machines[machine].places if site.ground(p) == place)
        rest = f"{machine}@{part}"
    return Lift(kind, rest, step)


def liftable(site: Network) -> dict[str, str]:
    """The limits of a site that may be lifted, with their dimensions."""
    found: dict[str, str] = {}
    for material in site.materials.values():
        if material.stock is not None:
            found[f"stock.{material.name}"] = "mass"
    if site.limits.emission is not None:
        found["emission"] = "emission_rate"
    if site.limits.money is not None:
        found["money"] = "money"
    for store in site.storage.values():
        power = store.holds == POWER
        found[f"size.{store.name}"] = "energy" if power else "mass"
        rate = "power" if power else "mass_rate"
        found |= {
            f"{key}.{store.name}": rate
            for key in ("fill_rate", "release_rate")
            if getattr(store, key) is not None
        }
    for machine in site.machines.values():
        if machine.max_units is not None:
            found[f"most.{machine.name}"] = "number"
        for place, most in machine.places.items():
            if most is not None:
                found[f"places.{machine.name}@{site.ground(place)}"] = "number"
    found |= {
        f"heat.{place.name}": "power"
        for place in site.places.values()
        if place.heat_limit is not None
    }
    made = {
        build
        for route in site.routes.values()
        if route.stream is not None and route.stream.kind in ("passage", "sink")
        for build in route.pipes
    }
    found |= {f"capacity.{build}": "mass_rate" for build in site.pipes if build not in made}
    for fluid in dict.fromkeys(source.fluid for source in site.sources.values()):
        found[f"flow.{fluid}"] = "share"
    for demand in site.demands.values():
        found[f"demand.{demand.name}"] = "power" if demand.wants == POWER else "mass_rate"
    return found

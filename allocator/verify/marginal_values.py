"""Rules of marginal values: the limit that each is of is one of the site, as its file has it.

The gains are taken on trust. Limits that follow from other values, such as capacities by bore and
the highest of several pressures, are not recomputed here.
"""

from __future__ import annotations

from allocator.network.records import Network
from allocator.plans.records import Price
from allocator.site.records import POWER
from allocator.verify.case import Case
from allocator.verify.report import LIMIT, Findings


def check_marginal_values(case: Case, findings: Findings) -> None:
    """The limit of each marginal value is that of the site file, in its dimension."""
    for price in case.plan.prices:
        stated = _limit(case.site, price)
        if stated is None:
            continue
        subject = f"marginal value of {price.kind} {price.name}".strip()
        value, dimension = stated
        if not findings.holds(
            "limit_of_value", subject, value is not None, "the site has no such limit"
        ):
            continue
        assert value is not None
        findings.equals(
            "limit_of_value",
            subject,
            price.value,
            value,
            dimension,
            "limit of the marginal value",
            LIMIT * abs(value),
        )
        findings.holds(
            "limit_of_value",
            subject,
            price.dimension == dimension,
            f"is stated to be a {price.dimension}, and is a {dimension}",
        )


def _limit(site: Network, price: Price) -> tuple[float | None, str] | None:
    """The limit in SI (None: the site has none) and its dimension; None where it is not judged."""
    kind, name = price.kind, price.name
    caps = {"money": (site.limits.money, "money"), "emission": (site.limits.emission, _EMISSION)}
    if kind in caps:
        return caps[kind]
    if kind == "flow":
        known = any(source.fluid == name for source in site.sources.values())
        return (1.0 if known else None), "share"
    if kind == "stock":
        material = site.materials.get(name)
        return (None if material is None else material.stock), "mass"
    if kind in ("heat", "heat_demand"):
        place = site.places.get(name)
        if place is None:
            return None, "power"
        return (place.heat_limit if kind == "heat" else place.heat_demand), "power"
    if kind == "most":
        machine = site.machines.get(name)
        most = None if machine is None else machine.max_units
        return (None if most is None else float(most)), "number"
    if kind in ("demand", "min_share"):
        demand = site.demands.get(name)
        if kind == "min_share":
            return (None if demand is None else demand.min_share), "share"
        dimension = "power" if demand is None or demand.wants == POWER else "mass_rate"
        return (None if demand is None else demand.mean), dimension
    if kind in ("size", "fill_rate", "release_rate"):
        return _of_store(site, kind, name)
    if kind == "capacity" and name in site.pipes and not site.pipes[name].by_bore:
        return site.pipes[name].capacity, "mass_rate"
    return None


_EMISSION = "emission_rate"


def _of_store(site: Network, kind: str, name: str) -> tuple[float | None, str]:
    store = site.storage.get(name)
    power = store is not None and store.holds == POWER
    if kind == "size":
        return (None if store is None else store.max_size), "energy" if power else "mass"
    rate = None
    if store is not None:
        rate = store.fill_rate if kind == "fill_rate" else store.release_rate
    return rate, "power" if power else "mass_rate"

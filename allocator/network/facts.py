"""The numbers of a site by address, so that a study can read and change any of them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Any

from allocator.base.quantities import QuantityError, format_quantity, parse_quantity, shown
from allocator.network.deriving import studied
from allocator.network.records import Network
from allocator.site.addresses import AddressError, Path, address_of, resolved
from allocator.site.checks import energy_given, energy_taken
from allocator.site.keys import kinds_of
from allocator.site.kinds import GAUGE, Quantity
from allocator.site.records import (
    POWER,
    Ambient,
    BoosterType,
    Demand,
    MachineType,
    PipeType,
    Route,
    Site,
    Source,
    Stage,
    StoreType,
)

DERIVING: tuple[tuple[str, type[Any], tuple[str, ...]], ...] = (
    ("sources", Source, ("pressure", "temperature")),
    (
        "storage",
        StoreType,
        ("pressure", "min_pressure", "max_pressure", "pressure_rating"),
    ),
    ("pipes", PipeType, ("roughness", "max_velocity", "pressure_rating")),
    ("routes", Route, ("length",)),
    (
        "boosters",
        BoosterType,
        (
            "ratio",
            "head",
            "efficiency",
            "max_flow",
            "min_inlet_pressure",
            "discharge_temperature",
        ),
    ),
    ("machines", MachineType, ("min_inlet_pressure", "outlet_pressure", "pressure_rating")),
    ("demands", Demand, ("min_inlet_pressure",)),
)
"""What the network is derived from: section, record, and fields that are named as their keys."""


class FactError(AddressError):
    """A number of a site that is not there, or cannot be what is asked: what to do instead."""


@dataclass(frozen=True, slots=True)
class Fact:
    """One number of a site. ``value``: SI, None for no limit.

    ``kind``: what it may be. ``to_build``: it is about what is new alone, so that an existing plan
    does not depend on it. ``change``: the site with another value. ``ambient``: Pa from which a
    pressure above the ambient one counts. ``derives``: pressures, capacities or temperatures of the
    network follow from it, so that the site alone can have another value.
    """

    path: Path
    kind: Quantity
    value: float | None
    to_build: bool
    change: Callable[[Site, float], Site]
    ambient: float = 0.0
    derives: bool = False

    @property
    def address(self) -> str:
        """The address, such as ``sources.north.flow``."""
        return address_of(self.path)

    @property
    def dimension(self) -> str:
        """Of the value."""
        return self.kind.dimension

    def read(self, text: str) -> float:
        """A value of the fact, SI. Raises :class:`FactError`."""
        plain, added = text.strip(), 0.0
        if self.dimension == "pressure" and plain.endswith(GAUGE):
            plain, added = plain.removesuffix(GAUGE), self.ambient
        try:
            value = parse_quantity(plain, self.dimension) + added
        except QuantityError as error:
            raise FactError(f"{self.address}: {error}") from None
        if refusal := self.kind.refusal(value):
            raise FactError(f"{self.address} {refusal} (got {shown(text)})")
        return value


def facts_of(site: Site) -> dict[str, Fact]:
    """Every fact by address, in the order of the file."""
    return {fact.address: fact for fact in _facts(site)}


def fact_named(facts: Mapping[str, Fact], name: str) -> Fact:
    """The fact of an address. Raises :class:`~allocator.site.addresses.AddressError`."""
    return facts[address_of(resolved(name, [fact.path for fact in facts.values()]))]


def changed(site: Site, values: Mapping[str, float]) -> Site:
    """The site with other values of some facts, by address.

    Raises:
        FactError: the values do not go together: a duty cycle that no longer nests, a machine
            that gives more energy than it takes.
    """
    facts = facts_of(site)
    for address, value in values.items():
        if facts[address].derives and isinstance(site, Network):
            raise FactError(f"{address}: a network was derived from it; change it in the site")
        site = facts[address].change(site, value)
    if not values:
        return site
    _check(site)
    return studied(site)


def _check(site: Site) -> None:
    for source in site.sources.values():
        for stage in source.stages:
            if stage.on > stage.every:
                raise FactError(f"source {shown(source.name)}: on for longer than its period")
        for inner, outer in pairwise(source.stages):
            if inner.every > outer.on:
                raise FactError(f"source {shown(source.name)}: a stage does not fit the next one")
    for machine in site.machines.values():
        held = energy_taken(machine, site.fluids)
        if held is not None and energy_given(machine, site.fluids) > held * (1 + 1e-9):
            given = format_quantity(energy_given(machine, site.fluids), "power")
            raise FactError(
                f"machine {shown(machine.name)}: gives more energy than it takes "
                f"({given} of {format_quantity(held, 'power')})"
            )


def _facts(site: Site) -> Iterator[Fact]:
    yield from _limits(site)
    for name in site.materials:
        yield _plain(site, "materials", name, "stock", Quantity("mass", least=0), True)
        yield _plain(site, "materials", name, "price", Quantity("money_per_mass", least=0), True)
    for source in site.sources.values():
        if source.series is None:  # a measured record has no range to check
            yield from _source(source)
    for name, store in site.storage.items():
        size, rate = ("energy", "power") if store.holds == POWER else ("mass", "mass_rate")
        most = Quantity(size, above=0)
        yield _plain(site, "storage", name, "max_size", most, True, "size.max")
        yield _plain(site, "storage", name, "loss", Quantity("share_rate", least=0), False)
        yield _plain(site, "storage", name, "fill_rate", Quantity(rate, above=0), False)
        yield _plain(site, "storage", name, "release_rate", Quantity(rate, above=0), False)
        if store.holds == POWER:
            share = Quantity("share", above=0, most=1)
            yield _plain(site, "storage", name, "charge_efficiency", share, False)
    for name, build in site.pipes.items():
        if not build.by_bore:
            yield _plain(site, "pipes", name, "capacity", Quantity("mass_rate", above=0), False)
    for name in site.power_lines:
        yield _plain(site, "power_lines", name, "capacity", Quantity("power", above=0), False)
        yield _plain(site, "power_lines", name, "loss", Quantity("share", least=0, below=1), False)
    for machine in site.machines.values():
        yield from _machine(machine)
    for name, demand in site.demands.items():
        power = demand.wants == POWER
        kind = Quantity("power" if power else "mass_rate", above=0)
        yield _plain(site, "demands", name, "mean", kind, False, "power" if power else "flow")
    yield from _deriving(site)


def _deriving(site: Site) -> Iterator[Fact]:
    """What is stated of what the network is derived from."""
    ambient = site.ambient.pressure
    for section, record, fields in DERIVING:
        kinds = kinds_of(record)
        for name, one in getattr(site, section).items():
            for field in fields:
                kind = kinds[field]
                if getattr(one, field) is not None and isinstance(kind, Quantity):
                    plain = _plain(site, section, name, field, kind, False)
                    yield replace(plain, ambient=ambient, derives=True)
    for field in ("temperature", "wind", "ground_conductivity"):
        if getattr(site.ambient, field) is None:
            continue

        def change(old: Site, value: float, field: str = field) -> Site:
            return replace(old, ambient=replace(old.ambient, **{field: value}))

        kind = kinds_of(Ambient)[field]
        assert isinstance(kind, Quantity)
        value = getattr(site.ambient, field)
        yield Fact(("ambient", field), kind, value, False, change, derives=True)


def _limits(site: Site) -> Iterator[Fact]:
    for key, kind in (
        ("emission", Quantity("emission_rate", least=0)),
        ("money", Quantity("money", least=0)),
    ):

        def change(old: Site, value: float, key: str = key) -> Site:
            return replace(old, limits=replace(old.limits, **{key: value}))  # type: ignore[arg-type]

        value = getattr(site.limits, key)
        yield Fact(("limits", key), kind, value, key == "money", change)


def _with(site: Site, section: str, name: str, **values: Any) -> Site:
    """A site with some values of one record of a section."""
    held = dict(getattr(site, section))
    held[name] = replace(held[name], **values)
    return replace(site, **{section: held})  # type: ignore[arg-type]


def _plain(
    site: Site, section: str, name: str, field: str, kind: Quantity, to_build: bool, key: str = ""
) -> Fact:
    """A fact that is one field of a record; ``key``: its name in the file, if it has another."""
    key = key or field

    def change(old: Site, value: float) -> Site:
        return _with(old, section, name, **{field: value})

    value = getattr(getattr(site, section)[name], field)
    return Fact((section, name, *key.split(".")), kind, value, to_build, change)


def _source(source: Source) -> Iterator[Fact]:
    name, above = source.name, Quantity("duration", above=0)
    head = ("sources", name)

    def flow(old: Site, value: float) -> Site:
        held = old.sources[name]
        stages = held.stages
        if held.delivered:  # the same batch takes longer to unload, or less long
            stage = stages[0]
            stages = (Stage(stage.on * held.flow / value, stage.every),)
        return _with(old, "sources", name, flow=value, stages=stages)

    kind = Quantity("mass_rate", above=0)
    yield Fact((*head, "flow"), kind, source.flow, False, flow)

    def staged(number: int, field: str, *keys: str) -> Fact:
        def change(old: Site, value: float) -> Site:
            stages = list(old.sources[name].stages)
            stages[number] = replace(stages[number], **{field: value})
            return _with(old, "sources", name, stages=tuple(stages))

        value = getattr(source.stages[number], field)
        return Fact((*head, *keys), above, value, False, change)

    if source.delivered:
        yield staged(0, "every", "delivery", "every")

        def batch(old: Site, value: float) -> Site:
            held = old.sources[name]
            stages = (Stage(value / held.flow, held.stages[0].every),)
            return _with(old, "sources", name, stages=stages)

        mass = Quantity("mass", above=0)
        held = source.stages[0].on * source.flow
        yield Fact((*head, "delivery", "batch"), mass, held, False, batch)
        return
    for number in range(len(source.stages)):
        for field in ("on", "every"):
            yield staged(number, field, f"cycle[{number + 1}]", field)


def _machine(machine: MachineType) -> Iterator[Fact]:
    name, head = machine.name, ("machines", machine.name)
    for side in ("inputs", "outputs"):
        rates: Mapping[str, float] = getattr(machine, side)
        for fluid in rates:

            def change(old: Site, value: float, side: str = side, fluid: str = fluid) -> Site:
                held = {**getattr(old.machines[name], side), fluid: value}
                return _with(old, "machines", name, **{side: held})

            kind = Quantity("mass_rate", above=0)
            yield Fact((*head, side, fluid), kind, rates[fluid], False, change)
    for field, key in (
        ("power_in", "inputs.power"),
        ("power_out", "outputs.power"),
        ("heat_out", "outputs.heat"),
        ("no_load", "no_load"),
    ):
        value = getattr(machine, field)
        if value <= 0 and key != "no_load":
            continue

        def set_to(old: Site, value: float, field: str = field) -> Site:
            return _with(old, "machines", name, **{field: value})

        share = Quantity("share", least=0, below=1)
        kind = share if key == "no_load" else Quantity("power", above=0)
        yield Fact((*head, *key.split(".")), kind, value, False, set_to)

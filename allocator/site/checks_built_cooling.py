"""Checks of existing coolers and heat sinks: each must be one that the site could build."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any, TypeVar

from allocator.base.quantities import format_quantity, shown
from allocator.site.records import BuiltCooler, BuiltHeatSink, Cooler, HeatSink, Source
from allocator.site.table import Values

Problem = tuple[str, str, str]
"""A key, what is wrong with its value, and what to do."""
Existing = TypeVar("Existing", BuiltCooler, BuiltHeatSink)


def existing_coolers(values: Values, made: Mapping[str, Any]) -> tuple[BuiltCooler, ...]:
    """The coolers of ``built``, with a fault noted at each key that cannot be."""
    return _read(values.get("coolers", ()), lambda found: cooler_faults(found, made))


def existing_heat_sinks(values: Values, made: Mapping[str, Any]) -> tuple[BuiltHeatSink, ...]:
    """The heat sinks of ``built``, with a fault noted at each key that cannot be."""
    return _read(values.get("heat_sinks", ()), lambda found: heat_sink_faults(found, made))


def _read(
    listed: Iterable[Values], faults: Callable[[list[Existing]], Iterator[tuple[int, Problem]]]
) -> tuple[Existing, ...]:
    whole = [one for one in listed if one.whole]
    found = [one.table.made(one) for one in whole]
    for number, (key, problem, remedy) in faults(found):
        whole[number].fault(key, problem, remedy)
    return tuple(found)


def cooler_faults(
    found: Iterable[BuiltCooler], made: Mapping[str, Any]
) -> Iterator[tuple[int, Problem]]:
    """What is wrong with existing coolers: number from 0, key, what is wrong, what to do."""
    met = set()
    for number, one in enumerate(found):
        stream = one.cooler, one.place, one.source, one.temperature
        if stream in met:
            yield (
                number,
                ("cooler", f"has {shown(one.cooler)} twice for one stream", "add up its 'units'"),
            )
        met.add(stream)
        for problem in _of_cooler(one, made):
            yield number, problem


def _of_cooler(one: BuiltCooler, made: Mapping[str, Any]) -> Iterator[Problem]:
    cooler: Cooler | None = made["coolers"].get(one.cooler)
    if cooler is None:
        return
    if one.place not in cooler.places:
        yield (
            "place",
            f"is {shown(one.place)}, which {shown(one.cooler)} does not list",
            f"add {shown(one.place)} to the 'places' of the cooler",
        )
        return
    if one.units > cooler.most_units(one.place):
        yield (
            "units",
            f"is above the maximum number there ({one.units} > {cooler.most_units(one.place)})",
            "raise the number under 'places' of the cooler",
        )
    source: Source | None = made["sources"].get(one.source)
    if source is not None and (source.fluid, source.place) != (cooler.fluid, one.place):
        yield (
            "source",
            f"is {shown(source.name)}, which gives no {shown(cooler.fluid)} at {shown(one.place)}",
            "name a source of the cooler's fluid at that place",
        )
    if one.source is not None and one.temperature is not None:
        yield (
            "temperature",
            "is given beside 'source', the temperature of which is known",
            "leave it out",
        )


def heat_sink_faults(
    found: Iterable[BuiltHeatSink], made: Mapping[str, Any]
) -> Iterator[tuple[int, Problem]]:
    """What is wrong with existing heat sinks: number from 0, key, what is wrong, what to do."""
    met = set()
    for number, one in enumerate(found):
        if one.heat_sink in met:
            yield number, ("heat_sink", f"has {shown(one.heat_sink)} twice", "keep it once")
        met.add(one.heat_sink)
        heat_sink: HeatSink | None = made["heat_sinks"].get(one.heat_sink)
        if heat_sink is None:
            continue
        if not any(one.is_of(one.heat_sink, kg, one.recovery) for kg in heat_sink.offered):
            offered = ", ".join(format_quantity(kg, "mass") for kg in heat_sink.offered)
            mass = format_quantity(one.mass, "mass")
            yield (
                number,
                (
                    "mass",
                    f"is {mass}, which {shown(one.heat_sink)} does not offer ({offered})",
                    f"add {mass} to the 'mass' of the heat sink",
                ),
            )
        if one.recovery and heat_sink.recovery is None:
            yield (
                number,
                (
                    "recovery",
                    f"is true, and {shown(one.heat_sink)} has none",
                    "add 'recovery' to the heat sink",
                ),
            )

"""Heat that places must be given: what could give it."""

from __future__ import annotations

from collections.abc import Iterator

from allocator.base.quantities import format_quantity, shown
from allocator.site.records import Cooler, Site

Problem = tuple[str, str, str, str, str]
"""Section, name, key, what is wrong, what to do."""


def faults_of_heat_demands(site: Site) -> Iterator[Problem]:
    """Temperatures of heat that nobody gives, and demands that no machine there could serve."""
    for name, machine in site.machines.items():
        if machine.heat_temperature is not None and machine.heat_out <= 0:
            yield (
                "machines",
                name,
                "heat_temperature",
                "heat_temperature is given, but its outputs hold no heat",
                "add 'heat' to its outputs, or leave the temperature out",
            )
    yield from _coolers(site)
    for name, place in site.places.items():
        if place.heat_demand is None:
            continue
        if name in site.limits.excluded_places:
            problem = f"heat_demand: {shown(name)} is excluded, so nothing may be built to give it"
            yield "places", name, "heat_demand", problem, "leave one of the two out"
            continue
        hottest = [
            machine.heat_temperature
            for machine in site.machines.values()
            if name in machine.places and machine.heat_temperature is not None
        ]
        hottest += [
            cooler.heat_temperature
            for cooler in site.coolers.values()
            if cooler.heat_temperature is not None and name in _warmed_by(cooler)
        ]
        asked = format_quantity(place.heat_temperature, "temperature")
        if not hottest:
            problem = f"heat_demand: no machine that may be built at {shown(name)} gives heat of a"
            remedy = "offer a machine or cooler there with 'heat_temperature', machines with 'heat'"
            yield "places", name, "heat_demand", f"{problem} known temperature", remedy
        elif max(hottest) < place.heat_temperature:
            most = format_quantity(max(hottest), "temperature")
            yield (
                "places",
                name,
                "heat_demand",
                f"heat_demand asks for {asked}, and nothing that may be built there gives heat "
                f"hotter than {most}",
                "offer a machine with hotter heat, or ask for less",
            )


def _warmed_by(cooler: Cooler) -> tuple[str, ...]:
    """Places into which the heat of a cooler may go."""
    return (cooler.rejects_at,) if cooler.rejects_at else tuple(cooler.places)


def _coolers(site: Site) -> Iterator[Problem]:
    """Heat of coolers that would count twice, goes where none is asked for, or cannot be."""
    for name, cooler in site.coolers.items():
        if cooler.heat_temperature is None:
            continue
        if cooler.recovery > 0:
            yield (
                "coolers",
                name,
                "heat_temperature",
                "heat_temperature is given beside recovery, and its heat can serve one alone",
                "leave one of the two out",
            )
        known = [s.temperature for s in site.sources.values() if s.fluid == cooler.fluid]
        hot = [kelvin for kelvin in known if kelvin is not None]
        if hot and max(hot) <= cooler.heat_temperature:
            yield (
                "coolers",
                name,
                "heat_temperature",
                f"heat_temperature is {format_quantity(cooler.heat_temperature, 'temperature')}, "
                f"and no source of {shown(cooler.fluid)} is hotter than "
                f"{format_quantity(max(hot), 'temperature')}",
                "give a lower temperature, or leave it out",
            )
        warmed = [site.places[p] for p in _warmed_by(cooler) if p in site.places]
        if not any(place.heat_demand is not None for place in warmed):
            yield (
                "coolers",
                name,
                "heat_temperature",
                "heat_temperature is given, but no place into which its heat goes has a "
                "heat_demand",
                "add 'heat_demand' to the place, or leave the temperature out",
            )

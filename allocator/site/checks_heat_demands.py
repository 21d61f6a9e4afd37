"""Heat that places must be given: what could give it."""

from __future__ import annotations

from collections.abc import Iterator

from allocator.base.quantities import format_quantity, shown
from allocator.site.records import Site

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
        asked = format_quantity(place.heat_temperature, "temperature")
        if not hottest:
            problem = f"heat_demand: no machine that may be built at {shown(name)} gives heat of a"
            remedy = "offer a machine there with 'heat' and its 'heat_temperature'"
            yield "places", name, "heat_demand", f"{problem} known temperature", remedy
        elif max(hottest) < place.heat_temperature:
            most = format_quantity(max(hottest), "temperature")
            yield (
                "places",
                name,
                "heat_demand",
                f"heat_demand asks for {asked}, and no machine that may be built there gives heat "
                f"hotter than {most}",
                "offer a machine with hotter heat, or ask for less",
            )

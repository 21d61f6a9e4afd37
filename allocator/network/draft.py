"""What is made of a site on its way to levels of temperature."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from allocator.base.quantities import format_quantity
from allocator.network.faults import Remark
from allocator.network.inlet_nodes import InletNode
from allocator.network.levels import SAME
from allocator.network.records import Arc, Network, Node, PipeBuild
from allocator.network.sinks import NO_SINKS, Sinks
from allocator.physics.faults import PhysicsError
from allocator.site.records import BuiltPipe


@dataclass
class Draft:
    """What is made of a site, before what leads nowhere is left out."""

    site: Network
    levels: Mapping[str, tuple[float, ...]]
    inlet_nodes: Mapping[str, tuple[InletNode, ...]]
    sinks: Sinks = NO_SINKS
    routes: dict[str, Arc] = field(default_factory=dict)
    builds: dict[str, PipeBuild] = field(default_factory=dict)
    places: dict[str, Node] = field(default_factory=dict)
    existing: list[BuiltPipe] = field(default_factory=list)
    remarks: list[Remark] = field(default_factory=list)

    def node(self, place: str, fluid: str, level: float) -> str:
        """The place at which a fluid is, at a level at most."""
        return self.part(place, f"{fluid} {self.degrees(fluid, level)}")

    def degrees(self, fluid: str, kelvin: float) -> str:
        """A temperature of a fluid as names show it, apart from its levels."""
        return degrees(kelvin, *self.levels[fluid])

    def part(self, place: str, what: str) -> str:
        """A place made as part of another; no name of the user's holds a colon."""
        name = part_name(place, what)
        part = replace(
            self.site.places[place], name=name, part_of=place, heat_limit=None, heat_demand=None
        )
        self.places.setdefault(name, part)
        return name

    def lay(self, route: Arc) -> str:
        """Add a route, under a name of its own, which it returns."""
        name = route.name
        while name in self.routes:
            name += "'"
        self.routes[name] = replace(route, name=name)
        return name


class PlacedError(Exception):
    """A fault of physics and the thing of the site that it belongs to."""

    def __init__(self, section: str, name: str, key: str, error: PhysicsError) -> None:
        self.section, self.name, self.key, self.error = section, name, key, error
        super().__init__(str(error))


def part_name(place: str, what: str) -> str:
    """The name of a part of a place; of the place itself where ``what`` is empty."""
    return f"{place}: {what}" if what else place


def mouth_of(source: str) -> str:
    """What the part of a place is called at which a source comes out ahead of its pump."""
    return f"mouth of {source}"


def is_mouth(node: str) -> bool:
    """Whether a node is where one source comes out ahead of its pump."""
    return ": mouth of " in node


def degrees(kelvin: float, *others: float) -> str:
    """A temperature as names and messages show it.

    With as many more digits as tell it from all others that are apart from it.
    """
    apart = [other for other in others if abs(other - kelvin) > SAME]
    found = format_quantity(kelvin, "temperature")
    like = [other for other in apart if format_quantity(other, "temperature") == found]
    digits = 0
    while like:
        digits += 1
        found = _rounded(kelvin, digits)
        like = [other for other in apart if _rounded(other, digits) == found]
    return found


def _rounded(kelvin: float, digits: int) -> str:
    return f"{kelvin - 273.15:.{digits}f}".rstrip("0").rstrip(".") + " degC"

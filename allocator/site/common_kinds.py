"""Kinds of value that several records share."""

from __future__ import annotations

from allocator.site.groups import ListOf, MapOf
from allocator.site.kinds import Name, Quantity, Whole
from allocator.site.shapes import ByShape
from allocator.site.spreads import Ranged

FLUID = Name("fluids", "fluid")
PLACE = Name("places", "place")
MATERIAL = Name("materials", "material")
PIPE = Name("pipes", "pipe")
SOURCE = Name("sources", "source")
MACHINE = Name("machines", "machine")
BOOSTER = Name("boosters", "booster")
COOLER = Name("coolers", "cooler")
HEAT_SINK = Name("heat_sinks", "heat sink")
ENCLOSURE = Name("enclosures", "enclosure")

FLOW = Quantity("mass_rate", above=0)
EMISSION = Quantity("emission_rate", least=0)
WATTS = Quantity("power", above=0)
SPAN = Quantity("duration", above=0)
SPAN_OR_NONE = Quantity("duration", least=0)
LENGTH = Quantity("length", above=0)
PRESSURE = Quantity("pressure", above=0)
KELVIN = Quantity("temperature", above=0)
KILOGRAMS = Quantity("mass", above=0)
MONEY = Quantity("money", least=0)
PART = Quantity("share", least=0, most=1)
POSITIVE_PART = Quantity("share", above=0, most=1)
BELOW_ONE = Quantity("share", least=0, below=1)
INSIDE_ONE = Quantity("share", above=0, below=1)

HOT = Quantity("temperature", above=0, most=3273.15)
"""What a fluid may come out at: 3000 degC is beyond every material that a pipe is made of."""

RANGED_FLOW = Ranged("mass_rate", above=0)
RANGED_WATTS = Ranged("power", above=0)
RANGED_SPAN = Ranged("duration", above=0, repeated=True)

PLACES = ListOf(PLACE, least=1, distinct=True)
COUNTS = ByShape(PLACES, MapOf(PLACE, Whole(), least=1))
BETWEEN = ListOf(PLACE, least=2, most=2)


def amounts(dimension: str) -> MapOf:
    """Material -> amount: ``mass`` of one thing, or ``mass_per_mass`` and the like."""
    return MapOf(MATERIAL, Quantity(dimension, least=0))

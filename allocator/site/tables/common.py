"""What several tables share."""

from __future__ import annotations

from allocator.site.groups import ListOf, MapOf
from allocator.site.kinds import Name, Quantity
from allocator.site.spreads import Ranged
from allocator.site.table import Key

FLUID = Name("fluids", "fluid")
PLACE = Name("places", "place")
MATERIAL = Name("materials", "material")
PIPE = Name("pipes", "pipe")

FLOW = Quantity("mass_rate", above=0)
WATTS = Quantity("power", above=0)
SPAN = Quantity("duration", above=0)
PLACES = ListOf(PLACE, least=1, distinct=True)
HOT = Quantity("temperature", above=0, most=3273.15)
"""What a fluid may come out at: 3000 degC is beyond every material that a pipe is made of."""

MAX_INLET_TEMPERATURE = Key(
    "max_inlet_temperature", Quantity("temperature", above=0), "Hottest fluid that it may take in"
)
RANGED_FLOW = Ranged("mass_rate", above=0)
RANGED_WATTS = Ranged("power", above=0)
RANGED_SPAN = Ranged("duration", above=0)
BETWEEN = ListOf(PLACE, least=2, most=2)


def price(dimension: str, about: str) -> Key:
    return Key("price", Quantity(dimension, least=0), about, default="0")


def materials(dimension: str, about: str) -> Key:
    return Key("materials", MapOf(MATERIAL, Quantity(dimension, least=0)), about)

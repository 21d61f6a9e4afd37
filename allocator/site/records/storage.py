"""Records of stores: what a kind of store holds, its sizes and where it may stand."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.common_kinds import (
    KELVIN,
    MONEY,
    PLACES,
    POSITIVE_PART,
    PRESSURE,
    SPAN,
    amounts,
)
from allocator.site.groups import MapOf
from allocator.site.keys import ByVariant, KeyGroup, key, record
from allocator.site.kinds import Kind, Name, Quantity
from allocator.site.shared_values import kind_key
from allocator.site.spreads import Ranged

POWER = "power"
"""What a store holds, or a demand asks for, when it is electric power instead of a fluid."""

_SIZE = ByVariant({"fluid": Quantity("mass", above=0), POWER: Quantity("energy", above=0)})
_LEAST = ByVariant({"fluid": Quantity("mass", least=0), POWER: Quantity("energy", least=0)})
_RATE = ByVariant({"fluid": Quantity("mass_rate", above=0), POWER: Quantity("power", above=0)})
_MADE_OF: dict[str, MapOf] = {
    "fluid": amounts("mass_per_mass"),
    POWER: amounts("mass_per_energy"),
}
_PASCAL = ByVariant({"fluid": PRESSURE})
_PER_SIZE = ByVariant({POWER: Quantity("share_rate", above=0)})
_PRICE: dict[str, Kind] = {
    "fluid": Quantity("money_per_mass", least=0),
    POWER: Quantity("money_per_energy", least=0),
}


@record(
    groups={
        "size": KeyGroup("Sizes it may have at one place, in mass of the fluid or in energy", True),
        "base": KeyGroup("What it takes at each place whatever its size"),
    },
    completing=(kind_key("storage"),),
)
class StoreType:
    """A kind of store and where it may stand; sizes are kg of a fluid, or J of power.

    Materials and price are those of a unit of size; of the base, those once for each place.
    """

    name: str
    holds: str = key(Name("fluids", "fluid", (POWER,)), "A fluid, or 'power'")
    places: tuple[str, ...] = key(PLACES, "Where it may be built")
    max_size: float = key(_SIZE, "Largest size at one place", at="size.max")
    min_size: float = key(_LEAST, "Smallest size", at="size.min", default=0.0)
    unit: float | None = key(
        _SIZE,
        "Size of one whole unit: it comes in whole units only",
        at="size.unit",
        default=None,
        left_out="any size",
    )
    materials: Mapping[str, float] = key(ByVariant(_MADE_OF), "Material per size", default={})
    base_materials: Mapping[str, float] = key(
        amounts("mass"), "Material once for each place", at="base.materials", default={}
    )
    price: float = key(ByVariant(_PRICE), "Money per size", default=0.0)
    base_price: float = key(MONEY, "Money once for each place", at="base.price", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")
    fill_rate: float | None = key(
        _RATE, "Most that it takes in at one place", default=None, left_out="no limit"
    )
    release_rate: float | None = key(
        _RATE, "Most that it gives at one place", default=None, left_out="no limit"
    )
    loss: float = key(
        Ranged("share_rate", least=0),
        "Share **of its size** lost per time, whatever is in it",
        default=0.0,
    )
    charge_efficiency: float = key(
        Ranged("share", above=0, most=1),
        "Share of what enters that can be released. Stores of power only",
        default=1.0,
    )
    usable: float = key(
        ByVariant({POWER: POSITIVE_PART}),
        "Share of its size that may be used, so that it is not emptied. Stores of power only",
        default=1.0,
    )
    fill_rate_per_size: float | None = key(
        _PER_SIZE,
        "Most power into it per size, such as 0.5 kW per kWh. Stores of power only",
        default=None,
        left_out="no limit",
    )
    release_rate_per_size: float | None = key(
        _PER_SIZE,
        "Most power out of it per size. Stores of power only",
        default=None,
        left_out="no limit",
    )
    throughput_price: float = key(
        ByVariant({POWER: Quantity("money_per_energy", least=0)}),
        "Money for its wear, per energy that goes through it. Stores of power only",
        default=0.0,
    )
    max_inlet_temperature: float | None = key(
        ByVariant({"fluid": KELVIN}),
        "Hottest fluid that may enter. Stores of a fluid only",
        default=None,
        left_out="no limit",
    )
    pressure: float | None = key(
        _PASCAL,
        "Constant pressure in it, absolute, such as of a gas holder or an open tank",
        default=None,
    )
    min_pressure: float | None = key(
        _PASCAL, "Pressure in it when empty, absolute: it gives at this or below", default=None
    )
    max_pressure: float | None = key(
        _PASCAL, "Pressure in it when full, absolute: it is filled at this or above", default=None
    )
    pressure_rating: float | None = key(
        _PASCAL,
        "Highest pressure, absolute, that it bears, in any state and shut in",
        default=None,
        left_out="no limit",
    )

    @property
    def part_loss(self) -> float:
        """Share of a part of a battery that is lost per time: the loss is that of the whole size,

        of which the parts share out what is usable."""
        return self.loss / self.usable

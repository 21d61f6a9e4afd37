"""Records of heat sinks: thermal mass beside a source that takes the heat of its bursts."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.site.common_kinds import (
    ENCLOSURE,
    FLUID,
    INSIDE_ONE,
    KELVIN,
    KILOGRAMS,
    MONEY,
    POSITIVE_PART,
    PRESSURE,
    SOURCE,
    SPAN,
    WATTS,
    amounts,
)
from allocator.site.groups import ListOf
from allocator.site.keys import KeyGroup, key, record, table_of
from allocator.site.kinds import Quantity, TwoWords
from allocator.site.shapes import OneOrList
from allocator.site.shared_values import kind_key


@record()
class HeatSinkRecovery:
    """Heat of a heat sink turned into power."""

    duty: float = key(WATTS, "Most heat that it takes")
    threshold: float = key(KELVIN, "Temperature of the heat sink below which it does not run")
    efficiency: float = key(
        INSIDE_ONE,
        "Power per heat that it takes, below Carnot's between `threshold` and `cold_temperature`",
    )
    cold_temperature: float = key(
        KELVIN, "To which it rejects heat", required=False, left_out="that of the air"
    )


@record()
class HeatSinkCooler:
    """A cooler that could be added to a heat sink."""

    duty: float = key(WATTS, "Most heat that it takes away")
    set_point: float = key(
        KELVIN,
        "Temperature of the heat sink above which it runs. Below `max_temperature` the mass takes "
        "a part of each burst",
        required=False,
        left_out="`max_temperature`",
    )
    power_share: float = key(
        Quantity("share", least=0),
        "Power of its pumps and fans per heat taken away",
        default=0.0,
    )


@record(
    first=("source", "mass", "max_mass", "materials", "base", "price", "fluid", "specific_heat"),
    groups={"base": KeyGroup("What it takes whatever its mass")},
    either=(("fluid",), ("specific_heat",)),
    completing=(kind_key("heat_sinks"),),
)
class HeatSink:
    """A heat sink: thermal mass beside a source that takes the heat of its bursts.

    ``masses``: kg, from small to large, one of which a plan chooses; empty where ``mass`` alone is
    offered. ``materials`` and ``price`` are for each kg, those of the base once.
    ``steam_recovered``: what boils off is condensed and led back, else it is vented and made up.
    """

    name: str
    source: str = key(
        SOURCE,
        "Its source. The source needs a `temperature`, unless `heat_while_on` is given",
    )
    mass: float = key(
        OneOrList(ListOf(KILOGRAMS, least=1, distinct=True)),
        "Its content, or a list of possible contents from which a plan takes one or none",
    )
    max_mass: float = key(
        KILOGRAMS,
        "Largest mass that may be there",
        required=False,
        left_out="ten times `mass`",
    )
    loss_conductance: float = key(
        Quantity("conductance", least=0),
        "Heat lost to the air per kelvin (UA)",
        required=False,
        left_out="that of its `enclosure`",
    )
    initial_temperature: float = key(
        KELVIN, "Before the first burst", required=False, left_out="that of the air"
    )
    pressure: float = key(PRESSURE, "In it, absolute", required=False, left_out="that of the air")
    max_temperature: float = key(KELVIN, "Hottest that the equipment in it bears")
    fluid: str | None = key(
        FLUID,
        "Fluid that fills it; whether it boils: see below",
        default=None,
    )
    specific_heat: float | None = key(
        Quantity("specific_heat", above=0), "Of what fills it", default=None
    )
    effectiveness: float = key(
        POSITIVE_PART,
        "Share of the way to the heat sink's temperature that the gas comes",
        default=1.0,
    )
    heat_while_on: float | None = key(
        WATTS,
        "Heat while the source is on, in place of the sensible heat that its gas brings",
        default=None,
        left_out="by the gas's temperature",
    )
    max_outlet_temperature: float | None = key(
        KELVIN, "Hottest that the gas may leave it", default=None, left_out="no limit"
    )
    steam_recovered: bool = key(
        TwoWords(("vented", "recovered")),
        "What becomes of steam: vented and made up with cold liquid, or condensed and led back",
        at="steam",
        default=False,
    )
    recovery: HeatSinkRecovery | None = key(
        table_of(HeatSinkRecovery), "Power from its heat", default=None, left_out="none"
    )
    cooler: HeatSinkCooler | None = key(
        table_of(HeatSinkCooler), "A cooler that could be added", default=None, left_out="none"
    )
    enclosure: str | None = key(
        ENCLOSURE,
        "Its casing, one of `enclosures`, for `loss_conductance` and `outside_temperature`",
        default=None,
        left_out="none",
    )
    outside_temperature: float | None = key(
        KELVIN,
        "Of what it loses heat to",
        default=None,
        left_out="that of the air, or the mean outside its `enclosure`",
    )
    masses: tuple[float, ...] = ()
    materials: Mapping[str, float] = key(
        amounts("mass_per_mass"),
        "Material per mass, taken by a plan that uses it as a heat sink; not where it is `built`",
        default={},
    )
    base_materials: Mapping[str, float] = key(
        amounts("mass"), "Material once, whatever its mass", at="base.materials", default={}
    )
    price: float = key(Quantity("money_per_mass", least=0), "Money per mass", default=0.0)
    base_price: float = key(MONEY, "Money once, whatever its mass", at="base.price", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")

    @property
    def offered(self) -> tuple[float, ...]:
        """kg that may stand there, from small to large."""
        return self.masses or (self.mass,)

    def materials_of(self, mass: float) -> dict[str, float]:
        """kg of each material that a mass (kg) takes."""
        found = {name: share * mass for name, share in self.materials.items()}
        for name, kg in self.base_materials.items():
            found[name] = found.get(name, 0.0) + kg
        return {name: kg for name, kg in found.items() if kg > 0}

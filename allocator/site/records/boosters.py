"""Records of boosters: blowers, compressors and pumps that raise the pressure of a fluid."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from allocator.site.common_kinds import (
    COUNTS,
    FLOW,
    FLUID,
    KELVIN,
    LENGTH,
    MONEY,
    POSITIVE_PART,
    PRESSURE,
    SPAN,
    amounts,
)
from allocator.site.groups import ListOf
from allocator.site.keys import key, record
from allocator.site.kinds import Choice, Quantity, Whole

BoosterKind = Literal["blower", "compressor", "pump"]


@record(first=("kind", "fluids", "places", "ratio", "head", "efficiency"))
class BoosterType:
    """A kind of booster: one unit stands at the inlet of one pipe, or of one store.

    ``ratio`` of those for gas, ``head`` (m) of those for liquid. ``places``: None for no limit.
    """

    name: str
    kind: BoosterKind = key(
        Choice(("blower", "compressor", "pump")), "What it is: a pump is for liquids, else for gas"
    )
    fluids: tuple[str, ...] = key(ListOf(FLUID, least=1, distinct=True), "What it may move")
    places: Mapping[str, int | None] = key(
        COUNTS, "Most units at each place, or a list of places without limit"
    )
    efficiency: float = key(
        POSITIVE_PART, "Isentropic (of a pump: hydraulic) efficiency times that of its drive"
    )
    ratio: float | None = key(
        Quantity("number", above=1),
        "Pressure at its outlet per pressure at its inlet, both absolute. Of blowers and "
        "compressors",
        default=None,
    )
    head: float | None = key(LENGTH, "Height to which it lifts the liquid. Of pumps", default=None)
    max_flow: float | None = key(
        FLOW, "Most that one unit moves", default=None, left_out="no limit"
    )
    min_inlet_pressure: float | None = key(
        PRESSURE,
        "Least pressure at its inlet, absolute; what it adds to gas is counted at this one",
        default=None,
        left_out="the ambient pressure",
    )
    discharge_temperature: float | None = key(
        KELVIN,
        "Hottest that the gas leaves it, after its aftercooler if it has one. Needed for gas",
        default=None,
    )
    materials: Mapping[str, float] = key(amounts("mass"), "Material for one unit", default={})
    price: float = key(MONEY, "Money for one unit", default=0.0)
    life: float | None = key(SPAN, "How long it lasts", default=None, left_out="the site's `life`")
    max_units: int | None = key(Whole(), "Most units in all", default=None, left_out="no limit")

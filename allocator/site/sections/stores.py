"""Kinds of store: sizes, materials and rates."""

from __future__ import annotations

from collections.abc import Mapping

from allocator.base.quantities import format_quantity
from allocator.site.records import POWER, StoreType
from allocator.site.table import Values


def read_stores(section: Mapping[str, Values]) -> dict[str, StoreType]:
    """Every kind of store that is whole."""
    return {
        name: store
        for name, values in section.items()
        if (store := _read_store(name, values)) is not None
    }


def _read_store(name: str, values: Values) -> StoreType | None:
    size: Values | None = values.get("size")
    if size is not None:
        _check_size(size, "energy" if values.get("holds") == POWER else "mass")
    if values.has("charge_efficiency") and values.get("holds") not in (None, POWER):
        values.fault(
            "charge_efficiency", "is only for a store of power", "leave it out, or use 'loss'"
        )
    if not values.whole or size is None:
        return None
    base: Values | None = values.get("base")
    return StoreType(
        name,
        holds=values.get("holds"),
        places=values.get("places"),
        max_size=size.get("max"),
        min_size=size.get("min"),
        unit=size.get("unit"),
        materials=dict(values.get("materials", {})),
        base_materials=dict(base.get("materials", {})) if base else {},
        price=values.get("price"),
        base_price=base.get("price") if base else 0.0,
        fill_rate=values.get("fill_rate"),
        release_rate=values.get("release_rate"),
        loss=values.get("loss"),
        charge_efficiency=values.get("charge_efficiency"),
        max_inlet_temperature=values.get("max_inlet_temperature"),
    )


def _check_size(size: Values, dimension: str) -> None:
    most, least, unit = size.get("max"), size.get("min"), size.get("unit")
    if most is None:
        return
    largest = format_quantity(most, dimension)
    if least is not None and least > most:
        size.fault(
            "min",
            f"is above 'max' ({format_quantity(least, dimension)} > {largest})",
            "give a smaller 'min'",
        )
    elif unit is not None and unit > most:
        size.fault(
            "unit",
            f"is above 'max' ({format_quantity(unit, dimension)} > {largest})",
            "give a smaller 'unit' or a larger 'max'",
        )
    elif unit is not None and whole_units(most, unit) * unit < least * (1 - 1e-9):
        size.fault(
            "unit",
            f"fits no whole number of times between 'min' and 'max' ({largest})",
            "change one of the three",
        )


def whole_units(size: float, unit: float) -> int:
    """Whole units in a size; a hair short of one counts as one, as sizes come from text."""
    return int(size / unit * (1 + 1e-9))

"""Checks of a kind of store that need more than one value: its sizes."""

from __future__ import annotations

from allocator.base.quantities import format_quantity
from allocator.site.records import POWER
from allocator.site.site_values import Filled, SiteValues
from allocator.site.table import Values


def check_store(values: Values, _: SiteValues) -> Filled:
    """Sizes that do not fit together, and a charge efficiency of a store of a fluid."""
    size: Values | None = values.get("size")
    if size is not None:
        _check_size(size, "energy" if values.get("holds") == POWER else "mass")
    if values.has("charge_efficiency") and values.get("holds") not in (None, POWER):
        values.fault(
            "charge_efficiency", "is only for a store of power", "leave it out, or use 'loss'"
        )
    return {}


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

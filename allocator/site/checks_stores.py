"""Checks of a kind of store that need more than one value: its sizes."""

from __future__ import annotations

from collections.abc import Callable, Iterator

from allocator.base.dimensions import format_absolute, format_quantity
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
    if all(values.get(key) is not None for key in _PRESSURES if values.has(key)):
        for key, problem, remedy in pressure_faults(values.get):
            values.fault(key, problem, remedy)
    return {}


_PRESSURES = ("pressure", "min_pressure", "max_pressure", "pressure_rating")


def pressure_faults(get: Callable[[str], float | None]) -> Iterator[tuple[str, str, str]]:
    """Pressures of a store that do not go together: key, what is wrong, what to do."""
    constant, low, high, rating = map(get, _PRESSURES)
    if constant is not None and not (low is high is None):
        key = "min_pressure" if low is not None else "max_pressure"
        yield key, "is given beside 'pressure', which is constant", "keep one of them"
    elif (low is None) != (high is None):
        given, missing = ("max", "min") if low is None else ("min", "max")
        yield f"{given}_pressure", f"needs '{missing}_pressure' beside it", "give both"
    elif low is not None and high is not None and low > high:
        yield (
            "min_pressure",
            f"is above 'max_pressure' ({format_absolute(low)} > {format_absolute(high)})",
            "give a lower 'min_pressure'",
        )
    most = constant if high is None else high
    if rating is not None and most is not None and most > rating:
        yield (
            "pressure_rating",
            f"is below its highest pressure ({format_absolute(rating)} < {format_absolute(most)})",
            "check both",
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

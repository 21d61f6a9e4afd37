"""How a column of SI values is written for people: one unit for all, three significant figures."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import NamedTuple, TypeGuard

from allocator.base.dimensions import DIMENSIONS, next_shown
from allocator.base.grouped import grouped
from allocator.base.table import Column


class ColumnUnit(NamedTuple):
    """A unit as it is shown: its ``size`` in SI, and the ``zero`` (in SI) that it counts from."""

    name: str
    size: float
    zero: float = 0.0


_UNITS: dict[str, tuple[tuple[str, float], ...]] = {
    "mass": (("g", 1e-3), ("kg", 1.0), ("t", 1e3)),
    "mass_rate": (("mg/s", 1e-6), ("g/s", 1e-3), ("kg/s", 1.0)),
    "emission_rate": (("kg/a", 1 / 31_557_600), ("t/a", 1e3 / 31_557_600)),
    "length": (("mm", 1e-3), ("m", 1.0), ("km", 1e3)),
    "duration": (("s", 1.0), ("min", 60.0), ("h", 3600.0), ("d", 86400.0)),
    "power": (("W", 1.0), ("kW", 1e3), ("MW", 1e6), ("GW", 1e9)),
    "energy": (("Wh", 3.6e3), ("kWh", 3.6e6), ("MWh", 3.6e9), ("GWh", 3.6e12)),
    "energy_per_mass": (("kJ/kg", 1e3), ("MJ/kg", 1e6)),
    "pressure": (("mbar", 1e2), ("bar", 1e5)),
    "share": (("%", 1e-2),),
    "share_rate": (("%/d", 1e-2 / 86400.0),),
    "money_per_energy": (("/kWh", 1 / 3.6e6),),
    "money_per_mass": (("/kg", 1.0),),
    "mass_rate_per_mass": (("mg/s per kg", 1e-6),),
    "power_per_mass": (("kW/t", 1.0),),
    "mass_per_energy": (("g/kWh", 1e-3 / 3.6e6),),
}
"""Units of a dimension, rising; dimensions that are not here are shown in SI."""


def unit_of(column: Column, values: Iterable[object]) -> ColumnUnit:
    """The unit in which a column's values are shown; its name is empty where there is none.

    It is the column's own, or the largest unit of which the largest value has one or more. A
    smaller one is taken where the smallest value would be less than a hundredth, as long as no
    value has more than five digits before the point.
    """
    if column.kind == "temperature":
        return ColumnUnit("degC", 1.0, 273.15)
    if column.kind == "money":
        return ColumnUnit(column.currency, 1.0)
    if column.ambient:
        return ColumnUnit("mbar(g)", 1e2, column.ambient)
    units = _units(column)
    if column.unit:
        return next(ColumnUnit(*unit) for unit in units if unit[0] == column.unit)
    sizes = sorted(abs(value) for value in values if _is_number(value) and math.isfinite(value))
    sizes = [size for size in sizes if size >= _floor(units)]
    if not sizes:
        default = next((unit for unit in units if unit[1] >= 1.0), units[-1])
        return ColumnUnit(*default)
    least, most = sizes[0], sizes[-1]
    place = max([0, *(k for k, unit in enumerate(units) if most >= _threshold(*unit))])
    while place and least < 0.01 * units[place][1] and most < 1e5 * units[place - 1][1]:
        place -= 1
    return ColumnUnit(*units[place])


def head_of(column: Column, unit: ColumnUnit) -> str:
    """The head of a column with the unit of its values."""
    return f"{column.head}, {unit.name}".removeprefix(", ") if unit.name else column.head


def shown_cell(column: Column, value: object, unit: ColumnUnit) -> str:
    """A value for people: ``-`` for a number that is not there, no text for other such values."""
    if value is None:
        return "-" if column.numeric else ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not _is_number(value):
        return str(value)
    if not math.isfinite(value):
        return "-" if not value > 0 else "never" if column.kind == "duration" else "unlimited"
    if column.kind == "count":
        return grouped(value)
    if column.kind == "temperature":
        return figure(round(value - unit.zero, 1))
    value -= unit.zero
    if abs(value) < _floor(_units(column)):
        return "0"
    if column.kind == "share" and 0.9995 <= value < 1 - 1e-5:
        return "99.9"  # 100 % only for all
    shown = value / unit.size
    return figure(shown, 9 if column.kind not in _UNITS else 3, column.towards)


def figure(value: float, decimals: int = 3, towards: int = 0) -> str:
    """Three significant figures, at most so many decimals, no exponent, no trailing zeros.

    ``towards``: 1 to round up, -1 to round down, 0 to the nearest.
    """
    if not value:
        return "0"
    wanted = 2 - math.floor(math.log10(abs(value)))
    places = min(max(wanted, 0), decimals)
    text = f"{next_shown(value, towards, 3 - wanted + places):.{places}f}"
    text = text.rstrip("0").rstrip(".") if "." in text else text
    return "0" if text == "-0" else grouped(text)


def _units(column: Column) -> tuple[tuple[str, float], ...]:
    if column.kind in _UNITS:
        counted_in = column.currency if column.kind.startswith("money_per_") else ""
        return tuple((f"{counted_in}{name}", size) for name, size in _UNITS[column.kind])
    kind = DIMENSIONS.get(column.kind)
    name = "" if kind is None or kind.si == "1" else kind.si
    return ((name.removeprefix("1") if name.startswith("1/") else name, 1.0),)


def _threshold(name: str, size: float) -> float:
    """The largest value of a column from which a unit is taken."""
    return {"min": 600.0, "h": 7200.0, "d": 172_800.0, "km": 1e4}.get(name, size * (1 - 1e-9))


def _floor(units: tuple[tuple[str, float], ...]) -> float:
    """What is less than this is numerical noise, and shown as 0: a tenth of the smallest unit."""
    (_, smallest), *larger = units
    return smallest * (0.1 if larger else 1e-3 if smallest < 1.0 else 1e-9)


def _is_number(value: object) -> TypeGuard[float]:
    return isinstance(value, int | float) and not isinstance(value, bool)

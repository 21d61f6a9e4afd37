"""The kinds of quantity that the program knows, and how a value in SI is written for people."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from allocator.base.grouped import grouped

Exponents = tuple[tuple[str, float], ...]
"""Base dimensions and their powers, sorted by name: (("mass", 1.0), ("time", -1.0))."""


@dataclass(frozen=True, slots=True)
class Dimension:
    """A kind of quantity. ``noun`` for "a positive rate", ``example`` as a user writes it.

    ``scale``: for people, (least value in SI, unit, size of the unit in SI), rising.
    ``least``, ``most``: sizes in SI, other than 0, that any site could have by a wide margin.
    Beyond them the solver's tolerances are no longer small beside the rest of a site.
    """

    name: str
    noun: str
    si: str
    example: str
    exponents: Exponents
    scale: tuple[tuple[float, str, float], ...] = ()
    least: float = 1e-15
    most: float = 1e15

    @property
    def label(self) -> str:
        """The name with its article: "a mass rate"."""
        return f"{'an' if self.name[0] in 'aeiou' else 'a'} {self.name}"


def _dimension(
    name: str, noun: str, si: str, example: str, scale: str = "", **powers: float
) -> Dimension:
    steps = []
    for step in scale.split():
        unit, least, size = step.split("|")
        steps.append((float(least), unit, float(size)))
    exponents = tuple(sorted((base, float(power)) for base, power in powers.items()))
    within = _WITHIN.get(name, (1e-15, 1e15))
    return Dimension(name, noun, si, example, exponents, tuple(steps), *within)


_TIME = "ms|0|1e-3 s|1|1 min|600|60 h|7200|3600 d|172800|86400 a|63115200|31557600"
_MASS = "mg|0|1e-6 g|1e-3|1e-3 kg|1|1 t|1e3|1e3"
_RATE = "mg/s|0|1e-6 g/s|1e-3|1e-3 kg/s|1|1"
_YEARLY = "kg/a|0|3.1688087814028950e-8 t/a|3.1688087814028950e-5|3.1688087814028950e-5"
_POWER = "mW|0|1e-3 W|1|1 kW|1e3|1e3 MW|1e6|1e6 GW|1e9|1e9"
_ENERGY = "J|0|1 Wh|3600|3600 kWh|3.6e6|3.6e6 MWh|3.6e9|3.6e9 GWh|3.6e12|3.6e12"

_WITHIN = {
    "mass": (1e-9, 1e12),
    "mass rate": (1e-15, 1e5),
    "power": (1e-5, 1e11),
    "energy": (1e-3, 1e18),
    "length": (1e-9, 1e9),
    "duration": (1e-9, 1e13),
    "pressure": (1e-6, 1e12),
    "temperature": (1e-6, 1e6),
    "temperature difference": (1e-9, 1e6),
    "number": (1e-30, 1e30),
    "sum of money": (1e-9, 1e18),
}
"""Kind of quantity -> its least and most: no isolated site has 100 GW, or 100 t of gas a second."""

DIMENSIONS: Mapping[str, Dimension] = {
    "mass": _dimension("mass", "mass", "kg", "2.4 t", _MASS, mass=1),
    "mass_rate": _dimension("mass rate", "rate", "kg/s", "3 g/s", _RATE, mass=1, time=-1),
    "emission_rate": _dimension("mass rate", "rate", "kg/s", "300 t/a", _YEARLY, mass=1, time=-1),
    "length": _dimension("length", "length", "m", "900 m", "mm|0|1e-3 m|1|1 km|1e4|1e3", length=1),
    "duration": _dimension("duration", "duration", "s", "87 d", _TIME, time=1),
    "power": _dimension("power", "power", "W", "70 kW", _POWER, mass=1, length=2, time=-3),
    "energy": _dimension("energy", "energy", "J", "20 kWh", _ENERGY, mass=1, length=2, time=-2),
    "energy_per_mass": _dimension(
        "energy per mass",
        "energy per mass",
        "J/kg",
        "42.8 MJ/kg",
        "J/kg|0|1 kJ/kg|1e3|1e3 MJ/kg|1e6|1e6",
        length=2,
        time=-2,
    ),
    "temperature": _dimension("temperature", "temperature", "K", "40 degC", temperature=1),
    "temperature_difference": _dimension(
        "temperature difference", "difference", "K", "5 K", "K|0|1", temperature=1
    ),
    "pressure": _dimension(
        "pressure",
        "pressure",
        "Pa",
        "1.1 bar",
        "Pa|0|1 kPa|1e3|1e3 MPa|1e6|1e6",
        mass=1,
        length=-1,
        time=-2,
    ),
    "volume": _dimension("volume", "volume", "m^3", "40 m^3", "m^3|0|1", length=3),
    "speed": _dimension("speed", "speed", "m/s", "4 m/s", "m/s|0|1", length=1, time=-1),
    "share": _dimension("share", "share", "1", "35 %", "%|0|1e-2"),
    "share_rate": _dimension("share per time", "share per time", "1/s", "0.1 %/d", time=-1),
    "money": _dimension("sum of money", "sum", "1", "900"),
    "money_per_mass": _dimension("price per mass", "price", "1/kg", "1.9 /kg", "/kg|0|1", mass=-1),
    "money_per_length": _dimension(
        "price per length", "price", "1/m", "40 /m", "/m|0|1", length=-1
    ),
    "money_per_energy": _dimension(
        "price per energy",
        "price",
        "1/J",
        "300 /kWh",
        "/kWh|0|2.7777777777777776e-7",
        mass=-1,
        length=-2,
        time=2,
    ),
    "mass_per_length": _dimension(
        "mass per length", "mass per length", "kg/m", "5.44 kg/m", "kg/m|0|1", mass=1, length=-1
    ),
    "mass_per_mass": _dimension(
        "mass per mass", "mass per mass", "kg/kg", "0.5 kg/kg", "kg/kg|0|1"
    ),
    "mass_per_energy": _dimension(
        "mass per energy",
        "mass per energy",
        "kg/J",
        "9 kg/kWh",
        "kg/kWh|0|2.7777777777777776e-7",
        length=-2,
        time=2,
    ),
    "mass_rate_per_mass": _dimension(
        "mass rate per mass", "rate per mass", "kg/s/kg", "1e-6 1/s", time=-1
    ),
    "power_per_mass": _dimension(
        "power per mass", "power per mass", "W/kg", "30 kW/t", length=2, time=-3
    ),
    "power_per_length": _dimension(
        "power per length",
        "power per length",
        "W/m",
        "40 W/m",
        "W/m|0|1",
        mass=1,
        length=1,
        time=-3,
    ),
    "density": _dimension(
        "density", "density", "kg/m^3", "1.2 kg/m^3", "kg/m^3|0|1", mass=1, length=-3
    ),
    "viscosity": _dimension(
        "dynamic viscosity", "viscosity", "Pa s", "1.8e-5 Pa*s", mass=1, length=-1, time=-1
    ),
    "specific_heat": _dimension(
        "specific heat",
        "specific heat",
        "J/(kg K)",
        "1000 J/(kg*K)",
        length=2,
        time=-2,
        temperature=-1,
    ),
    "conductivity": _dimension(
        "thermal conductivity",
        "conductivity",
        "W/(m K)",
        "0.045 W/(m*K)",
        mass=1,
        length=1,
        time=-3,
        temperature=-1,
    ),
    "conductance": _dimension(
        "thermal conductance",
        "conductance",
        "W/K",
        "400 W/K",
        mass=1,
        length=2,
        time=-3,
        temperature=-1,
    ),
    "area": _dimension("area", "area", "m^2", "12 m^2", "m^2|0|1", length=2),
    "thermal_resistance": _dimension(
        "thermal resistance",
        "resistance",
        "m^2 K/W",
        "0.18 m^2*K/W",
        mass=-1,
        time=3,
        temperature=1,
    ),
    "molar_mass": _dimension(
        "molar mass", "molar mass", "kg/mol", "28 g/mol", mass=1, substance=-1
    ),
    "number": _dimension("number", "number", "1", "1.5"),
}
"""Every kind of quantity that a site file or a report holds, by the name the program uses."""


def format_apart(one: float, other: float, dimension: str) -> tuple[str, str]:
    """Two values in SI for people, with more digits where three do not tell them apart."""
    said = format_quantity(one, dimension), format_quantity(other, dimension)
    if said[0] != said[1]:
        return said
    unit = DIMENSIONS[dimension].si
    return f"{grouped(f'{one:.9g}')} {unit}", f"{grouped(f'{other:.9g}')} {unit}"


def absolute_apart(one: float, other: float) -> tuple[str, str]:
    """Two absolute pressures in Pa for people, said to be absolute."""
    first, second = format_apart(one, other, "pressure")
    return f"{first} absolute", f"{second} absolute"


def format_absolute(pascal: float) -> str:
    """An absolute pressure in Pa for people: ``103 kPa absolute``."""
    return f"{format_quantity(pascal, 'pressure')} absolute"


def format_gauge(pascal: float, ambient: float) -> str:
    """An absolute pressure in Pa as a gauge on site shows it, to 0.1 mbar: ``30.1 mbar(g)``."""
    over = round((pascal - ambient) / 10.0) / 10.0
    return f"{grouped(f'{over + 0.0:.10g}')} mbar(g)"


def format_quantity(value: float, dimension: Dimension | str, towards: int = 0) -> str:
    """A value in SI for people: three digits (four from 1000 on) in a unit that suits it.

    Parameters
    ----------
    value
        In SI.
    dimension
        One of :data:`DIMENSIONS` or its name. Temperatures come in degC.
    towards
        1 to round up, -1 to round down, 0 to the nearest.

    Returns
    -------
    str
        Number and unit.

    Examples
    --------
    >>> import allocator as al
    >>> al.format_quantity(0.0742, "mass_rate"), al.format_quantity(5.46e6, "duration")
    ('74.2 g/s', '63.2 d')
    """
    kind = DIMENSIONS[dimension] if isinstance(dimension, str) else dimension
    if not math.isfinite(value):
        return f"{value} {kind.si}".removesuffix(" 1")
    if kind.name == "temperature":
        return f"{short_number(round(next_shown(value - 273.15, towards), 1))} degC"
    if not kind.scale:
        return f"{short_number(next_shown(value, towards))} {kind.si}".removesuffix(" 1")
    _, unit, size = next((step for step in kind.scale if step[2] == 1.0), kind.scale[0])
    if value:
        # A unit is taken when the value reads at least its threshold after rounding to 3 digits.
        rounded = abs(float(f"{value:.3g}"))
        fits = [step for step in kind.scale if rounded >= step[0] * (1 - 1e-9)]
        _, unit, size = fits[-1] if fits else kind.scale[0]
    return f"{short_number(next_shown(value / size, towards))} {unit}"


def next_shown(value: float, towards: int, digits: int = 3) -> float:
    """The next value up or down that so many digits show, and all digits before the point."""
    if not towards or not value or not math.isfinite(value):
        return value
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    scaled = value * 10.0**places
    # a millionth is rounding of what was computed
    away = math.ceil if towards > 0 else math.floor
    return away(scaled - towards * 1e-6 * abs(scaled)) / 10.0**places


def short_number(value: float) -> str:
    """Three significant digits, all digits before the point, no trailing zeros, never "-0"."""
    if abs(value) >= 999.5:
        return grouped(value) if abs(value) < 1e15 else f"{value:.3g}"
    return f"{value:.3g}" if value else "0"

"""Usual fluids and pipe of standard sizes: values of keys by one name, each with its source.

Heating values and emission factors are quoted from memory of the publications named. Tests hold
them against enthalpies of formation, CoolProp and the masses that the standards of pipe give.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

_GAS = "ISO 6976:2016, net calorific value at 25 degC"
_MIX = "ISO 6976:2016 and the composition, net at 25 degC"
_LIQUID = "NIST Chemistry WebBook, heat of combustion of the liquid, water as vapour"
_LIBRARY = "CoolProp"
_MIXED = "CoolProp, pure gases at 15 degC and 1 atm, mixed by Wilke (1950)"
_WARMING = "IPCC AR6 WG1, table 7.15, 100 years"
_CARBON = "carbon in the formula"
_IPCC = "IPCC 2006 Guidelines, volume 2, tables 1.2 and 1.4"


@dataclass(frozen=True, slots=True)
class CatalogueValue:
    """A value as a site file writes it at ``key``, such as ``constants.viscosity``.

    ``coldest``: K down to which it is on the safe side, None where that is no question.
    """

    key: str
    text: str
    source: str
    coldest: float | None = None


@dataclass(frozen=True, slots=True)
class CatalogueFluid:
    """A fluid. ``co2``: kg that burning 1 kg of it makes, for the outputs of a machine."""

    name: str
    about: str
    values: tuple[CatalogueValue, ...]
    co2: float = 0.0
    co2_source: str = ""


@dataclass(frozen=True, slots=True)
class CataloguePipe:
    """Pipe of a standard size: ``outside`` diameter and ``wall`` in m."""

    name: str
    outside: float
    wall: float
    source: str

    @property
    def bore(self) -> float:
        """Inner diameter, m."""
        return self.outside - 2 * self.wall

    @property
    def values(self) -> tuple[CatalogueValue, ...]:
        """Bore, and the thickness of the first layer."""
        source = f"{self.source}, from memory"
        return (
            CatalogueValue("bore", f"{1e3 * self.bore:.2f} mm", source),
            CatalogueValue("layers[1].thickness", f"{1e3 * self.wall:.2f} mm", source),
        )


def _pure(
    name: str, heat: str, source: str, *, library: str, phase: str = "gas", co2: float = 0.0
) -> CatalogueFluid:
    """A fluid of one substance; ``heat``: MJ/kg, or nothing where it does not burn."""
    values = [
        CatalogueValue("phase", phase, "at 15 degC and 1 atm"),
        CatalogueValue("substance", library, _LIBRARY),
    ]
    if heat:
        values.append(CatalogueValue("heating_value", f"{heat} MJ/kg", source))
    return CatalogueFluid(name, library, tuple(values), co2, _CARBON if co2 else "")


def _with(fluid: CatalogueFluid, *more: CatalogueValue) -> CatalogueFluid:
    return CatalogueFluid(
        fluid.name, fluid.about, (*fluid.values, *more), fluid.co2, fluid.co2_source
    )


def _mixture(name: str, about: str, figures: Mapping[str, str], co2: float) -> CatalogueFluid:
    """A gas of several substances, by figures: property -> text."""
    sources = {
        "heating_value": _MIX,
        "vented_weight": f"{_WARMING}, of the methane",
        "may_hold": "usual in raw gas of this kind",
    }
    values = [
        CatalogueValue(
            key if key in sources else f"constants.{key}", text, sources.get(key, _MIXED)
        )
        for key, text in figures.items()
    ]
    return CatalogueFluid(name, about, tuple(values), co2, _CARBON)


_FLUIDS = (
    _with(
        _pure("methane", "50.03", _GAS, library="Methane", co2=2.743),
        CatalogueValue("vented_weight", "29.8", f"{_WARMING}, fossil"),
    ),
    _pure("hydrogen", "119.96", _GAS, library="Hydrogen"),
    _mixture(
        "natural gas",
        "by volume: methane 93 %, ethane 4 %, propane, nitrogen and CO2 1 % each (assumed)",
        {
            "heating_value": "47.67 MJ/kg",
            "vented_weight": "25.7",
            "molar_mass": "17.284 g/mol",
            "viscosity": "1.087e-5 Pa*s",
            "specific_heat": "2108 J/(kg*K)",
            "conductivity": "0.0315 W/(m*K)",
        },
        2.674,
    ),
    _mixture(
        "landfill gas",
        "by volume: methane 50 %, CO2 50 % (assumed), dry, biogenic",
        {
            "heating_value": "13.36 MJ/kg",
            "vented_weight": "7.21",
            "may_hold": "[hydrogen sulphide, carbon dioxide]",
            "molar_mass": "30.026 g/mol",
            "viscosity": "1.333e-5 Pa*s",
            "specific_heat": "1207 J/(kg*K)",
            "conductivity": "0.0235 W/(m*K)",
        },
        1.466,
    ),
    _mixture(
        "biogas",
        "by volume: methane 60 %, CO2 40 % (assumed), dry, biogenic",
        {
            "heating_value": "17.68 MJ/kg",
            "vented_weight": "9.54",
            "may_hold": "[hydrogen sulphide, carbon dioxide]",
            "molar_mass": "27.230 g/mol",
            "viscosity": "1.298e-5 Pa*s",
            "specific_heat": "1325 J/(kg*K)",
            "conductivity": "0.0252 W/(m*K)",
        },
        1.616,
    ),
    _with(
        _pure("carbon monoxide", "10.10", _GAS, library="CarbonMonoxide", co2=1.571),
        CatalogueValue("constants.viscosity", "1.72e-5 Pa*s", "CRC Handbook, from memory"),
        CatalogueValue("constants.conductivity", "0.0241 W/(m*K)", "CRC Handbook, from memory"),
    ),
    _pure("propane", "46.33", _GAS, library="n-Propane", co2=2.994),
    _pure("butane", "45.72", _GAS, library="n-Butane", co2=3.029),
    _pure("ammonia", "18.60", _GAS, library="Ammonia"),
    _pure("methanol", "19.90", _LIQUID, library="Methanol", phase="liquid", co2=1.373),
    _pure("ethanol", "26.80", _LIQUID, library="Ethanol", phase="liquid", co2=1.911),
    CatalogueFluid(
        "diesel",
        "gas oil, fossil",
        (
            CatalogueValue("phase", "liquid", "at 15 degC and 1 atm"),
            CatalogueValue("heating_value", "43.0 MJ/kg", _IPCC),
            CatalogueValue("constants.density", "833 kg/m^3", "EN 590, middle of its range"),
            CatalogueValue(
                "constants.viscosity",
                "1.5e-2 Pa*s",
                "at 0 degC, for all above: EN 590's most (4.5 mm2/s at 40 degC) by ASTM D341 with "
                "2.7 mm2/s at 40 and 1.1 at 100 degC for its slope (from memory)",
                coldest=273.15,
            ),
        ),
        3.186,
        _IPCC,
    ),
    _pure("water", "", "", library="Water", phase="liquid"),
    _pure("nitrogen", "", "", library="Nitrogen"),
    _with(
        _pure("fossil CO2", "", "", library="CarbonDioxide"),
        CatalogueValue("emission", "counted", "its name"),
    ),
    _with(
        _pure("biogenic CO2", "", "", library="CarbonDioxide"),
        CatalogueValue("emission", "biogenic", "its name"),
    ),
)

FLUIDS: Mapping[str, CatalogueFluid] = {fluid.name: fluid for fluid in _FLUIDS}
"""Usual fluids by name."""

_NPS = {
    "1/4": (13.7, 2.24, 3.02),
    "3/8": (17.1, 2.31, 3.20),
    "1/2": (21.3, 2.77, 3.73),
    "3/4": (26.7, 2.87, 3.91),
    "1": (33.4, 3.38, 4.55),
    "1 1/4": (42.2, 3.56, 4.85),
    "1 1/2": (48.3, 3.68, 5.08),
    "2": (60.3, 3.91, 5.54),
    "2 1/2": (73.0, 5.16, 7.01),
    "3": (88.9, 5.49, 7.62),
    "3 1/2": (101.6, 5.74, 8.08),
    "4": (114.3, 6.02, 8.56),
    "5": (141.3, 6.55, 9.53),
    "6": (168.3, 7.11, 10.97),
    "8": (219.1, 8.18, 12.70),
    "10": (273.0, 9.27, 15.09),
    "12": (323.8, 10.31, 17.48),
}
"""ASME B36.10M: outside diameter, wall of schedule 40 and of 80, mm."""

_DN = {
    8: (13.5, 2.3, 2.9),
    10: (17.2, 2.3, 2.9),
    15: (21.3, 2.6, 3.2),
    20: (26.9, 2.6, 3.2),
    25: (33.7, 3.2, 4.0),
    32: (42.4, 3.2, 4.0),
    40: (48.3, 3.2, 4.0),
    50: (60.3, 3.6, 4.5),
    65: (76.1, 3.6, 4.5),
    80: (88.9, 4.0, 5.0),
    100: (114.3, 4.5, 5.4),
    125: (139.7, 5.0, 5.4),
    150: (165.1, 5.0, 5.4),
}
"""EN 10255: outside diameter, wall of the medium and of the heavy series, mm."""

PIPES: Mapping[str, CataloguePipe] = {
    name: CataloguePipe(name, outside / 1e3, wall / 1e3, source)
    for name, outside, wall, source in (
        *(
            (f"NPS {size} SCH {schedule}", outside, wall, "ASME B36.10M")
            for size, (outside, *walls) in _NPS.items()
            for schedule, wall in zip((40, 80), walls, strict=True)
        ),
        *(
            (f"DN {size} {series}", outside, wall, "EN 10255")
            for size, (outside, *walls) in _DN.items()
            for series, wall in zip(("medium", "heavy"), walls, strict=True)
        ),
    )
}
"""Pipe of standard sizes by name."""

"""What a site has and what may be built on it: frozen records in SI units.

Every number is a float in SI: kilogram, metre, second, watt, joule, kelvin, pascal.
Money has no dimension. Names are the user's own. Optional facts are ``None`` when absent.
Fields declare the keys of the site file (:mod:`allocator.site.keys`);
:mod:`allocator.site.reading` makes records from a file and refuses what cannot be.
"""

from allocator.site.records.boosters import BoosterKind, BoosterType
from allocator.site.records.built import (
    GOALS,
    Built,
    BuiltBooster,
    BuiltCooler,
    BuiltHeatSink,
    BuiltPipe,
    Mix,
)
from allocator.site.records.enclosures import Enclosure, WallArea, WallLayer
from allocator.site.records.ground import (
    Ambient,
    Emission,
    Fluid,
    Limits,
    MapOrigin,
    Material,
    Phase,
    Place,
)
from allocator.site.records.heat_sinks import HeatSink, HeatSinkCooler, HeatSinkRecovery
from allocator.site.records.network import Layer, Line, PipeType, Route
from allocator.site.records.site import Site
from allocator.site.records.storage import POWER, StoreType
from allocator.site.records.supply import Chamber, Pump, RecordedFlow, Source, Stage
from allocator.site.records.use import Cooler, Demand, MachineType, Profile
from allocator.site.spreads import Spread

__all__ = [
    "GOALS",
    "POWER",
    "Ambient",
    "BoosterKind",
    "BoosterType",
    "Built",
    "BuiltBooster",
    "BuiltCooler",
    "BuiltHeatSink",
    "BuiltPipe",
    "Chamber",
    "Cooler",
    "Demand",
    "Emission",
    "Enclosure",
    "Fluid",
    "HeatSink",
    "HeatSinkCooler",
    "HeatSinkRecovery",
    "Layer",
    "Limits",
    "Line",
    "MachineType",
    "MapOrigin",
    "Material",
    "Mix",
    "Phase",
    "PipeType",
    "Place",
    "Profile",
    "Pump",
    "RecordedFlow",
    "Route",
    "Site",
    "Source",
    "Spread",
    "Stage",
    "StoreType",
    "WallArea",
    "WallLayer",
]

"""Keys of pipes, routes and power lines."""

from __future__ import annotations

from allocator.site.groups import ListOf
from allocator.site.kinds import Flag, Quantity
from allocator.site.spreads import Ranged
from allocator.site.table import Key, KeyTable
from allocator.site.tables.common import (
    BETWEEN,
    FLOW,
    FLUID,
    MATERIAL,
    PIPE,
    WATTS,
    materials,
    price,
)

PIPES = KeyTable(
    (
        Key("capacity", FLOW, "Most that it carries"),
        Key("bore", Quantity("length", above=0), "Inner diameter"),
        Key(
            "layers",
            ListOf(
                KeyTable(
                    (
                        Key("material", MATERIAL, "Of which it is made", required=True),
                        Key(
                            "mass",
                            Quantity("mass_per_length", above=0),
                            "Mass per length of run; default: by 'bore', 'thickness' and density",
                        ),
                        Key("thickness", Quantity("length", above=0), "Thickness"),
                    )
                )
            ),
            "Materials per length, from the inside out",
        ),
        price("money_per_length", "Money per length"),
        Key("fluids", ListOf(FLUID, least=1, distinct=True), "What it may carry; default: any"),
        Key(
            "inlet_pressure",
            Quantity("pressure", above=0),
            "For the capacity by bore; default: the lowest pressure of the fluid's sources",
        ),
        Key(
            "outlet_pressure",
            Quantity("pressure", above=0),
            "For the capacity by bore; default: the ambient pressure",
        ),
        Key(
            "max_velocity",
            Quantity("speed", above=0),
            "Highest, for the capacity by bore; default: 20 m/s for gases, 2 m/s for liquids",
        ),
        Key("max_mach", Quantity("number", above=0, most=1), "Highest Mach number", default="0.3"),
        Key("roughness", Quantity("length", above=0), "Of the inner wall", default="4.5e-5"),
        Key("max_temperature", Quantity("temperature", above=0), "Hottest fluid that it may carry"),
    )
)

ROUTES = KeyTable(
    (
        Key("between", BETWEEN, "The two places that it joins", required=True),
        Key(
            "length",
            Quantity("length", above=0),
            "Length of the run; default: the straight line times 'detour_factor'",
        ),
        Key(
            "detour_factor",
            Quantity("number", least=1),
            "Length of the run per length of the straight line",
            default="1",
        ),
        Key("pipes", ListOf(PIPE, least=1, distinct=True), "What may be laid; default: any"),
        Key("one_way", Flag(), "Only from the first place to the second", default="false"),
        Key("cost", Quantity("money_per_mass", least=0), "Money per kg moved", default="0"),
        Key(
            "burial_depth", Quantity("length", above=0), "Depth of the pipe's axis below the ground"
        ),
        Key(
            "max_surface_temperature",
            Quantity("temperature", above=0),
            "Hottest surface, where people may touch the pipe",
        ),
        Key(
            "heat_limit",
            Quantity("power", above=0),
            "Most heat that one pipe may let into what is around the route",
        ),
    ),
    reserved={
        "via": "give 'length' or 'detour_factor'",
        "geometry": "give 'length' or 'detour_factor'",
    },
    exclusive=(("length", "detour_factor"),),
)

LINES = KeyTable(
    (
        Key("between", BETWEEN, "The two places that it joins", required=True),
        Key("capacity", WATTS, "Most power sent", required=True),
        Key(
            "length", Quantity("length", above=0), "Length of the line; default: the straight line"
        ),
        Key("loss", Ranged("share", least=0, below=1), "Share of what is sent lost", default="0"),
        materials("mass_per_length", "Material per length"),
        price("money_per_length", "Money per length"),
    )
)

"""Builds of the site as layers of known conductivity."""

from __future__ import annotations

from allocator.network.records import Network
from allocator.physics.conductivity import Conductivity
from allocator.site.enclosures import EMISSIVITY, conductivity_of
from allocator.site.records import PipeType, Site

GROUND = "ambient.ground_conductivity"
"""Address of what the site file says of the ground."""

Pipe = tuple[float, tuple[tuple[Conductivity, float], ...], float]
"""Bore, layers of (conductivity, thickness) from the inside out, emissivity outside."""


DRY_GROUND = 0.5
"""W/(m K) of dry ground: 2 K m/W, the figure for cables in it (IEC 60287-3-1, from memory).

A hot pipe dries the ground around it, whatever it was before."""
WET_GROUND = 2.0
"""The same of wet ground, where heat is to be on the safe side."""


def ground_of(site: Site) -> tuple[float, float]:
    """W/(m K) of the ground around buried pipes: for temperatures, and for heat.

    The ends of a range, unless a study has set one value of it.
    """
    spread, own = site.spreads.get(GROUND), site.ambient.ground_conductivity
    if spread is not None and own == spread.middle:
        return spread.low, spread.high
    return (DRY_GROUND, WET_GROUND) if own is None else (own, own)


def pipe_of(site: Network, build: PipeType, unknown: float = EMISSIVITY) -> Pipe | None:
    """A build with bore, thicknesses and conductivities; None where one of them is not given.

    ``unknown``: the emissivity of surfaces for which none is given.
    """
    if build.bore is None:
        return None
    layers = []
    for layer in build.layers:
        conductivity = conductivity_of(site.materials[layer.material], unknown)
        if layer.thickness is None or conductivity is None:
            return None
        layers.append((conductivity, layer.thickness))
    return build.bore, tuple(layers), emissivity_of(site, build, unknown)


def emissivity_of(site: Network, build: PipeType, unknown: float = EMISSIVITY) -> float:
    """Of a build's outermost layer."""
    if not build.layers:
        return unknown
    found = site.materials[build.layers[-1].material].emissivity
    return unknown if found is None else found


def missing_of(site: Network, build: PipeType) -> str:
    """What keeps a build from being reckoned with, in words; empty where nothing does."""
    if build.bore is None:
        return "its bore is not given"
    for layer in build.layers:
        if layer.thickness is None:
            return f"the thickness of its {layer.material} is not given"
        if conductivity_of(site.materials[layer.material]) is None:
            return f"the conductivity of {layer.material} is not given"
    return ""

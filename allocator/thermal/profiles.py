"""Temperature along a run: the march of its ends, asked at points between them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from allocator.network.insulation import pipe_of
from allocator.network.offers import Ask, ends_at_most, march
from allocator.network.records import Network
from allocator.physics.faults import PhysicsError
from allocator.plans.records import FlowHeat

POINTS = 25
"""Points along a run, both ends included; closest at its start, where a fluid cools fastest."""

SHARES = np.linspace(0.0, 1.0, POINTS) ** 2
"""Where they stand, of the length."""


class TemperatureProfile(NamedTuple):
    """A flow along its run: ``metres`` from its start, ``fluid`` and ``surface`` K there."""

    flow: FlowHeat
    metres: tuple[float, ...]
    fluid: tuple[float, ...]
    surface: tuple[float, ...]


def profiles_of(site: Network, flows: Sequence[FlowHeat]) -> list[TemperatureProfile]:
    """Profiles of flows through pipes that are known in full, in still air; others are left out.

    A point is the end of a run cut there, so the last one is the flow's own outlet. The surface
    is that of a run which the fluid enters as warm as it is at the point, without the film inside.
    """
    found: dict[int, TemperatureProfile] = {}
    for fluid in dict.fromkeys(flow.fluid for flow in flows):
        mine = [k for k, flow in enumerate(flows) if flow.fluid == fluid and _known(site, flow)]
        try:
            told = _profiles(site, fluid, [flows[k] for k in mine]) if mine else []
        except PhysicsError:
            continue
        found |= dict(zip(mine, told, strict=True))
    return [found[k] for k in sorted(found)]


def _known(site: Network, flow: FlowHeat) -> bool:
    stream = site.routes[flow.route].stream
    if flow.rate <= 0 or (stream is not None and stream.kind != "pipe"):
        return False
    return pipe_of(site, site.pipes[flow.build]) is not None


def _profiles(site: Network, fluid: str, flows: Sequence[FlowHeat]) -> list[TemperatureProfile]:
    cut, rates = [], []
    for flow in flows:
        route, build = site.routes[flow.route], site.pipes[flow.build]
        for share in SHARES[1:]:
            part = replace(route, length=route.length * float(share))
            cut.append(Ask(part, build, fluid, flow.inlet))
            rates.append(flow.rate)
    coldest = march(site, fluid, cut, np.array(rates)).end
    ends = ends_at_most(site, fluid, cut, np.array(rates), coldest).reshape(len(flows), -1)
    fluids = np.column_stack([[flow.inlet for flow in flows], ends])
    asks = [
        Ask(site.routes[flow.route], site.pipes[flow.build], fluid, float(kelvin))
        for flow, row in zip(flows, fluids, strict=True)
        for kelvin in row
    ]
    outside = march(site, fluid, asks, np.repeat([flow.rate for flow in flows], POINTS))
    surfaces = outside.surface.reshape(len(flows), POINTS)
    return [
        TemperatureProfile(
            flow,
            tuple(float(x) for x in site.routes[flow.route].length * SHARES),
            tuple(float(t) for t in fluids[k]),
            tuple(float(t) for t in surfaces[k]),
        )
        for k, flow in enumerate(flows)
    ]

"""Every build of one run: material, heat loss, temperatures, and the lightest that holds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from allocator.base.errors import AllocatorError
from allocator.network.deriving import network_of
from allocator.network.insulation import missing_of, pipe_of
from allocator.network.levels import levels_of, planned_fluids
from allocator.network.offers import Ask, Offer, ends_at_most, march, offers_of
from allocator.network.pressure_offers import PressureOffer, pressure_offers
from allocator.network.properties import film_fluid, hottest_source
from allocator.network.records import Network
from allocator.physics.faults import PhysicsError
from allocator.physics.insulation import critical_radius
from allocator.site.records import PipeType, Route, Site

TOUCH_FILM = 10.0
"""W/(m2 K): still air and radiation about a warm surface, for the critical radius."""


@dataclass(frozen=True, slots=True)
class BuildRow:
    """A build on the run at one inlet temperature (K); heat and ends at full flow, upper bounds.

    ``per_metre``: kg of all its materials; ``mass``: kg in all. ``loss_per_metre``: W/m at the hot
    end; ``loss``: W in all; ``surface``, ``end``: K. ``end_at_flow``: K at the flow asked about.
    ``broken``: limits that it breaks. ``missing``: what is not known of it. ``warning``: in words.
    ``pressure``: what it carries by pressures, where they are computed.
    """

    fluid: str
    inlet: float
    build: str
    capacity: float
    per_metre: float
    mass: float
    materials: dict[str, float]
    loss_per_metre: float
    loss: float
    surface: float
    end: float
    end_at_flow: float | None
    broken: tuple[str, ...]
    missing: str
    warning: str
    pressure: PressureOffer | None = None


def rows_of_route(
    site: Site,
    route: str,
    *,
    fluid: str | None = None,
    temperature: float | None = None,
    flow: float | None = None,
    tell: Callable[[str], object] = lambda words: None,
) -> list[BuildRow]:
    """The rows of :func:`allocator.studies.insulate_result.insulate`."""
    site = network_of(site)
    corridor = corridor_of(site, route)
    rows: list[BuildRow] = []
    unknown: list[str] = []
    for name in _fluids(site, corridor, fluid, temperature):
        try:
            inlets = _inlets(site, name, temperature)
            rows += _rows_at(site, corridor, name, inlets, flow)
            if max(inlets) > site.ambient.temperature and not film_fluid(site, name, max(inlets)):
                tell(
                    f"fluid '{name}' has no known conductivity: end temperatures are without the "
                    "film inside pipes, and may be higher"
                )
        except PhysicsError as error:
            unknown.append(f"fluid '{name}': {error}")
    if not rows:
        raise AllocatorError(
            unknown[0] if unknown else f"route '{route}' offers no build for '{fluid}'"
        )
    for words in unknown:
        tell(f"left out: {words}")
    return rows


def _rows_at(
    site: Network, corridor: Route, fluid: str, inlets: list[float], flow: float | None
) -> list[BuildRow]:
    rows = []
    for inlet in inlets:
        builds = [b for b in corridor.pipes if carries(site, b, fluid)]
        asks = [Ask(corridor, site.pipes[b], fluid, inlet) for b in builds]
        if asks:
            offers, ends = offers_of(site, asks), _ends(site, fluid, asks, flow)
            pressed = pressure_offers(site, asks, flow)
            found = zip(offers, ends, pressed, strict=True)
            rows += [_row(site, offer, end, pressure) for offer, end, pressure in found]
    return rows


def lightest(rows: Sequence[BuildRow], fluid: str, inlet: float) -> BuildRow | None:
    """The build of least mass that holds every limit and is known; None where none does."""
    fit = [r for r in rows if (r.fluid, r.inlet) == (fluid, inlet) and not r.broken]
    return min(fit, key=lambda row: (row.mass, row.build), default=None)


def corridor_of(site: Site, route: str) -> Route:
    """A route of the site file, whole as the file gives it."""
    site = network_of(site)
    plain = site.site
    if route not in plain.routes:
        known = ", ".join(list(plain.routes)[:8])
        raise AllocatorError(f"there is no route '{route}'; the site has {known or 'none'}")
    return site.corridors.get(route) or site.routes[route]


def carries(site: Network, build: str, fluid: str) -> bool:
    """Whether a build is for a fluid."""
    able = site.pipes[build].fluids
    return able is None or fluid in able


def _fluids(site: Network, route: Route, fluid: str | None, temperature: float | None) -> list[str]:
    if fluid is not None:
        if fluid not in site.fluids:
            raise AllocatorError(f"there is no fluid '{fluid}'; {', '.join(site.fluids)} are known")
        if temperature is None and not _known(site, fluid):
            raise AllocatorError(
                f"no source of '{fluid}' has a temperature; give --temperature, or 'temperature' "
                "to its sources"
            )
        return [fluid]
    found = [name for name in site.fluids if _known(site, name)]
    found = [name for name in found if any(carries(site, b, name) for b in route.pipes)]
    if not found:
        raise AllocatorError(
            f"nothing that route '{route.name}' may carry has a source with a temperature; give "
            "--fluid and --temperature, or 'temperature' to the sources"
        )
    return found


def _known(site: Network, fluid: str) -> bool:
    return any(s.fluid == fluid and s.temperature for s in site.sources.values())


def _inlets(site: Network, fluid: str, temperature: float | None) -> list[float]:
    if temperature is not None:
        return [temperature]
    if fluid in planned_fluids(site):
        return list(reversed(levels_of(site, fluid)))
    return [hottest_source(site, fluid)]


def _ends(site: Network, fluid: str, asks: list[Ask], flow: float | None) -> list[float | None]:
    if flow is None:
        return [None] * len(asks)
    rates = np.full(len(asks), flow)
    ends = ends_at_most(site, fluid, asks, rates, march(site, fluid, asks, rates).end)
    return [
        float(end) if pipe_of(site, ask.build) is not None else ask.inlet
        for ask, end in zip(asks, ends, strict=True)
    ]


def _row(
    site: Network, offer: Offer, end_at_flow: float | None, pressure: PressureOffer | None
) -> BuildRow:
    build, length = offer.ask.build, offer.ask.route.length
    materials = build.masses(length)
    broken = list(offer.broken)
    if pressure is not None and pressure.lacks:
        broken.append("pressure too low")
    if pressure is not None and pressure.fast:
        broken.append("too fast")
    if pressure is not None and not pressure.rating:
        broken.append("pressure rating too low")
    return BuildRow(
        offer.ask.fluid,
        offer.ask.inlet,
        build.name,
        offer.capacity,
        sum(materials.values()) / length,
        sum(materials.values()),
        materials,
        offer.per_metre,
        offer.heat_loss,
        offer.surface,
        offer.end,
        end_at_flow,
        tuple(broken),
        missing_of(site, build),
        _warning(site, build),
        pressure,
    )


def _warning(site: Network, build: PipeType) -> str:
    """Where a thin layer around a small pipe makes it lose more, not less."""
    pipe = pipe_of(site, build)
    if pipe is None:
        return ""
    bore, layers, _ = pipe
    radius = bore / 2
    for kind, thickness in layers:
        radius += thickness
        if kind.vacuum:
            continue
        critical = float(critical_radius(kind.at(site.ambient.temperature), TOUCH_FILM))
        if kind.values[0] < 1.0 and radius < critical:
            return (
                f"{kind.name} below its critical radius of {1000 * critical:.3g} mm: it adds loss"
            )
    return ""

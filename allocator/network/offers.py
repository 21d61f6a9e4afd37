"""Which builds hold on which route for a stream, and how warm it certainly is at the end.

For limits the upper temperature counts: still air, and the greatest flow, which cools least. Heat
and surfaces are those without the film inside the pipe, which are the greatest; an end is that with
a film that is no better than the real one, the hottest of all lesser flows
(:mod:`allocator.physics.inner_film`). A surface of unknown emissivity is dull for heat, and bright
for its temperature and for ends; ground of unknown conductivity is wet for heat, else dry. A build
whose layers are not known in full counts as bare for its surface and loses nothing for its end, so
that every answer is on the safe side, but for a fluid whose conductivity is not known: its ends
count without the film, as the site's check tells.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from allocator.network.by_bore import Wanted, capacities_of, falls_of
from allocator.network.insulation import Pipe, emissivity_of, ground_of, pipe_of
from allocator.network.pressure_ranges import range_of
from allocator.network.properties import film_fluid, heat_capacity
from allocator.network.records import Network
from allocator.physics.arrays import Floats, floats
from allocator.physics.conductivity import BEYOND
from allocator.physics.insulation import Insulation, Outside, insulation_of
from allocator.physics.runs import Along, along, hottest_end
from allocator.site.enclosures import DULL, EMISSIVITY
from allocator.site.records import PipeType, Route

STANDARD_BORE = 0.1
"""m, where a build gives no bore: its losses are not reckoned, only its limits."""


class Ask(NamedTuple):
    """A build on a route that carries a fluid which enters at a temperature (K)."""

    route: Route
    build: PipeType
    fluid: str
    inlet: float


class Offer(NamedTuple):
    """``capacity``: kg/s. ``end`` and ``surface``: K, upper bounds. ``per_metre`` W/m at the hot

    end and ``heat_loss`` W in all, at full flow. ``reckoned``: whether its layers are known.
    ``broken``: the limits that it breaks, in words.
    """

    ask: Ask
    capacity: float
    end: float
    surface: float
    per_metre: float
    heat_loss: float
    reckoned: bool
    broken: tuple[str, ...]


def offers_of(site: Network, asks: Sequence[Ask]) -> list[Offer]:
    """What each build comes to.

    Raises:
        PhysicsError: a property of a fluid is not known at a temperature that is asked for.
    """
    found: dict[int, Offer] = {}
    for fluid in dict.fromkeys(ask.fluid for ask in asks):
        rows = [i for i, ask in enumerate(asks) if ask.fluid == fluid]
        mine = [asks[i] for i in rows]
        rates = capacities(site, mine)
        marched = march(site, fluid, mine, np.array(rates))
        dull = march(site, fluid, mine, np.array(rates), DULL)
        ends = ends_at_most(site, fluid, mine, np.array(rates), marched.end)
        for k, i in enumerate(rows):
            found[i] = _offer(site, asks[i], rates[k], marched, dull, float(ends[k]), k)
    return [found[i] for i in range(len(asks))]


def capacities(site: Network, asks: Sequence[Ask]) -> list[float]:
    """kg/s of each: by the bore at the temperature at which the fluid enters, or as given."""
    computed = {fluid for fluid in {ask.fluid for ask in asks} if range_of(site, fluid)}
    by_bore = [
        i
        for i, ask in enumerate(asks)
        if ask.build.by_bore or (ask.build.bore is not None and ask.fluid in computed)
    ]
    wanted = [
        Wanted(ask.build, ask.route.length, ask.fluid, ask.inlet, falls_of(site, ask.route))
        for ask in map(asks.__getitem__, by_bore)
    ]
    rates = [ask.build.capacity for ask in asks]
    for i, (rate, _) in zip(by_bore, capacities_of(site, wanted), strict=True):
        rates[i] = rate
    return rates


def march(
    site: Network,
    fluid: str,
    asks: Sequence[Ask],
    rates: np.ndarray,
    unknown: float = EMISSIVITY,
) -> Along:
    """Heat, surfaces, and the coldest ends of runs at a flow, in still air, without a film inside.

    For all flows up to ``rates`` upper bounds of surfaces, where surfaces of ``unknown`` emissivity
    are bright and the ground is dry, and of heat, where they are dull and it is wet; for ends see
    `ends_at_most`.
    """
    return along(
        _insulation(site, asks, unknown),
        np.array([ask.inlet for ask in asks]),
        np.array([ask.route.length for ask in asks]),
        rates,
        heat_capacity(site, fluid, max(ask.inlet for ask in asks)),
        _outside(site, asks, most=unknown == DULL),
    )


def ends_at_most(
    site: Network, fluid: str, asks: Sequence[Ask], rates: np.ndarray, coldest: Floats
) -> Floats:
    """K at the end of each run at the most, for all flows up to ``rates``, in still air.

    ``coldest``: the ends of :func:`march`; they are those where the fluid's conductivity is not
    known. What is no warmer than its surroundings warms most without a film, with dull surfaces and
    in wet ground.
    """
    around = site.ambient.temperature
    ends: Floats = np.array(coldest)
    cold = [k for k, ask in enumerate(asks) if ask.inlet <= around]
    if cold:
        ends[cold] = march(site, fluid, [asks[k] for k in cold], rates[cold], DULL).end
    rows = [k for k, ask in enumerate(asks) if ask.inlet > around and rates[k] > 0]
    hottest = max((asks[k].inlet for k in rows), default=around)
    film = film_fluid(site, fluid, hottest) if rows else None
    if film is None:
        return ends
    mine = [asks[k] for k in rows]
    found = hottest_end(
        _insulation(site, mine),
        floats(np.array([ask.inlet for ask in mine])),
        floats(np.array([ask.route.length for ask in mine])),
        floats(rates[rows]),
        heat_capacity(site, fluid, hottest),
        _outside(site, mine, most=False),
        film,
    )
    ends[rows] = np.maximum(found, ends[rows])
    return ends


def _insulation(site: Network, asks: Sequence[Ask], unknown: float = EMISSIVITY) -> Insulation:
    return insulation_of(
        [pipe_of(site, a.build, unknown) or _bare(site, a.build, unknown) for a in asks]
    )


def _outside(site: Network, asks: Sequence[Ask], *, most: bool) -> Outside:
    depth = np.array(
        [np.nan if a.route.burial_depth is None else a.route.burial_depth for a in asks]
    )
    ground = ground_of(site)[most]
    return Outside.of(len(asks), site.ambient.temperature, depth=depth, ground=ground, most=most)


def _bare(site: Network, build: PipeType, unknown: float) -> Pipe:
    return (build.bore or STANDARD_BORE, (), emissivity_of(site, build, unknown))


def _offer(
    site: Network, ask: Ask, rate: float, marched: Along, dull: Along, ends: float, k: int
) -> Offer:
    reckoned = pipe_of(site, ask.build) is not None
    surface = float(marched.surface[k]) if reckoned else ask.inlet
    lost = float(dull.heat_loss[k])
    broken = []
    if ask.build.max_temperature is not None and ask.inlet > ask.build.max_temperature:
        broken.append("fluid too hot for it")
    if reckoned and not bool(marched.known[k]):
        broken.append(_unknown(site, ask))
    broken += _layers_too_hot(site, ask, surface, float(marched.per_metre[k]))
    if (
        ask.route.max_surface_temperature is not None
        and surface > ask.route.max_surface_temperature
    ):
        broken.append("surface too hot")
    if ask.route.heat_limit is not None and lost > ask.route.heat_limit:
        broken.append("too much heat")
    end = ends if reckoned else ask.inlet
    per_metre = float(dull.per_metre[k])
    return Offer(ask, rate, end, surface, per_metre, lost, reckoned, tuple(broken))


def _unknown(site: Network, ask: Ask) -> str:
    """Of a conductivity that is not known: whether layers may be too hot for it, or too cold."""
    tables = [[k for k, _ in site.materials[x.material].conductivity] for x in ask.build.layers]
    kelvin = [table for table in tables if len(table) > 1]
    around = site.ambient.temperature
    hot = any(max(around, ask.inlet) > max(table) + BEYOND for table in kelvin)
    cold = any(min(around, ask.inlet) < min(table) - BEYOND for table in kelvin)
    return "a conductivity not known " + " or ".join(["so hot"] * hot + ["so cold"] * cold)


def _layers_too_hot(site: Network, ask: Ask, surface: float, per_metre: float) -> list[str]:
    """Layers whose inner side would be too hot; each counts as warm as the fluid, but the last

    of several where it is metal, which counts as warm as its inner side can be: ``surface + q'
    ln(r2/r1) / (2 pi k)`` with the least conductivity and the loss a metre at the inlet, W/m."""
    found = []
    around = 0.0 if ask.build.bore is None else ask.build.bore / 2
    for number, layer in enumerate(ask.build.layers):
        material = site.materials[layer.material]
        inner, around = around, around + (layer.thickness or 0.0)
        outer = number > 0 and number == len(ask.build.layers) - 1
        least = min((k for _, k in material.conductivity), default=0.0)
        warm = ask.inlet
        if outer and least > 1.0:
            through = math.log(around / inner) / (2 * math.pi * least) if inner > 0 else math.inf
            warm = min(warm, surface + max(0.0, per_metre) * through)
        if material.max_temperature is not None and warm > material.max_temperature:
            found.append(f"{layer.material} too hot")
    return found

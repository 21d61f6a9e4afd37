"""What builds on a route carry by the pressures that a site states, without boosters."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from allocator.network.offers import Ask
from allocator.network.pressure_curves import losses_at
from allocator.network.pressure_ranges import given_pressures, range_of
from allocator.network.pressure_remarks import least_needed
from allocator.network.pressures import PipeAsk, losses_of
from allocator.network.records import Network
from allocator.physics.pressure_loss import greatest_flow


@dataclass(frozen=True, slots=True)
class PressureOffer:
    """A build by pressures: Pa at which the fluid ``enters``, the highest at which it is given, and

    ``needed`` at the end, the least of all that takes it. ``flow``: kg/s, the greatest that leaves
    that. ``end``: Pa left of a flow that was asked about (0: it does not get there), or None.
    ``rating``: whether the build bears the lowest pressure at which a source gives it.
    """

    enters: float
    needed: float
    flow: float
    end: float | None
    rating: bool

    @property
    def lacks(self) -> bool:
        """Whether too little is left of the flow that was asked about."""
        return self.end is not None and self.end < self.needed * (1 - 1e-9)


def pressure_offers(
    site: Network, asks: Sequence[Ask], flow: float | None
) -> list[PressureOffer | None]:
    """Each build that carries a flow (kg/s) along a route; None where pressures are not computed.

    Of a route that is used both ways the way that rises counts.
    """
    return [_offer(site, ask, flow) for ask in asks]


def _offer(site: Network, ask: Ask, flow: float | None) -> PressureOffer | None:
    one = site.pressures.get(ask.fluid)
    between = None if one is None else range_of(site, ask.fluid)
    given = [p for p in given_pressures(site, ask.fluid) if p is not None]
    if one is None or between is None or ask.build.bore is None:
        return None
    fall = site.places[ask.route.start].elevation - site.places[ask.route.end].elevation
    if not ask.route.one_way:
        fall = -abs(fall)
    kelvin = max(ask.inlet, site.ambient.temperature)
    (loss,) = losses_of(site, between, [PipeAsk(ask.build, ask.route.length, fall, kelvin)])
    enters, needed = one.potential(max(given)), least_needed(site, one)
    most = greatest_flow(
        loss.factor,
        loss.reynolds,
        loss.roughness,
        loss.end,
        enters - needed - loss.head,
        enters - loss.head,
    )
    end = None
    if flow is not None:
        left = enters - loss.head - losses_at([loss], [flow])[0][0]
        end = one.pressure(left) if left > max(0.0, loss.end * flow**2) else 0.0
    mouths = [one.pressure(p) for (kind, _), p in one.shut_in.items() if kind == "source"]
    rating = ask.build.pressure_rating
    return PressureOffer(
        one.pressure(enters),
        one.pressure(needed),
        min(float(most), loss.capacity),
        end,
        rating is None or rating >= min(mouths, default=-math.inf),
    )

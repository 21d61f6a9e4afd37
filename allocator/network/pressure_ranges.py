"""Between what the pressures of a fluid are, on a site, and whether they are computed at all."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.grouped import grouped
from allocator.network.pressure_records import AtRest, Rise
from allocator.network.properties import substance_of
from allocator.network.records import Network
from allocator.physics.arrays import FloatLike, Floats, floats
from allocator.physics.faults import PhysicsError, UnknownPropertyError
from allocator.physics.pressure_loss import GRAVITY
from allocator.physics.substances import Substance, saturation_pressure, value
from allocator.site.records import BoosterType, PipeType

GAS_VELOCITY, LIQUID_VELOCITY = 20.0, 2.0
"""m/s where a pipe type gives none: rules of thumb."""

UNSAID = 2.0
"""What has no pressure gives at most this many times the highest pressure that is stated."""

AIR = 287.055
"""J/(kg K), gas constant of dry air (ISO 2533)."""

WARMER = 5.0
"""K by which a liquid is taken warmer until its properties are known: colder, it is frozen."""


@dataclass(frozen=True, slots=True)
class PressureRange:
    """What a fluid's pressures are between: potentials, as of :class:`FluidPressures`.

    ``cold`` and ``hot``: K between which it flows, anywhere. ``unsaid``: Pa at most, where it is
    given at a pressure that is not stated. ``heavy`` and ``light``: kg/m3 of a
    liquid, coldest and hottest; ``viscosity`` of a liquid, Pa s, coldest. ``air``: kg/m3 of the air
    outside, from whose pressure at the same height that of a gas counts.
    """

    substance: Substance
    ambient: float
    least: float
    most: float
    cold: float
    hot: float
    unsaid: float = math.inf
    heavy: float = 0.0
    light: float = 0.0
    viscosity: float = 0.0
    air: float = 0.0

    @property
    def gas(self) -> bool:
        """Whether it is a gas; else a liquid."""
        return self.substance.phase == "gas"

    def gas_law(self, kelvin: Floats) -> Floats:
        """``Rs T = p / rho``, J/kg, the largest between the least and the highest pressure."""
        found = self._law(kelvin, self.ambient)
        try:
            return floats(np.maximum(found, self._law(kelvin, math.sqrt(self.most))))
        except PhysicsError:  # liquid at a pressure that a booster could give: gas is denser there
            return found

    def heaviest_law(self) -> float:
        """The smallest ``p / rho``, J/kg, of what is gas at its coldest between those pressures.

        Along a line of one temperature it falls with pressure, up to where the gas condenses, or
        up to a pressure from which on it rises. Wet gas may be as much heavier.
        """
        cold, low, high = floats(self.cold), self.ambient, math.sqrt(self.most)

        def law(pressure: float) -> float:
            return float(self._law(cold, pressure))

        try:
            law(high)
        except PhysicsError:
            library = self.substance.library
            if library is None or "&" in library:
                raise
            high = (1.0 - 1e-6) * min(high, saturation_pressure(library, self.cold))
        found = min(law(low), law(high))
        rises = law(high) > (1.0 + 1e-9) * law(0.999 * high)
        if rises and law(1.001 * low) < (1.0 - 1e-9) * law(low):
            while high - low > 1e-3 * high:
                third = (high - low) / 3.0
                if law(low + third) > law(high - third):
                    low += third
                else:
                    high -= third
            found = min(found, law(high) * low / high)  # density rises: nowhere between less
        return found / self.substance.heaviest

    def _law(self, kelvin: Floats, pressure: float) -> Floats:
        return floats(pressure / value(self.substance, "density", kelvin, pressure))


def range_of(site: Network, fluid: str) -> PressureRange | None:
    """Between what the pressures of a fluid are; None where they are not computed.

    Raises:
        PhysicsError: a property is not possible, or no pressure is above the ambient one.
    """
    record = site.fluids[fluid]
    stated = list(given_pressures(site, fluid))
    known = [pressure for pressure in stated if pressure is not None]
    if (
        record.phase == "solid"
        or not known
        or all(pipe.bore is None for pipe in _pipes_for(site, fluid))
    ):
        return None
    ambient, substance = site.ambient.pressure, substance_of(site, fluid)
    cold, hot = _temperatures(site, fluid)
    air = ambient / (AIR * site.ambient.temperature)
    found = PressureRange(substance, ambient, 0.0, 0.0, cold, hot, air=air)
    try:
        if found.gas:
            for name in ("density", "viscosity", "sound_speed"):
                value(substance, name, hot, ambient)
        else:
            found = _liquid(found)
    except UnknownPropertyError:
        return None
    top = max(known)
    unsaid = UNSAID * max([top, *_needed(site, fluid)])
    if None in stated:
        top = unsaid
    boosters = [b for b in site.boosters.values() if fluid in b.fluids]
    if found.gas:
        found = replace(found, unsaid=unsaid, least=ambient**2, most=top**2)
    else:
        found = replace(found, unsaid=unsaid, least=ambient, most=top)
    gains = math.fsum(_units(site, b) * gain_of(site, found, b) for b in boosters)
    found = replace(found, most=found.most + gains)
    heights = [place.elevation for place in site.places.values()]
    lost, fallen = map(float, heads(found, max(heights) - min(heights)))
    if found.gas:  # what is lighter than air gains by rising
        fallen = max(0.0, fallen, -lost)
    if found.most + (0.0 if found.gas else fallen) <= found.least:
        if not _by_bore(site, fluid):
            return None
        raise PhysicsError(
            f"has no pressure for '{fluid}' above the ambient {grouped(f'{ambient:.6g}')} Pa "
            f"(highest {grouped(f'{top:.6g}')} Pa)",
            "check the pressures of its sources ('5 kPa(g)' counts from the ambient one), or offer "
            "a booster",
        )
    return replace(found, most=found.most + fallen)


def given_pressures(site: Network, fluid: str) -> Iterator[float | None]:
    """Pa at which sources, stores and machines give a fluid; None where it is not said."""
    for source in site.own_sources.values():
        if source.fluid == fluid:
            yield source.pressure
    for machine in site.machines.values():
        if fluid in machine.outputs:
            yield machine.outlet_pressure
    for store in site.storage.values():
        pressure = store.pressure or store.max_pressure
        if store.holds == fluid and pressure is not None:
            yield pressure


def _needed(site: Network, fluid: str) -> Iterator[float]:
    """Pa that machines and demands need."""
    for machine in site.machines.values():
        if fluid in machine.inputs and machine.min_inlet_pressure is not None:
            yield machine.min_inlet_pressure
    for demand in site.demands.values():
        if demand.wants == fluid and demand.min_inlet_pressure is not None:
            yield demand.min_inlet_pressure


def _pipes_for(site: Network, fluid: str) -> list[PipeType]:
    return [pipe for pipe in site.pipes.values() if pipe.fluids is None or fluid in pipe.fluids]


def _by_bore(site: Network, fluid: str) -> bool:
    """Whether a pipe for a fluid has no capacity of its own."""
    return any(pipe.by_bore for pipe in _pipes_for(site, fluid))


def _temperatures(site: Network, fluid: str) -> tuple[float, float]:
    """K of a fluid at its coldest and hottest, anywhere on the site."""
    found = [site.ambient.temperature]
    found += [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    found += [
        m.outlet_temperature
        for m in site.machines.values()
        if fluid in m.outputs and m.outlet_temperature is not None
    ]
    cold = min(found)
    found += [
        b.discharge_temperature
        for b in site.boosters.values()
        if fluid in b.fluids and b.discharge_temperature is not None
    ]
    return cold, max(found)


def _liquid(found: PressureRange) -> PressureRange:
    """With its densities and its viscosity; as cold as it is still known."""
    cold, at = found.cold, found.ambient
    while True:
        try:
            heavy, viscosity = (
                float(value(found.substance, name, cold, at)) for name in ("density", "viscosity")
            )
            break
        except UnknownPropertyError:
            raise
        except PhysicsError:
            if cold >= found.hot:
                raise
            cold = min(cold + WARMER, found.hot)
    light, thin = (
        float(value(found.substance, name, found.hot, at)) for name in ("density", "viscosity")
    )
    return replace(
        found,
        cold=cold,
        heavy=max(heavy, light),
        light=min(heavy, light),
        viscosity=max(viscosity, thin),
    )


def _units(site: Network, booster: BoosterType) -> float:
    """Most units of a booster that may stand one behind the other."""
    ways = dict.fromkeys(booster.places, 0)
    for route in (site.corridors or site.routes).values():
        for end in (route.start, route.end):
            if end in ways:
                ways[end] += 1
    total = sum(ways[p] if most is None else most for p, most in booster.places.items())
    standing = sum(one.booster == booster.name for one in site.built.boosters)
    return max(standing, total if booster.max_units is None else min(total, booster.max_units))


def inlet_of(site: Network, booster: BoosterType) -> float:
    """Pa, the least at the inlet of a booster."""
    return max(booster.min_inlet_pressure or 0.0, site.ambient.pressure)


def gain_of(site: Network, found: PressureRange, booster: BoosterType) -> float:
    """Potential that a booster surely adds: ``(ratio^2 - 1) p^2`` at its least inlet pressure."""
    if found.gas:
        ratio = booster.ratio or 1.0
        return (ratio**2 - 1.0) * inlet_of(site, booster) ** 2
    return found.light * GRAVITY * (booster.head or 0.0)


def heads(found: PressureRange, rises: FloatLike) -> tuple[Floats, Floats]:
    """Potential lost by rising a height (m), and gained by falling as much; safe of a liquid.

    Of a gas ``d(p^2) = -2 g (p^2 / (Rs T) - p rho_air) dz``, as its pressure counts from that of
    the air outside, which falls with height as well: what is lighter than air loses by falling. It
    is gained at least at ``rho_air Rs T / 2``, or what is nearest to it, and its hottest. What is
    lost at the least pressure and its coldest is the least that counts: more by :func:`rise_of`.
    """
    heights = floats(rises)
    if not found.gas:
        return floats(GRAVITY * found.heavy * heights), floats(GRAVITY * found.light * heights)
    low, high = math.sqrt(found.least), math.sqrt(found.most)
    law = float(found.gas_law(floats(found.hot)))
    least = min(max(found.air * law / 2.0, low), high)
    gained = least * (least / law - found.air)
    lost = low * (low / found.heaviest_law() - found.air)
    by_height = 2.0 * GRAVITY * heights
    return floats(by_height * lost), floats(by_height * gained)


def rise_of(found: PressureRange, height: float) -> Rise:
    """What gas loses by rising a height (m), of any potential, at its coldest."""
    law = found.heaviest_law()
    growth, air = 2.0 * GRAVITY * height / law, 2.0 * GRAVITY * height * found.air
    least = max(found.air * law / 2.0, math.sqrt(found.least))  # where it gains most
    return Rise(growth, air, max(0.0, air * least - growth * least**2))


def at_rest(found: PressureRange, ratio: float) -> tuple[AtRest, ...]:
    """How potentials change with height while nothing flows: one of these gives the most.

    Of a liquid the whole line coldest, and again hottest. Of a gas, down, ``dU = 2 g (U / (Rs T) -
    rho_air sqrt(U)) dh``. Coldest, with the chord of the root between the ambient and the highest
    pressure, gives no less below what feeds it; hottest, with its tangent at the ambient pressure,
    no less above it. ``ratio``: of all boosters that may be one behind the other.
    """
    if not found.gas:
        weights = dict.fromkeys((GRAVITY * found.heavy, GRAVITY * found.light))
        return tuple(AtRest(0.0, weight) for weight in weights)
    air, ambient = GRAVITY * found.air, found.ambient
    cold = found.heaviest_law()
    hot = float(found.gas_law(floats(found.hot)))
    top = math.sqrt(found.most) * ratio
    chord = 2.0 * air / (ambient + top)  # sqrt(U) >= (U + ambient top) / (ambient + top)
    below = AtRest(2.0 * GRAVITY / cold - chord, -chord * ambient * top, cold, found.air)
    above = AtRest(2.0 * GRAVITY / hot - air / ambient, -air * ambient, hot, found.air)
    return below, above

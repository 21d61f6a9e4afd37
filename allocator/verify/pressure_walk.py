"""The audit's own loss of pressure: a pipe is walked in steps, with exact acceleration.

Of a gas, isothermal, with ``Rs T = p / rho`` and slope s:

    d(p^2)/dx = -(f / D G^2 Rs T + 2 g s (p^2 / (Rs T) - p rho_air)) / (1 - G^2 Rs T / p^2)

by the midpoint rule, p counted from the air outside at the same height. Of a liquid ``dp/dx = -f
G^2 / (2 rho D) - rho g s``. Between laminar and turbulent flow the larger of both friction factors
counts. Gas is at its hottest, and as heavy as at its coldest where it rises; a liquid is as viscous
as at its coldest.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from allocator.base.errors import AllocatorError
from allocator.physics.substances import Substance, value
from allocator.site.records import PipeType
from allocator.verify.case import Case
from allocator.verify.properties import substance_of

GRAVITY = 9.80665
STEPS = 64
USUAL = {"gas": 20.0, "liquid": 2.0, "solid": 2.0}
"""m/s that the site file's documentation gives pipes without a velocity."""
UNSAID = 2.0
"""What has no pressure gives at most this many times the highest pressure that is stated."""


@dataclass(frozen=True, slots=True)
class WalkedPipe:
    """A pipe in use, one way: ``rise`` in m, ``kelvin`` of a gas at its hottest."""

    kind: PipeType
    length: float
    rise: float
    kelvin: float


@dataclass(frozen=True, slots=True)
class WalkedFluid:
    """What a walk must know of a fluid: K between which it is, densities and viscosity of a liquid.

    ``unsaid``: Pa at which it is given where that is not said. ``air``: kg/m3 of the air outside.
    """

    substance: Substance
    ambient: float
    cold: float
    hot: float
    unsaid: float
    air: float = 0.0
    heavy: float = 0.0
    light: float = 0.0
    viscosity: float = 0.0

    @property
    def gas(self) -> bool:
        """Whether it is a gas."""
        return self.substance.phase == "gas"

    def at(self, name: str, kelvin: float, pascal: float) -> float:
        """A property."""
        return float(value(self.substance, name, kelvin, pascal))

    def law(self, kelvin: float, pascal: float) -> float:
        """``Rs T``, J/kg, the larger of that at a pressure and at the ambient one."""
        return max(self._laws(kelvin, pascal))

    def _laws(self, kelvin: float, pascal: float) -> list[float]:
        return [p / self.at("density", kelvin, p) for p in (pascal, self.ambient)]

    def _heaviest(self, pascal: float) -> float:
        return min(self._laws(self.cold, pascal)) / self.substance.heaviest

    def at_rest(self, pressure: float, rise: float, hot: bool) -> float:
        """Pa a height above a pressure with nothing flowing; below it where ``rise`` is negative.

        Of a gas ``dp/dz = -g (p / (Rs T) - rho_air)``, solved, with the ``Rs T`` of its hottest or
        its coldest at that pressure.
        """
        if not self.gas:
            return pressure - (self.light if hot else self.heavy) * GRAVITY * rise
        law = self.law(self.hot, pressure) if hot else self._heaviest(pressure)
        floats_at = self.air * law  # Pa at which it is as heavy as the air
        return floats_at + (pressure - floats_at) * math.exp(-GRAVITY * rise / law)

    def outlet(self, pipe: WalkedPipe, inlet: float, flow: float) -> float:
        """Pa at the end of a pipe; 0 where nothing gets there."""
        bore, kind = pipe.kind.bore, pipe.kind
        flux = 0.0 if bore is None else 4.0 * flow / (math.pi * bore**2)
        if not inlet > 0:
            return 0.0
        if not self.gas:
            rho = self.heavy if pipe.rise > 0 else self.light
            lost = rho * GRAVITY * pipe.rise
            if bore is not None:
                factor = friction(flux * bore / self.viscosity, kind.roughness / bore)
                lost += factor * pipe.length / bore * flux**2 / (2.0 * self.light)
            return max(0.0, inlet - lost)
        law = self.law(pipe.kelvin, inlet)
        factor = 0.0
        if bore is not None:
            viscosity = self.at("viscosity", pipe.kelvin, self.ambient)
            factor = friction(flux * bore / viscosity, kind.roughness / bore) / bore
        slope = 2.0 * GRAVITY * pipe.rise / pipe.length
        heavy = self._heaviest(inlet) if pipe.rise > 0 else law
        lost, fast = factor * flux**2 * law, flux**2 * law
        return end_of_gas(inlet**2, pipe.length, lost, (slope / heavy, slope * self.air), fast)

    def speed(self, pipe: WalkedPipe, pressure: float, flow: float) -> float:
        """m/s at an end at a pressure; of wet gas by ``1 + w`` more than the real one."""
        assert pipe.kind.bore is not None
        if not pressure > 0:
            return math.inf
        flux = 4.0 * flow / (math.pi * pipe.kind.bore**2)
        if not self.gas:
            return flux / self.light
        return flux * self.law(pipe.kelvin, pressure) / pressure


def end_of_gas(
    squared: float, length: float, lost: float, weights: tuple[float, float], fast: float
) -> float:
    """Pa at the end of ``d(p^2)/dx = -(lost + gas p^2 - air p) / (1 - fast / p^2)``; 0: it chokes.

    ``weights``: gas, air.
    """
    gas, air = weights

    def slope(now: float) -> float:
        room = 1.0 - fast / now if now > 0 else 0.0
        return (lost + gas * now - air * math.sqrt(now)) / room if room > 0 else math.inf

    step = length / STEPS
    for _ in range(STEPS):
        squared -= step * slope(squared - step / 2 * slope(squared))
        if not squared > 0:
            return 0.0
    return math.sqrt(squared)


def friction(reynolds: float, roughness: float) -> float:
    """Darcy friction: the larger of ``64/Re`` and Colebrook's factor (1939), by halving

    ``x = 1/sqrt(f)`` in ``x + 2 lg(e/3.7 + 2.51 x/Re) = 0``, which rises with x.
    """
    if not reynolds > 0:
        return 0.0
    laminar = 64.0 / reynolds
    if reynolds < 300.0:  # Colebrook's factor is below it for any roughness
        return laminar
    low, high = 0.1, 100.0
    for _ in range(60):
        x = (low + high) / 2
        if x + 2.0 * math.log10(roughness / 3.7 + 2.51 * x / reynolds) < 0:
            low = x
        else:
            high = x
    return max(laminar, 1.0 / high**2)


def walked_fluid(case: Case, fluid: str) -> WalkedFluid | None:
    """A fluid whose pressures along lines count; None where none is known, or no bore is."""
    site = case.site
    bored = [
        p
        for p in site.pipes.values()
        if p.bore is not None and (p.fluids is None or fluid in p.fluids)
    ]
    given, needed = list(_given(case, fluid)), list(_needed(case, fluid))
    if site.fluids[fluid].phase == "solid" or not bored or not given:
        return None
    boosters = [b for b in site.boosters.values() if fluid in b.fluids]
    ambient = site.ambient.pressure
    unsaid = UNSAID * max([*given, *needed])
    cold, hot = _temperatures(case, fluid)
    air = ambient * 0.0289647 / (8.31446 * site.ambient.temperature)  # molar mass of dry air
    found = WalkedFluid(substance_of(case, fluid), ambient, cold, hot, unsaid, air)
    if not _can_know(found.substance):
        return None
    found, heights = _known(found), [place.elevation for place in site.places.values()]
    fallen = found.light * GRAVITY * (max(heights) - min(heights))  # 0 of a gas
    return found if boosters or max(given) + fallen > ambient else None


def _can_know(substance: Substance) -> bool:
    """Whether every property that a walk needs is given, or the property library has it."""
    given = set(substance.constants)
    if substance.phase == "gas" and "molar_mass" in given:
        given.add("density")
    needed = {"density", "viscosity"} | ({"specific_heat"} if substance.phase == "gas" else set())
    return substance.library is not None or needed <= given


def _known(found: WalkedFluid) -> WalkedFluid:
    """With the properties of a liquid, as cold as it is still one."""
    if found.gas:
        return found
    cold = found.cold
    while True:
        try:
            values = [
                (found.at("density", k, found.ambient), found.at("viscosity", k, found.ambient))
                for k in (cold, found.hot)
            ]
            break
        except AllocatorError:
            if cold >= found.hot:
                raise
            cold = min(cold + 5.0, found.hot)
    densities, viscosities = zip(*values, strict=True)
    return WalkedFluid(
        found.substance,
        found.ambient,
        cold,
        found.hot,
        found.unsaid,
        found.air,
        max(densities),
        min(densities),
        max(viscosities),
    )


def _given(case: Case, fluid: str) -> Iterator[float]:
    site = case.site
    for source in site.sources.values():
        if source.fluid == fluid and source.pressure is not None:
            yield source.pressure
    for machine in site.machines.values():
        if fluid in machine.outputs and machine.outlet_pressure is not None:
            yield machine.outlet_pressure
    for store in site.storage.values():
        pressure = store.pressure or store.max_pressure
        if store.holds == fluid and pressure is not None:
            yield pressure


def _needed(case: Case, fluid: str) -> Iterator[float]:
    for machine in case.site.machines.values():
        if fluid in machine.inputs and machine.min_inlet_pressure is not None:
            yield machine.min_inlet_pressure
    for demand in case.site.demands.values():
        if demand.wants == fluid and demand.min_inlet_pressure is not None:
            yield demand.min_inlet_pressure


def _temperatures(case: Case, fluid: str) -> tuple[float, float]:
    site = case.site
    found = [site.ambient.temperature]
    found += [s.temperature for s in site.sources.values() if s.fluid == fluid and s.temperature]
    for machine in site.machines.values():
        if fluid in machine.outputs and machine.outlet_temperature is not None:
            found.append(machine.outlet_temperature)
    warm = [
        b.discharge_temperature
        for b in site.boosters.values()
        if fluid in b.fluids and b.discharge_temperature is not None
    ]
    return min(found), max([*found, *warm])

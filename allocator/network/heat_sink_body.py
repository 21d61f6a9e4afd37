"""A bath of a site as a thermal mass: what fills it, what comes in bursts, what draws heat."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from allocator.base.errors import AllocatorError
from allocator.network.properties import substance_of
from allocator.network.records import Network
from allocator.physics.arrays import Floats, floats
from allocator.physics.boiling import Boiling, boiling
from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_cycles import CycleBlock, cycle_of
from allocator.physics.substances import value
from allocator.physics.thermal_mass import HeatDraw, Inflow, ThermalMass
from allocator.site.clocks import exact_cycle
from allocator.site.records import HeatSink, Source

POINTS = 129
"""Temperatures at which the heat of gas is looked up, and of a bath for which its mean is."""


class HeatSinkError(AllocatorError):
    """A bath for which something is not known, or that cannot be."""

    def __init__(self, heat_sink: HeatSink, what: str, error: PhysicsError) -> None:
        self.what = f"{what}{error}"
        super().__init__(f"heat sink '{heat_sink.name}': {self.what}")


class Filling(NamedTuple):
    """``specific_heat``: J/(kg K). ``boils``: how, None for what does not boil.

    ``per_kg``: J a kg of steam takes along: make-up included where it is vented.
    """

    specific_heat: float
    boils: Boiling | None
    per_kg: float


class GasHeat(NamedTuple):
    """``heat``: J a kg of gas above the coldest of ``kelvin``, at which it is known.

    ``coldest``, ``hot``: K of the heat sink at its coldest, and of the gas as it comes.
    """

    kelvin: Floats
    heat: Floats
    coldest: float
    hot: float

    def means(self, effectiveness: float, top: float) -> Floats:
        """J/(kg K), means over what gas cools in baths from the coldest to ``top`` K."""
        baths = np.linspace(self.coldest, min(top, self.hot), POINTS)
        # within a kelvin of the gas the mean is as good as the specific heat at one temperature
        leaves = np.minimum(self.hot - effectiveness * (self.hot - baths), self.hot - 1.0)
        known = np.interp(np.append(leaves, self.hot), self.kelvin, self.heat)
        return floats((known[-1] - known[:-1]) / (self.hot - leaves))


class Coming(NamedTuple):
    """While the source is on: ``heat`` W, or ``contact`` W/K from gas at ``hot`` K.

    The heat of ``gas`` falls by no one specific heat: ``contact`` is the greatest in baths up to
    the limit. ``sure``: W/K that come in any bath, without vapour.
    """

    heat: float
    contact: float
    hot: float
    gas: GasHeat | None = None
    sure: float = 0.0

    def on(self, span: float) -> Inflow:
        """The inflow for some seconds."""
        return Inflow(span, self.heat, self.contact, self.hot)

    def most(self, at: float) -> float:
        """W that come while a bath is at a temperature (K)."""
        return self.heat + max(0.0, self.contact * (self.hot - at))

    def up_to(self, heat_sink: HeatSink, source: Source, top: float) -> Coming:
        """The same for a bath that comes to ``top`` K."""
        if self.gas is None:
            return self
        mean = float(self.gas.means(heat_sink.effectiveness, top).max())
        return self._replace(contact=heat_sink.effectiveness * source.flow * mean)

    def outlet(self, heat_sink: HeatSink, at: float) -> float | None:
        """K at which the gas leaves a bath that is at ``at`` K; None where its heat is given."""
        return self.hot - heat_sink.effectiveness * (self.hot - at) if self.contact else None


def filling(site: Network, heat_sink: HeatSink) -> Filling:
    """What fills a bath. Raises :class:`HeatSinkError` where its specific heat is not known."""
    if heat_sink.fluid is None:
        assert heat_sink.specific_heat is not None
        return Filling(heat_sink.specific_heat, None, math.inf)
    fluid = site.fluids[heat_sink.fluid]
    own = fluid.constants.get("specific_heat")
    around = site.ambient.temperature
    try:
        if fluid.phase != "liquid" or fluid.substance is None:
            substance = substance_of(site, fluid.name, dry=True)
            heat = float(value(substance, "specific_heat", around, heat_sink.pressure))
            return Filling(heat, None, math.inf)
        boils = boiling(fluid.substance, heat_sink.pressure, around)
    except PhysicsError as error:
        raise HeatSinkError(heat_sink, f"fluid '{fluid.name}' ", error) from None
    per_kg = boils.latent if heat_sink.steam_recovered else boils.warmed
    return Filling(own or boils.specific_heat, boils, per_kg)


def coming(site: Network, heat_sink: HeatSink, within: Filling) -> Coming:
    """What comes while the source is on. Raises :class:`HeatSinkError`."""
    if heat_sink.heat_while_on is not None:
        return Coming(heat_sink.heat_while_on, 0.0, 0.0)
    source = site.sources[heat_sink.source]
    try:
        low, top = span_of(site, heat_sink, within)
        gas = gas_heat(site, source, low)
        dry = gas if not source.water else gas_heat(site, source, low, dry=True)
    except PhysicsError as error:
        raise HeatSinkError(
            heat_sink, f"fluid '{source.fluid}' of source '{source.name}' ", error
        ) from None
    share = heat_sink.effectiveness
    sure = share * source.flow * float(dry.means(share, gas.hot).min())
    return Coming(0.0, 0.0, gas.hot, gas, sure).up_to(heat_sink, source, top)


def span_of(site: Network, heat_sink: HeatSink, within: Filling) -> tuple[float, float]:
    """K of a bath at its coldest, and the hottest that its limit, its gas and its boiling allow."""
    air, start = site.ambient.temperature, heat_sink.initial_temperature
    hot = site.sources[heat_sink.source].temperature
    assert hot is not None
    lowest = min(around_of(site, heat_sink), air, start)
    boils = math.inf if within.boils is None else within.boils.at
    return lowest, max(min(heat_sink.max_temperature, hot, boils), lowest)


def gas_heat(site: Network, source: Source, lowest: float, *, dry: bool = False) -> GasHeat:
    """Heat of a source's gas, with the vapour that comes along unless ``dry``."""
    hot = source.temperature
    assert hot is not None
    pressure = source.pressure or site.ambient.pressure
    kelvin = floats(np.linspace(min(lowest, hot - 1.0), hot, POINTS))
    capacity = value(substance_of(site, source.fluid, dry=dry), "specific_heat", kelvin, pressure)
    steps = np.diff(kelvin) * (capacity[1:] + capacity[:-1]) / 2
    heat = floats(np.concatenate([[0.0], np.cumsum(steps)]))
    return GasHeat(kelvin, heat, min(lowest, hot), hot)


def around_of(site: Network, heat_sink: HeatSink) -> float:
    """K to which a bath loses heat."""
    own = heat_sink.outside_temperature
    return site.ambient.temperature if own is None else own


NO_COOLER = HeatDraw(math.inf, 0.0)


def body_of(
    site: Network,
    heat_sink: HeatSink,
    within: Filling,
    mass: float,
    recovery: bool,
    cooler: HeatDraw,
) -> ThermalMass:
    """The bath with ``mass`` kg; draws: recovery, cooler, boiling, in this order.

    A draw that is not there takes nothing.
    """
    draws = [
        HeatDraw(heat_sink.recovery.threshold, heat_sink.recovery.duty)
        if recovery and heat_sink.recovery
        else HeatDraw(math.inf, 0.0),
        cooler,
    ]
    if within.boils is not None:
        draws.append(HeatDraw(within.boils.at, math.inf))
    return ThermalMass(
        mass * within.specific_heat,
        heat_sink.loss_conductance,
        around_of(site, heat_sink),
        tuple(draws),
    )


def period_of(site: Network, heat_sink: HeatSink, body: ThermalMass, inflow: Coming) -> CycleBlock:
    """One outermost period of the source, as the body sees it; of an inexact cycle always on."""
    source = site.sources[heat_sink.source]
    exact = exact_cycle(source, site.spreads)
    stages = [(stage.on, stage.every) for stage in source.stages if exact]
    return cycle_of(body, stages, inflow.on)

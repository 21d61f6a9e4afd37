"""A bath of a site as a thermal mass: what fills it, what comes in bursts, what draws heat."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np

from allocator.base.errors import AllocatorError
from allocator.network.records import Network
from allocator.physics.boiling import Boiling, boiling
from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_cycles import CycleBlock, cycle_of
from allocator.physics.substances import Substance, value
from allocator.physics.thermal_mass import HeatDraw, Inflow, ThermalMass
from allocator.site.clocks import exact_cycle
from allocator.site.records import Fluid, HeatSink

POINTS = 9
"""Temperatures at which the specific heat of gas is looked up between the air's and its own."""


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


class Coming(NamedTuple):
    """While the source is on: ``heat`` W, or ``contact`` W/K from gas at ``hot`` K."""

    heat: float
    contact: float
    hot: float

    def on(self, span: float) -> Inflow:
        """The inflow for some seconds."""
        return Inflow(span, self.heat, self.contact, self.hot)

    def most(self, at: float) -> float:
        """W that come while a bath is at a temperature (K)."""
        return self.heat + max(0.0, self.contact * (self.hot - at))

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
            heat = float(
                value(_substance(site, fluid), "specific_heat", around, heat_sink.pressure)
            )
            return Filling(heat, None, math.inf)
        boils = boiling(fluid.substance, heat_sink.pressure, around)
    except PhysicsError as error:
        raise HeatSinkError(heat_sink, f"fluid '{fluid.name}' ", error) from None
    per_kg = boils.latent if heat_sink.steam_recovered else boils.warmed
    return Filling(own or boils.specific_heat, boils, per_kg)


def coming(site: Network, heat_sink: HeatSink) -> Coming:
    """What comes while the source is on. Raises :class:`HeatSinkError`."""
    if heat_sink.heat_while_on is not None:
        return Coming(heat_sink.heat_while_on, 0.0, 0.0)
    source = site.sources[heat_sink.source]
    assert source.temperature is not None
    fluid = site.fluids[source.fluid]
    kelvin = np.linspace(site.ambient.temperature, source.temperature, POINTS)
    pressure = site.ambient.pressure if source.pressure is None else source.pressure
    try:
        heats = value(_substance(site, fluid), "specific_heat", kelvin, pressure)
    except PhysicsError as error:
        raise HeatSinkError(
            heat_sink, f"fluid '{fluid.name}' of source '{source.name}' ", error
        ) from None
    mean = float(heats.sum() - (heats[0] + heats[-1]) / 2) / (POINTS - 1)
    return Coming(0.0, heat_sink.effectiveness * source.flow * mean, source.temperature)


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


def _substance(site: Network, fluid: Fluid) -> Substance:
    ambient = (site.ambient.temperature, site.ambient.pressure)
    return Substance(fluid.name, fluid.phase, fluid.substance, fluid.constants, ambient)

"""What one unit of a cooler does with a stream: rate, duty, power."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from allocator.network.properties import heat_capacity
from allocator.network.records import Network
from allocator.physics.exchangers import duty
from allocator.site.records import Cooler

HALVINGS = 60


class CoolerUnit(NamedTuple):
    """``rate``: kg/s at most; ``heat``: J a kg taken away; ``power``: electric J a kg."""

    rate: float
    heat: float
    power: float


def unit_of(site: Network, cooler: Cooler, inlet: float) -> CoolerUnit:
    """A unit that cools a stream from ``inlet`` K to its set-point.

    The duty is ``m * integral of cp``; its conductance must carry it with the coolant that there
    is (effectiveness-NTU), which bounds the rate.

    Raises:
        PhysicsError: the fluid's heat capacity is not known.
    """
    heat = heat_between(site, cooler.fluid, inlet, cooler.set_point)
    rates = [np.inf if cooler.rate is None else cooler.rate]
    if cooler.duty is not None:
        rates.append(cooler.duty / heat)
    if cooler.conductance is not None and cooler.coolant is not None:
        rates.append(_by_conductance(cooler, inlet, heat))
    return CoolerUnit(float(min(rates)), heat, heat * cooler.power_share)


def heat_between(site: Network, fluid: str, hot: float, cold: float) -> float:
    """J a kg between two temperatures at constant pressure, by the trapezoid over cp."""
    kelvin = np.linspace(cold, hot, 65)
    return float(np.trapezoid(heat_capacity(site, fluid, hot)(kelvin), kelvin))


def _by_conductance(cooler: Cooler, inlet: float, heat: float) -> float:
    """The rate at which the set-point is just reached; less is cooled further."""
    assert cooler.conductance is not None
    assert cooler.coolant is not None
    mean = heat / (inlet - cooler.set_point)
    cold = np.inf if cooler.coolant_capacity is None else cooler.coolant_capacity
    # no coolant takes up more than brings it to the inlet's temperature
    low, high = 0.0, min(1e9, cooler.conductance, cold) * (inlet - cooler.coolant) / heat
    for _ in range(HALVINGS):
        rate = (low + high) / 2
        moved = duty(rate * mean, inlet, cold, cooler.coolant, cooler.conductance, _kind(cooler))
        if moved >= rate * heat:
            low = rate
        else:
            high = rate
    return low


def _kind(cooler: Cooler) -> str:
    return "condenser" if cooler.coolant_capacity is None else cooler.arrangement

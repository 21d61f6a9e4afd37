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


def unit_of(site: Network, cooler: Cooler, inlet: float, condensed: float = 0.0) -> CoolerUnit:
    """A unit that cools a stream from ``inlet`` K to its set-point.

    The duty is ``m * (integral of cp + condensed)``, in which ``condensed`` is J/kg of what
    condenses (:mod:`allocator.network.wet_gas`); its conductance must carry it with the coolant
    that there is (effectiveness-NTU, or zone by zone where something condenses), which bounds the
    rate.

    Raises:
        PhysicsError: the fluid's heat capacity is not known.
    """
    sensible = heat_between(site, cooler.fluid, inlet, cooler.set_point)
    heat = sensible + condensed
    rates = [np.inf if cooler.rate is None else cooler.rate]
    if cooler.duty is not None:
        rates.append(cooler.duty / heat)
    if cooler.conductance is not None and cooler.coolant is not None:
        by_ua = _by_zones if condensed > 0 else _by_conductance
        rates.append(by_ua(cooler, inlet, heat, condensed))
    return CoolerUnit(float(min(rates)), heat, heat * cooler.power_share)


def hottest_coolant(
    site: Network, cooler: Cooler, hottest: float, condensed: float = 0.0
) -> float | None:
    """K that a cooler's coolant comes to at the most, from gas of ``hottest`` K; None if unknown.

    ``inlet + duty / (mass rate * specific heat)`` of one unit at full duty; more units have more
    coolant as well. Coolant of no stated capacity, and one that boils, keeps its temperature.

    Raises:
        PhysicsError: the fluid's heat capacity is not known.
    """
    if cooler.coolant is None:
        return None
    if cooler.loop_capacity is None:
        return cooler.coolant
    unit = unit_of(site, cooler, hottest, condensed)
    duty = unit.rate * unit.heat
    gas = cooler.set_point if cooler.arrangement == "parallel" else hottest
    return min(gas, cooler.coolant + duty / cooler.loop_capacity)


def heat_between(site: Network, fluid: str, hot: float, cold: float, *, dry: bool = False) -> float:
    """J a kg between two temperatures at constant pressure, by the trapezoid over cp."""
    kelvin = np.linspace(cold, hot, 65)
    return float(np.trapezoid(heat_capacity(site, fluid, hot, dry=dry)(kelvin), kelvin))


def _by_conductance(cooler: Cooler, inlet: float, heat: float, _: float) -> float:
    """The rate at which the set-point is just reached; less is cooled further."""
    assert cooler.conductance is not None
    assert cooler.coolant is not None
    mean = heat / (inlet - cooler.set_point)
    cold = np.inf if cooler.loop_capacity is None else cooler.loop_capacity
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


def _by_zones(cooler: Cooler, inlet: float, heat: float, condensed: float) -> float:
    """The rate at which a set-point below the dew point is reached; less is cooled further.

    All that condenses counts as doing so at the set-point, where the difference to the coolant is
    least: with the same duty the gas is nowhere colder than that, so no real UA is greater. Shells
    count as parallel flow, which needs the most.
    """
    assert cooler.conductance is not None
    assert cooler.coolant is not None
    low, high = 0.0, cooler.conductance * (inlet - cooler.coolant) / heat
    for _ in range(HALVINGS):
        rate = (low + high) / 2
        if (
            _needed(cooler, inlet, rate * (heat - condensed), rate * condensed)
            <= cooler.conductance
        ):
            low = rate
        else:
            high = rate
    return low


def _needed(cooler: Cooler, inlet: float, sensible: float, condensed: float) -> float:
    """UA for W of sensible heat, and W of what condenses at the set-point."""
    assert cooler.coolant is not None
    capacity = np.inf if cooler.loop_capacity is None else cooler.loop_capacity
    outlet, cold = cooler.set_point, cooler.coolant
    with_it = _kind(cooler) in ("parallel", "shell")
    first = sensible if with_it else condensed
    middle, last = cold + first / capacity, cold + (sensible + condensed) / capacity
    if with_it:
        ends = (
            (sensible, inlet - cold, outlet - middle),
            (condensed, outlet - middle, outlet - last),
        )
    else:
        ends = (
            (condensed, outlet - cold, outlet - middle),
            (sensible, outlet - middle, inlet - last),
        )
    return sum(_zone(*end) for end in ends)


def _zone(heat: float, first: float, second: float) -> float:
    """UA = Q / LMTD between two differences of temperature."""
    if min(first, second) <= 0.0:
        return float(np.inf)
    near = abs(first - second) < 1e-9 * first
    return float(heat / (first if near else (first - second) / np.log(first / second)))


def _kind(cooler: Cooler) -> str:
    return "condenser" if cooler.loop_capacity is None else cooler.arrangement

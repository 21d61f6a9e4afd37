"""What a heat sink guarantees of its source's gas: how hot it leaves at most.

A sink (a bath beside a source) stands between the source's mouth and its pump. The bound is
worked out from its settled cycle at full flow, ``C dT/dt = N(T, t)``, in which N falls with T:

* every phase: two solutions never cross, so a sink that starts no warmer than the coldest of the
  settled cycle stays below that cycle for ever. One that starts warmer comes nearer to it, as N
  falls with T, and so is never hotter than the cycle by more than it was at its start;
* less flow, shorter bursts or spells, or a source that is lost: less heat comes as long as the gas
  is hotter than the sink. So flow and stages count at the high end of their range; what has a range
  of periods counts as if it never turned off within the stage around it, and what has a clock that
  drifts or bursts that shift as if it never turned off (:func:`allocator.site.clocks.exact_cycle`);
* specific heats that change with temperature: heat comes by the greatest mean specific heat of the
  gas down to any temperature of the sink within its limit, and the filling takes it up by its
  least. Less capacity never makes a sink's peak lower: where T belongs to C and the peak M to the
  smaller C', y = M - (M - T) C / C' is below T and so follows C' dy/dt <= N(y, t), which keeps it
  below the solution of C', and T below M with it;
* what is worked out by another model may differ by rounding and steps: :func:`room` is added.

Wet gas counts only where the settled cycle stays above its dew point: what condenses brings heat
that is not reckoned. The sink's own limits hold at the same bound, with its recovery or without;
a cooler beside it is not counted with.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from allocator.base.quantities import format_quantity
from allocator.network.heat_sink_body import (
    NO_COOLER,
    Coming,
    Filling,
    HeatSinkError,
    around_of,
    body_of,
    filling,
    gas_heat,
    span_of,
)
from allocator.network.properties import substance_of
from allocator.network.records import Network, Sink
from allocator.physics.faults import PhysicsError
from allocator.physics.heat_sink_cycles import cycle_of
from allocator.physics.heat_sink_settled import course
from allocator.physics.humidity import dew_point
from allocator.physics.substances import value
from allocator.site.clocks import exact_cycle
from allocator.site.records import HeatSink, Source, Stage

ROOM_KELVINS = 0.05
ROOM_SHARE = 1e-3
"""Two models of a sink differ by no more: K, and a share of how much hotter than the air gas is."""

POINTS = 129
"""Temperatures at which specific heats are looked up."""

SHORT = 0.1
"""K below boiling up to which a filling is looked up as a liquid, by whichever formulation."""


@dataclass(frozen=True, slots=True)
class Sinks:
    """What heat sinks guarantee. ``usable``: by source, what its pump and the sinks bear.

    ``refused``: by bath, why it does not count, for baths of which nothing is usable.
    """

    usable: Mapping[str, tuple[Sink, ...]]
    refused: Mapping[str, str]


NO_SINKS = Sinks({}, {})


def sinks_of(site: Network) -> Sinks:
    """Sinks of the site's baths that cool the gas of a source, by source; see the module.

    Of masses and sets (with recovery or not) that guarantee the same, all are there.
    """
    usable: dict[str, list[Sink]] = {}
    refused = {}
    for heat_sink in site.heat_sinks.values():
        source = site.sources[heat_sink.source]
        if source.temperature is None:
            continue
        found, why = [], ""
        for mass in heat_sink.offered:
            for recovery in (False, True) if heat_sink.recovery is not None else (False,):
                one = guaranteed(site, heat_sink, mass, recovery)
                if isinstance(one, str):
                    why = one
                elif why_not := _too_hot(source, one):
                    why = why_not
                else:
                    found.append(one)
        if found:
            usable.setdefault(source.name, []).extend(found)
        else:
            refused[heat_sink.name] = why
    return Sinks({name: tuple(sinks) for name, sinks in usable.items()}, refused)


def outlets_of(site: Network, fluid: str, sinks: Sinks) -> list[float]:
    """K at which gas of a fluid leaves heat sinks, at most."""
    return [
        sink.outlet
        for name, mine in sinks.usable.items()
        if site.sources[name].fluid == fluid
        for sink in mine
    ]


def bears(source: Source) -> bool:
    """Whether a source's pump, if it has one, bears its gas uncooled."""
    limit = None if source.pump is None else source.pump.max_inlet_temperature
    return limit is None or source.temperature is None or source.temperature <= limit


def _too_hot(source: Source, sink: Sink) -> str:
    assert source.temperature is not None
    limit = None if source.pump is None else source.pump.max_inlet_temperature
    if limit is not None and sink.outlet > limit:
        return f"its gas leaves at up to {_shown(sink.outlet)}, and the pump bears {_shown(limit)}"
    if sink.outlet >= source.temperature:
        return f"its gas leaves at up to {_shown(sink.outlet)}, no colder than it comes"
    return ""


def room(site: Network, hot: float) -> float:
    """K that are added to what is worked out of a sink, for gas that comes at ``hot`` K."""
    return ROOM_KELVINS + ROOM_SHARE * max(0.0, hot - site.ambient.temperature)


def guaranteed(site: Network, heat_sink: HeatSink, mass: float, recovery: bool) -> Sink | str:
    """A bath of ``mass`` kg, with its recovery or not, as a heat sink; or why it does not count."""
    source = busiest(site, heat_sink.source)
    hot, around = source.temperature, around_of(site, heat_sink)
    if heat_sink.heat_while_on is not None or hot is None:
        return "no temperature of gas follows from 'heat_while_on'"
    try:
        within = filling(site, heat_sink)
        lowest, top = span_of(site, heat_sink, within)
        within = within._replace(specific_heat=_least_heat(site, heat_sink, within, lowest, top))
        gas = gas_heat(site, source, lowest)
        coming = Coming(0.0, 0.0, hot, gas).up_to(heat_sink, source, top)
        body = body_of(site, heat_sink, within, mass, recovery, NO_COOLER)
        period = cycle_of(body, [(s.on, s.every) for s in source.stages], coming.on)
        found = course(body, period, heat_sink.initial_temperature)
        exact = exact_cycle(site.sources[heat_sink.source], site.spreads)
        coldest = found.rest.low - room(site, hot) if exact else lowest
        wet = _condenses(site, source, coldest)
    except HeatSinkError as error:
        return error.what
    except PhysicsError as error:
        return str(error)
    if wet:
        return wet
    high = found.rest.high + max(0.0, heat_sink.initial_temperature - found.rest.low)
    high = max(min(high, body.ceiling, max(hot, heat_sink.initial_temperature)), found.high) + room(
        site, hot
    )
    outlet = hot - heat_sink.effectiveness * (hot - high)
    if high > heat_sink.max_temperature:
        limit = _shown(heat_sink.max_temperature)
        return f"it may reach {_shown(high)}, above its 'max_temperature' ({limit})"
    if heat_sink.max_outlet_temperature is not None and outlet > heat_sink.max_outlet_temperature:
        limit = _shown(heat_sink.max_outlet_temperature)
        leaves = _shown(outlet)
        return f"its gas leaves at up to {leaves}, above its 'max_outlet_temperature' ({limit})"
    heat = heat_sink.loss_conductance * max(0.0, high - around)
    if recovery and heat_sink.recovery is not None:
        heat += heat_sink.recovery.duty
    if within.boils is not None and high >= within.boils.at:
        heat += coming.most(within.boils.at)
    return Sink(heat_sink.name, mass, recovery, outlet, heat)


_DELIVERED = ("delivery.every", "delivery.batch")


def busiest(site: Network, name: str) -> Source:
    """A source at the end of its ranges at which most gas comes."""
    source = site.sources[name]

    def most(key: str, value: float) -> float:
        spread = site.spreads.get(f"sources.{name}.{key}")
        return value if spread is None else max(value, spread.high)

    stages: list[Stage] = []
    for number, stage in enumerate(source.stages, 1):
        varied = (f"sources.{name}.{key}" for key in (f"cycle[{number}].every", *_DELIVERED))
        if any(address in site.spreads for address in varied):
            stages = []
        else:
            on = min(most(f"cycle[{number}].on", stage.on), stage.every)
            stages.append(Stage(on, stage.every))
    if source.drift or source.jitter:
        stages = []
    return replace(source, flow=most("flow", source.flow), stages=tuple(stages))


def _condenses(site: Network, source: Source, coldest: float) -> str:
    """Why wet gas may condense in a sink that comes to ``coldest`` K, or empty."""
    if not source.water:
        return ""
    dew = dew_point(source.water, source.pressure or site.ambient.pressure)
    if dew <= coldest:
        return ""
    return (
        f"its gas is wet down to {_shown(dew)}, and what condenses in a sink as cold as "
        f"{_shown(coldest)} brings heat that is not calculated"
    )


def _least_heat(
    site: Network, heat_sink: HeatSink, within: Filling, lowest: float, top: float
) -> float:
    """J/(kg K): the least specific heat of a filling between two temperatures."""
    if heat_sink.fluid is None or "specific_heat" in site.fluids[heat_sink.fluid].constants:
        return within.specific_heat
    if within.boils is not None:
        top = min(top, within.boils.at - SHORT)
        if (site.fluids[heat_sink.fluid].substance or "").lower() in ("water", "h2o"):
            lowest = max(lowest, 273.16)
    kelvin = np.linspace(lowest, max(top, lowest), POINTS)
    substance = substance_of(site, heat_sink.fluid, dry=True)
    found = value(substance, "specific_heat", kelvin, heat_sink.pressure)
    return float(found.min())


def _shown(kelvin: float) -> str:
    return format_quantity(kelvin, "temperature")
